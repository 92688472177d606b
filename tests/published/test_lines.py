"""Line fits against certified and published results.

Sources stand at each set.  "From memory" means that the published text itself was not at hand.
"""

import math
from itertools import combinations_with_replacement

import numpy as np
import pytest
from scipy.optimize import curve_fit

from agent.estimate.belt_run import Period, belt_run
from agent.estimate.linear import fit_linear, line
from agent.estimate.uncertainty import coverage_factor

# NIST Statistical Reference Datasets, Linear Regression, Norris.dat (certified values).
NORRIS_X = np.array([
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
])  # fmt: skip
NORRIS_Y = np.array([
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
    668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
    998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
])  # fmt: skip


def test_norris():
    fit = line(NORRIS_X, NORRIS_Y)
    assert fit.b == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-9)
    assert fit.u == pytest.approx([0.232818234301152, 0.000429796848199937], rel=1e-9)
    assert (fit.s, fit.dof) == (pytest.approx(0.884796396144373, rel=1e-9), 34)
    assert fit.rss == pytest.approx(26.6173985294224, rel=1e-9)
    assert fit.variance_ratio([1]) == pytest.approx(5436385.54079785, rel=1e-9)
    # R2 = F / (F + dof), for the one slope
    r2 = 1 / (1 + fit.dof / fit.variance_ratio([1]))
    assert r2 == pytest.approx(0.999993745883712, rel=1e-9)


def test_norris_scale_is_significant_offset_is_not():
    """Derived from the certified values with Student's t; own arithmetic, nothing published."""
    fit = line(NORRIS_X, NORRIS_Y)
    assert (fit.b[1] - 1) / fit.u[1] == pytest.approx(4.92516, abs=1e-4)
    assert fit.b[0] / fit.u[0] == pytest.approx(-1.126729, abs=1e-5)
    assert fit.factor95 == pytest.approx(2.032245, abs=1e-5)
    half = fit.factor95 * fit.u[1]
    assert (fit.b[1] - half, fit.b[1] + half) == pytest.approx((1.00124337, 1.00299027), abs=1e-7)


def test_norris_covariance():
    """Correlation = -mean(x)/sqrt(mean(x^2)), independent of y (derived)."""
    fit = line(NORRIS_X, NORRIS_Y)
    assert fit.cov[0, 1] == pytest.approx(-7.7432753632e-05, abs=1e-13)
    correlation = fit.cov[0, 1] / math.prod(fit.u)
    assert correlation == pytest.approx(-0.77382808, abs=1e-7)
    assert correlation == pytest.approx(-NORRIS_X.mean() / math.sqrt((NORRIS_X**2).mean()))


@pytest.mark.parametrize(
    ("x", "y", "b", "u", "s", "rss", "r2", "f", "dof"),
    [
        # NIST Statistical Reference Datasets, NoInt1.dat
        (range(60, 71), range(130, 141), 2.07438016528926, 0.0165289256198347,
         3.56753034006338, 127.272727272727, 0.999365492298663, 15750.25, 10),
        # NIST Statistical Reference Datasets, NoInt2.dat
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.0420827318078432,
         0.369274472937998, 0.272727272727273, 0.993348115299335, 298.666666666667, 2),
    ],
    ids=["NoInt1", "NoInt2"],
)  # fmt: skip
def test_lines_through_the_origin(x, y, b, u, s, rss, r2, f, dof):
    """R2 and F are about zero; F of NoInt2 is (b/u)^2 of the certified values."""
    x, y = np.array(x, dtype=float), np.array(y, dtype=float)
    fit = fit_linear(x[:, None], y)
    assert (fit.b[0], fit.u[0]) == (pytest.approx(b, rel=1e-9), pytest.approx(u, rel=1e-9))
    assert (fit.s, fit.rss) == (pytest.approx(s, rel=1e-9), pytest.approx(rss, rel=1e-9))
    assert fit.dof == dof
    assert fit.variance_ratio([0]) == pytest.approx(f, rel=1e-9)
    assert 1 / (1 + fit.dof / fit.variance_ratio([0])) == pytest.approx(r2, rel=1e-9)


def test_pontius():
    """NIST Statistical Reference Datasets, Pontius.dat: ill-scaled quadratic (s from memory)."""
    x = np.tile(np.arange(150000.0, 3000001.0, 150000.0), 2)
    y = np.array([
        0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
        1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
        0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.98300, 1.09150,
        1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
    ])  # fmt: skip
    fit = fit_linear(np.column_stack([np.ones_like(x), x, x**2]), y)
    b = [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14]
    u = [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16]
    assert fit.b == pytest.approx(b, rel=1e-8)
    assert fit.u == pytest.approx(u, rel=1e-8)
    assert fit.s == pytest.approx(0.205177424076185e-03, rel=1e-8)


def test_gum_h3():
    """JCGM 100:2008 (GUM) annex H.3, table H.6: thermometer calibration line."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010,
                  26.511])  # fmt: skip
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161,
                  -0.160])  # fmt: skip
    fit = line(t - 20, b)
    assert fit.b == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert fit.b[1] == pytest.approx(0.00218, abs=5e-6)
    assert fit.u == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert fit.u[1] == pytest.approx(0.00067, abs=5e-6)
    assert (fit.s, fit.dof) == (pytest.approx(0.0035, abs=5e-5), 9)
    assert fit.cov[0, 1] / math.prod(fit.u) == pytest.approx(-0.930, abs=5e-4)
    at_30 = np.array([1.0, 10.0])
    value, u = at_30 @ fit.b, math.sqrt(at_30 @ fit.cov @ at_30)
    assert (value, u) == (pytest.approx(-0.1494, abs=5e-5), pytest.approx(0.0041, abs=5e-5))
    assert fit.rss == pytest.approx(0.000110096583109, abs=1e-14)


def test_weighted_line_equal_uncertainties():
    """ISO/TS 28037:2010, clause 6 (draft's example; third digits from memory).  Not rescaled."""
    x = np.arange(1.0, 7.0)
    fit = line(x, np.array([3.3, 5.6, 7.1, 9.3, 10.7, 12.1]), np.full(6, 0.5))
    assert fit.b == pytest.approx([1.867, 1.757], abs=5e-4)
    assert fit.u == pytest.approx([0.465, 0.120], abs=5e-4)
    assert fit.cov[0, 1] == pytest.approx(-0.050, abs=5e-4)
    assert fit.cov[0, 1] / math.prod(fit.u) == pytest.approx(-0.9, abs=5e-3)
    assert fit.rss == pytest.approx(1.66476, abs=1e-5)


def test_weighted_line_unequal_uncertainties():
    """ISO/TS 28037:2010, clause 6; figures as in the docstring of GTC 1.5.1's weighted line fit.

    A routine that rescales by the scatter gives 0.5383 and 0.1808 instead; this one does not.
    """
    x = np.arange(1.0, 7.0)
    y = np.array([3.2, 4.3, 7.6, 8.6, 11.7, 12.8])
    fit = line(x, y, np.array([0.5, 0.5, 0.5, 1.0, 1.0, 1.0]))
    assert fit.b == pytest.approx([0.8852320675105, 2.056962025316], abs=1e-10)
    assert fit.u == pytest.approx([0.5297081435088, 0.177892016741], abs=1e-10)
    assert fit.cov[0, 1] == pytest.approx(-0.082278481, abs=1e-9)
    assert fit.rss == pytest.approx(4.1308016878, abs=1e-9)
    assert fit.rss < 9.488  # 95 % point of chi-squared, 4 degrees of freedom (from memory)


def test_weighted_line_against_a_general_library():
    """scipy.optimize.curve_fit with absolute_sigma on made-up readings (own case)."""
    rng = np.random.default_rng(12)
    x = np.linspace(10, 200, 14)
    u = rng.uniform(0.01, 0.05, 14)
    y = 0.12 + 1.003 * x + u * rng.standard_normal(14)
    fit = line(x, y, u)
    b, cov = curve_fit(lambda t, a, k: a + k * t, x, y, sigma=u, absolute_sigma=True)
    assert fit.b == pytest.approx(b, rel=1e-6)
    assert fit.cov == pytest.approx(cov, rel=1e-5)


def test_sine_at_a_known_period():
    """Three-parameter sine fit (IEEE Std 1241, annex B.1); expected figures from
    scipy.optimize.curve_fit on the same made-up data, so an own case."""
    x = np.arange(0.0, 200.0, 10.0)
    y = np.array([0.045, -0.007, -0.036, -0.024, 0.025, 0.062, 0.05, 0.009, -0.033, -0.03, 0.012,
                  0.05, 0.06, 0.021, -0.022, -0.034, -0.007, 0.043, 0.061, 0.038])  # fmt: skip
    phase = 2 * np.pi * x / 62.83185307179586
    fit = fit_linear(np.column_stack([np.cos(phase), np.sin(phase), np.ones_like(x)]), y)
    assert fit.b == pytest.approx(
        [0.02965704665806675, -0.040173302682902735, 0.012643405497324995], abs=1e-7
    )
    assert fit.u == pytest.approx(
        [0.0006143973934546705, 0.0006463232090760354, 0.00044593673489636416], abs=1e-7
    )
    assert fit.s == pytest.approx(0.00198819, abs=1e-7)


def test_sine_without_noise_is_found_exactly():
    x = np.arange(0.0, 200.0, 10.0)
    phase = x / 10
    found = belt_run(
        x, x + 0.03 * np.cos(phase) - 0.04 * np.sin(phase) + 0.012, [Period("p", 20 * np.pi)]
    )
    assert found.waves[0].amplitude == pytest.approx(0.05, abs=1e-12)
    assert found.offset == pytest.approx(0.012, abs=1e-12)


def test_spread_of_lengths_decides_the_slope():
    """u(slope) = s/sqrt(sum (x-mean)^2): both ends against evenly spaced (any regression text)."""
    s = np.full(6, 0.02)
    ends = line(np.array([0, 0, 0, 100, 100, 100.0]), np.zeros(6), s).u[1]
    even = line(np.linspace(0, 100, 6), np.zeros(6), s).u[1]
    assert ends == pytest.approx(0.0001632993, abs=1e-9)
    assert even / ends == pytest.approx(1.46385, abs=1e-5)
    assert coverage_factor(math.inf) == pytest.approx(1.959964, abs=1e-6)


def test_the_best_six_lengths_for_a_line_lie_at_both_ends():
    """Equal weight at both ends has the least determinant (Hoel 1958, Guest 1958; Atkinson and
    Donev; from memory): of all choices of six out of 0, 10, ..., 100 mm."""
    s = np.full(6, 0.02)

    def spread(lengths):
        return float(np.linalg.det(line(np.array(lengths), np.zeros(6), s).cov))

    grid = np.arange(0.0, 101.0, 10.0)
    choices = [c for c in combinations_with_replacement(grid, 6) if c[0] != c[-1]]
    assert min(choices, key=spread) == (0, 0, 0, 100, 100, 100)
