"""What was written is stored, and the proof that storage gives it back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

from agent.bench.book import BookJournal
from agent.bench.value import BY_WORD
from agent.errors import LinkFailed, Refused
from agent.model.roles import Role
from agent.work.changes import Changes
from agent.work.motion import Moves

if TYPE_CHECKING:
    from agent.change.outcome import Outcome, Stage
    from agent.change.plan import Plan
    from agent.change.storing import Look, Others

#: A board that boots may be silent for so long before its first word, s (common practice).
BOOT_QUIET: Final = 2.5


class Storage:
    """What the controller keeps without power."""

    def __init__(self, changes: Changes, moves: Moves) -> None:
        self.book, self.contact = changes.book, changes.contact
        self.changes, self.moves = changes, moves

    def to_keep(self) -> Plan:
        """What was written and is to be stored; empty where all that is live came otherwise."""
        from agent.change.plan import Plan

        bench = self.book.bench
        if bench.done is not None:
            return bench.done
        return Plan(bench.profile.name, self.contact.family_known().name, (), (), "")

    def look(self) -> Look:
        """What storing now would make permanent."""
        from agent.change.storing import look

        link, family = self.contact.joined()
        self.changes.refuse_broken()
        exactly, journal = self.book.bench.exactly, BookJournal(self.book)
        return look(link, family, self.to_keep(), journal=journal, exactly=exactly)

    def look_at_all(self) -> Look:
        """Everything that is live and not stored, whether written here or not."""
        from agent.change.compare import compare_live_with_stored

        link, family = self.contact.joined()
        self.changes.refuse_broken()
        bench, journal = self.book.bench, BookJournal(self.book)
        return compare_live_with_stored(
            link, family, bench.profile.name, journal=journal, exactly=bench.exactly
        )

    def store(self, looked: Look, approved: str, others: Others | None = None) -> Outcome:
        """Store what is live, reload it and compare."""
        from agent.change.storing import store

        link, family = self.contact.joined()
        last = self.book.bench.last
        if last is not None and approved == last.digest and not looked.others:
            approved = looked.digest  # what was approved is live, with what came before it
        outcome = store(
            link,
            family,
            self.to_keep(),
            looked,
            approved,
            journal=BookJournal(self.book),
            others=others,
            exactly=self.book.bench.exactly,
        )
        self.book.append("outcome", outcome.to_plain())
        self.contact.read_back()
        return outcome

    def prove(self, stage: Stage, evidence: str) -> Outcome:
        """Read back after `stage` and compare with what was written.

        evidence: what the link saw of the stage, or that it is only said.
        """
        from agent.change.storing import prove

        link, family = self.contact.joined()
        done = self.book.bench.done
        if done is None:
            raise Refused(
                "nothing was written that is still to be proved", remedy="'write' comes first"
            )
        journal = BookJournal(self.book)
        outcome = prove(link, family, done, stage, journal=journal, evidence=evidence)
        self.book.append("proof", {**outcome.to_plain(), "evidence": evidence})
        self.contact.read_back()
        return outcome

    def saw_power_cycle(self, mark: int, stood: Mapping[Role, float]) -> str:
        """What the link saw of a power cycle, on the port that was open meanwhile; or BY_WORD.

        mark: number of events heard before it;  stood: where the axes stood before it.
        """
        from agent.wire.exchange import State

        link, _ = self.contact.joined()
        broke, now = "", dict[Role, float]()
        try:
            link.settle(quiet=BOOT_QUIET)
            if link.state is State.DOUBT:  # no line of ours is lost here: a boot text came
                broke = "the controller was interrupted"
            else:
                now = self.moves.places()
        except LinkFailed as failure:
            broke = failure.what
        heard = link.events[mark:]
        if any(event.kind == "restarted" for event in heard):
            return "seen on the link: the controller restarted"
        if any(event.kind == "resend" and event.detail["line"] <= 1 for event in heard):
            return "seen on the link: the controller counts its lines from the beginning again"
        if any(stood.values()) and now and not any(now.values()):
            return "seen on the link: the positions of the axes were lost"
        if broke:
            return f"seen on the link: {broke}"
        return BY_WORD

    def lines_are_in_its_file(self, lines: Sequence[str]) -> None:
        """The lines of what was written were put into the controller's own file."""
        self.book.append("lines", {"lines": list(lines)})
