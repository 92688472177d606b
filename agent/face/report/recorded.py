"""Tunes and their dated results, from the record: the bench as its events tell it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Final

from agent.bench.events import in_order, number_of, readback_of
from agent.errors import AgentError, Refused
from agent.estimate.drift import Dated
from agent.face.report.tune import Series, Tune, tune_of_bench
from agent.face.words import BY_HAND, shown
from agent.model.drive import right_steps
from agent.model.profile import Profile
from agent.model.roles import PARAMETER_LETTER, ROLES
from agent.model.settings import Readback

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
    """The tune as it stood when the next one was begun behind the session of `row`.

    profile: the machine's as it is known today, for what version 0.1.0 did not note.
    Raises Refused if nothing was solved in it.
    """
    from agent.bench.fold import fold
    from agent.bench.value import Bench

    newer = {s.id for s in solved_sessions(record, row.machine) if (s.at, s.id) > (row.at, row.id)}
    events = []
    for event in in_order(record.events(row.machine)):
        if event.session in newer:
            break
        events.append(event)
    bench = fold(events, Bench(machine=row.machine, profile=replace(profile, name=row.machine)))
    if not any(r.solved for r in bench.rounds):
        raise Refused(
            f"nothing was solved in the session of {row.at[:16]}",
            remedy="Choose another one with --session",
        )
    if not bench.identity:  # version 0.1.0 noted with the session how its controller named itself
        bench = replace(bench, identity=row.identity, port=bench.port or row.port)
    source = f"the record, session of {row.at[:16].replace('T', ' ')} UTC"
    if bench.filed is None and not all(r.sheet for r in bench.rounds if r.solved):
        source += (
            "; mechanics and conditions, which it did not note, are those of the profile of today"
        )
    return tune_of_bench(
        bench,
        source=source,
        history=history_of(record, row.machine, profile),
    )


# --- results over time ---------------------------------------------------------------------------


def history_of(record: Record, machine: str, profile: Profile) -> tuple[Series, ...]:
    """Dated results of a machine that a change of settings does not move.

    An error goes away with its correction and so shows no drift.  What stays the same in a machine
    that does not drift is the setting that would be right, steps / (1 + e); it is given in percent
    against the first one.  Angles that no setting moves are taken as they are.
    """
    found = _dated(record, machine, profile)
    return tuple(_series(name, results, profile) for name, results in found.items())


def on_one_scale(record: Record, machine: str, name: str, profile: Profile) -> tuple[Dated, ...]:
    """Dated results of one scale error, each as it would be at the steps that were right first.

    A machine that does not drift shows about 0 before and after a correction: with r the steps
    that would be right, e = r_first / r - 1.  Empty where no steps were read beside an estimate.
    """
    results = _dated(record, machine, profile).get(name, [])
    return tuple(
        Dated(r.day, results[0].value / r.value - 1, results[0].value * r.u / r.value**2)
        for r in results
    )


def _dated(record: Record, machine: str, profile: Profile) -> dict[str, list[Dated]]:
    """By name: the steps that would be right, or an angle by hand, oldest first."""
    kinds = ("readback", "estimate", "outcome", "begin")
    entries = in_order(record.entries(machine, kinds=kinds, limit=_MOST))
    found: dict[str, list[Dated]] = {}
    for at, name, value, u in sorted(_results(entries, profile)):
        day = datetime.fromisoformat(at).timestamp() / 86400
        found.setdefault(name, []).append(Dated(day, value, u))
    return found


def _results(
    entries: Iterable[EntryRow], profile: Profile
) -> Iterator[tuple[str, str, float, float]]:
    """(time, name, value, u) of the last estimate of each state of the machine."""
    steps: dict[str, Readback] = {}
    latest: dict[str, EntryRow] = {}
    tune = 0
    for entry in entries:
        tune += entry.kind == "begin"
        # version 0.1.0 began a tune with each session
        of = str(tune) if number_of(entry) else entry.session
        if entry.kind == "readback" and not entry.body.get("damaged"):
            steps[of] = readback_of(entry.body)
        elif entry.kind == "estimate" and of in steps:
            latest[of] = entry
            # Estimated again in the same state: the same readings count once.
        elif entry.kind == "outcome" and of in latest:
            yield from _figures(latest.pop(of), steps[of], profile)
    for of, entry in latest.items():
        yield from _figures(entry, steps[of], profile)


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
        right = right_steps(setting.value, p["value"], p["u"], setting.half_digit)
        yield entry.at, name, *right
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
