"""Mistakes of the hand: what each would have made of a reading, and its odds by brute force."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from agent.estimate.fit import described, fit
from agent.estimate.mistakes import SIDE, Suspicion, _guesses, _mistyped, suspicions, undone
from agent.estimate.observation import observe
from agent.estimate.spread import spread
from agent.model.feature import Reading
from agent.model.survey import Survey
from tests.estimate.cases import reading, survey


def guessed(kind: str, along: tuple[float, float, float], y: float) -> dict[str, list[float]]:
    """What the reading should have been, by mistake."""
    found: dict[str, list[float]] = {}
    for guess in _guesses(Reading(kind, along, (y,)), y, 3):  # type: ignore[arg-type]
        assert guess.rows == (3,)
        assert guess.log_odds == guess.before
        found.setdefault(guess.mistake, []).append(y + guess.change[0])
    return found


def test_what_a_length_should_have_been() -> None:
    found = guessed("outside", (50.0, 0.0, 0.0), 1.97)
    assert found["inch"] == pytest.approx([1.97 * 25.4])
    assert found["decimal"] == pytest.approx([19.7, 0.197, 197.0, 0.0197])
    assert found["jaws_10mm"] == pytest.approx([11.97, -8.03])
    assert found.keys() == {"inch", "decimal", "jaws_10mm", "nominal"}
    assert guessed("pitch", (50.0, 0, 0), 49.9).keys() == {"inch", "decimal", "nominal"}


def test_what_a_lean_should_have_been() -> None:
    found = guessed("lean", (0.0, 0.0, 60.0), 0.5)
    assert found["sign"] == pytest.approx([-0.5])
    right = 60 * math.tan(math.radians(0.5))  # typed in degrees
    assert found["degrees"] == pytest.approx([right, -right])
    assert found.keys() == {"sign", "degrees", "decimal"}
    assert guessed("lean", (0.0, 0.0, 60.0), 30.0).keys() == {"sign", "decimal"}


def test_shares_of_each_kind_of_guess_add_up_to_its_own() -> None:
    """exp(before) is the share times how far the mistake stretches the reading."""
    for kind, along in (
        ("outside", (50.0, 0, 0)),
        ("inside", (50.0, 0, 0)),
        ("lean", (0, 0, 60.0)),
    ):
        shares: dict[str, float] = {}
        for guess in _guesses(Reading(kind, along, (5.0,)), 5.0, 0):  # type: ignore[arg-type]
            about = 5.0 + guess.change[0]
            stretch = {
                "decimal": about / 5,
                "inch": 25.4,
                "degrees": math.radians(1) * 60,
            }.get(guess.mistake, 1.0)
            share = math.exp(guess.before) / abs(stretch)
            shares[guess.mistake] = shares.get(guess.mistake, 0.0) + share
        # typed in degrees: with its own sign half of its share, with the other a tenth
        usual = {
            "degrees": 0.6 * 3e-3,
            "decimal": 1e-3,
            "inch": 1e-3,
            "nominal": 2.5e-3,
            "sign": 5e-3,
        }
        for mistake, share in usual.items():
            if mistake in shares:
                assert shares[mistake] == pytest.approx(share, rel=1e-9), (kind, mistake)


#: One plate, read on both sides of its walls, a post, and moves that tell the scales apart.
PLATE = (
    reading("outside", (40.0, 0.0, 0.0), 40.3),
    reading("outside", (100.0, 0.0, 0.0), 100.3),
    reading("inside", (80.0, 0.0, 0.0), 79.7),
    reading("inside", (20.0, 0.0, 0.0), 20.3),  # outside, typed as inside
    reading("outside", (0.0, 60.0, 0.0), 60.3),
    reading("travel", (150.0, 0.0, 0.0), 150.0, u=0.02),
)


def at(of: Survey) -> tuple[list[Suspicion], Survey]:
    observations, unknowns = observe(of)
    found = fit(observations, unknowns)
    return suspicions(of, found, spread(found)), of


def test_the_other_side_of_a_wall_has_the_odds_that_a_new_estimate_gives() -> None:
    """Each SIDE against the same survey with the reading undone, weighed anew.

    ln odds = ln share + evidence(mended) - evidence(as typed), the evidence of `spread` at one
    linearisation; the closed form holds the rest of the readings fixed, and is near.
    """
    found, of = at(survey(*PLATE))
    sides = {s.rows[0]: s for s in found if s.mistake == SIDE}
    assert set(sides) == {0, 1, 2, 3, 4}

    def evidence(one: Survey) -> float:
        observations, unknowns = observe(one)
        return spread(described(observations, unknowns, unknowns.mean)).evidence

    for row, side in sides.items():
        mended = undone(of, side)
        kinds = {of.readings[row].kind, mended.readings[row].kind}
        assert kinds == {"outside", "inside"}
        odds = side.before + evidence(mended) - evidence(of)
        assert side.log_odds == pytest.approx(odds, abs=0.6 + 0.05 * abs(odds)), row
    best = max(sides.values(), key=lambda s: s.log_odds)
    assert best.rows == (3,)
    # b: the offset counts the other way round, on both faces
    assert abs(best.change[0]) == pytest.approx(2 * 0.3, abs=0.15)


def test_undoing_puts_the_reading_as_it_should_have_been() -> None:
    of = survey(*PLATE)
    inch = undone(of, Suspicion("inch", (0,), (-1.5,), 0.0))
    assert inch.readings[0].mm == pytest.approx((38.8,))
    nominal = undone(of, Suspicion("nominal", (0,), (2.0,), 0.0))
    assert nominal.readings[0].along == pytest.approx((38.0, 0, 0))
    swapped = undone(of, Suspicion("swapped", (0, 4), (20.0, -20.0), 0.0))
    assert [swapped.readings[i].mm[0] for i in (0, 4)] == pytest.approx([60.3, 40.3])
    assert replace(swapped, readings=of.readings) == of
    assert np.isfinite([s.log_odds for s in at(of)[0]]).all()


def test_nominals_are_mistyped_by_whole_millimetres_by_the_point_and_by_a_digit() -> None:
    found = dict(_mistyped(52.0))
    whole = {51.0, 53.0, 50.0, 54.0, 47.0, 57.0, 42.0, 62.0, 520.0, 5.2}
    digits = {25.0, *(float(f"{d}2") for d in range(10)), *(float(f"5{d}") for d in range(10))}
    assert found.keys() == whole | digits - {52.0}
    assert sum(found.values()) == pytest.approx(1)
    assert sum(found[nominal] for nominal in whole) == pytest.approx(0.6)
    assert min(dict(_mistyped(1.0))) > 0
