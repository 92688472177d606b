"""The fit against general-purpose libraries and against a covariance written out in full."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from agent.errors import BadInput
from agent.estimate import solve
from agent.estimate.fit import _inside, fit
from agent.estimate.observation import observe
from agent.model.geometry import DELTA, EX, EZ, affine
from agent.model.profile import Instrument, Material
from tests.estimate.cases import reading, survey

FEATURES = [
    ("outside", (20, 0, 0)), ("outside", (160, 0, 0)), ("outside", (0, 20, 0)),
    ("outside", (0, 180, 0)), ("pitch", (0, 90, 0)), ("outside", (0, 0, 30)),
    ("outside", (0, 0, 90)), ("lean", (0, 0, 90)), ("sway", (0, 0, 90)),
    ("inside", (20, 0, 0)), ("outside", (80, 80, 0)), ("outside", (80, -80, 0)),
    ("travel", (0, 100, 100)), ("gap", (150, 0, 0)),
]  # fmt: skip


def noisy(seed, repeats=5, spread=0.02):
    """A survey of a random machine, predicted and read with noise."""
    rng = np.random.default_rng(seed)
    blank = survey(
        *(reading(kind, v, [50.0] * repeats) for kind, v in FEATURES),
        material=Material("", 0.3, 0.1),
    )
    obs, unknowns = observe(blank)
    p = unknowns.mean + unknowns.u * rng.standard_normal(len(unknowns.mean))
    true = obs.predict(p)[0]
    return p, survey(
        *(
            reading(kind, v, list(mm + spread * rng.standard_normal(repeats)))
            for (kind, v), mm in zip(FEATURES, true, strict=True)
        ),
        material=Material("", 0.3, 0.1),
    )


@pytest.mark.parametrize("seed", [14, 16, 20, 21])
def test_many_precise_lengths_settle_although_no_gap_was_read(seed):
    """Yaw, rail and roll are then open: their valley is bent, and plain steps overshoot it."""
    rng = np.random.default_rng(seed)
    kinds = ("outside", "inside", "pitch", "travel", "lean", "sway")
    directions = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0))
    blank = survey(
        *(
            reading(
                kinds[i % 6],
                rng.uniform(15, 200) * np.array((0, 0, 1) if i % 6 > 3 else directions[i // 6 % 4]),
                [0.0],
            )
            for i in range(40)
        )
    )
    obs, unknowns = observe(blank)
    errors = (0.006, -0.004, 0.011, 0.0087, 0.0035, 0.001, -0.002)
    p = np.concatenate([errors, unknowns.mean[7:]])
    noise = 0.015 * rng.standard_normal(40)
    obs = replace(obs, measured=obs.predict(p)[0] + noise)
    found = fit(obs, unknowns)
    gradient = found.J.T @ ((obs.measured - found.predicted) / obs.independent)
    pull = np.divide(found.p - unknowns.mean, unknowns.u**2, where=unknowns.u > 0, out=np.zeros(13))
    assert (gradient - pull) * found.u == pytest.approx(np.zeros(13), abs=1e-4)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_estimate_equals_a_general_least_squares(seed):
    """Against scipy.optimize.least_squares on the same weighted residuals, prior included."""
    _, case = noisy(seed)
    obs, unknowns = observe(case)

    def residuals(z):
        p = unknowns.mean + unknowns.u * z
        return np.concatenate([(obs.measured - obs.predict(p)[0]) / np.sqrt(obs.independent), z])

    oracle = least_squares(residuals, np.zeros(len(unknowns.u)), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    ours = fit(obs, unknowns)
    assert (ours.p - unknowns.mean) / unknowns.u == pytest.approx(oracle.x, abs=2e-5)
    cov = np.linalg.inv(oracle.jac.T @ oracle.jac)
    assert ours.u == pytest.approx(np.sqrt(np.diag(cov)) * unknowns.u, rel=1e-3)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_common_instrument_error_is_a_shared_covariance(seed):
    """The extra unknown gives the generalised least squares with V + (mpe^2/3) 1 1'."""
    _, case = noisy(seed)
    obs, unknowns = observe(case)
    ours = fit(obs, unknowns)
    J = ours.J[:, :-1]
    V = np.diag(obs.independent) + unknowns.u[-1] ** 2 * obs.Z @ obs.Z.T
    inverse = np.linalg.inv(V)
    full = np.linalg.inv(J.T @ inverse @ J + np.diag(1 / unknowns.u[:-1] ** 2))
    assert ours.u[:-1] == pytest.approx(np.sqrt(np.diag(full)), rel=1e-6)
    misfit = obs.measured - (ours.predicted - obs.Z[:, 0] * ours.p[-1])
    score = J.T @ inverse @ misfit - (ours.p - unknowns.mean)[:-1] / unknowns.u[:-1] ** 2
    assert score * np.sqrt(np.diag(full)) == pytest.approx(0.0, abs=1e-4)


def test_repeating_does_not_average_the_instrument_away():
    few = solve(survey(reading("outside", (0, 0, 0.0 + 60), [60.0] * 3))).parameters["offset.h"]
    lots = solve(survey(reading("outside", (0, 0, 60), [60.0] * 400))).parameters["offset.h"]
    assert lots.u > 0.9 * few.u


def test_stated_uncertainty_stands_instead_of_the_instruments():
    own = survey(reading("travel", (200, 0, 0), 200.3, 0.1))
    found = solve(own).parameters["x_scale"]
    assert found.u == pytest.approx(0.1 / 200, rel=1e-3)
    assert found.value == pytest.approx(0.0015, rel=1e-3)


def test_truth_is_found_with_ideal_readings():
    true, _ = noisy(3)
    blank = survey(
        *(reading(kind, v, 50.0, 1e-4) for kind, v in FEATURES), material=Material("", 0.3, 0.1)
    )
    obs, unknowns = observe(blank)
    exact = obs.predict(true[: len(unknowns.names)])[0]
    ideal = survey(
        *(reading(kind, v, float(mm), 1e-4) for (kind, v), mm in zip(FEATURES, exact, strict=True)),
        material=Material("", 0.3, 0.1),
    )
    found = fit(*observe(ideal))
    A = affine(math.pi / 4, true[:7])
    assert affine(math.pi / 4, found.p[:7]) == pytest.approx(A, abs=2e-3)
    assert found.predicted == pytest.approx(exact, abs=5e-4)


def test_nothing_to_solve_is_said():
    with pytest.raises(BadInput, match="no readings"):
        solve(survey())


def test_an_ideal_instrument_is_no_division_by_zero():
    flawless = Instrument(resolution_mm=0.0, mpe_mm=0.0, repeatability_mm=0.0)
    solution = solve(survey(reading("travel", (100, 0, 0), [100.1] * 9), instrument=flawless))
    assert solution.parameters["x_scale"].value == pytest.approx(0.001, rel=1e-4)


def test_turns_that_nothing_reads_are_counted_in_second_order():
    """GUM 5.1.2, note: yaw, rail and roll as the priors have them, drawn anew for each machine."""
    lengths = ((0, 30, 0), (0, 150, 0), (0, 0, 20), (0, 0, 60))
    rows = [*(("outside", v) for v in lengths), ("lean", (0, 0, 60)), ("lean", (0, 0, 30))]
    blank = survey(*(reading(kind, v, 0.0, u=0.01) for kind, v in rows))
    obs, unknowns = observe(blank)
    dice = np.random.default_rng(4)
    held = {"y_scale": 0, "z_scale": 0, "gantry_angle_deg": 0}
    machines = 150
    for _ in range(machines):
        p = unknowns.mean + unknowns.u * dice.normal(size=len(unknowns.u))
        p[:4] *= 0.2
        mm = obs.predict(p)[0] + 0.01 * dice.normal(size=obs.size)
        read = zip(blank.readings, mm.tolist(), strict=True)
        readings = tuple(replace(r, mm=(x,)) for r, x in read)
        found = solve(replace(blank, readings=readings)).parameters
        true = (p[1], p[2], math.degrees(p[3]))
        for name, value in zip(held, true, strict=True):
            held[name] += abs(found[name].value - value) <= found[name].expanded95
    assert min(held.values()) >= 0.88 * machines, held


@pytest.mark.parametrize("theta", [math.radians(30), math.radians(45), math.radians(90)])
def test_a_step_stays_with_machines_that_can_exist(theta):
    """Half way to the wall at most: no axis that hardly moves, no gantry that lies flat."""
    p = np.zeros(8)

    def share(column, step):
        whole = np.zeros(8)
        whole[column] = step
        return _inside(theta, p, whole)

    for column in (EX, EX + 1, EZ):
        assert share(column, -0.89) == 1
        assert share(column, 5.0) == 1
        assert share(column, -1.8) == pytest.approx(0.25)  # to -0.45
    for room in (0.02 - theta, math.pi - 0.02 - theta):
        assert share(DELTA, 0.99 * room) == 1
        assert share(DELTA, 2 * room) == pytest.approx(0.25)
    p[DELTA] = 0.1
    assert share(DELTA, 2 * (math.pi - 0.02 - theta - 0.1)) == pytest.approx(0.25)
    assert share(DELTA, 1e9) == 1e-6
