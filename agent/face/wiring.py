"""Verbs that go straight to the wire: `send` one line, `halt` at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from agent.errors import BadInput, Declined, Refused
from agent.face.cautions import acknowledge
from agent.face.desk import Desk
from agent.face.options import Verb
from agent.families.base import HEATERS_OFF
from agent.work.asking import PROBE

if TYPE_CHECKING:
    from agent.families.base import Family
    from agent.families.gate import Way
    from agent.model.roles import Role

#: Longest line that is sent, characters.
LONGEST: Final = 90

#: Axes that may be homed by hand: the belt has no end to find.
HOMED: Final[tuple[Role, ...]] = ("across", "gantry")


@click.command(cls=Verb)
@click.argument("words", nargs=-1, metavar="LINE")
def send(desk: Desk, /, words: tuple[str, ...]) -> None:
    """Send one line that reads, and show the answer; for looking, not for setting.

    Lines that only read go out as they are ('help family' names the controllers, and a refusal
    names their lines). Besides these: heaters off, homing across and gantry, and waking a
    controller that has halted. Anything else has a command of its own, with its checks.

    \b
    Example: plumbelt> send M114
    """
    from agent.families.gate import effect_of, named, normal, refusal

    if not words:
        raise BadInput("send: LINE is missing", remedy="The line to send, for example: send M114")
    link, family = desk.session.contact.joined()
    line = normal(" ".join(words))
    check(line)
    effect = effect_of(line, family)
    homed = homes(desk, line, family)
    way: Way = "home" if homed else "wake"
    if homed or effect == "wakes":
        if homed:
            desk.session.moves.refuse_implausible(homed)
        acknowledge(desk)
        if not desk.screen.agrees(f"'{line}' may move the machine. Hands clear?"):
            raise Declined(
                "cancelled", remedy="Nothing was sent. Type the command again when ready"
            )
    elif effect not in ("reads", "safe"):
        raise refusal(line, family)
    with named(link, (line,), way):
        reply = link.ask(line, timeout=60.0, reads=effect in ("reads", "safe"))
    if reply.ok and line in (*HEATERS_OFF, PROBE):
        desk.session.contact.ask_heaters()
    if reply.ok and set(homed) == set(HOMED):
        desk.session.moves.place(lost=False)
    events = (*reply.events, *family.reply_events(line, reply.lines))
    strange = any(event.kind == "unknown_command" for event in events)
    document = {
        "line": line,
        "reply": list(reply.lines),
        "ok": reply.ok and not strange,
        "error": reply.error,
    }

    def show() -> None:
        for text in reply.lines:
            desk.screen.say(f"  {text}")
        if strange:
            verdict = "not understood by the controller"
        else:
            verdict = "taken" if reply.ok else f"refused: {reply.error or 'no reason given'}"
        desk.screen.say(f"({verdict}{'' if effect == 'reads' else '; only a read-back proves it'})")

    desk.screen.answer(document, show)
    if strange or not reply.ok:
        what = "does not understand" if strange else "refused"
        raise Refused(f"the controller {what} {line}", remedy="Nothing more was sent")


def homes(desk: Desk, line: str, family: Family) -> tuple[Role, ...]:
    """The axes that `line` homes, if it homes across or gantry or both, and nothing else."""
    axes = desk.session.profile.axes
    for roles in (HOMED, HOMED[::-1], HOMED[:1], HOMED[1:]):
        if line == family.homes([axes.letter(role).upper() for role in roles]):
            return roles
    return ()


def check(line: str) -> None:
    """Raise Refused for what is no line of a controller."""
    if not line.isascii() or not line.isprintable() or not 0 < len(line) <= LONGEST:
        raise Refused(
            f"that is no line for a controller (plain characters, at most {LONGEST})",
            remedy="Nothing was sent",
        )


@click.command(cls=Verb)
def halt(desk: Desk, /) -> None:
    """Tell the controller to stop everything at once. The power switch is surer.

    \b
    Example: plumbelt> halt
    """
    word = desk.session.contact.halt()
    desk.screen.answer(
        {"sent": word},
        f"'{word}' was sent. If anything still moves or heats, use the power switch now.\n"
        "The controller takes no more until it is reset; its position is lost. Then"
        " 'attach --again': what was read stays.",
    )
