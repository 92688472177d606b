"""Figures as the page prints them: as the display showed them, and never a negative nought."""

from __future__ import annotations

import math
from decimal import Decimal

from agent.estimate.observation import COMPONENT
from agent.model.exact import in_full
from agent.model.feature import Reading, length


def as_read(value: float, step: float) -> str:
    """A value with the decimals of a display of this step, or with more where it has more."""
    text = f"{value:z.{_decimals(step)}f}"
    return text if math.isclose(float(text), value, abs_tol=1e-9) else in_full(value)


def _decimals(step: float) -> int:
    exponent = Decimal(in_full(step)).normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def nominal(reading: Reading) -> str:
    """What would be read of a true part: its length, or how far aside it ends."""
    component = COMPONENT.get(reading.kind)
    return f"{length(reading.along) if component is None else reading.along[component]:z.2f}"


def angle(degrees: float | None) -> str:
    """A slicing angle, to a thousandth of a degree and without idle noughts."""
    if degrees is None:
        return "not known"
    return f"{degrees:.3f}".rstrip("0").rstrip(".") + "°"
