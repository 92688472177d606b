"""How a found error stands against its tolerance, and what follows from it: decided here, once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from agent.model.profile import Tolerance
from agent.model.roles import BY_HAND, ROLES, WANTED, scale_of
from agent.model.survey import Survey

if TYPE_CHECKING:
    from agent.estimate.solution import Parameter, Solution

#: How an error stands.  A tolerance is surely kept only where the whole interval lies inside it
#: (the decision rule of ISO 14253-1, from memory).
WITHIN: Final = "in tolerance"
UNSURE: Final = "in tolerance, not certain"
OUTSIDE: Final = "OUTSIDE"
UNTOLD: Final = "within uncertainty"  #: beyond the tolerance, and not told from zero
UNKNOWN: Final = "not determined"


def standing(survey: Survey, solution: Solution, name: str) -> str:
    """How an error stands against its tolerance, in a word or two."""
    found, limit = solution.parameters[name], survey.tolerance.of(name)
    if not found.determined:
        return UNKNOWN
    if limit is not None and abs(found.value) <= limit:
        return WITHIN if abs(found.value) + found.expanded95 <= limit else UNSURE
    return OUTSIDE if found.significant else UNTOLD


def outside(survey: Survey, solution: Solution) -> Iterator[str]:
    """Main errors outside their tolerance, by name."""
    return (name for name in WANTED if standing(survey, solution, name) == OUTSIDE)


#: Combinations of yaw, rail and roll that pieces show.
SQUARE: Final = ("plan_shear_deg", "sway_deg", "gap_deg")


def askew(solution: Solution, tolerance: Tolerance) -> Iterator[tuple[str, float, bool]]:
    """Errors that no setting takes out and that stand outside the tolerance: name and degrees.

    Each with whether it is told by itself; False: only a combination of such errors is known.
    """
    limit = tolerance.angle_deg
    for name in BY_HAND:
        p = solution.parameters.get(name)
        if p is not None and p.determined and p.significant and abs(p.value) > limit:
            yield name, p.value, True
    for name in SQUARE:
        c = solution.derived.get(name)
        if c is not None and abs(c.value) > max(limit, 2 * c.u):
            yield name, c.value, False


def verdict(name: str, parameter: Parameter, solution: Solution, survey: Survey) -> str:
    """What follows from a parameter, in two or three words."""
    axes = (survey.axes.letter(role) for role in ROLES if scale_of(role) == name)
    setting = next((f"steps_per_mm.{letter}" for letter in axes), None)
    if any(c.setting == setting for c in solution.corrections):
        return "set steps/mm"
    if name == "gantry_angle_deg" and solution.slicing_angle_deg is not None:
        return "set slicing angle"
    if not parameter.determined:
        return UNKNOWN
    if not parameter.significant:
        return UNTOLD
    limit = survey.tolerance.of(name)
    if limit is None:
        return "slicer setting"
    if abs(parameter.value) <= limit:
        return WITHIN
    return "by hand" if name in BY_HAND else "see notes"
