"""Faults of exchanges: server killed, cable cut at every message, disks full, clocks and backups.

    python -m tests.workshop_faults [--only NAME]... [--cuts N] [--kills N] [--json]

Each run makes benches with invented entries, lets the fault happen in the middle of an exchange,
goes on, and compares all rows of all sides: nothing lost, nothing doubled, equal records at the
end.  Prints `{fault: {runs, lost, doubled, unequal, tracebacks, resumed}}`; exit 1 if any is wrong.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from unittest import mock

from agent.errors import AgentError
from agent.store.record import Record
from agent.store.rows import new_identity
from agent.store.tables import TABLES
from agent.workshop import exchange as exchanging
from agent.workshop.life import events
from agent.workshop.server import Shared, make_workshop
from agent.workshop.sides import Bench, Workshop
from agent.workshop.sync import sync
from tests.workshop.postgres import Server, why_not
from tests.workshop.proxy import Cut, Proxy
from tests.workshop.shop import Writer, instant

Content = dict[str, set[tuple[object, ...]]]


@dataclass
class Tally:
    """What came of the runs of one fault."""

    runs: int = 0
    lost: int = 0  #: rows that some side held before and does not hold at the end
    doubled: int = 0  #: rows that stand twice
    unequal: int = 0  #: runs after which the sides differ
    tracebacks: int = 0
    resumed: int = 0  #: runs in which an exchange did break and the next one went on
    notes: Counter[str] = field(default_factory=Counter)

    @property
    def clean(self) -> bool:
        return not (self.lost or self.doubled or self.unequal or self.tracebacks)


class Shop:
    """A workshop with some benches in folders of their own."""

    def __init__(self, server: Server, folder: Path, benches: int, seed: int) -> None:
        self.server, self.folder = server, folder
        self.url = server.database()
        self.name = self.url.partition("@/")[2].partition("?")[0]
        make_workshop(self.url)
        self.dice = random.Random(seed)
        self.records = [Record(folder / f"bench{n}" / "record.db") for n in range(benches)]

    def work(self, n: int, sessions: int = 3, lines: int = 30) -> None:
        record = self.records[n]
        for _ in range(sessions):
            session = record.begin(f"machine {self.dice.randrange(4)}")
            for k in range(self.dice.randrange(1, lines)):
                session.traffic(k, ">", f"G1 X{k} \x00 \\")
            for k in range(self.dice.randrange(1, 6)):
                found = {"value": k / 1000, "u": 0.001}
                session.note("estimate", {"parameters": {"z_scale": found}})
            session.flush()

    def sync(self, n: int, url: str = "") -> None:
        with Shared(url or self.url) as shared:
            exchanging.exchange(Bench(self.records[n]), Workshop(shared))

    def settle(self) -> None:
        for _ in range(2):
            for n in range(len(self.records)):
                self.sync(n)

    def through(self, cable: Proxy) -> str:
        return f"postgresql://chief@/{self.name}?host={cable.folder}"

    def close(self) -> None:
        for record in self.records:
            record.close()


def content(record: Record) -> Content:
    return {
        name: set(record.rows(f"SELECT {', '.join(table.names)} FROM {name}"))
        for name, table in TABLES.items()
    }


def shared_content(shop: Shop) -> tuple[Content, int]:
    """Rows of the shared record, and how many stand twice."""
    found: Content = {}
    twice = 0
    with Shared(shop.url) as shared:
        side = Workshop(shared)
        for name in TABLES:
            rows = side.fetch(name, "true")
            found[name] = set(rows)
            twice += len(rows) - len(found[name])
    return found, twice


def judge(shop: Shop, before: list[Content], tally: Tally) -> None:
    """Let all exchange in peace, then compare everything with everything."""
    shop.settle()
    held = [content(record) for record in shop.records]
    shared, twice = shared_content(shop)
    tally.doubled += twice
    tally.unequal += any(one != shared for one in held)
    for one in before:
        for table, rows in one.items():
            tally.lost += len(rows - shared[table])


@contextlib.contextmanager
def a_shop(server: Server, benches: int, seed: int) -> Iterator[Shop]:
    with tempfile.TemporaryDirectory() as folder:
        shop = Shop(server, Path(folder), benches, seed)
        try:
            yield shop
        finally:
            shop.close()


def attempt(act: Callable[[], None], tally: Tally) -> bool:
    """Whether it broke, in words; a traceback is told."""
    try:
        act()
    except AgentError as error:
        tally.notes[type(error).__name__] += 1
        return True
    except Exception:
        tally.tracebacks += 1
        tally.notes[traceback.format_exc(limit=-3)] += 1
        return True
    return False


# --- the faults ----------------------------------------------------------------------------------


def cut_cable(server: Server, runs: int) -> Tally:
    """The connection breaks after its n-th message, for every n that an exchange has."""
    tally = Tally()
    with a_shop(server, 2, 1) as shop, Proxy(server.socket) as cable:
        url = shop.through(cable)
        after = 0
        while runs == 0 or tally.runs < runs:
            shop.work(0, 1)
            shop.work(1, 1)
            shop.sync(1)
            before = [content(record) for record in shop.records]
            cable.cut_after(Cut(after))
            broke = attempt(lambda: shop.sync(0, url), tally)
            tally.runs += 1
            tally.resumed += broke
            judge(shop, before, tally)
            if not broke:
                break
            after += 1
    return tally


def kill_server(server: Server, runs: int) -> Tally:
    """The server is killed (-9) at some moment of an exchange, and started again."""
    tally = Tally()
    with a_shop(server, 2, 2) as shop:
        span = 0.0
        for run in range(runs + 1):
            shop.work(0, 40, lines=200)
            shop.work(1, 40, lines=200)
            before = [content(record) for record in shop.records]
            if not run:  # how long an exchange lasts
                start = time.monotonic()
                shop.sync(0)
                span = time.monotonic() - start
                continue
            wait = shop.dice.uniform(0.0, span)
            killer = threading.Thread(target=lambda w=wait: (time.sleep(w), server.kill()))
            killer.start()
            broke = attempt(lambda run=run: shop.sync(run % 2), tally)
            killer.join()
            server.start()
            tally.runs += 1
            tally.resumed += broke
            judge(shop, before, tally)
    return tally


def full_disk(server: Server, runs: int) -> Tally:
    """The server has no room: it refuses to write (raised where rows come in), then has some."""
    tally = Tally()
    with a_shop(server, 2, 3) as shop:
        for run in range(runs):
            shop.work(0, 3)
            before = [content(record) for record in shop.records]
            table = ("session", "entry", "line", "mark")[run % 4]
            server.execute(
                shop.name,
                "CREATE OR REPLACE FUNCTION public.full() RETURNS trigger LANGUAGE plpgsql AS $$ "
                "BEGIN RAISE EXCEPTION 'no space left' USING ERRCODE = '53100'; END $$",
                f"CREATE TRIGGER zz_full BEFORE INSERT ON plumbelt.{table} "
                "FOR EACH ROW EXECUTE FUNCTION public.full()",
            )
            tally.resumed += attempt(lambda: shop.sync(0), tally)
            server.execute(shop.name, f"DROP TRIGGER zz_full ON plumbelt.{table}")
            tally.runs += 1
            judge(shop, before, tally)
    return tally


def no_room(server: Server, runs: int) -> Tally:
    """The disk of a server of its own is really full, at some moment of an exchange."""
    del server
    tally = Tally()
    with a_small_disk() as room:
        if room is None:
            tally.notes["left out: only root may mount a small disk"] += 1
            return tally
        with Server(room) as small, a_shop(small, 2, 600) as shop:
            for _ in range(runs):
                for _ in range(3):
                    shop.work(0, 10, lines=1500)
                before = [content(record) for record in shop.records]
                filler = room / "filler"
                free = shutil.disk_usage(room).free
                left = shop.dice.randrange(64_000, 1_500_000)
                with filler.open("wb") as file:
                    file.write(b"\0" * max(free - left, 0))
                broke = attempt(lambda: shop.sync(0), tally)
                filler.unlink()
                small.back()
                tally.runs += 1
                tally.resumed += broke
                judge(shop, before, tally)
    return tally


@contextlib.contextmanager
def a_small_disk(megabytes: int = 260) -> Iterator[Path | None]:
    """A disk in memory; None where it may not be mounted."""
    with tempfile.TemporaryDirectory(prefix="disk-", dir="/tmp") as folder:
        mount = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m,mode=755", "none", folder]
        try:
            there = subprocess.run(mount, capture_output=True).returncode == 0
        except OSError:
            there = False
        if not there:
            yield None
            return
        try:
            yield Path(folder)
        finally:
            subprocess.run(["umount", "-l", folder], capture_output=True)


def restored_bench(server: Server, runs: int) -> Tally:
    """A bench's record is put back to an older state, and goes on from there."""
    tally = Tally()
    for run in range(runs):
        with a_shop(server, 2, 100 + run) as shop:
            shop.work(0), shop.work(1)
            shop.settle()
            backup = shop.folder / "backup.db"
            shop.records[0].rows("VACUUM INTO ?", (str(backup),))
            shop.work(0)
            shop.sync(0)
            before = [content(record) for record in shop.records]
            shop.records[0].close()
            home = shop.folder / "bench0"
            shutil.rmtree(home)
            home.mkdir()
            shutil.copy(backup, home / "record.db")
            shop.records[0] = Record(home / "record.db")
            shop.work(0, shop.dice.randrange(1, 9))
            before.append(content(shop.records[0]))
            tally.runs += 1
            judge(shop, before, tally)
    return tally


def restored_server(server: Server, runs: int) -> Tally:
    """The shared record is put back to an older state; the benches bring the rest again."""
    tally = Tally()
    for run in range(runs):
        with a_shop(server, 3, 200 + run) as shop:
            for n in range(3):
                shop.work(n)
            shop.settle()
            server.execute("postgres", f"CREATE DATABASE {shop.name}_old TEMPLATE {shop.name}")
            for n in range(3):
                shop.work(n)
                if n != run % 3:
                    shop.sync(n)
            before = [content(record) for record in shop.records]
            server.execute(
                "postgres",
                f"DROP DATABASE {shop.name}",
                f"ALTER DATABASE {shop.name}_old RENAME TO {shop.name}",
            )
            shop.work(run % 3)
            tally.runs += 1
            judge(shop, before, tally)
    return tally


def copied_laptop(server: Server, runs: int) -> Tally:
    """Two laptops with one name, the second set up from a copy of the first one's folder."""
    tally = Tally()
    for run in range(runs):
        with a_shop(server, 1, 300 + run) as shop:
            shop.work(0)
            shop.sync(0)
            shop.records[0].rows("PRAGMA wal_checkpoint(TRUNCATE)")
            shutil.copytree(shop.folder / "bench0", shop.folder / "bench1")
            shop.records.append(Record(shop.folder / "bench1" / "record.db"))
            before = []
            for _ in range(3):
                shop.work(0), shop.work(1)
                shop.sync(shop.dice.randrange(2))
                before += [content(record) for record in shop.records]
            tally.runs += 1
            judge(shop, before, tally)
    return tally


@contextlib.contextmanager
def on_laptop(shop: Shop, n: int, name: str, ahead: float = 0.0) -> Iterator[Record]:
    """Be at the n-th bench: its folder, its name, and its clock that many seconds ahead."""

    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Clock:
            there = datetime.now(tz) + timedelta(seconds=ahead)
            return cls.fromisoformat(there.isoformat())

    def noted() -> str:
        return Clock.now(UTC).isoformat(timespec="milliseconds")

    with contextlib.ExitStack() as patched:
        home = {"PLUMBELT_HOME": str(shop.folder / f"bench{n}")}
        patched.enter_context(mock.patch.dict("os.environ", home))
        patched.enter_context(mock.patch("platform.node", return_value=name))
        patched.enter_context(mock.patch("agent.workshop.sync.datetime", Clock))
        for module in ("record", "benches"):
            patched.enter_context(mock.patch(f"agent.store.{module}.utc_now", noted))
        patched.enter_context(mock.patch("agent.workshop.sync.utc_now", noted))
        yield shop.records[n]


def namesakes(server: Server, runs: int) -> Tally:
    """Two laptops of one name that know nothing of each other tune the same machines."""
    tally = Tally()
    for run in range(runs):
        with a_shop(server, 2, 700 + run) as shop:
            told = []
            for n in (0, 1, 0, 1, 0, 1):
                with on_laptop(shop, n, "laptop") as record:
                    shop.work(n)
                    if shop.dice.random() < 0.7:
                        told.append((n, sync(record, shop.url).namesakes))
            before = [content(record) for record in shop.records]
            for n in (0, 1, 0):
                with on_laptop(shop, n, "laptop") as record:
                    told.append((n, sync(record, shop.url).namesakes))
            tally.runs += 1
            judge(shop, before, tally)
            benches = shop.records[0].rows("SELECT id, name FROM bench ORDER BY id")
            apart = {name for name, _ in benches}
            by_bench = dict(
                shop.records[1].rows("SELECT bench, count(*) FROM origin GROUP BY bench")
            )
            if (
                [name for _, name in benches] != ["laptop", "laptop"]
                or by_bench.keys() != apart
                or any(len(others) != 1 for _, others in told[-2:])
                or told[-1][1] == told[-2][1]
            ):
                tally.unequal += 1
                tally.notes[f"not told apart: {benches} {by_bench} {told[-2:]}"] += 1
    return tally


def clock_at_sync(server: Server, runs: int) -> Tally:
    """As `clock`, by whole syncs: each compares the laptop's clock with the server's own."""
    tally = Tally()
    for run in range(runs):
        with a_shop(server, 2, 800 + run) as shop:
            off = (365.0, -365.0)[run % 2] * 86_400
            course = (
                (0, 0.0),
                (1, off),
                (0, 0.0),
                (1, off),
                (1, 0.0),
                (0, off),
                (1, 0.0),
                (0, 0.0),
            )
            for number, (n, ahead) in enumerate(course):
                with on_laptop(shop, n, f"laptop {n}", ahead) as record:
                    record.begin("heron").note("note", {"text": str(number)})
                    found = sync(record, shop.url)
                if found.clock_is_off is not bool(ahead):
                    tally.unequal += 1
                    tally.notes[f"a clock {ahead} s ahead was told as {found.ahead}"] += 1
                time.sleep(0.1)
            before = [content(record) for record in shop.records]
            tally.runs += 1
            judge(shop, before, tally)
            for record in shop.records:
                order = [e.entry.body["text"] for e in events(Bench(record), "heron") if e.entry]
                if order != [str(number) for number in range(len(course))]:
                    tally.unequal += 1
                    tally.notes[f"in the order {' '.join(order)}"] += 1
    return tally


def at_once(server: Server, runs: int) -> Tally:
    """Three benches exchange at the same time, again and again."""
    tally = Tally()
    for run in range(runs):
        with a_shop(server, 3, 400 + run) as shop:
            before: list[Content] = []

            def busy(n: int, shop: Shop = shop, before: list[Content] = before) -> None:
                for _ in range(4):
                    shop.work(n, 2)
                    attempt(lambda: shop.sync(n), tally)
                before.append(content(shop.records[n]))

            threads = [threading.Thread(target=busy, args=(n,)) for n in range(3)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            tally.runs += 1
            judge(shop, before, tally)
    return tally


def wrong_clock(server: Server, runs: int) -> Tally:
    """A laptop's clock is a year off, either way, and put right in between; the order holds."""
    tally = Tally()
    for run in range(runs):
        with a_shop(server, 2, 500 + run) as shop:
            told = [0]

            def note(n: int, ahead: float, shop: Shop = shop, told: list[int] = told) -> None:
                """The next thing that happened to one machine, on a bench of such a clock."""
                told[0] += 1
                at = instant(10.0 + told[0] + ahead)
                bench = Bench(shop.records[n])
                check = (new_identity(), bench.identity, at, ahead * 86_400.0)
                w = Writer(shop.dice, bench.identity)
                w.add("clock", *check)
                w.entry(w.session("heron", 10.0 + told[0] + ahead), 10.0 + told[0] + ahead, "note",
                        {"text": str(told[0])})  # fmt: skip
                w.keep(shop.records[n])

            off = (365.0, -365.0)[run % 2]
            for n, ahead in ((0, 0.0), (1, 0.0), (0, off), (1, 0.0), (0, off), (0, 0.0), (1, off)):
                note(n, ahead)
                if shop.dice.random() < 0.5:
                    shop.sync(n)
            before = [content(record) for record in shop.records]
            tally.runs += 1
            judge(shop, before, tally)
            for record in shop.records:
                found = [e.entry.body["text"] for e in events(Bench(record), "heron") if e.entry]
                if found != [str(n) for n in range(1, told[0] + 1)]:
                    tally.unequal += 1
                    tally.notes[f"in the order {' '.join(map(str, found))}"] += 1
    return tally


FAULTS: dict[str, Callable[[Server, int], Tally]] = {
    "cut": cut_cable,
    "kill": kill_server,
    "disk": full_disk,
    "no-room": no_room,
    "bench-backup": restored_bench,
    "server-backup": restored_server,
    "copied": copied_laptop,
    "at-once": at_once,
    "clock": wrong_clock,
    "clock-sync": clock_at_sync,
    "namesakes": namesakes,
}


def campaign(names: list[str], cuts: int, runs: int) -> dict[str, Tally]:
    with Server() as server:
        return {name: FAULTS[name](server, cuts if name == "cut" else runs) for name in names}


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.workshop_faults", description=__doc__)
    parser.add_argument("--only", action="append", choices=FAULTS, metavar="NAME")
    parser.add_argument("--cuts", type=int, default=0, help="at most; 0: at every message")
    parser.add_argument("--runs", type=int, default=10, help="of each other fault")
    parser.add_argument("--json", action="store_true")
    wanted = parser.parse_args()
    if why := why_not():
        sys.exit(why)
    found = campaign(wanted.only or list(FAULTS), wanted.cuts, wanted.runs)
    if wanted.json:
        plain = {name: {**vars(t), "notes": dict(t.notes)} for name, t in found.items()}
        print(json.dumps(plain, indent=2))
    else:
        for name, t in found.items():
            print(
                f"{name:14} runs {t.runs:4}  broke off and resumed {t.resumed:4}  lost {t.lost}  "
                f"doubled {t.doubled}  unequal {t.unequal}  tracebacks {t.tracebacks}"
            )
            for note, count in t.notes.items():
                print(f"    {count} x {note}")
    sys.exit(0 if all(t.clean for t in found.values()) else 1)


if __name__ == "__main__":
    main()
