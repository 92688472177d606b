"""Tunes and their dated results, from the record.

A session notes its readings and its estimate each time it solves.  Where the whole survey was
noted with them (`survey`: the text of a readings file) it is solved anew and everything is known;
else the page shows the estimate as it was noted, and what the profile says today about the rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

from agent.change.outcome import Fate, Outcome
from agent.change.plan import Change, Plan
from agent.errors import AgentError, Refused
from agent.estimate.drift import Dated
from agent.estimate.solution import (
    Advice,
    Combination,
    Correction,
    NextReading,
    Parameter,
    Residual,
    Solution,
)
from agent.face.report.tune import Measured, Series, Tune, measured_of
from agent.face.words import BY_HAND, shown
from agent.model.feature import Reading
from agent.model.profile import Profile
from agent.model.roles import PARAMETER_LETTER, ROLES
from agent.model.settings import Readback, Setting
from agent.model.survey import Survey

if TYPE_CHECKING:
    from agent.store.record import Record
    from agent.store.rows import EntryRow, SessionRow

#: Entries looked at, of one machine.
_MOST: Final = 20_000


def solved_sessions(record: Record, machine: str | None = None) -> tuple[SessionRow, ...]:
    """Sessions in which something was solved, newest first."""
    solved = {e.session for e in record.entries(machine, kinds=["estimate"], limit=_MOST)}
    return tuple(row for row in record.sessions(machine) if row.id in solved)


def chosen_session(record: Record, number: int = 1, machine: str | None = None) -> SessionRow:
    """The session of this number, 1 the newest.  Raises Refused, with a list, for another."""
    rows = solved_sessions(record, machine)
    if not rows:
        of = f" of {machine}" if machine else ""
        raise Refused(
            f"the record holds no solved session{of}",
            remedy="Give a readings file, or use 'report' in the shell after 'solve'",
        )
    if not 1 <= number <= len(rows):
        listed = "; ".join(f"{n}: {r.machine} {r.at[:16]}" for n, r in enumerate(rows[:5], 1))
        raise Refused(f"there is no session {number}", remedy=f"Newest first there are {listed}")
    return rows[number - 1]


def tune_of_record(record: Record, row: SessionRow, profile: Profile) -> Tune:
    """The tune of a recorded session; `profile` is the machine's as it is known today.

    Raises Refused if nothing was solved in it, or if its survey cannot be solved any more.
    """
    story = _Story(profile, row)
    for entry in _entries_of(record, row):
        story.take(entry)
    rounds = story.rounds()
    if not rounds:
        raise Refused(
            f"nothing was solved in the session of {row.at[:16]}",
            remedy="Choose another one with --session",
        )
    first, last = rounds[0], rounds[-1]
    changed = story.plan is not None and len(rounds) > 1
    return Tune(
        machine=row.machine,
        rounds=rounds,
        note=profile.note if story.whole else _FROM_TODAY,
        family=row.family,
        identity=row.identity,
        port=row.port,
        source=f"the record, session of {row.at[:16].replace('T', ' ')} UTC",
        first=story.readbacks[0] if story.readbacks else None,
        last=story.readbacks[-1] if story.readbacks else None,
        plan=story.plan,
        outcome=story.outcome,
        stages=frozenset(story.stages),
        compared=_compared(first, last, profile) if changed else (),
        read_after=changed,
        journal=tuple(story.journal),
        history=history_of(record, row.machine, profile),
        slicing_angle_deg=last.survey.mechanics.gantry_angle_deg if story.whole else None,
    )


#: Steps of a journal in the order in which they come.
_ORDER: Final = {
    "begun": 0, "looking": 0, "storing": 0, "sending": 1, "answered": 1, "broken": 2, "closed": 4,
}  # fmt: skip


def _entries_of(record: Record, row: SessionRow) -> list[EntryRow]:
    """What a session noted, and the journals of its machine until the next attach, oldest first.

    Journals stand in the record as sessions of their own, without a port.
    """
    later = [s.at for s in record.sessions(row.machine) if s.port and s.at > row.at]
    until = min(later, default="9999")

    def order(entry: EntryRow) -> tuple[str, int, int, str, str]:
        """Several entries of a journal may have come in one millisecond."""
        body, step = entry.body, str(entry.body.get("step", ""))
        line = str(body.get("line", ""))
        return (
            entry.at,
            _ORDER.get(step, 3) if entry.kind == "journal" else 0,
            int(body.get("index", 0)),
            line if "index" not in body else "",
            "" if step == "sending" else entry.id,
        )

    found = record.entries(row.machine, since=row.at, limit=_MOST)
    return sorted(
        (e for e in found if e.session == row.id or (e.kind == "journal" and e.at < until)),
        key=order,
    )


_FROM_TODAY: Final = (
    "Mechanics, instrument, plastic and slicing angle are those of the profile of today; the record"
    " of this session does not hold them"
)


def _compared(first: Measured, last: Measured, profile: Profile) -> Any:
    from agent.estimate.foretelling import compare

    if not first.solution.u_expected:
        return ()
    return compare(first.survey, first.solution, last.survey.readings, profile.bead.width_mm)


@dataclass
class _Story:
    """Entries of one session, oldest first, as they become a tune."""

    profile: Profile
    row: SessionRow
    readbacks: list[Readback] = field(default_factory=list)
    journal: list[Mapping[str, Any]] = field(default_factory=list)
    plan: Plan | None = None
    outcome: Outcome | None = None
    stages: set[Any] = field(default_factory=set)
    whole: bool = True  #: every estimate came with its survey
    _solved: list[Measured] = field(default_factory=list)
    _latest: Measured | None = None
    _readings: Mapping[str, Any] = field(default_factory=dict)
    _replaced: dict[str, tuple[float, ...]] = field(default_factory=dict)

    def take(self, entry: EntryRow) -> None:
        body = entry.body
        match entry.kind:
            case "readback":
                self.readbacks.append(_readback(body))
            case "readings":
                self._note_replaced(body)
                self._readings = body
            case "estimate":
                self._latest = self._measured(body)
            case "journal":
                self._take_journal(body)

    def _note_replaced(self, body: Mapping[str, Any]) -> None:
        """Values that a newer note of the same state gives otherwise."""
        earlier = {_place(t): tuple(t["mm"]) for t in self._readings.get("readings", ())}
        for taken in body.get("readings", ()):
            was = earlier.get(_place(taken))
            if was is not None and was != tuple(taken["mm"]):
                self._replaced.setdefault(str(taken.get("name", "")), was)

    def _take_journal(self, body: Mapping[str, Any]) -> None:
        self.journal.append(body)
        step = body.get("step")
        if step == "begun":
            self.plan, self.outcome, self.stages = Plan.from_plain(body["plan"]), None, set()
            if self._latest is not None:  # the state before this change
                self._solved.append(self._latest)
                self._latest = None
                self._readings, self._replaced = {}, {}
        elif "outcome" in body and self.plan is not None:
            self.outcome = _outcome(self.plan, body["outcome"])
            if self.outcome.verified:
                self.stages |= set(self.outcome.stages)

    def rounds(self) -> tuple[Measured, ...]:
        return (*self._solved, *([self._latest] if self._latest is not None else ()))

    def _measured(self, estimate: Mapping[str, Any]) -> Measured:
        taken = self._readings.get("readings", ())
        pieces = tuple(str(t.get("piece", "")) for t in taken)
        replaced = dict(self._replaced)
        text = self._readings.get("survey")
        if isinstance(text, str):
            from agent.estimate import solve
            from agent.face.solving import line_builder
            from agent.store.readings import read_readings

            found = read_readings(text.encode(), f"the record, {self.row.at[:16]}")
            line = line_builder(found.family or self.row.family, found.settings)
            return measured_of(found.survey, solve(found.survey, line=line), pieces, replaced)
        self.whole = False
        return measured_of(self._survey(taken), solution_from(estimate), pieces, replaced)

    def _survey(self, taken: Sequence[Mapping[str, Any]]) -> Survey:
        profile = self.profile
        return Survey(
            readings=tuple(_reading(t) for t in taken),
            mechanics=profile.mechanics,
            steps_per_mm=_steps(self.readbacks[-1]) if self.readbacks else {},
            axes=profile.axes,
            instrument=profile.instrument,
            material=profile.material,
            tolerance=profile.tolerance,
            priors=profile.priors,
            budget=profile.budget,
        )


# --- from plain data -----------------------------------------------------------------------------


def solution_from(plain: Mapping[str, Any]) -> Solution:
    """The solution that `to_plain` described; without belt run, fit and foretold uncertainties."""
    upcoming = plain.get("next")
    return Solution(
        parameters={name: Parameter.from_plain(p) for name, p in plain["parameters"].items()},
        corrections=tuple(
            Correction(**{**c, "effects": tuple(c["effects"])}) for c in plain["corrections"]
        ),
        slicing_angle_deg=plain["slicing_angle_deg"],
        derived={name: Combination(**c) for name, c in plain["derived"].items()},
        residuals=tuple(Residual.from_plain(r) for r in plain["residuals"]),
        expected_next=tuple(plain["expected_next"]),
        advice=tuple(Advice(**a) for a in plain["advice"]),
        next=None
        if upcoming is None
        else NextReading(**{**upcoming, "along": tuple(upcoming["along"])}),
        contradictory=bool(plain.get("contradictory")),
    )


def _place(plain: Mapping[str, Any]) -> tuple[str, str]:
    """What tells a reading of a state from the others: what it was taken on, and its name."""
    return str(plain.get("piece", "")), str(plain.get("name", ""))


def _reading(plain: Mapping[str, Any]) -> Reading:
    return Reading(
        plain["feature"],
        tuple(plain["along"]),
        tuple(plain["mm"]),
        plain.get("between"),
        plain.get("u_mm"),
        plain.get("name", ""),
    )


def _readback(plain: Mapping[str, Any]) -> Readback:
    notes = tuple(plain.get("notes", ()))
    damaged = bool(plain.get("damaged"))
    return Readback(
        plain.get("family", ""),
        {
            key: Setting(s["value"], s["unit"], s["digits"])
            for key, s in plain.get("settings", {}).items()
        },
        other=tuple(plain.get("other", ())),
        identity=plain.get("identity", ""),
        damage=notes if damaged else (),
        notes=() if damaged else notes,
    )


def _outcome(plan: Plan, plain: Mapping[str, Any]) -> Outcome:
    return Outcome(
        plan,
        tuple(Fate(**fate) for fate in plain["changes"]),
        moved=tuple(Change(**change) for change in plain["moved"]),
        stages=tuple(plain["stages"]),
        notes=tuple(plain["notes"]),
        hand_over=tuple(plain["hand_over"]),
    )


def _steps(readback: Readback) -> dict[str, float]:
    head = "steps_per_mm."
    return {k[len(head) :]: s.value for k, s in readback.settings.items() if k.startswith(head)}


# --- results over time ---------------------------------------------------------------------------


def history_of(record: Record, machine: str, profile: Profile) -> tuple[Series, ...]:
    """Dated results of a machine that a change of settings does not move.

    An error goes away with its correction and so shows no drift.  What stays the same in a machine
    that does not drift is the setting that would be right, steps / (1 + e); it is given in percent
    against the first one.  Angles that no setting moves are taken as they are.
    """
    kinds = ("readback", "estimate", "outcome")
    entries = reversed(record.entries(machine, kinds=kinds, limit=_MOST))
    found: dict[str, list[Dated]] = {}
    for at, name, value, u in sorted(_results(entries, profile)):
        day = datetime.fromisoformat(at).timestamp() / 86400
        found.setdefault(name, []).append(Dated(day, value, u))
    return tuple(_series(name, results, profile) for name, results in found.items())


def _results(
    entries: Iterable[EntryRow], profile: Profile
) -> Iterator[tuple[str, str, float, float]]:
    """(time, name, value, u) of the last estimate of each state of the machine."""
    steps: dict[str, Readback] = {}
    latest: dict[str, EntryRow] = {}
    for entry in entries:
        if entry.kind == "readback" and not entry.body.get("damaged"):
            steps[entry.session] = _readback(entry.body)
        elif entry.kind == "estimate" and entry.session in steps:
            latest[entry.session] = entry
            # Estimated again in the same state: the same readings count once.
        elif entry.kind == "outcome" and entry.session in latest:
            yield from _figures(latest.pop(entry.session), steps[entry.session], profile)
    for session, entry in latest.items():
        yield from _figures(entry, steps[session], profile)


def _figures(
    entry: EntryRow, readback: Readback, profile: Profile
) -> Iterator[tuple[str, str, float, float]]:
    parameters = entry.body["parameters"]
    for role in ROLES:
        name = f"{PARAMETER_LETTER[role]}_scale"
        setting = readback.settings.get(f"steps_per_mm.{profile.axes.letter(role)}")
        p = parameters.get(name)
        if setting is None or p is None or not p["determined"]:
            continue
        right = setting.value / (1 + p["value"])
        # What is live may lie anywhere within half a printed digit (JCGM 100:2008, 4.3.7).
        printed = setting.half_digit / math.sqrt(3) / setting.value
        yield entry.at, name, right, right * math.hypot(p["u"] / (1 + p["value"]), printed)
    for name in BY_HAND:
        p = parameters.get(name)
        if p is not None and p["determined"]:
            yield entry.at, name, p["value"], p["u"]


def _series(name: str, results: list[Dated], profile: Profile) -> Series:
    words, tolerance = shown(name), profile.tolerance
    if not name.endswith("_scale"):
        return Series(words.words, words.unit, tolerance.angle_deg, tuple(results))
    first = results[0].value
    shares = [Dated(r.day, 100 * (r.value / first - 1), 100 * r.u / first) for r in results]
    heading = f"steps/mm that would be right for {words.words}, against the first"
    return Series(heading, "%", tolerance.scale_percent, tuple(shares))


def profile_of(machine: str) -> Profile:
    """The machine's profile as it is known today, or an empty one."""
    from agent.store.profiles import load_profile

    try:
        return load_profile(machine)
    except AgentError:
        return Profile(machine)
