"""What a report is made from: everything known of one tune, wherever it was kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from agent.bench.surveyed import Surveyed, surveyed, surveyed_states
from agent.errors import Refused
from agent.face.words import reading_name
from agent.model.settings import Readback

if TYPE_CHECKING:
    from agent.bench.value import Bench
    from agent.change.outcome import Outcome
    from agent.change.plan import Plan
    from agent.estimate.drift import Dated
    from agent.estimate.foretelling import Comparison


@dataclass(frozen=True, slots=True)
class Series:
    """Dated results of one thing that only a drift changes."""

    heading: str
    unit: str
    tolerance: float  #: in the unit
    results: tuple[Dated, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What was read, changed and verified on one machine.

    What is not known stays empty, and the page says so.
    """

    machine: str
    note: str = ""
    family: str = ""
    identity: str = ""  #: as the controller gives it: any text
    port: str = ""
    source: str = ""  #: what the report was made from
    simulated: bool = False
    first: Readback | None = None  #: settings before anything was written
    last: Readback | None = None  #: settings as last read
    plan: Plan | None = None  #: the last plan that was written
    outcome: Outcome | None = None
    stages: frozenset[str] = frozenset()  #: proofs that the plan has passed
    evidence: Mapping[str, str] = field(default_factory=dict)  #: what was seen of a stage
    journal: tuple[Mapping[str, Any], ...] = ()  #: journal entries of all changes, oldest first

    @property
    def stored(self) -> bool:
        """True if storage gave back what was written."""
        from agent.change.outcome import KEPT

        return bool(self.stages & KEPT)

    @property
    def put_back(self) -> bool:
        """True if something was written and every setting is again as it was at first."""
        if self.plan is None or self.first is None or self.last is None:
            return False
        return all(
            key in self.last.settings and self.last.settings[key].value == setting.value
            for key, setting in self.first.settings.items()
        )


def job_of(bench: Bench, *, source: str, simulated: bool) -> dict[str, Any]:
    """The fields of a `Job` as a bench tells them."""
    readback = bench.readback
    return {
        "machine": bench.profile.name,
        "note": bench.profile.note,
        "family": readback.family if readback else bench.family,
        "identity": (readback.identity if readback else "") or bench.identity,
        "port": bench.port,
        "source": source,
        "simulated": simulated,
        "first": bench.first,
        "last": readback,
        "plan": bench.last,
        "outcome": bench.outcome,
        "stages": frozenset(bench.stages),
        "evidence": {p.stage: p.evidence for p in bench.proofs if p.evidence},
        "journal": bench.journal,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Tune(Job):
    """All of one tune."""

    rounds: tuple[Surveyed, ...]  #: solved states, oldest first; at least one
    previewed: bool = False  #: a plan was previewed and is not written
    compared: tuple[Comparison, ...] = ()  #: readings after the change against the foretold ones
    read_after: bool = False  #: readings were taken after the last change
    history: tuple[Series, ...] = ()  #: dated results from the record
    slicing_angle_deg: float | None = None  #: in use at the end

    @property
    def before(self) -> Surveyed:
        return self.rounds[0]

    @property
    def after(self) -> Surveyed | None:
        """The state after the change, if it was measured and solved."""
        return self.rounds[-1] if len(self.rounds) > 1 else None

    @property
    def times(self) -> tuple[tuple[str, Surveyed], ...]:
        """Every solved state with words for its time: before, after, or which after."""
        last = len(self.rounds) - 1
        words = ["before the change"] + [f"after change {n}" for n in range(1, last + 1)]
        if last == 1:
            words[1] = "after the change"
        if not last and self.plan is None:
            words[0] = "now"
        return tuple(zip(words, self.rounds, strict=True))


def tune_of_bench(
    bench: Bench,
    *,
    source: str,
    history: tuple[Series, ...] = (),
    simulated: bool = False,
) -> Tune:
    """The tune of a bench as it stands.  Raises Refused where nothing was solved or read."""
    solved = surveyed_states(bench)
    if not solved:
        raise Refused(
            f"nothing was solved on the bench of {bench.profile.name}",
            remedy="'lay' a piece and 'gauge' it, then 'solve'; or give a readings file",
        )
    return Tune(
        **job_of(bench, source=source, simulated=simulated),
        rounds=solved,
        previewed=bench.plan is not None and not bench.plan.empty,
        compared=bench.compare(),
        read_after=bench.last is not None and bool(bench.now.taken),
        history=history,
        slicing_angle_deg=bench.profile.mechanics.gantry_angle_deg,
    )


def tune_of_file(path: Path) -> Tune:
    """The tune that a readings file describes: measured, and nothing written.

    Raises BadInput with every mistake of the file, Refused if the readings cannot be solved.
    """
    from agent.face.solving import solved_file

    found, solution = solved_file(path)
    return Tune(
        machine=path.stem,
        note=found.note,
        rounds=(surveyed(found.survey, solution),),
        family=found.family or "",
        source=f"the readings file {path.name}",
    )


def names_of(measured: Surveyed) -> list[str]:
    """Names of the readings that were solved, in their order."""
    return [reading_name(reading) for reading in measured.readings]


def recheck_date(made: date, tune: Tune) -> tuple[date, str]:
    """When to measure again at the latest, and why then."""
    from agent.estimate.drift import recheck_days

    days, drifts = recheck_days((series.results, series.tolerance) for series in tune.history)
    why = "twice a year, as is common for belts"
    if drifts:
        why = "by then the drift in the record may have used up half of the tolerance"
    return made + timedelta(days=days), why
