"""The README's drawings of pieces are those of today's code."""

import pytest

from agent.pieces import PIECES
from agent.pieces.drawing import svg
from agent.store.profiles import load_profile
from tests.pictures import FOLDER


@pytest.mark.parametrize("name", PIECES)
def test_drawing_is_up_to_date(name: str) -> None:
    drawn = svg(PIECES[name](load_profile("heron")))
    assert (FOLDER / f"{name}.svg").read_text(encoding="utf-8") == drawn
