"""Lines in flight: which of them an answer ends, and which must go out again.

Controllers acknowledge in the order in which lines came, mostly without saying which, so the
lines in flight form a queue and each answer ends its oldest.

A controller that misses line n refuses n and everything behind it, asking for n each time,
mostly but not always with an acknowledgement behind each request.  So after the first request
nothing new is sent until the refused lines have been answered or the wire is quiet; then n and
everything behind it goes out again.  An acknowledgement right behind a request belongs to the
request.  Lines before n were taken, by the controller's own word, and only their
acknowledgements are still to come.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

#: A line is sent again at most this often on request.
MOST_RESENDS: Final = 3

#: Acknowledged lines kept for a controller that asks for one of them after all.
_REMEMBERED: Final = 16


@dataclass(slots=True, eq=False)
class Sent:
    """A line that was sent."""

    line: str
    number: int | None
    data: bytes
    timeout: float
    asked: int = 0  #: how often the controller has asked for it
    repeated: bool = False  #: was sent more than once
    ended: bool = False  #: was acknowledged; perhaps asked for again all the same

    def end(self) -> list[Sent]:
        """This line, if it had not ended before."""
        ended, self.ended = self.ended, True
        return [] if ended else [self]


class Flight:
    """The queue of lines without an answer, and those among them that are to be repeated."""

    def __init__(self) -> None:
        self.waiting: deque[Sent] = deque()
        self.again: list[Sent] = []  #: refused; to be sent again once the wire is quiet
        self._recent: deque[Sent] = deque(maxlen=_REMEMBERED)
        self._refusals: int  #: requests heard for `again`, from the first one on
        self._owed = False  #: an acknowledgement now would belong to the last request

    def __bool__(self) -> bool:
        return bool(self.waiting or self.again)

    @property
    def lines(self) -> tuple[str, ...]:
        """Lines that have not ended, oldest first."""
        return tuple(sent.line for sent in (*self.waiting, *self.again) if not sent.ended)

    def acknowledge(self, number: int | None) -> list[Sent] | None:
        """The lines that an acknowledgement ends; none if it belongs to a request to resend.

        number: the line it names, if it does; then acknowledgements of earlier lines were lost
        on the way.  None if it belongs to nothing: late, or doubled.
        """
        waiting = self.waiting
        if number is not None and any(sent.number == number for sent in waiting):
            ended = self._take()
            while self._recent[-1].number != number:
                ended += self._take()
            return ended
        if self._owed:
            self._owed = False
            return []
        if number is not None and waiting and (waiting[0].number or 0) > number:
            return None
        if waiting:
            return self._take()
        if self.again:  # asked for, and yet taken: the request was about a doubled line
            waiting.append(self.again.pop(0))
            self._refusals = 0
            return self._take()
        return None

    def _take(self) -> list[Sent]:
        """End the oldest line."""
        sent = self.waiting.popleft()
        if sent.number is not None:
            self._recent.append(sent)
        return sent.end()

    def take_all(self) -> list[Sent]:
        """End everything that waits: it was taken, by the controller's own word."""
        return [ended for _ in range(len(self.waiting)) for ended in self._take()]

    def refuse(self) -> list[Sent] | None:
        """The oldest line, answered by an error; None if nothing waits."""
        return self.waiting.popleft().end() if self.waiting else None

    def ask_for(self, number: int, next_number: int | None) -> list[Sent]:
        """The controller asks for line `number`; the lines that it has taken, as that shows.

        A repeated line before the one asked for was taken when it came first, and so, when
        silence about it made us repeat it, were the lines behind it: no more answers are to come.
        A number that was never given out shows nothing.
        """
        self._owed = True
        taken: list[Sent] = []
        known = next_number is not None and number <= next_number
        if known and self.waiting and self.waiting[0].repeated:
            while self.waiting and (self.waiting[0].number or 0) < number:
                taken += self._take()
        if self.again:
            self._refusals += 1
        elif number != next_number:
            self._refuse_from(number)
        return taken

    def _refuse_from(self, number: int) -> None:
        """Take the lines from `number` on out of the queue.

        A number that cannot be met means the oldest line that waits: it was not executed, and
        the count of requests ends a quarrel about numbers.
        """
        sent = [*self._recent, *self.waiting]
        first = next((i for i, s in enumerate(sent) if s.number == number), len(self._recent))
        self.again = sent[first:]
        kept = sent[:first]
        self._recent = deque((s for s in kept if s.ended), maxlen=_REMEMBERED)
        self.waiting = deque(s for s in kept if not s.ended)
        self._refusals = 1
        if self.again:
            self.again[0].asked += 1

    @property
    def is_hopeless(self) -> bool:
        """True if the controller was given a line often enough."""
        return bool(self.again) and self.again[0].asked > MOST_RESENDS

    @property
    def all_refused(self) -> bool:
        """True if every refused line has been asked for, so that no answers are to come."""
        refused = sum(not sent.ended for sent in self.again)
        return bool(self.again) and not (self.waiting or self._owed) and self._refusals >= refused

    def repeat(self) -> list[Sent]:
        """The refused lines go out again."""
        again, self.again = self.again, []
        for sent in again:
            sent.repeated = True
        self.waiting.extend(again)
        self._owed = False
        return again

    def lose(self) -> tuple[str, ...]:
        """Give up everything in flight; the lines whose effect is unknown."""
        lost = self.lines
        self.waiting.clear()
        self.again = []
        self._owed = False
        return lost
