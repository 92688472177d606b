"""Finding the speed of a port: ask at each usual one until something sensible comes back."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Protocol

from agent.errors import LinkFailed
from agent.wire.exchange import State
from agent.wire.link import Link
from agent.wire.transport import Transport

#: Speeds in common use, the most usual first.
USUAL_BAUDS: Final = (115200, 250000, 57600, 230400, 9600, 19200, 38400, 500000, 1000000)

#: A question that changes nothing in any family, and that every family answers somehow.
_QUESTION: Final = "M115"

#: Seconds for an answer.  The second try is for what the first, or a wrong speed before it, left
#: in the controller's buffer, and for a board that was still booting.
_PATIENCE: Final = (1.0, 2.0)


class Tunable(Transport, Protocol):
    """A transport whose speed can be changed while it is open."""

    def set_baud(self, baud: int) -> None: ...


def find_speed(transport: Tunable, bauds: Iterable[int] = USUAL_BAUDS) -> int:
    """The first of `bauds` at which the controller answers; the transport stays at it.

    Sends nothing but a question that reads, and never reopens the port, so that the board is
    restarted once at most.  Raises LinkFailed if it answers at none.
    """
    tried = []
    for baud in bauds:
        transport.set_baud(baud)
        tried.append(str(baud))
        if any(_answers(Link(transport), patience) for patience in _PATIENCE):
            return baud
    raise LinkFailed(
        f"{transport.name} answers at none of the speeds {', '.join(tried)}",
        remedy="Check that the controller has power and that this is its port",
    )


def _answers(link: Link, patience: float) -> bool:
    """True if the controller takes a line as one of its own language."""
    link.settle(0.1, limit=4.0)
    try:
        link.ask(_QUESTION, timeout=patience, reads=True)
    except LinkFailed:
        return link.state is State.HALTED  # it speaks, if only of its own trouble
    return True
