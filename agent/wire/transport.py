"""The one thing the link needs of a port: bytes both ways and a clock.

Real ports give it over pyserial, the rehearsal in memory with a clock of its own, so that an
hour of printing takes a second and every test of time is exact.
"""

from __future__ import annotations

from typing import Protocol


class Transport(Protocol):
    """A byte pipe with a clock.  All instants are seconds on that clock."""

    name: str  #: what the user would type to open it again

    def now(self) -> float:
        """Seconds since some fixed instant, never going back."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of `data`; raises LinkFailed if the port is gone or takes nothing."""
        ...

    def read(self, until: float) -> bytes:
        """Bytes that are there; waits for the first one until the instant `until` at most.

        Returns b"" if none came.  Raises LinkFailed if the port is gone.
        """
        ...

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        ...
