"""Belt runs: made-up machines with the right answer, and the field case of the oval roller."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import f

from agent.estimate.belt_run import Period, belt_run, reversal, slip, whole_turns
from agent.estimate.drift import Dated, drift

COMMANDED = [25, 50, 75, 100, 125, 150, 175, 200, 250, 300]
ERROR = [0.11, -0.18, -0.16, 0.24, 0.29, 0.00, 0.08, 0.48, 0.18, 0.71]


def run(errors, commanded=COMMANDED, **kw):
    return belt_run(commanded, [c + e for c, e in zip(commanded, errors, strict=True)], **kw)


@pytest.mark.parametrize("u_period", [0.0, 0.5])
def test_roller_out_of_round(u_period):
    """Roller 30.0, belt 1.0: circumference 97.39; scale +0.210 %, run-out amplitude 0.24 mm."""
    found = run(ERROR, periods=[Period("roller", math.pi * 31, u_period)], u_mm=0.03)
    assert 100 * found.scale == pytest.approx(0.210, abs=0.007)
    assert found.waves[0].amplitude == pytest.approx(0.24, abs=0.01)
    assert found.waves[0].significant
    assert 164.20 / (1 + found.scale) == pytest.approx(163.86, abs=0.02)
    assert not found.trend_is_significant


def test_a_run_that_happens_to_scatter_not_at_all_is_no_surer_for_it():
    """Five marks, repeatability 0.02 mm: Student's t with 3 degrees of freedom, 3.182 (tables)."""
    x = [20.0, 40.0, 60.0, 80.0, 100.0]
    even = run([0.0] * 5, x, least_mm=0.02)
    nearly = run([1e-6, -2e-6, 0.0, 2e-6, -1e-6], x, least_mm=0.02)
    assert even.factor95 == nearly.factor95 == pytest.approx(3.182, abs=1e-3)
    assert even.u_scale == pytest.approx(nearly.u_scale, rel=1e-9)
    assert even.u_scale == pytest.approx(0.02 / math.sqrt(4000), rel=1e-9)
    assert even.u_trend == pytest.approx(nearly.u_trend, rel=1e-9)


def test_whole_turns_are_the_better_lengths():
    assert whole_turns(97.39, 300) == pytest.approx((97.39, 194.78, 292.17))
    with pytest.raises(ValueError, match="positive"):
        whole_turns(0, 300)


def test_a_round_roller_shows_no_wave_beyond_noise():
    rng = np.random.default_rng(5)
    x = np.arange(10, 400, 13.0)
    hits = sum(
        belt_run(x, x * 1.001 + rng.normal(0, 0.03, x.size), [Period("roller", 91.1)], 0.03)
        .waves[0]
        .significant
        for _ in range(400)
    )
    assert 6 <= hits <= 36  # 5 % of 400 within about three standard deviations


def test_period_not_known_exactly_is_found():
    x = np.arange(10, 800, 17.0)
    true = 92.4
    y = x * 1.002 + 0.2 * np.sin(2 * np.pi * x / true)
    found = belt_run(x, y, [Period("roller", 91.1, 0.8)])
    assert found.waves[0].period.mm == pytest.approx(true, abs=0.1)
    assert found.scale == pytest.approx(0.002, abs=2e-5)


def test_roller_and_belt_joint_apart():
    x = np.arange(10, 3000, 37.0)
    y = x + 0.1 * np.cos(2 * np.pi * x / 91.1) + 0.3 * np.sin(2 * np.pi * x / 1460)
    found = belt_run(x, y, [Period("roller", 91.1), Period("loop", 1460.0)], 0.02)
    assert [w.amplitude for w in found.waves] == pytest.approx([0.1, 0.3], abs=0.005)


def test_growing_error_is_a_trend():
    x = np.linspace(0, 1000, 21)
    found = belt_run(x, x * 1.001 + 1.5 * (x / 1000) ** 2, u_mm=0.05)
    assert found.trend_is_significant
    assert found.trend == pytest.approx(1.5, abs=0.01)


def test_reversal_is_the_same_everywhere():
    found = reversal([50.03, 100.02, 150.05, 200.04], [49.86, 99.85, 149.87, 199.88], 0.02)
    assert found.mean == pytest.approx(0.170, abs=0.001)
    assert found.constant
    uneven = reversal([50.03, 100.02, 150.05, 200.04], [49.86, 99.95, 149.77, 199.98], 0.02)
    assert not uneven.constant


def test_slip_shows_under_load():
    rng = np.random.default_rng(2)
    x = np.arange(20, 400, 20.0)
    empty = belt_run(x, x * 1.002 + rng.normal(0, 0.03, x.size))
    pulled = belt_run(x, x * 0.997 + rng.normal(0, 0.03, x.size))
    assert slip(empty, pulled).present
    assert slip(empty, pulled).difference == pytest.approx(0.005, abs=3e-4)
    again = belt_run(x, x * 1.002 + rng.normal(0, 0.03, x.size))
    assert not slip(empty, again).present


def test_lists_that_do_not_pair_up():
    with pytest.raises(ValueError, match="3 commanded and 2 measured"):
        belt_run([1, 2, 3], [1, 2])
    with pytest.raises(ValueError, match="too few"):
        belt_run([1, 2, 3], [1, 2, 3], [Period("roller", 91.0)])


def test_drift_over_the_record():
    dated = [Dated(30.0 * i, 0.001 * i, 0.0003) for i in range(6)]
    found = drift(dated)
    assert found.per_year == pytest.approx(0.001 * 365.25 / 30)
    assert found.significant
    assert found.consistent
    steady = drift([Dated(30.0 * i, v, 0.0003) for i, v in enumerate((1e-4, -2e-4, 0, 1e-4))])
    assert not steady.significant
    assert drift(dated[:2]) is None


def test_wild_results_widen_the_drift():
    wild = [Dated(30.0 * i, v, 0.0001) for i, v in enumerate((0.002, -0.002, 0.003, -0.001, 0.002))]
    assert not drift(wild).consistent
    assert not drift(wild).significant


@pytest.mark.parametrize("periods", [[], [Period("roller", 91.1)]], ids=["plain", "sine"])
@pytest.mark.parametrize("count", [6, 8])
def test_the_interval_of_the_slope_holds_with_few_readings(periods, count):
    """Few readings without a stated uncertainty: the scatter has 2 to 6 degrees of freedom, and
    the normal deviate would hold in 79 to 90 % of runs only."""
    rng = np.random.default_rng(count)
    x = np.linspace(20, 300, count)
    wave = 0.2 * np.sin(2 * np.pi * x / 91.1) if periods else 0.0
    held, runs = 0, 1000
    for _ in range(runs):
        found = belt_run(x, x * 1.002 + wave + rng.normal(0, 0.03, count), periods)
        held += abs(found.scale - 0.002) <= found.factor95 * found.u_scale
    assert 0.93 <= held / runs <= 0.97  # three standard deviations of 1,000 are 0.02


@pytest.mark.parametrize("dof", [1, 2, 4, 9])
def test_a_sine_is_beyond_noise_where_the_f_test_says_so(dof):
    """Two coefficients against zero by the ratio of sums of squares, its level by scipy.stats.f."""
    rng = np.random.default_rng(dof)
    x = np.linspace(15, 420, 4 + dof)
    line = np.column_stack([np.ones_like(x), x])
    turns = 2 * np.pi * x / 91.1
    whole = np.column_stack([line, np.cos(turns), np.sin(turns)])
    told = []
    for _ in range(200):
        d = 0.05 * np.cos(turns - 1) + rng.normal(0, 0.03, x.size)
        rss = [float(np.sum((d - A @ np.linalg.lstsq(A, d)[0]) ** 2)) for A in (line, whole)]
        ratio = (rss[0] - rss[1]) / 2 / (rss[1] / dof)
        found = belt_run(x, x + d, [Period("roller", 91.1)]).waves[0]
        told.append((found.significant, bool(f.sf(ratio, 2, dof) < 0.05)))
    assert [ours for ours, _ in told] == [theirs for _, theirs in told]
    assert {theirs for _, theirs in told} == {True, False}


def test_a_wave_of_no_height_has_the_uncertainty_of_its_cosine():
    x = np.arange(10, 400, 13.0)
    found = belt_run(x, x, [Period("roller", 91.1)], 0.03).waves[0]
    turns = 2 * np.pi * x / 91.1
    A = np.column_stack([np.ones_like(x), x, np.cos(turns), np.sin(turns)])
    cov = 0.03**2 * np.linalg.inv(A.T @ A)
    assert (found.amplitude, found.u) == (0.0, pytest.approx(math.sqrt(cov[2, 2])))
    assert not found.significant


def test_two_runs_without_any_scatter_show_no_slip():
    x = np.arange(10, 400, 13.0)
    perfect = belt_run(x, x)
    assert not slip(perfect, perfect).present
    assert slip(perfect, perfect).scatter_ratio == 1.0
    assert slip(perfect, belt_run(x, x * 0.99)).present


@pytest.mark.parametrize(
    ("lost", "scatter", "dof", "present"),
    [
        (0.0021, 1.0, 9, True),  # factor 2, u = hypot(0.6, 0.8) / 1000
        (0.0019, 1.0, 9, False),
        (-0.0021, 1.0, 9, False),  # more travel under load is no slip
        (0.0, 2.6, 4, True),
        (0.0, 2.4, 4, False),
        (0.0, 2.6, 3, False),  # too few to tell a scatter by
    ],
)
def test_slip_is_travel_lost_or_scatter_gained(lost, scatter, dof, present):
    def of(scale, u_scale, spread, nu):
        whole = run([0.0] * len(COMMANDED), u_mm=0.03)
        return replace(whole, scale=scale, u_scale=u_scale, factor95=2.0, scatter=spread, dof=nu)

    found = slip(of(0.001 + lost, 6e-4, 0.02, 9), of(0.001, 8e-4, 0.02 * scatter, dof))
    assert found.present == present
    assert found.u == pytest.approx(1e-3)
    assert (found.difference, found.scatter_ratio) == pytest.approx((lost, scatter))


def test_reversal_wants_two_positions_both_ways_and_tells_whether_it_is_the_same_everywhere():
    with pytest.raises(ValueError, match="two or more"):
        reversal([1.0], [0.9], 0.03)
    with pytest.raises(ValueError, match="two or more"):
        reversal([1.0, 2.0], [0.9, 1.9, 2.9], 0.03)
    two = reversal([1.0, 2.0], [0.9, 1.9], 0.03)
    assert (two.mean, two.u, two.constant) == (pytest.approx(0.1), pytest.approx(0.03), True)
    assert not reversal([1.0, 2.0], [0.9, 1.6], 0.03).constant
