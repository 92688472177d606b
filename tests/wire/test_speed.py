"""Every pair of usual speeds ends, and the search finds the board's, whatever it talks."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import LinkFailed
from agent.families import FAMILIES
from agent.wire.link import Link
from agent.wire.speed import USUAL_BAUDS, find_speed
from sim.faults import missampled
from sim.machine import build
from tests.memory import MemoryTransport

HERON: dict[str, Any] = yaml.safe_load(
    (Path(__file__).parents[2] / "profiles" / "heron.yaml").read_text()
)


class Tuned(MemoryTransport):
    """The simulated port, at whatever speed it is set to."""

    def set_baud(self, baud: int) -> None:
        self.cable.client_baud = baud


def board(baud: int, family: str = "replay") -> Tuned:
    faults = [f"speed:baud={baud}"]
    return Tuned(build(HERON, seed=None, family=family, faults=faults).controller)


@pytest.mark.parametrize(("ours", "its"), list(itertools.permutations(USUAL_BAUDS, 2)))
def test_every_pair_of_speeds_ends_in_junk(ours: int, its: int) -> None:
    transport = board(its)
    transport.set_baud(ours)
    with pytest.raises(LinkFailed):
        Link(transport).ask("M115", timeout=1.0)


@given(st.binary(max_size=40), st.floats(0.005, 200.0))
def test_whatever_is_sampled_ends(data: bytes, ratio: float) -> None:
    received = missampled(data, ratio)
    assert len(received) <= 5 * len(data)  # a byte holds five falling edges at most


def test_a_receiver_of_the_same_speed_reads_what_was_sent() -> None:
    assert missampled(bytes(range(256)), 1.0) == bytes(range(256))


def test_a_slow_sender_shows_each_of_its_edges_as_a_byte_of_noughts() -> None:
    # 0x55 is 0101...: with start and stop bit five falling edges, each a start bit to the receiver
    assert missampled(b"U", 9600 / 115200) == bytes(5)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("baud", USUAL_BAUDS)
def test_every_usual_speed_is_found(baud: int, family: str) -> None:
    transport = board(baud, family)
    assert find_speed(transport) == baud
    assert transport.cable.client_baud == baud
