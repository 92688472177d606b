"""Uncertainty of measurement against the GUM, published tables and handbook examples."""

import math

import numpy as np
import pytest

from agent.estimate.checking import checked
from agent.estimate.observation import observe
from agent.estimate.repeats import suspect
from agent.estimate.uncertainty import (
    combined,
    coverage_factor,
    display_step,
    grubbs,
    grubbs_critical,
    pooled_deviation,
    rectangular,
)
from agent.model.caliper import limit_of_error
from agent.model.materials import enlarged, expansion
from agent.model.profile import Instrument
from tests.estimate.cases import reading, survey

# The levels printed as 68.27, 95.45 and 99.73 % are those of 1, 2 and 3 standard deviations.
LEVELS = (0.6826895, 0.90, 0.95, 0.9544997, 0.99, 0.9973002)

# JCGM 100:2008, annex G, table G.2 (from memory).
T_TABLE = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80), 2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22), 4: (1.14, 2.13, 2.78, 2.87, 4.60, 6.62),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51), 6: (1.09, 1.94, 2.45, 2.52, 3.71, 4.90),
    7: (1.08, 1.89, 2.36, 2.43, 3.50, 4.53), 8: (1.07, 1.86, 2.31, 2.37, 3.36, 4.28),
    9: (1.06, 1.83, 2.26, 2.32, 3.25, 4.09), 10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 1.75, 2.12, 2.17, 2.92, 3.54), 20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16), 100: (1.005, 1.660, 1.984, 2.025, 2.626, 3.077),
}  # fmt: skip


@pytest.mark.parametrize("dof", T_TABLE)
def test_coverage_factors(dof):
    found = [coverage_factor(dof, level) for level in LEVELS]
    assert found == pytest.approx(T_TABLE[dof], abs=0.0051)


def test_gum_h1_end_gauge():
    """JCGM 100:2008, annex H.1: combined uncertainty, nu_eff, U99, in nm.

    Components and u = 32 nm were seen in a public worked page; nu_eff = 16.7, cut to 16, and
    U99 = 93 nm from memory.
    """
    u_d, nu_d = combined([(5.8, 24), (3.9, 5), (6.7, 8)])
    assert u_d == pytest.approx(9.7, abs=0.05)
    assert nu_d == pytest.approx(25.6, abs=0.2)
    length = 50000623.0
    c_theta = length * 0.05 / math.sqrt(3) * 1.15e-5  # standard uncertainty by d_theta, nm
    c_alpha = length * 0.1 * rectangular(1e-6)  # by d_alpha, nm
    assert (c_theta, c_alpha) == (pytest.approx(16.599, abs=1e-3), pytest.approx(2.88679, abs=1e-4))
    parts = [(25.0, 18), (u_d, nu_d), (c_alpha, 50), (c_theta, 2)]
    u, nu = combined(parts)
    assert u == pytest.approx(32, abs=0.5)
    assert nu == pytest.approx(16.7, abs=0.1)
    assert coverage_factor(nu, 0.99) == pytest.approx(2.92, abs=0.005)  # nu cut to 16
    assert coverage_factor(nu, 0.99) * 32 == pytest.approx(93, abs=1)


def test_standard_uncertainties_from_limits():
    """JCGM 100:2008, 4.3.7 and F.2.2.1 (from memory); micrometres."""
    assert [rectangular(a) for a in (20, 30, 50)] == pytest.approx(
        [11.547, 17.321, 28.868], abs=1e-3
    )
    assert [display_step(d) for d in (10, 20, 50)] == pytest.approx(
        [2.887, 5.774, 14.434], abs=1e-3
    )
    # 4.3.7 examples: expansion of copper 16.40..16.92 (1e-6/K); a voltmeter's limits.
    assert rectangular((16.92 - 16.40) / 2) == pytest.approx(0.15, abs=0.005)
    half = 14e-6 * 0.928571 + 2e-6
    assert half * 1e6 == pytest.approx(15.0, abs=0.05)
    assert rectangular(half) * 1e6 == pytest.approx(8.7, abs=0.05)


def test_one_length_by_caliper():
    """Limit 30 um, step 10 um, five repeats with s = 10 um (own arithmetic after GUM 5.1.2)."""
    of_instrument = math.hypot(rectangular(30), display_step(10))
    assert of_instrument == pytest.approx(17.559, abs=1e-3)
    # and as the estimate has it: repeats, step, and the limit as an error all readings share
    caliper = Instrument(resolution_mm=0.01, mpe_mm=0.03, repeatability_mm=0.01)
    five = reading("outside", (80, 0, 0), [80.0, 80.01, 80.02, 80.01, 80.0])
    obs, unknowns = observe(survey(five, instrument=caliper))
    shared = obs.Z[0] @ unknowns.u[unknowns.sought :] ** 2
    assert 1e3 * math.sqrt(obs.independent[0] + shared) == pytest.approx(18.12, abs=1e-3)


# DIN 862 (values of 1988 and 2005) as on a public one-page sheet; the ends of merged cells (20, 30,
# 40, 50, 60 um) from memory.  Outside measurement, um.
DIN_862 = {
    0.01: {20: 20, 80: 20, 100: 20, 150: 30, 200: 30, 600: 30, 700: 40, 1000: 40, 1200: 50,
           1600: 50, 1800: 60, 2000: 60},
    0.02: {100: 20, 200: 30, 600: 30, 700: 40, 1000: 40},
    0.05: {80: 50, 300: 50, 400: 60, 500: 70, 600: 80, 700: 90, 800: 100, 900: 110, 1000: 120},
    0.1: {300: 50, 400: 60, 1000: 120},
}  # fmt: skip


@pytest.mark.parametrize("step", DIN_862)
def test_limits_of_error_of_calipers(step):
    found = {length: 1e3 * limit_of_error(length, step) for length in DIN_862[step]}
    assert found == pytest.approx(DIN_862[step])


def test_the_limit_of_a_caliper_goes_by_length_unless_its_maker_states_one():
    usual, stated = Instrument(), Instrument(mpe_mm=0.02)
    assert [usual.limit_mm(x) for x in (80, 150)] == [0.02, 0.03]
    assert [stated.limit_mm(x) for x in (80, 150)] == [0.02, 0.02]
    # 0.06 mm off with U = 0.022: proved beyond 0.03, within the limit of a vernier of 0.05 never
    assert checked(150.0, [150.06] * 5, usual).verdict == "does not conform"
    assert checked(80.0, [80.0] * 5, usual).mpe_mm == 0.02
    assert checked(80.0, [80.03] * 5, Instrument(resolution_mm=0.05)).mpe_mm == 0.05


@pytest.mark.parametrize(("length", "limit"), [(80, 0.02), (150, 0.03), (700, 0.04)])
def test_the_zero_of_a_caliper_is_as_sure_as_its_limit_at_the_longest_reading(length, limit):
    obs, unknowns = observe(survey(reading("outside", (length, 0, 0), [length])))
    assert unknowns.u[unknowns.sought :] == pytest.approx([rectangular(limit)])
    assert obs.Z[:, 0] == pytest.approx(1.0)


def test_caliper_checked_on_a_gauge_block():
    """EA-4/02, supplement 2, example S10 (from memory): 150 mm block, step 0.05 mm, um.

    The published factor is 1.83, that of a trapezoid; twice the standard uncertainty, as checks of
    this product take it, is not below the published U of 60 um.
    """
    parts = [rectangular(0.8), expansion(150e3, rectangular(2.0), 11.5e-6), display_step(50),
             rectangular(50)]  # fmt: skip
    assert parts == pytest.approx([0.46, 2.0, 14.4, 28.9], abs=0.05)
    u, dof = combined((part, math.inf) for part in parts)
    assert (u, dof) == (pytest.approx(33, abs=0.8), math.inf)
    assert 1.83 * u == pytest.approx(60, abs=1)
    assert 2 * u >= 60


def test_expansion():
    """dL = alpha L dT: steel as in GUM H.1, plastic typical (from memory); um for 100 mm, 5 K."""
    found = [1e3 * expansion(100, 5, 11.5e-6), 1e3 * expansion(100, 5)]
    assert found == pytest.approx([5.75, 34.0], abs=1e-6)


def test_a_drawing_is_enlarged_by_more_than_the_part_is_small():
    """1/(1-s), not 1+s (own arithmetic)."""
    assert enlarged(0.005) == pytest.approx(1.005025, abs=1e-6)


# LibreTexts Chemistry, Reference Tables, appendix 7, two-sided 5 % and 1 %; n = 20 from memory (the
# columns for one outlier of ISO 5725-2).  The page misprints n = 7 at 5 % (2.202) and n = 15 at
# 1 % (2.755); the right values stand here.
GRUBBS = {
    3: (1.155, 1.155), 4: (1.481, 1.496), 5: (1.715, 1.764), 6: (1.887, 1.973), 7: (2.020, 2.139),
    8: (2.126, 2.274), 9: (2.215, 2.387), 10: (2.290, 2.482), 11: (2.355, 2.564),
    12: (2.412, 2.636),
    13: (2.462, 2.699), 14: (2.507, 2.755), 15: (2.549, 2.806), 20: (2.709, 3.001),
}  # fmt: skip


@pytest.mark.parametrize("n", GRUBBS)
def test_grubbs_table(n):
    found = (grubbs_critical(n, 0.05), grubbs_critical(n, 0.01))
    assert found == pytest.approx(GRUBBS[n], abs=0.0016)


def test_grubbs_example():
    """NIST/SEMATECH e-Handbook 1.3.5.17.1 (from memory): G = 2.4687, one-sided 2.032 at 5 %."""
    x = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    assert grubbs(x) == pytest.approx(2.4687, abs=1e-4)
    assert grubbs_critical(8, 0.10) == pytest.approx(2.032, abs=5e-4)  # one-sided 5 %
    assert suspect(x, 0.0) == 7


def test_pooled_deviation_against_numpy():
    rng = np.random.default_rng(1)
    groups = [list(rng.normal(0, 1, n)) for n in (2, 5, 3, 1, 8)]
    s, dof = pooled_deviation(groups)
    squares = sum((len(g) - 1) * np.var(g, ddof=1) for g in groups if len(g) > 1)
    assert (s, dof) == (pytest.approx(math.sqrt(squares / 14)), 14)
    assert pooled_deviation([[1.0], []]) == (0.0, 0)


@pytest.mark.parametrize(("dof", "level"), [(0.5, 0.95), (5, 0.0), (5, 1.0), (math.nan, 0.95)])
def test_senseless_coverage_is_refused(dof, level):
    with pytest.raises(ValueError, match="coverage factor"):
        coverage_factor(dof, level)
