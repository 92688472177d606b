"""Section of a laid bead and the filament it takes.

A bead pressed between nozzle and belt is a rectangle with half-round sides,

    A = (w - h) h + pi (h/2)^2                       (plane geometry)

and a length L of it takes E = A L / (pi d^2 / 4) of filament of diameter d.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from agent.model.profile import Bead


def bead_area(width: float, height: float) -> float:
    """Section of a bead, mm2; `width` and `height` in mm, height <= width.

    Raises ValueError for sizes that are not positive or a bead higher than wide.
    """
    if not (0 < height <= width < math.inf):
        raise ValueError(f"a bead is at least as wide as high, not {width!r} by {height!r} mm")
    return (width - height) * height + math.pi * (height / 2) ** 2


def filament_area(diameter: float) -> float:
    """Section of the filament, mm2. Raises ValueError unless `diameter` (mm) is positive."""
    if not 0 < diameter < math.inf:
        raise ValueError(f"filament diameter must be positive, not {diameter!r}")
    return math.pi * diameter**2 / 4


def filament_length(length: float, width: float, height: float, diameter: float) -> float:
    """Filament for `length` mm of bead, mm."""
    return length * bead_area(width, height) / filament_area(diameter)


def bead_pitch(bead: Bead) -> float:
    """Distance of neighbouring beads that just fill the layer, mm: section / height."""
    return bead_area(bead.width_mm, bead.height_mm) / bead.height_mm


@dataclass(frozen=True, slots=True)
class Flow:
    """How much too wide beads come out, and what that is as flow."""

    planned_mm: float
    growth_mm: float
    u_mm: float
    factor: float  #: section laid / section planned
    u_factor: float

    @property
    def told(self) -> bool:
        """True where the growth is told from zero."""
        return abs(self.growth_mm) > 2 * self.u_mm


def flow(bead: Bead, growth_mm: float, u_mm: float) -> Flow:
    """Flow from how much wider than planned beads are, with its standard uncertainty.

    An outside reading grows by one bead's excess width: half on each side.  Flow goes as the
    bead's section (`bead_area`), so its uncertainty is h / A that of the width.
    """
    planned = bead_area(bead.width_mm, bead.height_mm)
    real = bead_area(max(bead.width_mm + growth_mm, bead.height_mm), bead.height_mm)
    slope = bead.height_mm / planned
    return Flow(bead.width_mm, growth_mm, u_mm, real / planned, slope * u_mm)
