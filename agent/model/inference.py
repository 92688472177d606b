"""What drives an axis, from what the controller tells: candidates, the most plausible first.

A controller tells steps/mm, a speed limit and the axis' letter, some also its microsteps.  Many
drives give the same steps/mm, so the answer is a ranking by Bayes' rule over usual parts:

    share(drive) ~ usual(drive | role) * p(steps/mm | drive) * p(speed limit | drive)

and the axes of one machine are taken together, as one board and one kind of motor serve them all:
the microsteps that explain the toothed axes count for the roller, whose diameter may be anything.

The shares of the parts below are common practice, from memory, not a count of machines; they order
candidates and prove nothing.  An inferred drive is a question to the technician, never a fact.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.roles import ROLES, Axes, Role
from agent.model.settings import Readback

#: Full steps of a motor turn: 1.8 and 0.9 degrees a step.
_FULL: Final = {200: 0.9, 400: 0.1}
_MICRO: Final = {16: 0.62, 32: 0.13, 8: 0.07, 64: 0.07, 128: 0.05, 256: 0.04, 4: 0.015, 1: 0.005}

_TEETH: Final = {
    2.0: {20: 0.54, 16: 0.27, 18: 0.02, 24: 0.03, 30: 0.02, 32: 0.02, 36: 0.02, 40: 0.02, 60: 0.01},
    3.0: {15: 0.01, 16: 0.01, 18: 0.005, 20: 0.015, 24: 0.005, 30: 0.003},
    5.0: {10: 0.003, 12: 0.005, 14: 0.002, 15: 0.004, 20: 0.003},
}
_LEAD: Final = {
    8.0: 0.5, 2.0: 0.14, 4.0: 0.14, 5.0: 0.08, 10.0: 0.05, 1.25: 0.02, 12.0: 0.02, 16.0: 0.02,
    1.0: 0.02, 20.0: 0.01,
}  # fmt: skip

#: Motor turns per output turn.  5 2/11 is a planetary gear of 57 over 11.
_PULLEY_RATIO: Final = {1.0: 0.92, 2.0: 0.025, 3.0: 0.03, 4.0: 0.005, 5.0: 0.01, 57 / 11: 0.01}
_SCREW_RATIO: Final = {1.0: 0.95, 2.0: 0.03, 3.0: 0.02}
_ROLLER_RATIO: Final = {
    1.0: 0.27, 2.0: 0.1, 2.5: 0.03, 3.0: 0.22, 4.0: 0.1, 5.0: 0.14, 57 / 11: 0.06, 10.0: 0.04,
    20.0: 0.02, 30.0: 0.01, 50.0: 0.01,
}  # fmt: skip

#: How usual each kind of output is for each role.
_KIND: Final[dict[Role, dict[str, float]]] = {
    "across": {"toothed": 0.95, "screw": 0.05},
    "gantry": {"toothed": 0.75, "screw": 0.25},
    "belt": {"toothed": 0.35, "roller": 0.65},
}

#: D + 2 k of a roller with its belt, mm: logarithmic normal about 30.
_ROLLER_MM: Final = 30.0
_ROLLER_SPREAD: Final = 0.33
_ROLLER_LEAST, _ROLLER_MOST = 12.0, 120.0

#: A stored value is the calculated one as printed, or it was trimmed: within some percent of it.
_AS_CALCULATED: Final = 0.2
_TRIM: Final = 0.017

#: Motor speed at the axis' limit, turns/s: logarithmic normal.
_MOTOR_TURNS: Final = 3.5
_MOTOR_SPREAD: Final = math.log(2.0)

#: Share of axes whose motor and microsteps are the machine's usual ones.
_ALIKE: Final = 0.9

#: Candidates further off than this are not looked at, relative.
_FARTHEST: Final = 0.06


@dataclass(frozen=True, slots=True)
class Sign:
    """What a controller tells of one axis."""

    steps_per_mm: float
    digits: int = 2  #: decimals it was printed with
    max_speed: float | None = None  #: mm/s
    microsteps: int | None = None  #: where the controller tells them


@dataclass(frozen=True, slots=True)
class Candidate:
    """A drive that an axis may have."""

    full_steps: int
    microsteps: int
    ratio: float  #: motor turns per output turn
    output: Toothed | Screw | None  #: None: a roller, of which only D + 2 k follows
    travel_per_turn: float  #: of the output, mm: of a roller as the stored value has it
    steps: float  #: in the controller, step/mm
    share: float = 0.0  #: of plausibility among all candidates of the axis, 0 to 1

    @property
    def steps_per_mm(self) -> float:
        """What the parts give, step/mm."""
        return self.full_steps * self.microsteps * self.ratio / self.travel_per_turn

    @property
    def off(self) -> float:
        """The controller's value against that of the parts, relative."""
        return self.steps / self.steps_per_mm - 1

    @property
    def roller_mm(self) -> float | None:
        """D + 2 k of a roller, mm; None for other outputs."""
        return None if self.output else self.travel_per_turn / math.pi

    def drive(self, belt_mm: float = 1.0, roller_mm: float | None = None) -> Drive:
        """The drive; of a roller with this belt, its diameter as measured or else as inferred."""
        inferred = self.travel_per_turn / math.pi - belt_mm
        output = self.output or Roller(roller_mm or inferred, belt_mm)
        return Drive(self.full_steps, self.microsteps, self.ratio, output)

    @property
    def parts(self) -> str:
        """The parts in words."""
        gear = "" if self.ratio == 1 else f", gear {self.ratio:.4g}:1"
        motor = f"{self.full_steps} steps, {self.microsteps} microsteps{gear}"
        if isinstance(self.output, Toothed):
            return f"{motor}, {self.output.pitch:g} mm belt, {self.output.teeth} teeth"
        if isinstance(self.output, Screw):
            return f"{motor}, screw of {self.output.lead:g} mm lead"
        return f"{motor}, roller and belt together {self.roller_mm:.1f} mm thick"

    def __str__(self) -> str:
        if self.output is None:
            return self.parts
        if abs(self.off) < 5e-5:
            return f"{self.parts}: {self.steps_per_mm:.2f} step/mm"
        side = "above" if self.off > 0 else "below"
        return (
            f"{self.parts}: {self.steps_per_mm:.2f} step/mm, and the stored value is"
            f" {abs(self.off) * 100:.2g} % {side} it"
        )


_Motor = tuple[int, int]


def infer(signs: Mapping[Role, Sign], most: int = 5) -> dict[Role, tuple[Candidate, ...]]:
    """For each axis at most `most` drives, the most plausible first; none where nothing fits.

    Raises ValueError for steps/mm that are not positive and finite.
    """
    found = {role: _of_axis(role, sign) for role, sign in signs.items()}
    evidence: dict[Role, dict[_Motor, float]] = {role: defaultdict(float) for role in found}
    for role, weighted in found.items():
        for candidate, weight in weighted:
            evidence[role][candidate.full_steps, candidate.microsteps] += weight
    ranked = {}
    for role, weighted in found.items():
        machine = _machine_motor(by for other, by in evidence.items() if other != role)
        scored = [(c, w * _motor_share(c, machine)) for c, w in weighted]
        ranked[role] = _best(scored, most)
    return ranked


def signs_of(readback: Readback, axes: Axes) -> dict[Role, Sign]:
    """What a controller tells of each axis that it has."""
    told = microsteps_told(readback.other)
    found: dict[Role, Sign] = {}
    for role in ROLES:
        letter = axes.letter(role)
        steps = readback.settings.get(f"steps_per_mm.{letter}")
        speed = readback.settings.get(f"max_speed.{letter}")
        if steps is not None and math.isfinite(steps.value) and steps.value > 0:
            found[role] = Sign(
                steps.value,
                steps.digits,
                speed.value if speed is not None and speed.value > 0 else None,
                told.get(letter),
            )
    return found


def microsteps_told(lines: Iterable[str]) -> dict[str, int]:
    """Microsteps by letter, where a line kept as text tells them (M350, common use of the code)."""
    found: dict[str, int] = {}
    for line in lines:
        if re.search(r"\bM350\b", line):
            for letter, value in re.findall(r"\b([XYZE])(\d{1,3})\b", line.partition("M350")[2]):
                if int(value) in _MICRO or int(value) == 2:
                    found[letter.lower()] = int(value)
    return found


# --- one axis ------------------------------------------------------------------------------------


def _of_axis(role: Role, sign: Sign) -> list[tuple[Candidate, float]]:
    """Every drive within reach with its weight, motor and microsteps not yet weighed."""
    steps = sign.steps_per_mm
    if not (math.isfinite(steps) and steps > 0):
        raise ValueError(f"steps per mm must be a positive number, not {steps!r}")
    motors = [
        (full, micro)
        for full in _FULL
        for micro in ((sign.microsteps,) if sign.microsteps else _MICRO)
    ]
    found = []
    for full, micro in motors:
        for output, ratio, usual in _outputs(role):
            travel = output.travel_per_turn
            if abs(steps * travel / (full * micro * ratio) - 1) > _FARTHEST:
                continue
            candidate = Candidate(full, micro, ratio, output, travel, steps)
            weight = usual * _p_steps(candidate, sign.digits) * _p_speed(candidate, sign.max_speed)
            if weight > 0:
                found.append((candidate, weight))
        for ratio, usual in _ROLLER_RATIO.items() if "roller" in _KIND[role] else ():
            travel = full * micro * ratio / steps
            candidate = Candidate(full, micro, ratio, None, travel, steps)
            weight = (
                _KIND[role]["roller"]
                * usual
                * _p_roller(travel / math.pi)
                * _p_speed(candidate, sign.max_speed)
            )
            if weight > 0:
                found.append((candidate, weight))
    return found


@cache
def _outputs(role: Role) -> tuple[tuple[Toothed | Screw, float, float], ...]:
    """Output, ratio and usualness of everything but rollers."""
    return tuple(_listed_outputs(role))


def _listed_outputs(role: Role) -> Iterator[tuple[Toothed | Screw, float, float]]:
    kinds = _KIND[role]
    for ratio, of_ratio in _PULLEY_RATIO.items():
        for pitch, teeth in _TEETH.items():
            for count, usual in teeth.items():
                yield Toothed(count, pitch), ratio, kinds["toothed"] * of_ratio * usual
    if "screw" in kinds:
        for ratio, of_ratio in _SCREW_RATIO.items():
            for lead, usual in _LEAD.items():
                yield Screw(lead), ratio, kinds["screw"] * of_ratio * usual


def _p_steps(candidate: Candidate, digits: int) -> float:
    """Density of the relative deviation of the stored value from the calculated one."""
    off = candidate.off
    rounding = max(0.5 * 10.0**-digits / candidate.steps, 5e-5)
    exact = _AS_CALCULATED / (2 * rounding) if abs(off) <= rounding else 0.0
    return exact + (1 - _AS_CALCULATED) * _normal(off, _TRIM)


def _p_roller(across_mm: float) -> float:
    """Density, by the logarithm, of D + 2 k: what a stored value implies may be any of them."""
    if not _ROLLER_LEAST <= across_mm <= _ROLLER_MOST:
        return 0.0
    return _normal(math.log(across_mm / _ROLLER_MM), _ROLLER_SPREAD)


def _p_speed(candidate: Candidate, max_speed: float | None) -> float:
    """How usual the motor's speed at the axis' limit would be; 1 where no limit is known."""
    if max_speed is None:
        return 1.0
    turns = max_speed * candidate.ratio / candidate.travel_per_turn
    return math.exp(-0.5 * (math.log(turns / _MOTOR_TURNS) / _MOTOR_SPREAD) ** 2)


def _normal(value: float, spread: float) -> float:
    return math.exp(-0.5 * (value / spread) ** 2) / (spread * math.sqrt(2 * math.pi))


# --- the axes together ---------------------------------------------------------------------------


def _usual_motor(motor: _Motor) -> float:
    return _FULL.get(motor[0], 0.0) * _MICRO.get(motor[1], 0.001)


def _machine_motor(others: Iterable[Mapping[_Motor, float]]) -> dict[_Motor, float]:
    """Probability of motor and microsteps being the machine's, from its other axes."""
    shares = {(full, micro): _usual_motor((full, micro)) for full in _FULL for micro in _MICRO}
    for evidence in others:
        alone = sum(_usual_motor(motor) * weight for motor, weight in evidence.items())
        for motor in shares:
            shares[motor] *= _ALIKE * evidence.get(motor, 0.0) + (1 - _ALIKE) * alone
    total = sum(shares.values())
    return {motor: share / total for motor, share in shares.items()} if total > 0 else {}


def _motor_share(candidate: Candidate, machine: Mapping[_Motor, float]) -> float:
    motor = (candidate.full_steps, candidate.microsteps)
    usual = _usual_motor(motor)
    return _ALIKE * machine.get(motor, usual) + (1 - _ALIKE) * usual


def _best(scored: list[tuple[Candidate, float]], most: int) -> tuple[Candidate, ...]:
    """The most plausible; drives that only split a motor's steps otherwise count as one.

    400 steps of 8 microsteps and 200 of 16 move alike in all that is calculated here.
    """
    total = math.fsum(weight for _, weight in scored)
    alike: dict[object, tuple[Candidate, float]] = {}
    for candidate, weight in sorted(scored, key=lambda pair: -pair[1]):
        motor = candidate.full_steps * candidate.microsteps
        drive = (motor, candidate.ratio, candidate.output)
        first, so_far = alike.get(drive, (candidate, 0.0))
        alike[drive] = (first, so_far + weight)
    best = sorted(alike.values(), key=lambda pair: -pair[1])[:most]
    return tuple(replace(candidate, share=weight / total) for candidate, weight in best)
