"""A desk that many files of this folder begin with; a file may have one of its own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from agent.face.desk import Desk
from tests.face.bench import carry_out, desk_at


@pytest.fixture
def desk(capsys: pytest.CaptureFixture[str]) -> Iterator[Desk]:
    """A machine in memory, attached; its gantry is at 45 degrees."""
    there = desk_at()
    assert carry_out(there, ["attach"]) == [0]
    capsys.readouterr()
    yield there
    there.close()
