"""What stands between a wish and a command line: each guard refuses, asks, or warns.

The guards know what the controller said (`Readback`) and how the machine is built (`Mechanics`).
A value of steps/mm is held against the mechanics first: what drives of this build can have is a
bracket, and a value far outside it has a cause with a name (microsteps, a slipped decimal, another
axis' value, factory defaults) which no calibration cures.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from agent.model.drive import Drive
from agent.model.exact import in_full
from agent.model.profile import Mechanics, Profile
from agent.model.roles import ROLES, Axes, Role
from agent.model.settings import POSITIVE, UNITS, Readback, kind_of, letter_of

Level = Literal["refuse", "ask", "warn"]

#: Beyond this share of the calculated value no drive of that build is merely inaccurate.  A plain
#: roller is good to 1-3 % (common practice); five times the worst of it still asks.
IMPLAUSIBLE: Final = 0.15
#: A change of steps/mm beyond this share wants a reason in the mechanics, or the value typed again.
LARGE_CHANGE: Final = 0.05
#: Bracket of the mechanics, in standard uncertainties: 95 % (JCGM 100:2008, 6.3.3).
COVERAGE: Final = 2.0
#: Below this one kind of controller multiplies its own speed limits, and typing the old value back
#: does not undo that.
LEAST_EXTRUDER_STEPS: Final = 20.0
#: Length of the commanded move whose worst case is told, mm.
SHOWN_MOVE: Final = 10.0


@dataclass(frozen=True, slots=True)
class Finding:
    """What one guard says about one key."""

    level: Level
    code: str
    key: str
    text: str
    retype: bool = False  #: True: approval wants this value typed again
    mechanical: bool = False  #: True: said of the mechanics, not of the value as such

    def __str__(self) -> str:
        return f"{self.key}: {self.text}"

    def to_plain(self) -> dict[str, object]:
        return {"level": self.level, "code": self.code, "key": self.key, "text": self.text}


@dataclass(frozen=True, slots=True)
class Bracket:
    """What steps/mm a drive can have: calculated value and the half-width at 95 %, step/mm."""

    value: float
    half_width: float

    @classmethod
    def of(cls, drive: Drive) -> Bracket:
        return cls(drive.steps_per_mm, COVERAGE * drive.u_steps_per_mm)

    @property
    def low(self) -> float:
        return self.value - self.half_width

    def holds(self, steps: float) -> bool:
        return abs(steps - self.value) <= self.half_width

    def __str__(self) -> str:
        return f"{self.value:.2f} ± {self.half_width:.2f} step/mm"


def worst_travel(commanded_mm: float, steps: float, drive: Drive) -> float:
    """Travel of a commanded move if the drive is at the low end of its bracket, mm.

    travel = commanded * (steps/mm in the controller) / (true steps/mm).  Below zero nothing is
    known of the drive, and the travel is not bounded.
    """
    low = Bracket.of(drive).low
    return math.inf if low <= 0 else abs(commanded_mm) * steps / low


def worst_shares(profile: Profile, steps: Mapping[str, float]) -> dict[Role, float]:
    """By how much each axis could travel too far, as a share; endless where nothing is known.

    steps: in the controller, step/mm, by its letters.
    """
    shares = {}
    for role in ROLES:
        drive, letter = profile.mechanics.drives.get(role), profile.axes.letter(role)
        shares[role] = max(0.0, worst_travel(1.0, steps[letter], drive) - 1) if drive else math.inf
    return shares


def drive_of(key: str, mechanics: Mechanics, axes: Axes) -> Drive | None:
    """Drive of the axis that `key` is about, if the mechanics know it."""
    role = axes.role(letter_of(key))
    return None if role is None else mechanics.drives.get(role)


# --- wishes --------------------------------------------------------------------------------------


#: What such machines have, in the unit of the key; common practice, wide on purpose.  A home offset
#: is held against the travel of its axis where that is known.
USUAL: Final[Mapping[str, tuple[float, float]]] = {
    "steps_per_mm": (5.0, 20_000.0),
    "max_speed": (0.5, 1_000.0),
    "max_acceleration": (10.0, 50_000.0),
    "acceleration": (10.0, 50_000.0),
    "jerk": (0.0, 60.0),
    "junction_deviation": (0.0, 0.5),
    "home_offset": (-500.0, 500.0),
    "probe_offset": (-100.0, 100.0),
    "hotend_pid": (0.0, 5_000.0),
    "bed_pid": (0.0, 5_000.0),
    "motor_current": (50.0, 3_500.0),
    "max_travel": (20.0, 20_000.0),
    "min_speed": (0.0, 50.0),
    "segment_time": (0.0, 200_000.0),
    "skew": (0.0, 0.0),
}


def examine(
    readback: Readback, wanted: Mapping[str, float], mechanics: Mechanics, axes: Axes
) -> tuple[Finding, ...]:
    """Everything the guards say about writing `wanted`; empty if nothing.

    A damaged reading refuses everything, and then nothing else is said: no value of it counts.
    """
    if readback.damaged:
        why = "; ".join(readback.damage)
        text = f"nothing may rest on this reading: {why}"
        return (Finding("refuse", "damaged", "", text),)
    found: list[Finding] = []
    for key, value in wanted.items():
        basic = list(_value(readback, key, value))
        found += basic
        if not any(finding.level == "refuse" for finding in basic):
            found += _size(readback.settings[key].value, key, value, mechanics, axes)
            found += _usual(key, value, mechanics, axes)
    refused = {finding.key for finding in found if finding.level == "refuse"}
    possible = {key: value for key, value in wanted.items() if key not in refused}
    return (*found, *_pulse_rates(readback, possible, mechanics))


def _value(readback: Readback, key: str, value: float) -> Iterator[Finding]:
    """The value as such."""
    kind = kind_of(key)
    if key not in readback.settings:
        yield Finding("refuse", "not_read_back", key, "the controller did not report this setting")
    elif not math.isfinite(value):
        yield Finding("refuse", "not_finite", key, f"{value} is not a number to write")
    elif value <= 0 and kind in POSITIVE:
        yield Finding("refuse", "not_positive", key, f"must be above 0, not {value:g}")
    elif kind == "skew":
        text = (
            "skew correction assumes a box-shaped machine: on an endless belt its error grows "
            "without limit, and lifts the nozzle away or drives it into the belt"
        )
        yield Finding("refuse", "skew_word", key, text)
    elif kind == "steps_per_mm" and _is_extruder(key) and value < LEAST_EXTRUDER_STEPS:
        text = (
            f"{value:g} is below {LEAST_EXTRUDER_STEPS:g}: some controllers then multiply the "
            "extruder's speed limits, and typing the old value back does not undo it"
        )
        yield Finding("refuse", "extruder_low", key, text)
    elif kind == "motor_current":
        text = "a motor current belongs to one driver and one motor: is it meant for this one?"
        yield Finding("ask", "current", key, text)


def _usual(key: str, value: float, mechanics: Mechanics, axes: Axes) -> Iterator[Finding]:
    """A value beyond what such machines have, whatever was there before."""
    kind = kind_of(key)
    if kind == "steps_per_mm" and drive_of(key, mechanics, axes) is not None:
        return  # the mechanics know better
    low, high = USUAL[kind]
    role = axes.role(letter_of(key))
    travel = mechanics.travel_mm.get(role) if role is not None else None
    if kind == "home_offset" and travel is not None:  # a belt has no end, and no such travel
        low, high = max(low, -travel), min(high, travel)
    if low <= value <= high:
        return
    text = (
        f"{in_full(value)} {UNITS[kind]} is beyond what is usual ({low:g} to {high:g}): a slipped"
        " decimal, another unit, or another axis?"
    )
    yield Finding("ask", "unusual", key, text, retype=True, mechanical=True)


def _is_extruder(key: str) -> bool:
    return letter_of(key).startswith("e")


def _size(old: float, key: str, new: float, mechanics: Mechanics, axes: Axes) -> Iterator[Finding]:
    """The size of the value, against the mechanics or else against what is there now."""
    if kind_of(key) != "steps_per_mm":
        if kind_of(key) in POSITIVE and old > 0 and not 1 / 8 < new / old < 8:
            text = f"from {old:g} to {new:g} is {_times(new / old)}: a slipped decimal?"
            yield Finding("ask", "slipped_decimal", key, text, retype=True)
        return
    drive = drive_of(key, mechanics, axes)
    if drive is None:
        yield from _large_change(old, key, new)
        return
    held = list(_against_mechanics(key, new, drive, mechanics))
    yield from held
    asked = any(finding.level == "ask" for finding in held)
    if asked and not (old > 0 and abs(new / old - 1) <= LARGE_CHANGE):
        text = (
            f"from {in_full(old)} to {in_full(new)} is a large change, and the mechanics give no "
            f"reason for it; {_worst(new, drive)}"
        )
        yield Finding("ask", "large_change", key, text, retype=True)


def _against_mechanics(
    key: str, steps: float, drive: Drive, mechanics: Mechanics
) -> Iterator[Finding]:
    bracket = Bracket.of(drive)
    if bracket.holds(steps):
        return
    ratio = steps / bracket.value
    if abs(ratio - 1) <= IMPLAUSIBLE:
        text = (
            f"{in_full(steps)} step/mm is {100 * abs(ratio - 1):.2f} % "
            f"{'above' if ratio > 1 else 'below'} the calculated value ({bracket}). Make sure the "
            f"drive in the profile is correct{_beyond(steps, drive)}"
        )
        yield Finding("ask", "outside_bracket", key, text, mechanical=True)
        return
    code, cause = _cause(ratio, steps, mechanics)
    text = (
        f"{in_full(steps)} step/mm cannot be right for these mechanics ({bracket}): {cause}; "
        f"{_worst(steps, drive)}"
    )
    yield Finding("refuse", code, key, text, retype=True, mechanical=True)


def _cause(ratio: float, steps: float, mechanics: Mechanics) -> tuple[str, str]:
    """Code and words for a value that is far from the one calculated."""
    for role, drive in mechanics.drives.items():
        if abs(steps / drive.steps_per_mm - 1) <= LARGE_CHANGE:
            return "wrong_axis", f"it looks like the value of the {role} axis"
    power = power_of(2, ratio)
    decimal = power_of(10, ratio)
    if decimal and (
        not power or abs(math.log(ratio / 10.0**decimal)) < abs(math.log(ratio / 2.0**power))
    ):
        return "slipped_decimal", f"about {_times(10.0**decimal)}, a slipped decimal"
    if power:
        return "microsteps", (
            f"about {_times(2.0**power)}, a mismatch of microsteps or jumpers and not a scale"
        )
    return "implausible", "wrong drive in the profile, wrong axis, or factory defaults"


def power_of(base: int, ratio: float) -> int:
    """n if `ratio` is `base`**n within 15 % and n is not 0; else 0."""
    if not 1e-300 < ratio < 1e300:  # where a float ends there is no power to tell
        return 0
    n = round(math.log(ratio, base))
    return n if n and abs(ratio / float(base) ** n - 1) <= IMPLAUSIBLE else 0


def _large_change(old: float, key: str, new: float) -> Iterator[Finding]:
    """A change of steps/mm where nothing is known of the drive."""
    if old <= 0:
        text = f"the controller holds {old:g}, so the size of the change says nothing"
        yield Finding("ask", "no_old_value", key, text, retype=True)
        return
    ratio = new / old
    if abs(ratio - 1) <= LARGE_CHANGE:
        return
    hint = "."
    if power_of(10, ratio):
        hint = ": a slipped decimal?"
    elif power_of(2, ratio):
        hint = ": a mismatch of microsteps?"
    text = (
        f"changes by {_percent(ratio)}{hint} No drive is given for this axis, so the mechanics "
        f"cannot tell; a commanded {SHOWN_MOVE:g} mm will move "
        f"{_times(ratio)} as far as now"
    )
    yield Finding("ask", "large_change", key, text, retype=True)


def _pulse_rates(
    readback: Readback, wanted: Mapping[str, float], mechanics: Mechanics
) -> Iterator[Finding]:
    """Steps/mm times the speed limit against what the controller can step."""
    limit = mechanics.max_pulse_rate
    before = {key: setting.value for key, setting in readback.settings.items()}
    after = before | {key: value for key, value in wanted.items() if key in before}
    for key in wanted:
        kind = kind_of(key)
        if kind not in ("steps_per_mm", "max_speed"):
            continue
        for cap in _caps(key, after):
            steps = f"steps_per_mm.{letter_of(cap)}"
            if steps not in after or not after[steps] * after[cap] > limit:
                continue
            if before[steps] * before[cap] >= after[steps] * after[cap]:
                continue  # no worse than it is now
            if key != cap and cap in wanted:
                continue  # the cap itself is to blame, and it is asked about on its own
            lower = math.floor(limit / after[steps])
            text = (
                f"{in_full(after[steps])} step/mm at {after[cap]:g} mm/s makes "
                f"{after[steps] * after[cap]:.0f} pulses/s, and the controller can make "
                f"{limit:.0f}: lower {cap} to {lower} mm/s in the same plan"
            )
            yield Finding("refuse", "pulse_rate", key, text, mechanical=True)


def _caps(key: str, values: Iterable[str]) -> list[str]:
    """Speed limits that `key` bears on: itself, or all modes of its axis."""
    if kind_of(key) == "max_speed":
        return [key]
    letter = letter_of(key)
    return [k for k in values if kind_of(k) == "max_speed" and letter_of(k) == letter]


# --- what is there -------------------------------------------------------------------------------


def plausible(readback: Readback, mechanics: Mechanics, axes: Axes) -> tuple[Finding, ...]:
    """What the settings now in the controller say against the mechanics.

    A `refuse` among these blocks every motion of its axis.
    """
    found: list[Finding] = []
    for key, setting in readback.settings.items():
        kind = kind_of(key)
        if kind == "steps_per_mm":
            found += _live_steps(key, setting.value, drive_of(key, mechanics, axes), mechanics)
        elif kind == "skew" and setting.value != 0:
            text = (
                f"is {setting.value:g}: skew correction assumes a box-shaped machine, and on an "
                "endless belt its error grows without limit; set it to 0 at the controller"
            )
            found.append(Finding("warn", "skew_set", key, text))
    return tuple(found)


def _live_steps(
    key: str, steps: float, drive: Drive | None, mechanics: Mechanics
) -> Iterator[Finding]:
    if not (math.isfinite(steps) and steps > 0):
        yield Finding("refuse", "not_positive", key, f"the controller holds {steps:g}")
    elif drive is not None:
        yield from _against_mechanics(key, steps, drive, mechanics)


def blocked_roles(findings: Iterable[Finding], axes: Axes) -> dict[Role, str]:
    """Axes that must not move, with the reason, after `plausible`."""
    blocked: dict[Role, str] = {}
    for finding in findings:
        role = axes.role(letter_of(finding.key))
        if finding.level == "refuse" and role is not None:
            blocked.setdefault(role, finding.text)
    return blocked


# --- words ---------------------------------------------------------------------------------------


def _percent(ratio: float) -> str:
    return f"{(ratio - 1) * 100:+z.3g} %"


def _times(ratio: float) -> str:
    return f"{ratio:.3g} times"


def _beyond(steps: float, drive: Drive) -> str:
    """What a short move would do at worst, where that is not what was commanded."""
    travel = worst_travel(SHOWN_MOVE, steps, drive)
    return "" if abs(travel / SHOWN_MOVE - 1) < 0.005 else f"; {_worst(steps, drive)}"


def _worst(steps: float, drive: Drive) -> str:
    travel = worst_travel(SHOWN_MOVE, steps, drive)
    return f"a commanded {SHOWN_MOVE:g} mm could move {travel:.3g} mm"
