"""Who else is at a machine: asked of the workshop at the attach, never in the way of the bench."""

from __future__ import annotations

import getpass
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from agent.errors import AgentError

if TYPE_CHECKING:
    from agent.workshop.server import Shared

#: How long an attach waits for the workshop's word, seconds; then it goes on without.
PATIENCE: Final = 1.5


class Presence:
    """This bench's word in the workshop that it is at a machine, for as long as it is open."""

    def __init__(self) -> None:
        self._shared: Shared | None = None
        self._machine = ""
        self._asked = 0  #: how often somebody has come or gone: a word that comes late is void
        self._lock = threading.Lock()

    def take(self, machine: str) -> str:
        """Be at `machine` from now on; what there is to tell of it, empty if nothing.

        Nothing happens where no workshop was joined.  Never raises: the bench works without.
        """
        from agent.workshop.settings import joined

        if machine == self._machine:
            return ""
        self.close()
        try:
            settings = joined()
        except AgentError as error:
            return f"who else is at {machine} is not known: {error.what}"
        if settings is None:
            return ""
        said: list[str] = []
        with self._lock:
            now = (settings.url, machine, self._asked, said)
        asking = threading.Thread(target=self._ask, args=now, daemon=True)
        asking.start()
        asking.join(PATIENCE)
        return said[0] if said else f"who else is at {machine} is not known: no word came in time"

    def _ask(self, url: str, machine: str, asked: int, said: list[str]) -> None:
        from agent.store.benches import bench_name
        from agent.workshop.server import Shared

        try:
            shared = Shared(url, bench=bench_name())
        except AgentError as error:
            said.append(f"who else is at {machine} is not known: {error.what}")
            return
        try:
            who = shared.hold(machine, f"{_person()} at {bench_name()}")
        except AgentError as error:
            shared.close()
            said.append(f"who else is at {machine} is not known: {error.what}")
            return
        with self._lock:
            late = asked != self._asked
            if not late:
                self._shared, self._machine = shared, machine
        if late:  # the bench has gone on to another machine, or away
            shared.close()
            return
        told = f"{machine} is in the hands of {who}: speak to them before anything is written"
        said.append(told if who else "")

    def close(self) -> None:
        """Be at no machine any more."""
        with self._lock:
            self._asked += 1
            shared, self._shared, self._machine = self._shared, None, ""
        if shared is not None:
            with suppress(AgentError):
                shared.close()


def _person() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such user on this computer
        return "somebody"
