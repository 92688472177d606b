"""What is known of the heaters, and how they are switched off."""

from __future__ import annotations

from contextlib import suppress

from agent.bench.events import heats_plain
from agent.errors import AgentError
from agent.model.heat import HOT, HeaterState, Heats, danger_of
from agent.work.asking import heaters_off, heats_now
from agent.work.contact import Contact
from agent.work.signals import unbroken


class Heaters:
    """The heaters of the machine on the link."""

    def __init__(self, contact: Contact) -> None:
        self.book, self.contact = contact.book, contact

    def note(self, state: HeaterState, why: str = "") -> None:
        """Note what is known of the heaters; `on` before the first line that heats is sent."""
        self.book.append("heat", {"state": state, "why": why})

    def cool(self) -> Heats | None:
        """Switch the heaters off and ask for their targets; None: the link did not carry it.

        Nothing comes between: a signal waits until it is done.
        """
        link, _ = self.contact.joined()
        with unbroken():
            heats = heaters_off(link)
            if heats is None:
                self.note("unknown", "the link did not carry the word that switches them off")
            else:
                self.book.append("heat", heats_plain(heats))
        return heats

    def watch_cooling(self) -> str:
        """Ask until a nozzle that was switched off has become cooler; what is wrong if it does not.

        Empty where it does, or is not hot.  Raises LinkFailed.
        """
        link, _ = self.contact.joined()
        began, first = link.transport.now(), self.book.bench.heats
        heats = first
        while heats.nozzle is not None and first.nozzle is not None and heats.nozzle.now > HOT:
            if heats.nozzle.now < first.nozzle.now - 1.0:
                return ""
            seconds = link.transport.now() - began
            if danger := danger_of(first, heats, seconds):
                self.book.append("heat", {**heats_plain(heats), "danger": danger})
                return danger
            link.settle(quiet=2.0, limit=2.0)
            heats = heats_now(link)
        return ""

    def leave_cold(self) -> None:
        """Before the process ends: heaters off if they are on or may be; never raises."""
        with suppress(AgentError):
            if self.contact.link is not None and self.book.bench.hot:
                self.cool()
