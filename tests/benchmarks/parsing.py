"""Text of a controller: bytes to events, lines to settings."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Final

from agent.families import from_log
from agent.families.replay import Replay
from agent.wire.exchange import Exchange
from tests.benchmarks.benches import dump_of, heron, repeated
from tests.benchmarks.peers import DUMP_LINES
from tests.benchmarks.table import Row, at_most
from tests.benchmarks.timing import Act, growth, side_by_side

#: What one would write to get the code lines out of a dump.
_CODE: Final = re.compile(r"(?:echo:)?\s*(?P<code>[GM]\d+)(?P<fields>(?:\s+[A-Z][-+.\d]+)*)")

#: Whole part of a value behind its letter.
_FIELD: Final = re.compile(r"(?<=\d [A-Z])\d+")

#: Calls that make one sample.
_NUMBER: Final = 20

#: Bytes that a port gives at once.
_CHUNK: Final = 256


def rows(quick: bool) -> Iterator[Row]:
    runs = 7 if quick else 25
    calls = (runs + 1) * _NUMBER
    lines = dump_of(heron(DUMP_LINES))
    text = "\n".join(lines) + "\n"
    family = Replay()
    assert len(family.parse(lines).settings) > 30

    def plainly(text: str) -> None:
        for line in text.splitlines():
            _CODE.match(line)

    def parse(text: str) -> None:
        family.parse(text.splitlines())

    against = "splitlines and one regular expression a line"
    ours, reference = side_by_side(
        _over(parse, text, calls), _over(plainly, text, calls), runs=runs, number=_NUMBER
    )
    yield Row(
        f"parsing a {len(lines)}-line read-back to settings",
        ours,
        reference,
        against,
        at_most(8),
    )
    ours, reference = side_by_side(
        _over(lambda text: engine(text.encode()), text, calls),
        _over(plainly, text, calls),
        runs=runs,
        number=_NUMBER,
    )
    yield Row("engine: such text, bytes to events", ours, reference, against, at_most(6))

    sizes = (60, 600, 6_000) if quick else (600, 6_000, 60_000)
    for what, act_of in (
        ("engine by lines of a dump", _engine),
        ("parsing by lines of a dump", _parse),
        ("a log by lines kept as text", _log("echo:  M145 S{0} H{0} B60 F255")),
        ("a log by lines refused", _log('echo:Unknown command: "M{0}"')),
        ("a log by lines of damage", _log("echo:  M92 X{0}.00 Y1")),
        ("a log by lines without meaning", _log("line {0} of a remark")),
    ):
        yield growth(what, sizes, act_of)


def _over(act: Callable[[str], None], text: str, calls: int) -> Act:
    """Acts on a text with other numbers each time, so that nothing of it is known from before."""
    texts = iter(
        [_FIELD.sub(lambda match, i=i: str(int(match[0]) + i), text) for i in range(calls)]
    )
    return lambda: act(next(texts))


def engine(data: bytes) -> None:
    exchange = Exchange()
    for start in range(0, len(data), _CHUNK):
        exchange.receive(data[start : start + _CHUNK], 0.0)


def _engine(lines: int) -> Act:
    text = "\n".join(dump_of(heron(DUMP_LINES)))
    data = "\n".join(repeated(text, lines)).encode()
    return lambda: engine(data)


def _parse(lines: int) -> Act:
    """A dump with so many lines, most of them text: settings themselves are few."""
    machine = heron(lines)
    dump = dump_of(machine)
    return lambda: Replay().parse(dump)


def _log(line: str) -> Callable[[int], Act]:
    """A log of a dump and so many lines of one kind."""

    def act_of(lines: int) -> Act:
        head = dump_of(heron(DUMP_LINES))
        text = "\n".join([*head, *(line.format(i) for i in range(lines)), "ok"])
        return lambda: from_log(text)

    return act_of
