"""The gantry angle that a toolpath was sliced with, read off the file itself.

A point (S, H) of a part is commanded as gantry = H / sin a, belt = S - H / tan a.  Along a straight
edge that rises in the direction (c, s) of belt and height the commands therefore run as

    d belt / d gantry = (c / s) sin a - cos a

For an upright face c = 0: the slope of its foremost beads in the file is -cos a, whatever made the
file and wherever on the belt it lies.  Pieces without an upright face tell nothing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from agent.errors import Refused
from agent.model.roles import Axes
from agent.pieces.solid import Piece

#: A file is believed to have been sliced as stated within this, degrees.
SAME_DEG: Final = 0.05

#: Layers that the face must cross.
_LEAST_LAYERS: Final = 12

#: Share of a face's height that is left out at either end: fillets, brims and lids.
_MARGIN: Final = 0.15

#: Lines as NIST RS274/NGC has them (NISTIR 6556, 3.3): letters of either case, blanks anywhere,
#: comments in parentheses, a stroke or a line number before; comments behind a semicolon besides.
_COMMENT: Final = re.compile(r"\([^()]*\)|;.*|\s+")
_BEFORE: Final = re.compile(r"/?(?:N\d+)?")
_WORD: Final = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+))")


@dataclass(frozen=True, slots=True)
class Sliced:
    """The angle a file was sliced with."""

    angle_deg: float
    u_deg: float  #: standard uncertainty, from the scatter of the layers
    layers: int

    def fits(self, stated_deg: float) -> bool:
        """Whether that is the angle stated, within its own uncertainty and `SAME_DEG`."""
        return abs(self.angle_deg - stated_deg) <= max(SAME_DEG, 3 * self.u_deg)


def sliced_angle(lines: Iterable[str], piece: Piece, axes: Axes) -> Sliced:
    """The angle of the file that lays `piece`; millimetres, absolute or relative.

    Raises Refused where the piece has no upright face, or the file no layers of it.
    """
    if not any(f.kind == "lean" and f.side is None and f.jaws for f in piece.features):
        raise Refused(
            f"a {piece.name} has no upright face, so its file does not tell the slicing angle",
            remedy="The post's file tells it",
        )
    beads = _lowest_by_layer(lines, axes)
    places = _of_face(beads)
    if len(places) < _LEAST_LAYERS:
        raise Refused(
            f"only {len(places)} layers of the upright face were found in the file",
            remedy=f"{_LEAST_LAYERS} at least are needed; is it the file of this {piece.name}?",
        )
    slope, u_slope = _line([gantry for _, gantry in places], [belt for belt, _ in places])
    if not -1 < slope < 1:
        raise Refused(
            f"the file's layers rise by {slope:g}, which no gantry angle gives",
            remedy=f"Is it the file of this {piece.name}?",
        )
    angle = math.acos(-slope)
    return Sliced(math.degrees(angle), math.degrees(u_slope / math.sin(angle)), len(places))


def words_of(line: str) -> list[tuple[str, float]]:
    """The words of a line of a file as (capital, number), its comments and number left out."""
    text = _COMMENT.sub("", line).upper()
    found = _WORD.findall(text, _BEFORE.match(text).end())  # type: ignore[union-attr]
    return [(letter, float(number)) for letter, number in found]


def _lowest_by_layer(lines: Iterable[str], axes: Axes) -> dict[float, tuple[float, float]]:
    """For each belt place at which beads are laid: lowest and highest gantry place, mm."""
    belt_letter, gantry_letter = axes.letter("belt").upper(), axes.letter("gantry").upper()
    signs = {belt_letter: axes.sign("belt"), gantry_letter: axes.sign("gantry")}
    place = {belt_letter: 0.0, gantry_letter: 0.0}
    absolute, extruder_absolute, extruded = True, True, 0.0
    found: dict[float, tuple[float, float]] = {}
    for line in lines:
        words = words_of(line)
        if not words:
            continue
        command = f"{words[0][0]}{words[0][1]:g}"
        values = dict(words[1:])
        if command in ("G90", "G91"):
            absolute = extruder_absolute = command == "G90"
        elif command in ("M82", "M83"):
            extruder_absolute = command == "M82"
        elif command == "G92":
            place.update({k: signs[k] * v for k, v in values.items() if k in place})
            extruded = values.get("E", extruded)
        elif command in ("G0", "G1"):
            for letter in place:
                if letter in values:
                    move = signs[letter] * values[letter]
                    place[letter] = move if absolute else place[letter] + move
            e = values.get("E")
            laid = e is not None and (e - extruded if extruder_absolute else e) > 0
            if e is not None:
                extruded = e if extruder_absolute else extruded + e
            if laid:
                at, height = round(place[belt_letter], 4), place[gantry_letter]
                low, high = found.get(at, (height, height))
                found[at] = (min(low, height), max(high, height))
    return found


def _of_face(beads: dict[float, tuple[float, float]]) -> list[tuple[float, float]]:
    """(belt, gantry) of the foremost bead of each layer that the upright face crosses."""
    top = max((high for _, high in beads.values()), default=0.0)
    least, most = _MARGIN * top, (1 - _MARGIN) * top
    return sorted((belt, low) for belt, (low, _) in beads.items() if least <= low <= most)


def _line(x: list[float], y: list[float]) -> tuple[float, float]:
    """Slope of y over x by least squares, and its standard uncertainty."""
    n = len(x)
    mx, my = math.fsum(x) / n, math.fsum(y) / n
    sxx = math.fsum((a - mx) ** 2 for a in x)
    if not sxx:
        return math.inf, math.inf
    slope = math.fsum((a - mx) * (b - my) for a, b in zip(x, y, strict=True)) / sxx
    rest = math.fsum((b - my - slope * (a - mx)) ** 2 for a, b in zip(x, y, strict=True))
    return slope, math.sqrt(rest / max(n - 2, 1) / sxx)
