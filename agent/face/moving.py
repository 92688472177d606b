"""Moves without plastic: `gauge travel`, `gauge gap`, and the belt run `marks`."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Final

from agent.bench.rounds import MOVES
from agent.errors import AgentError, BadInput, Declined, Refused
from agent.face import short
from agent.face.answers import Typed, typed_length, typed_lengths
from agent.face.cautions import acknowledge
from agent.face.desk import Desk
from agent.model.feature import length
from agent.model.roles import ROLES, Role
from agent.work.tuning import U_GAUGE, U_RULE

if TYPE_CHECKING:
    from agent.work.moves import Travel

#: Standard uncertainty of a gap between feeler gauges that go in and do not, 0.05 mm apart, at both
#: ends (common practice).
U_FEELER: Final = 0.03

#: A measured move or mark further from what was commanded than this share is asked about.
FAR: Final = 0.1

GAP: Final = "gap"

#: What `gauge` takes instead of a piece.
MOVE_NAMES: Final = (MOVES, *(f"{MOVES}-{role}" for role in ROLES), GAP)

CLEAR: Final = "Are hands clear, and is there room?"

_OF_GAP: Final = (
    "The nozzle must be cold and clean, and clear of the belt by a feeler gauge at the start. The"
    " gap may shrink along the move: begin with 1 mm or more."
)

_OF_ENOUGH: Final = (
    "After each reading it is seen anew what is worth most: a shorter move may take the place of"
    " one of these, and what is enough is left out."
)


# --- one axis ------------------------------------------------------------------------------------


def gauge_moves(
    desk: Desk, what: str, numbers: Sequence[float], move_mm: float | None, u_mm: float | None
) -> None:
    """Move axes by known amounts and keep how far they went."""
    session = desk.session
    named = what.removeprefix(MOVES).removeprefix("-")
    roles: tuple[Role, ...] = (named,) if named in ROLES else ROLES
    if numbers and what == MOVES:
        raise BadInput(
            "readings were given, but no axis",
            remedy="Name one: " + ", ".join(f"{MOVES}-{role}" for role in ROLES),
        )
    if what == GAP:
        moves = [session.moves.gap()]
    else:
        moves = [session.moves.travel(role, move_mm) for role in roles]
    acknowledge(desk)
    prepare(desk, moves, _OF_GAP if what == GAP else "")
    for move in moves:
        u_mm = read_move(desk, move, numbers, u_mm)


def gauge_enough(desk: Desk, u_mm: float | None) -> None:
    """Moves in the order of their worth, each over the length that tells most, until enough.

    What a gauge reads is asked first: it decides what is worth moving.
    """
    screen, session = desk.screen, desk.session
    if u_mm is None and desk.rehearsal is None and session.profile.instrument.move_u_mm is None:
        taken = any(reading.kind == "travel" for reading in session.now.readings)
        u_mm = None if taken else asked_u(desk, U_RULE)
    wished = moves_wished(desk, u_mm)
    if not wished:
        screen.say("No move is worth reading now.")
        return
    if refusal := short.cannot(desk, u_mm):
        screen.say(f"! {refusal}")
    acknowledge(desk)
    # moves of an axis go to the same gauge: they are shown before any is made
    shown = [session.moves.travel(role, wish.mm) for role, wish in wished]
    prepare(desk, shown, _OF_ENOUGH)
    left: set[str] = set()
    while wished := [pair for pair in moves_wished(desk, u_mm) if pair[1].name not in left]:
        role, wish = wished[0]
        before = short.course_now(desk, u_mm)
        move = session.moves.travel(role, wish.mm)
        if move.mm not in (known := [m.mm for m in shown if m.role == role]):
            screen.say(f"With what was read so far, {role} by {move.mm:.2f} mm tells more:")
            if move.mm > max(known, default=0.0):
                prepare(desk, [move])
            shown.append(move)
        read_move(desk, move, (), u_mm or short.u_move(desk))
        left.add(wish.name)  # read, or left out
        short.tell(desk, before)


def prepare(desk: Desk, moves: Sequence[Travel], told: str = "") -> None:
    """Show moves and what is to be known of them; Refused unless there is room to begin."""
    show_moves(desk, moves)
    if told:
        desk.screen.say(told)
    room_or_refused(desk)
    try_short_moves(desk, list(dict.fromkeys(move.role for move in moves)))


def moves_wished(desk: Desk, u_mm: float | None) -> list[tuple[Role, short.Wish]]:
    """Moves that are worth reading now, with the axis of each."""
    return [
        (role, wish)
        for wish in short.wishes(desk, u_mm)
        for role in ROLES
        if wish.piece == MOVES and wish.name.split()[1] == role
    ]


def read_move(
    desk: Desk, move: Travel, numbers: Sequence[float], u_mm: float | None
) -> float | None:
    """Make one move and keep how far it went; returns its uncertainty, for the moves to come."""
    screen, session = desk.screen, desk.session
    with absolute_after(desk):
        session.contact.send_lines(move.take_up)
        if desk.rehearsal is None and not numbers:
            screen.ask(f"{move.role}: set the gauge or mark to zero ({move.feature.hint}). Enter:")
        session.contact.send_lines(move.go)
        values = tuple(numbers) or asked_move(desk, move)
        session.contact.send_lines(move.back)
    if values:
        usual = U_FEELER if move.feature.kind == "gap" else usual_u(desk)
        u_mm = u_mm if u_mm is not None else asked_u(desk, usual)
        session.readings.take(move.feature, (statistics.fmean(values),), MOVES, u_mm)
    return u_mm


def room_or_refused(desk: Desk) -> None:
    """Raises Refused unless the technician sees that there is room for the move."""
    if desk.session.bench.place_lost:
        desk.screen.say(
            "! The work broke off, and where the axes stand is not known since: home across and"
            " gantry first ('next' names the line), or look for yourself that there is room."
        )
    if not desk.screen.agrees(CLEAR):
        raise Declined("cancelled", remedy="Nothing was moved. Type the command again when ready")


@contextmanager
def absolute_after(desk: Desk) -> Iterator[None]:
    """Coordinates are absolute again afterwards; whatever breaks, nothing moves any more."""
    try:
        yield
    except BaseException:
        with suppress(AgentError):
            desk.session.contact.send_lines(("G90",))
        raise


def show_moves(desk: Desk, moves: Sequence[Travel]) -> None:
    """What will move, how far, and how far at worst."""
    standing = desk.session.moves.places()
    rows = [
        (
            m.role,
            f"{standing[m.role]:z.1f}" if m.role in standing else "-",
            f"{m.retreat_mm:.1f}" if m.retreat_mm else "-",
            f"{m.mm:.2f}",
            f"{m.worst_mm:.1f}" if math.isfinite(m.worst_mm) else "not known",
        )
        for m in moves
    ]
    desk.screen.table(
        ["axis", ">position, mm", ">take-up, mm", ">move, mm", ">worst case, mm"], rows
    )
    desk.screen.say(
        "Worst case: what the axis travels if the stored setting is at the end of what its drive"
        " train allows. Position: what the controller believes, true only once it was homed. Each"
        " axis needs the worst case of room from where it really is; across and gantry come back,"
        " the belt feeds forward and stays."
    )


def asked_move(desk: Desk, move: Travel) -> tuple[float, ...]:
    """How far it went, from the technician; in a rehearsal the simulated gauge offers it."""
    screen, feature = desk.screen, move.feature
    offered: tuple[float, ...] = ()
    screen.say(f"{feature.name}: {feature.hint}, commanded {length(feature.along):.2f} mm")
    if desk.rehearsal is not None:
        offered = desk.rehearsal.measure(feature, MOVES, 1)
        screen.say(f"  The simulated gauge shows: {offered[0]:.2f}")
    hint = "Enter takes this" if offered else "Enter leaves it out"
    values = asked_lengths(
        desk,
        f"  mm ({hint}):",
        None if feature.kind == "gap" else length(feature.along),
        signed=feature.kind == "gap",
        several=True,
    )
    return values or offered


def asked_length(desk: Desk, question: str, nominal: float | None) -> float | None:
    """A length typed by the technician, or None for an empty answer.  As `asked_lengths`."""
    found = asked_lengths(desk, question, nominal)
    return found[0] if found else None


def asked_lengths(
    desk: Desk,
    question: str,
    nominal: float | None,
    *,
    signed: bool = False,
    several: bool = False,
) -> tuple[float, ...]:
    """A length typed by the technician, or `several` of the same thing; none for an empty answer.

    One that is far from `nominal` is asked about; one that is no length is asked for again.
    """
    screen = desk.screen
    while True:
        answer = screen.ask(question)
        if not answer:
            return ()
        try:
            typed = typed_lengths(answer) if several else (typed_length(answer),)
        except ValueError as refusal:
            screen.say(f"  {refusal}. Type it again.")
            continue
        if any(one.mm <= 0 for one in typed) and not signed:
            screen.say("  A length is above zero. Type it again, without its direction.")
            continue
        for one in typed:
            if one.reworded:
                screen.say(f"  {one.echo}")
        far = [one for one in typed if nominal is not None and not near(one, nominal)]
        if not far or screen.keeps(f"  {far[0].mm:g} mm is far from {nominal:.2f} mm."):
            return tuple(one.mm for one in typed)


def near(typed: Typed, nominal: float) -> bool:
    return abs(typed.mm - nominal) <= FAR * nominal


def usual_u(desk: Desk) -> float:
    """Standard uncertainty of what measures a move: as the profile tells it, or a steel rule's."""
    told = desk.session.profile.instrument.move_u_mm
    return U_RULE if told is None else told


def asked_u(desk: Desk, usual: float) -> float:
    """Standard uncertainty of a reading of a move; `usual` for an empty answer."""
    if desk.rehearsal is not None:
        return U_GAUGE
    value = asked_length(
        desk, f"  Reading uncertainty, mm (standard deviation; Enter = {usual}):", None
    )
    return usual if value is None else value


def try_short_moves(desk: Desk, roles: Sequence[Role]) -> None:
    """The first move after steps were written: short, relative, waited for, seen by someone."""
    from agent.work.moves import SHORT_MM, short_move

    session, screen = desk.session, desk.screen
    for role in [role for role in roles if role in session.bench.untried]:
        screen.say(
            f"The steps of the {role} axis were changed, so it first moves only {SHORT_MM:g} mm."
        )
        session.contact.send_lines(
            short_move(session.profile, role, session.moves.places().get(role))
        )
        if not screen.agrees(f"Did the {role} axis move by about {SHORT_MM:g} mm?"):
            raise Refused(
                f"you did not confirm the move of the {role} axis",
                remedy="No further move was made. 'readback' shows what is live, 'undo' brings back"
                " what was there before",
            )
        session.moves.tried(role)
