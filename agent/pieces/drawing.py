"""Drawing of a piece as SVG: where each jaw goes, in which order, and what is expected there.

Lengths on the page are mm of an A4 sheet laid sideways (SVG 1.1, W3C 2011); the piece is drawn
to a stated scale.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass, field
from html import escape
from typing import Final

from agent.pieces.solid import Piece
from agent.pieces.view import Flat, Reading, View, views

_PAGE: Final = 297.0  #: width of the sheet, mm
_MARGIN: Final = 12.0
_GAP: Final = 22.0  #: between two views
_VIEW_HEIGHT: Final = 120.0  #: most that a view takes
_LEVEL: Final = 6.5  #: between dimension lines of one side
_ROW: Final = 5.4  #: of the list of readings
_CHARACTER: Final = 1.75  #: average width of a letter
_HINT_WIDTH: Final = 105  #: letters of a hint that fit a row
_ROOM: Final = 22.0  #: a shorter line has no room for its length beside the number

_NOTE_WIDTH: Final = 148  #: letters of a note that fit the sheet

#: How a flat piece whose outline tells its two sides is laid down to be scanned, and read by its
#: name.
ON_THE_GLASS: Final = (
    "To scan it instead: smooth side (it lay on the belt) down on clean glass, raised marks up,"
    " along the rim; one steel rule in mm along it and one across it, their marks down and towards"
    " the piece, none touching another; a dark sheet behind light plastic; 300 or 600 dpi, all"
    " improvements off. Seen through the glass the piece is mirrored: with +s up its +x side is on"
    " the left. Then 'gauge {name} --scan FILE'."
)

_STYLE: Final = """
text { font-family: sans-serif; font-size: 3.1px; fill: #2b2f36 }
.head { font-size: 6px; font-weight: bold }
.note { fill: #6a6d70 }
.body { fill: #dcd6c6; stroke: #8d8672; stroke-width: .25 }
.mark { fill: #74845a; stroke: none }
.line { stroke: #2f5f73; stroke-width: .3; fill: none }
.thin { stroke: #2f5f73; stroke-width: .15; fill: none; stroke-dasharray: 1.2 .8 }
.jaw { fill: #b8442c }
.dot { fill: #2f5f73 }
.num { fill: #fff; font-size: 2.7px; font-weight: bold; text-anchor: middle }
.size { fill: #2f5f73; stroke: #fbfaf5; stroke-width: .9; paint-order: stroke }
.rule { stroke: #c9c5b8; stroke-width: .2 }
""".strip()


def svg(piece: Piece, about: str = "") -> str:
    """Drawing of `piece` as an SVG document; `about`: what it says of itself."""
    drawn = views(piece)
    spans = [_span(view) for view in drawn]
    room = _PAGE - 2 * _MARGIN - _GAP * (len(drawn) - 1)
    scale = _round_scale(
        min(room / sum(w for w, _ in spans), _VIEW_HEIGHT / max(h for _, h in spans))
    )
    sheet = _Sheet()
    if about:
        sheet.parts.append(f"<desc>{escape(about)}</desc>")
    sheet.text(_MARGIN, 16, f"{piece.name}: {piece.title}", "head")
    sizes = ", ".join(f"{name} {mm:g}" for name, mm in piece.size.items())
    top = 16.0
    for note in (about, _caption(piece, scale), f"sizes in mm: {sizes}"):
        for words in textwrap.wrap(note, _NOTE_WIDTH):
            top += _ROW - 0.4
            sheet.text(_MARGIN, top, words, "note")
    top, left, bottom = top + 7.0, _MARGIN, 0.0
    for view in drawn:
        width, height = _draw_view(sheet, view, scale, left, top)
        left += width + _GAP
        bottom = max(bottom, top + height)
    bottom = _draw_list(sheet, drawn, bottom + 10.0)
    if piece.flat and piece.in_turn and not piece.even:
        bottom += _ROW
        for words in textwrap.wrap(ON_THE_GLASS.format(name=piece.name), _NOTE_WIDTH):
            bottom += _ROW - 1.0
            sheet.text(_MARGIN, bottom, words, "note")
    bottom = _draw_check(sheet, bottom + 2 * _ROW)
    return sheet.document(bottom + _MARGIN)


@dataclass
class _Sheet:
    """Elements of a page, y downward."""

    parts: list[str] = field(default_factory=list)

    def text(self, x: float, y: float, words: str, kind: str = "", turn: float = 0.0) -> None:
        turned = f' transform="rotate({turn:.1f} {x:.2f} {y:.2f})"' if turn else ""
        kind = f' class="{kind}"' if kind else ""
        self.parts.append(f'<text x="{x:.2f}" y="{y:.2f}"{kind}{turned}>{escape(words)}</text>')

    def polygon(self, points: list[Flat], kind: str, title: str = "") -> None:
        path = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
        name = f"<title>{escape(title)}</title>" if title else ""
        self.parts.append(f'<polygon points="{path}" class="{kind}">{name}</polygon>')

    def line(self, a: Flat, b: Flat, kind: str) -> None:
        ends = f'x1="{a[0]:.2f}" y1="{a[1]:.2f}" x2="{b[0]:.2f}" y2="{b[1]:.2f}"'
        self.parts.append(f'<line {ends} class="{kind}"/>')

    def badge(self, x: float, y: float, number: int) -> None:
        self.parts.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r="2.1" class="dot"/>')
        self.text(x, y + 0.95, str(number), "num")

    def document(self, height: float) -> str:
        return "\n".join(
            [
                f'<svg xmlns="http://www.w3.org/2000/svg" width="{_PAGE:g}mm" '
                f'height="{height:.1f}mm" viewBox="0 0 {_PAGE:g} {height:.1f}">',
                f"<style>\n{_STYLE}\n</style>",
                f'<rect width="{_PAGE:g}" height="{height:.1f}" fill="#fbfaf5"/>',
                *self.parts,
                "</svg>\n",
            ]
        )


#: Length of the line that shows whether a print is true to size, mm.
_CHECK: Final = 100.0


def _draw_check(sheet: _Sheet, at: float) -> float:
    """A line of known length; returns where it ends."""
    left, right = _MARGIN, _MARGIN + _CHECK
    sheet.line((left, at), (right, at), "line")
    for x in (left, right):
        sheet.line((x, at - 2.0), (x, at + 2.0), "line")
    words = (
        f"{_CHECK:g} mm on paper: measure it. Where it is not, print again at 100 %, not fitted to"
        " the page."
    )
    sheet.text(right + 4.0, at + 1.1, words, "note")
    return at + 2.0


def _span(view: View) -> tuple[float, float]:
    (x0, y0), (x1, y1) = view.bounds
    return x1 - x0, y1 - y0


def _round_scale(scale: float) -> float:
    """Largest usual drawing scale not above `scale` (ISO 5455: 1, 2, 5 and their tenfolds)."""
    usual = [a * 10.0**b for b in (-2, -1, 0, 1) for a in (1.0, 2.0, 5.0)]
    return max((s for s in usual if s <= scale), default=scale)


def _caption(piece: Piece, scale: float) -> str:
    ratio = f"{scale:g} : 1" if scale >= 1 else f"1 : {1 / scale:g}"
    layers = (
        "layers flat on the belt"
        if piece.flat
        else f"layers at {math.degrees(piece.layer_angle):g}° to the belt"
    )
    return (
        f"scale {ratio}, mm, {layers}; raised marks: arrow = belt feed (+s), ridge = +x side, "
        "pips = piece number"
    )


def _draw_view(
    sheet: _Sheet, view: View, scale: float, left: float, top: float
) -> tuple[float, float]:
    """Draw a view with its upper left corner at (left, top); returns the room it took."""
    (x0, _), (_, y1) = view.bounds
    width, height = (scale * size for size in _span(view))
    stacked = stacked_levels(view)
    head = top + 8.0 + _LEVEL * (1 + max(stacked.values(), default=-1))

    def page(p: Flat) -> Flat:
        return left + scale * (p[0] - x0), head + scale * (y1 - p[1])

    notes = (view.title, f"right is {view.right}, up is {view.up}")
    for row, words in enumerate(notes):
        sheet.text(left, top - 2.0 + 4.0 * row, words, "note")
    marks: list[Flat] = []
    for shape in view.shapes:
        corners = [page(corner) for corner in shape.corners]
        sheet.polygon(corners, "mark" if shape.mark else "body", shape.name)
        marks += corners if shape.mark else []
    lines: list[tuple[Reading, Flat, Flat]] = []
    for reading in view.readings:
        level = stacked.get(reading.number)
        a, b = (page(end) for end in reading.ends)
        for tip, push in zip((a, b), reading.pushes, strict=True):
            _draw_jaw(sheet, tip, (push[0], -push[1]))
        if level is not None:
            at = head - 5 - _LEVEL * level
            for end in (a, b):
                sheet.line(end, (end[0], at - 1.2), "thin")
            a, b = (a[0], at), (b[0], at)
        sheet.line(a, b, "line")
        lines.append((reading, a, b))
    # labels last, so that no line crosses them, each where it covers least
    labels: list[Flat] = []
    for reading, a, b in lines:
        others = [p for other, c, d in lines if other is not reading for p in _along(c, d)]
        labels += _draw_label(sheet, reading, a, b, labels=labels, lines=marks + others)
    widest = max(_CHARACTER * len(words) for words in notes)
    return max(width, widest), head - top + height


def stacked_levels(view: View) -> dict[int, int]:
    """Level of each reading that shares its line with others and is drawn above the view.

    Readings on a line of their own are drawn where the caliper lies.
    """
    rows: dict[float, list[Reading]] = {}
    for reading in view.readings:
        (_, ya), (_, yb) = reading.ends
        if abs(ya - yb) < 1e-6:
            rows.setdefault(round(ya, 3), []).append(reading)
    levels: dict[int, int] = {}
    taken: list[list[Flat]] = []
    for row in rows.values():
        if len(row) < 2:
            continue
        for reading in sorted(row, key=lambda r: (math.dist(*r.ends), r.number)):
            span = (min(x for x, _ in reading.ends), max(x for x, _ in reading.ends))
            level = next(
                (k for k, old in enumerate(taken) if all(_apart(span, o) for o in old)), len(taken)
            )
            taken[level : level + 1] = [[*(taken[level] if level < len(taken) else []), span]]
            levels[reading.number] = level
    return levels


def _apart(a: Flat, b: Flat) -> bool:
    return a[1] <= b[0] + 1e-6 or b[1] <= a[0] + 1e-6


def _draw_jaw(sheet: _Sheet, tip: Flat, push: Flat) -> None:
    """A small wedge whose point touches the piece, pressing along `push`."""
    across = (-push[1], push[0])
    base = (tip[0] - 3.2 * push[0], tip[1] - 3.2 * push[1])
    wings = [(base[0] + k * across[0], base[1] + k * across[1]) for k in (1.2, -1.2)]
    sheet.polygon([tip, *wings], "jaw")


def _along(a: Flat, b: Flat) -> list[Flat]:
    """Points of a line, a millimetre of the page apart."""
    steps = max(1, math.ceil(math.dist(a, b)))
    return [_between(a, b, i / steps) for i in range(steps + 1)]


def _between(a: Flat, b: Flat, share: float) -> Flat:
    return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])


def _draw_label(
    sheet: _Sheet, reading: Reading, a: Flat, b: Flat, *, labels: list[Flat], lines: list[Flat]
) -> list[Flat]:
    """Number and nominal length on a line, where they cover least; returns what they cover."""
    turn = math.degrees(math.atan2(b[1] - a[1], b[0] - a[0]))
    turn = turn - 180 if turn >= 89.9 else turn + 180 if turn < -90.1 else turn
    words = nominal(reading) if math.dist(a, b) > _ROOM else ""
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))

    def covers(share: float) -> list[Flat]:
        """The badge's centre, then points of the words beside the line."""
        x, y = _between(a, b, share)
        run = [3.6 + 2.0 * i for i in range(math.ceil(_CHARACTER * len(words) / 2.0))]
        return [(x, y), *((x + d * c + 2.2 * s, y + d * s - 2.2 * c) for d in run)]

    def cost(share: float) -> tuple[int, float]:
        points = covers(share)
        hidden = sum(math.dist(p, q) < 2.4 for p in points for q in lines)
        return hidden + sum(math.dist(p, q) < 4.4 for p in points for q in labels), abs(share - 0.5)

    share = min((0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.12, 0.88), key=cost)
    badge, *text = covers(share)
    sheet.badge(*badge, reading.number)
    if words:
        x, y = text[0]
        sheet.text(x - 1.1 * s, y + 1.1 * c, words, "size", turn)
    return covers(share)


def nominal(reading: Reading) -> str:
    """Nominal length of a reading as the drawing shows it."""
    length = math.hypot(*reading.feature.along)
    if reading.feature.kind in ("lean", "sway"):
        return f"0 over {length:.2f}"
    return f"{length:.2f}"


def _draw_list(sheet: _Sheet, drawn: tuple[View, ...], top: float) -> float:
    """The readings in their order; returns where the list ends."""
    columns = (_MARGIN + 7.0, 46.0, 64.0, 92.0)
    for x, words in zip(columns, ("reading", "kind", "nominal", "where"), strict=True):
        sheet.text(x, top, words, "note")
    readings = [reading for view in drawn for reading in view.readings]
    for reading in sorted(readings, key=lambda reading: reading.number):
        top += _ROW
        feature = reading.feature
        sheet.line((_MARGIN, top - 3.8), (_PAGE - _MARGIN, top - 3.8), "rule")
        sheet.badge(_MARGIN + 2.1, top - 1.1, reading.number)
        hint, *more = textwrap.wrap(feature.hint, _HINT_WIDTH) or [""]
        cells = (feature.name, feature.kind, nominal(reading), hint)
        for x, words in zip(columns, cells, strict=True):
            sheet.text(x, top, words)
        for words in more:
            top += _ROW - 1.4
            sheet.text(columns[-1], top, words)
    return top
