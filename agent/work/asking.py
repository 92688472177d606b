"""What a controller is asked on the way: how hot it is, where it stands; and the heaters' end."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from agent.errors import LinkFailed
from agent.families.base import HEATERS_OFF
from agent.model.heat import Heats
from agent.model.roles import Axes, Role

if TYPE_CHECKING:
    from agent.wire.link import Link, Reply

#: Asks for the temperatures.
PROBE: Final = "M105"

#: Answers to lines that were in flight may come in between; so often the heaters are asked again.
_ASKED_AGAIN: Final = 4

_PLACE: Final = re.compile(r"(?<![A-Za-z])([A-Za-z]):\s*(-?\d+(?:\.\d+)?)")


def places_now(link: Link, axes: Axes) -> dict[Role, float]:
    """Where the controller believes each axis to stand, mm; empty if it does not say.

    After power-on most say zero wherever the axis is: only homing makes this true.
    """
    reply = link.ask("M114")
    found: dict[Role, float] = {}
    for letter, value in _PLACE.findall(" ".join(said(reply))):
        role = axes.role(letter.lower())
        if role is not None and role not in found:  # step counts follow under the same letters
            found[role] = axes.sign(role) * float(value)
    return found


def heaters_off(link: Link) -> Heats | None:
    """Switch both heaters off and read their targets; None: the link did not carry it.

    May be called in doubt about the last line: off is right whatever came of it.  A controller
    that works on something may hear nothing until it is done: then both words lie before it at
    once, and what answers belong to other lines is asked again.
    """
    from agent.wire.exchange import State

    doubtful = link.state in (State.DOUBT, State.WAITING)
    try:
        if doubtful:
            link.shout(HEATERS_OFF)
            link.settle()
        for line in HEATERS_OFF:
            if not link.ask(line, reads=True).ok:
                return None
        heats = heats_now(link)
        for _ in range(_ASKED_AGAIN if doubtful else 0):
            if heats.nozzle is None:
                heats = heats_now(link)
        return heats
    except LinkFailed:
        return None


def heats_now(link: Link) -> Heats:
    """What the controller says of its heaters now.  Raises LinkFailed."""
    heats = Heats()
    for text in said(link.ask(PROBE, reads=True)):
        heats = heats.seen(text)
    return heats


def said(reply: Reply) -> tuple[str, ...]:
    """All texts of a reply; some controllers acknowledge before they answer."""
    behind = (e.detail.get("text", "") for e in reply.events if e.kind == "unsolicited")
    return (*reply.lines, *map(str, behind))
