"""Machines that are off, and what a perfect caliper finds on the pieces they print.

Own derivation, for n machines at once.  The carriage stands where its three axes brought it:

    place = across * a + gantry * b + belt * c

a, b, c being unit directions times what one commanded millimetre really is.  Before the gantry is
leant, a = (cos eps, sin eps, 0) and b = (0, 1, 0) lie flat; the gantry then leans by its true angle
about x, rolls by rho about s and yaws by psi about h, each a right-handed turn about a unit axis
(Rodrigues' formula).  The belt runs along s by definition.  Faces are found from two vectors that
lie in them: their cross product is the normal the jaws take.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cache

import numpy as np
import numpy.typing as npt

from agent.model.feature import Feature
from agent.model.profile import Profile
from agent.pieces import PIECES, move_over, travel_features
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile

Array = npt.NDArray[np.float64]

STANDARD = ("strip", "post", "block")
MOVES = "moves"
REPEATS = 5

#: Scatter of a re-seated caliper and of a length gauge, mm; display step, mm.
READING_SD = 0.015
GAUGE_U = 0.05

DIRECTIONS = ("x", "s", "h", "gantry", "diagonal")
X, S, H = np.eye(3)


@cache
def profile() -> Profile:
    return load_profile(ready_profiles() / "heron.yaml")


@dataclass(frozen=True)
class Task:
    """The features to read, in order, as arrays (r = number of features)."""

    features: tuple[Feature, ...]
    pieces: tuple[str, ...]
    v: Array  #: (r, 3) nominal, x s h, mm
    size: Array  #: (r,) its length
    jaws: Array  #: (r, 2, 3) nominal contact points; a move: from nothing to v
    direction: tuple[str, ...]  #: of DIRECTIONS, by which the hand and the plastic are alike
    how: tuple[str, ...]  #: faces, edges, points, along s, along x
    minute: Array  #: (r,) at which it is read, after its piece's first reading
    faces: tuple[tuple[str, str], ...]  #: names of the two faces; equal names are the same face

    @property
    def turned(self) -> Array:
        """(r,) -1 for readings with the square turned round, from the opposite face; else 1."""
        return np.array([-1.0 if f.side == "opposite" else 1.0 for f in self.features])

    def of(self, *kinds: str) -> Array:
        """(r,) 1 for readings of these kinds."""
        return np.array([float(f.kind in kinds) for f in self.features])

    def on(self, *pieces: str) -> Array:
        """(r,) 1 for readings on these pieces."""
        return np.array([float(p in pieces) for p in self.pieces])

    def along(self, *directions: str) -> Array:
        """(r,) 1 for readings in these directions."""
        return np.array([float(d in directions) for d in self.direction])

    @property
    def outwards(self) -> Array:
        """(r, 2): how a face that stands out by 1 mm changes the reading, for its two faces."""
        signs = {"outside": (1, 1), "inside": (-1, -1), "pitch": (1, -1), "travel": (0, 0)}
        return np.array([signs.get(f.kind, (1, -1)) for f in self.features], dtype=float)


#: Minutes for one value: put on, read, type.
VALUE_MINUTES = 0.15


@cache
def standard(*, thorough: bool = False) -> Task:
    """The standard pieces with their features from the usual side, and one move of each axis.

    thorough  lean from the opposite face too, and each move over half its length too.
    """
    laid = [
        (name, f)
        for name in STANDARD
        for f in PIECES[name](profile()).features
        if thorough or f.side is None
    ]
    moves = travel_features(profile())
    laid += [(MOVES, f) for f in moves]
    if thorough:
        laid += [(MOVES, move_over(f, round(math.hypot(*f.along) / 2, 2))) for f in moves]
    theta = profile().mechanics.gantry_angle
    features = tuple(f for _, f in laid)
    pieces = tuple(name for name, _ in laid)
    order = [pieces[:i].count(name) for i, name in enumerate(pieces)]
    v = np.array([f.along for f in features])
    return Task(
        features=features,
        pieces=pieces,
        v=v,
        size=np.linalg.norm(v, axis=1),
        jaws=np.array([f.jaws or ((0.0, 0.0, 0.0), f.along) for f in features]),
        direction=tuple(_direction(f, theta) for f in features),
        how=tuple(_how(f, theta) for f in features),
        minute=np.array(order) * REPEATS * VALUE_MINUTES,
        faces=tuple(_faces(name, f) for name, f in laid),
    )


def _direction(feature: Feature, theta: float) -> str:
    """The direction a reading is taken in; lean is read along s, sway along x."""
    if feature.kind in ("lean", "sway"):
        return "s" if feature.kind == "lean" else "x"
    unit = np.array(feature.along) / np.linalg.norm(feature.along)
    for name, axis in (
        ("x", X),
        ("s", S),
        ("h", H),
        ("gantry", np.array([0, math.cos(theta), math.sin(theta)])),
    ):
        if abs(abs(float(unit @ axis)) - 1) < 1e-9:
            return name
    return "diagonal"


def _how(feature: Feature, theta: float) -> str:
    if feature.kind in ("lean", "sway"):
        return "along s" if feature.kind == "lean" else "along x"
    if feature.kind == "travel":
        return "points"
    return feature.between or ("points" if _direction(feature, theta) == "diagonal" else "faces")


def _faces(piece: str, feature: Feature) -> tuple[str, str]:
    places = feature.jaws or ((0.0, 0.0, 0.0), feature.along)
    across = _direction(feature, profile().mechanics.gantry_angle)
    first, second = (f"{piece} {across} " + " ".join(f"{x:.1f}" for x in place) for place in places)
    return first, second


@dataclass
class Machines:
    """n machines: what is true of them."""

    ex: Array
    ey: Array
    ez: Array
    delta: Array  #: rad, as are the next three
    psi: Array
    rho: Array
    eps: Array
    shrink: Array
    offset: dict[str, Array]  #: by direction, mm: how much parts grow whatever their size
    zero: Array  #: of the caliper, mm

    @property
    def count(self) -> int:
        return len(self.ex)

    @classmethod
    def drawn(cls, count: int, rng: np.random.Generator) -> Machines:
        """As the profile says that such machines are."""
        machine, priors = profile(), profile().priors

        def normal(u: float) -> Array:
            return u * rng.standard_normal(count)

        scale = priors.scale_percent / 100
        angles = (priors.angle_deg, priors.yaw_deg, priors.roll_deg, priors.rail_deg)
        delta, psi, rho, eps = (normal(math.radians(u)) for u in angles)
        return cls(
            ex=normal(scale),
            ey=normal(scale),
            ez=normal(scale),
            delta=delta,
            psi=psi,
            rho=rho,
            eps=eps,
            shrink=machine.material.shrink_percent / 100
            + normal(machine.material.shrink_u_percent / 100),
            offset={name: normal(priors.offset_mm) for name in DIRECTIONS},
            zero=machine.instrument.limit_mm(150) * rng.uniform(-1, 1, count),
        )


@dataclass
class Draft:
    """What n technicians read on n machines, as it comes about.  Effects change it in place."""

    machines: Machines
    task: Task
    rng: np.random.Generator
    reading_sd: float = READING_SD
    heavy_tails: bool = False
    gauge_sd: float = GAUGE_U
    resolution: float = field(default_factory=lambda: profile().instrument.resolution_mm)
    copied: bool = False  #: one value typed for all repeats
    stated: dict[str, float] = field(default_factory=dict)  #: what is said otherwise than true

    def __post_init__(self) -> None:
        n, r = self.machines.count, len(self.task.features)
        self.sliced = np.zeros(n)  #: how far the pieces' slicing angle is from the stated one, rad
        self.belt = np.zeros((n, r))  #: belt's scale beyond `ez`, by reading
        self.shrink = np.zeros((n, 3))  #: beyond the material's own, along x s h
        self.longer = np.zeros((n, r))  #: relative, on a printed reading
        self.more = np.zeros((n, r))  #: mm on a reading, all its values alike
        self.each = np.zeros((n, r, REPEATS))  #: mm, value by value

    @property
    def shape(self) -> tuple[int, int]:
        return self.machines.count, len(self.task.features)

    def sign(self) -> Array:
        """(n, 1): +1 or -1 for each machine."""
        return self.rng.choice((-1.0, 1.0), (self.machines.count, 1))

    def normal(self, *shape: int) -> Array:
        return self.rng.standard_normal((self.machines.count, *shape))

    @property
    def by_caliper(self) -> Array:
        """(r,) 1 where the caliper is used."""
        return 1 - self.task.of("travel", "gap")


def turned(v: Array, axis: Array, angle: Array) -> Array:
    """v (n, 3) turned right-handed about the unit `axis` by `angle` (n,): Rodrigues' formula."""
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    along = (v @ axis)[:, None] * axis
    return v * cos + np.cross(axis, v) * sin + along * (1 - cos)


def placed(draft: Draft, v: Array) -> Array:
    """Where nominal vectors v (r, 3) really lead, (n, r, 3) mm, on a part that has not shrunk."""
    m, theta = draft.machines, profile().mechanics.gantry_angle
    flat = np.zeros(m.count)
    a = np.stack((np.cos(m.eps), np.sin(m.eps), flat), axis=1)
    b = np.stack((flat, flat + 1, flat), axis=1)
    for axis, angle in ((X, theta + m.delta), (S, m.rho), (H, m.psi)):
        a, b = turned(a, axis, angle), turned(b, axis, angle)
    # moves know no slicing
    angle = theta + draft.sliced[:, None] * (draft.task.of("travel") == 0)
    across, gantry = v[:, 0], v[:, 2] / np.sin(angle)
    belt = v[:, 1] - v[:, 2] / np.tan(angle)
    return np.asarray(
        (across * (1 + m.ex)[:, None])[:, :, None] * a[:, None, :]
        + (gantry * (1 + m.ey)[:, None])[:, :, None] * b[:, None, :]
        + (belt * (1 + m.ez[:, None] + draft.belt))[:, :, None] * S
    )


def exact(draft: Draft) -> Array:
    """Readings (n, r) of perfect instruments in perfect hands, mm, offsets of the plastic in."""
    task = draft.task
    printed = 1 - task.of("travel", "gap")
    left = 1 - printed[:, None] * (draft.machines.shrink[:, None, None] + draft.shrink[:, None, :])

    def lead(v: Array) -> Array:
        return placed(draft, v) * left

    v = task.v
    real = lead(v)
    one, two = _beside(v)
    normal = np.cross(lead(one), lead(two))
    flat = np.where([h == "edges" for h in task.how], 1.0, 0.0)[None, :, None]
    # of a single layer the jaws see the plan alone: its upright normal is square to the edge
    edge = lead(np.cross(H, v))
    in_plan = np.stack((edge[..., 1], -edge[..., 0], np.zeros(draft.shape)), axis=2)
    normal = flat * in_plan + (1 - flat) * normal
    apart = np.abs((real * normal).sum(axis=2)) / np.linalg.norm(normal, axis=2)
    found = {
        "faces": apart,
        "edges": apart,
        "points": np.linalg.norm(real, axis=2),
        "along s": real[..., 1],
        "along x": real[..., 0],
    }
    readings = np.stack([found[how][:, i] for i, how in enumerate(task.how)], axis=1)
    readings *= 1 + draft.longer * printed
    grows = task.of("outside") - task.of("inside")
    offsets = np.stack([draft.machines.offset[d] for d in task.direction], axis=1)
    return np.asarray(readings + grows * offsets)


def _beside(v: Array) -> tuple[Array, Array]:
    """Two vectors (r, 3) each, square to v and to each other, not short."""
    helper = np.where(np.abs(v[:, [0]]) > 0.9 * np.linalg.norm(v, axis=1)[:, None], S, X)
    one = np.cross(v, helper)
    two = np.cross(v, one)
    return one / np.linalg.norm(one, axis=1)[:, None], two / np.linalg.norm(two, axis=1)[:, None]


def values(draft: Draft) -> Array:
    """What is typed, (n, r, REPEATS) mm; of a move the first value alone counts."""
    n, r = draft.shape
    if draft.heavy_tails:  # of the same standard deviation, 3 degrees of freedom
        noise = draft.rng.standard_t(3, (n, r, REPEATS)) / math.sqrt(3)
    else:
        noise = draft.normal(r, REPEATS)
    sd = np.where(draft.by_caliper > 0, draft.reading_sd, draft.gauge_sd)
    zero = draft.machines.zero[:, None] * draft.by_caliper
    sizes = exact(draft) + draft.more + zero
    typed = sizes[:, :, None] + draft.each + noise * sd[:, None]
    typed = np.round(typed / draft.resolution) * draft.resolution
    if draft.copied:
        typed[:] = typed[:, :, :1]
    return np.asarray(np.round(typed, 6))
