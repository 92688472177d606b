"""Readings in, answer out: the whole estimate in the order a reader would do it."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import numpy as np

from agent.errors import BadInput
from agent.estimate.advice import Findings, advise
from agent.estimate.belt_findings import find
from agent.estimate.combinations import known_combinations
from agent.estimate.fit import Fit, fit
from agent.estimate.observation import observe, unknowns_of
from agent.estimate.parameters import determined_by_fit_name, parameters_of
from agent.estimate.planning import next_reading
from agent.estimate.remedies import LineBuilder, Remedies, corrections, decide, readings_after
from agent.estimate.repeats import strays
from agent.estimate.solution import Residual, Solution
from agent.model.geometry import Array
from agent.model.survey import Survey

#: Level at which one reading in a whole survey is called an outlier against the fit.
OUTLIER_LEVEL = 0.01

#: A limit below this is nought as it is printed, mm.
_NO_ROOM = 0.0005


def solve(survey: Survey, *, line: LineBuilder | None = None) -> Solution:
    """Every error of the machine at once, its uncertainty, and what to do.

    `line` makes the command line of a proposed setting.  Raises BadInput for a survey without
    readings, Refused if the readings cannot belong to one machine, Unknown where a reading rises
    off the belt and the gantry's angle is not known.
    """
    if survey.mechanics.gantry_angle_deg is None and not any(r.rises for r in survey.readings):
        # flat readings and runs of the belt: to first order no angle of the gantry bears on them
        upright = replace(survey.mechanics, gantry_angle_deg=90.0)
        survey = replace(survey, mechanics=upright)
    belt = find(survey)
    if belt is not None:
        survey = replace(survey, readings=(*survey.readings, *belt.readings))
    if not survey.readings and belt is None:
        raise BadInput("no readings to solve from", remedy="Take one reading at least.")
    unknowns = unknowns_of(survey)
    found = fit(observe(survey, unknowns), unknowns)
    parameters = parameters_of(found)
    remedies = decide(survey, found, parameters, slips=belt is not None and belt.slips)
    changes = corrections(survey, found, remedies, line)
    derived = known_combinations(found, determined_by_fit_name(found))
    stray = strays([r.mm for r in survey.readings], survey.instrument.repeatability_mm)
    residuals = residuals_of(found, {i for i, _ in stray})
    upcoming = next_reading(survey, found)
    by_setting = {c.setting.split(".")[1]: (c.old, c.new) for c in changes}
    findings = Findings(
        survey=survey,
        fit=found,
        parameters=parameters,
        remedies=remedies,
        derived=derived,
        residuals=residuals,
        stray=stray,
        new_steps={
            role: by_setting[survey.axes.letter(role)]
            for role in remedies.verdicts
            if survey.axes.letter(role) in by_setting
        },
        next=upcoming,
        belt=belt,
    )
    expected, u_expected = _expected(found, remedies)
    return Solution(
        parameters=parameters,
        corrections=changes,
        slicing_angle_deg=remedies.angle_deg,
        derived=derived,
        residuals=residuals,
        expected_next=tuple(expected.tolist()),
        advice=advise(findings),
        next=upcoming,
        belt=belt,
        u_expected=tuple(u_expected.tolist()),
        fit=found,
    )


def residuals_of(fit: Fit, stray: set[int]) -> tuple[Residual, ...]:
    """Residuals with their standard uncertainty; `stray` are already known not to belong.

    cov(y - f(p)) = V - J P J' (V the variance of the readings, P the posterior covariance).  The
    largest of n residuals is held against `list_deviate`.
    """
    obs = fit.observations
    own = np.sqrt(_left(fit))
    misfit = obs.measured - fit.predicted
    tested = ~np.array(sets_alone(fit), dtype=bool)
    out = tested & (np.abs(misfit) > list_deviate(obs.size) * own)
    columns = (fit.predicted, obs.measured, misfit, own, out)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return tuple(
        Residual(predicted, measured, residual, u, outlier or i in stray)
        for i, (predicted, measured, residual, u, outlier) in enumerate(rows)
    )


def list_deviate(count: int) -> float:
    """How many standard uncertainties off the worst of `count` good readings may be, at 99 %.

    The normal deviate at level alpha/(2n) (Bonferroni), so that a whole list of good readings is
    seldom called wrong: 2.6 for one reading, 3.5 for twenty.
    """
    return NormalDist().inv_cdf(1 - OUTLIER_LEVEL / (2 * max(count, 1)))


def sets_alone(fit: Fit) -> tuple[bool, ...]:
    """For each reading, whether it sets its part of the estimate alone: it always fits then."""
    return tuple(bool(x) for x in _left(fit) <= 1e-3 * fit.observations.independent)


def residual_limits(solution: Solution) -> tuple[float | None, ...]:
    """How far each reading may be from the estimate and still fit, mm.

    None for a reading that sets its part of the estimate alone; where the fit is not at hand any
    more, for one that leaves no room at all.
    """
    limits = [list_deviate(len(solution.residuals)) * r.u for r in solution.residuals]
    if solution.fit is not None:
        alone = sets_alone(solution.fit)
    else:
        alone = tuple(limit < _NO_ROOM for limit in limits)
    return tuple(None if lonely else limit for limit, lonely in zip(limits, alone, strict=True))


def _left(fit: Fit) -> Array:
    """Variance (n,) of the residuals, mm^2."""
    J = fit.J
    left: Array = np.maximum(fit.observations.independent - ((J @ fit.cov) * J).sum(axis=1), 0.0)
    return left


def _expected(fit: Fit, remedies: Remedies) -> tuple[Array, Array]:
    """Readings (n,) expected after the remedies, and the standard uncertainty (n,) of their
    difference from what the same instrument then shows with as many repeats, mm."""
    expected, J = readings_after(fit, remedies.applied)
    model = ((J @ fit.cov) * J).sum(axis=1)
    return expected, np.sqrt(np.maximum(model, 0.0) + fit.observations.independent)


def agreement(solution: Solution, measured: Array) -> tuple[bool, ...]:
    """Whether each new reading agrees with what was expected.

    `measured` (n,) mm, in the order of the readings.  Raises ValueError for another length.
    """
    expected = np.array(solution.expected_next)
    if np.shape(measured) != expected.shape:
        raise ValueError(f"expected {expected.size} readings, not {np.size(measured)}")
    limits = np.array(agreement_limits(solution))
    return tuple(bool(x) for x in np.abs(measured - expected) <= limits)


def agreement_limits(solution: Solution) -> tuple[float, ...]:
    """How far each new reading may be from what was expected and still agree, mm."""
    deviate = list_deviate(len(solution.u_expected))
    return tuple(deviate * u for u in solution.u_expected)
