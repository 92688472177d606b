"""Exact values and decimals: what stands behind a printed number, and how numbers are written.

A controller prints fewer digits than it holds.  A value that was sent to it at some time stands
for the printed one as long as it would be printed so; nothing else may replace a print.  And a
value is rounded in one place only, in the controller's own unit, so that plan, line, read-back
and retyped value all mean the same number.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from agent.model.settings import Setting

#: Decimals of a value to send, in the controller's unit, unless it prints more.
DECIMALS: Final = 5

#: Millimetres of an inch, exactly (international inch of 1959).
MM_PER_INCH: Final = 25.4

#: Beyond the one and, but for 0, below the other lies no number of a workshop.
MOST_OF_USE: Final = 1e12
LEAST_OF_USE: Final = 1e-12


def exact(printed: Setting, *known: float | None) -> float:
    """The value behind `printed`: the first of `known` that would be printed so, else the print."""
    fitting = (value for value in known if value is not None and printed.agrees_with(value))
    return next(fitting, printed.value)


def factor(setting: Setting) -> float:
    """What one unit that the controller prints is in the unit of the key: 1/60 from mm/min."""
    return 1.0 if setting.tolerance is None else setting.tolerance / (0.5 * 10.0**-setting.digits)


def decimals(setting: Setting) -> int:
    """Decimals that show, in the unit of the key, what the controller's own decimals can tell."""
    if setting.tolerance is None:
        return setting.digits
    return max(0, math.ceil(-math.log10(2 * setting.half_digit) - 1e-9))


def sendable(value: float, setting: Setting | None = None) -> float:
    """`value` as a line can carry it, in the unit of the key; `setting` as it was read."""
    if setting is None:
        return round(value, DECIMALS)
    unit = factor(setting)
    return round(value / unit, max(DECIMALS, setting.digits)) * unit


def on_line(value: float, setting: Setting) -> str:
    """`value`, in the unit of the key, as a line in the unit and decimals of `setting` has it."""
    return number(value / factor(setting), max(DECIMALS, setting.digits))


def several(count: int, what: str) -> str:
    """How many of what: `1 reading`, `3 readings`; `what` as it is called where it is one."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def number(value: float, places: int = DECIMALS) -> str:
    """`value` as controllers read it: no exponent, no superfluous zeros, never minus nought."""
    text = f"{value:z.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def same(one: float, other: float) -> bool:
    """True if the two, in the unit of the key, differ by less than a line of ours can carry."""
    return round(one, DECIMALS) == round(other, DECIMALS)


# --- on screens ----------------------------------------------------------------------------------


def as_printed(setting: Setting, value: float | None = None) -> str:
    """The setting, or another `value` of it, with the decimals that its print can tell."""
    return f"{setting.value if value is None else value:.{decimals(setting)}f}"


def in_full(value: float) -> str:
    """A value with all the digits that it is known to, at most ten."""
    return f"{value:.10g}"
