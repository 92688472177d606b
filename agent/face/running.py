"""`marks`: an axis over marks, for scale, run-out, lost motion, slip; `advance`: the belt on."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

import click

from agent.bench.rounds import MOVES
from agent.errors import Refused
from agent.face.answers import typed_length
from agent.face.cautions import acknowledge
from agent.face.desk import Desk
from agent.face.moving import (
    absolute_after,
    asked_length,
    asked_u,
    room_or_refused,
    try_short_moves,
    usual_u,
)
from agent.face.options import LENGTH, Count, Number, Verb
from agent.model.feature import Feature, direction_of
from agent.model.roles import ROLES, Role
from agent.model.survey import BeltRun
from agent.plain import all_plain

if TYPE_CHECKING:
    from agent.work.moves import Marks


@click.command(cls=Verb)
@click.option("--turns", type=Number("turns", above=0), help="length in roller turns (usually 4)")
@click.option("--per-turn", type=Count(1), default=4, show_default=True, help="marks each turn")
@click.option("--every", type=LENGTH, help="distance of the marks instead, mm")
@click.option("--count", type=Count(3), help="number of marks")
@click.option(
    "--axis",
    type=click.Choice(ROLES),
    default="belt",
    show_default=True,
    help="which axis runs",
)
@click.option("--both", is_flag=True, help="come to each mark from both sides")
@click.option(
    "--load",
    type=click.Choice(("empty", "part")),
    default="empty",
    show_default=True,
    help="what lies on the belt or drags on it",
)
@click.option("--u", "u_mm", type=Number("mm", above=0), help="own standard uncertainty, mm")
def marks(
    desk: Desk,
    /,
    turns: float | None,
    per_turn: int,
    every: float | None,
    count: int | None,
    axis: Role,
    both: bool,
    load: str,
    u_mm: float | None,
) -> None:
    """Run an axis over marks and read where it stands: scale, run-out, lost motion, slip.

    Marks of the belt come at whole roller turns and between. Run it empty and again with a part on
    the belt: what the loaded belt falls short is slip. Any axis shows its lost motion there and
    back: marks --axis across --both.

    \b
    Example: plumbelt> marks --turns 4
    """
    from agent.work.moves import Load

    session, screen = desk.session, desk.screen
    run = session.moves.marks(
        axis,
        turns=turns,
        per_turn=per_turn,
        every=every,
        count=count,
        approach="both" if both else "forward",
        load=cast(Load, load),
    )
    acknowledge(desk)
    show_run(desk, run)
    room_or_refused(desk)
    try_short_moves(desk, [axis])
    if u_mm is None:
        u_mm = asked_u(desk, usual_u(desk))
    measured: list[float | None] = []
    try:
        run_over(desk, run, measured)
    finally:  # an interrupt loses nothing that was read
        kept = belt_run(run, measured, u_mm)
        if kept is not None:
            session.readings.keep_run(kept)
    if kept is None:
        raise Refused(
            "fewer than three marks were read, so the run tells nothing",
            remedy=f"The {axis} axis has moved; no reading was kept",
        )
    apart = [m - c for c, m in zip(kept.commanded, kept.measured, strict=True)]
    screen.answer(
        {"axis": kept.axis, **all_plain(kept)},
        f"{len(apart)} marks kept; farthest off {max(apart, key=abs):+z.2f} mm."
        " 'solve' separates scale, run-out, lost motion and slip.",
    )


def show_run(desk: Desk, run: Marks) -> None:
    screen = desk.screen
    marks_there = sorted(set(run.commanded))
    way = "there and back" if run.approach == "both" else "one way"
    turns = f", {marks_there[-1] / run.turn_mm:.2f} roller turns" if run.turn_mm else ""
    worst = f"{run.worst_mm:.1f} mm" if math.isfinite(run.worst_mm) else "not known"
    laden = f", belt {run.load}" if run.role == "belt" else ""
    screen.heading(f"The {run.role} axis over {len(marks_there)} marks, {way}{laden}")
    feeds = "the way the belt feeds, " if run.role == "belt" else ""
    first = f"goes back by {run.retreat_mm:.1f} mm first; " if run.retreat_mm else ""
    screen.say(
        f"Every {marks_there[0]:.2f} mm up to {marks_there[-1]:.1f} mm{turns}, {feeds}after a"
        f" take-up move; {first}waits at each mark. At worst the axis runs {worst}."
    )
    if run.role != "belt":
        screen.say(
            "Fix a rule, a scale or a gauge along the axis, with its pointer on what the axis"
            " carries, and set it to zero at the first stop. Read it at every stop, at the marks"
            " on the way back as well: what they differ by is lost motion."
        )
        return
    screen.say(
        "Lay a rule or tape along the belt beside a fixed pointer, set to zero at the first stop."
        " Or pencil a mark on the belt at the pointer at every stop and press Enter, and measure"
        " them all from the first one afterwards. Measure on the belt's surface, away from its"
        " motor and not on its joint."
    )


def run_over(desk: Desk, run: Marks, measured: list[float | None]) -> None:
    """Move from mark to mark; `measured` takes what was read at each, None where it was not."""
    screen, session = desk.screen, desk.session
    all_offered = False
    with absolute_after(desk):
        session.contact.send_lines(run.take_up)
        if desk.rehearsal is None:
            other = ", or pencil the first mark" if run.role == "belt" else ""
            screen.ask(f"Set the rule to zero at the pointer{other}. Enter:")
        for number, (place, lines) in enumerate(
            zip(run.commanded, run.steps, strict=True), start=1
        ):
            session.contact.send_lines(lines)
            head = f"mark {number} of {len(run.commanded)}, {place:.2f} mm commanded"
            if desk.rehearsal is None:
                measured.append(
                    asked_length(desk, f"  {head}; measured, mm (Enter: later)?", place)
                )
                continue
            offered = desk.rehearsal.measure(_mark(desk, run.role, place), MOVES, 1)[0]
            if not all_offered:
                screen.say(f"  {head}: the simulated scale shows {offered:.2f}")
                answer = screen.ask("  mm (Enter takes it, 'all' takes all from here):")
                all_offered = answer.lower() == "all"
                if answer and not all_offered:
                    offered = _typed_or(desk, answer, offered)
            measured.append(offered)
        session.contact.send_lines(run.after)
    for i, value in enumerate(measured):
        if value is None:
            measured[i] = asked_length(
                desk,
                f"  mark {i + 1}, {run.commanded[i]:.2f} mm commanded; mm (Enter leaves it out)?",
                run.commanded[i],
            )


def _typed_or(desk: Desk, answer: str, offered: float) -> float:
    try:
        return typed_length(answer).mm
    except ValueError as refusal:
        desk.screen.say(f"  {refusal}; {offered:.2f} is taken.")
        return offered


def _mark(desk: Desk, role: Role, place: float) -> Feature:
    """How far the axis has gone from the zero mark, as the bench knows it; the belt as it feeds."""
    if role == "belt":
        return Feature("mark", "travel", (0.0, -place, 0.0))
    x, s, h = direction_of(role, desk.session.profile.mechanics.gantry_angle)
    return Feature("mark", "travel", (place * x, place * s, place * h))


def belt_run(
    run: Marks, measured: Sequence[float | None], u_mm: float | None = None
) -> BeltRun | None:
    """The marks that were read, as a run; None for fewer than three."""
    # A run that was broken off has fewer readings than marks.
    pairs = [(c, m) for c, m in zip(run.commanded, measured, strict=False) if m is not None]
    if len({c for c, _ in pairs}) < 3:
        return None
    commanded, read = zip(*pairs, strict=True)
    return BeltRun(commanded, read, approach=run.approach, load=run.load, u_mm=u_mm, axis=run.role)


@click.command(cls=Verb)
@click.argument("mm", type=LENGTH)
def advance(desk: Desk, /, mm: float) -> None:
    """Feed the belt forward by MM, to bring a piece off or a clean stretch up.

    \b
    Example: plumbelt> advance 250
    """
    session, screen = desk.session, desk.screen
    move = session.moves.advance(mm)
    worst = f"{move.worst_mm:.0f} mm" if math.isfinite(move.worst_mm) else "not known"
    acknowledge(desk)
    screen.say(
        f"The belt feeds forward by {mm:g} mm, at worst {worst}, in {move.seconds:.0f} s. A piece"
        " that reaches its end falls: let it cool first, and take no piece off while it moves."
    )
    room_or_refused(desk)
    try_short_moves(desk, ["belt"])
    with absolute_after(desk):
        session.contact.send_lines(move.lines, seconds=move.seconds)
    screen.answer({"advanced_mm": mm}, f"The belt was fed forward by {mm:g} mm.")
