"""Verbs that go straight to the wire: `send` one line, `halt` at once."""

from __future__ import annotations

import re
from typing import Final

import click

from agent.errors import Declined, Refused
from agent.face.cautions import acknowledge
from agent.face.desk import Desk, at_desk
from agent.face.options import Verb, as_json
from agent.model.roles import ROLES, Role

#: Lines that only read, in every family.
READS: Final = re.compile(
    r"(?:M115|M503(?: S[01])?|M92|M203|M201|M204|M114|M105|M119|M31|\$\$|\$I|\$#|\$G|\?)", re.I
)

#: Lines that set, store, load or wipe settings: those go by plan, preview and digest.
CHANGES: Final = re.compile(
    r"(?:M92|M20[1-6]|M30[14]|M50[0-2]|M851|M906|M350|M852|M66[56]|M218|M90[07])(?!\d)|\$.*=|\$RST",
    re.I,
)

#: Lines that move or heat.
ACTS: Final = re.compile(
    r"(?:G0|G1|G2|G3|G28|G29|G38|M104|M109|M140|M190|M80|M17|M280)(?!\d)", re.I
)

#: The question for the temperatures.
ASKS_HEATERS: Final = re.compile(r"M105", re.I)

#: Longest line that is sent, characters.
LONGEST: Final = 90


@click.command(cls=Verb)
@click.argument("words", nargs=-1, required=True, metavar="LINE")
@as_json
@at_desk
def send(desk: Desk, /, words: tuple[str, ...]) -> None:
    """Send one line as it is and show the answer; for looking, not for setting.

    Lines that change or store settings are refused: 'preview' and 'write' are their way.

    \b
    Example: plumbelt> send M114
    """
    link, _ = desk.session.joined()
    line = " ".join(words).strip()
    check(line)
    reads = bool(READS.fullmatch(line))
    if moved := moved_roles(desk, line):
        desk.session.refuse_implausible(moved)
    if ACTS.match(line):
        acknowledge(desk)
    if not reads and not desk.screen.agrees(
        f"'{line}' is not checked against this machine. Are hands clear?"
    ):
        raise Declined("It was not agreed to", remedy="Nothing was sent")
    heats = bool(re.match(r"M1(?:04|09|40|90)\b", line, re.I))
    if heats and not re.search(r"\bS0*(?:\.0*)?\s*$", line, re.I):
        desk.session.heat("on", line)
    reply = link.ask(line, timeout=60.0, reads=reads)
    if reply.ok and (heats or ASKS_HEATERS.fullmatch(line)):
        desk.session.ask_heaters()
    if reply.ok and homes(desk, line):
        desk.session.place(lost=False)
    document = {"line": line, "reply": list(reply.lines), "ok": reply.ok, "error": reply.error}

    def show() -> None:
        for text in reply.lines:
            desk.screen.say(f"  {text}")
        verdict = "taken" if reply.ok else f"refused: {reply.error or 'no reason given'}"
        desk.screen.say(f"({verdict}{'' if reads else '; only a read-back proves an effect'})")

    desk.screen.answer(document, show)
    if not reply.ok:
        raise Refused(f"the controller refused {line}", remedy="Nothing more was sent")


def moved_roles(desk: Desk, line: str) -> tuple[Role, ...]:
    """Axes that a line moves: those it names, or all that a homing without a name moves."""
    head, *words = line.upper().split()
    if not re.fullmatch(r"G(?:0|1|2|3|28|29|38)(?:\.\d)?|\$H|\$J=.*", head):
        return ()
    letters = (
        {word[0].lower() for word in words} if not head.startswith("$J") else set(head.lower())
    )
    axes = desk.session.profile.axes
    named = tuple(role for role in ROLES if axes.letter(role) in letters)
    return named or (() if head[:2] in ("G0", "G1") and words else ROLES)


def homes(desk: Desk, line: str) -> bool:
    """True for a line that homes both axes that have a home."""
    head, *words = line.upper().split()
    letters = {desk.session.profile.axes.letter(role).upper() for role in ("across", "gantry")}
    return head == "$H" or (head == "G28" and (not words or letters <= set(words)))


def check(line: str) -> None:
    """Raise Refused for what is no line, or a line that has a safer way."""
    if not line.isascii() or not line.isprintable() or len(line) > LONGEST:
        raise Refused(
            f"that is no line for a controller (plain characters, at most {LONGEST})",
            remedy="Nothing was sent",
        )
    if CHANGES.match(line) and not READS.fullmatch(line):
        raise Refused(
            f"'{line}' changes or stores settings",
            remedy="'preview' and 'write' do that with a check, a proof and a way back."
            " Nothing was sent",
        )


@click.command(cls=Verb)
@as_json
@at_desk
def halt(desk: Desk, /) -> None:
    """Tell the controller to stop everything at once. The power switch is surer.

    \b
    Example: plumbelt> halt
    """
    word = desk.session.halt()

    def show() -> None:
        desk.screen.say(
            f"'{word}' was sent. If anything still moves or heats, use the power switch now.\n"
            "The controller takes no more until it is reset; its position is lost. Then"
            " 'attach --again': what was read stays."
        )

    desk.screen.answer({"sent": word}, show)
