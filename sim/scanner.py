"""A flatbed scanner, and a laid flat piece on its glass beside two steel rules.

Whatever lies on the glass is a list of shapes in millimetres of the glass.  Each pixel looks at
the place where the scanner's faults really put it; the edges of a shape are smooth over one
pixel, so that a straight edge keeps its place to a small part of a pixel.  Then come shadows,
uneven light, blur, noise, dust and the usual transfer curve of 8-bit images (IEC 61966-2-1).

The glass has u across (along the sensor line, growing with the columns) and v along (the way the
carriage runs, growing with the rows).  Shares nothing with the reading of scans.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import numpy.typing as npt

from agent.errors import BadInput, Refused
from sim.caliper import Patch, Surface
from sim.machine import SimulatedMachine

Array = npt.NDArray[np.float64]
Picture = npt.NDArray[np.float32]

#: Size of the glass across and along, mm (ISO 216 A4 and a little more).
GLASS = (216.0, 297.0)

#: Beads further apart than this belong to different things, mm.
_APART = 3.0

#: Beads are drawn in pieces of this length, mm.
_SHORT = 12.0

#: Reflectance (linear) of the lid or the sheet behind, the piece, the steel and its marks.
_STEEL, _MARK = 0.45, 0.03

#: The piece lies this far from the rim of the glass, and the rules from the piece, mm.
_MARGIN, _CLEAR = 4.0, 2.5


@dataclass(frozen=True, slots=True)
class Plan:
    """Beads of a flat piece as seen from above, n of them, mm, cold."""

    ends: Array  #: (n, 2, 2): both ends as (x, s)
    reach: Array  #: (n, 2): how far the plastic stands out of the centre line along x and s


@dataclass(frozen=True, slots=True)
class Rule:
    """A steel rule of ours with a mark for each millimetre, from one edge inward.

    Every fifth mark is longer, every tenth longer still.  A mark stands off its place by an error
    of its own and by one that grows smoothly along the rule, together within 0.02 mm.
    """

    length: float  #: graduated, mm
    width: float = 15.0
    marks: float = 0.18  #: width of a mark, mm
    errors: tuple[float, ...] = ()  #: of each mark, mm
    askew: float = 0.0  #: marks against the square to the edge, rad

    @classmethod
    def drawn(cls, length: float, rng: np.random.Generator, width: float = 15.0) -> Rule:
        t = np.arange(math.floor(length) + 1)
        smooth = (
            0.01
            * rng.uniform(-1, 1)
            * np.sin(2 * math.pi * t / (length * rng.uniform(0.8, 3)) + rng.uniform(0, 7))
        )
        own = rng.uniform(-0.01, 0.01, len(t))
        askew = math.radians(0.02) * float(rng.standard_normal())
        return cls(length, width, errors=tuple(smooth + own), askew=askew)


@dataclass(frozen=True, slots=True)
class Faults:
    """What one scanner does wrong, and how this scan was taken."""

    scale_u: float = 0.0  #: relative, across
    scale_v: float = 0.0  #: relative, along
    askew: float = 0.0  #: the carriage against the square to the sensor line, rad
    bow_u: float = 0.0  #: greatest stretch of the middle across, mm
    bow_v: float = 0.0  #: how far the middle of the sensor line runs ahead, mm
    wobble: tuple[tuple[float, float, float], ...] = ()  #: of the carriage: mm, period mm, phase
    blur_mm: float = 0.0  #: standard deviation
    noise: float = 0.0  #: standard deviation, of the full range in the 8-bit image
    uneven: float = 0.0  #: share by which the light falls off towards the ends
    shadow: float = 0.0  #: share of the light that is missing right behind an edge
    shadow_mm: float = 0.4  #: over which it comes back
    dust: int = 0  #: specks
    shine: float = 0.0  #: strength of a reflection across the piece, 0: none


def usual(rng: np.random.Generator) -> Faults:
    """A sound office scanner: sizes as common practice has them."""
    return Faults(
        scale_u=float(rng.normal(0, 0.001)),
        scale_v=float(rng.normal(0, 0.001)),
        askew=math.radians(float(rng.normal(0, 0.1))),
        bow_u=float(rng.normal(0, 0.05)),
        bow_v=float(rng.normal(0, 0.05)),
        wobble=(
            (float(rng.uniform(0.01, 0.05)), float(rng.uniform(25, 70)), float(rng.uniform(0, 7))),
            (float(rng.uniform(0.0, 0.02)), float(rng.uniform(10, 25)), float(rng.uniform(0, 7))),
            (float(rng.uniform(0.0, 0.003)), float(rng.uniform(2, 4)), float(rng.uniform(0, 7))),
        ),
        blur_mm=float(rng.uniform(0.03, 0.07)),
        noise=float(rng.uniform(0.004, 0.012)),
        uneven=float(rng.uniform(0.0, 0.12)),
        shadow=float(rng.uniform(0.1, 0.5)),
        shadow_mm=float(rng.uniform(0.15, 0.5)),
        dust=int(rng.integers(20, 150)),
    )


Side = Literal["belt side", "marked side"]


@dataclass(frozen=True, slots=True)
class Lying:
    """How things lie on the glass; angles in degrees, counted from the glass's own axes."""

    side: Side = "belt side"  #: that lies on the glass
    turned: int = 0  #: quarter turns of the piece
    piece_deg: float = 0.0
    along_deg: float = 0.0  #: rule along
    across_deg: float = 0.0
    dark_behind: bool = False  #: a dark sheet behind the piece instead of the white lid
    piece_level: float = 0.12  #: reflectance of the plastic
    rules: tuple[str, ...] = ("along", "across")


def lying(rng: np.random.Generator) -> Lying:
    """Laid down by hand: straight to two degrees, either end first."""
    dark = bool(rng.integers(0, 2))
    return Lying(
        turned=2 * int(rng.integers(0, 2)),
        piece_deg=float(rng.uniform(-2, 2)),
        along_deg=float(rng.uniform(-2, 2)),
        across_deg=float(rng.uniform(-2, 2)),
        dark_behind=dark,
        piece_level=float(rng.uniform(0.35, 0.8) if dark else rng.uniform(0.04, 0.25)),
    )


# --- what lies on the glass ----------------------------------------------------------------------


def plan_of(surface: Surface) -> Plan:
    """The piece of a job from above, without the line that primed the nozzle.

    Where faces stand out more or less than a bead is wide, the outermost bead is wider or
    narrower, and what is still missing the two outermost rows lie further out or in.
    """
    kept = _one_piece(surface)
    laid = surface.laid
    nominal = surface.nominal[kept][:, :, :2]
    whole = Patch(
        surface.nominal[kept].mean(axis=1),
        surface.ends[kept].mean(axis=1),
        laid.width[kept],
        laid.height[kept],
        laid.normal[kept],
        laid.first[kept].astype(float),
        0.0,
    )
    out = np.stack(
        [
            (surface.reach_out(whole, unit) + surface.reach_out(whole, -unit)) / 2
            for unit in np.eye(3)[:2]
        ],
        axis=1,
    )
    half = np.repeat(laid.width[kept][:, None] / 2, 2, axis=1)
    straight = surface.ends[kept][:, :, :2]
    run = np.abs(nominal[:, 1] - nominal[:, 0])
    across = np.argmin(run, axis=1)  # the axis a bead shows its flank to
    side, row = _outer_side(nominal, across, surface.planned_width)
    out[np.arange(len(side)), across] += _strays(surface, nominal, across, side * (row == 1))
    flank = np.arange(len(side)), across
    # the outermost bead is so much wider or narrower, as far as a bead can be
    outermost = np.where((row == 1)[:, None], np.clip(out, 0.4 * half, 1.6 * half), half)
    ends = straight + _shift(nominal, across, side * (out - outermost)[flank])
    # behind a narrow one lies the rest of its plastic: the same bead, whole, and further in
    narrow = (row == 1) & (out[flank] < half[flank])
    inner = straight + _shift(nominal, across, side * np.minimum(out - half, 0.0)[flank])
    left = 1 - surface.plastic.shrink
    return Plan(
        left * np.concatenate((ends, inner[narrow])),
        left * np.concatenate((outermost, half[narrow])),
    )


def _shift(nominal: Array, across: npt.NDArray[np.intp], moved: Array) -> Array:
    """(n, 2, 2) shift of beads' ends where flanks move: a corner goes with both its beads."""
    places, which = np.unique(np.round(nominal.reshape(-1, 2), 2), axis=0, return_inverse=True)
    at_place = np.zeros((len(places), 2))
    for bead, axis in enumerate(across):
        for end in which.reshape(-1, 2)[bead]:
            if abs(moved[bead]) > abs(at_place[end, axis]):
                at_place[end, axis] = moved[bead]
    shift: Array = at_place[which.reshape(-1, 2)]
    return shift


def _strays(surface: Surface, nominal: Array, across: npt.NDArray[np.intp], side: Array) -> Array:
    """(n,) how far single faces stand out of what beads of their kind do; 0 for inner beads."""
    stray = np.zeros(len(side))
    for bead in np.flatnonzero(side):
        outward = np.zeros(3)
        outward[across[bead]] = side[bead]
        a, b = nominal[bead]
        middle = np.array([*(a + b) / 2, 0.0])
        wall = float(np.linalg.norm(b - a))
        stray[bead] = surface.plastic.stands_out(surface.job, middle, outward, wall, flat=True)
    return stray


def _one_piece(surface: Surface) -> npt.NDArray[np.intp]:
    """The beads of the largest thing that hangs together along the belt."""
    if not len(surface.laid.width):
        raise Refused("nothing has been laid yet", remedy="Lay the piece first.")
    s = surface.nominal[:, :, 1]
    order = np.argsort(s.min(axis=1))
    top = np.maximum.accumulate(s.max(axis=1)[order])
    breaks = np.flatnonzero(s.min(axis=1)[order][1:] > top[:-1] + _APART) + 1
    return np.sort(max(np.split(order, breaks), key=len))


def _outer_side(
    nominal: Array, across: npt.NDArray[np.intp], width: float
) -> tuple[Array, npt.NDArray[np.intp]]:
    """(n,) -1 or +1 where a bead is one of the two outermost on that side, else 0; and which."""
    middle = nominal.mean(axis=1)
    start, run = nominal[:, 0], nominal[:, 1] - nominal[:, 0]
    size2 = np.maximum((run**2).sum(axis=1), 1e-9)

    def free(places: Array) -> npt.NDArray[np.bool_]:
        apart = places[:, None, :] - start[None, :, :]
        share = np.clip((apart * run).sum(axis=2) / size2, 0, 1)
        away = np.linalg.norm(apart - share[:, :, None] * run, axis=2)
        clear: npt.NDArray[np.bool_] = away.min(axis=1) > 0.6 * width
        return clear

    unit = np.eye(2)[across]
    side, row = np.zeros(len(middle)), np.zeros(len(middle), dtype=np.intp)
    for number in (1, 2):
        for sign in (-1.0, 1.0):
            out = free(middle + sign * (number * 0.95 * width + 0.05) * unit) & (row == 0)
            side, row = np.where(out, sign, side), np.where(out, number, row)
    # a line with nothing on either side stays where it is
    both = free(middle + width * unit) & free(middle - width * unit)
    return np.where(both, 0.0, side), np.where(both, 0, row)


@dataclass(frozen=True, slots=True)
class LaidRule:
    """A rule on the glass, its graduated edge towards the piece."""

    rule: Rule
    zero: tuple[float, float]  #: (u, v) of its zero on the graduated edge, mm
    angle: float  #: direction of the graduations from u towards v, rad
    hand: float  #: +1 if the steel lies on the side to which u turns towards v, else -1

    def at(self, t: float, w: float) -> tuple[float, float]:
        """(u, v) of a place t along the rule and w inward from its graduated edge."""
        c, s = math.cos(self.angle), math.sin(self.angle)
        across = w * self.hand
        return self.zero[0] + t * c - across * s, self.zero[1] + t * s + across * c

    def own(self, u: Array, v: Array) -> tuple[Array, Array]:
        """The other way: (t, w) of places (u, v)."""
        c, s = math.cos(self.angle), math.sin(self.angle)
        u, v = u - self.zero[0], v - self.zero[1]
        return c * u + s * v, self.hand * (c * v - s * u)


@dataclass
class Scene:
    """Shapes on the glass, and what lies behind them."""

    plan: Plan | None
    rules: list[LaidRule] = field(default_factory=list)
    place: tuple[float, float] = (0.0, 0.0)  #: (u, v) of the middle of the piece
    turn: float = 0.0  #: of the piece, rad
    from_below: bool = True
    lying: Lying = field(default_factory=Lying)


def set_out(plan: Plan | None, how: Lying, rng: np.random.Generator) -> Scene:
    """Lay piece and rules on the glass: the piece in a corner, rules along the free sides."""
    # rules lie less aslant where the glass has no room for it
    scene = Scene(
        plan,
        turn=math.radians(90 * how.turned + how.piece_deg),
        from_below=how.side == "belt side",
        lying=how,
    )
    size = np.zeros(2)
    if plan is not None:
        points = _turned(plan.ends.reshape(-1, 2), scene)
        low, high = points.min(axis=0) - 0.5, points.max(axis=0) + 0.5
        size = high - low
        scene.place = (float(_MARGIN - low[0]), float(_MARGIN - low[1]))
        for room, taken, way in zip(GLASS, size, ("across", "along"), strict=True):
            need = taken + _MARGIN + _CLEAR + (16.0 if way == "across" else 11.0)
            if need > room:
                raise Refused(
                    f"the piece and a rule want {need:.0f} mm {way} the glass, which has {room:g}",
                    remedy="Lay a smaller one: 'lay strip --size plate-along=60'",
                )
    if "along" in how.rules:
        length, width = GLASS[1] - 6.0, 15.0
        most = max(0.0, GLASS[0] - size[0] - _MARGIN - _CLEAR - width)
        lean = float(np.clip(length * math.tan(math.radians(how.along_deg)), -most, most))
        zero = (size[0] + _MARGIN + _CLEAR + max(0.0, lean), 3.0)
        rule = Rule.drawn(length, rng, width)
        scene.rules.append(LaidRule(rule, zero, math.pi / 2 + math.atan(lean / length), -1.0))
    if "across" in how.rules:
        # it ends short of the rule along
        length, width = min(GLASS[0] - 30.0, max(size[0] + _MARGIN + _CLEAR - 6.0, 60.0)), 10.0
        most = max(0.0, GLASS[1] - size[1] - _MARGIN - _CLEAR - width)
        drop = float(np.clip(length * math.tan(math.radians(how.across_deg)), -most, most))
        zero = (3.0, size[1] + _MARGIN + _CLEAR + max(0.0, -drop))
        rule = Rule.drawn(length, rng, width)
        scene.rules.append(LaidRule(rule, zero, math.atan(drop / length), 1.0))
    return scene


def _turned(points: Array, scene: Scene) -> Array:
    """Points (x, s) of the piece as (u, v), turned but not yet moved to their place.

    Seen from above with v downward, u is x and v is -s; from below u is -x.
    """
    u = (-1.0 if scene.from_below else 1.0) * points[..., 0]
    v = -points[..., 1]
    c, s = math.cos(scene.turn), math.sin(scene.turn)
    return np.stack((c * u - s * v, s * u + c * v), axis=-1)


# --- the scan ------------------------------------------------------------------------------------


class _Glass:
    """Where each pixel looks, as far as its row and its column say."""

    def __init__(self, faults: Faults, dpi: float) -> None:
        self.pixel = 25.4 / dpi
        self.columns = round(GLASS[0] / self.pixel)
        self.rows = round(GLASS[1] / self.pixel)
        u = (np.arange(self.columns) + 0.5) * self.pixel
        v = (np.arange(self.rows) + 0.5) * self.pixel
        middle = (u - GLASS[0] / 2) / (GLASS[0] / 2)
        self.u_of_column = u * (1 + faults.scale_u) + faults.bow_u * (middle - middle**3) * 2.598
        self.u_of_row = math.tan(faults.askew) * v
        sway = sum(
            (a * np.sin(2 * math.pi * v / period + phase) for a, period, phase in faults.wobble),
            np.zeros_like(v),
        )
        self.v_of_row = v * (1 + faults.scale_v) + sway
        self.v_of_column = faults.bow_v * (1 - middle**2)

    def window(self, low: Array, high: Array) -> tuple[slice, slice] | None:
        """Rows and columns that see the rectangle from `low` to `high` (u, v)."""
        slack = 1.0
        column = np.searchsorted(self.u_of_column, (low[0] - slack, high[0] + slack))
        row = np.searchsorted(self.v_of_row, (low[1] - slack, high[1] + slack))
        if column[0] >= column[1] or row[0] >= row[1]:
            return None
        return slice(int(row[0]), int(row[1])), slice(int(column[0]), int(column[1]))

    def seen(self, rows: slice, columns: slice) -> tuple[Array, Array]:
        u = self.u_of_column[columns][None, :] + self.u_of_row[rows][:, None]
        v = self.v_of_row[rows][:, None] + self.v_of_column[columns][None, :]
        return u, v


def scan(
    scene: Scene, faults: Faults, dpi: float, rng: np.random.Generator
) -> npt.NDArray[np.uint8]:
    """The 8-bit grey image that the scanner makes of a scene, rows by columns."""
    from scipy.ndimage import gaussian_filter

    if not 50 <= dpi <= 2400:
        raise BadInput(f"a scanner makes 50 to 2400 dots per inch, not {dpi:g}")
    glass = _Glass(faults, dpi)
    behind = 0.035 if scene.lying.dark_behind else 0.8
    image = np.full((glass.rows, glass.columns), behind, dtype=np.float32)
    covered = np.zeros_like(image)
    layers: list[tuple[tuple[slice, slice], Picture, Picture]] = []
    if scene.plan is not None:
        cover = _piece_cover(scene, glass)
        whole = (slice(None), slice(None))
        layers.append((whole, cover, _plastic(cover, scene, faults, rng)))
        covered = np.maximum(covered, cover)
    for rule in scene.rules:
        drawn = _rule_cover(rule, glass)
        if drawn is not None:
            where, cover, level = drawn
            layers.append((where, cover, level))
            covered[where] = np.maximum(covered[where], cover)
    if faults.shadow:
        image *= 1 - faults.shadow * _shadow(covered, glass.pixel, faults.shadow_mm)
    for where, cover, level in layers:
        image[where] += cover * (level - image[where])
    _dust(image, faults.dust, glass.pixel, rng)
    if faults.blur_mm:
        image = gaussian_filter(image, faults.blur_mm / glass.pixel, truncate=3.5)
    if faults.uneven:
        ends = np.linspace(-1, 1, glass.columns, dtype=np.float32)
        image *= (1 - faults.uneven * ends**2)[None, :]
        image *= 1 - 0.3 * faults.uneven * np.linspace(0, 1, glass.rows, dtype=np.float32)[:, None]
    return _encoded(image, faults.noise, rng)


def _encoded(image: Picture, noise: float, rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """8-bit values by the transfer curve of sRGB, noise added."""
    steps = np.linspace(0, 1, 4096)
    curve = np.where(steps <= 0.0031308, 12.92 * steps, 1.055 * steps ** (1 / 2.4) - 0.055)
    value = curve.astype(np.float32)[(np.clip(image, 0, 1) * 4095).astype(np.int16)]
    if noise:
        value += np.float32(noise) * rng.standard_normal(value.shape, dtype=np.float32)
    encoded: npt.NDArray[np.uint8] = np.clip(value * 255 + 0.5, 0, 255).astype(np.uint8)
    return encoded


def _piece_cover(scene: Scene, glass: _Glass) -> Picture:
    """Share of each pixel that the piece covers: the union of its beads."""
    assert scene.plan is not None
    inside = np.full((glass.rows, glass.columns), -9.0, dtype=np.float32)
    place = np.array(scene.place)
    c, s = math.cos(scene.turn), math.sin(scene.turn)
    mirror = -1.0 if scene.from_below else 1.0
    own_ends, reaches = _shortened(scene.plan)
    ends = _turned(own_ends, scene) + place
    for (a, b), own, reach in zip(ends, own_ends, reaches, strict=True):
        margin = float(reach.max()) + 2 * glass.pixel
        where = glass.window(np.minimum(a, b) - margin, np.maximum(a, b) + margin)
        if where is None:
            continue
        u, v = glass.seen(*where)
        u, v = u - place[0], v - place[1]
        # back into the piece's own x and s, in units of the bead's reach
        x = mirror * (c * u + s * v) / reach[0]
        along = -(-s * u + c * v) / reach[1]
        p, q = own[0] / reach, own[1] / reach
        run = q - p
        size2 = float(run @ run) or 1.0
        t = np.clip(((x - p[0]) * run[0] + (along - p[1]) * run[1]) / size2, 0, 1)
        dx, ds = x - p[0] - t * run[0], along - p[1] - t * run[1]
        r = np.maximum(np.hypot(dx, ds), 1e-6)
        slope = np.hypot(dx / r / reach[0], ds / r / reach[1])
        spot = inside[where]
        np.maximum(spot, ((1 - r) / slope).astype(np.float32), out=spot)
    cover: Picture = np.clip(inside / np.float32(glass.pixel) + np.float32(0.5), 0, 1)
    return cover


def _shortened(plan: Plan) -> tuple[Array, Array]:
    """The same beads in pieces that are short, so that few pixels are looked at for each."""
    length = np.linalg.norm(plan.ends[:, 1] - plan.ends[:, 0], axis=1)
    parts = np.maximum(1, np.ceil(length / _SHORT).astype(np.int64))
    bead = np.repeat(np.arange(len(parts)), parts)
    first = np.concatenate(([0], np.cumsum(parts)[:-1]))
    share = (np.arange(len(bead)) - first[bead])[:, None] / parts[bead][:, None]
    step = (plan.ends[bead, 1] - plan.ends[bead, 0]) / parts[bead][:, None]
    start = plan.ends[bead, 0] + share * (plan.ends[bead, 1] - plan.ends[bead, 0])
    return np.stack((start, start + step), axis=1), plan.reach[bead]


def _plastic(cover: Picture, scene: Scene, faults: Faults, rng: np.random.Generator) -> Picture:
    """How bright the plastic is: its own level, and where the lamp shines back from it."""
    level = np.full_like(cover, scene.lying.piece_level)
    if faults.shine:
        rows = np.flatnonzero(cover.any(axis=1))
        at = rng.uniform(rows[0], rows[-1])
        wide = 0.08 * (rows[-1] - rows[0])
        bright = np.exp(-(((np.arange(len(cover)) - at) / wide) ** 2)).astype(np.float32)
        level += np.float32(faults.shine) * bright[:, None]
    return level


def _rule_cover(
    laid: LaidRule, glass: _Glass
) -> tuple[tuple[slice, slice], Picture, Picture] | None:
    """Where a rule lies, how much of each pixel it covers, and how bright it is there."""
    rule, start, end = laid.rule, -2.0, laid.rule.length + 2.0
    corners = np.array([laid.at(t, w) for t in (start, end) for w in (0.0, rule.width)])
    where = glass.window(corners.min(axis=0), corners.max(axis=0))
    if where is None:
        return None
    t, w = laid.own(*glass.seen(*where))
    soft = glass.pixel

    def within(value: Array, low: Array | float, high: Array | float) -> Array:
        rise, fall = (value - low) / soft + 0.5, (high - value) / soft + 0.5
        inside: Array = np.clip(rise, 0, 1) * np.clip(fall, 0, 1)
        return inside

    cover = within(t, start, end) * within(w, 0.0, rule.width)
    square = t - rule.askew * w
    number = np.clip(np.round(square), 0, len(rule.errors) - 1).astype(np.int64)
    off = square - number - np.array(rule.errors)[number]
    length = np.where(number % 10 == 0, 8.0, np.where(number % 5 == 0, 6.0, 4.0))
    ink = within(off, -rule.marks / 2, rule.marks / 2) * within(w, -1.0, length)
    level = _STEEL + (_MARK - _STEEL) * ink
    return where, cover.astype(np.float32), level.astype(np.float32)


def _shadow(covered: Picture, pixel: float, reach: float) -> Picture:
    """What is missing of the light behind edges, 0 to 1: the lamp stands on one side."""
    fade = np.float32(math.exp(-pixel / reach))
    shadow = np.empty_like(covered)
    line = np.zeros(covered.shape[1], dtype=np.float32)
    for row, cover in enumerate(covered):
        shadow[row] = line
        # what covers a pixel in part throws no shadow on the rest of it
        line = np.where(cover > 0.98, np.float32(1), line) * fade
    return shadow


def _dust(image: Picture, count: int, pixel: float, rng: np.random.Generator) -> None:
    """Specks and fibres, dark or bright."""
    rows, columns = image.shape
    for _ in range(count):
        row, column = int(rng.integers(0, rows)), int(rng.integers(0, columns))
        if rng.random() < 0.2:  # a fibre
            length, angle = rng.uniform(0.5, 2.5) / pixel, rng.uniform(0, math.pi)
            t = np.arange(0, length, 0.5)
            r = np.clip((row + t * math.sin(angle)).astype(int), 0, rows - 1)
            c = np.clip((column + t * math.cos(angle)).astype(int), 0, columns - 1)
            image[r, c] = rng.uniform(0, 0.9)
            continue
        radius = rng.uniform(0.03, 0.15) / pixel
        k = math.ceil(radius) + 1
        low_r, low_c = max(0, row - k), max(0, column - k)
        spot = image[low_r : row + k + 1, low_c : column + k + 1]
        r, c = np.ogrid[: spot.shape[0], : spot.shape[1]]
        cover = np.clip(radius - np.hypot(r + low_r - row, c + low_c - column) + 0.5, 0, 1)
        spot += (cover * (rng.uniform(0, 0.9) - spot)).astype(np.float32)


def scan_to_file(
    machine: SimulatedMachine, piece: str, path: Path, dpi: float, seed: int = 0
) -> None:
    """Scan a laid piece with a usual scanner, as it is laid down by hand; PNG or TIFF."""
    from PIL import Image

    rng = np.random.default_rng(seed)
    plan = plan_of(machine.surface(piece))
    image = scan(set_out(plan, lying(rng), rng), usual(rng), dpi, rng)
    Image.fromarray(image).save(path, dpi=(dpi, dpi))
