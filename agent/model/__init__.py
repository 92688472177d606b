"""What a machine is: drives, angle, settings, features of pieces; values without I/O."""

from __future__ import annotations

from typing import Final

#: Name of a machine that no profile has named; here, as whoever only shows a name needs no profile.
UNNAMED: Final = "unnamed"
