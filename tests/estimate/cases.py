"""Short ways to write surveys in tests."""

from agent.model.budget import NO_BUDGET
from agent.model.feature import Reading
from agent.model.profile import Material, Mechanics, Priors
from agent.model.survey import Survey

#: A material whose shrink is known to be none, so that printed lengths speak of the axes alone.
NO_SHRINK = Material(shrink_percent=0.0, shrink_u_percent=0.0)

#: A machine that is known to stand square: no second-order terms of rotations that were not read.
SQUARE = Priors(yaw_deg=0.05, rail_deg=0.05, roll_deg=0.05)


def reading(kind, along, mm, u=None, between=None):
    values = tuple(mm) if isinstance(mm, list | tuple) else (float(mm),)
    return Reading(kind, tuple(float(x) for x in along), values, between, u)


def survey(*readings, angle=45.0, material=NO_SHRINK, steps=None, **more):
    return Survey(
        readings=tuple(readings),
        mechanics=more.pop("mechanics", Mechanics(gantry_angle_deg=angle)),
        steps_per_mm=steps or {"x": 80.0, "y": 80.0, "z": 154.0},
        material=material,
        budget=more.pop("budget", NO_BUDGET),
        **more,
    )


def codes(solution):
    return {advice.code for advice in solution.advice}


def by_setting(solution):
    return {correction.setting: correction for correction in solution.corrections}
