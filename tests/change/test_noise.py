"""The whole session over a bad cable: it may fail, but it never lies and never writes unasked."""

from __future__ import annotations

from contextlib import suppress

import pytest

from agent.errors import LinkFailed, Refused
from sim.machine import build
from sim.memory import MemoryTransport
from tests.change.bench import HERON_PLAIN
from tests.crashes import JOB, Agent, Confirmed, Disk, Verdict, aftermath

#: Families whose lines carry a checksum: a damaged line is not taken.
CHECKED = ("replay", "table", "override", "script")

NOISE = (
    "drop:p=0.002,way=both",
    "drop:p=0.02,way=received",
    "drop:p=0.02,way=sent",
    "lost-ok:p=0.1",
    "duplicate:p=0.1,way=received",
    "delay:seconds=3,p=0.05",
)


def session_over(family: str, noise: str, seed: int) -> Verdict:
    """A session over a cable with `noise`, then a new agent over a good one."""
    machine = build(HERON_PLAIN, seed=seed, family=family, faults=[noise])
    machine.controller.live.update(JOB)
    machine.controller.apply()
    disk, confirmed = Disk(), Confirmed()
    with suppress(LinkFailed, Refused, AssertionError):  # a bad cable may stop it anywhere
        Agent(MemoryTransport(machine.controller), disk, confirmed, machine).session()
    machine.controller.troubles.clear()
    return aftermath(machine, disk, confirmed, "finish" if seed % 2 else "undo")


@pytest.mark.parametrize("family", CHECKED)
@pytest.mark.parametrize("noise", NOISE)
def test_noise_leads_to_no_lie_and_to_no_unconfirmed_write(family: str, noise: str) -> None:
    for seed in range(1, 7):
        assert session_over(family, noise, seed) == Verdict(), seed


@pytest.mark.parametrize("noise", NOISE)
def test_without_checksums_a_line_may_be_damaged_and_is_found_out(noise: str) -> None:
    for seed in range(1, 7):
        verdict = session_over("numbered", noise, seed)
        assert verdict.wrong_reports == [], seed
        # a lost digit can turn `$110=9000` into `$11=9000`: another setting, and impossible; no
        # plan may rest on such a reading, so it is mended by hand
        assert all("which is impossible" in text for text in verdict.lost), seed
