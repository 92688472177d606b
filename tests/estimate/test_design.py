"""The short tune: values chosen by gain for the time, and when it is enough."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import NormalDist

import numpy as np
import pytest

from agent.bench.rounds import Laid, Round, Taken
from agent.estimate.design import Course, _State
from agent.estimate.planning import foresee
from agent.estimate.reliability import DELTA
from agent.model.feature import Reading
from agent.model.profile import Profile, Tolerance
from agent.model.roles import WANTED
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile
from agent.work.tuning import SHORT_PIECE, bare_survey, course_of, short_piece

U_MOVE = 0.05


def heron(scale: float = 0.1, angle: float = 0.15) -> Profile:
    profile = load_profile(ready_profiles() / "heron.yaml")
    return replace(profile, tolerance=Tolerance(scale, angle))


def fresh(profile: Profile, u_move: float = U_MOVE) -> Course:
    return course_of(profile, bare_survey(profile), Round(), u_move)


def answered(profile: Profile, asks: Course, count: int) -> tuple[Round, Course]:
    """The round in which the first `count` asks were read on a true machine, and what is left."""
    values: dict[str, list[float]] = {}
    readings: dict[str, Reading] = {}
    for ask in asks.asks[:count]:
        reading = ask.candidate.reading
        readings[ask.name] = reading
        value = 0.0 if reading.kind == "lean" else math.hypot(*reading.along)
        # on a true machine the plastic shrinks as stated
        if reading.kind == "outside":
            value *= 1 - profile.material.shrink_percent / 100
        values.setdefault(ask.name, []).append(value + 0.01 * (len(values.get(ask.name, ())) % 2))
    taken = tuple(
        Taken(
            replace(reading, mm=tuple(values[name])),
            "travel" if reading.kind == "travel" else SHORT_PIECE,
        )
        for name, reading in readings.items()
    )
    short = short_piece(profile)
    assert short is not None
    on_piece = any(t.piece == SHORT_PIECE for t in taken)
    laid = (Laid(SHORT_PIECE, SHORT_PIECE, short[0].size, 1, profile),) if on_piece else ()
    now = Round(laid=laid, taken=taken)
    survey = replace(bare_survey(profile), readings=now.readings)
    return now, course_of(profile, survey, now, U_MOVE)


def test_twelve_values_and_one_small_piece_are_enough() -> None:
    found = fresh(heron())
    assert not found.unreachable
    assert len(found.asks) <= 12
    assert {a.name.split()[0] for a in found.asks} == {"travel", SHORT_PIECE}
    for name in WANTED:
        assert found.after[name] <= found.tolerance[name]
        assert found.slip[name] <= found.tolerance[name]
    short = short_piece(heron())
    assert short is not None
    assert short[1].laying <= 20


def test_uncertainties_are_those_of_the_whole_estimate() -> None:
    profile = heron()
    found = fresh(profile)
    count = {a.name: a.value for a in found.asks}
    last = {a.name: a.candidate.reading for a in found.asks}
    readings = [replace(r, mm=(math.nan,) * count[name]) for name, r in last.items()]
    whole = foresee(bare_survey(profile), readings)
    for name in WANTED:
        # 1.96 against the covariance updated value by value; second-order terms are taken at the
        # priors there, at the end here
        assert found.after[name] == pytest.approx(1.96 * whole[name], rel=0.03)


def test_slips_are_those_of_equal_observations_of_one_length() -> None:
    """n values of one unknown: redundancy 1 - 1/n, least slip delta s / sqrt(1 - 1/n), and an nth
    of it moves the mean (Baarda 1968, any textbook of adjustment computations)."""
    n, s = 4, 0.02
    state = _State(np.ones((1, 1)), np.array([s**2]), np.array([[1e6]]), np.array([1e3]), [0])
    for _ in range(n):
        state.take(0)
    moved = float(state.slips([0])[0, 0])
    assert moved == pytest.approx(DELTA * s / math.sqrt(1 - 1 / n) / n, rel=1e-6)


def test_the_least_slip_is_seen_in_eight_of_ten() -> None:
    """Monte Carlo: one of four values off by the least slip, its residual held at 1 %."""
    n, s = 4, 0.02
    slip = DELTA * s / math.sqrt(1 - 1 / n)
    rng = np.random.default_rng(3)
    values = s * rng.standard_normal((40_000, n))
    values[:, 0] += slip
    residual = values[:, 0] - values.mean(axis=1)
    seen = np.abs(residual) / (s * math.sqrt(1 - 1 / n)) > NormalDist().inv_cdf(0.995)
    assert float(seen.mean()) == pytest.approx(0.80, abs=0.01)


def test_it_is_enough_once_all_is_answered_and_not_before() -> None:
    profile = heron()
    asks = fresh(profile)
    for count in (3, len(asks.asks) - 2):
        _, left = answered(profile, asks, count)
        assert left.asks
        assert not left.enough
    _, left = answered(profile, asks, len(asks.asks))
    assert left.enough, (left.asks, left.outside)


def test_what_was_read_in_another_order_is_not_asked_again() -> None:
    profile = heron()
    asks = fresh(profile)
    turned = replace(asks, asks=tuple(reversed(asks.asks)))
    _, left = answered(profile, turned, 5)
    assert {a.name for a in left.asks if a.value == 1} == {a.name for a in asks.asks} - {
        a.name for a in turned.asks[:5]
    }


def test_a_steel_rule_is_told_before_the_first_piece() -> None:
    found = fresh(heron(), 0.3)
    assert set(found.unreachable) == {"x_scale", "y_scale", "z_scale"}
    assert all(u > 0.001 for u in found.unreachable.values())


def test_a_second_value_of_a_move_may_be_worth_more_than_another_feature() -> None:
    """With one length of each axis a slip of that move would go unseen: the next is a move."""
    profile = heron()
    names = [a.name for a in fresh(profile).asks]
    for role in ("across", "gantry", "belt"):
        assert len([n for n in names if n.startswith(f"travel {role}")]) >= 2


def test_a_lean_of_the_wrong_sign_would_be_seen() -> None:
    assert f"{SHORT_PIECE} h" in [a.name for a in fresh(heron()).asks]


def test_a_narrow_tolerance_costs_no_less_than_a_wide_one() -> None:
    counts = [len(fresh(heron(s, a)).asks) for s, a in ((0.2, 0.2), (0.1, 0.1), (0.05, 0.05))]
    assert counts == sorted(counts)


def test_minutes_of_the_short_piece_are_those_of_the_settings_at_hand() -> None:
    fast = heron()
    before = short_piece(fast)
    usual = fast.settings["acceleration.print"]
    slowly = replace(usual, setting=replace(usual.setting, value=100.0))
    slow = {**fast.settings, "acceleration.print": slowly}
    after = short_piece(replace(fast, settings=slow))
    assert before is not None
    assert after is not None
    assert after[1].laying > 1.2 * before[1].laying
    assert after[0].size == before[0].size
