"""What an ordinary bench does to machine, plastic, instrument and hand: named, with sizes.

Each effect acts at its physical place; this module only lists them, reads what is asked for, and
draws.  Sizes are common practice unless the text names a source.  An effect without a preferred
direction comes with its full size and either sign; `sd` in its text means normal, drawn anew for
each thing it says.  Which sign, phase or value comes out depends on the machine's number and the
effect's name alone, so that one effect does not change another.
"""

from __future__ import annotations

import difflib
import math
import random
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from agent.errors import BadInput, Problem

Place = Literal["instrument", "hand", "plastic", "machine", "gauge"]
Kind = Literal["none", "usual", "rough"]

KINDS: Final[tuple[Kind, ...]] = ("none", "usual", "rough")


@dataclass(frozen=True, slots=True)
class Effect:
    """One effect; sizes in `unit`."""

    name: str
    place: Place
    unit: str
    usual: float
    rough: float
    says: str


def _table(*rows: tuple[str, Place, str, float, float, str]) -> dict[str, Effect]:
    return {row[0]: Effect(*row) for row in rows}


EFFECTS: Final = _table(
    (
        "zero",
        "instrument",
        "mm",
        0.02,
        0.05,
        "the caliper's zero; 0.03 is the limit of DIN 862 and ISO 13385-1 for 150 mm (from memory)",
    ),
    ("inside_jaws", "instrument", "mm", 0.03, 0.06, "inside jaws against outside jaws, worn"),
    ("square", "instrument", "mm", 0.03, 0.10, "square or depth blade, in each lean and sway"),
    ("by_length", "instrument", "mm", 0.02, 0.03, "the caliper's error over its length, within +-"),
    ("caliper_scale", "instrument", "%", 0.01, 0.04, "the caliper's scale"),
    ("rounding", "instrument", "mm", 0.01, 0.05, "display step; 0.05 of a vernier"),
    ("jaws_askew", "hand", "deg", 0.3, 1.0, "jaws put on askew, sd, each time anew"),
    (
        "squeeze",
        "hand",
        "%",
        0.02,
        0.1,
        "closing force: that share of a strip, as many mm (0.05 at most) of a solid face",
    ),
    ("hand", "hand", "mm", 0.02, 0.05, "the hand by direction, sd"),
    ("repeatability", "hand", "mm", 0.015, 0.04, "each value, sd; from 0.04 on heavy tails (t, 3)"),
    ("not_reseated", "hand", "mm", 0.015, 0.03, "error that all repeats of a reading share, sd"),
    ("copied", "hand", "", 0, 1, "1: the first value is typed for all repeats"),
    ("form", "plastic", "mm", 0.02, 0.05, "single printed faces stray, sd"),
    ("first_layer", "plastic", "mm", 0.05, 0.2, "the first layer comes wider, each side"),
    ("elephant_foot", "plastic", "mm", 0.1, 0.2, "the foot of upright faces bulges and sinks"),
    ("corner_swell", "plastic", "mm", 0.05, 0.1, "corners and short walls swell, both sides"),
    ("shrink_by_direction", "plastic", "%", 0.05, 0.2, "shrink along x, s and h, sd"),
    ("warm", "plastic", "K", 5, 40, "the piece is that warm when it is taken up, and cools"),
    ("curled", "plastic", "1/m", 0.2, 1.0, "flat pieces curl along the belt: 1/R"),
    ("lost_motion", "machine", "mm", 0.03, 0.2, "play of each axis; take-up cancels it"),
    ("belt_scale", "machine", "%", 0.02, 0.1, "the belt's scale from piece to piece, sd"),
    ("roller_wave", "machine", "mm", 0.02, 0.1, "eccentricity of the belt's roller"),
    ("loop_wave", "machine", "mm", 0.05, 0.5, "wave of the belt's place, once a loop"),
    ("belt_walk", "machine", "mm", 0.1, 0.5, "the belt walks sideways, once a loop"),
    ("rail_bow", "machine", "mm", 0.03, 0.2, "bow of the across rail on 160 mm"),
    ("gantry_sag", "machine", "mm", 0.03, 0.2, "the gantry sags, at 160 mm"),
    ("frame_hot", "machine", "%", 0.01, 0.05, "across and gantry grow while printing"),
    ("gauge_offset", "gauge", "mm", 0.03, 0.1, "the gauge of the moves: offset"),
    (
        "gauge_scale",
        "gauge",
        "%",
        0.01,
        0.1,
        "the gauge of the moves: scale; a tape of class II has 0.3 mm + 0.02 % (OIML R 35, from"
        " memory)",
    ),
    ("gauge_reading", "gauge", "mm", 0.05, 0.3, "the gauge of the moves: reading, sd"),
)

#: Single lapses, which no bench has as a habit.
LAPSES: Final = ("copied",)


@dataclass(frozen=True, slots=True)
class Bench:
    """Effects in force: sizes by name, nothing where the world is clean."""

    sizes: Mapping[str, float] = field(default_factory=dict)
    number: int = 0  #: of the machine; decides signs, phases and values

    def __bool__(self) -> bool:
        return any(self.sizes.values())

    def has(self, name: str) -> bool:
        return name in self.sizes

    def size(self, name: str) -> float:
        """Size of an effect, 0 where it is not in force."""
        if name not in EFFECTS:
            raise KeyError(name)
        return self.sizes.get(name, 0.0)

    def chance(self, name: str, *what: object) -> random.Random:
        """Own source of chance for an effect, or for one thing that it acts on."""
        return random.Random("/".join(map(str, (self.number, name, *what))))

    def signed(self, name: str) -> float:
        """Its full size, with the sign that this machine has."""
        return self.size(name) * self.chance(name).choice((-1.0, 1.0))

    def stray(self, name: str, *what: object) -> float:
        """Normal with its size as the standard deviation; the same for the same thing."""
        sd = self.size(name)
        return self.chance(name, *what).gauss(0.0, sd) if sd else 0.0

    def phase(self, name: str) -> float:
        """Where a wave begins, rad."""
        return self.chance(name, "phase").uniform(0.0, 2 * math.pi)


def bench_of(kind: str = "none", own: Iterable[str] = (), number: int | None = 0) -> Bench:
    """The effects of a bench, and own ones as texts `NAME=SIZE` on top or instead.

    Raises BadInput with every text that is none.
    """
    if kind not in KINDS:
        raise BadInput(f"no bench {kind!r}", remedy=f"There are {', '.join(KINDS)}")
    sizes: dict[str, float] = {}
    if kind != "none":
        sizes = {e.name: getattr(e, kind) for e in EFFECTS.values() if e.name not in LAPSES}
    problems = []
    seen: set[str] = set()
    for text in own:
        name, equals, given = text.partition("=")
        name = name.strip()
        try:
            if name in seen:
                raise ValueError("given twice")
            seen.add(name)
            sizes[_known(name)] = _size(name, given, bool(equals))
        except ValueError as error:
            problems.append(Problem("--effect", None, text, str(error)))
    if problems:
        raise BadInput(
            f"{len(problems)} mistake{'s' if len(problems) > 1 else ''} in the effects asked for",
            problems=problems,
            remedy="`plumbelt sim --effects` lists all effects.",
        )
    return Bench(sizes, number or 0)


def _known(name: str) -> str:
    if name not in EFFECTS:
        near = difflib.get_close_matches(name, EFFECTS, 1)
        raise ValueError(f"no such effect{f', did you mean {near[0]!r}?' if near else ''}")
    return name


def _size(name: str, text: str, given: bool) -> float:
    if not given:
        return EFFECTS[name].usual
    try:
        size = float(text)
    except ValueError:
        size = math.nan
    if not 0 <= size <= 1000:
        raise ValueError(f"expected a size from 0 to 1000 {EFFECTS[name].unit}, found {text!r}")
    return size


def describe_effects() -> str:
    """All effects with their sizes, as lines of a help page."""
    lines = [
        "Given as --effect NAME=SIZE, or NAME for its usual size; may be repeated.",
        f"{'effect':<20} {'at the':<10} {'usual':>6} {'rough':>6}",
    ]
    for e in EFFECTS.values():
        lines.append(f"{e.name:<20} {e.place:<10} {e.usual:>6g} {e.rough:>6g} {e.unit:<4} {e.says}")
    return "\n".join(lines)
