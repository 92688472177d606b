"""What lies on the glass: the piece, the rules, and whatever else, found in a coarse image."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from agent.errors import Refused
from agent.scan.image import Array, Scan

Mask = npt.NDArray[np.bool_]

#: Least difference of linear light between what lies on the glass and what is behind it.
_LEAST_CONTRAST: Final = 0.1
#: Smaller things are dust, mm2.
_LEAST_AREA: Final = 60.0
#: Fibres and hairs are thinner than this, mm.
_FIBRE: Final = 1.0
#: A rule: least length, width between, mm, and share of its rectangle that it fills.
_RULE_LENGTH: Final = 60.0
_RULE_WIDTH: Final = (5.0, 45.0)
_RULE_FILL: Final = 0.86
#: A rule lies along or across within this, degrees.
MOST_ASKEW: Final = 6.0


@dataclass(frozen=True, slots=True)
class Bar:
    """A long rectangle, perhaps a rule; mm of the image."""

    middle: Array  #: (u, v)
    axis: Array  #: unit vector along it, towards growing u or v
    length: float
    width: float

    @property
    def across(self) -> bool:
        """True if it lies along the sensor line."""
        return abs(float(self.axis[0])) > abs(float(self.axis[1]))

    @property
    def askew_deg(self) -> float:
        """Angle to the image's own axes, degrees."""
        return math.degrees(math.asin(min(abs(float(self.axis[0])), abs(float(self.axis[1])))))


@dataclass(frozen=True, slots=True)
class Thing:
    """Anything else."""

    mask: Mask  #: (rows, columns) of the coarse image's part from `corner`
    corner: tuple[int, int]
    side: float  #: of a coarse pixel, mm
    cut_off: bool  #: reaches the rim of the image

    @property
    def area(self) -> float:
        return float(self.mask.sum()) * self.side**2

    def points(self) -> Array:
        """(n, 2) places (u, v) of its pixels, mm."""
        rows, columns = np.nonzero(self.mask)
        return np.stack(
            (
                (columns + self.corner[1] + 0.5) * self.side,
                (rows + self.corner[0] + 0.5) * self.side,
            ),
            axis=1,
        )


@dataclass(frozen=True, slots=True)
class Found:
    """All that lies on the glass, the largest thing first."""

    bars: tuple[Bar, ...]
    things: tuple[Thing, ...]


def look(scan: Scan) -> Found:
    """What lies on the glass.  Raises Refused for an image in which nothing stands out."""
    from scipy import ndimage

    image, side = scan.coarse
    if min(image.shape) * side < 30.0:
        raise Refused(
            f"{scan.source} shows {image.shape[1] * side:.0f} x {image.shape[0] * side:.0f} mm of"
            f" the glass by its {scan.dpi:g} dpi",
            remedy="Scan the whole piece with the rules, and check the resolution (--dpi)",
        )
    off = np.abs(image - _behind(image))
    seen = off > _LEAST_CONTRAST
    # rules first, without what is thin: a fibre may lie from one to the other or to the piece
    thick = ndimage.binary_opening(seen, iterations=math.ceil(_FIBRE / 2 / side))
    bars: list[Bar] = []
    for thing in _apart(thick, side):
        bar = _bar(thing)
        if bar is not None:
            bars.append(bar)
            _take_away(seen, thing)
    things = list(_apart(seen, side))
    things.sort(key=lambda thing: -thing.area)
    bars.sort(key=lambda bar: -bar.length)
    return Found(tuple(bars), tuple(things))


def _apart(seen: Mask, side: float) -> Iterator[Thing]:
    """Whatever hangs together and is more than dust."""
    from scipy import ndimage

    labels, count = ndimage.label(seen, structure=np.ones((3, 3), dtype=int))
    areas = np.bincount(labels.ravel(), minlength=count + 1) * side**2
    places: list[Any] = ndimage.find_objects(labels)
    for number, where in enumerate(places, 1):
        if areas[number] < _LEAST_AREA:
            continue
        corner = (where[0].start, where[1].start)
        ends = (where[0].stop, where[1].stop)
        cut = min(corner) == 0 or ends[0] == seen.shape[0] or ends[1] == seen.shape[1]
        yield Thing(labels[where] == number, corner, side, cut)


def _take_away(seen: Mask, thing: Thing) -> None:
    """Clear a thing, and what is left of its rim, from what is seen."""
    from scipy import ndimage

    rim = math.ceil(_FIBRE / thing.side)
    grown = ndimage.binary_dilation(np.pad(thing.mask, rim), iterations=rim)
    rows, columns = np.nonzero(grown)
    rows, columns = rows + thing.corner[0] - rim, columns + thing.corner[1] - rim
    inside = (rows >= 0) & (columns >= 0) & (rows < seen.shape[0]) & (columns < seen.shape[1])
    seen[rows[inside], columns[inside]] = False


def _behind(image: npt.NDArray[np.float32]) -> Array:
    """Level of what is behind everything: a smooth surface through the commonest level."""
    rows, columns = image.shape
    v, u = np.mgrid[-1 : 1 : complex(rows), -1 : 1 : complex(columns)]
    every = np.stack([np.ones_like(u), u, v, u * u, v * v, u * v], axis=-1)
    sample, terms = image[::4, ::4].astype(float), every[::4, ::4].reshape(-1, 6)
    level = sample.ravel()
    count, edges = np.histogram(level, bins=100, range=(0.0, 1.0))
    smooth = np.convolve(count, np.ones(7), mode="same")
    common = edges[int(np.argmax(smooth))] + 0.005
    near = np.abs(level - common) < max(0.06, 0.2 * common)
    fit = np.zeros(6)
    for _ in range(4):
        if near.sum() < 50:
            break
        fit = np.linalg.lstsq(terms[near], level[near], rcond=None)[0]
        near = np.abs(level - terms @ fit) < 0.05
    surface: Array = every @ fit
    return surface


def _bar(thing: Thing) -> Bar | None:
    """The thing as a bar, if it is a long filled rectangle."""
    points = thing.points()
    spread, axes = np.linalg.eigh(np.cov(points.T))
    axis = axes[:, 1] if axes[:, 1].sum() > 0 else -axes[:, 1]
    along, aside = points @ axis, points @ np.array([-axis[1], axis[0]])
    length = float(np.ptp(along)) + thing.side
    # from the spread of an even rectangle, which single pixels at its rim do not change
    width = math.sqrt(12 * max(float(spread[0]), 0.0))
    slim = _RULE_WIDTH[0] <= width <= _RULE_WIDTH[1] and length >= max(_RULE_LENGTH, 3 * width)
    even = float(np.ptp(aside)) < width + 3.0
    if not (slim and even and thing.area >= _RULE_FILL * length * width):
        return None
    return Bar(points.mean(axis=0), axis, length, width)
