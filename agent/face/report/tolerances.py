"""How the main errors stand against their tolerances."""

from __future__ import annotations

from collections.abc import Iterator

from agent.face.report.tune import Measured
from agent.face.words import MAIN, shown


def words_of(measured: Measured, name: str) -> str:
    """The tolerance of an error, with its unit."""
    tolerance = measured.survey.tolerance
    if name.endswith("_scale"):
        return f"{tolerance.scale_percent:g} %"
    return f"{tolerance.angle_deg:g} deg"


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
        return "not known"
    if limit is not None and value <= limit:
        # A tolerance is surely kept only where the whole interval lies inside it (the decision
        # rule of ISO 14253-1, from memory).
        sure = value + found.expanded95 * shown(name).factor <= limit
        return "within" if sure else "within, not surely"
    if not found.significant:
        return "not told from zero"
    return "OUTSIDE"


def outside(measured: Measured) -> Iterator[str]:
    """Main errors outside their tolerance, by name."""
    return (name for name in MAIN if standing(measured, name) == "OUTSIDE")
