"""Pictures of a small glass whose truth is known: each edge is a step blurred to a normal curve.

A pixel shows the light at its middle; what a scanner does wrong is a map from its places to those
of the glass.  Boxes that touch are one: the sum of their blurred steps is that of their union.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from agent.pieces import rail, strip
from agent.pieces.solid import Piece
from agent.scan.image import Scan
from agent.scan.outline import rectangles
from tests.pieces.machines import machine

Array = npt.NDArray[np.float64]


def small_strip() -> Piece:
    """A strip of 90 by 117 mm."""
    return strip(machine(), lengths=(15.0, 45.0, 60.0, 80.0), wide=90.0, plate=(44.0, 25.0))


def small_rail() -> Piece:
    """A rail of 30 by 92 mm."""
    return rail(machine(), pitch=20.0, count=4)


@dataclass(frozen=True)
class Laid:
    """What lies on the glass and how, mm and degrees."""

    piece: Piece
    dpi: float = 200.0
    size: tuple[float, float] = (122.0, 148.0)  #: of the glass
    way: tuple[tuple[int, int], tuple[int, int]] = ((-1, 0), (0, -1))  #: of (x, s) in (u, v)
    middle: tuple[float, float] = (50.0, 64.0)  #: of the piece
    askew: float = 0.4
    grown: float = 1.0  #: the piece's true size against its drawing
    rules: tuple[str, ...] = ("along", "across")
    rule_askew: float = 0.0
    step: float = 1.0  #: of the rules' marks, mm
    tens: int = 10  #: every so many marks one is longer; 0: none
    marks: bool = True
    along: tuple[float, float] = (4.0, 128.0)  #: where the rule along begins, and its length
    scale: tuple[float, float] = (0.0015, -0.002)  #: of the scanner
    turn: float = 0.0005  #: of its carriage against the square, rad
    bow: float = 0.04  #: mm
    blur: float = 0.05
    behind: float = 0.85
    plastic: float = 0.12
    shadow: float = 0.0
    noise: float = 0.004
    specks: int = 0
    sixteen: bool = False


def _box(x: Array, y: Array, low: Array, high: Array, blur: float) -> Array:
    """Share of a box in what a place shows."""
    inside = (ndtr((x - low[0]) / blur) - ndtr((x - high[0]) / blur)) * (
        ndtr((y - low[1]) / blur) - ndtr((y - high[1]) / blur)
    )
    found: Array = inside
    return found


def _turned(x: Array, y: Array, at: tuple[float, float], angle: float) -> tuple[Array, Array]:
    c, s = math.cos(angle), math.sin(angle)
    x, y = x - at[0], y - at[1]
    return c * x + s * y, c * y - s * x


def _rules(how: Laid) -> Iterator[tuple[str, tuple[float, float], float, float, float]]:
    """Each rule's name, its zero on the graduated edge, its direction, its length and its width."""
    lean = math.radians(how.rule_askew)
    if "along" in how.rules:
        yield "along", (104.0, how.along[0]), math.pi / 2 + lean, how.along[1], 13.0
    if "across" in how.rules:
        yield "across", (4.0, 132.0), -lean, 94.0, -11.0


def places(how: Laid) -> tuple[Array, Array]:
    """Where on the glass each pixel looks."""
    pixel = 25.4 / how.dpi
    shape = (round(how.size[1] / pixel), round(how.size[0] / pixel))
    v, u = (np.indices(shape) + 0.5) * pixel
    p, q = (u - 60.0) / 60.0, (v - 70.0) / 70.0
    x = u + how.scale[0] * (u - 60.0) + how.turn * (v - 70.0) + how.bow * q * q
    y = v + how.scale[1] * (v - 70.0) + how.bow * p * p + 0.01 * np.sin(v / 7.0)
    return x, y


def light(how: Laid) -> Array:
    """Linear light of every pixel."""
    x, y = places(how)
    level = np.full(x.shape, how.behind)
    sign = 1.0 if how.way[0][0] or how.way[0][1] else -1.0
    px, py = _turned(x, y, how.middle, math.radians(sign * how.askew))
    boxes = rectangles(how.piece)
    centre = np.array([boxes[:, :2].min() + boxes[:, :2].max(), 0.0]) / 2
    centre[1] = (boxes[:, 2].min() + boxes[:, 3].max()) / 2
    way = np.array(how.way, dtype=float)
    shares = np.zeros(x.shape)
    for x0, x1, s0, s1 in boxes:
        corners = how.grown * (np.array([(x0, s0), (x1, s1)]) - centre) @ way.T
        low, high = corners.min(axis=0), corners.max(axis=0)
        near = (px > low[0] - 1) & (px < high[0] + 1) & (py > low[1] - 1) & (py < high[1] + 1)
        shares[near] += _box(px[near], py[near], low, high, how.blur)
        if how.shadow:  # darker below the box, towards growing v
            below = _box(px[near], py[near] - 0.3, low, high, 0.2)
            level[near] *= 1 - how.shadow * below
    level = level * (1 - shares) + how.plastic * shares
    for _, zero, angle, length, width in _rules(how):
        t, w = _turned(x, y, zero, angle)
        w = -w if width > 0 else w  # inward, off the piece
        deep = abs(width)
        near = (t > -2) & (t < length + 2) & (w > -2) & (w < deep + 2)
        steel = _box(t[near], w[near], np.zeros(2), np.array([length, deep]), how.blur)
        level[near] = level[near] * (1 - steel) + 0.45 * steel
        if how.marks:
            k = np.round(t[near] / how.step)
            long = (k % how.tens == 0) if how.tens else np.zeros(k.shape, dtype=bool)
            off, inward = t[near] - k * how.step, w[near]
            dark = _box(off, inward, np.array([-0.09, 0.0]), np.array([0.09, 4.0]), how.blur)
            longer = _box(off, inward, np.array([-0.09, 0.0]), np.array([0.09, 7.0]), how.blur)
            dark = np.where(long, longer, dark) * ((k >= 3) & (k * how.step < length - 3))
            level[near] = level[near] * (1 - dark) + np.minimum(level[near], 0.03) * dark
    return level


def scan_of(how: Laid, *spots: tuple[float, float, float, float, float]) -> Scan:
    """The scan; `spots` are (u0, u1, v0, v1, light) laid over it, mm."""
    level = light(how)
    pixel = 25.4 / how.dpi
    chance = np.random.default_rng(5)
    for _ in range(how.specks):
        row, column = (int(chance.integers(0, n - 3)) for n in level.shape)
        level[row : row + 2, column : column + 3] = chance.uniform(0.0, 1.0)
    for u0, u1, v0, v1, shown in spots:
        level[round(v0 / pixel) : round(v1 / pixel), round(u0 / pixel) : round(u1 / pixel)] = shown
    # the curve of IEC 61966-2-1, written the other way
    high = 1.055 * np.maximum(level, 1e-9) ** (1 / 2.4) - 0.055
    value = np.where(level <= 0.0031308, 12.92 * level, high)
    value = value + how.noise * chance.standard_normal(value.shape)
    most, kind = (65535, np.uint16) if how.sixteen else (255, np.uint8)
    values: npt.NDArray[Any] = np.clip(np.round(value * most), 0, most).astype(kind)
    return Scan(values, how.dpi, "glass.png")
