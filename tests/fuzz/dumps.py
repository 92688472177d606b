"""Damaged replies against the reader: how many are taken for good, and how many wrongly.

Each run draws a controller of one of the five families with values of its own, and reads it back
through the real engine over a wire that spoils each of the two replies on its own: bytes dropped,
doubled, flipped, lines merged, bursts lost or repeated.  A reading without damage is `accepted`;
one in which a key is missing, added or changed all the same is `wrong_accepted`.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from agent.errors import LinkFailed
from agent.families import FAMILIES, read_back
from agent.model.settings import Readback
from agent.wire.link import Link
from tests.wire.scripted import Scripted

Spoil = Callable[[random.Random, bytearray], None]


def _somewhere(rng: random.Random, data: bytearray) -> int:
    return rng.randrange(len(data))


def drop(rng: random.Random, data: bytearray) -> None:
    del data[_somewhere(rng, data)]


def double(rng: random.Random, data: bytearray) -> None:
    i = _somewhere(rng, data)
    data.insert(i, data[i])


def flip(rng: random.Random, data: bytearray) -> None:
    data[_somewhere(rng, data)] ^= 1 << rng.randrange(8)


def merge(rng: random.Random, data: bytearray) -> None:
    """A line loses its end and some bytes around it."""
    ends = [i for i, byte in enumerate(data) if byte == 10]
    if ends:
        i = rng.choice(ends)
        del data[max(0, i - rng.randrange(12)) : i + 1 + rng.randrange(12)]


def lose_burst(rng: random.Random, data: bytearray) -> None:
    i = _somewhere(rng, data)
    del data[i : i + rng.randrange(2, 64)]


def repeat_burst(rng: random.Random, data: bytearray) -> None:
    i = _somewhere(rng, data)
    data[i:i] = data[i : i + rng.randrange(2, 64)]


SPOILS: tuple[Spoil, ...] = (drop, double, flip, merge, lose_burst, repeat_burst)


def spoiled(rng: random.Random, clean: bytes) -> bytes:
    """A reply with none to a handful of faults."""
    data = bytearray(clean)
    for _ in range(rng.choice((0, 1, 1, 2, 3, 5))):
        if data:
            rng.choice(SPOILS)(rng, data)
    return bytes(data)


def _number(rng: random.Random, low: float, high: float, decimals: int) -> str:
    return f"{rng.uniform(low, high):.{decimals}f}"


def _words(rng: random.Random, letters: str, low: float, high: float, decimals: int) -> str:
    return " ".join(f"{letter}{_number(rng, low, high, decimals)}" for letter in letters)


def replay(rng: random.Random) -> dict[str, str]:
    return {
        "M503": f"""\
echo:  G21    ; Units in mm (mm)
echo:; Steps per unit:
echo: M92 {_words(rng, "XYZE", 60, 1500, 2)}
echo:; Maximum feedrates (units/s):
echo:  M203 {_words(rng, "XYZE", 5, 300, 2)}
echo:; Maximum Acceleration (units/s2):
echo:  M201 {_words(rng, "XYZE", 50, 5000, 2)}
echo:; Acceleration (units/s2): P<print> R<retract> T<travel>
echo:  M204 {_words(rng, "PRT", 300, 2000, 2)}
echo:; Advanced: B<segment_us> S<print> T<travel> J<deviation>
echo:  M205 B20000.00 S0.00 T0.00 J0.0{rng.randrange(1, 9)}
echo:; Home offset:
echo:  M206 {_words(rng, "XYZ", -30, 30, 2)}
echo:; PID settings:
echo:  M301 {_words(rng, "PID", 1, 200, 2)}
echo:; Z-Probe Offset:
echo:  M851 {_words(rng, "XYZ", -30, 30, 2)} ; (mm)
ok P15 B3
"""
    }


def numbered(rng: random.Random) -> dict[str, str]:
    rows = [f"${n}={rng.randrange(0, 3)}" for n in (0, 1, 2, 3, 4, 5, 6, 10, 12, 13, 20, 21, 22)]
    for first, low, high in ((100, 60, 1500), (110, 500, 9000), (120, 50, 900), (130, 100, 900)):
        rows += [f"${first + i}={_number(rng, low, high, 3)}" for i in range(3)]
    return {"$$": "\r\n".join([*rows, "ok\r\n"])}


def table(rng: random.Random) -> dict[str, str]:
    rows = ["ok 5", "EPR:0 1028 0 Language", "EPR:2 75 250000 Baudrate"]
    for i, axis in enumerate("XYZ"):
        rows += [
            f"EPR:3 {3 + 4 * i} {_number(rng, 60, 1500, 4)} {axis}-axis steps per mm",
            f"EPR:3 {15 + 4 * i} {_number(rng, 5, 300, 3)} {axis}-axis max. feedrate [mm/s]",
            f"EPR:3 {51 + 4 * i} {_number(rng, 50, 900, 3)} {axis}-axis acceleration [mm/s^2]",
        ]
    return {"M205": "\n".join([*rows, "wait\n"])}


def override(rng: random.Random) -> dict[str, str]:
    return {
        "M503": f"""\
; No config override\r
;Steps per unit:\r
M92 {_words(rng, "XYZ", 60, 1500, 5)}\r
;Acceleration mm/sec^2:\r
M204 S{_number(rng, 300, 2000, 5)}\r
;Max cartesian feedrates in mm/sec:\r
M203 {_words(rng, "XYZ", 5, 300, 5)} S-1.00000\r
;E Steps per mm:\r
M92 E{_number(rng, 60, 900, 5)} P57988\r
\r
ok\r
"""
    }


def script(rng: random.Random) -> dict[str, str]:
    def sentence(title: str, low: float, high: float) -> str:
        items = ", ".join(f"{axis}: {_number(rng, low, high, 3)}" for axis in "XYZE")
        return f"{title}: {items}:{_number(rng, low, high, 3)}\nok\n"

    return {
        "M92": sentence("Steps/mm", 60, 1500),
        "M203": sentence("Max speeds (mm/min)", 500, 9000),
        "M201": sentence("Accelerations (mm/sec^2)", 50, 900),
        "M566": "ok\n",
        "M906": "ok\n",
    }


DRAWN: dict[str, Callable[[random.Random], dict[str, str]]] = {
    "replay": replay,
    "numbered": numbered,
    "table": table,
    "override": override,
    "script": script,
}


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run."""

    family: str
    accepted: bool
    wrong: tuple[str, ...]  #: keys that differ from the truth in an accepted reading


def _values(reading: Readback) -> dict[str, tuple[float, int]]:
    return {key: (s.value, s.digits) for key, s in reading.settings.items()}


def run(seed: int) -> Outcome:
    """Read one drawn controller over a bad wire."""
    rng = random.Random(seed)
    name = rng.choice(sorted(DRAWN))
    family = FAMILIES[name]
    replies = DRAWN[name](rng)
    honest = Link(Scripted(lambda line: replies[line].encode()))
    truth = _values(read_back(honest, family))
    link = Link(Scripted(lambda line: spoiled(rng, replies[line].encode())))
    try:
        reading = read_back(link, family)
    except LinkFailed:
        return Outcome(name, accepted=False, wrong=())
    if reading.damaged:
        return Outcome(name, accepted=False, wrong=())
    got = _values(reading)
    wrong = tuple(key for key in {**truth, **got} if truth.get(key) != got.get(key))
    return Outcome(name, accepted=True, wrong=wrong)


def campaign(runs: int, first_seed: int = 0) -> list[Outcome]:
    return [run(first_seed + i) for i in range(runs)]
