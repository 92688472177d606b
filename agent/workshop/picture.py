"""A control chart as one SVG element: individuals with their uncertainties, moving ranges, EWMA.

Black on white, without colours that carry meaning: a value that a rule fired at is a filled square
with the rule's name beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from typing import Final

from agent.workshop.series import Charted

_WIDTH: Final = 640
_LEFT: Final = 56
_RIGHT: Final = 90
_TOP: Final = 14
_MAIN: Final = 150  #: height of the individuals
_GAP: Final = 22
_RANGES: Final = 50  #: height of the moving ranges


def svg(charted: Charted) -> str:
    """The picture of one chart."""
    c, u = charted.chart, charted.u
    n = len(c.values)
    edges = [v + s * 2 * w for v, w in zip(c.values, u, strict=True) for s in (-1, 1)]
    if c.enough:
        edges += [c.lower, c.upper]
    main = _scale(min(edges), max(edges), _TOP + _MAIN, _TOP)
    low = _TOP + _MAIN + _GAP + _RANGES
    top = max([*c.ranges, c.range_limit if c.enough else 0.0, 1e-12])
    ranges = _scale(0.0, top, low, low - _RANGES)
    step = (_WIDTH - _LEFT - _RIGHT) / max(n - 1, 1)

    def x(i: float) -> float:
        return _LEFT + i * step if n > 1 else _LEFT + (_WIDTH - _LEFT - _RIGHT) / 2

    parts: list[str] = []
    right = _WIDTH - _RIGHT
    if c.enough:
        for value, words in ((c.upper, "upper limit"), (c.lower, "lower limit")):
            parts += _rule(main(value), right, f"{words} {value:.3g}", dashed=True)
        parts += _rule(ranges(c.range_limit), right, f"limit {c.range_limit:.3g}", dashed=True)
    parts += _rule(main(c.centre), right, f"mean {c.centre:.3g}")
    parts += _rule(ranges(0.0), right, "moving range")
    for i, (value, w) in enumerate(zip(c.values, u, strict=True)):
        parts.append(_line(x(i), main(value - 2 * w), x(i), main(value + 2 * w), 0.6))
    parts.append(_path([(x(i), main(v)) for i, v in enumerate(c.values)], 1.0))
    if n > 2:
        parts.append(_path([(x(i), main(v)) for i, v in enumerate(c.ewma)], 1.0, "2 2"))
    parts.append(_path([(x(i + 1), ranges(v)) for i, v in enumerate(c.ranges)], 0.8))
    fired: dict[int, list[str]] = {}
    for signal in c.signals:
        fired.setdefault(signal.place, []).append(signal.rule)
    for i, value in enumerate(c.values):
        size = 4 if i in fired else 2.5
        fill = "black" if i in fired else "white"
        parts.append(
            f'<rect x="{x(i) - size:.1f}" y="{main(value) - size:.1f}" width="{2 * size}" '
            f'height="{2 * size}" fill="{fill}" stroke="black"/>'
        )
        if i in fired:
            parts.append(_text(x(i), main(value) - 8, ", ".join(fired[i]), "middle"))
    for i in sorted({0, n - 1}):
        parts.append(_text(x(i), low + 14, charted.points[i].at[:10], "middle"))
    for value in (max(edges), min(edges)):
        parts.append(_text(_LEFT - 6, main(value) + 3, f"{value:+.3g} {charted.unit}", "end"))
    return (
        f'<svg viewBox="0 0 {_WIDTH} {low + 20}" role="img" font-size="9" '
        'font-family="sans-serif">' + "".join(parts) + "</svg>"
    )


def _scale(low: float, high: float, bottom: float, top: float) -> Callable[[float], float]:
    span = high - low or 1.0
    return lambda value: bottom + (value - low) / span * (top - bottom)


def _line(x1: float, y1: float, x2: float, y2: float, width: float, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="black" '
        f'stroke-width="{width}"{dashed}/>'
    )


def _rule(y: float, right: float, words: str, *, dashed: bool = False) -> list[str]:
    return [
        _line(_LEFT, y, right, y, 0.6, "5 3" if dashed else ""),
        _text(right + 4, y + 3, words, "start"),
    ]


def _path(points: Sequence[tuple[float, float]], width: float, dash: str = "") -> str:
    places = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<polyline points="{places}" fill="none" stroke="black" stroke-width="{width}"{dashed}/>'
    )


def _text(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'
