"""The proof after a change: few readings, and the error that they would show with 95 %."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from agent.estimate.foretelling import compare
from agent.estimate.parameters import PUBLIC, public_unit
from agent.estimate.proof import POWER, proof
from agent.estimate.solution import Solution
from agent.model.feature import Reading
from agent.model.profile import Tolerance
from agent.model.survey import Survey
from tests.face.bench import carry_out, desk_at

LINES = ("attach", "gauge travel --enough", "lay stem", "gauge stem --enough", "solve")


@cache
def solved() -> tuple[Survey, Solution]:
    """A machine that is off in every scale and in the angle."""
    desk = desk_at(seed=3)
    desk.session.contact.use(replace(desk.session.profile, tolerance=Tolerance(0.1, 0.15)))
    assert carry_out(desk, LINES) == [0] * len(LINES)
    survey, solution = desk.session.now.survey, desk.session.now.solution
    assert survey is not None
    assert solution is not None
    return survey, solution


def minutes(reading: Reading) -> float:
    return 1.0 if reading.kind == "travel" else 30.0


def test_each_changed_parameter_is_proved_by_one_reading() -> None:
    survey, solution = solved()
    found = proof(survey, solution, minutes)
    changes = len(solution.corrections) + (solution.slicing_angle_deg is not None)
    assert len({shows.parameter for shows in found}) == len(found) == changes
    for shows in found:
        kind = survey.readings[shows.row].kind
        assert kind == ("lean" if shows.parameter == "gantry_angle_deg" else "travel")
    assert sum(shows.values for shows in found) < sum(len(r.mm) for r in survey.readings) / 2


def test_where_nothing_is_changed_nothing_is_to_be_proved() -> None:
    survey, solution = solved()
    assert proof(survey, replace(solution, corrections=(), slicing_angle_deg=None), minutes) == ()


@pytest.mark.parametrize("parameter", ["x_scale", "z_scale", "gantry_angle_deg"])
def test_the_error_told_is_seen_in_nineteen_of_twenty(parameter: str) -> None:
    """Monte Carlo through the comparison itself, the other readings of the proof being good."""
    survey, solution = solved()
    found = proof(survey, solution, minutes)
    shows = next(s for s in found if s.parameter == parameter)
    fit = solution.fit
    assert fit is not None
    # how a reading moves with the parameter: a central difference of the model itself
    column = fit.unknowns.index(PUBLIC[shows.parameter])
    step = np.zeros(len(fit.p))
    step[column] = 1e-4
    there, back = (
        fit.observations.predict(fit.p + step)[0],
        fit.observations.predict(fit.p - step)[0],
    )
    slope = abs(there - back)[shows.row] / 2e-4
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((3000, len(found)))

    def share(error: float) -> float:
        seen = 0
        for row in noise:
            again = [
                replace(
                    survey.readings[s.row],
                    mm=(
                        solution.expected_next[s.row]
                        + z * solution.u_expected[s.row]
                        + (error * slope if s is shows else 0.0),
                    ),
                )
                for s, z in zip(found, row, strict=True)
            ]
            rows = compare(survey, solution, again, 0.0)
            seen += not next(r for r in rows if r.name == shows.name).agrees
        return seen / len(noise)

    assert share(shows.error / public_unit(parameter)) == pytest.approx(POWER, abs=0.02)
