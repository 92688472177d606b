"""The report of a change that no tune led to: a restore after a reflash, a replaced part, an undo.

Nothing need have been measured.  Where the machine was read after the change, that is shown.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

from agent.bench.surveyed import Surveyed, surveyed_states
from agent.bench.value import Purpose
from agent.estimate.standing import UNKNOWN
from agent.face.columns import headed
from agent.face.parts import Blanks, Facts, Items, Page, Part, Table, Words, made_of, sections
from agent.face.report import changes, fitting, machine, measured
from agent.face.report.tune import Job, job_of
from agent.face.words import shown
from agent.model.roles import ROLES, WANTED, scale_of

if TYPE_CHECKING:
    from agent.bench.value import Bench
    from agent.change.restore import Sorted

#: What is reported without readings, in words.
KINDS: Final[Mapping[Purpose, str]] = {
    "restore": "Restore",
    "replace": "Replaced part",
    "undo": "Return to an earlier state",
    "feed": "Extruder steps",
    "other": "Change",
}


#: What becomes of a saved setting that was not brought back.
_TO_DO: Final = {"measure again": "measure again", "never replay": "leave as it is"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Service(Job):
    """A change, what it did not bring back, and what was read since."""

    kind: str
    after: Surveyed | None = None  #: the state since the change, if it was read
    left: tuple[Sorted, ...] = ()  #: saved settings that were not brought back, with the reason

    @property
    def undone(self) -> bool:
        """True if what was changed was taken back, and all is as it was at first."""
        return self.kind == KINDS["undo"] and self.put_back


def is_service(bench: Bench) -> bool:
    """True where what was written last carries out no solution of readings."""
    change = _change(bench)
    if change is None or any(r.solution is not None for r in bench.rounds[:-1]):
        return False
    return bench.now.follows is None


def _change(bench: Bench) -> Purpose | None:
    """What the last write of this job was for; None where nothing was written."""
    if bench.last is None:
        return None
    written = [t for t in bench.transactions if t.before is not None and t.purpose in KINDS]
    return written[-1].purpose if written else None


def service_of(bench: Bench, *, source: str, simulated: bool = False) -> Service:
    """The change of a bench where `is_service` is true."""
    from agent.change.restore import sort_profile

    kind = _change(bench)
    assert kind is not None
    assert bench.last is not None
    solved = surveyed_states(bench)
    left = (
        tuple(s for s in sort_profile(bench.profile) if s.verdict != "keep")
        if kind == "restore"
        else ()
    )
    return Service(
        **job_of(bench, source=source, simulated=simulated),
        kind=KINDS[kind],
        after=solved[-1] if solved else None,
        left=left,
    )


def service_page(service: Service, made: date) -> Page:
    """The content of the report of `service`, dated `made`."""
    since = service.after
    annex: tuple[tuple[str, str, Sequence[Part]], ...] = (
        ("settings", "All settings", machine.settings(service)),
        ("lines", "Lines sent, and their answers", changes.lines(service)),
        ("proof", "What has been verified", changes.proof(service)),
        *(
            (
                ("readings", "Readings since the change", measured.readings(since)),
                ("results", "What they say", measured.results(since)),
                ("misfits", "How well they fit", fitting.misfits(since)),
                ("belt", "Runs over marks", measured.belt(since)),
            )
            if since is not None
            else ()
        ),
        ("cautions", "Cautions", machine.cautions(service)),
    )
    return Page(
        title=f"{service.kind}: {service.machine}",
        state=state_of(service),
        simulated=service.simulated,
        facts=made_of(service.source, made),
        certificate=tuple(_first_page(service)),
        annex=sections(annex),
        kind="Certificate and report of a change",
    )


def state_of(service: Service) -> str:
    """The outcome in one line."""
    if service.undone:
        return "Put back: every setting is as it was before."
    if service.outcome is None or not service.outcome.verified:
        return "Changed, and NOT PROVED: see below before the machine is used."
    stored = "stored" if service.stored else "NOT PROVED TO BE STORED"
    if service.after is None:
        return f"Changed, read back, {stored}; not measured since."
    return f"Changed, read back, {stored}; measured since: {_measured_words(service)}."


def _measured_words(service: Service) -> str:
    """What the readings since the change say of the errors that the change may have moved."""
    assert service.after is not None
    if service.after.solution.contradictory:
        return "READINGS THAT DO NOT AGREE WITH THE NEW SETTINGS"
    found: dict[str, list[str]] = {}
    for name in _touched(service):
        found.setdefault(service.after.standing(name), []).append(shown(name).words)
    return "; ".join(f"{', '.join(names)} {how}" for how, names in found.items())


def _touched(service: Service) -> tuple[str, ...]:
    """Errors of the axes whose steps were changed; all main ones where none was."""
    assert service.plan is not None
    assert service.after is not None
    axes = service.after.survey.axes
    names = tuple(
        scale_of(role)
        for role in ROLES
        if f"steps_per_mm.{axes.letter(role)}" in service.plan.wanted
    )
    return names or WANTED


def _first_page(service: Service) -> Iterator[Part]:
    plan = service.plan
    assert plan is not None
    yield Facts(
        (
            ("Machine", service.machine + (f" ({service.note})" if service.note else "")),
            ("Controller", service.identity or "gave no name"),
            ("Command family", service.family or "not known"),
            ("Reason of the change", "; ".join(dict.fromkeys(c.why for c in plan.changes))),
        )
    )
    yield from changes.written(service)
    yield Words(changes.verified(service), strong=True)
    if service.left:
        yield Table(
            headed("setting", "what to do", "~reason"),
            tuple((s.key, _TO_DO[s.verdict], s.reason) for s in service.left),
            "Saved settings that were not brought back.",
        )
    points = tuple(open_points(service))
    yield Words("Open points:" if points else "No open points.")
    if points:
        yield Items(points)
    yield Words(
        "By signing you confirm that you have read the cautions and the open points of this report."
    )
    yield Blanks(("Technician, signature", "Place and date"))


def open_points(service: Service) -> Iterator[str]:
    """What is not proved, not measured, or off."""
    yield from changes.not_held(service)
    if service.undone:
        return
    yield from changes.not_proved(service)
    if service.after is None:
        yield (
            "The machine was not measured since: a plain move of each axis whose steps changed"
            " ('gauge travel') shows that it goes the commanded distance."
        )
        return
    if service.after.solution.contradictory:
        yield (
            "The readings since the change do not agree with the new settings, or with each other:"
            " read again, and look for another part or microsteps than stated, before the machine"
            " is used."
        )
        return
    for name in _touched(service):
        if service.after.standing(name) == UNKNOWN:
            yield f"{shown(name).words.capitalize()} was not measured since the change."
    yield from changes.outside(service.after)
