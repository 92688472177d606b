"""What a bench does to readings: every effect with its usual and its rough size.

Sizes are common practice unless a source is named; lengths in mm, shares in percent.  What has no
preferred direction comes with either sign and its full size; what `sd` says is normal.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.stress.world import (
    MOVES,
    REPEATS,
    STANDARD,
    VALUE_MINUTES,
    Array,
    Draft,
    profile,
)

#: Width of a caliper's jaws on a part, mm.
JAW_WIDTH = 8.0
#: Linear expansion of printing plastics, 1/K: 68e-6 to 100e-6 (handbook range, from memory).
EXPANSION = 80e-6
#: In which a small part loses most of its heat, minutes (common practice).
COOLING_MINUTES = 4.0
#: Up to here a length lies between corners, mm.
SHORT = 25.0
#: Length on which bow and sag are stated, mm.
BOW_SPAN = 160.0


@dataclass(frozen=True)
class Effect:
    """One thing that a bench does; `lay` puts it on a draft at a given size."""

    name: str
    lay: Callable[[Draft, float], None]
    usual: float
    rough: float
    says: str


EFFECTS: dict[str, Effect] = {}


def effect(usual: float, rough: float) -> Callable[[Callable[[Draft, float], None]], None]:
    def register(lay: Callable[[Draft, float], None]) -> None:
        name = lay.__name__
        EFFECTS[name] = Effect(name, lay, usual, rough, (lay.__doc__ or "").strip())

    return register


# --- instrument ----------------------------------------------------------------------------------


@effect(0.02, 0.05)
def zero(draft: Draft, mm: float) -> None:
    """the caliper's zero, in all its readings"""
    draft.machines.zero = mm * draft.sign()[:, 0]


@effect(0.03, 0.06)
def inside_jaws(draft: Draft, mm: float) -> None:
    """inside jaws against outside jaws"""
    draft.more += mm * draft.sign() * draft.task.of("inside")


@effect(0.03, 0.10)
def square(draft: Draft, mm: float) -> None:
    """square or depth blade off, in lean and sway"""
    draft.more += mm * draft.sign() * draft.task.turned * draft.task.of("lean", "sway")


@effect(0.02, 0.03)
def by_length(draft: Draft, mm: float) -> None:
    """the caliper's error differs by length and pair of jaws, within +-size"""
    kinds = {"inside": "inside", "lean": "blade", "sway": "blade"}
    drawn: dict[tuple[str, int], Array] = {}
    for i, feature in enumerate(draft.task.features):
        if draft.by_caliper[i]:
            pair = kinds.get(feature.kind, "outside")
            length = 0 if pair == "blade" else round(draft.task.size[i])
            if (pair, length) not in drawn:
                drawn[pair, length] = draft.rng.uniform(-mm, mm, draft.machines.count)
            draft.more[:, i] += drawn[pair, length] * draft.task.turned[i]


@effect(0.01, 0.04)
def caliper_scale(draft: Draft, percent: float) -> None:
    """the caliper's scale, percent of each length"""
    lengths = draft.task.of("outside", "inside", "pitch") * draft.task.size
    draft.more += percent / 100 * draft.sign() * lengths


@effect(0.01, 0.05)
def rounding(draft: Draft, mm: float) -> None:
    """display step"""
    draft.resolution = draft.stated["resolution_mm"] = mm


# --- hand ----------------------------------------------------------------------------------------


@effect(0.3, 1.0)
def jaws_askew(draft: Draft, degrees: float) -> None:
    """jaws put on askew, sd in degrees, each time anew: outside and inside read long"""
    askew = np.radians(degrees) * np.abs(draft.normal(len(draft.task.features), REPEATS))
    size = draft.task.size[None, :, None]
    wide = draft.task.along("x", "s", "h", "gantry")[None, :, None] * JAW_WIDTH
    outside = size * (np.cos(askew) - 1) + wide * np.sin(askew)
    inside = size * (1 / np.cos(askew) - 1)
    draft.each += draft.task.of("outside")[None, :, None] * outside
    draft.each += draft.task.of("inside", "pitch")[None, :, None] * inside


@effect(0.02, 0.1)
def squeeze(draft: Draft, size: float) -> None:
    """closing force: percent of a strip's length, or that many mm at most of a solid one"""
    flat = draft.task.on("strip") * draft.task.size * size / 100
    solid = draft.task.on("post", "block") * min(size, 0.05)
    draft.more -= draft.task.of("outside") * (flat + solid)


@effect(0.02, 0.05)
def hand(draft: Draft, sd: float) -> None:
    """the hand, sd by direction, the same for all readings of one"""
    own = {d: sd * draft.normal() for d in dict.fromkeys(draft.task.direction)}
    draft.more += np.stack([own[d] for d in draft.task.direction], axis=1) * draft.by_caliper


@effect(0.015, 0.04)
def repeatability(draft: Draft, sd: float) -> None:
    """each value, sd; from 0.04 on with heavy tails (t, 3 degrees of freedom)"""
    draft.reading_sd, draft.heavy_tails = sd, sd >= 0.04


@effect(0.015, 0.03)
def not_reseated(draft: Draft, sd: float) -> None:
    """repeats share one error, sd: the caliper was not taken off between them"""
    draft.more += sd * draft.normal(len(draft.task.features)) * draft.by_caliper


@effect(0.0, 1.0)
def copied(draft: Draft, size: float) -> None:
    """the first value typed for all repeats"""
    draft.copied = bool(size)


# --- plastic -------------------------------------------------------------------------------------


@effect(0.02, 0.05)
def form(draft: Draft, sd: float) -> None:
    """single printed faces stray, sd; two readings of one face share it"""
    drawn: dict[str, Array] = {}
    for i, pair in enumerate(draft.task.faces):
        for face, out in zip(pair, draft.task.outwards[i], strict=True):
            if out:
                if face not in drawn:
                    drawn[face] = sd * draft.normal()
                draft.more[:, i] += out * drawn[face]


@effect(0.05, 0.2)
def first_layer(draft: Draft, mm: float) -> None:
    """the first layer comes wider, each side of a flat piece"""
    draft.more += (
        2 * mm * draft.task.on("strip") * (draft.task.of("outside") - draft.task.of("inside"))
    )


@effect(0.1, 0.2)
def elephant_foot(draft: Draft, mm: float) -> None:
    """the foot bulges where lean and sway start, and takes from heights"""
    draft.more += mm * draft.task.turned * draft.task.of("lean", "sway")
    draft.more -= mm * draft.task.of("outside") * draft.task.along("h")


@effect(0.05, 0.1)
def corner_swell(draft: Draft, mm: float) -> None:
    """corners swell: short lengths and diagonals read long"""
    short = (draft.task.size <= SHORT) * 1.0
    grows = draft.task.of("outside") - draft.task.of("inside")
    draft.more += mm * grows * np.maximum(short, draft.task.along("diagonal"))


@effect(0.05, 0.2)
def shrink_by_direction(draft: Draft, percent: float) -> None:
    """shrink differs along x, s and h, sd in percent"""
    draft.shrink += percent / 100 * draft.normal(3)


@effect(5.0, 40.0)
def warm(draft: Draft, kelvin: float) -> None:
    """the piece is warm at its first reading and cools while it is read"""
    minute = draft.task.minute[:, None] + VALUE_MINUTES * np.arange(REPEATS)
    excess = kelvin * np.exp(-minute / COOLING_MINUTES)
    lengths = draft.task.of("outside", "inside", "pitch") * draft.task.size
    draft.each += EXPANSION * excess * lengths[:, None]


@effect(0.2, 1.0)
def curled(draft: Draft, per_m: float) -> None:
    """the strip curls along the belt: 1/R in 1/m, the chord is read for the arc"""
    along = np.abs(draft.task.v[:, 1]) * draft.task.on("strip")
    radius = 1000 / per_m
    lost = along - 2 * radius * np.sin(along / 2 / radius)
    draft.more -= lost * along / np.maximum(draft.task.size, 1e-9)


# --- machine -------------------------------------------------------------------------------------


@effect(0.03, 0.2)
def lost_motion(draft: Draft, mm: float) -> None:
    """lost motion, once in each move"""
    draft.more -= mm * draft.task.of("travel")


@effect(0.03, 0.1)
def gauge_offset(draft: Draft, mm: float) -> None:
    """the gauge of the moves: offset, the same for all"""
    draft.more += mm * draft.sign() * draft.task.of("travel")


@effect(0.01, 0.1)
def gauge_scale(draft: Draft, percent: float) -> None:
    """the gauge of the moves: its scale, percent"""
    draft.more += percent / 100 * draft.sign() * draft.task.of("travel") * draft.task.size


@effect(0.05, 0.3)
def gauge_reading(draft: Draft, u: float) -> None:
    """the gauge of the moves: reading, standard uncertainty, and stated so"""
    draft.gauge_sd = draft.stated["gauge_u"] = u


@effect(0.02, 0.1)
def belt_scale(draft: Draft, percent: float) -> None:
    """the belt's scale differs from piece to piece, sd in percent"""
    for piece in (*STANDARD, MOVES):
        draft.belt += percent / 100 * draft.normal(1) * draft.task.on(piece)


def _wave(draft: Draft, amplitude: float, period: float) -> Array:
    """(n, r): difference of a wave of the belt's place between the second jaw and the first."""
    tan = math.tan(profile().mechanics.gantry_angle)
    belt = draft.task.jaws[:, :, 1] - draft.task.jaws[:, :, 2] / tan
    turn = 2 * np.pi * belt / period
    phases = {p: 2 * np.pi * draft.rng.random(draft.machines.count) for p in (*STANDARD, MOVES)}
    phase = np.stack([phases[p] for p in draft.task.pieces], axis=1)[:, :, None]
    wave = amplitude * np.sin(turn[None] + phase)
    return np.asarray(wave[:, :, 1] - wave[:, :, 0])


def _stretch(draft: Draft, moved: Array, axis: int) -> None:
    """The second jaw's place moves by `moved` (n, r) along x (0) or s (1)."""
    aims = {"along x": (1.0, 0.0, 0.0), "along s": (0.0, 1.0, 0.0)}
    apart = draft.task.jaws[:, 1] - draft.task.jaws[:, 0]
    for i, how in enumerate(draft.task.how):
        way = float(np.sign(apart[i] @ draft.task.v[i]) or 1.0)
        aim = np.array(aims.get(how, way * draft.task.v[i] / draft.task.size[i]))
        draft.more[:, i] += aim[axis] * moved[:, i]


@effect(0.02, 0.1)
def roller_wave(draft: Draft, mm: float) -> None:
    """wave of one roller turn in the belt's place, amplitude"""
    drive = profile().mechanics.drives["belt"]
    depth = drive.output.belt / 2
    turn = math.pi * (drive.output.diameter + 2 * depth)
    _stretch(draft, _wave(draft, mm, turn), 1)


@effect(0.05, 0.5)
def loop_wave(draft: Draft, mm: float) -> None:
    """wave of one belt loop in the belt's place, amplitude"""
    _stretch(draft, _wave(draft, mm, profile().mechanics.belt_loop_mm or 1.0), 1)


@effect(0.1, 0.5)
def belt_walk(draft: Draft, mm: float) -> None:
    """the belt walks sideways, amplitude, once a loop"""
    _stretch(draft, _wave(draft, mm, profile().mechanics.belt_loop_mm or 1.0), 0)


@effect(0.03, 0.2)
def rail_bow(draft: Draft, mm: float) -> None:
    """the rail is bowed: lengths across, and the move, off by size (length / 160 mm)^2"""
    draft.more += mm * draft.sign() * draft.task.along("x") * (draft.task.v[:, 0] / BOW_SPAN) ** 2


@effect(0.03, 0.2)
def gantry_sag(draft: Draft, mm: float) -> None:
    """the gantry sags: heights, lengths up it and lean, off by size (height / 160 mm)^2"""
    draft.more += mm * draft.sign() * (draft.task.v[:, 2] / BOW_SPAN) ** 2


@effect(0.01, 0.05)
def frame_hot(draft: Draft, percent: float) -> None:
    """the frame grows hot: moves of across and gantry, made cold, come short by percent"""
    cold = draft.task.of("travel") * draft.task.along("x", "gantry") * draft.task.size
    draft.more -= percent / 100 * cold


@effect(0.0, 0.2)
def sliced_at(draft: Draft, degrees: float) -> None:
    """pieces printed by other means were sliced at another angle than stated, degrees"""
    draft.sliced = math.radians(degrees) * draft.sign()[:, 0]


#: What happens on every bench; the others are single lapses.
LAPSES = ("copied", "sliced_at")


def sizes(bench: str) -> dict[str, float]:
    """Sizes of all effects together on a bench, `none`, `usual` or `rough`."""
    if bench == "none":
        return {}
    return {name: getattr(e, bench) for name, e in EFFECTS.items() if name not in LAPSES}


def lay(draft: Draft, wanted: dict[str, float]) -> None:
    """Put effects at these sizes on a draft."""
    for name, size in wanted.items():
        EFFECTS[name].lay(draft, size)
