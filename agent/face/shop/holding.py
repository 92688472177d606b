"""Who else is at a machine: asked of the workshop at the attach, never in the way of the bench.

Whoever comes later is told at the next line of the shell, and so is a word that came late.
"""

from __future__ import annotations

import getpass
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from agent.errors import AgentError

if TYPE_CHECKING:
    from agent.workshop.server import Shared

#: How long an attach waits for the workshop's word, seconds; then it goes on without.
PATIENCE: Final = 1.5

#: A shorter wait needs no word, seconds.
SILENT: Final = 0.4


class Presence:
    """This bench's word in the workshop that it is at a machine, for as long as it is open."""

    def __init__(self) -> None:
        self._shared: Shared | None = None
        self._machine = ""
        self._asked = 0  #: how often somebody has come or gone: a word that comes late is void
        self._lock = threading.Lock()
        self._late: list[str] = []  #: where a word will stand that did not come in time

    def take(self, machine: str, say: Callable[[str], None] | None = None) -> str:
        """Be at `machine` from now on; what there is to tell of it, empty if nothing.

        say: is told that this waits, if it does.  Nothing happens where no workshop was joined.
        Never raises: the bench works without.
        """
        from agent.workshop.settings import joined

        if machine == self._machine:
            return ""
        self.close()
        try:
            settings = joined()
        except AgentError as error:
            return _unknown(machine, error.what)
        if settings is None:
            return ""
        said: list[str] = []
        with self._lock:
            now = (settings.url, machine, self._asked, said)
        asking = threading.Thread(target=self._ask, args=now, daemon=True)
        asking.start()
        asking.join(SILENT)
        if asking.is_alive() and say is not None:
            say(f"Asking the workshop who else is at {machine} ...")
        asking.join(PATIENCE - SILENT)
        with self._lock:
            if said:
                return said[0]
            self._late = said
        return _unknown(machine, "no word came in time; it is told when it comes")

    def _ask(self, url: str, machine: str, asked: int, said: list[str]) -> None:
        from agent.store.benches import bench_name
        from agent.workshop.server import Shared

        try:
            shared = Shared(url, bench=bench_name())
        except AgentError as error:
            said.append(_unknown(machine, error.what))
            return
        try:
            who = shared.hold(machine, f"{_person()} at {bench_name()}")
        except AgentError as error:
            shared.close()
            said.append(_unknown(machine, error.what))
            return
        told = f"{machine} is in the hands of {who}: {_SPEAK}" if who else ""
        with self._lock:
            late = asked != self._asked
            if not late:
                self._shared, self._machine = shared, machine
                said.append(told)
        if late:  # the bench has gone on to another machine, or away
            shared.close()

    def news(self) -> list[str]:
        """What there is to tell since it was asked last: who came, and words that came late."""
        with self._lock:
            shared, machine = self._shared, self._machine
            words = [
                word or f"nobody else is at {machine}, says the workshop" for word in self._late
            ]
            self._late.clear()
        if shared is None:
            return words
        try:
            came = shared.came(machine)
        except AgentError as error:
            self.close()  # whoever comes now is not told of us
            return [*words, _unknown(machine, f"{error.what}. 'attach' asks again")]
        return [*words, *(f"{who} has come to {machine}, too: {_SPEAK}" for who in came)]

    def close(self) -> None:
        """Be at no machine any more."""
        with self._lock:
            self._asked += 1
            shared, self._shared, self._machine = self._shared, None, ""
            self._late = []
        if shared is not None:
            with suppress(AgentError):
                shared.close()


_SPEAK: Final = "speak to them before anything is written"


def _unknown(machine: str, why: str) -> str:
    return f"who else is at {machine} is not known: {why}"


def _person() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such user on this computer
        return "somebody"
