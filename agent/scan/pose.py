"""How a piece lies on the glass: which way round, seen from which side, and about how large."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from agent.errors import Refused
from agent.pieces.solid import Piece
from agent.scan.glass import MOST_ASKEW, Thing
from agent.scan.image import Array
from agent.scan.outline import covered, rectangles

#: Slots narrower than this are closed before the outline is compared, mm.
_SLOT: Final = 4.4
#: A piece may be off its drawing by this share.
_MOST_SCALE: Final = 0.13
#: Share of the outline that must agree, and by how much better than any other way round.
_LEAST_LIKE: Final = 0.86
_CLEARLY: Final = 0.02
#: Fields in which outlines are compared, mm, but whole pixels of the coarse image: else some hold
#: fewer of them than others, and look half empty.
_GRID: Final = 1.0


@dataclass(frozen=True)
class Pose:
    """Nominal places to places of the image: (u, v) = A (x, s) + b."""

    A: Array  #: (2, 2)
    b: Array  #: (2,)

    def place(self, nominal: Array) -> Array:
        placed: Array = nominal @ self.A.T + self.b
        return placed

    def normal(self, outward: Array) -> Array:
        """Unit vector in the image square to an edge whose nominal outward normal is given."""
        n = np.linalg.solve(self.A.T, outward)
        unit: Array = n / np.linalg.norm(n)
        return unit


def find_pose(thing: Thing, piece: Piece, name: str) -> Pose:
    """How `thing` lies, as the piece with its belt side on the glass.

    Raises Refused if it is no such piece, lies askew, is cut off, or shows its other side.
    """
    from scipy import ndimage

    if thing.cut_off:
        raise Refused(
            "the piece reaches over the rim of the scan, or touches what lies there",
            remedy="Lay it wholly on the glass, clear of the rules, and scan again",
        )
    margin = math.ceil(_SLOT / thing.side)
    mask = np.pad(thing.mask, margin)
    rounds = math.ceil(_SLOT / 2 / thing.side)
    mask = ndimage.binary_closing(mask, iterations=rounds)
    row, column = thing.corner
    points = replace(thing, mask=mask, corner=(row - margin, column - margin)).points()
    angles = _askew(points, thing.side)
    most = max(abs(math.degrees(angle)) for angle in angles)
    if most > MOST_ASKEW:
        raise Refused(
            f"the piece lies {most:.0f} degrees askew",
            remedy="Lay it along the rim of the glass and scan again",
        )
    # image to places square to the piece's edges, which need not be square to each other
    p, q = angles
    turn = np.array([[math.cos(p), math.sin(p)], [-math.sin(q), math.cos(q)]])
    upright = points @ turn.T
    low, high = np.percentile(upright, 0.05, axis=0), np.percentile(upright, 99.95, axis=0)
    boxes = rectangles(piece)
    found = [_as_if(boxes, upright, low, high, way, thing.side) for way in _WAYS]
    best = max(found, key=lambda fit: fit[0])
    if best[0] < _LEAST_LIKE:
        raise Refused(
            f"what lies on the glass is not this {name}: its outline agrees to"
            f" {100 * max(best[0], 0):.0f} % at best",
            remedy=f"Scan the {name} that was laid last, in the sizes that 'piece {name}' shows,"
            " on a backing that it stands out from",
        )
    below = [fit for fit, way in zip(found, _WAYS, strict=True) if _from_below(way)]
    right = max(below, key=lambda fit: fit[0])
    if right[0] < best[0] - 1e-9 or sorted(f[0] for f in found)[-2] > best[0] - _CLEARLY:
        raise Refused(
            f"the {name} is seen from its marked side, or the image is mirrored",
            remedy="Lay it with the smooth side that lay on the belt on the glass, the raised"
            " marks towards the lid, and save the scan as it is",
        )
    A_upright, b_upright = right[1], right[2]
    back = np.linalg.inv(turn)
    return Pose(back @ A_upright, back @ b_upright)


#: The eight ways in which (x, s) can lie along (p, q): quarter turns, plain and mirrored.
_WAYS: Final = tuple(
    np.array(way, dtype=float)
    for way in (
        ((-1, 0), (0, -1)),
        ((1, 0), (0, 1)),
        ((0, 1), (-1, 0)),
        ((0, -1), (1, 0)),
        ((1, 0), (0, -1)),
        ((-1, 0), (0, 1)),
        ((0, 1), (1, 0)),
        ((0, -1), (-1, 0)),
    )
)


def _from_below(way: Array) -> bool:
    """True if the piece is seen from the belt's side.

    From above, x to the right and s up the page, (u, v) = (x, -s) up to a turn: a matrix of
    determinant -1.  From below it is +1.
    """
    return float(np.linalg.det(way)) > 0


def _askew(points: Array, side: float) -> tuple[float, float]:
    """Angles by which the edges of a shape are turned from the image's axes, rad: those that run
    along v, then those along u.

    Seen along its edges, the shape's shadow has the steepest steps.
    """
    # at random and spread over their pixels, or the pixels' own rows would be the steepest
    chance = np.random.default_rng(0)
    some = points[chance.integers(0, len(points), 20_000)]
    some = some - some.mean(axis=0) + chance.uniform(-side, side, some.shape)

    def sharpest(way: int) -> float:
        def sharpness(angle: float) -> float:
            c, s = math.cos(angle), math.sin(angle)
            shadow = some @ ((c, s) if way == 0 else (-s, c))
            count = np.bincount(np.round((shadow - shadow.min()) / 0.5).astype(np.int64))
            return float((np.diff(count.astype(float), prepend=0, append=0) ** 2).sum())

        best = max(np.radians(np.arange(-12, 12.01, 0.25)), key=sharpness)
        return float(max(best + np.radians(np.arange(-0.3, 0.301, 0.05)), key=sharpness))

    return sharpest(0), sharpest(1)


def _as_if(
    boxes: Array, upright: Array, low: Array, high: Array, way: Array, side: float
) -> tuple[float, Array, Array]:
    """How well a shape agrees with the drawing laid one way: (likeness, A, b)."""
    corners = np.stack((boxes[:, ::2].min(axis=0), boxes[:, 1::2].max(axis=0)))
    turned = corners @ way.T
    nominal_low, nominal_high = turned.min(axis=0), turned.max(axis=0)
    scale = (high - low) / (nominal_high - nominal_low)
    A = scale[:, None] * way
    b = low - scale * nominal_low
    if np.abs(scale - 1).max() > _MOST_SCALE:
        return 0.0, A, b
    grid = round(_GRID / side) * side
    count = np.zeros(np.ceil((high - low) / grid).astype(int) + 1)
    cell = np.floor((upright - low) / grid).astype(np.int64)
    inside = ((cell >= 0) & (cell < np.array(count.shape))).all(axis=1)
    np.add.at(count, tuple(cell[inside].T), side**2)
    shape = np.minimum(count / grid**2, 1.0)
    p, q = np.meshgrid(*(np.arange(n) * grid + grid / 2 for n in shape.shape), indexing="ij")
    places = np.stack((p.ravel() + low[0], q.ravel() + low[1]), axis=1)
    nominal = (places - b) @ np.linalg.inv(A).T
    drawn = covered(boxes, nominal[:, 0], nominal[:, 1]).reshape(shape.shape).astype(float)
    both = np.minimum(shape, drawn).sum()
    either = np.maximum(shape, drawn).sum()
    return float(both / either), A, b
