"""Charts, capability and comparison against published worked examples."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from scipy import optimize, stats

from agent.workshop.capability import capability, indices
from agent.workshop.charts import ENOUGH, chart, ewma_limit
from agent.workshop.comparison import fit, holm, standing_out

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 "Individuals Control Charts": flow rate
# of ten batches.  The handbook rounds d2 to 1.128 (here it is 2/sqrt(pi)), hence the tolerance.
FLOW = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)

# The same handbook, 6.3.2.4 "EWMA Control Charts": weight 0.3, target 50, s = 2.0539.
EWMA_DATA = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
EWMA_PRINTED = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
)  # fmt: skip


def test_individuals_and_moving_range_of_the_handbook() -> None:
    c = chart(FLOW)
    assert c.centre == pytest.approx(50.81)
    assert c.mean_range == pytest.approx(1.8778, abs=5e-5)
    assert (c.lower, c.upper) == pytest.approx((45.8159, 55.8041), abs=2e-3)
    assert c.range_limit == pytest.approx(3.267 * 1.8778, abs=2e-3)  # D4 of the usual tables
    assert c.signals == ()  # the handbook: in control


def test_ewma_of_the_handbook() -> None:
    c = chart(EWMA_DATA, centre=50.0, deviation=2.0539, weight=0.3)
    assert [round(z, 2) for z in c.ewma] == list(EWMA_PRINTED)
    # the handbook prints steady limits, with sqrt(0.3/1.7) cut to 0.4201
    steady = ewma_limit(10_000, 2.0539, 0.3)
    assert (50 - steady, 50 + steady) == pytest.approx((47.4115, 52.5884), abs=1e-3)
    assert not [s for s in c.signals if s.rule == "ewma"]  # the handbook: all lie between


def test_ewma_limits_have_the_variance_of_the_average() -> None:
    """Var z_i from the weights themselves: sum (l (1-l)^k)^2 for k < i (own arithmetic)."""
    for i in (1, 2, 5, 30):
        variance = sum((0.2 * 0.8**k) ** 2 for k in range(i))
        assert ewma_limit(i, 1.0, 0.2, 3.0) == pytest.approx(3 * math.sqrt(variance))


@pytest.mark.parametrize(
    ("values", "rule", "place"),
    [
        ((0, 1, 0, 1, 0, 1, 0, 1, 0, 9), "beyond", 9),
        ((0, 1, 0, 1, 0, 1, 0, 1, 0, 9), "range", 9),
        ((-4, 4, -4, *(1, 0.5) * 5), "side", 11),
        ((0, 5, 1, 2, 3, 4, 5, 6), "trend", 7),
    ],
)
def test_each_rule_fires_where_it_should(values: tuple[float, ...], rule: str, place: int) -> None:
    found = chart(values)
    assert (place, rule) in {(s.place, s.rule) for s in found.signals}


def test_zone_and_average_fire_on_a_lasting_shift() -> None:
    found = chart((0, 1, -1, 0.5, 0, 2.3, 2.4, 2.2, 2.5), centre=0.0, deviation=1.0)
    rules = {s.rule for s in found.signals}
    assert {"zone", "ewma"} <= rules
    assert "beyond" not in rules


@pytest.mark.parametrize(
    ("values", "fired"),
    [
        # limits themselves are within
        ((3.0, 0.0), {"beyond": []}),
        ((0.0, 0.0, -3.1, 0.0), {"beyond": [2]}),
        ((2.0, 0.0, 2.5, 2.0), {"zone": []}),
        # two of three on one side; the third may lie anywhere
        ((2.5, 0.0, 2.5, 0.0), {"zone": [2]}),
        ((2.5, 2.5, 0.0, 0.0), {"zone": [1]}),
        ((-2.5, 0.0, -2.5, 2.5), {"zone": [2]}),
        ((2.5, 0.0, 0.0, 2.5), {"zone": []}),
        ((2.5, -2.5, 0.0, -2.5), {"zone": [3]}),
        # nine in a row; a value on the centre line is on neither side
        ((0.1,) * 10, {"side": [8, 9]}),
        ((*(-0.1,) * 8, 0.0, *(-0.1,) * 9), {"side": [17]}),
        ((*(0.1,) * 8, *(-0.1,) * 8), {"side": []}),
        # six rising or falling, which are five steps; an even pair ends the row
        ((0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.4), {"trend": [5]}),
        ((0.5, 0.4, 0.3, 0.2, 0.1, 0.0, -0.1), {"trend": [5, 6]}),
        ((0.0, 0.1, 0.2, 0.3, 0.4, 0.4, 0.5, 0.6), {"trend": []}),
        # the step alone: 3.686 standard deviations, the (1 + 3 d3/d2) d2 of the tables
        ((1.8, -1.8), {"range": []}),
        ((1.9, -1.9, 1.7), {"range": [1]}),
    ],
)
def test_where_each_rule_begins(values: tuple[float, ...], fired: dict[str, list[int]]) -> None:
    """Centre 0 and deviation 1 are stated, so that few values are enough."""
    found = chart(values, centre=0.0, deviation=1.0)
    for rule, places in fired.items():
        assert [s.place for s in found.signals if s.rule == rule] == places
    again = chart([-value for value in values], centre=0.0, deviation=1.0)
    assert again.signals == found.signals, "the same on the other side"


def test_limits_are_told_from_eight_values_on() -> None:
    """Or where centre and deviation are both stated."""
    values = (0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 90.0)
    assert not chart(values).enough
    assert chart(values).signals == ()
    assert chart(values, centre=0.0).signals == ()
    assert chart(values, deviation=1.0).signals == ()
    assert {s.rule for s in chart(values, centre=0.5, deviation=1.0).signals} >= {"beyond"}
    assert chart((*values, 0.0)).enough
    assert chart((*values, 0.0)).signals


def test_a_weight_is_a_share_and_a_chart_has_a_value() -> None:
    """With all the weight on the newest value the average is that value, and its limits are 3 s."""
    found = chart((1.0, 2.0), centre=0.0, deviation=1.0, weight=1.0)
    assert found.ewma == (1.0, 2.0)
    assert found.ewma_limits == pytest.approx((3.0, 3.0))
    for weight in (0.0, -0.1, 1.001):
        with pytest.raises(ValueError, match="weight must be in"):
            chart((1.0,), weight=weight)
    with pytest.raises(ValueError, match="needs a value"):
        chart(())


def test_false_alarms_of_the_first_rule_are_those_of_the_normal_distribution() -> None:
    dice = random.Random(7)
    values = [dice.gauss(0, 1) for _ in range(20_000)]
    found = chart(values, centre=0.0, deviation=1.0)
    beyond = sum(s.rule == "beyond" for s in found.signals)
    wanted = 20_000 * 2 * stats.norm.sf(3)
    assert abs(beyond - wanted) < 4 * math.sqrt(wanted)


def test_few_values_are_judged_by_their_uncertainties() -> None:
    assert ENOUGH > 3
    assert chart((0.0, 0.1, 0.5), (0.05, 0.05, 0.05)).signals[0].place == 2
    assert chart((0.0, 0.1, 0.5), (0.2, 0.2, 0.2)).signals == ()
    # three times the uncertainty of the difference: of 0.3 and 0.4 that is 1.5, in eighths exact
    assert chart((0.0, 1.875), (0.375, 0.5)).signals == ()
    assert [s.rule for s in chart((0.0, -1.9), (0.375, 0.5)).signals] == ["step"]
    assert chart((0.0, 90.0), (0.1,)).signals == (), "each value has its own, or none is known"
    assert chart((1.0,)).signals == ()
    assert chart((1.0,) * 12).signals == ()


def test_capability_of_the_handbook() -> None:
    """Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, deviation 2: Cp 1.0, Cpk 0.6667."""
    found = indices(50, 16.0, 2.0, 8.0, 20.0)
    assert (found.cp, found.cpk) == pytest.approx((1.0, 0.6667), abs=5e-5)


def test_the_interval_of_cp_covers_what_it_promises() -> None:
    dice = np.random.default_rng(5)
    covered = 0
    for _ in range(2000):
        found = capability(list(dice.normal(0.0, 1.0, 25)), -3.0, 3.0)
        assert found is not None
        covered += found.cp_interval[0] <= 1.0 <= found.cp_interval[1]
    assert covered / 2000 == pytest.approx(0.95, abs=0.02)


def test_cp_interval_is_that_of_the_variance() -> None:
    """Chi-squared interval of a variance, by scipy's own distribution."""
    found = indices(50, 0.0, 1.0, -4.0, 4.0)
    low, high = (49 / stats.chi2.ppf(p, 49) for p in (0.975, 0.025))
    assert found.cp_interval == pytest.approx(
        (8 / 6 / math.sqrt(high), 8 / 6 / math.sqrt(low)), rel=1e-12
    )


def test_limits_themselves_are_within_and_stand_in_order() -> None:
    found = capability([-1.0, 0.0, 1.0, 1.5], -1.0, 1.0)
    assert found is not None
    assert (found.n, found.within, found.share_within) == (4, 3, 0.75)
    for lower in (1.0, 1.1):
        with pytest.raises(ValueError, match="limits must be in order"):
            capability([0.0, 0.1], lower, 1.0)


def test_the_interval_of_cpk_is_the_handbooks() -> None:
    """Handbook 6.1.6: Cpk +- z sqrt(1/(9 n) + Cpk^2/(2 (n - 1))), here 2/3 of 50 values:
    1.96 sqrt(0.002222 + 0.004535) = 0.1611."""
    found = indices(50, 16.0, 2.0, 8.0, 20.0)
    assert found.cpk_interval == pytest.approx((0.6667 - 0.1611, 0.6667 + 0.1611), abs=1e-4)
    assert found.within == 0


def test_nothing_is_said_of_one_value_or_of_equal_ones() -> None:
    assert capability([0.1], -1, 1) is None
    assert capability([0.1, 0.1], -1, 1) is None


# NIST Statistical Reference Datasets, Analysis of Variance, SiRstv (certified values).
SIRSTV = {
    "1": (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    "2": (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    "3": (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    "4": (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    "5": (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
}

# Davies: Statistical Methods in Research and Production (1947), yield of dyestuff, six batches of
# five; REML as lme4 gives it: mean 1527.5, variance of batches 1764.05, of the rest 2451.25.
DYES = {
    "A": (1545, 1440, 1440, 1520, 1580),
    "B": (1540, 1555, 1490, 1560, 1495),
    "C": (1595, 1550, 1605, 1510, 1560),
    "D": (1445, 1440, 1595, 1465, 1545),
    "E": (1595, 1630, 1515, 1635, 1625),
    "F": (1520, 1455, 1450, 1480, 1445),
}


def test_one_value_a_machine_is_one_way_analysis_of_variance() -> None:
    values = {f"{k}.{i}": [y] for k, some in SIRSTV.items() for i, y in enumerate(some)}
    found = fit(values, {name: name[0] for name in values})
    assert found is not None
    assert found.f == pytest.approx(1.18046237440255, rel=1e-9)
    assert found.f_dof == (4, 20)
    assert math.sqrt(found.within) == pytest.approx(1.04076068334656e-01, rel=1e-9)
    assert found.p == pytest.approx(stats.f_oneway(*SIRSTV.values()).pvalue, rel=1e-9)


def test_variances_within_and_between_are_those_of_the_published_example() -> None:
    found = fit(DYES, {})
    assert found is not None
    assert found.batches[""] == pytest.approx(1527.5)
    assert found.within == pytest.approx(2451.25, rel=1e-4)
    assert found.between == pytest.approx(1764.05, rel=1e-4)


def test_unequal_counts_agree_with_the_likelihood_written_out() -> None:
    """The restricted likelihood of Patterson and Thompson with whole matrices, as the oracle."""
    dice = np.random.default_rng(2)
    values = {f"m{i}": list(dice.normal(dice.normal(0, 2), 1, 1 + i % 4)) for i in range(12)}
    batch = {f"m{i}": "ab"[i % 2] for i in range(12)}
    found = fit(values, batch)
    assert found is not None
    y = np.concatenate([values[k] for k in values])
    who = np.repeat(np.arange(12), [len(values[k]) for k in values])
    X = np.array([[batch[f"m{i}"] == b for b in "ab"] for i in who], dtype=float)
    same = (who[:, None] == who[None, :]).astype(float)

    def loss(within: float, between: float) -> float:
        V = within * np.eye(len(y)) + between * same
        P = np.linalg.inv(V)
        b = np.linalg.solve(X.T @ P @ X, X.T @ P @ y)
        r = y - X @ b
        parts = np.linalg.slogdet(V)[1] + np.linalg.slogdet(X.T @ P @ X)[1]
        return float(parts + r @ P @ r)

    # and scipy's general minimizer over it
    least = optimize.minimize(lambda p: loss(*np.exp(p)), np.zeros(2), method="Nelder-Mead")
    assert (found.within, found.between) == pytest.approx(tuple(np.exp(least.x)), rel=1e-3)
    assert loss(found.within, found.between) < least.fun + 1e-6


def test_one_batch_that_stands_out_is_named_and_nothing_else() -> None:
    dice = np.random.default_rng(9)
    batch = {f"m{i}": f"batch {i % 4}" for i in range(24)}
    values = {
        name: list(dice.normal(0.5 if of == "batch 2" else 0.0, 0.1, 3))
        for name, of in batch.items()
    }
    found = fit(values, batch)
    assert found is not None
    named = standing_out({"z_scale": found})
    assert named[0].name == "batch 2"
    assert named[0].value == pytest.approx(0.5, abs=0.1)
    values["m5"] = list(dice.normal(3.0, 0.1, 3))
    found = fit(values, batch)
    assert found is not None
    assert ("machine", "m5") in {(v.what, v.name) for v in standing_out({"z_scale": found})}


def test_machines_that_each_have_a_batch_of_their_own_and_one_value_tell_nothing() -> None:
    values = {"heron": [0.1], "egret": [0.2], "stork": [0.3]}
    assert fit(values, {"heron": "a", "egret": "b", "stork": "c"}) is None
    assert fit({**values, "heron": [0.1, 0.2]}, {"heron": "a", "egret": "b", "stork": "c"})


def test_with_nothing_wrong_hardly_a_page_names_anything() -> None:
    dice = np.random.default_rng(4)
    named = 0
    for _ in range(200):
        values = {f"m{i}": list(dice.normal(dice.normal(0, 0.2), 0.1, 2)) for i in range(15)}
        found = fit(values, {f"m{i}": f"batch {i % 3}" for i in range(15)})
        assert found is not None
        named += bool(standing_out({"z_scale": found}))
    # at most 5 %, and the scatter of 200 draws (binomial, 4 standard deviations)
    assert named <= 200 * 0.05 + 4 * math.sqrt(200 * 0.05 * 0.95)


def test_holm_by_its_definition() -> None:
    assert holm([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm([]) == []
