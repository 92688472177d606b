"""The record against SQLite used by hand, with the same rows and the same durability."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterator
from itertools import count
from pathlib import Path
from typing import Final

from agent.store.record import BATCH_LINES, Record
from tests.benchmarks.benches import short_lines
from tests.benchmarks.table import Row, at_most
from tests.benchmarks.timing import Act, growth, seconds, side_by_side

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
