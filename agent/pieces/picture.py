"""Text picture of a piece for a terminal: the drawing's views and numbers in a few rows."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from agent.pieces.drawing import nominal, stacked_levels
from agent.pieces.layers import cut
from agent.pieces.solid import Piece
from agent.pieces.view import Flat, Shape, View, views

#: Columns kept for the list of readings.
_LIST: Final = 29
#: Share of a cell from which it counts as plastic; low, so that thin parts do not vanish.
_FULL: Final = 0.2
#: A view may be stretched by this much across its longer side, so that a long piece is not flat.
_STRETCH: Final = 3.0
_SAMPLES: Final = 6  #: lines of sight through a row of cells

_LINES: Final = {"body": "░", "mark": "▓", "row": "─", "column": "│", "left": "├", "right": "┤"}
_PLAIN: Final = {"body": ".", "mark": "#", "row": "-", "column": "|", "left": "|", "right": "|"}
_JAWS: Final = {(1, 0): "▸", (-1, 0): "◂", (0, 1): "▴", (0, -1): "▾"}
_PLAIN_JAWS: Final = {(1, 0): ">", (-1, 0): "<", (0, 1): "^", (0, -1): "v"}

Canvas = list[list[str]]


def picture(piece: Piece, *, width: int = 80, height: int = 24, plain: bool = False) -> str:
    """Views and readings of `piece` in at most `height` rows of `width` columns.

    `plain` keeps to ASCII.  Raises ValueError for room below 60 by 16.
    """
    if width < 60 or height < 16:
        raise ValueError(f"a picture needs 60 by 16 characters, not {width} by {height}")
    shown = [view for view in views(piece) if view.readings]
    listed = _list(shown)
    columns = (width - _LIST - 2 * len(shown)) // len(shown)
    drawn = [_view(view, columns, height - 2, plain) for view in shown]
    rows = max(len(listed), *(len(view) for view in drawn))
    lines = [f"{piece.name}: {piece.title}"]
    for i in range(rows):
        parts = ["".join(view[i]) if i < len(view) else "" for view in drawn]
        text = "  ".join(
            part.ljust(columns) for part in (*parts, listed[i] if i < len(listed) else "")
        )
        lines.append(text.rstrip())
    return "\n".join(lines[:height]) + "\n"


def _list(shown: Iterable[View]) -> list[str]:
    readings = sorted((r for view in shown for r in view.readings), key=lambda r: r.number)
    return [
        f"{r.number:2d} {r.feature.name.split()[-1]:5s}{r.feature.kind:8s}{nominal(r):>7s}"
        for r in readings
    ]


def _view(view: View, columns: int, rows: int, plain: bool) -> Canvas:
    """A view with its stacked dimension lines above it and its name below."""
    signs, jaws = (_PLAIN, _PLAIN_JAWS) if plain else (_LINES, _JAWS)
    levels = stacked_levels(view)
    above = 1 + max(levels.values(), default=-1)
    (x0, y0), (x1, y1) = view.bounds
    # one cell on each side for the jaws; a cell is about twice as high as wide
    across = (x1 - x0) / (columns - 2)
    down = max((y1 - y0) / (rows - above - 3), 2 * across / _STRETCH)
    across = max(across, down / 2 / _STRETCH)
    body = math.ceil((y1 - y0) / down - 1e-9)
    canvas: Canvas = [[" "] * columns for _ in range(above + body + 2)]

    def cell(p: Flat) -> tuple[int, int]:
        row = min(int((y1 - p[1]) / down), body - 1)
        return above + 1 + row, 1 + min(int((p[0] - x0) / across), columns - 3)

    for shape in view.shapes:
        sign = signs["mark" if shape.mark else "body"]
        for row in range(body):
            shares = _covered(shape, (x0, y1 - row * down), across, down, columns - 2)
            for column, share in enumerate(shares, 1):
                if share >= _FULL:
                    canvas[above + 1 + row][column] = sign
    for reading in view.readings:
        (row, a), (row_b, b) = sorted(map(cell, reading.ends), key=lambda at: at[1])
        level = levels.get(reading.number)
        if level is not None:
            _dimension(canvas[above - 1 - level], a, b, reading.number, signs)
        else:
            _line(canvas, (row, a), (row_b, b), reading.number, signs)
        for end, push in zip(reading.ends, reading.pushes, strict=True):
            _jaw(canvas, cell(end), push, jaws)
    axes = f"right {view.right}, up {view.up}"
    feed = f"{axes}; belt feeds +s"
    canvas.append(list((feed if len(feed) <= columns else axes).ljust(columns)[:columns]))
    return canvas


def _covered(shape: Shape, corner: Flat, across: float, down: float, count: int) -> list[float]:
    """Share of each of `count` cells of a row, from its upper left `corner`, inside a shape."""
    shares = [0.0] * count
    for k in range(_SAMPLES):
        span = cut(shape.corners, corner[1] - (k + 0.5) / _SAMPLES * down)
        if span is None:
            continue
        left, right = ((x - corner[0]) / across for x in span)
        for i in range(max(0, int(left)), min(count, math.ceil(right))):
            shares[i] += (min(right, i + 1) - max(left, i)) / _SAMPLES
    return shares


def _dimension(row: list[str], a: int, b: int, number: int, signs: dict[str, str]) -> None:
    for column in range(a, b + 1):
        row[column] = signs["row"]
    row[a], row[b] = signs["left"], signs["right"]
    _write(row, (a + b) // 2, number)


def _line(
    canvas: Canvas, a: tuple[int, int], b: tuple[int, int], number: int, signs: dict[str, str]
) -> None:
    """A line where the caliper lies, its number half way; only the number on a diagonal."""
    (row_a, column_a), (row_b, column_b) = a, b
    if column_a == column_b:
        for row in range(min(row_a, row_b), max(row_a, row_b) + 1):
            canvas[row][column_a] = signs["column"]
    elif row_a == row_b:
        for column in range(column_a, column_b + 1):
            canvas[row_a][column] = signs["row"]
    share = 0.5 if column_a == column_b or row_a == row_b else 0.25
    row = round(row_a + share * (row_b - row_a))
    _write(canvas[row], round(column_a + share * (column_b - column_a)), number)


def _write(row: list[str], column: int, number: int) -> None:
    for i, digit in enumerate(str(number)):
        if column + i < len(row):
            row[column + i] = digit


def _jaw(canvas: Canvas, at: tuple[int, int], push: Flat, jaws: dict[tuple[int, int], str]) -> None:
    """A wedge in the cell beside the face, pointing the way the jaw presses."""
    step = (round(push[0]), round(push[1]))
    if step not in jaws:
        return
    row, column = at[0] + step[1], at[1] - step[0]
    if 0 <= row < len(canvas) and 0 <= column < len(canvas[row]) and canvas[row][column] in " ░.":
        canvas[row][column] = jaws[step]
