"""What has been laid on the belt: one job after the other, each a list of beads.

A bead is kept as the printer made it: where it was commanded, the true travel of the three axes
at both ends, and the filament pushed out between them.  What it looks like on the belt follows
from that when somebody measures: its section is a rectangle with half-round sides, of area
volume / true length, so

    width = area / height + height (1 - pi/4)

with `height` the true spacing of the layer above the one before it.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sim.bench import Bench
from sim.bends import Bends
from sim.plant import Array, Directions, Vector

#: Commanded start, commanded end, true travel at start and end (each across, gantry, belt, mm),
#: filament volume (mm3).
Row = tuple[Vector, Vector, Vector, Vector, float]

#: Axes that move less than this count as standing still, mm.
_STILL = 1e-4


@dataclass(frozen=True, slots=True)
class Laid:
    """The beads of a job as they lie on the belt, n of them."""

    commanded: Array  #: (n, 2, 3): both ends as across, gantry, belt
    ends: Array  #: (n, 2, 3): both ends of the bead's centre line as x, s, h, mm
    width: Array  #: (n,) mm
    height: Array  #: (n,) mm
    normal: Array  #: (n, 3): unit normal of the layer each lies in, towards the nozzle
    flat: npt.NDArray[np.bool_]  #: (n,) lies flat on the belt, not in the gantry plane
    planned_height: float  #: mm
    first: npt.NDArray[np.bool_]  #: (n,) lies on the belt


@dataclass
class Job:
    """Everything laid since the belt coordinate was last set, or between two such instants."""

    label: str = ""
    rows: list[Row] = field(default_factory=list)
    number: int = 0
    stretch: float = 0.0  #: relative: how much farther the belt runs than over the long term
    taken_up: float | None = None  #: minute of the bench's clock when it was taken off the belt


@dataclass(frozen=True, slots=True)
class Trip:
    """A move without plastic, for the length gauges beside the axes."""

    commanded: Vector  #: across, gantry, belt, mm
    before: Vector  #: true travel, mm
    after: Vector


class Bed:
    """The belt with all jobs on it, newest last, and the last moves made without plastic."""

    def __init__(self, bench: Bench | None = None) -> None:
        self._bench = bench or Bench()
        self.jobs: list[Job] = []
        self.new_job()
        self.trips: deque[Trip] = deque(maxlen=256)
        self.feeds: deque[float] = deque(maxlen=64)  #: filament moved with all axes at rest, mm

    def new_job(self) -> Job:
        """Start a job; moves still queued belong to the one before."""
        number = len(self.jobs)
        stretch = self._bench.stray("belt_scale", number) / 100
        self.jobs.append(Job(number=number, stretch=stretch))
        return self.jobs[-1]

    def name_job(self, label: str) -> None:
        self.jobs[-1].label = label

    @property
    def laid_jobs(self) -> list[Job]:
        return [job for job in self.jobs if job.rows]


def lie(job: Job, frame: Directions, planned_height: float, bends: Bends | None = None) -> Laid:
    """Beads of a job in the belt's frame, on axes that are as straight as `bends` says.

    A bead laid while the belt ran lies flat on the belt; one laid while the gantry climbed lies
    in the gantry plane; one along the rail alone belongs to whichever its neighbours are.  The
    nozzle runs along the top of a bead, so its centre lies half its height below.
    """
    commanded = np.array([row[:2] for row in job.rows])
    travel = np.array([row[2:4] for row in job.rows])
    volume = np.array([row[4] for row in job.rows])
    ends = (bends or Bends()).places(frame, travel, printing=True)
    length = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    flat = _flat(commanded)
    plane_normal = frame.layer_normal
    normal = np.where(flat[:, None], np.array([0.0, 0.0, 1.0]), plane_normal)
    step_belt = abs(float(np.dot(frame.belt, plane_normal)))
    height = np.empty(len(length))
    for group, column, rise in ((~flat, 2, step_belt), (flat, 1, frame.gantry[2])):
        if group.any():
            height[group] = _layer_heights(
                commanded[group, 1, column], travel[group, 1, column] * rise, planned_height
            )
    area = volume / np.maximum(length, 1e-9)
    width = area / height + height * (1 - math.pi / 4)
    level = commanded[:, :, 1].min(axis=1)
    first = level <= level.min() + 0.6 * planned_height / max(frame.gantry[2], 0.1)
    centre = ends - (height[:, None] / 2 * normal)[:, None, :]
    return Laid(commanded, centre, width, height, normal, flat, planned_height, first)


def _flat(commanded: Array) -> npt.NDArray[np.bool_]:
    """Which beads lie flat on the belt rather than in the gantry plane, (n,)."""
    moved = np.abs(commanded[:, 1] - commanded[:, 0])
    climbs, runs = moved[:, 1] > _STILL, moved[:, 2] > _STILL
    kind = np.where(runs, 1, np.where(climbs, -1, 0))
    joined = np.abs(commanded[1:, 0] - commanded[:-1, 1]).max(axis=1, initial=0.0) <= _STILL
    for order in (range(1, len(kind)), range(len(kind) - 2, -1, -1)):
        step = order.step
        for i in order:
            j = i - step
            if kind[i] == 0 and kind[j] != 0 and joined[min(i, j)]:
                kind[i] = kind[j]
    if (kind == 0).any():
        known = int(np.sum(kind))
        # nothing joined tells: a raster of lines along the rail, stepped by the belt on the
        # belt itself, or by the gantry up a plane
        if known == 0:
            spread = np.ptp(commanded[:, 0], axis=0)
            known = 1 if spread[2] >= spread[1] else -1
        kind[kind == 0] = 1 if known > 0 else -1
    flat: npt.NDArray[np.bool_] = kind > 0
    return flat


def _layer_heights(level: Array, true_level: Array, planned: float) -> Array:
    """Height of each bead: how far its layer lies above the one before, (n,) mm.

    The first layer, and one that starts a new body elsewhere, has the height most layers have.
    """
    keys, inverse = np.unique(np.round(level, 3), return_inverse=True)
    place = np.zeros(len(keys))
    np.add.at(place, inverse, true_level)
    place /= np.bincount(inverse)
    gaps = np.diff(place)
    usual = planned
    good = (gaps > 0.4 * planned) & (gaps < 2.5 * planned)
    if good.any():
        usual = float(np.median(gaps[good]))
    elif len(keys) == 1 and 0.4 * planned < place[0] < 2.5 * planned:
        usual = float(place[0])
    heights = np.concatenate(([usual], np.where(good, gaps, usual)))
    result: Array = heights[inverse]
    return result
