"""Parts of flat pieces: one-layer rectangles, ladders of rungs, and what is measured on them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from agent.model.feature import Between, Feature, Kind, Vector
from agent.pieces.solid import SOLID, Prism, Span, box

RUNG_MM: Final = 5.0  #: rungs, rails and bars: wide enough for a jaw, ten beads or so
LADDER_MM: Final = 30.0  #: width of a ladder outside; 20 inside
#: Seams of a rung lie this far from its end, over the rail.
SEAM_MM: Final = 2.5
_RAIL_WALLS: Final = 3  #: hollow, which spares the belt half of its running to and fro


@dataclass(frozen=True, slots=True)
class Sheet:
    """One layer of a given thickness, mm, that lies on the belt."""

    height: float

    def prism(
        self, name: str, x: Span, s: Span, *, seam: float, walls: int = SOLID, rib: float = 0.0
    ) -> Prism:
        """Rectangle of the layer."""
        return Prism(name, x, box(s, (0.0, self.height)), walls=walls, rib_mm=rib, seam=seam)

    def link(self, name: str, x: Span, s: Span, walls: int = SOLID) -> Prism:
        """Rectangle that joins what lies before and behind it along the belt."""
        return replace(self.prism(name, x, s, seam=x[0], walls=walls), joins=("u-", "u+"))

    def point(self, x: float, s: float) -> Vector:
        """Point half way up the edge."""
        return (x, s, self.height / 2)

    def ladder(self, x: Span, rungs: Sequence[Span]) -> Iterator[Prism]:
        """Rungs across `x` at falling s, and a rail on either side of each gap between them."""
        rails = (("left", (x[0], x[0] + RUNG_MM)), ("right", (x[1] - RUNG_MM, x[1])))
        yield self.prism("rung 1", x, rungs[0], seam=x[0] + SEAM_MM)
        for number, (above, rung) in enumerate(pairwise(rungs), 2):
            for side, rail in rails:
                name, gap = f"rail {side} {number - 1}", (rung[1], above[0])
                yield self.link(name, rail, gap, _RAIL_WALLS)
            yield self.prism(f"rung {number}", x, rung, seam=x[0] + SEAM_MM)


def edge_feature(name: str, kind: Kind, low: Vector, high: Vector, hint: str) -> Feature:
    """Feature along the line from one jaw to the other: between parallel edges, or corners."""
    x, s, h = (round(b - a, 6) for a, b in zip(low, high, strict=True))
    between: Between = "points" if x and s else "edges"
    return Feature(name, kind, (x, s, h), between, jaws=(low, high), hint=hint)
