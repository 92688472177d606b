"""Times of entries by the workshop's clock, whatever the clock of the bench said.

At each sync the bench's clock is compared with the server's.  A time that a bench noted is put
right by the comparison nearest to it on that bench's own clock.
"""

from __future__ import annotations

from bisect import bisect
from datetime import datetime, timedelta
from typing import Final

from agent.workshop.asking import Asked

#: A clock that is off by no more than this is taken at its word, seconds.
SLACK: Final = 60.0


class Clocks:
    """How far each bench's clock was ahead, by the time that it showed."""

    def __init__(self, asked: Asked) -> None:
        self._ahead: dict[str, list[tuple[str, float]]] = {}
        for bench, at, ahead in asked.ask("SELECT bench, at, ahead FROM clock ORDER BY bench, at"):
            self._ahead.setdefault(bench, []).append((at, float(ahead)))
        for bench, checks in list(self._ahead.items()):
            if all(abs(ahead) <= SLACK for _, ahead in checks):
                del self._ahead[bench]

    @property
    def off(self) -> list[str]:
        """Benches whose clock was off at some time."""
        return sorted(self._ahead)

    def ahead(self, bench: str, at: str) -> float:
        """Seconds that the clock of a bench was ahead when it showed `at`; 0 if it was right."""
        checks = self._ahead.get(bench)
        if not checks:
            return 0.0
        place = bisect(checks, (at,))
        near = checks[max(place - 1, 0) : place + 1]
        ahead = min(near, key=lambda check: _apart(check[0], at))[1]
        return ahead if abs(ahead) > SLACK else 0.0

    def right(self, bench: str, at: str) -> str:
        """The time that `at` was by the workshop's clock."""
        if bench not in self._ahead:  # nearly all of them
            return at
        ahead = self.ahead(bench, at)
        if not ahead:
            return at
        try:
            right = datetime.fromisoformat(at) - timedelta(seconds=ahead)
        except (ValueError, OverflowError):
            return at
        return right.isoformat(timespec="milliseconds")


def _apart(one: str, other: str) -> float:
    try:
        return abs((datetime.fromisoformat(one) - datetime.fromisoformat(other)).total_seconds())
    except (ValueError, TypeError):
        return float("inf")
