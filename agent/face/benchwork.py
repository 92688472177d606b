"""Verbs at the machine and with the caliper: `piece`, `lay`, `gauge`."""

from __future__ import annotations

import signal
import statistics
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

import click

from agent.errors import BadInput, Refused
from agent.face import tables
from agent.face.cautions import acknowledge
from agent.face.desk import Desk, at_desk
from agent.face.options import LENGTH, Count, Number, Verb, as_json, number_from
from agent.face.words import length, vector
from agent.model.feature import Feature
from agent.model.roles import ROLES, Role
from agent.session import MOVES, Laid, plain_reading

if TYPE_CHECKING:
    from agent.model.profile import Profile
    from agent.pieces import Piece, Summary

PIECE_NAMES: Final = ("strip", "rail", "post", "block")

#: The pieces that together with moves show every error, in the order they are laid.
WHOLE_SET: Final = ("strip", "post", "block")

#: Readings that are asked for of each feature.
REPEATS: Final = 3

#: Times an answer that is no number is asked for again.
TRIES: Final = 3

#: A reading further from its nominal length than this share is asked about: digits swapped, the
#: wrong feature, an inch display.
FAR: Final = 0.2

#: Standard uncertainty of a move read with an ordinary steel rule, mm: half a millimetre of
#: reading at both ends (common practice).
U_RULE: Final = 0.3


@click.command(cls=Verb)
@click.argument("name", type=click.Choice(PIECE_NAMES), metavar="strip|rail|post|block")
@click.option("--profile", "profile_name", help="profile of the machine: a name or a file")
@click.option("--gcode", type=click.Path(path_type=Path), help="write the lines to this file")
@click.option("--stl", type=click.Path(path_type=Path), help="write the solid to this file")
@click.option("--svg", type=click.Path(path_type=Path), help="write the drawing to this file")
@as_json
@at_desk
def piece(
    desk: Desk,
    /,
    name: str,
    profile_name: str | None,
    gcode: Path | None,
    stl: Path | None,
    svg: Path | None,
) -> None:
    """A test piece: what is measured on it, what it takes, and its files.

    \b
    Example: plumbelt piece post --gcode post.gcode
    """
    from agent.pieces import summary

    profile = chosen_profile(desk, profile_name)
    drawn = drawn_piece(desk, name, profile)
    takes = summary(drawn, profile)
    files = {
        kind: str(path)
        for kind, path in (("gcode", gcode), ("stl", stl), ("svg", svg))
        if path is not None
    }
    write_files(drawn, profile, gcode, stl, svg)
    document = {
        "name": drawn.name,
        "gantry_angle_deg": profile.mechanics.gantry_angle_deg,
        "size_mm": dict(drawn.size),
        "features": [feature_plain(feature) for feature in drawn.features],
        "lines": takes.lines,
        "seconds": takes.seconds,
        "filament_mm": takes.filament_mm,
        "files": files,
    }

    def show() -> None:
        desk.screen.heading(f"{drawn.name}: {drawn.title}")
        show_features(desk, drawn)
        show_needs(desk, takes)
        for kind, path in files.items():
            desk.screen.say(f"{kind} written to {path}")

    desk.screen.answer(document, show)


def chosen_profile(desk: Desk, name: str | None) -> Profile:
    """The profile named, else the session's, else the invented machine's."""
    from agent.store.profiles import load_profile

    if name is not None:
        return load_profile(name)
    if desk.in_shell or desk.rehearsal is not None:
        return desk.session.profile
    return load_profile("heron")


def drawn_piece(desk: Desk, name: str, profile: Profile) -> Piece:
    """The piece `name` for `profile`.  Raises Refused for one that is not drawn yet."""
    from agent.pieces import PIECES

    if name not in PIECES:
        raise Refused(f"'{name}' is not drawn yet", remedy=f"There are {', '.join(PIECES)}")
    return PIECES[name](profile)


def write_files(
    drawn: Piece, profile: Profile, gcode: Path | None, stl: Path | None, svg: Path | None
) -> None:
    """The files of a piece that are wanted, each whole or not at all."""
    from agent.pieces import toolpath

    if gcode is not None:
        write_new(gcode, "\n".join(toolpath(drawn, profile)) + "\n")
    if svg is not None:
        from agent.pieces.drawing import svg as drawing

        write_new(svg, drawing(drawn))
    if stl is not None:
        from agent.pieces.mesh import mesh

        write_new(stl, mesh(drawn).stl(drawn.name))


def write_new(path: Path, content: str | bytes) -> None:
    """A file the technician named, whole or not at all.  Raises BadInput without its folder."""
    from agent.store.atomic import write_file

    if not path.parent.is_dir():
        raise BadInput(f"{path}: there is no folder {path.parent}", remedy="Make it first")
    write_file(path, content)


def feature_plain(feature: Feature) -> dict[str, Any]:
    """A feature as plain data."""
    return {
        "name": feature.name,
        "feature": feature.kind,
        "along": list(feature.along),
        "between": feature.between,
        "hint": feature.hint,
    }


def show_features(desk: Desk, drawn: Piece) -> None:
    rows = [(f.name, f.kind, f"{length(f.along):.2f}", f.hint) for f in drawn.features]
    desk.screen.table(
        [("feature", False), ("kind", False), ("mm", True), ("where the caliper goes", False)], rows
    )


def show_needs(desk: Desk, takes: Summary) -> None:
    heats = " and ".join(f"{what} {degrees:g} C" for what, degrees in takes.heats.items())
    desk.screen.say(
        f"Heats: {heats}. Moves: {takes.lines} lines, about {takes.seconds / 60:.0f} min after"
        f" heating. Belt runs {takes.belt_mm:.0f} mm. Filament {takes.filament_mm / 1000:.2f} m."
    )


# --- laying --------------------------------------------------------------------------------------


@contextmanager
def stoppable() -> Iterator[Callable[[], bool]]:
    """While this lasts, an interrupt asks the work to stop in order; a second one breaks it off."""
    asked = False

    def ask(_number: int, _frame: Any) -> None:
        nonlocal asked
        if asked:
            raise KeyboardInterrupt
        asked = True

    try:
        before = signal.signal(signal.SIGINT, ask)
    except ValueError:  # not in the main thread: there is nobody to press Ctrl-C here
        yield lambda: False
        return
    try:
        yield lambda: asked
    finally:
        signal.signal(signal.SIGINT, before)


@click.command(cls=Verb)
@click.argument("name", type=click.Choice(PIECE_NAMES), metavar="strip|rail|post|block")
@as_json
@at_desk
def lay(desk: Desk, /, name: str) -> None:
    """Lay a test piece on the attached machine. Heats and moves; asks first.

    \b
    Example: plumbelt> lay strip
    """
    from agent.pieces import summary

    session = desk.session
    session.joined()
    drawn = session.draw(name)
    takes = summary(drawn, session.profile)
    desk.screen.heading(f"Lay the {drawn.name}: {drawn.title}")
    show_needs(desk, takes)
    acknowledge(desk)
    if not desk.screen.agrees("Are hands, tools and old parts clear of belt, rollers and gantry?"):
        raise Refused("not laid", remedy="Nothing was moved or heated")
    laid = lay_with_progress(desk, drawn)
    desk.screen.answer(
        {"laid": laid.name, "lines": takes.lines},
        lambda: desk.screen.say(
            f"Laid as '{laid.name}'; the heaters are off. Let it cool, then 'gauge {laid.name}'."
        ),
    )


def lay_with_progress(desk: Desk, drawn: Piece) -> Laid:
    """Lay, with a bar; Ctrl-C stops sending and switches the heaters off."""
    lines = desk.session.lines_of(drawn)
    with stoppable() as stop, desk.screen.progress(f"laying {drawn.name}", len(lines)) as done:
        laid = desk.session.lay(drawn, lines, on_progress=done, stop=stop)
    if desk.rehearsal is not None:
        desk.rehearsal.laid(laid.name)
    return laid


# --- reading -------------------------------------------------------------------------------------


@click.command(cls=Verb)
@click.argument("what", required=False, metavar="[PIECE | FEATURE | travel]")
@click.argument("values", nargs=-1, metavar="[MM]...")
@click.option("--mm", "move_mm", type=LENGTH, help="length of the move for 'travel', mm")
@click.option("--u", "u_mm", type=Number("mm", above=0), help="own standard uncertainty, mm")
@click.option("--repeats", type=Count(1), default=REPEATS, show_default=True)
@as_json
@at_desk
def gauge(
    desk: Desk,
    /,
    what: str | None,
    values: tuple[str, ...],
    move_mm: float | None,
    u_mm: float | None,
    repeats: int,
) -> None:
    """Take readings: of a piece that was laid, of one feature of it, or of a move.

    Without MM each reading is asked for; an empty answer leaves a feature out. In a rehearsal
    the simulated caliper's readings are offered. 'gauge travel' moves one axis after the other
    and asks how far each went: no plastic is in that.

    \b
    Example: plumbelt> gauge strip
    """
    numbers = numbers_from(values)
    if what in (MOVES, *(f"{MOVES}-{role}" for role in ROLES)):
        gauge_moves(desk, what, numbers, move_mm, u_mm)
    else:
        read_features(
            desk, features_meant(desk, what, single=bool(numbers)), numbers, repeats, u_mm
        )
    taken = desk.session.now.taken
    document = {"readings": [plain_reading(reading) for reading in taken]}
    desk.screen.answer(document, lambda: tables.readings(desk.screen, taken))


def numbers_from(values: tuple[str, ...]) -> tuple[float, ...]:
    """Readings from words; raises BadInput with every wrong one."""
    from agent.errors import Problem
    from agent.face.options import COMMAND_LINE, wrong_line

    numbers, problems = [], []
    for word in values:
        try:
            numbers.append(number_from(word))
        except ValueError as refusal:
            problems.append(Problem(COMMAND_LINE, None, word, str(refusal)))
    if problems:
        raise wrong_line(problems, "gauge")
    return tuple(numbers)


def features_meant(desk: Desk, what: str | None, *, single: bool) -> list[tuple[Laid, Feature]]:
    """The features that `what` names: all of a piece (the newest, if nothing is named), or one.

    `single`: values were given, so that one feature must be named.
    """
    laid = desk.session.now.laid
    if not laid:
        raise Refused(
            "no piece has been laid in this state of the machine",
            remedy="'lay strip' lays one; 'gauge travel' needs none",
        )
    pieces = [piece for piece in laid if what in (None, piece.name)][-1:]
    found = [(piece, feature) for piece in pieces for feature in piece.piece.features]
    if not found:
        found = [
            (piece, feature)
            for piece in laid
            for feature in piece.piece.features
            if what in (feature.name, feature.name.replace(" ", "-"))
        ][-1:]
    if not found:
        names = [piece.name for piece in laid]
        names += [f.name.replace(" ", "-") for piece in laid for f in piece.piece.features]
        raise BadInput(f"nothing is named '{what}'", remedy=f"There are {', '.join(names)}")
    if single and len(found) > 1:
        raise BadInput(
            f"readings were given, but '{what}' has {len(found)} features",
            remedy="Name one of them: " + ", ".join(f.name.replace(" ", "-") for _, f in found),
        )
    return found


def read_features(
    desk: Desk,
    features: list[tuple[Laid, Feature]],
    numbers: tuple[float, ...],
    repeats: int,
    u_mm: float | None,
) -> None:
    """Take the readings of features one after the other."""
    take_all = False
    for laid, feature in features:
        values: tuple[float, ...] | None = numbers or None
        if take_all and desk.rehearsal is not None:
            values = desk.rehearsal.measure(feature, laid.name, repeats)
        elif values is None:
            values = asked_values(desk, feature, laid.name, repeats, many=len(features) > 1)
            take_all = values is None
            if take_all and desk.rehearsal is not None:
                values = desk.rehearsal.measure(feature, laid.name, repeats)
        if values:
            desk.session.take(feature, values, laid.name, u_mm)


def asked_values(
    desk: Desk, feature: Feature, piece: str, repeats: int, *, many: bool = False
) -> tuple[float, ...] | None:
    """Readings from the technician; in a rehearsal the simulated caliper's are offered.

    None: 'all', which a rehearsal with many features to read understands.
    """
    screen = desk.screen
    screen.say(f"\n{feature.name}: {feature.kind}, nominal {vector(feature.along)} (x / s / h)")
    screen.say(f"  {feature.hint}")
    offered: tuple[float, ...] = ()
    if desk.rehearsal is not None:
        offered = desk.rehearsal.measure(feature, piece, repeats)
        words = " ".join(f"{value:.2f}" for value in offered)
        screen.say(f"  The simulated caliper shows: {words}")
    for _ in range(TRIES):
        hint = f"{repeats} readings, Enter leaves it out"
        if offered:
            hint = "Enter takes these" + (", 'all' takes all from here" if many else "")
        answer = screen.ask(f"  mm ({hint}):")
        if not answer:
            return offered
        if many and offered and answer.lower() == "all":
            return None
        try:
            values = tuple(number_from(word) for word in answer.split())
        except ValueError as refusal:
            screen.say(f"  {refusal}. Type it again, with blanks between readings.")
            continue
        screen.say(f"  Understood: {', '.join(f'{value:g}' for value in values)} mm")
        nominal = length(feature.along)
        if feature.kind in ("lean", "sway", "gap"):
            return values
        near = abs(statistics.median(values) / nominal - 1) <= FAR
        if near or screen.agrees(f"  That is far from {nominal:g} mm. Keep it?"):
            return values
    screen.say(
        f"  {feature.name} is left out; 'gauge {feature.name.replace(' ', '-')}' comes back."
    )
    return ()


def gauge_moves(
    desk: Desk,
    what: str,
    numbers: tuple[float, ...],
    move_mm: float | None,
    u_mm: float | None,
) -> None:
    """Move axes by known amounts and keep how far they went."""
    screen, session = desk.screen, desk.session
    named = what.removeprefix(MOVES).removeprefix("-")
    roles: tuple[Role, ...] = (cast(Role, named),) if named else ROLES
    if numbers and len(roles) > 1:
        raise BadInput(
            "readings were given, but no axis",
            remedy="Name one: " + ", ".join(f"{MOVES}-{role}" for role in ROLES),
        )
    moves = [session.travel_of(role, move_mm) for role in roles]
    rows = [
        (m.role, f"{m.mm:.2f}", "not known" if m.worst_mm == float("inf") else f"{m.worst_mm:.1f}")
        for m in moves
    ]
    screen.table([("axis", False), ("move, mm", True), ("at worst, mm", True)], rows)
    screen.say(
        "'At worst' is what the axis travels if the stored setting is at the end of what its"
        " drive train allows. Each axis needs that much room; across and gantry come back."
    )
    acknowledge(desk)
    if not screen.agrees("Are hands clear, and is there room?"):
        raise Refused("not moved", remedy="Nothing was moved")
    for move in moves:
        session.send_lines(move.take_up)
        if desk.rehearsal is None and not numbers:
            screen.ask(f"{move.role}: set the gauge or mark to zero ({move.feature.hint}). Enter:")
        session.send_lines(move.go)
        values = numbers or asked_values(desk, move.feature, MOVES, 1)
        session.send_lines(move.back)
        if values:
            mean = (statistics.fmean(values),)
            session.take(move.feature, mean, MOVES, u_mm or asked_u(desk))


def asked_u(desk: Desk) -> float:
    """Standard uncertainty of a reading of a move."""
    if desk.rehearsal is not None:
        return 0.05  # the gauges beside the simulated axes
    answer = desk.screen.ask(
        f"  How well can you read it, mm (one standard deviation; Enter: {U_RULE})?"
    )
    try:
        value = number_from(answer) if answer else U_RULE
    except ValueError:
        value = U_RULE
    if value <= 0:
        value = U_RULE
    desk.screen.say(f"  Taken as {value:g} mm.")
    return value
