import math

import pytest

from agent.errors import BadInput, Refused
from agent.pieces.catalogue import CATALOGUE
from agent.pieces.sizing import choose_size, sizes
from agent.store.profiles import load_profile
from tests.pieces.machines import machine


def longest(piece):
    return max(math.hypot(*feature.along) for feature in piece.features)


@pytest.mark.parametrize("name", ["strip", "rail", "post", "block", "stem"])
def test_sizes_grow_and_stay_within_reach(name):
    found = [longest(piece) for piece in sizes(name, machine(), reach=200)]
    assert len(found) >= 3
    assert found == sorted(found)
    assert found[-1] <= 200


def test_smallest_piece_that_is_good_enough_is_taken():
    """An uncertainty that falls with length: 0.05 mm over the longest length."""
    tried = []

    def uncertainty(piece):
        tried.append(piece)
        return 0.05 / longest(piece)

    chosen = choose_size("block", machine(), uncertainty, 0.001)
    assert chosen.size["gantry long"] == 60
    assert len(tried) == 2


def test_the_best_is_taken_where_nothing_is_good_enough():
    chosen = choose_size("post", machine(), lambda piece: 1 / piece.size["height"], 1e-6)
    assert chosen.size["height"] == 120


def test_no_size_fits_a_tiny_machine():
    with pytest.raises(Refused, match="no block fits"):
        choose_size("block", machine(across=30, gantry=20), lambda _: 0.0, 1.0)


def test_unknown_piece_is_named():
    with pytest.raises(BadInput, match="no piece 'cube'; there are strip"):
        list(sizes("cube", machine()))


@pytest.mark.parametrize("machine_name", ["heron", "egret", "curlew", "stilt", "avocet"])
def test_sizes_rise_on_every_machine_wherever_the_usual_one_stands_among_them(
    machine_name: str,
) -> None:
    profile = load_profile(machine_name)
    for name in CATALOGUE:
        found = [longest(piece) for piece in sizes(name, profile)]
        assert found == sorted(found), name
