"""A perfect caliper on the laid beads; what instrument and hand do to it is `sim.hand`'s.

A face is the row of beads that was commanded just inside its nominal plane.  The jaws rest on
the outermost points of those beads where they really lie.  Outer jaws turn until they lie along
the faces; where a face is too low or too short to turn them (the edge of a single layer), the
caliper is held square to the nominal direction.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from agent.errors import BadInput, Refused
from sim.beads import Laid
from sim.plant import Array
from sim.plastic import Plastic
from sim.truth import Growth

#: Half the height of the jaws' contact, mm.
REACH = 10.0

#: A face turns the jaws if it is at least this high (mm), and this share of the measured length:
#: lower ones only catch an edge.
_LEAST_FACE = 2.0
_LEAST_SHARE = 0.03

#: What a caliper can do on a piece.
_KINDS = ("outside", "inside", "pitch", "lean", "sway")

#: Sine of the angle within which a bead counts as running along a face.
_ALONG_FACE = 0.2


@dataclass(frozen=True, slots=True)
class Patch:
    """Points of one face near one jaw, k of them."""

    nominal: Array  #: (k, 3) where they were commanded, x, s, h
    true: Array  #: (k, 3) where they lie
    width: Array  #: (k,)
    height: Array  #: (k,)
    normal: Array  #: (k, 3) of the layer each lies in
    first: Array  #: (k,) 1 on the belt, else 0
    out: float = 0.0  #: how far this face stands out on its own, mm


class Surface:
    """The surface of a job, found by what was commanded."""

    def __init__(self, laid: Laid, angle: float, plastic: Plastic, job: str = "") -> None:
        """`angle`: the slicing angle the job was commanded with, rad; `job` names the piece."""
        self.laid = laid
        self.plastic = plastic
        self.job = job
        self.angle = angle
        self.ends = laid.ends * plastic.left
        self._form = growth_form(plastic.growth, angle)
        across, gantry, belt = np.moveaxis(laid.commanded, 2, 0)
        c, s = math.cos(angle), math.sin(angle)
        nozzle = np.stack((across, belt + gantry * c, gantry * s), axis=2)
        below = np.where(laid.flat[:, None], (0.0, 0.0, -1.0), (0.0, s, -c))
        self.nominal = nozzle + laid.planned_height / 2 * below[:, None, :]
        self.planned_width = float(np.median(laid.width))

    def patch(self, jaw: Array, outward: Array, reach: float = REACH) -> Patch | None:
        """The points of the face through `jaw` that the jaw rests on; None if there are none."""
        start, end = self.nominal[:, 0], self.nominal[:, 1]
        run = end - start
        size2 = np.maximum((run**2).sum(axis=1), 1e-12)
        nearest = np.clip(((jaw - start) * run).sum(axis=1) / size2, 0, 1)
        near = start + nearest[:, None] * run
        offset = near - jaw
        along = offset @ outward
        aside = np.sqrt(np.maximum((offset**2).sum(axis=1) - along**2, 0))
        chosen = (aside <= reach) & (np.abs(along) <= 2 * self.planned_width)
        if not chosen.any():
            return None
        # three points of each bead inside the reach of the jaw
        half = reach / np.sqrt(size2[chosen])
        share = np.stack(
            [np.clip(nearest[chosen] + k * half, 0, 1) for k in (-1.0, 0.0, 1.0)], axis=1
        )
        row = np.repeat(np.flatnonzero(chosen), 3)
        share = share.ravel()[:, None]
        nominal = start[row] + share * run[row]
        depth = (jaw - nominal) @ outward
        for least in (0.05 * self.planned_width, -0.02 * self.planned_width):
            inside = (depth > least) & (depth < 1.3 * self.planned_width)
            if inside.any():
                break
        else:
            return None
        inside &= depth <= depth[inside].min() + 0.3 * self.planned_width
        # beads along the face make it; those that only end there count where there are no others
        slant = np.abs(run[row] @ outward) / np.sqrt(size2[row])
        if (inside & (slant < _ALONG_FACE)).any():
            inside &= slant < _ALONG_FACE
        row, share, nominal = row[inside], share[inside], nominal[inside]
        laid, ends = self.laid, self.ends
        true = ends[row, 0] + share * (ends[row, 1] - ends[row, 0])
        wall = math.sqrt(float(size2[row].max()))
        return Patch(
            nominal,
            true,
            laid.width[row],
            laid.height[row],
            laid.normal[row],
            laid.first[row].astype(float),
            self.plastic.stands_out(self.job, jaw, outward, wall, flat=self.flat),
        )

    @property
    def flat(self) -> bool:
        """True for a piece of flat layers alone, laid while the belt ran."""
        return bool(self.laid.flat.all())

    def reach_out(self, patch: Patch, outward: Array) -> Array:
        """How far the plastic stands out beyond each point of `patch` towards `outward`, mm."""
        lift = patch.normal @ outward
        in_plane = np.sqrt(np.maximum(1 - lift**2, 0))
        bead = (patch.width - patch.height) / 2 * in_plane + patch.height / 2
        level = math.sqrt(max(0.0, 1 - float(outward[2]) ** 2))
        grown = float(outward @ self._form @ outward) / 2
        squashed = patch.first * self.plastic.squash / 2 * level
        out: Array = bead + grown + squashed + patch.out
        return out


def growth_form(growth: Growth, angle: float) -> Array:
    """Symmetric matrix G with n.G.n the growth across faces of normal n, (3, 3) mm."""
    c, s = math.cos(angle), math.sin(angle)
    mixed = 0.0
    if abs(c * s) > 1e-6:
        mixed = (growth.gantry - growth.s * c * c - growth.h * s * s) / (2 * c * s)
    return np.array([[growth.x, 0, 0], [0, growth.s, mixed], [0, mixed, growth.h]])


def true_size(surface: Surface, feature: Mapping[str, Any]) -> float:
    """What a perfect caliper would read on the warm piece, mm; lean and sway signed.

    Raises BadInput for a feature without jaws, Refused where the job has no such faces.
    """
    kind = feature.get("kind")
    if kind not in _KINDS:
        raise BadInput(f"no kind of feature {kind!r}; known are {', '.join(_KINDS)}")
    along = np.array(feature["along"], dtype=float)
    jaws = feature.get("jaws")
    if not jaws:
        raise BadInput(f"feature {feature.get('name', kind)!r} has no jaw positions")
    first, second = (np.array(jaw, dtype=float) for jaw in jaws)
    if kind in ("lean", "sway"):
        return _stand_off(surface, first, second, 1 if kind == "lean" else 0)
    direction = along / np.linalg.norm(along)
    if float((second - first) @ direction) < 0:
        first, second = second, first
    between = feature.get("between")
    if between is None:
        between = "faces" if direction_name(direction, surface.angle) else "points"
    if kind == "pitch":
        return _pitch(surface, first, second, direction)
    outward = -direction if kind == "outside" else direction
    if between == "points":
        return _points(surface, first, second, direction)
    patches = (surface.patch(first, outward), surface.patch(second, -outward))
    if patches[0] is None or patches[1] is None:
        raise _not_found(feature)
    return _between(surface, patches[0], patches[1], direction, (outward, -outward))


def _not_found(feature: Mapping[str, Any]) -> Refused:
    return Refused(
        f"the piece on the belt has no faces at the jaws of feature"
        f" {feature.get('name', feature['kind'])!r}",
        remedy="Lay the piece first, or name another one.",
    )


def direction_name(direction: Array, angle: float) -> str:
    """x, s, h or gantry for a unit vector along one of them, else nothing."""
    axes = {
        "x": (1.0, 0.0, 0.0),
        "s": (0.0, 1.0, 0.0),
        "h": (0.0, 0.0, 1.0),
        "gantry": (0.0, math.cos(angle), math.sin(angle)),
    }
    for name, axis in axes.items():
        if abs(abs(float(direction @ np.array(axis))) - 1) < 1e-9:
            return name
    return ""


def _between(
    surface: Surface,
    first: Patch,
    second: Patch,
    direction: Array,
    outward: tuple[Array, Array],
) -> float:
    """Distance of parallel jaws that rest on two faces, mm."""
    normal = _jaw_normal((first, second), direction)
    signs = [math.copysign(1.0, float(side @ direction)) for side in outward]
    places = [
        float(np.mean(patch.true @ normal + sign * surface.reach_out(patch, sign * normal)))
        for patch, sign in zip((first, second), signs, strict=True)
    ]
    return places[1] - places[0]


def _jaw_normal(patches: Sequence[Patch], direction: Array) -> Array:
    """Unit normal of jaws that lie along the faces, close to `direction`.

    Least squares of one normal and one place per face, over the tilts that the faces really set.
    """
    apart = patches[1].true.mean(axis=0) - patches[0].true.mean(axis=0)
    length = abs(float(apart @ direction))
    aside = np.linalg.svd(direction[None, :])[2][1:]  # two unit vectors square to the direction
    centred = [patch.true - patch.true.mean(axis=0) for patch in patches]
    points = np.concatenate(centred)
    flat = points @ aside.T
    _, turn = np.linalg.eigh(flat.T @ flat)
    tilts = []
    for k in range(2):
        axis = turn[:, k] @ aside
        extent = max(float(np.ptp(part @ axis)) for part in centred)
        if extent >= max(_LEAST_FACE, _LEAST_SHARE * length):
            tilts.append(axis)
    if not tilts:
        return direction
    basis = np.array(tilts)
    slopes = np.linalg.lstsq(points @ basis.T, -(points @ direction), rcond=None)[0]
    normal = direction + slopes @ basis
    unit: Array = normal / np.linalg.norm(normal)
    return unit


def _pitch(surface: Surface, first: Array, second: Array, direction: Array) -> float:
    """From one edge to the next edge of the same side, mm."""
    for outward in (direction, -direction):
        a, b = surface.patch(first, outward), surface.patch(second, outward)
        if a is not None and b is not None:
            return _between(surface, a, b, direction, (outward, outward))
    raise _not_found({"kind": "pitch"})


def _points(surface: Surface, first: Array, second: Array, direction: Array) -> float:
    """Between the extreme points of two corners, mm."""
    corners = [
        _corner(surface, jaw, outward)
        for jaw, outward in ((first, -direction), (second, direction))
    ]
    towards = corners[1].true[0] - corners[0].true[0]
    unit = towards / np.linalg.norm(towards)
    out = [
        float(surface.reach_out(corner, sign * unit)[0])
        for corner, sign in zip(corners, (-1.0, 1.0), strict=True)
    ]
    return float(np.linalg.norm(towards)) + sum(out)


def _corner(surface: Surface, jaw: Array, outward: Array) -> Patch:
    """The outermost bead end near a corner."""
    laid = surface.laid
    ends = surface.nominal.reshape(-1, 3)
    near = np.flatnonzero(((ends - jaw) ** 2).sum(axis=1) <= (3 * surface.planned_width) ** 2)
    if not near.size:
        raise _not_found({"kind": "outside", "name": "corner"})
    index = near[int(np.argmax(ends[near] @ outward))]
    row, side = divmod(int(index), 2)
    return Patch(
        ends[[index]],
        surface.ends[[row], side],
        laid.width[[row]],
        laid.height[[row]],
        laid.normal[[row]],
        laid.first[[row]].astype(float),
        surface.plastic.corner,
    )


def _stand_off(surface: Surface, foot: Array, top: Array, axis: int) -> float:
    """How far the top of an upright face stands off its foot along `axis`, signed, mm."""
    if top[2] < foot[2]:
        foot, top = top, foot
    unit = np.zeros(3)
    unit[axis] = 1.0
    reach = min(REACH, 0.45 * float(top[2] - foot[2]))
    for outward in (unit, -unit):
        low, high = (surface.patch(jaw, outward, reach) for jaw in (foot, top))
        if low is None or high is None:
            continue
        places = _level_places(surface, (low, high), (foot, top), axis, outward)
        return places[1] - places[0]
    raise _not_found({"kind": "lean" if axis else "sway"})


def _level_places(
    surface: Surface,
    patches: tuple[Patch, Patch],
    jaws: tuple[Array, Array],
    axis: int,
    outward: Array,
) -> tuple[float, float]:
    """Where the face stands at the two jaws' own marks on it: one slope, two places."""
    sign = float(outward[axis])
    aside = [k for k in range(3) if k != axis]
    rows, values = [], []
    for number, (patch, jaw) in enumerate(zip(patches, jaws, strict=True)):
        away = (patch.nominal - jaw)[:, aside]
        place = np.zeros((len(away), 2))
        place[:, number] = 1.0
        rows.append(np.hstack((place, away)))
        values.append(patch.true[:, axis] + sign * surface.reach_out(patch, outward))
    fit = np.linalg.lstsq(np.concatenate(rows), np.concatenate(values), rcond=None)[0]
    return float(fit[0]), float(fit[1])
