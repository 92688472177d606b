"""`gauge`: readings of a piece, in the drawing's order, kept in a file as they are taken."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from agent.bench.events import reading_plain
from agent.bench.rounds import MOVES, Laid
from agent.errors import BadInput, Problem, Refused
from agent.estimate.repeats import suspect
from agent.face import described, short
from agent.face.answers import Typed, typed_lengths
from agent.face.benchwork import show_picture, sizes_from
from agent.face.checking import CHECK, check_instrument, check_slicing
from agent.face.desk import Desk
from agent.face.moving import MOVE_NAMES, gauge_enough, gauge_moves
from agent.face.options import (
    COMMAND_LINE,
    LENGTH,
    Count,
    Number,
    Verb,
    number_from,
    wrong_line,
)
from agent.face.pressing import pressed
from agent.face.seating import Seat, Step, Values, believed, offered_by_bench, read_one
from agent.model.exact import several
from agent.pieces.catalogue import CATALOGUE
from agent.pieces.cooling import cooling_minutes

if TYPE_CHECKING:
    from agent.work.session import Session

#: Readings that are asked for of each feature.
REPEATS: Final = 3

#: What `gauge` takes instead of a piece for the screws of the bed.
BED: Final = "bed"

#: A piece this fresh may still be warm, minutes.
FRESH: Final = 10.0


@click.command(cls=Verb, context_settings={"ignore_unknown_options": True})
@click.argument("what", required=False, metavar="[PIECE | FEATURE | travel | gap | bed]")
@click.argument("values", nargs=-1, metavar="[MM]...")
@click.option("--mm", "move_mm", type=LENGTH, help="length of the move for 'travel', mm")
@click.option("--u", "u_mm", type=Number("mm", above=0), help="own standard uncertainty, mm")
@click.option("--repeats", type=Count(1), default=REPEATS, show_default=True)
@click.option(
    "--file",
    "path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="take up the readings of a file, and go on with the piece that is named behind 'gauge';"
    " the file is only read ('log readings' writes one)",
)
@click.option("--enough", is_flag=True, help="only what is still needed, in order of its worth")
@click.option("--instrument", metavar="PORT", help="readings by the button of one on this port")
@click.option("--scan", type=click.Path(path_type=Path), help="read PIECE from this flatbed scan")
@click.option("--dpi", type=Number("dots per inch", above=0), help="of the scan, if not the file's")
@click.option("--picture", type=click.Path(path_type=Path), help="write what --scan took as PNG")
@click.option("--size", "sizes", multiple=True, metavar="NAME=MM", help="of a piece laid elsewhere")
@click.option("--profile", "profile_name", help="profile, where no machine is attached")
@click.option(
    "--toolpath",
    "toolpath_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="file that a piece printed by other means was made from: its slicing angle is checked",
)
def gauge(
    desk: Desk,
    /,
    what: str | None,
    values: tuple[str, ...],
    move_mm: float | None,
    u_mm: float | None,
    repeats: int,
    path: Path | None,
    enough: bool,
    instrument: str | None,
    scan: Path | None,
    dpi: float | None,
    picture: Path | None,
    sizes: tuple[str, ...],
    profile_name: str | None,
    toolpath_file: Path | None,
) -> None:
    """Take readings: of a piece, of one feature of it, or of a move.

    Type each reading and Enter, as a caliper with a keyboard cable does, or several with blanks
    between; '--instrument PORT' takes them from one on a serial port, a press of its button each;
    mm unless 'in' stands behind. Words instead of a reading: 'back', 'again', 'fix 2 19.98',
    'stop' (goes on later where it was), '?'. An empty answer leaves a feature out. 'gauge travel'
    and 'gauge gap' move axes and ask how far: no plastic is in that. 'gauge bed' asks for the gap
    at each screw of the bed. In a rehearsal the simulated instruments' readings are offered.
    'gauge strip --scan FILE' reads a flat piece from a flatbed scan, with steel rules beside it:
    'help scan' says how to lay it. With '--enough' only what the tune still needs is asked, the
    most telling first, and no more once every wanted parameter is known to within its tolerance.

    \b
    Example: plumbelt> gauge strip
    """
    take_profile(desk, profile_name)
    if path is not None:
        take_file(desk, path)
        if what is None and not enough:  # that was all that was asked for
            answer(desk)
            return
    if scan is not None:
        take_scan(desk, what, scan, dpi, picture, sizes)
        return
    numbers = numbers_from(desk, values)
    if what == BED:
        from agent.face.levelling import gauge_bed

        gauge_bed(desk, numbers, u_mm)
        return
    if what == CHECK:
        check_instrument(desk, numbers)
        return
    if toolpath_file is not None:
        check_slicing(desk, what, toolpath_file)
    if enough:
        with measuring(desk):
            take_enough(desk, what, instrument, u_mm)
    elif what in MOVE_NAMES:
        with measuring(desk):
            gauge_moves(desk, what, numbers, move_mm, u_mm)
    else:
        seats = seats_meant(desk, what, numbers, repeats)
        if numbers:
            take_given(desk, seats[0], numbers, u_mm)
        else:
            ask_conditions(desk, seats[0].laid if seats else None)
            if len(seats) > 1:
                show_picture(desk, seats[0].laid.piece)
                desk.screen.say(
                    "The raised arrow points to +s, the ridge lies on +x, pips on -x count pieces."
                )
            if seats:
                desk.screen.say("Type what the display shows; '?' lists what else may be typed.")
            link = instrument or desk.session.profile.instrument.link
            with measuring(desk), pressed(desk, link) if link else nullcontext():
                read_features(desk, seats, repeats, u_mm)
    answer(desk)


@contextmanager
def measuring(desk: Desk) -> Iterator[None]:
    """While this lasts, the foot of the shell shows how near it is to enough."""
    desk.foot = partial(short.foot, desk)
    try:
        yield
    finally:
        desk.foot = None


def take_enough(desk: Desk, what: str | None, instrument: str | None, u_mm: float | None) -> None:
    """What the tune still needs of moves or of a piece, the most telling first."""
    if what in (None, MOVES):
        gauge_enough(desk, u_mm)
        return
    laid = next((one for one in reversed(desk.session.now.laid) if one.name == what), None)
    if laid is None and what in CATALOGUE:
        laid = printed_otherwise(desk, what)
    if laid is None:
        raise BadInput(
            f"nothing is named '{what}' of which enough could be read",
            remedy=f"Name a piece that was laid, or '{MOVES}'",
        )
    ask_conditions(desk, laid, known=True)
    link = instrument or desk.session.profile.instrument.link
    with pressed(desk, link) if link else nullcontext():
        read_enough(desk, laid, u_mm)


def read_enough(desk: Desk, laid: Laid, u_mm: float | None) -> None:
    """Features of a piece one after the other, as long as one of them is worth reading."""
    left: set[str] = set()
    while wished := [
        wish for wish in short.wishes(desk) if wish.piece == laid.name and wish.name not in left
    ]:
        wish, before = wished[0], short.course_now(desk)
        seat = next(s for s in seats_of(desk.session, laid) if s.feature.name == wish.name)
        values = Values(seat, partial(keep_values, desk, seat, u_mm))
        had = len(values)
        step = read_one(desk, seat, wish.values, values, many=len(wished) > 1, offer_more=True)
        if step is Step.STOP:
            desk.screen.say(f"Stopped; 'gauge {laid.name} --enough' goes on.")
            return
        if step is Step.ALL:
            read_rest(desk, laid, u_mm)
        elif len(values) < wish.values or len(values) == had:
            left.add(wish.name)  # the technician wants no more of it
        short.tell(desk, before)
    if left:
        desk.screen.say(f"Left out: {', '.join(sorted(left))}.")


def read_rest(desk: Desk, laid: Laid, u_mm: float | None) -> None:
    """What is still worth reading of a piece, by the simulated caliper."""
    for _ in range(_MOST_ALONE):
        wish = next((wish for wish in short.wishes(desk) if wish.piece == laid.name), None)
        if wish is None:
            return
        seat = next(s for s in seats_of(desk.session, laid) if s.feature.name == wish.name)
        more = offered_by_bench(desk, seat, wish.values - len(seat.values))
        keep_values(desk, seat, u_mm, (*seat.values, *more), bool(seat.values))


#: Features that the simulated caliper reads on its own at most.
_MOST_ALONE: Final = 40


def take_given(desk: Desk, seat: Seat, numbers: Sequence[float], u_mm: float | None) -> None:
    """Keep the readings that the line gave.  Raises Refused if one is not to be believed."""
    for value in numbers:
        if believed(desk, seat.feature, Typed(f"{value:g}", value)) != value:
            raise Refused(
                f"{value:g} mm is not kept as a reading of {seat.feature.name}",
                remedy="None of the line was kept; give it anew",
            )
    odd = suspect(numbers, desk.session.profile.instrument.repeatability_mm)
    if odd is not None:
        desk.screen.say(f"! {numbers[odd]:g} differs from the others; it is kept all the same.")
    desk.session.readings.take(seat.feature, numbers, seat.laid.name, u_mm)


def take_scan(
    desk: Desk,
    what: str | None,
    path: Path,
    dpi: float | None,
    picture: Path | None,
    sizes: tuple[str, ...],
) -> None:
    """Keep the readings of every feature that a flatbed scan of a piece shows."""
    from agent.face import scanning

    piece, name = scanning.meant(desk, what, sizes_from(sizes, "gauge"))
    read = scanning.read_scan(desk, piece, name, path, dpi, picture)
    name = name or desk.session.pieces.laid_whole(piece).name
    for one in read.taken:
        desk.session.readings.take(one.feature, (one.mm,), name, one.u_mm)
    document = {**scanning.plain(read), "picture": str(picture) if picture else None}
    desk.screen.answer(document, lambda: scanning.told(desk, read, picture))
    if read.left_out:
        raise Refused(
            f"{len(read.left_out)} of {len(piece.features)} features were left out",
            remedy="The others are kept; 'gauge' asks for the rest",
        )


def answer(desk: Desk) -> None:
    """What has been read in the present state."""
    taken = desk.session.now.taken
    document = {"readings": [reading_plain(one.reading, one.piece) for one in taken]}

    def show() -> None:
        step = desk.session.profile.instrument.resolution_mm
        pieces = [one.piece for one in taken]
        desk.screen.show(described.readings([one.reading for one in taken], pieces, step))
        if desk.session.book.trouble:
            desk.screen.say(f"! The record cannot be kept: {desk.session.book.trouble}")

    desk.screen.answer(document, show)


def take_profile(desk: Desk, name: str | None) -> None:
    """Use a profile where no machine is attached.  Raises BadInput where one is."""
    if name is not None and desk.session.contact.link is not None:
        raise BadInput(
            "a machine is attached and has its profile",
            remedy="Leave --profile out, or give it to 'attach'",
        )
    desk.use_profile(name)


def take_file(desk: Desk, path: Path) -> None:
    """Take up the readings of the file `path`, which stays as it is."""
    count = desk.session.readings.take_file(path)
    words = several(count, "reading")
    desk.screen.say(f"{words} of {path} taken up." if count else f"Nothing in {path} is new.")


def numbers_from(desk: Desk, words: Sequence[str]) -> tuple[float, ...]:
    """Readings from the command line, echoed where they were reworded.

    Raises BadInput with every wrong one.
    """
    try:
        found = typed_lengths(" ".join(words)) if words else ()
    except ValueError:
        problems = []
        for word in words:
            try:
                typed_lengths(word)
            except ValueError as refusal:
                problems.append(Problem(COMMAND_LINE, None, word, str(refusal)))
        raise wrong_line(problems, "gauge") from None
    for typed in found:
        if typed.reworded:
            desk.screen.say(typed.echo)
    return tuple(typed.mm for typed in found)


# --- which features ------------------------------------------------------------------------------


def seats_meant(desk: Desk, what: str | None, numbers: Sequence[float], repeats: int) -> list[Seat]:
    """The features that `what` names, each with what was read of it.

    All of a piece (the newest, if nothing is named) that are not wholly read, or one by name.
    """
    session = desk.session
    if what in CATALOGUE and not any(laid.name == what for laid in session.now.laid):
        printed_otherwise(desk, what)
    laid = session.now.laid
    if not laid and what is not None and what.partition("-")[0] not in CATALOGUE:
        raise BadInput(
            f"nothing is named '{what}'",
            remedy=f"There are {', '.join((*CATALOGUE, *MOVE_NAMES, BED, CHECK))}",
        )
    if not laid:
        raise Refused(
            "no piece has been laid in this state of the machine",
            remedy="'lay strip' lays one; 'gauge travel' needs none",
        )
    pieces = [piece for piece in laid if what in (None, piece.name)][-1:]
    if pieces:
        seats = seats_of(session, pieces[0])
        if numbers:
            listed = ", ".join(seat.feature.name.replace(" ", "-") for seat in seats)
            raise BadInput(
                f"readings were given, but '{pieces[0].name}' has {len(seats)} features",
                remedy=f"Name one of them: {listed}",
            )
        return unread(desk, pieces[0], seats, repeats)
    found = [
        seat
        for piece in laid
        for seat in seats_of(session, piece)
        if what in (seat.feature.name, seat.feature.name.replace(" ", "-"))
    ][-1:]
    if not found:
        names = [piece.name for piece in laid]
        names += [f.name.replace(" ", "-") for piece in laid for f in piece.piece.features]
        raise BadInput(f"nothing is named '{what}'", remedy=f"There are {', '.join(names)}")
    return [replace(found[0], values=())]


def seats_of(session: Session, laid: Laid) -> list[Seat]:
    """Every feature of a piece, in the drawing's order, with what was read of it."""
    read = {t.reading.name: t.reading.mm for t in session.now.taken if t.piece == laid.name}
    features = laid.piece.features
    return [
        Seat(laid, feature, number, len(features), read.get(feature.name, ()))
        for number, feature in enumerate(features, start=1)
    ]


def unread(desk: Desk, laid: Laid, seats: list[Seat], repeats: int) -> list[Seat]:
    """Seats that are not wholly read; all anew if the technician wants that."""
    left = [seat for seat in seats if len(seat.values) < repeats]
    if len(left) < len(seats) and left:
        count = len(seats) - len(left)
        verb = "is" if count == 1 else "are"
        desk.screen.say(f"{count} of {len(seats)} features {verb} read; the rest:")
    if left:
        return left
    if not desk.screen.agrees(f"All features of {laid.name} have been read. Read them again?"):
        return []
    return [replace(seat, values=()) for seat in seats]


def printed_otherwise(desk: Desk, name: str) -> Laid:
    """A piece that was not laid in this session.  Raises Refused if there is none."""
    drawn = desk.session.pieces.draw(name)
    if desk.rehearsal is None and desk.screen.agrees(
        f"No {name} was laid in this session. Is there one from this machine in its present state,"
        f" in the sizes that 'piece {name}' shows?"
    ):
        return desk.session.pieces.laid_whole(drawn)
    raise Refused(
        f"no {name} has been laid",
        remedy=f"'lay {name}' lays it; 'piece {name}' writes files to print it otherwise",
    )


# --- asking --------------------------------------------------------------------------------------


def read_features(desk: Desk, seats: list[Seat], repeats: int, u_mm: float | None) -> None:
    """Take the readings of features one after the other; what is taken is kept at once."""
    place, take_all = 0, False
    while place < len(seats):
        seat = seats[place]
        step = Step.ON
        values = Values(seat, partial(keep_values, desk, seat, u_mm))
        if take_all:
            values.put(offered_by_bench(desk, seat, repeats))
        else:
            step = read_one(desk, seat, repeats, values, many=len(seats) > 1)
        seats[place] = replace(seat, values=values.now)
        if step is Step.STOP:
            desk.screen.say(f"Stopped at {seat.feature.name}; 'gauge {seat.laid.name}' goes on.")
            return
        if step is Step.ALL:
            take_all = True
            place += 1
        elif step is Step.BACK:
            place = max(0, place - 1)
            seats[place] = replace(seats[place], values=seats[place].values[:-1])
        else:
            place += 1


def keep_values(
    desk: Desk, seat: Seat, u_mm: float | None, values: Sequence[float], goes_on: bool
) -> None:
    """Each value is kept when it is typed: nothing that breaks loses it."""
    desk.session.readings.take(seat.feature, values, seat.laid.name, u_mm, goes_on=goes_on)


def ask_conditions(desk: Desk, laid: Laid | None = None, *, known: bool = False) -> None:
    """Room temperature and age of the piece, once for each state of the machine.

    A piece that is still warm is told with the minutes it wants; a simulated one is let cool.
    known: nothing is asked where the tool itself laid the piece and so knows its age
    """
    session = desk.session
    if laid is not None and desk.rehearsal is not None:
        desk.rehearsal.wait(cooling_of(laid))
    age = None if laid is None or desk.rehearsal is not None else minutes_since(laid.at)
    if not session.now.asked and not (known and laid is not None and laid.at):
        before = session.now.conditions.room_c
        usual = "not known" if before is None else f"{before:g}"
        room = asked_number(desk, f"Room temperature, °C (Enter: {usual})?", 0.0, 60.0)
        told = asked_number(desk, "Minutes since the piece was laid (Enter: not known)?", 0.0, 1e6)
        session.readings.keep_conditions(
            replace(
                session.now.conditions,
                room_c=before if room is None else room,
                minutes_since_print=told,
            )
        )
        age = age if told is None else told
    needed = FRESH if laid is None else cooling_of(laid)
    if age is not None and age < needed:
        desk.screen.say(
            "! A piece this fresh may be warm, and then reads too long: by 0.1 to 0.2 % for 20"
            f" degrees. Better let it cool for {math.ceil(needed - age)} min more; 'stop' leaves,"
            " and nothing is lost."
        )


def cooling_of(laid: Laid) -> float:
    """Minutes a piece has to cool once it was laid."""
    return cooling_minutes(laid.piece, laid.profile)


def minutes_since(at: str) -> float | None:
    """Minutes since an ISO 8601 instant; None where there is none, or it is still to come."""
    try:
        passed = (datetime.now(UTC) - datetime.fromisoformat(at)).total_seconds() / 60
    except (TypeError, ValueError):
        return None
    return passed if passed >= 0 else None


def asked_number(desk: Desk, question: str, least: float, most: float) -> float | None:
    """A number within bounds, or None for an empty answer."""
    while answer := desk.screen.ask(question):
        try:
            value = number_from(answer.removesuffix("C").removesuffix("°").removesuffix("min"))
        except ValueError as refusal:
            desk.screen.say(f"  {refusal}.")
            continue
        if least <= value <= most:
            return value
        desk.screen.say(f"  Expected {least:g} to {most:g}, found {value:g}.")
    return None
