"""A pin holds what was kept, and lets the last digit of a number go."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests import pinned


@pytest.mark.parametrize(
    ("printed", "wanted"),
    [("+0.618 % at 2", True), ("+0.619 % at 2", False), ("+0.617 % at 3", False), ("", False)],
)
def test_only_the_last_digit_may_differ(printed: str, wanted: bool) -> None:
    assert (not pinned.unlike("+0.617 % at 2", printed)) == wanted


def test_what_was_kept_is_held_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pinned, "PINS", tmp_path)
    pinned.pin("room/name", "two lines \nof 12.34 mm")
    pinned.hold("room/name", "two lines\nof 12.35 mm\n")
    for other in ("two lines\nof 12.36 mm", "two lines", "two lines\nof 12.34 mm\nand more"):
        with pytest.raises(AssertionError, match="--pin"):
            pinned.hold("room/name", other)
    with pytest.raises(AssertionError, match="--pin"):
        pinned.hold("never kept", "a line")
