"""What every command finds at hand: the screen, the session, and in a rehearsal the bench."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Concatenate, Final, ParamSpec

import click

from agent.face.screen import Screen
from agent.wire.identity import Opening

if TYPE_CHECKING:
    from agent.model.profile import Lines, Profile
    from agent.rehearsal import Rehearsal
    from agent.wire.identity import PortInfo
    from agent.wire.port import Address
    from agent.wire.transport import Transport
    from agent.work.session import Session

P = ParamSpec("P")

#: Name of a machine that no profile has named.
UNNAMED: Final = "unnamed"


@dataclass
class Desk:
    """The place a command works at; one for a one-shot command, one for a whole shell."""

    screen: Screen = field(default_factory=Screen)
    rehearsal: Rehearsal | None = None  #: the simulated machine, if there is one
    in_shell: bool = False
    offered: str = ""  #: line that Enter on an empty line carries out
    lost: str = ""  #: port on which not even a reading came back
    cautioned: bool = False  #: the cautions were read and acknowledged in this session
    how: Opening = field(default_factory=Opening)  #: how this command wants its port opened
    opening: Address | None = None  #: of the port that was opened last, answered or not
    _session: Session | None = None
    _address: Address | None = None  #: of the port at which a controller answered last

    @property
    def session(self) -> Session:
        """The session, begun when it is first needed: most one-shot commands need none."""
        if self._session is None:
            from agent.work.notebook import DiskNotebook
            from agent.work.session import Session

            self._session = Session(notebook=DiskNotebook())
        return self._session

    @session.setter
    def session(self, session: Session) -> None:
        self._session = session

    @property
    def last_port(self) -> str:
        """The port of this session that was opened last; empty without one."""
        return self.lost or ("" if self._address is None else self._address.url)

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

        self.session.detach()
        try:
            return self._open(self._wanted(Address.of(port), how), how)
        except BaseException:
            self.session.notebook.close()
            raise

    def open_again(self, port: str, how: Opening | None = None) -> Transport:
        """Open the port of this session once more, after `Session.let_go`, wherever it is now.

        Raises LinkFailed.
        """
        if self.rehearsal is not None and self.rehearses(port):
            return self.rehearsal.open()
        import time

        from agent.wire.port import REOPENING, Address

        known = self._address
        until = time.monotonic() + REOPENING
        if known is not None and known.means(port):
            address = known.found_again(until, self._is_it).using(how or Opening())
        else:
            address = self._wanted(Address.awaited(port, until, like=known), how)
        return self._open(address, how, until)

    def _open(self, address: Address, how: Opening | None, until: float = 0.0) -> Transport:
        """Take the port and open it; sets `opening` to how that was done."""
        self.session.notebook.hold(address.url)
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

        remembered = habit(address.key).get("lines")
        if remembered in ("down", "up", "keep"):
            address = replace(address, lines=remembered)
        return address.using(_said_by(self.session.profile)).using(how or Opening())

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

    def status(self) -> str:
        """One line for the foot of the shell: machine, link, plan, heaters."""
        session = self._session
        if session is None:
            return f"{self.machine} | not attached | heaters off"
        parts = [session.profile.name]
        if session.link is None or session.family is None:
            parts.append("not attached")
        else:
            parts += [session.link.transport.name, session.family.name, self._link_state(session)]
        if session.readback is not None and session.readback.damaged:
            parts.append("reading DAMAGED")
        if session.plan is not None and not session.plan.empty:
            parts.append(f"plan {session.plan.digest} waits")
        if session.unstored:
            parts.append("written, NOT STORED")
        parts.append("HEATERS MAY BE ON" if session.hot else "heaters off")
        return " | ".join(parts)

    def _link_state(self, session: Session) -> str:
        assert session.link is not None
        if self.lost:
            return "LOST"
        return "halted" if session.halted else session.link.state.value

    def note_lost(self) -> None:
        """After a failure of the link: if the port itself has gone, only attaching helps."""
        session = self._session
        if session is not None and session.link is not None and session.gone:
            self.lost = session.link.transport.name

    def standing(self) -> str:
        """After an interrupt: what is known of the machine, in a sentence or two."""
        session = self._session
        if session is None or session.link is None:
            return "No machine is attached."
        state = self._link_state(session)
        words = {
            "ready": "Nothing is on its way to the machine.",
            "waiting": "A line is on its way to the machine.",
            "doubt": "Whether the last line took effect is not known: 'readback' tells.",
            "halted": "The controller has halted: 'attach' again once it was reset.",
            "LOST": "The link is lost: 'attach PORT --again' goes on.",
        }
        heat = "The heaters may be on." if session.hot else "The heaters are off."
        return f"{words[state]} {heat}"

    @property
    def may_ask(self) -> bool:
        """True where somebody sits: in the shell, or a one-shot command at a terminal."""
        return self.in_shell or (sys.stdin.isatty() and not self.screen.json)

    def close(self) -> None:
        """Let go of port and rehearsal."""
        if self._session is not None:
            self._session.detach()
        if self.rehearsal is not None:
            self.rehearsal.close()


def _said_by(profile: Profile) -> Opening:
    """How a profile wants its machine's port opened."""
    return Opening(profile.link.baud, profile.link.lines)


def at_desk(function: Callable[Concatenate[Desk, P], None]) -> Callable[P, None]:
    """Pass the desk as the first argument of a command."""

    def command(*args: P.args, **kwargs: P.kwargs) -> None:
        context = click.get_current_context()
        function(context.find_object(Desk) or Desk(), *args, **kwargs)

    command.__doc__ = function.__doc__
    command.__name__ = getattr(function, "__name__", "command")
    return command


def keep_json(ctx: click.Context, _param: click.Parameter, wanted: Any) -> None:
    """Callback of `--json`: standard output is the program's for the time of this command."""
    desk = ctx.find_object(Desk)
    if wanted and desk is not None:
        desk.screen.json = True
