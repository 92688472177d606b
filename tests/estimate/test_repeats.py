"""Repeats of one reading: which of them is asked about, and what two that differ tell."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from agent.estimate.consistency import copied_rows
from agent.estimate.repeats import apart, copied, suspect
from agent.model.feature import Reading
from agent.model.profile import Instrument
from tests.estimate.cases import survey

SIGMA = 0.02


@pytest.mark.parametrize("alpha", [0.01, 0.05])
def test_two_values_are_apart_beyond_their_difference_by_chance(alpha: float) -> None:
    """|x1 - x2| ~ |N(0, 2 sigma^2)|, here with scipy's quantile."""
    limit = stats.norm.ppf(1 - alpha / 2, scale=math.sqrt(2) * SIGMA)
    assert apart([10.0, 10.0 + 1.001 * limit], SIGMA, alpha)
    assert apart([10.0 + 1.001 * limit, 10.0], SIGMA, alpha)
    assert not apart([10.0, 10.0 + 0.999 * limit], SIGMA, alpha)
    assert not apart([10.0, 20.0], 0.0)
    assert not apart([10.0, 20.0, 10.0], SIGMA)
    assert not apart([10.0], SIGMA)


@pytest.mark.parametrize("n", [3, 4, 6])
def test_the_farthest_is_asked_about_beyond_its_share_of_the_level(n: int) -> None:
    """Against the mean of the others: sigma sqrt(1 + 1/(n-1)), level alpha/n on two sides."""
    limit = stats.norm.ppf(1 - 0.01 / (2 * n), scale=SIGMA * math.sqrt(1 + 1 / (n - 1)))
    calm = [10.0] * (n - 1)
    assert suspect([*calm, 10.0 + 1.001 * limit], SIGMA) == n - 1
    assert suspect([10.0 - 1.001 * limit, *calm], SIGMA) == 0
    assert suspect([*calm, 10.0 + 0.999 * limit], SIGMA) is None


def test_of_two_values_none_is_asked_about() -> None:
    assert suspect([10.0, 20.0], SIGMA) is None


def test_a_set_that_scatters_as_a_whole_holds_no_bad_value() -> None:
    assert suspect([10.0, 10.2, 9.8, 10.1, 9.9], SIGMA) is None
    assert suspect([10.0, 10.2, 9.8], SIGMA) is not None  # of three their own spread tells nothing


def test_a_value_is_copied_if_three_are_alike() -> None:
    assert copied([1.0, 1.0, 1.0])
    assert not copied([1.0, 1.0])
    assert not copied([1.0, 1.0, 1.001])


def rows(alike: int, repeats: int, others: int = 0, resolution: float = 0.01) -> tuple[int, ...]:
    same = [Reading("outside", (10.0 + i, 0, 0), (10.0 + i,) * repeats) for i in range(alike)]
    spread = 0.02 * stats.zscore(range(repeats), ddof=1)  # what is stated is also what is seen
    differ = [
        Reading("outside", (30.0 + i, 0, 0), tuple(30.0 + i + x for x in spread))
        for i in range(others)
    ]
    instrument = Instrument(resolution_mm=resolution, repeatability_mm=0.02)
    return copied_rows(survey(*same, *differ, instrument=instrument))


def test_repeats_all_alike_are_not_believed_where_so_much_luck_is_needed() -> None:
    """A step of 0.01 at s = 0.02: 0.01 / (0.02 sqrt(2 pi)) = 0.199 of a chance for each repeat.

    Of one reading: 0.199^2 = 0.04 is luck enough, 0.199^3 = 0.008 is not; among two 0.0079 * 2 is.
    """
    share = 0.01 / (0.02 * math.sqrt(2 * math.pi))
    assert share**2 > 0.01 > share**3 > 0.005
    assert rows(1, 3) == ()
    assert rows(1, 4) == (0,)
    assert rows(1, 4, others=1) == ()
    assert rows(1, 5, others=1) == (0,)
    assert rows(1, 5, others=5) == (0,)
    assert rows(1, 5, others=7) == ()


def test_many_alike_at_once_are_more_than_luck() -> None:
    """Expected of n readings of three values: n share^2; beyond three deviations and one more."""

    def limit(n: int) -> float:
        expected = n * (0.01 / (0.02 * math.sqrt(2 * math.pi))) ** 2
        return expected + 3 * math.sqrt(expected) + 1

    assert limit(2) < 2 < limit(4)
    assert rows(2, 3) == (0, 1)
    assert rows(2, 3, others=2) == ()
    assert limit(10) < 4 < limit(20)
    assert rows(4, 3, others=6) == (0, 1, 2, 3)
    assert rows(4, 3, others=16) == ()
