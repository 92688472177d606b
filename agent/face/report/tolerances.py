"""How the main errors stand against their tolerances."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from agent.face.report.tune import Measured
from agent.face.words import MAIN, shown

#: How an error stands.  A tolerance is surely kept only where the whole interval lies inside it
#: (the decision rule of ISO 14253-1, from memory).
WITHIN: Final = "in tolerance"
UNSURE: Final = "in tolerance, not certain"
OUTSIDE: Final = "OUTSIDE"
UNTOLD: Final = "within uncertainty"  #: beyond the tolerance, and not told from zero
UNKNOWN: Final = "not determined"


def words_of(measured: Measured, name: str) -> str:
    """The tolerance of an error, with its unit."""
    tolerance = measured.survey.tolerance
    if name.endswith("_scale"):
        return f"{tolerance.scale_percent:g} %"
    return f"{tolerance.angle_deg:g}°"


def limit_of(measured: Measured, name: str) -> float | None:
    """Tolerance in the shown unit, for what has one."""
    if name.endswith("_scale"):
        return measured.survey.tolerance.scale_percent
    return measured.survey.tolerance.angle_deg if name.endswith("_deg") else None


def standing(measured: Measured, name: str) -> str:
    """How an error stands against its tolerance, in a word or two."""
    found, limit = measured.solution.parameters[name], limit_of(measured, name)
    value = abs(found.value) * shown(name).factor
    if not found.determined:
        return UNKNOWN
    if limit is not None and value <= limit:
        return WITHIN if value + found.expanded95 * shown(name).factor <= limit else UNSURE
    return OUTSIDE if found.significant else UNTOLD


def outside(measured: Measured) -> Iterator[str]:
    """Main errors outside their tolerance, by name."""
    return (name for name in MAIN if standing(measured, name) == OUTSIDE)
