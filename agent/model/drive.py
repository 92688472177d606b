"""Drive train: motor turns to travel, with the uncertainty of what was measured by hand.

    steps/mm = full steps per turn * microsteps * gear ratio / travel per output turn

Travel per turn of a driven roller is pi * (D + 2 k), k the depth of the belt's neutral line above
the roller face: t/2 for a plain belt of thickness t (belt-drive chapters of the usual theory of
machines textbooks: speed ratio (d1 + t) / (d2 + t)), or the depth of its cord.  A toothed belt
moves pitch * teeth, a screw its lead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name} must be a positive number, not {value!r}")


@dataclass(frozen=True)
class Roller:
    """Belt on a driven plain roller; lengths in mm, `u_*` standard uncertainties."""

    diameter: float
    belt: float
    neutral: float | None = None  #: neutral line above the roller face; None: half of `belt`
    u_diameter: float = 0.03
    u_belt: float = 0.03
    u_neutral: float | None = None  #: None: see `depth`, where `neutral` is assumed
    run_out: float = (
        0.01  #: rms amplitude of the position error of a sound roller (common practice)
    )

    def __post_init__(self) -> None:
        _positive(roller=self.diameter, belt=self.belt)
        if self.neutral is not None and not 0 <= self.neutral <= self.belt:
            raise ValueError("neutral line must lie inside the belt, between 0 and its thickness")

    @property
    def depth(self) -> tuple[float, float]:
        """Depth of the neutral line and its standard uncertainty, mm.

        An assumed mid line could be anywhere in the belt: triangular between the two faces,
        standard uncertainty (t/2)/sqrt(6) (JCGM 100:2008, 4.3.9), plus half that of t.
        """
        if self.neutral is not None:
            return self.neutral, 0.0 if self.u_neutral is None else self.u_neutral
        return self.belt / 2, math.hypot(self.belt / 2 / math.sqrt(6), self.u_belt / 2)

    @property
    def travel_per_turn(self) -> float:
        return math.pi * (self.diameter + 2 * self.depth[0])

    @property
    def u_travel_per_turn(self) -> float:
        return math.pi * math.hypot(self.u_diameter, 2 * self.depth[1])


@dataclass(frozen=True)
class Toothed:
    """Toothed belt on a pulley; pitch in mm.

    `u_relative`: common practice, toothed drives keep their calculated travel to 0.05-0.3 %.
    """

    teeth: int
    pitch: float
    u_relative: float = 0.0015

    def __post_init__(self) -> None:
        _positive(teeth=self.teeth, pitch=self.pitch)

    @property
    def travel_per_turn(self) -> float:
        return self.teeth * self.pitch

    @property
    def u_travel_per_turn(self) -> float:
        return self.u_relative * self.travel_per_turn


@dataclass(frozen=True)
class Screw:
    """Lead screw; lead in mm per turn (starts * pitch)."""

    lead: float
    u_relative: float = 0.001

    def __post_init__(self) -> None:
        _positive(lead=self.lead)

    @property
    def travel_per_turn(self) -> float:
        return self.lead

    @property
    def u_travel_per_turn(self) -> float:
        return self.u_relative * self.lead


Output = Roller | Toothed | Screw


@dataclass(frozen=True)
class Drive:
    """Motor, gear and output of one axis."""

    full_steps: int
    microsteps: int
    ratio: float  #: motor turns per output turn
    output: Output

    def __post_init__(self) -> None:
        _positive(full_steps=self.full_steps, microsteps=self.microsteps, ratio=self.ratio)

    @property
    def steps_per_mm(self) -> float:
        return self.full_steps * self.microsteps * self.ratio / self.output.travel_per_turn

    @property
    def u_steps_per_mm(self) -> float:
        """Standard uncertainty of `steps_per_mm`, step/mm."""
        output = self.output
        return self.steps_per_mm * output.u_travel_per_turn / output.travel_per_turn

    @property
    def mm_per_motor_turn(self) -> float:
        """Travel per motor turn, for controllers that keep their settings in a file."""
        return self.output.travel_per_turn / self.ratio


def steps_after_change(old_steps: float, old: Drive, new: Drive) -> tuple[float, float]:
    """Steps/mm after a part of the drive was replaced, and its standard uncertainty.

    new = old MEASURED steps * old calculated travel / new calculated travel: the measured value
    carries what the calculation cannot know.  An output that stayed is no uncertainty, and the
    belt that stayed on another roller is a shared one: its depth k moves both travels alike.
    Raises ValueError for a value of `old_steps` that is not positive.
    """
    _positive(old_steps=old_steps)
    value = old_steps * new.steps_per_mm / old.steps_per_mm
    if new.output == old.output:
        return value, 0.0
    return value, value * _relative_spread(old.output, new.output)


def _relative_spread(old: Output, new: Output) -> float:
    """Relative standard uncertainty of the ratio of two travels per turn."""
    before, after = old.travel_per_turn, new.travel_per_turn
    if (
        isinstance(old, Roller)
        and isinstance(new, Roller)
        and (old.belt, old.neutral) == (new.belt, new.neutral)
    ):
        return math.pi * math.hypot(
            old.u_diameter / before,
            new.u_diameter / after,
            2 * new.depth[1] * (1 / before - 1 / after),
        )
    return math.hypot(old.u_travel_per_turn / before, new.u_travel_per_turn / after)


def right_steps(steps: float, e: float, u: float, half_digit: float = 0.0) -> tuple[float, float]:
    """The steps/mm that would be right, r = steps / (1 + e), and their standard uncertainty.

    Unlike the error e itself (of standard uncertainty u) they do not go away with a correction,
    and stay the same in a machine that does not drift.  What is live may lie anywhere within
    half a printed digit (JCGM 100:2008, 4.3.7).
    """
    right = steps / (1 + e)
    return right, right * math.hypot(u / (1 + e), half_digit / math.sqrt(3) / steps)
