"""Which end an adjustment names: moved as told, the real motion comes nearer to the wanted one."""

from __future__ import annotations

import math

import numpy as np
import pytest

from agent.estimate.advice.angles import _move
from agent.model.geometry import affine_with_slopes

THETA = math.radians(45)


@pytest.mark.parametrize(
    ("code", "place", "row", "away"),
    [
        ("yaw", 4, 1, "forward (+s)"),
        ("roll", 5, 2, "Lower"),
        ("rail", 6, 2, "up the gantry"),
    ],
)
@pytest.mark.parametrize("angle", [0.01, -0.01])
def test_the_end_named_goes_against_the_error(
    code: str, place: int, row: int, away: str, angle: float
) -> None:
    errors = np.zeros(7)
    errors[place] = angle
    motion, _ = affine_with_slopes(THETA, errors)
    shift = float(motion[row, 0])  # where the +x end goes too far: along s, or along h
    too_far = shift > 0  # towards +s, or up
    told = _move(code, angle)
    assert "+x end" in told
    # The remedy says the way of a positive shift only where the error went the other way.
    assert (away in told) == (too_far if away == "Lower" else not too_far)
