"""The record against SQLite used by hand, with the same rows and the same durability."""

from __future__ import annotations

import os
import shlex
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace
from functools import cache
from io import StringIO
from itertools import count
from pathlib import Path
from typing import Final

from agent.bench.events import Event
from agent.bench.fold import fold
from agent.bench.value import Bench
from agent.store.record import BATCH_LINES, Record
from tests.benchmarks.benches import short_lines
from tests.benchmarks.shop import A_MACHINE, fill
from tests.benchmarks.starting import PLUMBELT
from tests.benchmarks.table import Row, at_most
from tests.benchmarks.timing import Act, growth, seconds, side_by_side
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in

#: A query that takes longer is felt.
_SOON: Final = 0.050

_BY_HAND: Final = """
CREATE TABLE line (
    session TEXT NOT NULL, n INTEGER NOT NULL, at REAL NOT NULL, way TEXT NOT NULL,
    text TEXT NOT NULL, PRIMARY KEY (session, n)
) WITHOUT ROWID
"""


def rows(quick: bool) -> Iterator[Row]:
    size = 5_000 if quick else 100_000
    with tempfile.TemporaryDirectory() as folder:
        bench = _Bench(Path(folder))
        ours, reference = side_by_side(
            bench.append(size), bench.append_by_hand(size), runs=3, warm_up=0
        )
        yield Row(
            f"record: append {size:,} lines sent",
            ours,
            reference,
            f"sqlite3 by hand, WAL, synchronous FULL, commits of {BATCH_LINES} rows",
            at_most(1.5),
        )
    with tempfile.TemporaryDirectory() as folder:
        bench = _Bench(Path(folder))
        machines = 100 if quick else 1_000
        bench.fill(machines, size)
        wanted = f"machine {machines // 2}"
        yield Row(
            f"record: entries of one machine among {machines:,}",
            min(seconds(lambda: bench.record.entries(wanted)) for _ in range(5)),
            _SOON,
            "the 50 ms that are not felt",
            at_most(1.0),
        )
        bench.record.close()
    with tempfile.TemporaryDirectory() as folder:
        bench = _Bench(Path(folder))
        sizes = (100, 1_000, 10_000) if quick else (1_000, 10_000, 100_000)
        yield growth("record by lines appended", sizes, bench.append, runs=1)
        yield growth("record: lines of a session read", sizes, bench.read, runs=3)
        bench.record.close()
    yield growth("bench of a machine by its entries", sizes, _folded, runs=1)
    yield from _at_size(10_000 if quick else 1_000_000)


def _folded(size: int) -> Act:
    """The bench that follows from so many entries of one machine, a tune of a few each day."""
    events = _whole_tune()
    many = [
        replace(
            event,
            id=f"{event.id} {again}",
            session=f"{event.session} {again}",
            body={**event.body, "n": n, "change": f"{event.body.get('change')} {again}"},
        )
        for again in range(size // len(events) + 1)
        for n, event in enumerate(events, again * len(events))
    ][:size]
    return lambda: fold(many, Bench(machine="heron"), checked=True)


@cache
def _whole_tune() -> tuple[Event, ...]:
    """Everything that is noted of a machine from its attach to the next tune."""
    desk = desk_at(answers={"digest": digest_in})
    lines = [*TO_A_PLAN, "write", "store", "undo", "store", "begin", "detach"]
    with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        carry_out(desk, lines)
    return tuple(desk.session.book.events)


def _at_size(entries: int) -> Iterator[Row]:
    """Verbs over a record of many machines, as processes, against the same over a small one."""
    with tempfile.TemporaryDirectory() as folder:
        few, many = Path(folder) / "few", Path(folder) / "many"
        for home, size in ((few, 1_000), (many, entries)):
            home.mkdir()
            with Record(home / "record.db") as record:
                for first in range(0, size, 100_000):
                    fill(record, min(size - first, 100_000), first=first // A_MACHINE)
        for words in (
            "log list",
            "log list --machine 'machine 00001'",
            "log trend estimate.z_scale --machine 'machine 00001'",
            "status",
        ):
            yield from _large(words, entries, few, many)


def _large(words: str, entries: int, few: Path, many: Path) -> Iterator[Row]:
    what = f"'{words.partition(' --machine')[0]}'" + " of a machine" * ("--machine" in words)
    command = (*PLUMBELT, *shlex.split(words), "--json")
    ours, small = _process(command, many), _process(command, few)
    for n, unit, most in ((0, "s", 1.5), (1, "MB", 1.2)):
        figure = "time" if unit == "s" else "peak memory"
        yield Row(
            f"{what} among {entries:,} entries: {figure}",
            ours[n],
            small[n],
            "the same among 1,000 entries",
            at_most(most),
            unit,
        )


def _process(command: tuple[str, ...], home: Path) -> tuple[float, float]:
    """Seconds and peak memory, MB, of a process; the least of some runs."""
    environment = {**os.environ, "PLUMBELT_HOME": str(home)}
    starter = (sys.executable, "-c", _STARTER, *command)
    found = [
        tuple(map(float, subprocess.check_output(starter, env=environment, text=True).split()))
        for _ in range(5)
    ]
    return min(s for s, _ in found), min(mb for _, mb in found)


#: Runs a command from a small process: its peak counts what it was forked from as well.
_STARTER: Final = """
import os, resource, subprocess, sys, time
began = time.perf_counter()
subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, check=True)
spent = time.perf_counter() - began
print(spent, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)
"""


class _Bench:
    """A record and a database by hand, in one folder and so on one disk."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._number = count()
        self.record = Record(folder / "record.db")

    def append(self, size: int) -> Act:
        lines = short_lines(size)

        def act() -> None:
            session = self.record.begin("heron")
            for i, line in enumerate(lines):
                session.traffic(i / 1000, ">", line)
            session.flush()

        return act

    def append_by_hand(self, size: int) -> Act:
        lines = short_lines(size)
        db = sqlite3.connect(self._folder / f"{next(self._number)}.db", isolation_level=None)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute(_BY_HAND)

        def act() -> None:
            session = f"01890000-0000-8000-8000-{next(self._number):012}"
            for start in range(0, size, BATCH_LINES):
                batch = lines[start : start + BATCH_LINES]
                db.execute("BEGIN IMMEDIATE")
                db.executemany(
                    "INSERT INTO line VALUES (?, ?, ?, ?, ?)",
                    [(session, start + i, i / 1000, ">", text) for i, text in enumerate(batch)],
                )
                db.execute("COMMIT")

        return act

    def fill(self, machines: int, lines: int) -> None:
        """Two sessions a machine, three entries a session, and the lines of one long one."""
        for i in range(2 * machines):
            session = self.record.begin(f"machine {i // 2}")
            for kind in ("readings", "plan", "outcome"):
                session.note(kind, {"text": "what was noted", "values": list(range(20))})
        self.append(lines)()

    def read(self, size: int) -> Act:
        self.append(size)()
        newest = self.record.sessions(limit=1)[0].id
        return lambda: self.record.lines(newest)
