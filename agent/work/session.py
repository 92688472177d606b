"""What a technician works with: one machine on a link, from the first read-back to the proof.

No printing and no questions here.  A session is the book (all that is known, as events and the
bench that follows from them) and rooms, each for one kind of work: a room reads the bench, does one
thing at the machine and appends what came of it.  Everything that a later process would need is in
the book.
"""

from __future__ import annotations

from agent.bench.book import Book
from agent.bench.rounds import Round
from agent.bench.value import Bench
from agent.model.profile import Profile
from agent.work.changes import Changes
from agent.work.contact import Contact
from agent.work.heaters import Heaters
from agent.work.mending import Mending
from agent.work.motion import Moves
from agent.work.pieces import Pieces
from agent.work.readings import Readings
from agent.work.storage import Storage


class Session:
    """One machine: its book, and the rooms in which it is worked on."""

    def __init__(self, profile: Profile | None = None, *, book: Book | None = None) -> None:
        self.book = book or Book()
        self.contact = Contact(self.book)
        self.heaters = Heaters(self.contact)
        self.moves = Moves(self.contact)
        self.pieces = Pieces(self.contact, self.heaters, self.moves)
        self.readings = Readings(self.pieces)
        self.changes = Changes(self.contact, self.readings)
        self.storage = Storage(self.changes, self.moves)
        self.mending = Mending(self.changes)
        if profile is not None:
            self.contact.use(profile)

    @property
    def bench(self) -> Bench:
        """All that is known; without a machine on the link, of the one that was here last."""
        return self.book.bench

    @property
    def profile(self) -> Profile:
        """How the machine is built."""
        return self.bench.profile

    @property
    def now(self) -> Round:
        """The round of the machine's present state."""
        return self.bench.now

    def refuse(self, line: str, why: str) -> None:
        """A step was refused: it is not offered again while nothing else has changed."""
        self.book.append("refused", {"line": line, "why": why})

    def close(self) -> None:
        """Let go of port and record."""
        self.contact.detach()
        self.book.close()
