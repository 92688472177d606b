"""How long a piece has to cool before it can be read.

A thin wall loses its heat to still air with one time constant (lumped capacitance, any textbook of
heat transfer; the Biot number of these walls is far below 0.1):

    tau = rho c (V / A) / h,      excess(t) = excess(0) exp(-t / tau)

V / A is what stands behind a square millimetre of surface: the height of a single layer, which lies
on the belt and cools at its top; the walls of a hollow body, which cools outside only.
"""

from __future__ import annotations

import math
from typing import Final

from agent.model.profile import Profile
from agent.pieces.solid import SOLID, Piece

#: Density, kg/m3, and heat capacity, J/(kg K), of a printing plastic (PLA, from memory).
_DENSITY: Final = 1240.0
_CAPACITY: Final = 1800.0

#: Heat given to still air, convection and radiation together, W/(m2 K): common practice.
_FILM: Final = 10.0

#: Warmer than the room by less than this is cold: 0.01 % of length, K.
_COLD: Final = 1.0

#: Excess of a piece just laid on a belt that is not heated, K (common practice).
_LEAST_EXCESS: Final = 25.0

_ROOM: Final = 20.0


def cooling_minutes(piece: Piece, profile: Profile) -> float:
    """Minutes after which a piece just laid is within 1 K of the room."""
    bead = profile.bead
    walls = [prism.walls for prism in piece.prisms if prism.walls < SOLID and not prism.mark]
    thick = bead.height_mm if not piece.layer_angle else max(walls, default=2) * bead.width_mm
    tau = _DENSITY * _CAPACITY * thick / 1000 / _FILM
    bed = profile.material.bed_c
    excess = max(_LEAST_EXCESS, (0.0 if bed is None else bed) - _ROOM)
    return tau * math.log(excess / _COLD) / 60
