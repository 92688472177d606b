"""Tunes and their dated results as a report is made of them, from the record."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from agent.bench.past import against_first, bench_then, dated_results, solved_sessions
from agent.errors import AgentError, Refused
from agent.estimate.drift import Dated
from agent.face.report.tune import Series, Tune, tune_of_bench
from agent.face.words import shown
from agent.model.profile import Profile

if TYPE_CHECKING:
    from agent.store.record import Record
    from agent.store.rows import SessionRow


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
    bench = bench_then(record, row, profile)
    if not any(r.solved for r in bench.rounds):
        raise Refused(
            f"nothing was solved in the session of {row.at[:16]}",
            remedy="Choose another one with --session",
        )
    source = f"the record, session of {row.at[:16].replace('T', ' ')} UTC"
    if bench.filed is None and not all(r.sheet for r in bench.rounds if r.solved):
        source += (
            "; mechanics and conditions, which it did not note, are those of the profile of today"
        )
    history = history_of(record, row.machine, profile)
    return tune_of_bench(bench, source=source, history=history)


def history_of(record: Record, machine: str, profile: Profile) -> tuple[Series, ...]:
    """Dated results of a machine in the units of a report; scales against their first result."""
    found = dated_results(record, machine, profile)
    return tuple(_series(name, results, profile) for name, results in found.items())


def _series(name: str, results: Sequence[Dated], profile: Profile) -> Series:
    words, limit = shown(name), profile.tolerance.of(name)
    assert limit is not None
    heading = words.words
    if name.endswith("_scale"):
        heading = f"steps/mm that would be right for {words.words}, against the first"
        results = against_first(results)
    told = tuple(Dated(r.day, r.value * words.factor, r.u * words.factor) for r in results)
    return Series(heading, words.unit, limit * words.factor, told)


def known_profile(machine: str) -> Profile:
    """The machine's profile as it is known today, or an empty one."""
    from agent.store.profiles import load_profile

    try:
        return load_profile(machine)
    except AgentError:
        return Profile(machine)
