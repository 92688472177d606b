"""The estimators against general libraries and published figures; nothing of ours in an oracle."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq, curve_fit, minimize
from scipy.stats import multivariate_normal, norm, t

from agent.estimate.drift import DAYS_PER_YEAR, Dated, drift
from agent.estimate.fit import _LONG_TAILS, fit
from agent.estimate.observation import observe
from agent.estimate.spread import FORM, averaged, spread
from agent.estimate.uncertainty import combined, grubbs_critical
from agent.model.budget import Budget
from tests.estimate.cases import reading, survey

# ISO/TS 28037:2010, clause 6, as in the docstring of GTC 1.5.1's weighted line fit.
X = np.arange(1.0, 7.0)
Y = np.array([3.2, 4.3, 7.6, 8.6, 11.7, 12.8])
U = np.array([0.5, 0.5, 0.5, 1.0, 1.0, 1.0])


def over_time(shrunk):
    return drift([Dated(*row) for row in zip(X.tolist(), Y.tolist(), U / shrunk, strict=True)])


def test_birge_ratio_on_a_published_line():
    """Uncertainties stated three times too small are enlarged by the Birge ratio (R. T. Birge,
    Phys. Rev. 40 (1932) 207, from memory) to 0.1808, the figure of a routine that always rescales;
    as published they agree (chi-squared 4.13 of 4) and 0.1779 stands."""
    asstated, small = over_time(1.0), over_time(3.0)
    assert asstated.consistent
    assert asstated.u / DAYS_PER_YEAR == pytest.approx(0.177892016741, rel=1e-9)
    assert asstated.expanded95 / asstated.u == pytest.approx(norm.ppf(0.975))
    assert not small.consistent
    assert small.u / DAYS_PER_YEAR == pytest.approx(0.1808, abs=5e-5)
    assert small.expanded95 / small.u == pytest.approx(t.ppf(0.975, 4))
    b, cov = curve_fit(lambda x, a, k: a + k * x, X, Y, sigma=U)
    assert small.per_year / DAYS_PER_YEAR == pytest.approx(b[1], rel=1e-6)
    assert small.u / DAYS_PER_YEAR == pytest.approx(math.sqrt(cov[1, 1]), rel=1e-6)


@pytest.mark.parametrize("alpha", [0.05, 0.01])
@pytest.mark.parametrize("n", [4, 7, 20])
def test_grubbs_critical_values_by_scipys_distribution(n, alpha):
    """Formula of the NIST/SEMATECH e-Handbook, 1.3.5.17.1 (from memory)."""
    q = t.ppf(1 - alpha / (2 * n), n - 2)
    expected = (n - 1) / math.sqrt(n) * math.sqrt(q**2 / (n - 2 + q**2))
    assert grubbs_critical(n, alpha) == pytest.approx(expected, rel=1e-9)


READ = (
    ("outside", (20, 0, 0), 20.13), ("outside", (180, 0, 0), 180.95), ("inside", (90, 0, 0), 90.2),
    ("outside", (0, 30, 0), 30.21), ("outside", (0, 150, 0), 150.32), ("outside", (0, 0, 12), 12.2),
    ("outside", (0, 0, 60), 59.91), ("lean", (0, 0, 60), 0.24), ("sway", (0, 0, 60), -0.11),
)  # fmt: skip


def surveyed(budget, wrong=None):
    rows = [(k, v, mm + (2.0 if i == wrong else 0.0)) for i, (k, v, mm) in enumerate(READ)]
    return observe(survey(*(reading(*row) for row in rows), budget=budget))


def test_long_tails_are_those_of_students_t():
    """The robust estimate is the most probable one under scipy's own t and normal densities."""
    obs, unknowns = surveyed(Budget(), wrong=1)
    found = fit(obs, unknowns, robust=True)
    # nothing is known of a reading beyond its own variance: t of nu, times its uncertainty
    own, free = np.sqrt(obs.independent), unknowns.u > 0

    def cost(z):
        p = unknowns.mean.copy()
        p[free] += unknowns.u[free] * z
        rest = (obs.measured - obs.predict(p)[0]) / own
        return -2 * (t.logpdf(rest, _LONG_TAILS).sum() + norm.logpdf(z).sum())

    ours = ((found.p - unknowns.mean)[free]) / unknowns.u[free]
    best = minimize(cost, ours, method="BFGS", options={"gtol": 1e-8})
    assert cost(ours) == pytest.approx(best.fun, abs=1e-3)
    assert ours == pytest.approx(best.x, abs=0.02)
    # the wrong one hardly pulls: by ordinary least squares it does
    good, plain = fit(*surveyed(Budget())), fit(obs, unknowns)
    assert abs(found.p[0] - good.p[0]) < abs(plain.p[0] - good.p[0]) / 3


def log_likelihood(at, r, form, grade):
    """Density of the linearised readings under the sizes, by scipy, and of the factors."""
    obs, unknowns = at.observations, at.unknowns
    names = unknowns.names
    stated = ("repeatability", "resolution", "stated")
    hidden = ("gauge_percent", "belt_percent", "shrink_by_direction_percent",
              "roller_wave_mm", "loop_wave_mm")  # fmt: skip

    def factor(name):
        return 1.0 if name in stated else math.sqrt(grade) if name in hidden else grade

    u = np.array([
        s * (factor(names[i].partition(":")[0]) if i >= unknowns.sought else 1.0)
        for i, s in enumerate(unknowns.u)
    ])  # fmt: skip
    V = sum(
        variance * (form if name == FORM else factor(name)) ** 2
        for name, variance in obs.own.items()
    )
    H = at.J * u
    prior = norm.logpdf(math.log(form), 0.0, math.log(2))
    prior += norm.logpdf(math.log(grade), math.log(0.8), math.log(2))
    return prior + multivariate_normal(np.zeros(len(V)), np.diag(V) + H @ H.T).logpdf(r)


def test_sizes_shown_by_the_readings_are_those_of_the_greatest_likelihood():
    """Weights of the grid against scipy's multivariate normal density, and their peak against an
    independent maximisation between the nodes."""
    at = fit(*surveyed(Budget()))
    r = at.misfit + at.J @ (at.p - at.unknowns.mean)
    grid = spread(at)
    every = np.array([log_likelihood(at, r, *node) for node in grid.factors])
    assert grid.log == pytest.approx(every - every.max(), abs=1e-6)
    best = minimize(
        lambda x: -log_likelihood(at, r, *np.exp(x)),
        np.zeros(2), bounds=np.log([(0.35, 4.0), (0.16, 2.5)]),
    )  # fmt: skip
    assert -best.fun >= every.max() - 1e-9
    assert abs(np.log(grid.factors[np.argmax(grid.log)]) - best.x) == pytest.approx(0.0, abs=0.55)


@pytest.mark.parametrize("scale", [0.03, 0.3, 1.0, 30.0])
def test_what_is_known_does_not_depend_on_how_wide_the_priors_are(scale):
    """A machine unlike all others has priors of 100 % and more, of which readings of a hundredth of
    a millimetre leave 1e-4: the covariance against numpy's QR of the same least-squares problem,
    which does not subtract what is nearly equal."""
    obs, unknowns = surveyed(Budget())
    wide = np.where(np.arange(len(unknowns.u)) < 3, scale, unknowns.u)
    at = fit(obs, replace(unknowns, u=wide))
    grid = spread(at)
    for size, V, Ninv in zip(grid.size, grid.V, grid.Ninv, strict=True):
        rows = np.vstack([at.J * size / np.sqrt(V)[:, None], np.eye(len(size))])
        upper = np.linalg.inv(np.linalg.qr(rows, mode="r"))
        assert np.diag(Ninv) == pytest.approx((upper**2).sum(axis=1), rel=1e-4)


def test_intervals_hold_95_per_cent_of_the_mixture():
    """Of normals with the weights of the grid, by scipy's distribution and root finder."""
    grid = spread(fit(*surveyed(Budget())))
    found = averaged(fit(*surveyed(Budget())), grid)
    kept = grid.weights > 1e-4
    w = grid.weights[kept] / grid.weights[kept].sum()
    p = (grid.x * grid.size)[kept]
    u = np.sqrt(np.einsum("kii->ki", grid.Ninv) * grid.size**2)[kept]
    for i in range(3):
        off, size = p[:, i] - w @ p[:, i], u[:, i]

        def missed(half, off=off, size=size):
            return w @ (norm.cdf(half, off, size) - norm.cdf(-half, off, size)) - 0.95

        assert found.factor95[i] * found.u[i] == pytest.approx(
            brentq(missed, 0.0, 9 * size.max()), rel=1e-4
        )
        assert found.u[i] ** 2 == pytest.approx(w @ (size**2 + off**2), rel=1e-9)


def test_combined_uncertainty_of_one_estimated_part():
    assert combined([(3.0, 7.0)]) == (3.0, pytest.approx(7.0))
    assert combined([(3.0, 7.0), (4.0, math.inf)]) == (5.0, pytest.approx(7 * 625 / 81))
