"""Text for people: cleaned, and wrapped at words."""

from __future__ import annotations

import pytest

from agent.face.screen import wrapped


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("one two three", ["one two", "three"]),
        ("  a b", ["  a b"]),
        ("  one two three", ["  one two", "  three"]),
        ("", [""]),
        ("a\n\nb", ["a", "", "b"]),
        ("a\x1b[2J", ["a\\x1b[2J"]),
    ],
)
def test_lines_keep_their_blanks_and_break_at_words(text: str, lines: list[str]) -> None:
    assert wrapped(text, 9) == lines
