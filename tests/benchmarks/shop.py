"""The workshop at size: exchanges and questions, beside the same work in plain SQL by hand.

The invented fleet has 500 entries a machine (ten a session) in the proportions of real tunes.  The
work by hand knows what it wants and checks nothing: it reads the same rows with one statement each
and makes no values of them.
"""

from __future__ import annotations

import json
import os
import random
import resource
import sqlite3
import subprocess
import sys
import tempfile
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from statistics import median
from typing import Any

from agent.store.benches import own_bench
from agent.store.database import CACHE
from agent.store.record import Record
from agent.workshop.asking import Asked, OwnRecord
from agent.workshop.fleet import machines
from agent.workshop.life import events
from agent.workshop.questions import drift
from agent.workshop.server import Shared, make_workshop
from agent.workshop.sync import sync
from tests.benchmarks.table import TOLD, Row, at_most
from tests.benchmarks.timing import Act, grown, seconds, side_by_side
from tests.workshop.postgres import Server, why_not
from tests.workshop.shop import STEPS, Writer

#: Entries of one session and of one machine.
A_SESSION = 10
A_MACHINE = 500

#: Samples of what takes less than a second.
_RUNS = 11

_FILLER = [{"code": "advice", "text": "what there is to know about this machine " * 4}] * 8


def fill(record: Record, entries: int, *, first: int = 0) -> int:
    """Add so many entries, of as many machines as that makes; how many machines."""
    dice = random.Random(first)
    count = max(entries // A_MACHINE, 1)
    with record.writing() as db:
        w = Writer(dice, own_bench(db))
    for number in range(count):
        for tune in range(min(entries, A_MACHINE) // A_SESSION):
            _session(w, f"machine {first + number:05}", 1.0 + 7.0 * tune)
        if number % 20 == 19 or number == count - 1:
            w.keep(record)
    return count


def _session(w: Writer, machine: str, day: float) -> None:
    session = w.session(machine, day)
    errors = {f"{k}_scale": w.dice.gauss(0, 0.0003) for k in "xyz"}
    errors |= {"gantry_angle_deg": w.dice.gauss(0, 0.02)}
    w.readback(session, day, STEPS)
    for part in range(2):
        at = day + part / 10
        w.entry(session, at + 0.01, "readings", {"readings": [], "survey": "mm: 20.01 " * 60})
        w.estimate(session, at + 0.02, errors)
    w.entry(session, day + 0.03, "plan", {"digest": "01234567", "advice": _FILLER})
    w.outcome(session, day + 0.04, "read back")
    w.readback(session, day + 0.05, STEPS)
    w.outcome(session, day + 0.2, "reloaded from storage")
    w.entry(session, day + 0.21, "note", {"text": "what somebody noted"})


def a_hundred(record: Record, number: int) -> None:
    """A hundred new entries of ten sessions."""
    w = Writer(random.Random(f"new {number}"), own_bench(record.connection))
    for k in range(10):
        _session(w, f"machine {k:05}", 400.0 + number)
    w.keep(record)


# --- by hand -------------------------------------------------------------------------------------


def _copy_all(path: Path, url: str) -> None:
    """All rows into tables of the same columns, without triggers, keys of others, and checks."""
    import psycopg

    source = sqlite3.connect(path)
    with psycopg.connect(url) as db:
        for table, columns, key in _PLAIN:
            db.execute(f"CREATE TABLE {table} ({columns}, PRIMARY KEY ({key}))")  # type: ignore[arg-type]
            with db.cursor() as cursor, cursor.copy(f"COPY {table} FROM STDIN") as copy:  # type: ignore[arg-type]
                for row in source.execute(f"SELECT * FROM {table}"):
                    copy.write_row(row)
    source.close()


_PLAIN = (
    ("session", "id text, at text, machine text, port text, family text, identity text, agent text",
     "id"),
    ("origin", "session text, bench text", "session"),
    ("entry", "id text, session text, at text, kind text, body text", "id"),
    ("figure", "entry text, key text, value float8, u float8", "entry, key"),
)  # fmt: skip


def _exchange_by_hand(path: Path, url: str) -> Act:
    """What is new since the last time, both ways, with one statement a table."""
    import psycopg

    def act() -> None:
        db = sqlite3.connect(path, isolation_level=None)
        with psycopg.connect(url) as shared:
            shared.execute("SET search_path = plumbelt")
            [(after,)] = shared.execute("SELECT coalesce(max(n), 0) FROM mark").fetchall()
            [(last,)] = db.execute("SELECT max(n) FROM arrival").fetchall()
            new = "SELECT id FROM arrival WHERE n > ? AND what = ?"
            for table, what, key in (
                ("session", "session", "id"),
                ("origin", "session", "session"),
                ("entry", "entry", "id"),
                ("figure", "entry", "entry"),
            ):
                query = f"SELECT * FROM {table} WHERE {key} IN ({new})"
                rows = db.execute(query, (after, what)).fetchall()
                with shared.cursor() as cursor, cursor.copy(f"COPY {table} FROM STDIN") as copy:  # type: ignore[arg-type]
                    for row in rows:
                        copy.write_row(row)
            shared.execute(
                "INSERT INTO mark (bench, n, what, id) VALUES ('by hand', %s, '', '')", (last,)
            )
            [(theirs,)] = shared.execute("SELECT max(n) FROM arrival").fetchall()
            shared.execute("SELECT n, what, id FROM arrival WHERE n > %s", (theirs,)).fetchall()
        db.close()

    return act


_LIST = (
    "SELECT machine, kind, bench, at, entry FROM latest",
    "SELECT f.entry, f.key, f.value, f.u FROM latest l JOIN figure f ON f.entry = l.entry "
    "WHERE l.kind = 'estimate'",
    "SELECT e.id, e.body FROM latest l JOIN entry e ON e.id = l.entry WHERE l.kind = 'outcome'",
    "SELECT machine, facts FROM document",
)

_DRIFT = (
    "SELECT e.session, e.at, e.id, e.kind, s.machine "
    "FROM entry e JOIN session s ON s.id = e.session "
    "WHERE e.kind IN ('readback', 'estimate', 'outcome') ORDER BY e.session, e.at, e.id",
    "SELECT f.entry, f.key, f.value, f.u FROM entry e JOIN figure f ON f.entry = e.id "
    "WHERE e.kind = 'estimate'",
    "SELECT f.entry, f.key, f.value, f.u FROM entry e JOIN figure f ON f.entry = e.id "
    "WHERE e.kind = 'readback'",
    "SELECT e.at, e.body FROM entry e WHERE e.kind = 'note'",
)

_SHOW = (
    "SELECT s.at, s.identity FROM session s WHERE s.machine = 'machine 00003' ORDER BY s.at",
    "SELECT e.id, e.session, e.at, e.kind, e.body, s.machine FROM session s "
    "JOIN entry e ON e.session = s.id WHERE s.machine = 'machine 00003' "
    "AND e.kind IN ('estimate', 'outcome', 'proof', 'note') ORDER BY e.at DESC, e.id DESC LIMIT 60",
)


def _by_hand(queries: tuple[str, ...], path: Path, url: str | None) -> Act:
    """Carry the queries out and parse the bodies among what they give."""
    if url is None:
        db: Any = sqlite3.connect(path)
        db.execute(f"PRAGMA cache_size = -{CACHE}")
    else:
        import psycopg

        db = psycopg.connect(url, autocommit=True)
        db.execute("SET search_path = plumbelt")

    def act() -> None:
        for query in queries:
            for row in db.execute(query).fetchall():
                if isinstance(row[-1], str) and row[-1].startswith("{"):
                    json.loads(row[-1])
                elif "e.body" in query:
                    json.loads(row[4])

    return act


# --- rows ----------------------------------------------------------------------------------------


def rows(quick: bool) -> Iterator[Row]:
    """Figures of the workshop.  PLUMBELT_ENTRIES sets the size: 100,000 unless it says so."""
    if why := why_not():
        raise RuntimeError(why)
    size = int(os.environ.get("PLUMBELT_ENTRIES", "20000" if quick else "100000"))
    first: dict[int, float] = {}
    least: dict[int, float] = {}
    with Server() as server:
        for entries in (size // 10, size):
            with tempfile.TemporaryDirectory() as folder:
                os.environ["PLUMBELT_HOME"] = folder
                path = Path(folder) / "record.db"
                url = server.database()
                make_workshop(url)
                with Record(path) as record:
                    count = fill(record, entries)
                    first[entries] = seconds(lambda: sync(record, url))  # noqa: B023
                    least[entries] = _list_seconds(record)
                    if entries == size:
                        yield from _rows(record, path, url, server, count, entries, first[size])
    yield grown("first exchange, sent", first)
    yield grown("list of machines (SQLite)", least)


def _list_seconds(record: Record) -> float:
    return min(seconds(lambda: machines(OwnRecord(record))) for _ in range(3))


def _rows(
    record: Record, path: Path, url: str, server: Server, count: int, entries: int, first: float
) -> Iterator[Row]:
    head = f"{entries:,} entries of {count:,} machines: "
    plain = server.database()
    record.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    yield Row(
        f"{head}first exchange", first, seconds(lambda: _copy_all(path, plain)),
        "COPY of the same rows into bare tables",
    )  # fmt: skip
    yield from _second_bench(url, head, first)
    number = iter(range(10**6))

    def new() -> None:
        a_hundred(record, next(number))

    ours, theirs = [], []
    by_hand = _exchange_by_hand(path, url)
    for _ in range(_RUNS):
        new()
        ours.append(seconds(lambda: sync(record, url)))
        new()
        theirs.append(seconds(by_hand))
    middle = median(ours)
    yield Row(f"{head}100 new entries", middle, median(theirs), "COPY by hand", at_most(1.5))
    yield Row(f"{head}100 new entries, against 0.5 s", middle, 0.5, "what is wanted", at_most(1))
    sync(record, url)
    with Shared(url) as shared:
        engines: tuple[tuple[str, Asked, str | None], ...] = (
            ("SQLite", OwnRecord(record), None),
            ("PostgreSQL", shared, url),
        )
        for name, asked, address in engines:
            yield from _questions(f"{head}{{}}, {name}", asked, path, address)
    yield _memory_of_drift(path, head)


def _questions(head: str, asked: Asked, path: Path, url: str | None) -> Iterator[Row]:
    for what, ours, queries in (
        ("list", lambda: machines(asked), _LIST),
        ("show", lambda: events(asked, "machine 00003", 60), _SHOW),
        ("drift", lambda: deque(drift(asked), maxlen=0), _DRIFT),
    ):
        runs = 3 if what == "drift" else _RUNS
        mine, theirs = side_by_side(ours, _by_hand(queries, path, url), runs=runs)
        wanted = TOLD if what == "drift" else at_most(1.5)
        yield Row(head.format(what), mine, theirs, "the same queries by hand", wanted)
        if what == "list":
            yield Row(head.format(f"{what}, against 1 s"), mine, 1.0, "what is wanted", at_most(1))


_RECEIVE = """
import sys, time
from pathlib import Path
from agent.store.benches import own_bench
from agent.store.database import CACHE
from agent.store.record import Record
from agent.workshop.sync import sync
with Record(Path(sys.argv[1])) as record:
    start = time.perf_counter()
    sync(record, sys.argv[2])
    print(time.perf_counter() - start, end=" ")
"""

#: Charts of all machines one by one, or of the first alone.
_CHARTS = """
import sys
from collections import deque
from itertools import islice
from pathlib import Path
from agent.store.benches import own_bench
from agent.store.database import CACHE
from agent.store.record import Record
from agent.workshop.asking import OwnRecord
from agent.workshop.questions import drift
with Record(Path(sys.argv[1])) as record:
    deque(islice(drift(OwnRecord(record)), int(sys.argv[2]) or None), maxlen=0)
"""

#: Of this program alone: what `getrusage` tells begins with the memory of whoever started it.
_MEMORY = """
from pathlib import Path
status = Path("/proc/self/status").read_text().split()
print(int(status[status.index("VmHWM:") + 1]) / 1024)
"""


def _alone(home: Path, program: str, *arguments: str) -> list[float]:
    """What a process of its own prints; its largest memory in MiB is the last of it."""
    done = subprocess.run(
        [sys.executable, "-c", program + _MEMORY, *arguments],
        capture_output=True,
        text=True,
        env={**os.environ, "PLUMBELT_HOME": str(home)},
    )
    if done.returncode:
        raise RuntimeError(done.stderr)
    return [float(word) for word in done.stdout.split()]


def _second_bench(url: str, head: str, first: float) -> Iterator[Row]:
    """A second bench that receives all, in a process of its own for its memory."""
    with tempfile.TemporaryDirectory() as folder:
        spent, memory = _alone(Path(folder), _RECEIVE, str(Path(folder) / "record.db"), url)
    yield Row(f"{head}first exchange, received", spent, first, "sending them")
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    yield Row(f"{head}memory of receiving", memory, own / 1024,
              "this process, that sent them", unit="MiB")  # fmt: skip


def _memory_of_drift(path: Path, head: str) -> Row:
    [every], [one] = (_alone(path.parent, _CHARTS, str(path), most) for most in ("0", "1"))
    return Row(f"{head}memory of drift", every, one, "one chart alone", unit="MiB")
