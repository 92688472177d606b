"""`lay`: a piece on the attached machine; what it takes is shown before, how far it is during."""

from __future__ import annotations

import math
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import click

from agent.bench.rounds import Laid
from agent.errors import Declined, LinkFailed, Refused
from agent.face.benchwork import show_needs, sizes_from
from agent.face.cautions import acknowledge
from agent.face.desk import Desk
from agent.face.moving import try_short_moves
from agent.face.options import Verb
from agent.face.screen import bar, clean
from agent.model.heat import heating_left
from agent.model.roles import ROLES
from agent.pieces.catalogue import CATALOGUE
from agent.pieces.cooling import cooling_minutes
from agent.work.laying import STILL_HEATED
from agent.work.signals import ended_by
from agent.work.sleep import Sleep

if TYPE_CHECKING:
    from rich.console import Console

    from agent.model.heat import Heat, Heats
    from agent.pieces import Piece, Summary
    from agent.work.laying import Laying, Progress

#: Times a question in a pause is asked before the laying is ended.
TRIES: Final = 3

SEATED: Final = (
    "This controller homes no axis alone and knows of no heaters. Nozzle and bed must be COLD now."
    " Bring the carriage to its end where across begins, and the nozzle down until a"
    " sheet of paper just drags between it and the belt. It is then raised by 10 mm."
    " Use the machine's own keys for that; where there are none, support the gantry before its"
    " motors lose power: a tilted one sinks."
)

HEATED: Final = (
    "Now set the controllers that keep the heat to nozzle {nozzle:g} °C and bed {bed:g} °C,"
    " and wait until both stand there. Nothing sent from here can read them or switch them off:"
    " stay with the machine until you have switched them off yourself. One without a limiter of"
    " its own against running away is for nobody to use."
)

CLEAR: Final = "Are hands, tools and old parts clear of belt, rollers and gantry?"

COOLING: Final = (
    "Let the piece cool on the belt before you take it off or read it: 20 °C too warm reads 0.1 to"
    " 0.2 % too long. Mark x and s on it before it leaves the belt."
)


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
@click.argument("name", type=click.Choice(tuple(CATALOGUE)), metavar="|".join(CATALOGUE))
@click.option(
    "--size", "sizes", multiple=True, metavar="NAME=MM", help="size, for example height=60"
)
def lay(desk: Desk, /, name: str, sizes: tuple[str, ...]) -> None:
    """Lay a test piece on the attached machine. Heats and moves; asks first.

    Ctrl-C pauses; then it goes on, or ends with the heaters off.

    \b
    Example: plumbelt> lay strip
    """
    from agent.pieces import summary

    session = desk.session
    session.contact.joined()
    drawn = session.pieces.draw(name, sizes_from(sizes, "lay"))
    laying = session.pieces.begin(drawn)
    by_hand = not laying.wording.heats
    takes = summary(drawn, session.profile, laying.wording)
    acknowledge(desk)
    desk.screen.heading(f"Lay the {drawn.name}: {drawn.title}")
    show_needs(desk, takes)
    show_reach(desk, takes)
    if not desk.screen.agrees(CLEAR):
        raise Declined("not laid", remedy="Nothing was moved or heated")
    try_short_moves(desk, ROLES)
    if by_hand:
        seat_and_heat(desk)
    laid = lay_to_the_end(desk, drawn, laying)
    document = {
        "laid": laid.name,
        "lines": takes.lines,
        "seconds": takes.seconds,
        "heaters_off": None if by_hand else not session.bench.hot,
    }

    off = (
        f"{STILL_HEATED} NOW."
        if by_hand
        else "The controller does NOT report its heaters off: use the power switch."
        if session.bench.hot
        else "The controller reports its heaters off."
    )

    def show() -> None:
        desk.screen.say(
            f"Laid as '{laid.name}'. {off} The belt was fed forward, so that the piece is clear of"
            f" the nozzle. {COOLING}"
        )
        ready = math.ceil(cooling_minutes(laid.piece, laid.profile))
        at = datetime.now() + timedelta(minutes=ready)
        desk.screen.say(
            f"Cool enough to be read in about {ready} min, at {at:%H:%M}."
            " 'advance MM' brings it to the belt's end."
        )

    desk.screen.answer(document, show)


def seat_and_heat(desk: Desk) -> None:
    """Axes and heaters set by hand, where the controller cannot; raises Declined if they are not.

    Nothing is heated before the nozzle is clear of the belt.
    """
    screen, session = desk.screen, desk.session
    screen.say(SEATED)
    if not screen.agrees("Does the paper drag, and is all cold?"):
        raise Declined("not laid", remedy="Nothing was heated, and no piece begun")
    session.moves.seat()
    nozzle, bed = session.profile.material.heats
    screen.say(HEATED.format(nozzle=nozzle, bed=bed))
    if not screen.agrees("Do both stand at their temperatures, as their own displays show?", "hot"):
        raise Declined("not laid", remedy=f"No piece was begun. {STILL_HEATED}")


def show_reach(desk: Desk, takes: Summary) -> None:
    """How far each axis goes, as planned and at worst."""
    from agent.change.guards import worst_shares

    session = desk.session
    worst = takes.worst_travel(worst_shares(session.profile, session.bench.live("steps_per_mm")))
    travel = session.profile.mechanics.travel_mm
    rows = [
        (
            role,
            f"{low:.1f} to {high:.1f}",
            f"{worst[role]:.1f}" if math.isfinite(worst[role]) else "not known",
            f"{travel[role]:g}" if role in travel else "-",
        )
        for role, low, high in zip(ROLES, takes.low, takes.high, strict=True)
    ]
    homes = session.contact.joined()[1].wording.homes
    first = "homed first" if homes else "set by hand first"
    desk.screen.table(["axis", ">range, mm", ">worst case, mm", ">available, mm"], rows)
    desk.screen.say(
        "Worst case: if the stored setting is off by all that the drive train allows. Across and"
        f" gantry are {first}, the belt never. Keep the belt's joint off the next"
        f" {takes.high[2] - takes.low[2]:.0f} mm of belt."
    )


def lay_to_the_end(desk: Desk, drawn: Piece, laying: Laying) -> Laid:
    """Lay with progress; an interrupt pauses.  Raises Refused if it is ended before its time."""
    session, sleep = desk.session, Sleep()
    while True:
        with stoppable() as asked, progress_shown(desk.screen.console, drawn.name, laying):
            finished = session.pieces.lay_on(laying, stop=partial(stops, asked, sleep))
        if finished:
            break
        if not goes_on(desk, drawn, laying):
            end(desk, drawn, laying)
    laid = session.pieces.laid_whole(drawn)
    if desk.rehearsal is not None:
        desk.rehearsal.laid(laid.name)
    return laid


def stops(asked: Callable[[], bool], sleep: Sleep) -> bool:
    """Whether to pause: somebody asks for it, or the computer slept and lines stayed away."""
    return asked() or sleep.seconds() > 0


def goes_on(desk: Desk, drawn: Piece, laying: Laying) -> bool:
    """Pause, and have the technician decide; anything unclear or an interrupt ends the laying."""
    screen = desk.screen
    try:
        lifted = laying.hold()
        where = "; the nozzle is raised off the piece" if lifted else ""
        nozzle, bed = laying.heating
        by_hand = "STILL HEATED by controllers of its own"
        parts = [f"{part} {heat:g} °C" for part, heat in (("nozzle", nozzle), ("bed", bed)) if heat]
        hot = f"STILL HEATED ({', '.join(parts)})" if parts else "cold"
        hot = hot if laying.wording.heats else by_hand
        screen.say(
            f"Paused after {laying.done} of {len(laying.lines)} lines of {drawn.name}. The machine"
            f" stands still{where}, and is {hot}."
        )
        for _ in range(TRIES):
            answer = screen.ask("Type 'on' to lay on, 'stop' to end with the heaters off:").lower()
            if answer in ("on", "stop"):
                return answer == "on"
    except (KeyboardInterrupt, click.Abort) as interrupt:
        if ended_by(interrupt) is not None:  # nobody is there any more who could be asked
            desk.session.pieces.stop(laying)
            raise
    except LinkFailed:
        desk.session.pieces.stop(laying)
        raise
    return False


def end(desk: Desk, drawn: Piece, laying: Laying) -> None:
    """Heaters off, and the belt fed forward if the technician wants it; always raises Refused."""
    session, screen = desk.session, desk.screen
    left = session.pieces.stop(laying)
    fed = "The belt was not fed"
    feed = laying.clear_feed_mm
    screen.say(f"{left}.")
    try:
        if (
            feed is not None
            and not session.bench.hot
            and screen.agrees(f"Feed the belt forward by {feed:.0f} mm to bring the piece off?")
        ):
            laying.feed_clear()
            fed = f"The belt was fed forward by {feed:.0f} mm"
    except (KeyboardInterrupt, click.Abort) as interrupt:
        if ended_by(interrupt) is not None:
            raise
        fed = "The belt may have been fed"
    raise Refused(
        f"stopped after {laying.done} of {len(laying.lines)} lines of {drawn.name}",
        remedy=f"{left}. {fed}. Motors still hold: support the gantry before you switch off",
    )


# --- while it runs -------------------------------------------------------------------------------


@contextmanager
def progress_shown(console: Console, name: str, laying: Laying) -> Iterator[None]:
    """Three lines that follow the laying: how far, how hot, the line acknowledged last."""
    from rich.live import Live
    from rich.text import Text

    began, first = time.monotonic(), laying.progress.heats

    def now() -> Text:
        nonlocal began, first
        progress, instant = laying.progress, time.monotonic()
        left = heating_left(first, progress.heats, instant - began)
        if left == 0.0 or targets(progress.heats) != targets(first):  # a heating begins anew
            began, first = instant, progress.heats
        text = progress_text(name, progress, left, console.width)
        return Text(text, no_wrap=True, overflow="ellipsis")

    with Live(get_renderable=now, console=console, refresh_per_second=5):
        yield
    if not console.is_terminal:  # what follows begins a line of its own there as well
        console.print()


def targets(heats: Heats) -> tuple[float, ...]:
    """What the heaters are told to reach, as far as they report it."""
    return tuple(heat.target for heat in (heats.nozzle, heats.bed) if heat is not None)


def progress_text(name: str, progress: Progress, heating: float | None, columns: int = 80) -> str:
    """What is shown of a laying under way; three lines of less than `columns`, 60 or more.

    heating: seconds until the heaters are at their targets; None: not known
    """
    width = 24 if columns >= 80 else 8
    done = bar(progress.done / max(progress.total, 1), width)
    last = clean(progress.last)[: columns - 26] or "nothing yet"
    heats = progress.heats
    hint = "Ctrl-C pauses, a second one breaks off" if columns >= 80 else "Ctrl-C pauses"
    if heating:
        hint = f"heating, about {minutes(heating)} left"
    return (
        f"laying {name}  {done}  {progress.done} of {progress.total} lines,"
        f" {minutes(progress.seconds_left)} left\n"
        f"nozzle {_heat_words(heats.nozzle)}, bed {_heat_words(heats.bed)}. {hint}.\n"
        f"last line acknowledged: {last}"
    )


def _heat_words(heat: Heat | None) -> str:
    if heat is None:
        return "not reported"
    return f"{heat.now:.0f} of {heat.target:.0f} °C" if heat.target else f"{heat.now:.0f} °C (off)"


def minutes(seconds: float) -> str:
    """A time as `12:05`, minutes and seconds."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02d}"
