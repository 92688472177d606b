"""Controllers that talk without end, and long pieces over bad links: bounded, and exact."""

from __future__ import annotations

import json
import random
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import yaml

from agent.errors import LinkFailed
from agent.families import FAMILIES, adopt
from agent.wire.exchange import State
from agent.wire.link import MOST_LINES, Link
from agent.work.asking import heats_now
from sim.faults import PerLine
from sim.machine import build
from tests.memory import MemoryTransport

HERON: dict[str, Any] = yaml.safe_load(
    (Path(__file__).parents[2] / "profiles" / "heron.yaml").read_text()
)

#: Bytes that a link may hold on to, whatever is said to it.
BOUND = 6_000_000


Figures = dict[str, float]


@contextmanager
def bounded() -> Iterator[Figures]:
    """What the block holds at its worst stays below `BOUND`; `most_mb` says afterwards how much."""
    tracemalloc.start()
    held: Figures = {}
    try:
        yield held
        most = tracemalloc.get_traced_memory()[1]
        held["most_mb"] = round(most / 1e6, 2)
        assert most < BOUND
    finally:
        tracemalloc.stop()


class Talker:
    """Answers the first lines, and says `chatter` at every read, for ever."""

    name = "talker"

    def __init__(self, chatter: bytes, answers: int) -> None:
        self.chatter, self.answers = chatter, answers
        self._clock, self._due = 0.0, b""

    def now(self) -> float:
        return self._clock

    def write(self, data: bytes) -> None:
        lines = min(data.count(b"\n"), self.answers)
        self.answers -= lines
        self._due += b"ok\n" * lines

    def read(self, until: float) -> bytes:
        self._clock += 0.05
        said, self._due = self._due + self.chatter, b""
        return said

    def close(self) -> None: ...


CHATTER = [
    b"echo:nobody asked for this\n" * 100,
    b" T:20.0 /0.0 B:20.0 /0.0\n" * 100,
    b"echo:busy: processing\n" * 100,
    b"Resend: 7\n" * 100,
    b'echo:enqueueing "M84 X Y"\n' * 100,
    b"endless " * 500,
    bytes(range(128, 256)) * 30,
]


@pytest.mark.parametrize("chatter", CHATTER, ids=lambda chatter: repr(chatter[:12]))
def test_a_controller_that_talks_and_does_not_answer_ends_in_a_word(chatter: bytes) -> None:
    link = Link(Talker(chatter, answers=50))
    with bounded(), pytest.raises(LinkFailed) as failed:
        link.stream(f"G1 X{n}" for n in range(100_000))
    assert "G1 X" in failed.value.what or "line" in failed.value.what
    assert link.state is not State.READY


@pytest.mark.parametrize("chatter", CHATTER[:3], ids=lambda chatter: repr(chatter[:12]))
def test_chatter_between_answers_takes_no_memory(chatter: bytes) -> None:
    link = Link(Talker(chatter, answers=10**9))
    with bounded():
        assert link.stream(f"G1 X{n}" for n in range(1000)) == 1000
    assert len(link.events) <= 4 * MOST_LINES


def test_heaters_are_still_heard_after_hours_of_reports() -> None:
    machine = build(HERON, seed=None, family="table")
    link = Link(MemoryTransport(machine.controller))
    adopt(link, FAMILIES["table"])
    link.settle()
    machine.controller.say(" T:20.00 /0.00\n" * (MOST_LINES + 10))
    link.settle()
    assert heats_now(link).nozzle is not None


@pytest.mark.parametrize("family", ["replay", "override", "script"])
def test_a_long_piece_over_a_bad_link_ends_exact_and_in_bounded_memory(family: str) -> None:
    received, count, figures = long_piece(family, 1500)
    assert figures["damaged"] >= 5
    assert count == 1500
    assert (received.exact, received.first_wrong) == (1500, "")


def move(n: int) -> str:
    return f"G1 X{10 + n % 50}.{n % 7} Y{10 + n % 31} F6000"


class OneBit(PerLine):
    """One bit of a line is turned over.

    Two turned over at the same place of two bytes cancel in the checksum, which is an exclusive
    or of all bytes: such a line cannot be told from a good one by anybody.
    """

    struck = 0

    def line(self, line: bytes) -> bytes:
        if not self.strikes():
            return line
        self.struck += 1
        at = self.rng.randrange(len(line) - 1)  # never its end
        return line[:at] + bytes([line[at] ^ 1 << self.rng.randrange(8)]) + line[at + 1 :]


class Received(list[str]):
    """What a controller took, compared with what was meant as it comes instead of kept."""

    def __init__(self) -> None:
        self.exact = 0  #: moves that were the next ones
        self.first_wrong = ""

    def append(self, line: str, /) -> None:
        if line.startswith("G1 "):
            if line == move(self.exact) and not self.first_wrong:
                self.exact += 1
            else:
                self.first_wrong = self.first_wrong or line


def long_piece(family: str, lines: int) -> tuple[Received, int, Figures]:
    """So many moves over a link on which one line in a hundred arrives damaged."""
    machine = build(HERON, seed=3, family=family)
    received = machine.controller.received = Received()
    bad = OneBit(random.Random(3), 0.01, "sent")
    machine.controller.troubles.append(bad)
    link = Link(MemoryTransport(machine.controller))
    adopt(link, FAMILIES[family])
    link.settle()
    with bounded() as held:
        count = link.stream(move(n) for n in range(lines))
    return received, count, {"damaged": bad.struck, **held}


def main() -> None:
    """The long runs; every one prints what came of it."""
    for family in ("replay", "override", "script"):
        began = time.perf_counter()
        received, acknowledged, figures = long_piece(family, 100_000)
        row = {"family": family, "acknowledged": acknowledged, "exact": received.exact, **figures}
        print(json.dumps({**row, "seconds": round(time.perf_counter() - began, 1)}), flush=True)
    for chatter in CHATTER:
        link = Link(Talker(chatter, answers=50))
        with bounded() as held:
            try:
                link.stream(f"G1 X{n}" for n in range(100_000))
                ended = "not at all"
            except LinkFailed as failure:
                ended = failure.what
        print(json.dumps({"chatter": repr(chatter[:16]), "ended": ended, **held}), flush=True)


if __name__ == "__main__":  # python -m tests.wire.test_flood
    main()
