"""Readings in, answer out: the whole estimate in the order a reader would do it."""

from __future__ import annotations

from dataclasses import replace
from statistics import NormalDist

import numpy as np

from agent.errors import BadInput
from agent.estimate.advice import Findings, advise
from agent.estimate.belt_findings import find
from agent.estimate.combinations import known_combinations, of_readings_alone
from agent.estimate.consistency import Examined, examine
from agent.estimate.effects import FRESH
from agent.estimate.fit import LEFT_OUT, Fit
from agent.estimate.mistakes import slip_limit, slip_shares
from agent.estimate.observation import LEAST_VARIANCE
from agent.estimate.parameters import PUBLIC, parameters_of
from agent.estimate.planning import next_reading, read_again
from agent.estimate.remedies import LineBuilder, Remedies, corrections, decide, readings_after
from agent.estimate.solution import Explanation, Residual, Solution
from agent.model.geometry import Array
from agent.model.survey import Survey

#: Level at which one reading of a whole second round is said to disagree.
DISAGREES_LEVEL = 0.01

#: A reading whose residual keeps less than this share of its variance sets its part alone.
_ALONE = 1e-3


def solve(survey: Survey, *, line: LineBuilder | None = None) -> Solution:
    """Every error of the machine at once, its uncertainty, and what to do.

    `line` makes the command line of a proposed setting.  Raises BadInput for a survey without
    readings, Refused if the readings cannot belong to one machine, Unknown where a reading rises
    off the belt and the gantry's angle is not known.
    """
    flat = survey.mechanics.gantry_angle_deg is None and not any(r.rises for r in survey.readings)
    if flat:
        # flat readings and runs of the belt: to first order no angle of the gantry bears on them
        upright = replace(survey.mechanics, gantry_angle_deg=90.0)
        survey = replace(survey, mechanics=upright)
    belt = find(survey)
    if belt is not None:
        survey = replace(survey, readings=(*survey.readings, *belt.readings))
    if not survey.readings and belt is None:
        raise BadInput("no readings to solve from", remedy="Take one reading at least.")
    examined = examine(survey)
    found = examined.fit
    alone = of_readings_alone(found)
    parameters = parameters_of(found, alone)
    withheld = belt.withheld if belt is not None else {}
    remedies = decide(survey, examined, parameters, withheld=withheld)
    changes = corrections(survey, found, remedies, line)
    determined = {own: parameters[name].determined for name, own in PUBLIC.items()}
    derived = known_combinations(found, determined, alone)
    residuals = residuals_of(survey, examined)
    upcoming = read_again(survey, examined) or next_reading(survey, examined)
    if flat and upcoming is not None and upcoming.along[2]:
        upcoming = None  # which way it rises is not known
    by_setting = {c.setting.split(".")[1]: (c.old, c.new) for c in changes}
    findings = Findings(
        survey=survey,
        examined=examined,
        parameters=parameters,
        remedies=remedies,
        derived=derived,
        residuals=residuals,
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
        goodness=examined.goodness,
        contradictory=examined.contradictory,
        examined=examined,
    )


def residuals_of(survey: Survey, examined: Examined) -> tuple[Residual, ...]:
    """Residuals with their standard uncertainty; outliers are the readings called wrong.

    A reading of variance V and with the row j of the Jacobian leaves cov(y - f(p)) = V - j P j'
    where it counts in the estimate (P its covariance; the mean over the grades of bench that the
    estimate weighs), V + j P j' where it was left out.  With
    e = (y - f(p)) V / (V - j P j') it differs from what all others say of it.
    """
    fit = examined.fit
    why = {a.row: Explanation(a.mistake, a.text) for a in examined.accused}
    out = np.array([i in why for i in range(fit.observations.size)], dtype=bool)
    own, told = _own_and_told(fit)
    V, left = examined.spread.left()
    left = np.where(out, own + told, left)
    share = np.where(out, 1.0, left / np.maximum(V, LEAST_VARIANCE))
    alone = share <= _ALONE
    apart = np.maximum(left, LEAST_VARIANCE) / np.maximum(share, _ALONE) ** 2
    limit = slip_limit(apart, slip_shares(survey.readings)) * share
    columns = (fit.predicted, fit.observations.measured, fit.misfit, np.sqrt(left), limit, alone)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return tuple(
        Residual(
            predicted, measured, residual, u, i in why, why.get(i), None if lonely else allowed
        )
        for i, (predicted, measured, residual, u, allowed, lonely) in enumerate(rows)
    )


def residual_limits(solution: Solution) -> tuple[float | None, ...]:
    """How far each reading may be from the estimate and still fit, mm.

    None for a reading that sets its part of the estimate alone: it always fits.
    """
    return tuple(r.allowed for r in solution.residuals)


def list_deviate(count: int) -> float:
    """How many standard uncertainties off the worst of `count` good readings may be, at 99 %.

    The normal deviate at level alpha/(2n) (Bonferroni), so that a whole list of good readings is
    seldom called wrong: 2.6 for one reading, 3.5 for twenty.
    """
    return NormalDist().inv_cdf(1 - DISAGREES_LEVEL / (2 * max(count, 1)))


def _own_and_told(fit: Fit) -> tuple[Array, Array]:
    """Variance (n,) of each reading by itself, and of what the estimate says of it, mm^2."""
    obs, J = fit.observations, fit.J
    V = obs.independent - obs.own.get(LEFT_OUT, np.zeros(obs.size))
    told: Array = ((J @ fit.cov) * J).sum(axis=1)
    return np.maximum(V, LEAST_VARIANCE), told


def _expected(fit: Fit, remedies: Remedies) -> tuple[Array, Array]:
    """Readings (n,) expected after the remedies, and the standard uncertainty (n,) of their
    difference from what the same instrument then shows with as many repeats, mm.

    What repeats (the zero of the caliper, the square, the gauge, the way of slicing) is the same
    again and is foretold with the rest; so a second round on the same instrument is no proof of
    it.  What is drawn anew (form, hand, warmth, where on the belt) counts once more.
    """
    expected, J = readings_after(fit, remedies.applied)
    sought = fit.unknowns.sought
    fresh = np.zeros(len(fit.p), dtype=bool)
    fresh[sought:] = [c in FRESH for c in fit.unknowns.components]
    told = np.where(fresh, 0.0, J)
    again = (J[:, fresh] ** 2) @ fit.unknowns.u[fresh] ** 2
    V = _own_and_told(fit)[0]
    expected = expected - J[:, fresh] @ fit.p[fresh]
    return expected, np.sqrt(((told @ fit.cov) * told).sum(axis=1) + again + V)


def agreement_limits(solution: Solution) -> tuple[float, ...]:
    """How far each new reading may be from what was expected and still agree, mm."""
    deviate = list_deviate(len(solution.u_expected))
    return tuple(deviate * u for u in solution.u_expected)
