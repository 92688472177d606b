"""A control chart as one SVG element: individuals with their uncertainties, moving ranges, EWMA.

Black on white, without colours that carry meaning: a value that a rule fired at is a filled square,
and below the values each rule that fired has a line of its own with a mark under each of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from html import escape
from typing import Final

from agent.workshop.series import Charted

_WIDTH: Final = 680
_LEFT: Final = 52
_RIGHT: Final = 112
_TOP: Final = 22
_MAIN: Final = 150  #: height of the individuals
_GAP: Final = 12
_ROW: Final = 11  #: height of a text, and of the line of a rule
_RANGES: Final = 50  #: height of the moving ranges
_DAYS: Final = 5  #: days that are written below, at most


def svg(charted: Charted) -> str:
    """The picture of one chart."""
    c, u = charted.chart, charted.u
    n, right = len(c.values), _WIDTH - _RIGHT
    edges = [v + s * 2 * w for v, w in zip(c.values, u, strict=True) for s in (-1, 1)]
    if c.enough:
        edges += [c.lower, c.upper]
        edges += [c.centre + s * w for w in c.ewma_limits for s in (-1, 1)]
    bottom = _TOP + _MAIN
    main = _scale(min(edges), max(edges), bottom, _TOP)
    step = (right - _LEFT - 12) / max(n - 1, 1)

    def x(i: float) -> float:
        return _LEFT + 6 + i * step if n > 1 else (_LEFT + right) / 2

    parts = _axis(min(edges), max(edges), main, charted.unit, 4)
    named = [(main(c.centre), f"mean {_short(c.centre)}")]
    parts.append(_line(_LEFT, main(c.centre), right, main(c.centre), 0.6))
    if c.enough:
        for value, words in ((c.upper, "upper limit"), (c.lower, "lower limit")):
            parts.append(_line(_LEFT, main(value), right, main(value), 0.6, "5 3"))
            named.append((main(value), f"{words} {_short(value)}"))
        for sign in (-1, 1):
            edge = [(x(i), main(c.centre + sign * w)) for i, w in enumerate(c.ewma_limits)]
            parts.append(_path(edge, 0.5, "1 3"))
    parts += _names(named, right, bottom)
    for i, (value, w) in enumerate(zip(c.values, u, strict=True)):
        parts.append(_line(x(i), main(value - 2 * w), x(i), main(value + 2 * w), 0.6))
    parts.append(_path([(x(i), main(v)) for i, v in enumerate(c.values)], 1.0))
    if n > 2:
        parts.append(_path([(x(i), main(v)) for i, v in enumerate(c.ewma)], 1.2, "2 2"))
    fired: dict[str, list[int]] = {}
    for signal in c.signals:
        fired.setdefault(signal.rule, []).append(signal.place)
    marked = {signal.place for signal in c.signals}
    for i, value in enumerate(c.values):
        parts.append(_square(x(i), main(value), 3.5 if i in marked else 2.5, i in marked))
    low = bottom + _GAP
    for rule, places in fired.items():
        parts.append(_text(right + 4, low + 3, f"{rule}: {len(places)}", "start"))
        parts += [_square(x(i), low, 2.0, True) for i in places]
        low += _ROW
    if n > 1:
        top, low = low + _GAP, low + _GAP + _RANGES
        most = max([*c.ranges, c.range_limit if c.enough else 0.0, 1e-12])
        ranges = _scale(0.0, most, low, top)
        parts += _axis(0.0, most, ranges, "", 2)
        named = [(low, "moving range")]
        if c.enough:
            height = ranges(c.range_limit)
            parts.append(_line(_LEFT, height, right, height, 0.6, "5 3"))
            named.append((height, f"limit {_short(c.range_limit)}"))
        parts += _names(named, right, low - 4)
        parts.append(_line(_LEFT, low, right, low, 0.6))
        parts.append(_path([(x(i + 1), ranges(v)) for i, v in enumerate(c.ranges)], 0.8))
    for i in sorted({round(k * (n - 1) / (_DAYS - 1)) for k in range(_DAYS)}):
        parts.append(_line(x(i), low, x(i), low + 3, 0.6))
        parts.append(_text(x(i), low + 13, charted.points[i].at[:10], "middle"))
    return (
        f'<svg viewBox="0 0 {_WIDTH} {low + 20:.0f}" role="img" font-size="9" '
        'font-family="sans-serif">' + "".join(parts) + "</svg>"
    )


def _short(value: float) -> str:
    return f"{value:.3g}".replace("-", "\u2212")


def _scale(low: float, high: float, bottom: float, top: float) -> Callable[[float], float]:
    span = high - low or 1.0
    return lambda value: bottom + (value - low) / span * (top - bottom)


def _round_values(low: float, high: float, most: int) -> Iterator[float]:
    """Round values (1, 2 or 5 times a power of ten apart) from low to high, most + 1 at most."""
    if not high > low:
        yield low
        return
    size = 10.0 ** math.floor(math.log10((high - low) / most))
    step = next(k * size for k in (1, 2, 5, 10) if k * size * most >= high - low)
    for k in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1):
        yield k * step


def _axis(
    low: float, high: float, place: Callable[[float], float], unit: str, most: int
) -> list[str]:
    """The upright axis with round values, its unit above it."""
    parts = [_line(_LEFT, place(low), _LEFT, place(high), 0.6)]
    if unit:
        parts.append(_text(_LEFT - 6, place(high) - 9, unit, "end"))
    for value in _round_values(low, high, most):
        parts.append(_line(_LEFT - 3, place(value), _LEFT, place(value), 0.6))
        parts.append(_text(_LEFT - 6, place(value) + 3, _short(value), "end"))
    return parts


def _names(named: Sequence[tuple[float, str]], right: float, bottom: float) -> list[str]:
    """Names beside their lines, moved apart where they would lie upon one another."""
    places: list[float] = []
    for height, _ in sorted(named):
        places.append(max(height, places[-1] + _ROW) if places else height)
    for i in reversed(range(len(places))):
        places[i] = min(places[i], bottom)
        bottom = places[i] - _ROW
    told = zip(places, sorted(named), strict=True)
    return [_text(right + 4, place + 3, words, "start") for place, (_, words) in told]


def _line(x1: float, y1: float, x2: float, y2: float, width: float, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="black" '
        f'stroke-width="{width}"{dashed}/>'
    )


def _square(x: float, y: float, half: float, full: bool) -> str:
    return (
        f'<rect x="{x - half:.1f}" y="{y - half:.1f}" width="{2 * half}" height="{2 * half}" '
        f'fill="{"black" if full else "white"}" stroke="black"/>'
    )


def _path(points: Sequence[tuple[float, float]], width: float, dash: str = "") -> str:
    places = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<polyline points="{places}" fill="none" stroke="black" stroke-width="{width}"{dashed}/>'
    )


def _text(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'
