"""Machines that the pieces are made for, built by hand, and how much plastic a piece is."""

import math
from collections.abc import Iterable

from agent.model.drive import Drive, Roller, Toothed
from agent.model.profile import Bead, Material, Mechanics, Profile
from agent.model.roles import Axes
from agent.pieces.solid import Prism

#: Gantry angles tried: the tilts in use and an upright machine.
ANGLES = (35.0, 45.0, 60.0, 90.0)


def machine(
    angle_deg: float = 45.0,
    *,
    across: float = 220.0,
    gantry: float = 200.0,
    axes: Axes | None = None,
    drives: bool = True,
) -> Profile:
    """An invented machine; its belt runs 91.106 mm a roller turn."""
    toothed = Drive(200, 16, 1, Toothed(20, 2))
    return Profile(
        name="bench",
        axes=axes or Axes(),
        mechanics=Mechanics(
            gantry_angle_deg=angle_deg,
            drives={
                "across": toothed,
                "gantry": toothed,
                "belt": Drive(200, 16, 3, Roller(28.0, 1.0)),
            }
            if drives
            else {},
            travel_mm={"across": across, "gantry": gantry, "belt": 5000.0},
        ),
        material=Material(filament_mm=1.75, nozzle_c=215, bed_c=60),
        bead=Bead(width_mm=0.5, height_mm=0.25),
    )


def volume(prisms: Iterable[Prism]) -> float:
    """Volume enclosed by prisms that touch but do not overlap, mm3; outlines by the shoelace."""
    return math.fsum(
        (prism.x[1] - prism.x[0]) * (a[0] * b[1] - b[0] * a[1]) / 2
        for prism in prisms
        for a, b in zip(prism.outline, prism.outline[1:] + prism.outline[:1], strict=True)
    )
