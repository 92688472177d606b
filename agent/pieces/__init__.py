"""Test pieces: what is laid, where the caliper goes, and the lines that lay it.  Pure.

A piece is built for a profile (angle, travel, bead, roller) and is a plain value; see `solid`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from agent.pieces.block import block
from agent.pieces.post import post
from agent.pieces.rail import rail
from agent.pieces.solid import Piece, Prism
from agent.pieces.strip import strip
from agent.pieces.toolpath import Summary, summary, timed_toolpath, toolpath
from agent.pieces.travel import travel_features

#: Builders by name; each takes a profile and its own sizes by keyword.
PIECES: Final[dict[str, Callable[..., Piece]]] = {
    "strip": strip,
    "rail": rail,
    "post": post,
    "block": block,
}

__all__ = [
    "PIECES",
    "Piece",
    "Prism",
    "Summary",
    "block",
    "post",
    "rail",
    "strip",
    "summary",
    "timed_toolpath",
    "toolpath",
    "travel_features",
]
