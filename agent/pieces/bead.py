"""Section of a laid bead and the filament it takes.

A bead pressed between nozzle and belt is a rectangle with half-round sides,

    A = (w - h) h + pi (h/2)^2                       (plane geometry)

and a length L of it takes E = A L / (pi d^2 / 4) of filament of diameter d.
"""

from __future__ import annotations

import math

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
