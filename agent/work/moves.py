"""Moves without plastic that are measured: one axis by a known length, or over marks.

Every move is relative, checked against the travel of its axis, approached from the same side
after a take-up move, and waited for.  The belt runs the way it feeds while printing, which is
downward in its coordinate: a new layer lies behind the one before (see `agent.model.geometry`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from agent.change.guards import worst_travel
from agent.errors import BadInput, Refused
from agent.model.drive import Roller
from agent.model.feature import Feature
from agent.model.profile import Profile
from agent.model.roles import ROLES, Axes, Role

#: A measured move begins after a move of this length the same way, which takes up lost motion.
TAKE_UP_MM: Final = 5.0

#: Speed of measured moves, mm/s: slow enough to be stopped at the switch.
MOVE_SPEED: Final = 20.0

#: Length of the first move after steps were changed, mm.
SHORT_MM: Final = 10.0

#: Marks of a run where the roller is not known: distance and number.
USUAL_STEP_MM: Final = 25.0
USUAL_MARKS: Final = 12

Approach = Literal["forward", "both"]
Load = Literal["empty", "part"]


@dataclass(frozen=True, slots=True)
class Travel:
    """A measured move, before it is made."""

    role: Role
    feature: Feature
    mm: float  #: commanded
    worst_mm: float  #: how far it could go if the stored setting were at the end of its bracket
    take_up: tuple[str, ...]  #: lines up to where the gauge is set to zero
    go: tuple[str, ...]  #: lines of the measured move
    back: tuple[str, ...]  #: lines that bring the axis back; none for the belt, which has no end
    retreat_mm: float = 0.0  #: how far it first goes back, so that there is room


@dataclass(frozen=True, slots=True)
class Advance:
    """The belt fed forward, before it is."""

    mm: float
    worst_mm: float  #: how far it could run
    seconds: float
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Marks:
    """A run of one axis over marks, before it is made."""

    role: Role
    commanded: tuple[float, ...]  #: mm from the zero mark, in the order reached; the belt's as fed
    approach: Approach
    load: Load
    turn_mm: float | None  #: one roller turn, if the roller is known
    worst_mm: float  #: farthest the axis could run
    take_up: tuple[str, ...]  #: lines up to the zero mark
    steps: tuple[tuple[str, ...], ...]  #: lines that lead to each mark
    after: tuple[str, ...]  #: lines that bring the axis back; the belt stays
    retreat_mm: float = 0.0  #: how far it first goes back, so that there is room


def travel_move(
    profile: Profile,
    role: Role,
    steps: float,
    at: float | None,
    mm: float | None = None,
) -> Travel:
    """The measured move of one axis.

    steps  in the controller, step/mm;  at  where the axis stands, mm, None if nobody knows
    mm     its length; None: the usual one, whole turns of the drive

    Raises Refused where the axis has no room for it, even at worst.
    """
    from agent.pieces import move_over, travel_features  # brings the pieces in: few need them

    feature = travel_features(profile)[ROLES.index(role)]
    planned = math.hypot(*feature.along)
    if mm is not None:
        feature = move_over(feature, mm)
        planned = mm
    feed = 1
    if role == "belt":  # the way it feeds
        feature, feed = _scaled(feature, -1.0), -1
    retreat = _retreat(profile, role, planned + TAKE_UP_MM, at)
    worst = _worst(profile, role, planned + TAKE_UP_MM, steps)
    _check_worst(profile, role, worst)
    back_mm = -planned - TAKE_UP_MM

    def line(distance: float) -> str:
        return relative(profile.axes, role, feed * distance)

    return Travel(
        role,
        feature,
        planned,
        worst,
        take_up=_take_up(line, retreat),
        go=(line(planned), "M400"),
        back=(*(() if role == "belt" else (line(back_mm), "M400")), "G90"),
        retreat_mm=retreat,
    )


def gap_move(profile: Profile, steps: float, at: float | None) -> Travel:
    """The across move over which the gap between nozzle and belt is compared.  As `travel_move`."""
    move = travel_move(profile, "across", steps, at)
    return replace(
        move,
        feature=Feature(
            "gap across",
            "gap",
            (move.mm, 0.0, 0.0),
            hint="gap between nozzle and belt by feeler gauges: here minus at the start, signed",
        ),
    )


def advance_move(profile: Profile, steps: float, mm: float) -> Advance:
    """The belt fed forward by `mm`.  Raises Refused beyond the travel it has, even at worst."""
    worst = _worst(profile, "belt", mm, steps)
    _check_worst(profile, "belt", max(worst, mm) if math.isfinite(worst) else mm)
    lines = ("G21", "G91", relative(profile.axes, "belt", -mm), "M400", "G90")
    return Advance(mm, worst, mm / MOVE_SPEED, lines)


def marks_run(
    profile: Profile,
    steps: float,
    role: Role = "belt",
    at: float | None = None,
    *,
    turns: float | None = None,
    per_turn: int = 4,
    every: float | None = None,
    count: int | None = None,
    approach: Approach = "forward",
    load: Load = "empty",
) -> Marks:
    """A run over marks at whole roller turns and between, or `every` so many mm.

    steps  in the controller, step/mm;  at  where the axis stands, mm, None if nobody knows

    Over whole turns run-out cancels; the marks between show it.  An axis that ends is shared out
    evenly over most of its room.  Raises BadInput where turns are asked for that no roller makes,
    Refused where the axis has no room.
    """
    turn = _roller_turn(profile) if role == "belt" else None
    if every is None and turns is not None and turn is None:
        raise BadInput(
            "turns were asked for, but the profile knows no roller on the belt"
            if role == "belt"
            else "turns were asked for, but a roller drives the belt alone",
            remedy="Give --every MM and --count N, or add the roller to the profile",
        )
    if every is None:
        every = turn / per_turn if turn is not None else USUAL_STEP_MM
    if count is None and role != "belt":
        count = _marks_with_room(profile, role, every)
    if count is None:
        count = round((turns or 4) * per_turn) if turn is not None else USUAL_MARKS
    if count < 3:
        raise BadInput(f"{count} marks tell nothing", remedy="Three at least; a dozen tell much")
    there = [round(every * k, 4) for k in range(1, count + 1)]
    commanded = tuple(there + there[::-1] if approach == "both" else there)
    longest = there[-1] + 2 * TAKE_UP_MM
    worst = _worst(profile, role, longest, steps)
    _check_worst(profile, role, worst)
    retreat = _retreat(profile, role, longest, at)
    feed = -1 if role == "belt" else 1  # the way the belt feeds

    def line(distance: float) -> str:
        return relative(profile.axes, role, feed * distance)

    home = () if role == "belt" else (line(retreat - TAKE_UP_MM - commanded[-1]), "M400")
    return Marks(
        role,
        commanded,
        approach,
        load,
        turn,
        worst,
        take_up=_take_up(line, retreat),
        steps=tuple(_mark_steps(line, commanded)),
        after=(*home, "G90"),
        retreat_mm=retreat,
    )


def _marks_with_room(profile: Profile, role: Role, every: float) -> int:
    """How many marks fit into nine tenths of an axis' travel, with what the take-up wants."""
    limit = profile.mechanics.travel_mm.get(role)
    if limit is None:
        return USUAL_MARKS
    return min(USUAL_MARKS, int((0.9 * limit - 2 * TAKE_UP_MM) / every))


def _take_up(line: Callable[[float], str], retreat: float) -> tuple[str, ...]:
    """Lines up to where a measured move begins; `line` moves the axis on by so many mm."""
    back = (line(-retreat), "M400") if retreat else ()
    return ("G21", "G91", *back, line(TAKE_UP_MM), "M400")


def _mark_steps(line: Callable[[float], str], commanded: Sequence[float]) -> list[tuple[str, ...]]:
    """Lines to each mark; one that is reached backward is first passed by a take-up move."""
    here = 0.0
    lines: list[tuple[str, ...]] = []
    for place in commanded:
        feed = place - here
        if abs(feed) < 1e-9:  # the turning point, come to from the other side
            lines.append((line(TAKE_UP_MM), line(-TAKE_UP_MM), "M400"))
        else:
            lines.append((line(feed), "M400"))
        here = place
    return lines


def short_move(profile: Profile, role: Role, at: float | None) -> tuple[str, ...]:
    """A first short move of an axis whose steps were changed: there, not back.

    The belt feeds forward; the others go up, or down where they stand near the upper end.
    """
    limit = profile.mechanics.travel_mm.get(role)
    near_end = at is not None and limit is not None and at + 2 * SHORT_MM > limit
    way = -1 if role == "belt" or near_end else 1
    return ("G21", "G91", relative(profile.axes, role, way * SHORT_MM), "M400", "G90")


def relative(axes: Axes, role: Role, mm: float) -> str:
    """A relative move of one axis as a line, at the speed of measured moves."""
    letter = axes.letter(role).upper()
    return f"G1 {letter}{axes.sign(role) * mm:.4f} F{60 * MOVE_SPEED:.0f}"


def _scaled(feature: Feature, share: float) -> Feature:
    x, s, h = feature.along
    return replace(feature, along=(x * share + 0.0, s * share + 0.0, h * share + 0.0))


def _roller_turn(profile: Profile) -> float | None:
    drive = profile.mechanics.drives.get("belt")
    if drive is None or not isinstance(drive.output, Roller):
        return None
    return drive.output.travel_per_turn


def _worst(profile: Profile, role: Role, mm: float, steps: float) -> float:
    drive = profile.mechanics.drives.get(role)
    return worst_travel(mm, steps, drive) if drive else math.inf


def _check_worst(profile: Profile, role: Role, worst: float) -> None:
    limit: Mapping[Role, float] = profile.mechanics.travel_mm
    if role in limit and math.isfinite(worst) and worst > limit[role]:
        raise Refused(
            f"{role}: this move could reach {worst:.1f} mm if the stored setting is off by what its"
            f" drive train allows, beyond its travel of {limit[role]:g} mm",
            remedy="Ask for a shorter one. Nothing was moved",
        )


def _retreat(profile: Profile, role: Role, reach: float, at: float | None) -> float:
    """How far the axis has to go back first, mm.  Raises Refused where that is no help."""
    limit = profile.mechanics.travel_mm.get(role)
    if role == "belt" or limit is None or at is None:
        return 0.0
    if at < -1e-6:
        raise Refused(
            f"{role}: the controller says that it stands at {at:g} mm, outside its travel",
            remedy="Home it at the machine. Nothing was moved",
        )
    retreat = max(0.0, at + reach - limit)
    if retreat > at + 1e-6:
        raise Refused(
            f"{role}: a move of {reach:g} mm with its take-up has no room in {limit:g} mm",
            remedy="Ask for a shorter one. Nothing was moved",
        )
    return round(retreat, 4)
