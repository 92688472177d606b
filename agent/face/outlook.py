"""`outlook`: the short tune before it begins: readings, pieces, minutes, what they will tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import click

from agent.face.benchwork import chosen_profile
from agent.face.desk import Desk
from agent.face.options import LENGTH, Number, Verb
from agent.face.words import shown
from agent.model.profile import Tolerance
from agent.model.roles import WANTED
from agent.work.costs import Cost, at_best, cost_of, frontier_of, gauge_that_reaches
from agent.work.tuning import SHORT_PIECE, U_GAUGE, U_RULE, u_of_moves

if TYPE_CHECKING:
    from agent.estimate.design import Course
    from agent.face.screen import Screen
    from agent.model.profile import Profile

#: Tolerances whose cost is told beside the machine's own: scale in %, angle in degrees.
_OTHERS: Final = ((0.05, 0.05), (0.1, 0.1), (0.2, 0.2))


@click.command(cls=Verb)
@click.option("--profile", "profile_name", help="profile of the machine: a name or a file")
@click.option(
    "--scale", type=Number("%", above=0), help="tolerance of scales, % instead of its own"
)
@click.option("--angle", type=Number("deg", above=0), help="tolerance of the angle, degrees")
@click.option("--u", "u_mm", type=LENGTH, help="standard uncertainty of what reads a move, mm")
@click.option("--sizes", is_flag=True, help="sizes of the piece: minutes against uncertainty")
def outlook(
    desk: Desk,
    /,
    profile_name: str | None,
    scale: float | None,
    angle: float | None,
    u_mm: float | None,
    sizes: bool,
) -> None:
    """The short tune before it begins: what is read and laid, and what is known after each step.

    For this machine, its instrument and tolerance; and what another tolerance would cost. What
    cannot be reached is said before anything is laid, with the instrument that would reach it.

    \b
    Example: plumbelt outlook --profile heron --u 0.05
    """
    profile = chosen_profile(desk, profile_name)
    own = profile.tolerance
    profile = replace(
        profile,
        tolerance=Tolerance(
            own.scale_percent if scale is None else scale,
            own.angle_deg if angle is None else angle,
        ),
    )
    u_move = u_mm if u_mm is not None else move_u(desk, profile)
    cost = cost_of(profile, u_move)
    others = [
        cost_of(replace(profile, tolerance=Tolerance(*pair)), u_move)
        for pair in _OTHERS
        if Tolerance(*pair) != profile.tolerance
    ]
    others = sorted([cost, *others], key=lambda c: c.tolerance.scale_percent)
    way = "" if cost.reached else way_out(profile, u_move, cost)
    frontier = list(frontier_of(profile, u_move)) if sizes else []
    document = {
        "machine": profile.name,
        "u_move_mm": u_move,
        **plain(cost),
        "steps": [
            {
                "reading": ask.name,
                "value": ask.value,
                "minutes": round(ask.minutes, 2),
                "expanded95": dict(ask.after),
            }
            for ask in cost.course.asks
        ],
        "way_out": way,
        "tolerances": [plain(other) for other in others],
        "sizes": frontier,
    }

    def show() -> None:
        screen = desk.screen
        screen.heading(
            f"The short tune of {profile.name}: {profile.tolerance.scale_percent:g} % and"
            f" {profile.tolerance.angle_deg:g}°"
        )
        if way:
            screen.say(f"! {cannot_words(cost.course)} {way}")
        show_steps(screen, profile, cost, u_move)
        show_costs(screen, others)
        if frontier:
            show_sizes(screen, frontier)

    desk.screen.answer(document, show)


def show_steps(screen: Screen, profile: Profile, cost: Cost, u_move: float) -> None:
    """What is read in which order, and what is known after it."""
    screen.say(
        f"Moves are read to {u_move:g} mm (one standard deviation), the rest with a caliper of"
        f" {profile.instrument.reach_mm:g} mm. What is known after each step, ± at 95 %:"
    )
    screen.table(
        ["step", ">min", *(f">{_short(name)}" for name in WANTED)],
        [
            (
                ask.name if ask.value == 1 else f"{ask.name}, value {ask.value}",
                f"{ask.minutes:.1f}",
                *(f"{ask.after[name] * shown(name).factor:.3f}" for name in WANTED),
            )
            for ask in cost.course.asks
        ],
    )
    screen.say(sum_words(cost))


def show_costs(screen: Screen, costs: Sequence[Cost]) -> None:
    screen.say("What a tolerance costs:")
    rows = [
        (
            f"{c.tolerance.scale_percent:g} %, {c.tolerance.angle_deg:g}°",
            str(len(c.course.asks)),
            f"{c.course.minutes:.0f}",
            "yes" if c.reached else "no",
        )
        for c in costs
    ]
    screen.table(["tolerance", ">values", ">minutes", "reached"], rows)


def show_sizes(screen: Screen, frontier: Sequence[Mapping[str, float]]) -> None:
    screen.say(f"The {SHORT_PIECE} by height: minutes of laying, angle then known to:")
    screen.table(
        [">mm", ">min", ">angle, ±°"],
        [(f"{f['height']:g}", f"{f['minutes']:.1f}", f"{f['angle_deg']:.3f}") for f in frontier],
    )


def move_u(desk: Desk, profile: Profile) -> float:
    """Standard uncertainty with which this bench reads moves, mm."""
    usual = U_RULE if desk.rehearsal is None else U_GAUGE
    return u_of_moves(profile, (), usual)


def way_out(profile: Profile, u_move: float, cost: Cost) -> str:
    """The instrument or procedure that would reach the tolerance, in a sentence."""
    gauge = gauge_that_reaches(profile, u_move)
    if gauge is not None:
        return f"Moves read to {gauge[0]:g} mm would reach it: {gauge[1]}."
    best = at_best(profile, u_move)
    left = {**best.unreachable} or dict(cost.course.unreachable)
    if set(left) == {"gantry_angle_deg"}:
        return (
            f"It needs a higher {SHORT_PIECE} ('outlook --sizes' lists them, 'lay {SHORT_PIECE}"
            " --size height=MM' lays one), or a square that is known to be true."
        )
    return (
        f"The best gauge would still leave {_left(best)}, from bow and lost motion over such a"
        " length. A longer travel would help, or a rail and drive that were checked (smaller"
        " sizes under 'budget' in the profile). The tune goes as far as it pays."
    )


def cannot_words(course: Course) -> str:
    """What cannot be reached, in a sentence."""
    limits = dict.fromkeys(
        words.amount(course.tolerance[name])
        for name in course.unreachable
        if (words := shown(name))
    )
    return (
        f"The tolerance ({', '.join(limits)}) is out of reach with this gauge and caliper: they"
        f" reach {_left(course)}."
    )


def sum_words(cost: Cost) -> str:
    course = cost.course
    pieces = "1 piece" if cost.laid else "no piece"
    worst = max(course.slip[name] for name in WANTED[:3])
    return (
        f"{len(course.asks)} values, {pieces}, {cost.laid:.0f} min of laying, about"
        f" {course.minutes:.0f} min in all with heating, cooling and gauges. A slip of one value"
        f" that stays unseen could then move a scale by {100 * worst:.2f} %,"
        f" the angle by {course.slip['gantry_angle_deg']:.2f}°."
    )


def plain(cost: Cost) -> dict[str, Any]:
    """A tolerance and what it costs, as plain data."""
    course = cost.course
    return {
        "tolerance": {
            "scale_percent": cost.tolerance.scale_percent,
            "angle_deg": cost.tolerance.angle_deg,
        },
        "values": len(course.asks),
        "minutes": round(course.minutes, 1),
        "minutes_laid": round(cost.laid, 1),
        "reached": cost.reached,
        "expanded95": dict(course.after),
        "unseen_slip": dict(course.slip),
        "unreachable": dict(course.unreachable),
    }


def _left(course: Course) -> str:
    return ", ".join(
        f"± {shown(name).amount(u, 3)} ({shown(name).words.removeprefix('scale, ')})"
        for name, u in course.unreachable.items()
    )


def _short(name: str) -> str:
    words = shown(name)
    return f"{words.words.removeprefix('scale, ').removeprefix('gantry ')} {words.unit}"
