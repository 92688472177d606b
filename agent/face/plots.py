"""Pictures of plain characters for the terminal: intervals, residuals, belt runs.

Every function returns lines of at most `WIDTH` characters, in ASCII and without colour: what a
mark means is said by its shape and by words beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from agent.estimate.belt_run import BeltRun as Evaluated
    from agent.estimate.solution import Residual
    from agent.model.survey import BeltRun

#: Widest picture, characters: a terminal of the least size, moved in by a blank.
WIDTH: Final = 79

#: Width of a drawn interval, characters; odd, so that zero has a place of its own.
INTERVAL_WIDTH: Final = 15

#: Rows of a diagram, without its title and its axis.
_ROWS: Final = 9

#: What stands beside a reading that fits no other.
_OUTLIER: Final = "  read again"

#: Characters kept on the left of a diagram for the numbers of its upright axis.
_MARGIN: Final = 9


def interval(value: float, half: float, reach: float) -> str:
    """A value with its interval on a line from -reach to +reach: `:` is zero, `o` the value.

    What lies outside is drawn as an arrow at the edge.
    """
    width = INTERVAL_WIDTH
    middle = width // 2

    def place(x: float) -> int:
        return middle + round(x / reach * middle)

    row = [" "] * width
    row[middle] = ":"
    for i in range(max(place(value - half), 0), min(place(value + half), width - 1) + 1):
        row[i] = "+" if i == middle else "-"
    at = place(value)
    row[min(max(at, 0), width - 1)] = "<" if at < 0 else ">" if at >= width else "o"
    return "".join(row)


def residuals(
    names: Sequence[str],
    found: Sequence[Residual],
    limits: Sequence[float | None],
) -> list[str]:
    """Readings against the estimate: within `( )` they fit, `o` is what is left.

    limits  how far each may be off and still fit; None where nothing could gainsay it

    An outlier is drawn as `#` and has words beside it.
    """
    if not found:
        return []
    halves = [limit or 0.0 for limit in limits]
    reach = max(max(abs(r.residual), h) for r, h in zip(found, halves, strict=True)) * 1.05 or 1.0
    wide = min(max(map(len, names)), 20)
    room = (WIDTH - wide - 15 - len(_OUTLIER)) // 2 * 2 - 1
    lines = [
        f"{name[:wide]:<{wide}} {r.residual:+z8.3f}  |{_held(r, half, reach, room)}|"
        + (_OUTLIER if r.outlier else "")
        for name, r, half in zip(names, found, halves, strict=True)
    ]
    foot = f"{'':<{wide}} {'mm':>8}  {_ends(f'{-reach:+.3f}', '0', f'{reach:+.3f}', room + 2)}"
    return [line.rstrip() for line in (*lines, foot)]


def _held(r: Residual, half: float, reach: float, room: int) -> str:
    middle = room // 2

    def place(x: float) -> int:
        return middle + round(x / reach * middle)

    row = [" "] * room
    row[middle] = ":"
    row[place(-half)], row[place(half)] = "(", ")"
    row[place(r.residual)] = "#" if r.outlier else "o"
    return "".join(row)


def _ends(left: str, middle: str, right: str, width: int) -> str:
    """Three texts on one line: flush left, in the middle, flush right."""
    row = list(left.ljust(width))
    start = (width - len(middle)) // 2
    row[start : start + len(middle)] = middle
    row[width - len(right) :] = right
    return "".join(row)


# --- diagrams ------------------------------------------------------------------------------------


class Diagram:
    """A rectangle of characters over a range of x and y; later marks cover earlier ones."""

    def __init__(
        self, x: tuple[float, float], y: tuple[float, float], columns: int, rows: int
    ) -> None:
        self._x, self._y = x, y
        self.columns, self.rows = columns, rows
        self._cells = [[" "] * columns for _ in range(rows)]

    def column(self, x: float) -> int:
        low, high = self._x
        return round((x - low) / (high - low) * (self.columns - 1))

    def row(self, y: float) -> int:
        low, high = self._y
        return round((high - y) / (high - low) * (self.rows - 1))

    def mark(self, x: float, y: float, sign: str) -> None:
        """Put a sign where (x, y) lies; nothing above or below the rectangle."""
        row = self.row(y)
        if 0 <= row < self.rows:
            self._cells[row][self.column(x)] = sign

    def curve(self, of: Callable[[float], float], sign: str) -> None:
        low, high = self._x
        for column in range(self.columns):
            x = low + (high - low) * column / (self.columns - 1)
            self.mark(x, of(x), sign)

    def level(self, y: float, sign: str = "-") -> None:
        row = self.row(y)
        if 0 <= row < self.rows:
            self._cells[row] = [sign] * self.columns

    def lines(self, left: str, right: str) -> list[str]:
        """The rectangle with its axes; `left` and `right` stand under the ends of x."""
        low, high = self._y
        shown = {0: high, self.rows - 1: low}
        if low < 0 < high and 0 < self.row(0.0) < self.rows - 1:
            shown[self.row(0.0)] = 0.0
        lines = []
        for number, cells in enumerate(self._cells):
            label = f"{shown[number]:+.3f}" if number in shown else ""
            lines.append(f"{label:>{_MARGIN - 2}} |{''.join(cells)}".rstrip())
        lines.append(f"{'':>{_MARGIN - 2}} +{'-' * self.columns}")
        lines.append(f"{'':>{_MARGIN}}{_ends(left, '', right, self.columns)}")
        return lines


def _around(values: Sequence[float]) -> tuple[float, float]:
    """A range that holds all values with a little air, and zero unless it is far away."""
    low, high = min(values), max(values)
    if high - low > 0.2 * max(abs(low), abs(high)):
        low, high = min(low, 0.0), max(high, 0.0)
    air = 0.06 * (high - low or 1.0)
    return low - air, high + air


def marks_of(run: BeltRun) -> Iterator[tuple[float, float, bool]]:
    """(commanded, error, reached going forward) of each mark of a run, mm."""
    # The rule which way a mark was reached belongs to the evaluation of runs.
    from agent.estimate.belt_findings import passes_of

    for (commanded, measured), ahead in passes_of(run):
        yield commanded, measured - commanded, ahead


def belt_run(run: BeltRun, found: Evaluated) -> list[str]:
    """Error along a belt run: `o` going forward, `x` going back, `.` the fitted line and sine."""
    marks = list(marks_of(run))
    xs = [x for x, _, _ in marks]
    ys = [y for _, y, _ in marks]
    diagram = Diagram(
        (min(xs), max(xs)),
        _around([*ys, *(found.error_at(x) for x in xs)]),
        WIDTH - _MARGIN,
        _ROWS,
    )
    diagram.level(0.0)
    diagram.curve(found.error_at, ".")
    for x, y, ahead in marks:
        diagram.mark(x, y, "o" if ahead else "x")
    back = "" if all(ahead for _, _, ahead in marks) else "  x read going back"
    title = f"error, mm: o read{' going forward' if back else ''}{back}  . fitted"
    lines = diagram.lines(f"{min(xs):g}", f"commanded {max(xs):g} mm")
    return [line[:WIDTH] for line in (title, *lines)]
