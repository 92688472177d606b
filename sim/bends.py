"""Where axes that are not straight, and a belt that is not even, really take the nozzle.

The beads are kept in the frame of the belt's surface, so what the belt does under the nozzle
shows as a shift of what is laid on it:

    along s    a [sin(2 pi w / L + p) - sin p]      thickness and seam of a belt of loop L
    along x    the same with another a and p: the belt walks sideways
    rail       c 4 (u / 160) (1 - u / 160)          bowed out of line, square to itself
    gantry     c (v / 160)^2 downward               it sags with height

u, v, w being the true travels of across, gantry and belt in mm.  While the machine prints, its
frame is warm: travels of across and gantry are then longer by a share.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sim.bench import Bench
from sim.plant import Array, Directions

#: Length on which bow and sag are stated, mm.
SPAN = 160.0

#: Loop of a belt whose profile states none, mm.
_USUAL_LOOP = 1500.0


@dataclass(frozen=True, slots=True)
class Wave:
    """A sine over the belt's travel, nought where the belt stood at switch-on."""

    amplitude: float = 0.0  #: mm
    period: float = _USUAL_LOOP  #: mm
    phase: float = 0.0  #: rad

    def at(self, travel: Array) -> Array:
        turn = 2 * np.pi * travel / self.period + self.phase
        return np.asarray(self.amplitude * (np.sin(turn) - math.sin(self.phase)))


@dataclass(frozen=True, slots=True)
class Bends:
    """All of it for one machine; the plain one does nothing."""

    along: Wave = Wave()
    aside: Wave = Wave()
    bow: float = 0.0  #: mm on `SPAN`
    bow_aim: float = 0.0  #: rad, from up the gantry towards off its plane
    sag: float = 0.0  #: mm at `SPAN`
    hot: float = 0.0  #: relative growth of across and gantry while printing

    @classmethod
    def drawn(cls, bench: Bench, profile: Mapping[str, Any]) -> Bends:
        loop = profile.get("mechanics", {}).get("belt_loop_mm") or _USUAL_LOOP
        return cls(
            along=Wave(bench.size("loop_wave"), float(loop), bench.phase("loop_wave")),
            aside=Wave(bench.size("belt_walk"), float(loop), bench.phase("belt_walk")),
            bow=bench.size("rail_bow"),
            bow_aim=bench.phase("rail_bow"),
            sag=bench.size("gantry_sag"),
            hot=bench.size("frame_hot") / 100,
        )

    def places(self, frame: Directions, travel: Array, *, printing: bool = False) -> Array:
        """Points (..., 3) as x, s, h that the true travels (..., 3) lead to, mm."""
        travel = np.asarray(travel, dtype=float)
        if printing and self.hot:
            travel = travel * np.array([1 + self.hot, 1 + self.hot, 1.0])
        axes = np.array([frame.across, frame.gantry, frame.belt])
        points: Array = travel @ axes
        u, v, w = travel[..., 0], travel[..., 1], travel[..., 2]
        if self.along.amplitude:
            points = points + self.along.at(w)[..., None] * axes[2]
        if self.aside.amplitude:
            points = points + self.aside.at(w)[..., None] * np.array([1.0, 0.0, 0.0])
        if self.bow:
            aim = math.cos(self.bow_aim) * axes[1] + math.sin(self.bow_aim) * frame.layer_normal
            points = points + (4 * self.bow * (u / SPAN) * (1 - u / SPAN))[..., None] * aim
        if self.sag:
            points = points - (self.sag * (v / SPAN) ** 2)[..., None] * np.array([0.0, 0.0, 1.0])
        return points
