"""Reads a toolpath back: what each line moves, laid out as beads on the belt.

Written from the words of the lines alone, so that it is a second opinion on what they do.
"""

import math
from dataclasses import dataclass

import numpy as np

from agent.model.profile import Profile


@dataclass(frozen=True)
class Bead:
    """One extruded move: both ends as (across, gantry, belt) and filament, mm."""

    start: np.ndarray
    end: np.ndarray
    filament: float


@dataclass(frozen=True)
class Replayed:
    beads: list[Bead]  #: extruded moves, the priming line first
    filament: float  #: pushed in all, mm, but for the last drawing back
    places: np.ndarray  #: (n, 3) every commanded place after homing


def replay(lines: tuple[str, ...], profile: Profile) -> Replayed:
    axes = profile.axes
    column = {
        axes.letter(role).upper(): (i, axes.sign(role))
        for i, role in enumerate(("across", "gantry", "belt"))
    }
    here, relative = np.zeros(3), False
    beads, places, pushed = [], [], 0.0
    for line in lines:
        word, *rest = line.split()
        if word in ("G90", "G91"):
            relative = word == "G91"
        if word != "G1":
            continue
        to, filament = here.copy(), 0.0
        for item in rest:
            letter, value = item[0], float(item[1:])
            if letter in column:
                i, sign = column[letter]
                to[i] = sign * value + (here[i] if relative else 0.0)
            elif letter == "E":
                filament = value
        pushed += filament if line is not lines[-4] else 0.0  # the last is drawn back at the end
        if filament and np.any(to != here):
            beads.append(Bead(here, to, filament))
        here = to
        places.append(to)
    return Replayed(beads, pushed, np.array(places))


def on_belt(place: np.ndarray, profile: Profile) -> np.ndarray:
    """(..., 3) commands -> (x, s, h): along the belt and up the gantry's tilted plane."""
    a = math.radians(profile.mechanics.gantry_angle_deg)
    across, gantry, belt = np.moveaxis(np.asarray(place), -1, 0)
    return np.stack([across, belt + gantry * math.cos(a), gantry * math.sin(a)], axis=-1)
