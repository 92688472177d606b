"""The exchange: both sides end with what either of them had, whatever cuts it short.

What arrived at one side behind the mark that the other keeps of it is compared by identity; only
what is lacking travels.  Rows are never changed, so that taking one twice is taking it once, and a
mark moves in the same transaction as the rows before it.  A side that was restored from a backup,
or a record that was copied to a second computer, no longer holds the mark: then everything is
compared from the beginning, by identity again, and nothing is lost or doubled.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from agent.store.checks import misfit
from agent.store.tables import LINES, TABLES, UNITS
from agent.workshop.asking import Row
from agent.workshop.sides import (
    Bench,
    Load,
    Mark,
    Side,
    Workshop,
    heads,
    holds,
    in_portions,
    lacking,
    line_counts,
    lines_beyond,
    rows_of,
)

#: Arrivals looked at together, lines of traffic that travel together, characters of bodies.
BATCH: Final = 5_000
BATCH_LINES: Final = 20_000
BATCH_CHARACTERS: Final = 32_000_000

Told = Callable[[str, int], None]  #: direction, rows so far


@dataclass(frozen=True, slots=True)
class Carried:
    """What one direction brought."""

    new: int = 0  #: rows that the target did not have
    apart: int = 0  #: rows that fit no record and were kept apart
    anew: bool = False  #: compared from the beginning, as the mark no longer held


@dataclass(frozen=True, slots=True)
class Exchanged:
    """What an exchange brought, both ways."""

    sent: Carried
    received: Carried
    renewed: bool  #: this record goes on under a new identity: it was restored or copied
    reads_only: bool = False  #: the user may not add to the workshop: nothing was sent

    @property
    def complete(self) -> bool:
        """Nothing had to stay behind: apart, or on this bench."""
        return not self.received.apart and not self.reads_only


def exchange(bench: Bench, workshop: Workshop, told: Told | None = None) -> Exchanged:
    """Carry what either side lacks to the other; for a user who may only read, from there alone.

    Raises LinkFailed or Refused at a cut; what was taken by then stays, and the next exchange
    goes on behind it.
    """
    if not workshop.shared.may_add:
        mark = bench.mark_of(workshop.identity)
        received = carry(workshop, bench, mark, _telling(told, "received"))
        return Exchanged(Carried(), received, renewed=False, reads_only=True)
    renewed = False
    mark = workshop.mark_of(bench.identity)
    if mark is not None and not holds(bench, mark):
        bench.renew()
        renewed = True
        mark = workshop.mark_of(bench.identity)
    sent = carry(bench, workshop, mark, _telling(told, "sent"))
    received = carry(workshop, bench, bench.mark_of(workshop.identity), _telling(told, "received"))
    if received.new:  # the mark moves past what has just come from there
        carry(bench, workshop, workshop.mark_of(bench.identity))
    return Exchanged(sent, received, renewed)


def _telling(told: Told | None, way: str) -> Callable[[int], None] | None:
    return None if told is None else lambda rows: told(way, rows)


def carry(
    source: Side, target: Side, mark: Mark | None, told: Callable[[int], None] | None = None
) -> Carried:
    """Bring to `target` what it lacks of `source` behind its `mark`; a batch is a transaction.

    What arrives at the source meanwhile is looked at the next time.
    """
    anew = mark is not None and not holds(source, mark)
    # The marked arrival itself is looked at again: lines may have come to it since.
    after = mark.n if mark is not None and not anew else 0
    new = apart = 0

    def take(load: Load, mark: Mark | None) -> None:
        nonlocal new, apart
        if isinstance(target, Bench):
            _sort_out(load, target)
        new += target.take(load, source.identity, mark)
        apart += len(load.apart)
        if told is not None:
            told(new)

    more = True
    while more and (found := heads(source, after, BATCH)):
        after, more = found[-1].n + 1, len(found) == BATCH
        waiting = Load()
        for load in _loads(source, target, found):
            if waiting and waiting.size + load.size > BATCH_CHARACTERS:
                take(waiting, None)
                waiting = Load()
            waiting.join(load)
        if waiting or mark != found[-1]:
            mark = found[-1]
            take(waiting, mark)
    return Carried(new, apart, anew)


def _loads(source: Side, target: Side, found: list[Mark]) -> Iterator[Load]:
    """What `target` lacks of these arrivals, parents first, in portions that are not too large."""
    arrived: dict[str, list[str]] = {}
    for head in found:
        arrived.setdefault(head.what, []).append(head.id)
    for table in UNITS:
        missing = lacking(target, table, arrived.get(table, []))
        for ids in in_portions(source, table, missing, BATCH_CHARACTERS) if missing else ():
            yield Load(rows_of(source, table, ids))
        if table == "session":
            known = set(arrived.get(table, [])) - set(missing)
            yield from _late_origins(source, target, sorted(known))
    if LINES in arrived:
        yield from _line_loads(source, target, arrived[LINES])


def _late_origins(source: Side, target: Side, known: list[str]) -> Iterator[Load]:
    """Benches of sessions that the target has from a file, which does not name them."""
    unnamed = lacking(target, "origin", known, "session")
    if unnamed and (rows := source.fetch("origin", "session AMONG :ids", ids=unnamed)):
        yield Load({"origin": rows})


def _line_loads(source: Side, target: Side, sessions: list[str]) -> Iterator[Load]:
    theirs, ours = line_counts(target, sessions), line_counts(source, sessions)
    rows: list[Row] = []
    for session in sessions:
        beyond = theirs[session]
        while beyond < ours[session]:
            some = lines_beyond(source, session, beyond, BATCH_LINES - len(rows))
            rows += some
            beyond = some[-1][1] if some else ours[session]
            if len(rows) >= BATCH_LINES:
                yield Load({LINES: rows})
                rows = []
    if rows:
        yield Load({LINES: rows})


# --- what fits no record -------------------------------------------------------------------------


def _sort_out(load: Load, target: Bench) -> None:
    """Put rows of a foreign record that fit none apart, with what belongs to them."""
    for table in TABLES:
        if rows := load.rows.get(table):
            load.rows[table] = list(_fitting(load, target, table, rows))


def _fitting(load: Load, target: Bench, table: str, rows: list[Row]) -> Iterable[Row]:
    """Rows that fit; of their parents those that come with them are sorted out already."""
    names = TABLES[table].names
    parent = next((c for c in TABLES[table].columns if c.of), None)
    absent: set[str] = set()
    if parent is not None:
        at = names.index(parent.name)
        wanted = {str(row[at]) for row in rows}
        coming = {str(row[0]) for row in load.rows.get(parent.of, ())}
        absent = set(lacking(target, parent.of, sorted(wanted - coming)))
    for row in rows:
        why = misfit(table, dict(zip(names, row, strict=True)))
        if not why and parent is not None and row[at] in absent:
            why = f"its {parent.of} is not here"
        if why:
            load.apart.append((table, row, why))
        else:
            yield row
