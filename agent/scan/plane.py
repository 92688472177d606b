"""From places of the image to millimetres of the glass, by two rules.

A scanner stretches, bends and shakes along each of its two directions by itself, so that

    x = u + f(u) + g(v)          y = v + p(v) + q(u)

with f and g cubic, q square and cubic (without a straight part: that only turns the glass), and p
a chain of cubic splines that follows the wobble of the carriage.  A rule along gives p by its
marks and g by its straight edge; a rule across gives f by its marks and q by its edge; the marks'
being square to their edge gives the angle between the two directions.  One linear least squares
problem for all, with weak priors, solved anew while stray marks are left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from agent.errors import Refused
from agent.scan.image import Array
from agent.scan.rule import Marks

#: Spacing of the knots of p, mm.
_KNOT: Final = 4.0
#: Lengths by which u and v are divided in the cubics, mm.
_U, _V = 100.0, 150.0
#: Standard uncertainty of one graduation of a usual steel rule, mm, and of what it shares with its
#: neighbours (common practice: marks of such rules are good to 0.02 mm).
MARK_U: Final = 0.0065
RULE_U: Final = 0.004
#: How square the marks of a usual rule stand to its edge, rad (common practice, no source).
SQUARE_U: Final = math.radians(0.02)
#: How well one mark is seen, mm, and what its two halves are seen apart.
_SEEN_U: Final = 0.004
_HALVES_U: Final = 0.006
#: How straight its edge is seen, mm.
_EDGE_U: Final = 0.015
#: What neighbouring knots of the wobble differ by, second differences, mm.
_BEND_U: Final = 0.02
_TERMS: Final = 5  #: of f and q: u, u2, u3 in x; u2, u3 in y
_ROW_TERMS: Final = 3  #: of g
#: Stray marks are left out beyond this many standard uncertainties.
_STRAY: Final = 4.0


@dataclass(frozen=True)
class Plane:
    """The map, and how well it is known."""

    middle: tuple[float, float]  #: (u, v) about which the cubics run
    first_knot: float  #: v of the first knot
    terms: Array  #: (k,)
    covariance: Array  #: (k, k) mm2
    u_range: tuple[float, float]  #: that the rule across covers
    v_range: tuple[float, float]  #: that the rule along covers
    scale: tuple[float, float]  #: of the scanner across and along, relative
    askew_deg: float  #: of the carriage against the square to the sensor line
    residual: float  #: standard deviation of the marks about the map, mm

    def basis(self, places: Array) -> Array:
        """(n, 2, k) how x and y at places (n, 2) follow the terms."""
        return _basis(places, self.middle, self.first_knot, len(self.terms))

    def map(self, places: Array) -> Array:
        """(n, 2) places (x, y) in mm of places (u, v) (n, 2)."""
        mapped: Array = places + self.basis(places) @ self.terms
        return mapped


def _basis(places: Array, middle: tuple[float, float], first: float, size: int) -> Array:
    u, v = (places[:, 0] - middle[0]) / _U, (places[:, 1] - middle[1]) / _V
    knots = size - _TERMS - _ROW_TERMS
    basis = np.zeros((len(places), 2, size))
    basis[:, 0, :3] = np.stack((u, u**2, u**3), axis=1)
    basis[:, 1, 3:5] = np.stack((u**2, u**3), axis=1)
    basis[:, 0, 5:8] = np.stack((v, v**2, v**3), axis=1)
    basis[:, 1, 8:] = _splines((places[:, 1] - first) / _KNOT, knots)
    return basis


def _splines(at: Array, knots: int) -> Array:
    """(n, knots) uniform cubic B-splines at places counted in knots (de Boor)."""
    cell = np.clip(np.floor(at).astype(np.int64), 0, knots - 4)
    t = np.clip(at - cell, -1.0, 2.0)
    weights = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)
    splines = np.zeros((len(at), knots))
    rows = np.arange(len(at))
    for k, weight in enumerate(weights):
        splines[rows, cell + k] = weight / 6
    return splines


@dataclass
class _Rule:
    """What one rule adds to the unknowns: its turn, where it lies, how square its marks are."""

    marks: Marks
    along: Array  #: unit vector along it, as seen so far
    outward: Array

    @classmethod
    def of(cls, marks: Marks) -> _Rule:
        run = marks.near[-1] - marks.near[0]
        along = run / np.linalg.norm(run)
        outward = np.array([-along[1], along[0]])
        if float(outward @ marks.outward) < 0:
            outward = -outward
        return cls(marks, along, outward)

    def turn(self, by: float) -> None:
        along = self.along + by * self.outward
        self.along = along / np.linalg.norm(along)
        outward = self.outward - by * self.along
        outward -= (outward @ self.along) * self.along
        self.outward = outward / np.linalg.norm(outward)


def fit_plane(rules: Sequence[Marks]) -> Plane:
    """The map that one rule along and one across give.

    Raises Refused where one of them is missing or the two do not fit any such map.
    """
    chosen = _one_each_way(rules)
    every = np.concatenate([m.near for m in chosen])
    middle = (float(np.mean(chosen[0].reach)), float(np.mean(chosen[1].reach)))
    first = float(every[:, 1].min()) - 5.0
    knots = math.ceil((float(every[:, 1].max()) + 5.0 - first) / _KNOT) + 3
    size = _TERMS + _ROW_TERMS + knots
    bodies = [_Rule.of(marks) for marks in chosen]
    prior = _priors(size, knots)
    kept: list[npt.NDArray[np.bool_]] = []
    for turn in range(6):
        rows, values, sd, kinds = _equations(bodies, middle, first, size)
        if not kept:
            kept = [np.ones(len(values), dtype=bool)]
        use = kept[-1]
        A = np.concatenate((rows[use] / sd[use, None], prior))
        b = np.concatenate((values[use] / sd[use], np.zeros(len(prior))))
        normal = A.T @ A
        try:
            found = np.linalg.solve(normal, A.T @ b)
        except np.linalg.LinAlgError:  # of one rule no mark is left
            raise _astray(values - rows @ found) from None
        for k, body in enumerate(bodies):
            body.turn(float(found[size + 4 * k]))
        off = (values - rows @ found) / sd
        spread = 1.4826 * float(np.median(np.abs(off[use])))
        if turn >= 1:
            kept.append(np.abs(off) < _STRAY * max(spread, 1.0))
    terms: Array = np.asarray(found[:size], dtype=float)
    covariance: Array = np.asarray(np.linalg.inv(normal)[:size, :size], dtype=float)
    marks_off = (values - rows @ found)[kinds == 0]
    residual = float(marks_off[use[kinds == 0]].std())
    if residual > 0.06 or kept[-1][kinds == 0].mean() < 0.7:
        raise _astray(marks_off)
    f1 = float(terms[0]) / _U
    ends = np.array([[middle[0], r] for r in chosen[1].reach])
    size_y = _basis(ends, middle, first, size) @ terms
    scale_v = float(size_y[1, 1] - size_y[0, 1]) / float(ends[1, 1] - ends[0, 1])
    return Plane(
        middle,
        first,
        terms,
        covariance,
        chosen[0].reach,
        chosen[1].reach,
        (f1, scale_v),
        math.degrees(float(terms[5]) / _V),
        residual,
    )


def _astray(off: Array) -> Refused:
    """The refusal of marks that are so far off even steps, mm."""
    return Refused(
        f"the graduations stray by {float(off.std()):.2f} mm from even steps",
        remedy="Lay the rules flat on clean glass, close the lid, and scan again",
    )


def _one_each_way(rules: Sequence[Marks]) -> list[Marks]:
    """The rule with most marks across the glass, and along it.  Raises Refused without both."""
    across = [marks for marks in rules if marks.across]
    along = [marks for marks in rules if not marks.across]
    if not across or not along:
        have = "neither" if not (across or along) else "only one"
        missing = "along the glass" if across else "across the glass"
        raise Refused(
            f"a rule has to lie along the glass and one across it, and {have} is seen"
            + ("" if have == "neither" else f": the one {missing} is missing"),
            remedy="Lay steel rules in both directions, not touching each other, the piece or the"
            " rim of the glass, and scan again",
        )
    return [max(side, key=lambda m: len(m.number)) for side in (across, along)]


def _priors(size: int, knots: int) -> Array:
    """Rows that hold every unknown near what such scanners are; unknowns: terms, then per rule
    its turn, its two places and how square its marks are."""
    unit = np.eye(size + 8)
    bends = np.diff(unit[size - knots : size], n=2, axis=0)
    turn, square = [size, size + 4], [size + 3, size + 7]
    rows = (unit[:size] / 3.0, bends / _BEND_U, unit[turn] / 0.2, unit[square] / SQUARE_U)
    return np.concatenate(rows)


def _equations(
    bodies: Sequence[_Rule], middle: tuple[float, float], first: float, size: int
) -> tuple[Array, Array, Array, Array]:
    """The linear problem: rows, values, uncertainties, kinds (0 places of marks, 1 else)."""
    rows, values, sd, kinds = [], [], [], []
    origin = np.array(middle)
    for k, body in enumerate(bodies):
        marks, column = body.marks, size + 4 * k
        near, far = (_basis(at, middle, first, size) for at in (marks.near, marks.far))
        mean = (marks.near + marks.far) / 2 - origin
        row = np.zeros((len(mean), size + 8))
        row[:, :size] = np.einsum("nik,i->nk", (near + far) / 2, body.along)
        row[:, column] = mean @ body.outward
        row[:, column + 1] = -1.0
        rows.append(row)
        values.append(marks.number - mean @ body.along)
        sd.append(np.full(len(mean), math.hypot(MARK_U, _SEEN_U)))
        kinds.append(np.zeros(len(mean)))
        # both halves of a mark share its error: what they differ by tells how square it stands
        deep = marks.far - marks.near
        row = np.zeros((len(mean), size + 8))
        row[:, :size] = np.einsum("nik,i->nk", far - near, body.along)
        row[:, column] = deep @ body.outward
        row[:, column + 3] = deep @ body.outward
        rows.append(row)
        values.append(-deep @ body.along)
        sd.append(np.full(len(mean), _HALVES_U))
        kinds.append(np.ones(len(mean)))
        basis = _basis(marks.edge, middle, first, size)
        row = np.zeros((len(marks.edge), size + 8))
        row[:, :size] = np.einsum("nik,i->nk", basis, body.outward)
        row[:, column] = -(marks.edge - origin) @ body.along
        row[:, column + 2] = -1.0
        rows.append(row)
        values.append(-(marks.edge - origin) @ body.outward)
        sd.append(np.full(len(marks.edge), _EDGE_U))
        kinds.append(np.ones(len(marks.edge)))
    return (
        np.concatenate(rows),
        np.concatenate(values),
        np.concatenate(sd),
        np.concatenate(kinds),
    )
