"""The uncertainty budget laid out over the readings (JCGM 100 chapter 5, F.1.2.3).

Every contributor of `agent.model.budget` enters in one of two ways.  What several readings share
(all of one pair of jaws, one direction, one piece, one gauge) is an unknown with the prior
N(0, size^2): its column tells by how much each reading moves with it.  That is the same as a
covariance which these readings share, both give the same normal equations, and it stays linear in
the number of readings.  What each reading has for itself is a variance.

First order throughout: the columns are taken at the nominal machine.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np
import numpy.typing as npt

from agent.estimate.checking import zero_and_scale
from agent.model.drive import Roller
from agent.model.feature import Reading, direction_group
from agent.model.geometry import DELTA, EX, EY, EZ, Array, commands
from agent.model.survey import Survey

Mask = npt.NDArray[np.bool_]

#: Kinds that are read on plastic; of these the lengths, and what is read against a square.
PRINTED: Final = frozenset(("outside", "inside", "pitch", "lean", "sway"))
LENGTHS: Final = frozenset(("outside", "inside", "pitch"))

#: Sign with which a face that stands out enters: jaws outside read longer, inside shorter.
GROWS: Final[Mapping[str, float]] = {"outside": 1.0, "inside": -1.0}

#: Length for which bow and sag are stated, mm.
_BOW_LENGTH = 160.0
#: Corner swell counts in full up to this length and falls with its square beyond, mm.
_SHORT = 25.0
#: Belt loop of a machine whose own is not known, mm (common practice).
_LOOP = 1500.0

#: Contributors that are drawn anew for a piece laid and read another day.  All others repeat: the
#: same instrument, gauge and way of slicing make the same error again.
FRESH: Final = frozenset(
    (
        "hand_mm",
        "seating_mm",
        "form_mm",
        "warm_percent",
        "belt_percent",
        "roller_wave_mm",
        "loop_wave_mm",
        "belt_walk_mm",
    )
)


@dataclass(frozen=True, slots=True)
class Shared:
    """One error that several readings share."""

    component: str
    of: str  #: what shares it: a direction, a piece, an axis; empty if all do
    column: Array  #: (n,) mm of each reading per unit of the error
    u: float  #: prior standard uncertainty, in its own unit
    mean: float = 0.0  #: what it is known to be beforehand


@dataclass(frozen=True, slots=True)
class Layout:
    """Who shares what among n readings."""

    kind: Sequence[str]
    length: Array  #: (n,) mm
    direction: Array  #: (n, 3) unit vectors
    group: Sequence[str]  #: direction group
    piece: Sequence[str]  #: empty for moves
    caliper: Mask  #: read with the instrument of the survey
    slope: Mask  #: the slope of a belt run, from which offsets and waves have dropped out
    turned: Array  #: -1 where a lean or sway was read from the opposite face, else 1
    printed: Mask
    flat: Mask  #: lengths on pieces of one layer

    def of_kind(self, *kinds: str) -> Mask:
        return np.array([k in kinds for k in self.kind], dtype=bool)


def layout(survey: Survey) -> Layout:
    """Sort readings by jaw, direction and piece, by names where they have them."""
    readings, theta = survey.readings, survey.mechanics.gantry_angle
    v = np.array([r.along for r in readings], dtype=float).reshape(len(readings), 3)
    length = np.linalg.norm(v, axis=1)
    groups = [direction_group(r.along, theta) for r in readings]
    flat = [_is_flat(r, g) for r, g in zip(readings, groups, strict=True)]
    return Layout(
        kind=[r.kind for r in readings],
        length=length,
        direction=v / np.maximum(length, 1e-12)[:, None],
        group=groups,
        piece=[_piece(r, g, f) for r, g, f in zip(readings, groups, flat, strict=True)],
        caliper=np.array([r.u_mm is None for r in readings], dtype=bool),
        slope=np.array([bool(r.slope) for r in readings], dtype=bool),
        turned=np.array([-1.0 if r.side == "opposite" else 1.0 for r in readings]),
        printed=np.array([r.kind in PRINTED for r in readings], dtype=bool),
        flat=np.array(flat, dtype=bool),
    )


def _is_flat(reading: Reading, group: str) -> bool:
    """One layer: edges instead of faces, or a diagonal in the belt's plane."""
    if reading.kind not in LENGTHS:
        return False
    in_plan = not reading.along[2]
    return reading.between == "edges" or (in_plan and (group == "diagonal" or group == "s"))


def _piece(reading: Reading, group: str, flat: bool) -> str:
    """The piece a reading is of: by its name (`strip s1`), else by what such pieces show."""
    if reading.kind not in PRINTED:
        return ""
    head, _, rest = reading.name.partition(" ")
    if rest:
        return head
    if flat:
        return "flat"
    return "upright" if group == "h" else "aslant"


def shared(survey: Survey, of: Layout, J: Array) -> list[Shared]:
    """All shared errors of a survey that move any reading; J (n, k) at the nominal machine."""
    found = chain(
        _instrument(survey, of), _plastic(survey, of), _moves(survey, of), _machine(survey, of, J)
    )
    return [s for s in found if s.u > 0 and np.any(s.column)]


def _one_way(component: str, of: str, column: Array, size: float) -> Shared:
    """An error that is never below 0: lost motion only shortens, a foot only stands out.

    Half its usual size is expected of it; about 0 its mean square stays that of the stated size.
    """
    return Shared(component, of, column, math.sqrt(0.75) * size, 0.5 * size)


def _instrument(survey: Survey, of: Layout) -> Iterator[Shared]:
    """Caliper, square and hand: what is read with the instrument of the survey."""
    b = survey.budget
    caliper = of.caliper.astype(float)
    lengths = caliper * of.of_kind("outside", "inside", "pitch", "travel")
    zero, scale = zero_and_scale(survey, float(max(caliper * of.length, default=0.0)))
    yield Shared("zero_mm", "", caliper, zero.u, zero.mean)
    yield Shared("inside_jaws_mm", "", caliper * of.of_kind("inside"), b.inside_jaws_mm)
    # Turned round, the square errs the other way, and so does the foot it stands on.
    yield Shared("square_mm", "", caliper * of.turned * of.of_kind("lean", "sway"), b.square_mm)
    yield Shared("caliper_scale_percent", "", lengths * of.length, scale.u, scale.mean)
    # a scan, or whatever else a length came from that states its own uncertainty
    other = ~of.caliper * of.of_kind(*LENGTHS)
    yield Shared("scan_percent", "", other * of.length, b.scan_percent / 100)
    strips = caliper * of.flat * of.of_kind("outside")
    yield Shared("squeeze_percent", "", -strips * of.length, b.squeeze_percent / 100)
    directions = [
        kind if kind in ("lean", "sway", "gap") else group
        for kind, group in zip(of.kind, of.group, strict=True)
    ]
    for name in dict.fromkeys(directions):
        along = np.array([d == name for d in directions], dtype=float)
        yield Shared("hand_mm", name, caliper * along * of.printed, b.hand_mm)


def _plastic(survey: Survey, of: Layout) -> Iterator[Shared]:
    """What printed pieces do: swell, feet, shrink by direction, warmth."""
    b = survey.budget
    grows = np.array([GROWS.get(k, 0.0) for k in of.kind])
    yield Shared("first_layer_mm", "", 2.0 * grows * of.flat, b.first_layer_mm)
    for kind in ("lean", "sway"):
        yield _one_way("foot_mm", kind, of.turned * of.of_kind(kind), b.foot_mm)
    heights = of.of_kind("outside") * np.array([g == "h" for g in of.group], dtype=float)
    yield _one_way("foot_mm", "height", -heights, b.foot_mm)
    shortness = np.minimum(1.0, (_SHORT / np.maximum(of.length, 1e-9)) ** 2)
    yield Shared("corner_mm", "", grows * shortness, b.corner_mm)
    lengths = of.of_kind(*LENGTHS) * of.length
    for axis, name in enumerate(("x", "s", "h")):
        column = -lengths * of.direction[:, axis] ** 2
        yield Shared(
            "shrink_by_direction_percent", name, column, b.shrink_by_direction_percent / 100
        )
    for piece in _pieces(of):
        yield Shared("warm_percent", piece, lengths * _on(of, piece), b.warm_percent / 100)


def _moves(survey: Survey, of: Layout) -> Iterator[Shared]:
    """Commanded moves: lost motion of each axis, offset and scale of the gauge."""
    b = survey.budget
    travel = of.of_kind("travel").astype(float)
    from_one_end = travel * ~of.slope
    for group in dict.fromkeys(g for g, k in zip(of.group, of.kind, strict=True) if k == "travel"):
        along = np.array([g == group for g in of.group], dtype=float)
        yield _one_way("lost_motion_mm", group, -from_one_end * along, b.lost_motion_mm)
    yield Shared("gauge_mm", "", from_one_end * ~of.caliper, b.gauge_mm)
    yield Shared("gauge_percent", "", travel * ~of.caliper * of.length, b.gauge_percent / 100)


def _machine(survey: Survey, of: Layout, J: Array) -> Iterator[Shared]:
    """What the machine does beside its seven errors: bow, sag, belt, heat."""
    b = survey.budget
    bent = (of.length / _BOW_LENGTH) ** 2
    lengths = of.of_kind("travel", *LENGTHS).astype(float)
    x = np.abs(of.direction[:, 0]) > 0.99
    up = of.direction[:, 2] > 0.5
    yield Shared("bow_mm", "across", bent * lengths * x, b.bow_mm)
    yield Shared("bow_mm", "gantry", bent * lengths * up, b.bow_mm)
    for kind in ("lean", "sway"):
        yield Shared("bow_mm", kind, bent * of.of_kind(kind), b.bow_mm)
    # Sliced at another angle than stated, all that is printed shows it as the gantry's.
    yield Shared("sliced_deg", "", of.printed * J[:, DELTA], math.radians(b.sliced_deg))
    hot = of.printed * (J[:, EX] + J[:, EY])
    yield _one_way("hot_frame_percent", "", hot, b.hot_frame_percent / 100)
    belt = of.direction * of.length[:, None] @ commands(survey.mechanics.gantry_angle)[2]
    sideways = belt * np.where(of.of_kind("sway"), 1.0, of.direction[:, 0] * lengths)
    walk = 2 * math.pi * b.belt_walk_mm / math.sqrt(2) / (survey.mechanics.belt_loop_mm or _LOOP)
    for piece in (*_pieces(of), ""):
        on = _on(of, piece)
        yield Shared("belt_percent", piece, on * J[:, EZ], b.belt_percent / 100)
        yield Shared("belt_walk_mm", piece, on * sideways, walk)


def _pieces(of: Layout) -> tuple[str, ...]:
    return tuple(dict.fromkeys(p for p in of.piece if p))


def _on(of: Layout, piece: str) -> Array:
    return np.array([p == piece for p in of.piece], dtype=float)


def own(survey: Survey, of: Layout, J: Array) -> dict[str, Array]:
    """Variance (n,) that each reading has for itself, by contributor, mm^2."""
    b = survey.budget
    caliper = of.caliper.astype(float)
    lengths = of.of_kind(*LENGTHS)
    return {
        "seating_mm": caliper * b.seating_mm**2,
        "by_length_mm": caliper * lengths * b.by_length_mm**2,
        # Two faces to each reading.
        "form_mm": of.printed * np.maximum(2 * b.form_mm**2, survey.priors.form_mm**2),
        **_waves(survey, of, J),
    }


def _waves(survey: Survey, of: Layout, J: Array) -> dict[str, Array]:
    """Waves of roller and loop.

    Between two belt positions b apart a wave of amplitude a, period P and unknown phase makes an
    error of variance a^2 (1 - cos(2 pi b / P)): none over whole turns.
    """
    mechanics, b = survey.mechanics, survey.budget
    belt = of.direction * of.length[:, None] @ commands(mechanics.gantry_angle)[2]
    per_mm = np.divide(J[:, EZ], belt, out=np.zeros_like(belt), where=np.abs(belt) > 1e-9)
    drive = mechanics.drives.get("belt")
    roller = drive.output if drive is not None and isinstance(drive.output, Roller) else None

    def wave(amplitude: float, period: float | None) -> Array:
        turned = 1.0 if period is None else 1 - np.cos(2 * np.pi * belt / period)
        variance: Array = ~of.slope * (per_mm * amplitude) ** 2 * turned
        return variance

    run_out = b.roller_wave_mm if roller is None else roller.run_out
    return {
        "roller_wave_mm": wave(run_out, roller.travel_per_turn if roller else None),
        "loop_wave_mm": wave(b.loop_wave_mm, mechanics.belt_loop_mm or _LOOP),
    }
