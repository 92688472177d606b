"""How the columns of a table are written: heading and stand of each, in one word."""

from __future__ import annotations

#: Columns of a table: the heading of each and how its values stand, `left`, `right`, or `wide`,
#: which is flush left and broken wherever the room ends.
Columns = tuple[tuple[str, str], ...]


def headed(*headings: str) -> Columns:
    """Columns of a table by their headings: `>` before one is flush right, `~` is wide."""
    stands = {">": "right", "~": "wide"}
    return tuple((h[1:], stands[h[0]]) if h[:1] in stands else (h, "left") for h in headings)
