"""Readings without plastic: one commanded move per axis, measured on the machine."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from agent.model.feature import Feature, direction_of
from agent.model.profile import Profile
from agent.model.roles import Role
from agent.pieces.envelope import Envelope, period, whole_turns

#: Share of the usable travel that a measured move may take.
_SHARE: Final = 0.9
#: Wanted lengths, mm; the belt has no end, but a rule or gauge has.
_WANTED: Final[dict[Role, float]] = {"across": 200.0, "gantry": 180.0, "belt": 300.0}
_HINTS: Final[dict[Role, str]] = {
    "across": "travel of the nozzle carrier along the rail",
    "gantry": "travel of the rail up its plane",
    "belt": "how far a mark on top of the belt moves, at the edge away from the motor",
}


def travel_features(profile: Profile) -> tuple[Feature, ...]:
    """One `travel` feature each for across, gantry and belt, whole turns of the drive if known."""
    room = Envelope.of(profile)
    limits: dict[Role, float] = {"across": room.across, "gantry": room.gantry, "belt": room.belt}
    features = []
    for role, limit in limits.items():
        length = whole_turns(_WANTED[role], period(profile, role), _SHARE * limit)
        x, s, h = direction_of(role, room.angle)
        vector = (length * x, length * s, length * h)
        features.append(Feature(f"travel {role}", "travel", vector, hint=_HINTS[role]))
    return tuple(features)


def move_over(usual: Feature, mm: float) -> Feature:
    """The usual move of an axis over another length, under a name of its own where it differs."""
    whole = math.hypot(*usual.along)
    if abs(mm - whole) < 0.005:
        return usual
    x, s, h = (component * mm / whole + 0.0 for component in usual.along)
    return replace(usual, name=f"{usual.name} {mm:g}", along=(x, s, h))
