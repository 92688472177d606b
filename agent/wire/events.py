"""What the controller said or did, as the exchange understands it: one frozen class each.

Every line that was sent ends once: in an `Acknowledged`, in a `Rejected`, or named under `lost`
of a `Restarted`, `Halted`, `Silent` or `HopelessResend`.  Texts have no line end and no control
characters, so that they may be shown on a terminal.
"""

from __future__ import annotations

from dataclasses import dataclass


class Event:
    """Base of all events of the exchange."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Received(Event):
    """A line of data: part of the reply to the line in flight, or chatter if there is none."""

    text: str


@dataclass(slots=True)  # not frozen: the one that is made for each line of a piece
class Acknowledged(Event):
    """A line was taken.  That it had the wanted effect, only reading back can tell."""

    line: str
    number: int | None = None
    data: str = ""  #: what stood on the same line behind the acknowledgement
    free: tuple[int, int] | None = None  #: free planner slots, free command slots, if told
    suspect: bool = False  #: no clear acknowledgement: glued to other text, or only silence


@dataclass(frozen=True, slots=True)
class Rejected(Event):
    """A line was answered by an error in place of the acknowledgement."""

    line: str
    reason: str


@dataclass(frozen=True, slots=True)
class Stray(Event):
    """An answer that belongs to no line of ours: late, doubled, or meant for somebody else."""

    text: str


@dataclass(frozen=True, slots=True)
class Complaint(Event):
    """The controller found a line number or checksum wrong; its request to resend follows."""

    text: str


@dataclass(frozen=True, slots=True)
class ResendAsked(Event):
    """The controller wants line `number` again; it did not execute it."""

    number: int


@dataclass(frozen=True, slots=True)
class Resent(Event):
    """Everything from line `number` on goes out again: write `data` to the port now."""

    number: int
    data: bytes


@dataclass(frozen=True, slots=True)
class HopelessResend(Event):
    """The controller keeps asking for a line that cannot be given to its liking."""

    number: int
    lost: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Busy(Event):
    """Still at work on the line in flight; the wait for its answer starts anew."""

    reason: str


@dataclass(frozen=True, slots=True)
class Idle(Event):
    """The controller has nothing left to do; no acknowledgement."""


@dataclass(frozen=True, slots=True)
class Unsolicited(Event):
    """A report nobody asked for: temperatures, position, state, notices for other hosts."""

    text: str


@dataclass(frozen=True, slots=True)
class Echoed(Event):
    """Our own line came back; it says nothing about what the controller holds."""

    text: str


@dataclass(frozen=True, slots=True)
class ForeignCommand(Event):
    """The controller took a command from somebody else."""

    text: str


@dataclass(frozen=True, slots=True)
class Restarted(Event):
    """The controller booted while we were talking to it; unsaved values are gone."""

    cause: str
    lost: tuple[str, ...]  #: lines in flight, whose effect is unknown


@dataclass(frozen=True, slots=True)
class Halted(Event):
    """The controller has stopped itself and takes no more work until it is reset or unlocked."""

    reason: str
    lost: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Silent(Event):
    """No answer in time: whether the lines took effect is unknown."""

    lost: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Junk(Event):
    """Bytes that are no text: a wrong speed, a broken cable, or a line without end."""

    size: int
