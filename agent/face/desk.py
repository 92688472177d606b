"""What every command finds at hand: the screen, the session, and in a rehearsal the bench."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from agent.errors import AgentError
from agent.face.screen import Screen
from agent.model import UNNAMED
from agent.work.sleep import Sleep

if TYPE_CHECKING:
    from prompt_toolkit.formatted_text import FormattedText

    from agent.bench.value import Bench
    from agent.face.shop.holding import Presence
    from agent.model.profile import Lines
    from agent.rehearsal import Rehearsal
    from agent.wire.identity import Opening, PortInfo
    from agent.wire.port import Address
    from agent.wire.transport import Transport
    from agent.work.session import Session

#: What the foot says of one thing: its words, and shorter ones where there are any.
Part = tuple[str, ...]


@dataclass
class Desk:
    """The place a command works at; one for a one-shot command, one for a whole shell."""

    screen: Screen = field(default_factory=Screen)
    rehearsal: Rehearsal | None = None  #: the simulated machine, if there is one
    in_shell: bool = False
    offered: str = ""  #: line that Enter on an empty line carries out
    #: One-shot: the verb that was carried out and what it was given; the line that comes next.
    carried_out: tuple[str, Mapping[str, Any]] = ("", {})
    onward: str = ""
    #: What the foot shows instead of the link while readings are taken, in long and short words:
    #: how near it is to enough.
    foot: Callable[[], tuple[str, str]] | None = None
    #: The report that was written last, and of which state of the bench.
    reported: tuple[str, Bench] | None = None
    cautioned: bool = False  #: the cautions were read and acknowledged in this session
    how: Opening | None = None  #: how this command wants its port opened, where it says so
    opening: Address | None = None  #: of the port that was opened last, answered or not
    _presence: Presence | None = None  #: the workshop's word of it that a machine is in our hands
    sleep: Sleep = field(default_factory=Sleep)
    _session: Session | None = None
    _address: Address | None = None  #: of the port at which a controller answered last

    @property
    def session(self) -> Session:
        """The session, begun when it is first needed: most one-shot commands need none."""
        if self._session is None:
            from agent.bench.book import RecordBook
            from agent.work.session import Session

            self._session = Session(book=RecordBook())
            self.screen.on_halt = self._halted_by_word
        return self._session

    @session.setter
    def session(self, session: Session) -> None:
        self._session = session
        self.screen.on_halt = self._halted_by_word

    def _halted_by_word(self) -> bool:
        """'halt' was typed in answer to a question; False where nothing is attached."""
        if self._session is None or self._session.contact.link is None:
            return False
        self._session.contact.halt()
        return True

    def use_profile(self, name: str | None) -> None:
        """From now on the machine is the one of this profile; None: it stays."""
        if name is not None:
            from agent.store.profiles import load_profile

            self.session.contact.use(load_profile(name))

    @property
    def lost(self) -> str:
        """Port on which not even a reading came back; empty where that is not so."""
        return "" if self._session is None else self._session.bench.lost

    @property
    def last_port(self) -> str:
        """The port that this machine was on last; empty without one."""
        opened = "" if self._address is None else self._address.url
        return opened or self.session.bench.port

    def rehearses(self, port: str) -> bool:
        """True for the port of the simulated machine."""
        return self.rehearsal is not None and port == self.rehearsal.address

    def open(self, port: str, how: Opening | None = None) -> Transport:
        """Take `port` for this session alone and open it; a rehearsal's by its own door.

        `opened` says that a controller answered there.  Raises LinkFailed.
        """
        if self.rehearsal is not None and self.rehearses(port):
            return self.rehearsal.open()
        from agent.wire.port import Address

        self.session.contact.detach()
        try:
            return self._open(self._wanted(Address.of(port), how), how)
        except BaseException:
            self.session.book.release()
            raise

    def open_again(self, port: str, how: Opening | None = None) -> Transport:
        """Open the port of this session once more, after `Contact.let_go`, wherever it is now.

        Raises LinkFailed.
        """
        if self.rehearsal is not None and self.rehearses(port):
            return self.rehearsal.open()
        import time

        from agent.wire.port import REOPENING, Address

        known = self._address
        until = time.monotonic() + REOPENING
        if known is not None and known.means(port):
            address = _as_wished(known.found_again(until, self._is_it), how)
        else:
            address = self._wanted(Address.awaited(port, until, like=known), how)
        return self._open(address, how, until)

    def _open(self, address: Address, how: Opening | None, until: float = 0.0) -> Transport:
        """Take the port and open it; sets `opening` to how that was done."""
        self.session.book.hold(address.url)
        transport = address.open(until)
        if how is not None and how.find_speed:
            from agent.wire.speed import find_speed

            try:
                address = replace(address, baud=find_speed(transport))
            except BaseException:
                transport.close()
                raise
            self.screen.say(f"The controller answers at {address.baud} bits a second.")
        self.opening = address
        return transport

    def _wanted(self, address: Address, how: Opening | None) -> Address:
        """How a port is to be opened: as is remembered, as the profile says, as was typed."""
        from agent.store.habits import habit
        from agent.wire.identity import Opening

        remembered = habit(address.key).get("lines")
        if remembered in ("down", "up", "keep"):
            address = replace(address, lines=remembered)
        told = self.session.profile.link
        return _as_wished(address.using(Opening(told.baud, told.lines)), how)

    def _is_it(self, port: PortInfo) -> bool:
        return self.screen.agrees(
            f"{port.device} ({port.description}) is the one new port, but nothing tells whether it"
            " is the same machine. Is it?"
        )

    def opened(self) -> None:
        """A controller answered at the port that was just opened: '--again' means this one."""
        self._address = self.opening or self._address

    def remember_lines(self, lines: Lines) -> None:
        """From now on the port that was just opened is opened with its modem lines so."""
        from agent.errors import Refused
        from agent.store.habits import remember

        if self.opening is None:
            return
        try:
            remember(self.opening.key, lines=lines)
        except Refused as refusal:
            self.screen.say(f"! That cannot be remembered: {refusal}")

    @property
    def machine(self) -> str:
        """Name of the machine; for the prompt, so without bringing a session in for it."""
        return UNNAMED if self._session is None else self._session.profile.name

    def status(self, width: int = 80) -> str:
        """One line for the foot of the shell, danger first: shorter words before lost words."""
        session, dangers = self._session, self._dangers()
        if self.foot is not None and any(told := self.foot()):
            return fitted([*dangers, told], width, keep=len(dangers))
        if session is None or session.contact.link is None or session.contact.family is None:
            quiet = [(self.machine,), ("not attached",), ("heaters unknown",)]
            return fitted([*dangers, *quiet], width, keep=len(dangers))
        bench, port = session.bench, session.contact.link.transport.name
        parts = [*dangers, (bench.profile.name, bench.profile.name[:12]), (port, port[-14:])]
        parts += [(session.contact.family.name,), (self._link_state(session),)]
        if bench.plan is not None and not bench.plan.empty:
            parts.append((f"plan {bench.plan.digest} waits", f"plan {bench.plan.digest}"))
        if bench.heater_state in ("off", "not reported"):
            parts.append((f"heaters {bench.heater_state}", f"heat {bench.heater_state}"))
        return fitted(parts, width, keep=len(dangers))

    def foot_bar(self, width: int) -> FormattedText:
        """The same as a bar: (style, text); each danger stands out, and none is cut."""
        from prompt_toolkit.formatted_text import FormattedText

        dangers = {word for part in self._dangers() for word in part}
        pieces = FormattedText()
        used = 0
        for number, word in enumerate(self.status(width).split(" | ")):
            between = "" if number == 0 else "\n" if used + 3 + len(word) > width else " | "
            used = len(word) if between == "\n" else used + len(between) + len(word)
            pieces.append(("class:bottom-toolbar", between))
            style = "class:danger" if word in dangers else "class:bottom-toolbar"
            pieces.append((style, word))
        pieces.append(("class:bottom-toolbar", " " * max(width - used, 0)))
        return pieces

    def _dangers(self) -> list[Part]:
        """What the technician must not overlook, the worst first; long and short words."""
        session = self._session
        if session is None:
            return []
        bench = session.bench
        heaters = "" if session.contact.link is None else bench.heater_state
        dangers: tuple[tuple[object, Part], ...] = (
            (bench.heat_danger, ("HEATER DOES NOT OBEY", "HEATER BAD")),
            (heaters == "on", ("HEATERS ON", "HOT")),
            (heaters == "unknown", ("HEATERS UNKNOWN", "HEAT ?")),
            (bench.stored_otherwise, ("STORED OTHERWISE", "STORED BAD")),
            (bench.broken, ("BROKEN OFF", "BROKEN")),
            (bench.fallen, ("WRITTEN VALUES LOST", "NOT LIVE")),
            (bench.unstored, ("NOT STORED", "UNSTORED")),
            (bench.readback and bench.readback.damaged, ("reading DAMAGED", "DAMAGED")),
        )
        return [words for there, words in dangers if there]

    def _link_state(self, session: Session) -> str:
        assert session.contact.link is not None
        if self.lost:
            return "LOST"
        return "halted" if session.bench.halted else session.contact.link.state.value

    def note_lost(self) -> None:
        """After a failure of the link: if the port itself has gone, only attaching helps."""
        session = self._session
        if session is not None and session.contact.link is not None and session.contact.gone:
            session.contact.lose(session.contact.link.transport.name)

    def note_refused(self, line: str, why: str) -> None:
        """A step was refused: the guide will not offer it again while nothing has changed."""
        session = self._session
        if session is not None and session.bench.machine:
            session.refuse(line, why)

    def wake(self) -> None:
        """After this computer slept: link and heaters are asked before anything else is done."""
        slept, session = self.sleep.seconds(), self._session
        if not slept or session is None or session.contact.link is None:
            return
        self.screen.complain(
            f"! This computer slept for {slept / 60:.0f} min. What the machine did meanwhile,"
            " nobody here has seen."
        )
        try:
            session.contact.ask_heaters()
        except AgentError as failure:
            session.heaters.note("unknown", "this computer slept, and the link is silent since")
            self.note_lost()
            self.screen.complain(f"! {failure}")
        self.screen.complain(f"! {self.heat_words()}")

    def heat_words(self) -> str:
        """What is known of the heaters, as a sentence."""
        session = self._session
        if session is None or session.contact.link is None:
            return "Nobody knows of the heaters: no machine is attached."
        return heater_sentence(session.bench)

    def standing(self) -> str:
        """After an interrupt: what is known of the machine, in a sentence or two."""
        session = self._session
        if session is None or session.contact.link is None:
            return "No machine is attached."
        state = self._link_state(session)
        words = {
            "ready": "Nothing is on its way to the machine.",
            "waiting": "A line is on its way to the machine.",
            "doubt": "Whether the last line took effect is not known: 'readback' tells.",
            "halted": "The controller has halted: 'attach' again once it was reset.",
            "LOST": "The link is lost: 'attach PORT --again' goes on.",
        }
        return f"{words[state]} {self.heat_words()}"

    def end_safely(self) -> None:
        """The process is asked to end: heaters off first, then the link; never raises."""
        session = self._session
        if session is None:
            return
        session.heaters.leave_cold()
        bench = session.book.bench
        with suppress(OSError):  # the terminal may be what went
            if bench.session and bench.session == session.book.session:  # it was attached here
                self.screen.complain(f"\nEnded. {heater_sentence(bench)}")
        with suppress(AgentError, OSError):
            session.close()

    @property
    def may_ask(self) -> bool:
        """True where somebody sits: in the shell, or a one-shot command at a terminal."""
        return self.in_shell or (sys.stdin.isatty() and not self.screen.json)

    def close(self) -> None:
        """Let go of port, record and rehearsal."""
        if self._session is not None:
            self._session.close()
        self.leave()
        if self.rehearsal is not None:
            self.rehearsal.close()

    def at_machine(self) -> str:
        """Have the workshop know that the machine is in our hands; who else has it, if anybody."""
        if self.rehearsal is not None:
            return ""
        if self._presence is None:
            from agent.face.shop.holding import Presence

            self._presence = Presence()
        return self._presence.take(self.session.bench.machine, self.screen.say)

    def tell_news(self) -> None:
        """Tell what the workshop has said meanwhile of who else is at the machine."""
        for words in self._presence.news() if self._presence is not None else ():
            self.screen.say(f"! {words}.")

    def leave(self) -> None:
        """Have the workshop know that no machine is in our hands any more."""
        if self._presence is not None:
            self._presence.close()


def heater_sentence(bench: Bench) -> str:
    """What a bench knows of the heaters, as a sentence."""
    if bench.heater_state == "on":
        told = f" ({bench.heats})" if str(bench.heats) else ""
        return f"THE HEATERS ARE ON{told}: 'cool' switches them off."
    return {
        "off": "The heaters are off, as the controller reported.",
        "unknown": "Nobody knows whether the heaters are on: 'cool', or the power switch.",
        "not reported": "The controller reports no heaters.",
    }[bench.heater_state]


def fitted(parts: Sequence[Part], width: int, keep: int = 1) -> str:
    """Parts in one line; where it is too long, short words from the end, then the last ones go.

    keep: so many of the first parts never go, however long the line is
    """
    chosen = [part[0] for part in parts]
    for place in range(len(parts) - 1, -1, -1):
        if len(" | ".join(chosen)) <= width:
            break
        chosen[place] = parts[place][-1]
    while len(chosen) > max(keep, 1) and len(" | ".join(chosen)) > width:
        chosen.pop()
    return " | ".join(chosen)


def _as_wished(address: Address, how: Opening | None) -> Address:
    """`address`, opened as a command wants it where it says so."""
    return address if how is None else address.using(how)
