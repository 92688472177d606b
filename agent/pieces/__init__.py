"""Test pieces: what is laid, where the caliper goes, and the lines that lay it.  Pure.

A piece is built for a profile (angle, travel, bead, roller) and is a plain value; see `solid`.
"""

from __future__ import annotations

from agent.pieces.block import block
from agent.pieces.catalogue import CATALOGUE, PIECES, WHOLE_SET, Kind
from agent.pieces.post import post
from agent.pieces.rail import rail
from agent.pieces.solid import Piece, Prism
from agent.pieces.strip import strip
from agent.pieces.toolpath import Summary, seat, summary, timed_toolpath, toolpath
from agent.pieces.travel import move_over, travel_features

__all__ = [
    "CATALOGUE",
    "PIECES",
    "WHOLE_SET",
    "Kind",
    "Piece",
    "Prism",
    "Summary",
    "block",
    "move_over",
    "post",
    "rail",
    "seat",
    "strip",
    "summary",
    "timed_toolpath",
    "toolpath",
    "travel_features",
]
