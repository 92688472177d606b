"""Whether this computer slept: the wall's clock goes on meanwhile, the system's own does not."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

#: Seconds by which the clocks must come apart; less is a clock that was set right.
LEAST: Final = 20.0


class Sleep:
    """Tells each sleep once.  Where the running system's clock goes on in sleep, it tells none."""

    def __init__(
        self,
        wall: Callable[[], float] = time.time,
        awake: Callable[[], float] = time.monotonic,
    ) -> None:
        self._wall, self._awake = wall, awake
        self._apart = wall() - awake()

    def seconds(self) -> float:
        """How long the computer slept since this was asked last, s; 0.0 if it did not."""
        apart = self._wall() - self._awake()
        slept, self._apart = apart - self._apart, apart
        return slept if slept >= LEAST else 0.0
