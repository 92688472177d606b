"""Over real pseudo-terminals: read-backs and a write at the speed of the wire, laying unpaced."""

from __future__ import annotations

import io
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from statistics import median
from typing import Final

import serial
from rich.console import Console

from agent.bench.book import BookJournal, RecordBook
from agent.change.plan import Plan, make_plan
from agent.change.storing import look, store
from agent.change.transaction import write
from agent.face.laying import progress_shown, stoppable, stops
from agent.families.gate import Gate
from agent.families.reading import read_back, read_once
from agent.families.replay import Replay
from agent.model.settings import Readback
from agent.wire.link import Link
from agent.wire.port import open_port
from agent.wire.transport import Transport
from agent.work.laying import Laying
from agent.work.sleep import Sleep
from sim.controller import Options
from tests.benchmarks.benches import profile, short_lines
from tests.benchmarks.peers import DUMP_LINES, peer
from tests.benchmarks.table import TOLD, Row, at_least, at_most
from tests.benchmarks.timing import Act, seconds, side_by_side

BAUD: Final = 115200
BITS_PER_BYTE: Final = 10

#: Two plans in turn, so that each write has four lines to send.
_WANTED: Final = (
    {"steps_per_mm.x": 80.61, "steps_per_mm.y": 80.4, "steps_per_mm.z": 106.02},
    {"steps_per_mm.x": 80.12, "steps_per_mm.y": 79.8, "steps_per_mm.z": 105.44},
)
_FEEDER: Final = ({"steps_per_mm.e0": 414.0}, {"steps_per_mm.e0": 411.5})


@dataclass
class Counted:
    """A transport that counts what goes over it."""

    inner: Transport
    bytes: int = 0
    lines: int = 0  #: sent

    @property
    def name(self) -> str:
        return self.inner.name

    def now(self) -> float:
        return self.inner.now()

    def write(self, data: bytes) -> None:
        self.bytes += len(data)
        self.lines += data.count(b"\n")
        self.inner.write(data)

    def read(self, until: float) -> bytes:
        data = self.inner.read(until)
        self.bytes += len(data)
        return data

    def close(self) -> None:
        self.inner.close()

    def wire_time(self, act: Act) -> tuple[float, float]:
        """(seconds `act` took, seconds its bytes need on the wire with the stated delays)."""
        self.bytes = self.lines = 0
        spent = seconds(act)
        delays = self.lines * Options().seconds_per_line
        return spent, self.bytes * BITS_PER_BYTE / BAUD + delays


def medians(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return median(a for a, _ in pairs), median(b for _, b in pairs)


def attached(path: str, *, numbered: bool = True) -> tuple[Link, Counted]:
    counted = Counted(open_port(path, BAUD))
    return Link(counted, numbered=numbered), counted


def readback_rows(quick: bool) -> Iterator[Row]:
    runs = 3 if quick else 9
    family = Replay()
    dump = f"read-back of a {DUMP_LINES}-line dump at {BAUD} baud"
    with peer("machine", "--baud", str(BAUD)) as path:
        link, counted = attached(path)
        first = read_once(link, family)
        assert not first.damaged, first.damage
        ours, wire = medians(
            [counted.wire_time(lambda: read_once(link, family)) for _ in range(runs)]
        )
        yield Row(dump, ours, wire, "wire time of its bytes, 10 bits each", at_most(1.05))
        ours, wire = medians(
            [counted.wire_time(lambda: read_back(link, family)) for _ in range(runs)]
        )
        yield Row("two read-backs, compare, parse", ours, wire, "wire time of both", at_most(1.1))
        link.close()
        with serial.Serial(path, BAUD, timeout=5) as port:
            spent, size = medians([_bare_dump(port) for _ in range(runs)])
        yield Row(
            "pacing: the same dump read by a bare pyserial loop",
            spent,
            size * BITS_PER_BYTE / BAUD,
            "wire time of its bytes",
        )


def _bare_dump(port: serial.Serial) -> tuple[float, float]:
    """(seconds, bytes) of M503 without any of our code."""
    heard = bytearray()

    def ask() -> None:
        port.write(b"M503\n")
        while not heard.endswith(b"ok\n"):
            heard.extend(port.read(port.in_waiting or 1))

    spent = seconds(ask)
    return spent, len(heard) + len(b"M503\n")


def write_rows(quick: bool) -> Iterator[Row]:
    runs = 2 if quick else 6
    family, machine = Replay(), profile()
    with peer("machine", "--baud", str(BAUD)) as path, tempfile.TemporaryDirectory() as folder:
        link, counted = attached(path)
        live = read_back(link, family)
        os.environ["PLUMBELT_HOME"] = folder
        book = RecordBook()
        book.take_up("heron", port=path, family=family.name, identity="", serial="")
        link.on_traffic = book.traffic

        def plan(number: int, live: Readback) -> Plan:
            wanted = _WANTED[number % 2] | _FEEDER[number % 2]
            return make_plan(live, wanted, family, machine="heron", profile=machine)

        pairs = []
        for number in range(runs):
            planned = plan(number, live)
            assert len(planned.lines) == 4, planned.lines

            def job(planned: Plan = planned) -> None:
                digest, kept = planned.digest, BookJournal(book)
                assert write(link, family, planned, digest, journal=kept).verified
                looked = look(link, family, planned, journal=BookJournal(book))
                kept = BookJournal(book)
                done = store(link, family, planned, looked, digest, journal=kept)
                assert done.stored

            pairs.append(counted.wire_time(job))
            live = read_back(link, family)
        ours, wire = medians(pairs)
        book.close()
        link.close()
    yield Row(
        "write 4 lines, read back, look, store, reload, read back, record on",
        ours,
        wire,
        "wire time of all bytes and the stated answer delays",
        at_most(1.15),
    )


def laying_rows(quick: bool) -> Iterator[Row]:
    against = "bare pyserial loop: write, readline until ok; a peer that only answers"
    for delay, count, wanted, what in (
        (0.0, 2_000 if quick else 20_000, at_least(2.0), "unpaced, as it ships: record, gate, bar"),
        (0.0, 2_000 if quick else 20_000, TOLD, "unpaced, the wire alone"),
        (0.005, 200 if quick else 1_000, at_least(3.0), "answers 5 ms late, as it ships"),
    ):
        ours, bare = _laying(short_lines(count), delay, ships="ships" in what)
        figure = f"laying {count:,} short lines, {what}"
        yield Row(figure, count / ours, count / bare, against, wanted, unit="lines/s")


def _laying(lines: Sequence[str], delay: float, *, ships: bool) -> tuple[float, float]:
    """Seconds for all lines, ours and the bare loop's, on the same pseudo-terminal."""
    with (
        peer("answering", "--delay", str(delay)) as path,
        serial.Serial(path, BAUD, timeout=5) as port,
        _lay_as_it_ships(path) if ships else _lay_bare(path) as lay,
    ):
        return side_by_side(
            lambda: lay(lines),
            lambda: bare_loop(port, lines),
            runs=3 if delay else 5,
            warm_up=0 if delay else 1,
        )


@contextmanager
def _lay_bare(path: str) -> Iterator[Callable[[Sequence[str]], object]]:
    """The stream over a link alone."""
    link = Link(open_port(path, BAUD), numbered=True, window=Replay.window)
    yield link.stream
    link.close()


@contextmanager
def _lay_as_it_ships(path: str) -> Iterator[Callable[[Sequence[str]], object]]:
    """What `lay` does with a piece's lines: gate, record, heaters heard, bar on a terminal."""
    family, machine = Replay(), profile()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["PLUMBELT_HOME"] = folder
        book, console = RecordBook(), Console(file=io.StringIO(), force_terminal=True, width=80)
        book.take_up("heron", port=path, family=family.name, identity="", serial="")
        link = Link(open_port(path, BAUD), numbered=True, window=family.window)
        link.gate, link.on_traffic = Gate(family), book.traffic

        def lay(lines: Sequence[str]) -> None:
            timed = [(line, 0.01) for line in lines]
            laying = Laying(link, timed, machine.axes, "strip", wording=family.wording)
            with stoppable() as asked, progress_shown(console, "strip", laying):
                assert laying.go_on(stop=partial(stops, asked, Sleep()))

        yield lay
        book.close()
        link.close()


def bare_loop(port: serial.Serial, lines: Sequence[str]) -> None:
    """Send a line, wait for its ok."""
    for line in lines:
        port.write(line.encode() + b"\n")
        while not port.readline().startswith(b"ok"):
            pass
