"""A short one of each fault; `python -m tests.workshop_faults` is the long one."""

from __future__ import annotations

import pytest

from tests.workshop.postgres import Server
from tests.workshop_faults import FAULTS


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_nothing_is_lost_nor_doubled(server: Server, fault: str) -> None:
    tally = FAULTS[fault](server, 4 if fault == "cut" else 1)
    if fault == "no-room" and not tally.runs:
        pytest.skip(next(iter(tally.notes)))
    assert tally.runs >= 1
    assert tally.clean, tally
    if fault == "cut":
        assert tally.resumed == tally.runs
