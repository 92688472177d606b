"""What the record tells of a machine's past: solved sessions, the bench then, dated results."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Final

from agent.bench.events import in_order, number_of, readback_of
from agent.bench.fold import fold
from agent.bench.value import Bench
from agent.estimate.drift import Dated
from agent.model.drive import right_steps
from agent.model.profile import Profile
from agent.model.roles import BY_HAND, ROLES, scale_of
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


def bench_then(record: Record, row: SessionRow, profile: Profile) -> Bench:
    """The bench as it stood when the next tune was begun behind the session of `row`.

    profile: the machine's as it is known today, for what version 0.1.0 did not note.
    """
    newer = {s.id for s in solved_sessions(record, row.machine) if (s.at, s.id) > (row.at, row.id)}
    events = []
    for event in in_order(record.events(row.machine)):
        if event.session in newer:
            break
        events.append(event)
    bench = fold(events, Bench(machine=row.machine, profile=replace(profile, name=row.machine)))
    if not bench.identity:  # version 0.1.0 noted with the session how its controller named itself
        bench = replace(bench, identity=row.identity, port=bench.port or row.port)
    return bench


# --- results over time ---------------------------------------------------------------------------


def dated_results(record: Record, machine: str, profile: Profile) -> dict[str, list[Dated]]:
    """Dated results of a machine that a change of settings does not move, oldest first, by name.

    An error goes away with its correction and so shows no drift.  What stays the same in a machine
    that does not drift is the setting that would be right, steps / (1 + e): that stands here for a
    scale.  Angles that no setting moves are taken as they are.
    """
    kinds = ("readback", "estimate", "outcome", "begin")
    entries = in_order(record.entries(machine, kinds=kinds, limit=_MOST))
    found: dict[str, list[Dated]] = {}
    for at, name, value, u in sorted(_results(entries, profile)):
        day = datetime.fromisoformat(at).timestamp() / 86400
        found.setdefault(name, []).append(Dated(day, value, u))
    return found


def against_first(results: Sequence[Dated]) -> tuple[Dated, ...]:
    """Settings that would be right, as shares against the first of them."""
    first = results[0].value
    return tuple(Dated(r.day, r.value / first - 1, r.u / first) for r in results)


def on_one_scale(results: Sequence[Dated]) -> tuple[Dated, ...]:
    """Settings that would be right, as errors at the one that was right first.

    A machine that does not drift shows about 0 before and after a correction: with r the steps
    that would be right, e = r_first / r - 1.
    """
    return tuple(
        Dated(r.day, results[0].value / r.value - 1, results[0].value * r.u / r.value**2)
        for r in results
    )


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
        name = scale_of(role)
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
