"""How the lines of a piece are worded for a controller: its heaters, homing and plastic.

Pure.  A controller that was made to move axes and nothing else knows no heaters and no filament:
there nozzle and bed are held warm by controllers of their own, the plastic is pushed by one more
axis in absolute places, as all axes are (A of NIST RS274/NGC), and axes are set where they stand.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Wording:
    """What the lines of a piece may say."""

    plastic: str = "E"  #: letter of the axis that pushes the plastic
    relative: bool = True  #: that axis can count from where it stands while the others do not
    heats: bool = True  #: heaters and fan are told what to do; False: they are set by hand
    homes: bool = True  #: across and gantry are homed alone; False: they are set where they stand


#: Of most controllers.
USUAL_WORDING = Wording()
