"""How long tests wait for other processes: a hang is cut off, a busy machine is not."""

from __future__ import annotations

from typing import Final

#: Seconds.
PATIENCE: Final = 500.0
