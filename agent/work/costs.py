"""What a tolerance takes on one machine before anything was read: values, minutes, the gauge."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from agent.bench.rounds import Laid, Round
from agent.model.profile import Profile, Tolerance
from agent.work.tuning import (
    SHORT_PIECE,
    bare_survey,
    course_of,
    is_move,
    pool,
    short_piece,
    times_of,
)

if TYPE_CHECKING:
    from agent.estimate.design import Course

#: What moves are read with, from coarse to fine: standard uncertainty in mm, in words (common
#: practice).
GAUGES: Final = (
    (0.3, "a steel rule"),
    (0.1, "a rule with a vernier, or a caliper held against a stop"),
    (0.05, "a dial or digital gauge, or a caliper clamped beside the axis"),
    (0.02, "a digital scale clamped beside the axis"),
    (0.01, "a dial indicator against gauge blocks"),
)


@dataclass(frozen=True, slots=True)
class Cost:
    """What a tolerance takes."""

    tolerance: Tolerance
    course: Course
    laid: float  #: minutes of laying

    @property
    def reached(self) -> bool:
        return not self.course.unreachable


def cost_of(profile: Profile, u_move: float) -> Cost:
    """What the tolerance of `profile` takes, moves read to `u_move` mm."""
    course = course_of(profile, bare_survey(profile), Round(), u_move)
    short = short_piece(profile)
    laid = any(not is_move(ask.name) for ask in course.asks) and short is not None
    return Cost(profile.tolerance, course, short[1].laying if laid and short else 0.0)


def gauge_that_reaches(profile: Profile, u_move: float) -> tuple[float, str] | None:
    """The coarsest gauge finer than `u_move` with which the tolerance is reached, if there is."""
    finer = ((u, words) for u, words in GAUGES if u < u_move)
    return next((gauge for gauge in finer if cost_of(profile, gauge[0]).reached), None)


def at_best(profile: Profile, u_move: float) -> Course:
    """What the finest gauge would leave."""
    return cost_of(profile, min(GAUGES[-1][0], u_move)).course


def frontier_of(profile: Profile, u_move: float) -> Iterator[Mapping[str, float]]:
    """Heights of the piece: minutes of laying against what the angle is then known to."""
    from agent.estimate.design import course
    from agent.pieces.sizing import sizes

    for piece in sizes(SHORT_PIECE, profile, reach=profile.instrument.reach_mm):
        laid = Laid(SHORT_PIECE, SHORT_PIECE, dict(piece.size), 1, profile)
        candidates, setups, there = pool(profile, (laid,), (), u_move)
        found = course(bare_survey(profile), candidates, setups, there=there)
        yield {
            "height": piece.size["height"],
            "minutes": round(times_of(piece, profile).laying, 1),
            "angle_deg": found.after["gantry_angle_deg"],
        }
