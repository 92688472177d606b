"""The bed against the gantry: `shim`, and the bed gauged in its corners (`gauge bed`)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from agent.bench.rounds import MOVES
from agent.errors import BadInput, Problem, Refused
from agent.face.answers import typed_length
from agent.face.desk import Desk
from agent.face.options import (
    COMMAND_LINE,
    HEIGHT,
    LENGTH,
    Verb,
    number_from,
    wrong_line,
)
from agent.face.sketches import bed_ends, bed_screws
from agent.model.bed import (
    U_HEIGHT,
    Plane,
    Point,
    Turn,
    plane,
    short_path,
    thread_pitch,
    tilt,
    turns_of,
)
from agent.model.feature import Feature

if TYPE_CHECKING:
    from agent.model.profile import Stand

#: Below so many standard uncertainties a tilt is not told from none.
SURE: Final = 2.0


@click.command(cls=Verb)
@click.option(
    "--at",
    "at",
    type=(HEIGHT, HEIGHT, HEIGHT),
    multiple=True,
    metavar="X S H",
    help="a height H of the bed at X across and S along, mm; three or more",
)
@click.option(
    "--points", type=click.Path(path_type=Path), help="file of such points, X S H to a line"
)
@click.option(
    "--gaps/--heights",
    "gaps",
    default=None,
    help="the numbers are gaps under the nozzle, or heights of the bed; asked for if neither",
)
@click.option("--u", "u_mm", type=LENGTH, help="standard uncertainty of one height, mm")
@click.option(
    "--screws", metavar="FILE|profile", help="where the bed's screws stand: a file or a profile"
)
@click.option("--fixed", help="name of the screw that is left alone")
@click.option("--span", type=LENGTH, help="distance of two screws, mm (with --front and --back)")
@click.option(
    "--front",
    type=HEIGHT,
    help="height of the bed (or gap, see --gaps) at the front, mm",
)
@click.option("--back", type=HEIGHT, help="the same at the back")
@click.option("--pitch", type=LENGTH, help="height of one turn of the screw, mm")
@click.option("--screw", help="coarse thread instead of a pitch: M3, M4, ...")
def shim(
    desk: Desk,
    at: tuple[tuple[float, float, float], ...],
    points: Path | None,
    gaps: bool | None,
    u_mm: float | None,
    screws: str | None,
    fixed: str | None,
    span: float | None,
    front: float | None,
    back: float | None,
    pitch: float | None,
    screw: str | None,
) -> None:
    """Tilt between gantry and bed, and which screws take it out by how many turns.

    From heights (or gaps) at the front and the back, or at any three points or more for a bed on
    three or four screws. A larger height is a higher bed, a larger gap a lower one; a program that
    gives neither --gaps nor --heights gives heights.

    \b
    Example: plumbelt shim --span 320 --front 0.4 --back 0.1 --screw M4
    Example: plumbelt shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1
    """
    two = {"--span": span, "--front": front, "--back": back}
    if not at and points is None:
        _two_ends(desk, two, pitch, screw, gaps)
        return
    if given := [name for name, value in two.items() if value is not None]:
        reason = "goes with two heights, not with points (--at, --points)"
        raise wrong_line([Problem(COMMAND_LINE, None, name, reason) for name in given], "shim")
    gaps = _are_gaps(desk, gaps)
    measured = [*_points(at, gaps), *(() if points is None else points_of(points, gaps))]
    stand = None if screws is None else stand_of(desk, screws)
    if stand is None and (fixed is not None or pitch is not None or screw is not None):
        reason = "turns want the places of the screws: --screws FILE or --screws profile"
        raise wrong_line([Problem(COMMAND_LINE, None, "--screws", reason)], "shim")
    show_plane(desk, measured, stand, u_mm=u_mm, pitch_mm=_pitch(pitch, screw, stand), fixed=fixed)


def _are_gaps(desk: Desk, told: bool | None) -> bool:
    """Whether numbers are gaps: a larger gap is a lower bed.  Asked for where nobody told it.

    Where nobody can be asked they are heights, as the help says.
    """
    if told is not None or not desk.may_ask:
        return bool(told)
    while answer := desk.screen.ask(
        "Are these numbers heights of the bed (a larger one is higher) or gaps between nozzle and"
        " bed (a larger one is lower)? Type 'heights' or 'gaps' (Enter: heights):"
    ).lower():
        if answer in ("heights", "gaps"):
            return answer == "gaps"
    return False


def _two_ends(
    desk: Desk,
    two: Mapping[str, float | None],
    pitch: float | None,
    screw: str | None,
    gaps: bool | None,
) -> None:
    """The tilt along from a height, or a gap, at either end."""
    problems = [
        Problem(COMMAND_LINE, None, name, "is missing; or give points: --at X S H, three or more")
        for name, value in two.items()
        if value is None
    ]
    if (pitch is None) == (screw is None):
        reason = (
            "one of them is wanted: the mm of a turn, or the thread, as --screw M4"
            if pitch is None
            else "both are given; keep one of them"
        )
        problems.append(Problem(COMMAND_LINE, None, "--pitch or --screw", reason))
    if problems:
        raise wrong_line(problems, "shim")
    turn_mm = _pitch(pitch, screw, None)
    ends = [value for value in two.values() if value is not None]
    assert turn_mm is not None
    sign = -1.0 if _are_gaps(desk, gaps) else 1.0
    found = tilt(ends[0], sign * ends[1], sign * ends[2], turn_mm)
    document = {"tilt_deg": found.tilt_deg, "turns": found.turns, "which": found.which}

    def show() -> None:
        if found.which == "none":
            desk.screen.say("Level: nothing to turn.")
            return
        higher = "front" if found.which == "back" else "back"
        desk.screen.say(
            f"  tilt     {found.tilt_deg:+z.3f}°, the {higher} is"
            f" {abs(found.height_mm):.3f} mm higher\n"
            f"  remedy   raise the {found.which} by {found.turns:.2f} turns of the screw"
            f" ({turn_mm:g} mm a turn),\n           or put {abs(found.height_mm):.2f} mm under it"
        )
        desk.screen.say(bed_ends(found.which, abs(found.height_mm)))

    desk.screen.answer(document, show)


def _pitch(pitch: float | None, screw: str | None, stand: Stand | None) -> float | None:
    """Height of a turn, mm: as given, or the stand's."""
    if pitch is not None and screw is not None:
        reason = "both are given; keep one of them"
        raise wrong_line([Problem(COMMAND_LINE, None, "--pitch or --screw", reason)], "shim")
    if screw is None:
        return stand.pitch_mm if pitch is None and stand is not None else pitch
    try:
        return thread_pitch(screw)
    except ValueError as refusal:
        raise wrong_line([Problem(COMMAND_LINE, None, "--screw", str(refusal))], "shim") from None


# --- points and screws ---------------------------------------------------------------------------


def _points(rows: Sequence[Sequence[float]], gaps: bool) -> list[Point]:
    return [Point(x, s, -h if gaps else h) for x, s, h in rows]


def points_of(path: Path, gaps: bool) -> list[Point]:
    """Points of a file: three numbers to a line, blanks or `;` between; `#` begins a remark.

    Raises BadInput with every line that is none.
    """
    from agent.store.nodes import read_file

    rows: list[tuple[float, ...]] = []
    problems: list[Problem] = []
    for number, line in enumerate(read_file(path).decode("utf-8", "replace").splitlines(), 1):
        text = line.partition("#")[0].strip()
        if not text:
            continue
        try:
            row = tuple(number_from(word) for word in re.split(r"[\s;]+", text.strip("; ")))
            if len(row) != 3:
                raise ValueError(f"expected three numbers, X S H, found {len(row)}")
        except ValueError as refusal:
            problems.append(Problem(str(path), number, "", str(refusal)))
            continue
        rows.append(row)
    if problems:
        raise BadInput(f"{path}: not every line is a point", problems=problems)
    return _points(rows, gaps)


def stand_of(desk: Desk, where: str) -> Stand:
    """The screws of the machine at hand, of a profile, or of a file.

    Raises BadInput where there are none.
    """
    from agent.store.profiles import load_profile, load_stand

    if where == "profile":
        stand = desk.session.profile.mechanics.stand
        name = desk.session.profile.name
    elif Path(where).suffix in (".yaml", ".yml"):
        return load_stand(Path(where))
    else:
        stand, name = load_profile(where).mechanics.stand, where
    if stand is None:
        raise BadInput(
            f"the profile of {name!r} does not say where the screws of the bed stand",
            remedy="'profile edit' adds mechanics.bed, or give a file: --screws bed.yaml",
        )
    return stand


# --- the answer ----------------------------------------------------------------------------------


def show_plane(
    desk: Desk,
    points: Sequence[Point],
    stand: Stand | None,
    *,
    u_mm: float | None,
    pitch_mm: float | None,
    fixed: str | None = None,
) -> None:
    """The plane through points and the turns that level it, as the answer of a command.

    Raises BadInput for points that make no plane and for a screw that is none.
    """
    try:
        found = plane(points, U_HEIGHT if u_mm is None else u_mm)
        turns: tuple[Turn, ...] = ()
        places: dict[str, tuple[float, float]] = {}
        if stand is not None and pitch_mm is not None:
            places = {name: (post.x_mm, post.s_mm) for name, post in stand.posts.items()}
            turns = turns_of(found, places, pitch_mm, fixed or stand.fixed)
    except ValueError as refusal:
        raise BadInput(str(refusal), remedy="Nothing was calculated") from None
    desk.screen.answer(
        plane_plain(found, turns), lambda: _say_plane(desk, found, turns, pitch_mm, places)
    )


def plane_plain(found: Plane, turns: Sequence[Turn]) -> dict[str, Any]:
    """A plane and its turns as plain data; `u` is the greater of both uncertainties, degrees."""
    along, across = found.u_deg
    return {
        "plane": {
            "tilt_along_deg": found.tilt_along_deg,
            "tilt_across_deg": found.tilt_across_deg,
            "u": max(along, across),
            "u_along_deg": along,
            "u_across_deg": across,
            "twist_mm": found.twist_mm,
            "residuals_mm": list(found.residuals),
        },
        "turns": [
            {
                "screw": turn.screw,
                "turns": turn.turns,
                "direction": turn.direction,
                "mm": turn.mm,
                "u": turn.u_turns,
            }
            for turn in turns
        ],
    }


def _say_plane(
    desk: Desk,
    found: Plane,
    turns: Sequence[Turn],
    pitch_mm: float | None,
    places: Mapping[str, tuple[float, float]],
) -> None:
    screen = desk.screen
    u_along, u_across = found.u_deg
    for name, deg, u, way in (
        ("along", found.tilt_along_deg, u_along, ("greater s", "smaller s")),
        ("across", found.tilt_across_deg, u_across, ("greater x", "smaller x")),
    ):
        higher = way[0] if deg > 0 else way[1]
        sure = f"higher at {higher}" if abs(deg) > SURE * u else "not told from level"
        screen.say(f"  tilt {name:7} {deg:+z.3f}° ± {SURE * u:.3f}° (95 %): {sure}")
    if found.dof:
        screen.say(f"  twist        no point is more than {found.twist_mm:.3f} mm off this plane")
        if found.twisted:
            screen.say(
                "! That is more than the heights are uncertain by: the bed is bent or twisted, or"
                " one height is wrong. Screws cannot take it out; measure that corner again."
            )
    if not turns or pitch_mm is None:
        return
    rows = [
        (
            turn.screw,
            turn.direction,
            "-" if turn.direction == "leave" else f"{turn.turns:.2f}",
            f"{turn.mm:+z.3f}",
            f"{SURE * turn.u_turns:.2f}",
        )
        for turn in turns
    ]
    screen.table(["screw", "the bed there", ">turns", ">mm", ">± turns (95 %)"], rows)
    told = {
        turn.screw: "leave"
        if turn.direction == "leave"
        else f"{turn.direction} {turn.turns:.2f} turns"
        for turn in turns
    }
    if drawn := bed_screws(places, told):
        screen.say(drawn)
    screen.say(
        f"{pitch_mm:g} mm a turn. Begin at the top; of four screws the last one follows: turn it to"
        " its place too, or the bed rocks on two corners. Then measure again."
    )
    if all(turn.turns <= SURE * turn.u_turns for turn in turns):
        screen.say("None of this is more than its uncertainty: the bed may be left as it is.")


# --- gauged at the machine -----------------------------------------------------------------------

#: Feeler gauges that a gap is asked for with go up to here, mm.
_WIDEST_GAP: Final = 3.0


def gauge_bed(desk: Desk, numbers: Sequence[float], u_mm: float | None) -> None:
    """Ask for the gap at each screw, in an order that moves little, and show the turns.

    numbers  gaps given on the command line, in the order of the screws as the guide names them
    Raises Refused where the profile does not know the screws.
    """
    stand = desk.session.profile.mechanics.stand
    if stand is None:
        raise Refused(
            f"where the screws of the bed of {desk.session.profile.name!r} stand is not known",
            remedy="'profile edit' adds mechanics.bed; 'shim --at X S H' takes heights as they are",
        )
    places = {name: (post.x_mm, post.s_mm) for name, post in stand.posts.items()}
    order = short_path(places)
    if numbers and len(numbers) != len(order):
        raise BadInput(
            f"{len(numbers)} gaps were given for {len(order)} screws",
            remedy=f"In this order: {', '.join(order)}. Nothing was kept",
        )
    if not numbers:
        desk.screen.say(
            "The nozzle cold and clean, axes moved by hand or from the machine's own panel. Go to"
            " each screw in turn and put in the feeler gauge that just drags."
        )
    points: list[Point] = []
    for place, name in enumerate(order):
        x, s = places[name]
        gap = numbers[place] if numbers else _asked_gap(desk, name, x, s)
        points.append(Point(x, s, -gap))
    desk.session.book.append(
        "note", {"bed": [{"screw": n, "gap_mm": -p.h} for n, p in zip(order, points, strict=True)]}
    )
    _keep_roll(desk, points, u_mm)
    show_plane(desk, points, stand, u_mm=u_mm, pitch_mm=stand.pitch_mm)


def _keep_roll(desk: Desk, points: Sequence[Point], u_mm: float | None) -> None:
    """The tilt across is what `gauge gap` reads over an across move: it joins the estimate."""
    try:
        found = plane(points, u_mm or U_HEIGHT)
    except ValueError:
        return
    span = max(p.x for p in points) - min(p.x for p in points)
    gap = Feature("gap across, of the bed", "gap", (span, 0.0, 0.0))
    desk.session.readings.take(gap, (-found.slope_x * span,), MOVES, found.u_between(span, 0.0))


def _asked_gap(desk: Desk, name: str, x: float, s: float) -> float:
    while True:
        answer = desk.screen.ask(f"  {name} (x {x:g}, s {s:g}): gap, mm:")
        try:
            typed = typed_length(answer)
        except ValueError as refusal:
            desk.screen.say(f"  {refusal}. Type it again.")
            continue
        if typed.reworded:
            desk.screen.say(f"  {typed.echo}")
        if -_WIDEST_GAP <= typed.mm <= _WIDEST_GAP or desk.screen.agrees(
            f"  {typed.mm:g} mm is a wide gap. Keep it?"
        ):
            return typed.mm
