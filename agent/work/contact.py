"""A controller on a link: attached, read, lost, taken up again, let go."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, NamedTuple

from agent.bench.book import Book, RecordBook
from agent.bench.events import heats_plain, readback_plain
from agent.bench.value import NOT_ATTACHED, Bench
from agent.errors import AgentError, LinkFailed, Refused
from agent.families.gate import named
from agent.model import UNNAMED
from agent.model.heat import Heats
from agent.model.profile import Profile
from agent.work.asking import heats_now

if TYPE_CHECKING:
    from agent.families.base import Family
    from agent.model.settings import Readback
    from agent.wire.link import Link
    from agent.wire.transport import Transport

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


class Attached(NamedTuple):
    """A link and the family that was found on it."""

    link: Link
    family: Family


class Contact:
    """The link of a session: begun, lost, begun again, let go.  What comes of it is in the book."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self._attached: Attached | None = None
        self._chosen = ""  # machine that this process was told to work on, as an option tells it

    @property
    def link(self) -> Link | None:
        return self._attached.link if self._attached else None

    @property
    def family(self) -> Family | None:
        return self._attached.family if self._attached else None

    def family_known(self) -> Family:
        """The family on the link, or as it was last seen: a preview sends nothing.

        Raises Refused where none was.
        """
        family = self.family or self.book.bench.known_family
        if family is None:
            raise Refused("no machine is attached", remedy=NOT_ATTACHED)
        return family

    def use(self, profile: Profile) -> None:
        """The machine is the one of `profile`; on the link, its events are its own from now on."""
        named = "" if profile.name == UNNAMED else profile.name
        self._chosen = named
        attached, before = self._attached, self.book.bench
        if attached is not None and named and named != before.machine:
            self._take_up(named, attached, before.port, before.serial)
            if before.readback is not None:
                self._file(profile)
                self.book.append("readback", readback_plain(before.readback))
            self.book.append("heat", {**heats_plain(before.heats), "state": before.heater_state})
        elif attached is None and named:
            self.book.look_at(named)
        self._file(profile)

    def _file(self, profile: Profile) -> None:
        """Note how the machine is built, unless that is known already."""
        from agent.store.profiles import profile_text

        text, filed = profile_text(profile), self.book.bench.filed
        if filed is None or profile_text(filed) != text:
            self.book.append("profile", {"name": profile.name, "text": text})

    def _file_named(self) -> None:
        """The saved profile of the machine's name, as it is now: somebody may have edited it."""
        from agent.store.profiles import open_profile, profile_names

        name = self.book.bench.machine
        if name in profile_names():
            try:
                self._file(open_profile(name).profile)
            except AgentError as error:
                self.book.trouble = f"the profile of {name} cannot be read: {error.what}"

    def joined(self) -> Attached:
        """The link and its family.  Raises Refused where nothing is attached."""
        if self._attached is None:
            raise Refused("no machine is attached", remedy=NOT_ATTACHED)
        return self._attached

    def attach(self, transport: Transport, *, serial: str = "") -> Readback:
        """Find the family by read-only evidence, ask the heaters, read the settings twice.

        The bench of this machine is taken up: of the one that `use` named, else of the one whose
        controller names itself so.  Raises LinkFailed if nobody answers in words, Refused if the
        family is not known.
        """
        return self._attach(transport, self._chosen, serial)

    def attach_again(self, transport: Transport) -> Readback:
        """After a power cycle or a lost cable.  Raises Refused if another controller answers."""
        known = self.book.bench
        return self._attach(transport, known.machine, known.serial, same=known)

    def _attach(
        self, transport: Transport, machine: str, serial: str, same: Bench | None = None
    ) -> Readback:
        from agent.families import identify, read_back_once_up
        from agent.families.gate import Gate
        from agent.wire.link import Link

        link = Link(transport)
        link.on_traffic = self.book.traffic
        try:
            family, identity = identify(link)
            if family is None:
                raise Refused(
                    f"plumbelt does not know the words in which {transport.name} answers"
                    + (f" ({identity})" if identity else ""),
                    remedy="Its settings were not touched",
                )
            link.gate = Gate(family)
            heats = heats_now(link)
            readback = read_back_once_up(link, family)
            known = same.readback if same is not None else None
            if same is not None and known is not None and not same_controller(known, readback):
                raise Refused(
                    f"another controller answers: {identity or family.name} instead of"
                    f" {same.identity or same.family}",
                    remedy="'attach' begins anew with it",
                )
        except BaseException:
            link.close()
            self.book.release()
            raise
        self._attached = Attached(link, family)
        self._take_up(machine, self._attached, transport.name, serial)
        self.book.append("heat", heats_plain(heats))
        # a rehearsal has the profile that it was begun with
        if isinstance(self.book, RecordBook) and same is None and not self._chosen:
            self._file_named()
        self.book.append("readback", readback_plain(readback))
        return readback

    def _take_up(self, machine: str, attached: Attached, port: str, serial: str) -> None:
        family, identity = attached.family.name, attached.link.identity
        self.book.take_up(machine, port=port, family=family, identity=identity, serial=serial)
        self.book.append(
            "attached", {"port": port, "family": family, "identity": identity, "serial": serial}
        )

    def detach(self) -> None:
        """Let go of the port; what is known stays."""
        if self._attached is not None:
            self.let_go()
            self.book.append("detached", {})
        self.book.release()

    def let_go(self) -> None:
        """Close the port for a power cycle; `attach_again` takes it up."""
        attached, self._attached = self._attached, None
        if attached is not None:
            attached.link.close()

    @property
    def gone(self) -> bool:
        """True if the port itself has gone: a cable pulled, a board without power."""
        if self._attached is None:
            return False
        try:
            # in doubt, what is still on its way answers nothing
            self._attached.link.transport.read(0.0)
        except LinkFailed:
            return True
        return False

    def lose(self, port: str) -> None:
        """Not even a reading came back from `port`: only attaching again helps."""
        if self.book.bench.lost != port:
            self.book.append("lost", {"port": port})

    def read_back(self) -> Readback:
        """Read all settings twice, and the heaters where they may be on.

        A clean reading also ends a doubt about the last line.
        """
        from agent.families import read_back_once_up
        from agent.wire.exchange import State

        link, family = self.joined()
        if link.state is State.DOUBT:
            link.settle()  # an answer that is still on its way is none to the questions now asked
        readback = read_back_once_up(link, family)
        if not readback.damaged and link.state is State.DOUBT:
            link.resync()
        self.book.append("readback", readback_plain(readback))
        if self.book.bench.hot:
            self.ask_heaters()
        return readback

    def ask_heaters(self) -> Heats:
        """Ask for the heaters' targets.  Raises LinkFailed, Refused where nothing is attached."""
        heats = heats_now(self.joined().link)
        self.book.append("heat", heats_plain(heats))
        return heats

    def send_lines(self, lines: Sequence[str], *, seconds: float = 0.0) -> None:
        """Send lines one by one, each waited for; `seconds`: how long their moves take.

        Raises Refused at the first that is refused, LinkFailed.
        """
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
        link.transport.write(family.stop.data)
        word = family.stop.word
        self.book.traffic(link.transport.now(), ">", word)
        self.book.append("halted", {"word": word})
        return word
