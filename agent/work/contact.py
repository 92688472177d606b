"""A controller on a link: what a session holds of a machine while it is attached, and no more."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from agent.errors import LinkFailed, Refused
from agent.families.gate import named

if TYPE_CHECKING:
    from agent.families.base import Family
    from agent.model.settings import Readback
    from agent.wire.link import Link

#: Stands in lists of moves for the line whose answer comes once every move has ended.
WAIT: Final = "M400"


def same_name(one: str, other: str) -> bool:
    """Whether two ways in which a controller names itself, as a banner or as an answer, are of one.

    The shorter has no word that the longer lacks.
    """
    words = [set(re.findall(r"[a-z0-9.]+", name.lower())) for name in (one, other)]
    return words[0] <= words[1] or words[1] <= words[0]


#: Share of the settings that have to be as they were for a controller that does not name itself;
#: what was not stored is gone after a restart.
_MOSTLY: Final = 0.5


def same_controller(known: Readback, now: Readback) -> bool:
    """Whether two readings are of one controller, as far as it tells.

    By its name; one that gives none (any more) has to have the same settings, most of them with
    the same values.
    """
    if known.family != now.family:
        return False
    if known.identity and now.identity:
        return same_name(known.identity, now.identity)
    if known.settings.keys() != now.settings.keys():
        return False
    same = [now.settings[key].value == was.value for key, was in known.settings.items()]
    return sum(same) >= _MOSTLY * len(same)


@dataclass(frozen=True, slots=True)
class Contact:
    """A link and the family that was found on it."""

    link: Link
    family: Family

    @property
    def gone(self) -> bool:
        """True if the port itself has gone: a cable pulled, a board without power."""
        try:
            self.link.transport.read(0.0)  # in doubt, what is still on its way answers nothing
        except LinkFailed:
            return True
        return False

    def send_lines(self, lines: Sequence[str], *, seconds: float = 0.0) -> None:
        """Send lines one by one, each waited for; `seconds`: how long their moves take.

        Raises Refused at the first that is refused.
        """
        for asked in lines:
            line = self.family.standstill if asked == WAIT else asked
            with named(self.link, (line,), "move"):
                reply = self.link.ask(line, timeout=60.0 + 2 * seconds)
            if not reply.ok:
                raise Refused(
                    f"the controller refused {line}: {reply.error or 'no reason given'}",
                    remedy="Nothing more was sent",
                )

    def halt(self) -> str:
        """Send the emergency word past everything that waits; what follows is in doubt.

        Returns the word sent.  Raises LinkFailed.
        """
        self.link.exchange.abandon()
        self.link.exchange.revive()  # in doubt, whatever was in flight
        self.link.transport.write(self.family.stop.data)
        return self.family.stop.word
