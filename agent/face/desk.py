"""What every command finds at hand: the screen, the session, and in a rehearsal the bench."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Concatenate, Final, ParamSpec

import click

from agent.face.screen import Screen

if TYPE_CHECKING:
    from agent.rehearsal import Rehearsal
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
    _session: Session | None = None
    _address: Address | None = None  #: of the port that was opened last

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

    def open_again(self, port: str) -> Transport:
        """Open the port of this session once more, after `Session.let_go`.  Raises LinkFailed."""
        if self.rehearsal is not None and port == self.rehearsal.address:
            return self.rehearsal.open()
        from agent.wire.port import Address

        known = self._address
        return (known if known and known.url == port else Address.of(port)).open_again()

    def open(self, port: str, baud: int | None = 115200, *, reset: bool = False) -> Transport:
        """Take `port` for this session alone and open it; a rehearsal's by its own door.

        baud: bits a second; None: each usual speed is tried until the controller answers.
        Raises LinkFailed.
        """
        if self.rehearsal is not None and port == self.rehearsal.address:
            return self.rehearsal.open()
        from agent.wire.port import Address

        self.session.detach()
        self.session.notebook.hold(port)
        address = Address.of(port) if baud is None else Address.of(port, baud)
        try:
            transport = address.open(reset=reset)
            if baud is None:
                from agent.wire.speed import find_speed

                address = replace(address, baud=find_speed(transport))
                self.screen.say(f"The controller answers at {address.baud} bits a second.")
        except BaseException:
            self.session.notebook.close()
            raise
        self._address = address
        return transport

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
