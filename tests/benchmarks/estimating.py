"""`solve` against general numerical libraries on the same problem."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from agent.estimate import solve
from agent.estimate.fit import fit
from agent.estimate.observation import Observations, Unknowns, observe
from agent.estimate.spread import sized, spread
from agent.model.geometry import Array
from agent.model.profile import Profile
from agent.model.survey import Survey
from agent.pieces import PIECES, toolpath
from tests.benchmarks.benches import long_survey, profile, standard_survey
from tests.benchmarks.table import Row, at_most
from tests.benchmarks.timing import Act, grown, growth, seconds, side_by_side


def rows(quick: bool) -> Iterator[Row]:
    survey = standard_survey()
    problem = Problem(*observe(survey))
    least_squares_says = problem.by_least_squares(analytic=True)
    fitted = fit(problem.observations, problem.unknowns)
    assert np.allclose(least_squares_says[:2], fitted.p[:2], atol=1e-6)
    given = "scipy least_squares on one fit of it, our Jacobian given"
    ours, reference = side_by_side(
        lambda: solve(survey), lambda: problem.by_least_squares(analytic=True), runs=9, number=3
    )
    yield Row(
        f"solve of the standard pieces, {len(survey.readings)} readings, warm",
        ours,
        reference,
        given,
        at_most(1.5),
    )
    graded = [Problem(*sized(problem.observations, problem.unknowns, form, grade))
              for form, grade in spread(fitted).factors]  # fmt: skip
    ours, reference = side_by_side(
        lambda: solve(survey), lambda: [one.by_least_squares(analytic=True) for one in graded]
    )
    yield Row(
        f"the same solve, which weighs {len(graded)} grades of bench",
        ours,
        reference,
        "such a fit by scipy least_squares for each grade, our Jacobian given",
    )
    ours, reference = side_by_side(
        lambda: fit(problem.observations, problem.unknowns),
        lambda: problem.by_least_squares(analytic=True),
        runs=9,
        number=5,
    )
    yield Row(
        "the fit in it alone, with its covariance",
        ours,
        reference,
        given,
    )
    count = 1_000 if quick else 10_000
    long = long_survey(count)
    problem = Problem(*observe(long))
    ours, reference = side_by_side(
        lambda: solve(long), lambda: problem.by_least_squares(analytic=True), runs=3
    )
    yield Row(f"solve of {count:,} different readings", ours, reference, given, at_most(5))
    sizes = (100, 1_000, 10_000) if quick else (1_000, 10_000, 100_000)
    yield growth("solve by readings", sizes, _solving, runs=1)
    yield grown("peak memory of solve by readings", {n: _peak(long_survey(n)) for n in sizes}, "MB")
    yield _toolpaths((2.5, 0.25) if quick else (2.5, 0.25, 0.025))


class Problem:
    """The estimate as libraries want it: weighted misfits and pulls towards the priors."""

    def __init__(self, observations: Observations, unknowns: Unknowns) -> None:
        self.observations, self.unknowns = observations, unknowns
        self.sought = np.flatnonzero(self.unknowns.u > 0)
        self.root_weight = 1 / np.sqrt(self.observations.independent)

    def at(self, q: Array) -> Array:
        """All unknowns from those sought, in units of their priors."""
        p: Array = self.unknowns.mean.copy()
        p[self.sought] += q * self.unknowns.u[self.sought]
        return p

    def misfits(self, q: Array) -> Array:
        predicted, _ = self.observations.predict(self.at(q))
        return np.concatenate([(self.observations.measured - predicted) * self.root_weight, -q])

    def slopes(self, q: Array) -> Array:
        _, J = self.observations.predict(self.at(q))
        scaled = J[:, self.sought] * self.unknowns.u[self.sought] * self.root_weight[:, None]
        return -np.vstack([scaled, np.eye(len(self.sought))])

    def by_least_squares(self, *, analytic: bool) -> Array:
        start = np.zeros(len(self.sought))
        jac = self.slopes if analytic else "2-point"
        return self.at(least_squares(self.misfits, start, jac=jac).x)


def _solving(count: int) -> Act:
    survey = long_survey(count)
    return lambda: solve(survey)


def _peak(survey: Survey) -> float:
    """Peak memory of one solve, MB."""
    solve(survey)
    tracemalloc.start()
    solve(survey)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 1e6


def _toolpaths(heights: tuple[float, ...]) -> Row:
    """Growth of drawing and slicing a post of ever thinner layers."""
    spent = {}
    for height in heights:
        bead = replace(profile().bead, height_mm=height, width_mm=2 * height)
        machine = replace(profile(), bead=bead)
        lines: list[str] = []

        def act(machine: Profile = machine, lines: list[str] = lines) -> None:
            lines[:] = toolpath(PIECES["post"](machine), machine)

        cost = seconds(act)
        spent[len(lines)] = cost
    return grown("post and toolpath by lines", spent)
