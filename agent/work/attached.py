"""One machine on a link: its family, what it last said of itself, and whether that is plausible."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from agent.errors import LinkFailed, Refused
from agent.model.exact import exact
from agent.model.profile import Profile
from agent.model.roles import ROLES, Role
from agent.model.settings import Readback
from agent.work.notebook import MemoryNotebook

if TYPE_CHECKING:
    from agent.change.guards import Finding
    from agent.families.base import Family
    from agent.wire.link import Link
    from agent.wire.transport import Transport
    from agent.work.notebook import Notebook

#: Stands in lists of moves for the line whose answer comes once every move has ended.
WAIT = "M400"

_NOT_ATTACHED = "'attach PORT' does it; 'ports' lists the ports of this computer"


#: Share of the settings that have to be as they were for a controller that does not name itself;
#: what was not stored is gone after a restart.
_MOSTLY = 0.5


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


def same_name(one: str, other: str) -> bool:
    """Whether two ways in which a controller names itself, as a banner or as an answer, are of one.

    The shorter has no word that the longer lacks.
    """
    words = [set(re.findall(r"[a-z0-9.]+", name.lower())) for name in (one, other)]
    return words[0] <= words[1] or words[1] <= words[0]


def written_values(profile: Profile) -> dict[str, float]:
    """Full-precision values that a profile keeps beside the printed ones."""
    return {
        key: saved.written for key, saved in profile.settings.items() if saved.written is not None
    }


class Attached:
    """A machine, the link to it, and its settings as last read."""

    def __init__(
        self,
        profile: Profile | None = None,
        *,
        notebook: Notebook | None = None,
    ) -> None:
        self.profile = profile or Profile("unnamed")
        self.link: Link | None = None
        self.family: Family | None = None
        self.readback: Readback | None = None  #: what is live, as last read
        #: full-precision values that were written and read back
        self.written: dict[str, float] = {}
        self.notebook: Notebook = notebook or MemoryNotebook()
        self.halted = False  #: the emergency word was sent, and nothing was attached since
        self.place_lost = False  #: where the axes stand is not known since something broke off

    def join(self, transport: Transport) -> Readback:
        """Pair a link with a transport, find the family, read twice."""
        from agent.families import identify, read_back_once_up
        from agent.families.gate import Gate
        from agent.wire.link import Link

        link = Link(transport)
        link.on_traffic = self.notebook.traffic
        try:
            family, identity = identify(link)
            if family is None:
                raise Refused(
                    f"the controller on {transport.name} answers, but not in words known here"
                    + (f" ({identity})" if identity else ""),
                    remedy="Its settings were not touched",
                )
            self.readback = read_back_once_up(link, family)
        except BaseException:
            link.close()
            raise
        link.gate = Gate(family)
        self.link, self.family = link, family
        self.halted = False
        return self.readback

    def detach(self) -> None:
        """Let go of the port; what was measured stays."""
        if self.link is not None:
            self.let_go()
            self.notebook.close()

    def let_go(self) -> None:
        """Close the port for a power cycle; the notebook stays open for `attach_again`."""
        if self.link is not None:
            self.link.close()
        self.link = self.family = None

    @property
    def gone(self) -> bool:
        """True if the port itself has gone: a cable pulled, a board without power."""
        if self.link is None:
            return False
        try:
            self.link.transport.read(0.0)  # in doubt, what is still on its way answers nothing
        except LinkFailed:
            return True
        return False

    def joined(self) -> tuple[Link, Family]:
        """The link and its family.  Raises Refused where nothing is attached."""
        if self.link is None or self.family is None:
            raise Refused("no machine is attached", remedy=_NOT_ATTACHED)
        return self.link, self.family

    def read_back(self) -> Readback:
        """Read all settings twice; a clean reading also ends a doubt about the last line."""
        from agent.families import read_back_once_up
        from agent.wire.exchange import State

        link, family = self.joined()
        if link.state is State.DOUBT:
            link.settle()  # an answer that is still on its way is none to the questions now asked
        self.readback = read_back_once_up(link, family)
        if not self.readback.damaged and link.state is State.DOUBT:
            link.resync()
        self.notebook.readback(self.readback)
        return self.readback

    @property
    def clean_readback(self) -> Readback:
        """The latest read-back.  Raises Refused if there is none or it is damaged."""
        if self.readback is None:
            raise Refused("nothing was read back yet", remedy=_NOT_ATTACHED)
        if self.readback.damaged:
            raise Refused(
                "the last reading is damaged: " + "; ".join(self.readback.damage),
                remedy="'readback' reads again. Nothing may rest on such a reading",
            )
        return self.readback

    def known(self, kind: str) -> dict[str, float]:
        """Live values of one kind by letter; those of the profile where nothing was read."""
        if self.readback is not None:
            return self.live(kind)
        head = f"{kind}."
        return {
            key[len(head) :]: saved.exact
            for key, saved in self.profile.settings.items()
            if key.startswith(head)
        }

    def live(self, kind: str) -> dict[str, float]:
        """Live values of one kind by the controller's letter, as exactly as they are known."""
        head = f"{kind}."
        return {
            key[len(head) :]: exact(setting, self.written.get(key))
            for key, setting in self.clean_readback.settings.items()
            if key.startswith(head)
        }

    def send_lines(self, lines: Sequence[str], *, seconds: float = 0.0) -> None:
        """Send lines one by one, each waited for; `seconds`: how long their moves take.

        Raises Refused at the first that is refused.
        """
        from agent.families.gate import named

        link, family = self.joined()
        for asked in lines:
            line = family.standstill if asked == WAIT else asked
            with named(link, (line,), "move"):
                reply = link.ask(line, timeout=60.0 + 2 * seconds)
            if not reply.ok:
                raise Refused(
                    f"the controller refused {line}: {reply.error or 'no reason given'}",
                    remedy="Nothing more was sent",
                )

    def halt(self) -> str:
        """Send the emergency word past everything that waits; what follows is in doubt.

        Returns the word sent.  Raises Refused where nothing is attached, LinkFailed.
        """
        link, family = self.joined()
        link.exchange.abandon()
        link.exchange.revive()  # in doubt, whatever was in flight
        self.halted = self.place_lost = True
        link.transport.write(family.stop.data)
        self.notebook.traffic(link.transport.now(), ">", family.stop.word)
        self.notebook.note("note", {"halted": family.stop.word})
        return family.stop.word

    def findings(self) -> tuple[Finding, ...]:
        """What the live settings say against the mechanics."""
        from agent.change.guards import plausible

        return plausible(self.clean_readback, self.profile.mechanics, self.profile.axes)

    def refuse_implausible(self, roles: Sequence[Role] = ROLES) -> None:
        """Raise Refused if one of these axes must not move."""
        from agent.change.guards import blocked_roles

        blocked = blocked_roles(self.findings(), self.profile.axes)
        if reasons := [f"{role}: {blocked[role]}" for role in roles if role in blocked]:
            raise Refused(
                "this machine must not move: " + "; ".join(reasons),
                remedy="Set the profile or the controller right first. Nothing was moved",
            )
