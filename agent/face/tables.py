"""Tables of the terminal, each a heading and plain rows: no state, no questions, no link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from agent.estimate.solution import Parameter, Solution
from agent.face.screen import Screen
from agent.face.words import BY_HAND, reading_name, shown
from agent.model.feature import Reading
from agent.model.settings import Readback

#: Width of the drawn interval, in characters; odd, so that zero has a place of its own.
_BAR = 21


def interval(value: float, half: float, reach: float, width: int = _BAR) -> str:
    """A value with its interval on a line from -reach to +reach: `:` is zero, `o` the value.

    What lies outside is drawn as an arrow at the edge.
    """
    middle = width // 2

    def place(x: float) -> int:
        return middle + round(max(-1.2, min(1.2, x / reach)) * middle)

    row = [" "] * width
    row[middle] = ":"
    for i in range(max(place(value - half), 0), min(place(value + half), width - 1) + 1):
        row[i] = "-"
    if 0 <= place(0.0) < width and row[middle] == "-":
        row[middle] = "+"
    at = place(value)
    if at < 0:
        row[0] = "<"
    elif at >= width:
        row[-1] = ">"
    else:
        row[at] = "o"
    return "".join(row)


def verdict(name: str, parameter: Parameter, solution: Solution) -> str:
    """What follows from a parameter, in two or three words."""
    letter = {"x_scale": "x", "y_scale": "y", "z_scale": "z"}.get(name)
    if letter and any(c.setting == f"steps_per_mm.{letter}" for c in solution.corrections):
        return "correct it"
    if name == "gantry_angle_deg" and solution.slicing_angle_deg is not None:
        return "slice for it"
    if not parameter.determined:
        return "not known yet"
    if name in BY_HAND and parameter.significant:
        return "by hand"
    if name.startswith("offset") or name == "shrink":
        return ""
    return "leave it"


def parameters(screen: Screen, solution: Solution) -> None:
    """Every parameter with its 95 % interval, and what follows from it."""
    rows = []
    for name, p in solution.parameters.items():
        words = shown(name)
        rows.append(
            (
                words.words,
                words.value(p.value),
                words.spread(p.expanded95),
                interval(p.value, p.expanded95, 2 * p.prior_u) if p.prior_u > 0 else "stated",
                verdict(name, p, solution),
            )
        )
    screen.table(
        [("error", False), ("found", True), ("95 %", True), ("-", False), ("so", False)], rows
    )


def combinations(screen: Screen, solution: Solution) -> None:
    """Combinations known better than their parts; nothing where there are none."""
    if not solution.derived:
        return
    screen.say("Known together, though not one by one:")
    rows = [
        (shown(name).words, shown(name).value(c.value), shown(name).spread(2 * c.u))
        for name, c in solution.derived.items()
    ]
    screen.table([("error", False), ("found", True), ("95 %", True)], rows)


def residuals(screen: Screen, readings: Sequence[Reading], solution: Solution) -> None:
    """Readings against the estimate; those that fit badly are marked in words."""
    rows = [
        (
            str(number),
            reading_name(reading),
            f"{r.measured:.3f}",
            f"{r.predicted:.3f}",
            f"{r.residual:+.3f}",
            f"± {2 * r.u:.3f}",
            "read again" if r.outlier else "",
        )
        for number, (reading, r) in enumerate(
            zip(readings, solution.residuals, strict=True), start=1
        )
    ]
    columns = [("no", True), ("reading", False), ("read, mm", True), ("expected", True)]
    screen.table([*columns, ("apart", True), ("95 %", True), ("", False)], rows)


def settings(
    screen: Screen, readback: Readback, beside: Mapping[str, Mapping[str, float]] | None = None
) -> None:
    """Settings of a read-back, with further columns of values by key (saved, stored, ...)."""
    others = beside or {}
    rows = []
    for key, setting in readback.settings.items():
        row = [key, f"{setting.value:.{setting.digits}f}", setting.unit]
        for values in others.values():
            value = values.get(key)
            if value is None:
                row.append("-")
            elif setting.agrees_with(value):
                row.append("same")
            else:
                row.append(f"{value:.{max(setting.digits, 2)}f} (!)")
        rows.append(row)
    columns = [("setting", False), ("live", True), ("unit", False)]
    screen.table([*columns, *((name, True) for name in others)], rows)
