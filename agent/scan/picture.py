"""Picture of a scan that was read: laid as the drawing has it, with the edges taken and the jaws.

Right is +s, up is -x, as in the drawing of the piece; numbers are those of its readings.
"""

from __future__ import annotations

import io
import math
from typing import Any, Final

import numpy as np

from agent.pieces.solid import Piece
from agent.scan.image import Array, Scan
from agent.scan.reading import ScanReading

_PIXEL_MM: Final = 0.2
_MARGIN_MM: Final = 26.0  #: around the piece, so that the rules are in the picture
_EDGE, _JAW, _RULE, _LEFT_OUT = "#e4572e", "#1d6fa3", "#3a8f4d", "#a0a0a0"


def picture(scan: Scan, read: ScanReading, piece: Piece) -> bytes:
    """PNG of the scan with what was taken from it."""
    from PIL import Image, ImageDraw

    (x0, x1), (s0, s1), _ = piece.bounds
    x0, x1, s0, s1 = x0 - _MARGIN_MM, x1 + _MARGIN_MM, s0 - _MARGIN_MM, s1 + _MARGIN_MM
    size = (math.ceil((s1 - s0) / _PIXEL_MM), math.ceil((x1 - x0) / _PIXEL_MM))
    # a pixel of the picture to (x, s), then to a pixel of the scan
    to_nominal = np.array([[0.0, _PIXEL_MM], [_PIXEL_MM, 0.0]])
    M = read.pose.A @ to_nominal / scan.pixel
    b = (read.pose.A @ np.array([x0, s0]) + read.pose.b) / scan.pixel
    values = scan.values if scan.values.dtype == np.uint8 else (scan.values >> 8).astype(np.uint8)
    grey = Image.fromarray(values).transform(
        size,
        Image.Transform.AFFINE,
        (M[0, 0], M[0, 1], b[0], M[1, 0], M[1, 1], b[1]),
        Image.Resampling.BILINEAR,
        fillcolor=255,
    )
    drawn = grey.convert("RGB")
    draw = ImageDraw.Draw(drawn)
    back = np.linalg.inv(M)

    def at(places: Array) -> list[tuple[float, float]]:
        pixels = (np.atleast_2d(places) / scan.pixel - b) @ back.T
        return [(float(px), float(py)) for px, py in pixels]

    for marks in read.rules:
        for k in range(0, len(marks.number), 10):
            draw.line(at(np.stack((marks.near[k], marks.far[k]))), fill=_RULE, width=2)
        draw.line(at(marks.edge[[0, -1]]), fill=_RULE, width=1)
    numbers = {feature.name: n for n, feature in enumerate(piece.features, 1)}
    for taken in read.taken:
        for line in taken.lines:
            draw.line(at(line[[0, -1]]), fill=_EDGE, width=3)
    for taken in read.taken:
        a, c = at(taken.ends[0])[0], at(taken.ends[1])[0]
        draw.line([a, c], fill=_JAW, width=1)
        for tip, other in ((a, c), (c, a)):
            _jaw(draw, tip, other, inside=taken.feature.kind == "inside")
        share = 0.3 + 0.4 * (numbers[taken.feature.name] % 5) / 5
        middle = (a[0] + share * (c[0] - a[0]), a[1] + share * (c[1] - a[1]))
        _badge(draw, middle, str(numbers[taken.feature.name]))
    for name, n in numbers.items():
        feature = piece.features[n - 1]
        if name in read.left_out and feature.jaws is not None:
            x, s = np.mean([jaw[:2] for jaw in feature.jaws], axis=0)
            _badge(draw, ((s - s0) / _PIXEL_MM, (x - x0) / _PIXEL_MM), str(n), _LEFT_OUT)
    page = io.BytesIO()
    drawn.save(page, "PNG")
    return page.getvalue()


def _jaw(draw: Any, tip: tuple[float, float], other: tuple[float, float], *, inside: bool) -> None:
    """A small wedge whose point touches the edge, from outside or, in a gap, from within."""
    length = math.dist(tip, other) or 1.0
    sign = -1.0 if inside else 1.0
    out = (sign * (tip[0] - other[0]) / length, sign * (tip[1] - other[1]) / length)
    base = (tip[0] + 14 * out[0], tip[1] + 14 * out[1])
    wings = [(base[0] - k * out[1], base[1] + k * out[0]) for k in (5, -5)]
    draw.polygon([tip, *wings], fill=_JAW)


def _badge(draw: Any, at: tuple[float, float], words: str, colour: str = _JAW) -> None:
    draw.ellipse((at[0] - 11, at[1] - 11, at[0] + 11, at[1] + 11), fill=colour)
    draw.text(at, words, fill="white", anchor="mm", font_size=14)
