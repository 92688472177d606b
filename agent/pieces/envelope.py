"""Room a machine has for a piece, and lengths its drives repeat best."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from agent.errors import BadInput, Problem
from agent.model.profile import Profile
from agent.model.roles import Role

#: Assumed usable travel where a profile does not state it, mm; pieces can be drawn so, but
#: nothing is laid on a machine whose travel is unknown.
ASSUMED_MM: Mapping[Role, float] = {"across": 200.0, "gantry": 200.0, "belt": 1000.0}

#: Distance kept from the ends of across travel, mm.
MARGIN_MM = 5.0


@dataclass(frozen=True, slots=True)
class Envelope:
    """Usable travel, mm, and the gantry angle, rad."""

    across: float
    gantry: float
    belt: float
    angle: float

    @classmethod
    def of(cls, profile: Profile) -> Envelope:
        """Envelope of a profile; travel it does not state is assumed."""
        travel = {**ASSUMED_MM, **profile.mechanics.travel_mm}
        return cls(
            travel["across"], travel["gantry"], travel["belt"], profile.mechanics.gantry_angle
        )

    @property
    def middle(self) -> float:
        """Middle of across travel, mm."""
        return self.across / 2

    @property
    def width(self) -> float:
        """Greatest width of a piece, mm."""
        return self.across - 2 * MARGIN_MM

    @property
    def height(self) -> float:
        """Greatest height of a piece, mm: nine tenths of what the gantry reaches."""
        return 0.9 * self.gantry * math.sin(self.angle)


def period(profile: Profile, role: Role) -> float | None:
    """Travel of `role` in one turn of its roller, pulley or screw, mm; None if not stated."""
    drive = profile.mechanics.drives.get(role)
    return None if drive is None else drive.output.travel_per_turn


def whole_turns(wanted: float, turn: float | None, limit: float) -> float:
    """Length nearest to `wanted` that is whole turns and not beyond `limit`, to 0.01 mm.

    Over whole turns an eccentric roller or pulley gives no error.  Without a known turn, or with
    one too long for `limit`, the length is `wanted` itself, cut to `limit`.
    """
    if turn is None or not turn <= limit:
        return min(wanted, limit)
    turns = min(max(1, round(wanted / turn)), math.floor(limit / turn + 1e-9))
    return round(turns * turn, 2)


def check_sizes(piece: str, problems: list[tuple[str, str]]) -> None:
    """Raise BadInput with all (key, what) problems of a piece's sizes, if there are any."""
    if problems:
        raise BadInput(
            f"a {piece} of these sizes does not fit this machine",
            problems=[Problem("piece", None, f"{piece}.{key}", what) for key, what in problems],
            remedy="Give other sizes, or correct mechanics.travel_mm in the profile.",
        )


def in_range(
    key: str, value: float, low: float, high: float, unit: str = " mm"
) -> list[tuple[str, str]]:
    """Problem of a size outside [low, high], as (key, what); empty where it fits."""
    if math.isfinite(value) and low <= value <= high:
        return []
    return [(key, f"expected {low:g} to {high:g}{unit}, found {value:g}")]
