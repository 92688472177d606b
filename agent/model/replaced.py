"""A part of a drive that was replaced: what the setting should be, and what to measure again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from agent.model.drive import Drive, Output, Roller, Screw, Toothed, steps_after_change
from agent.model.roles import Role

#: Parts that may have been replaced, and what is asked of each.
PARTS: Final[dict[str, tuple[str, ...]]] = {
    "roller": ("roller",),
    "belt": ("belt",),
    "pulley": ("teeth",),
    "screw": ("lead",),
    "gear": ("ratio",),
    "driver": ("microsteps",),
    "motor": ("full_steps",),
}

#: What each part is called when it is asked for.
WORDS: Final[dict[str, str]] = {
    "roller": "diameter of the new roller, mm, measured",
    "belt": "thickness of the new belt, mm, measured",
    "teeth": "teeth of the new pulley",
    "lead": "lead of the new screw, mm",
    "ratio": "motor turns to one turn of the output",
    "microsteps": "microsteps of the new driver",
    "full_steps": "full steps of the new motor's turn",
}


def parts_of(drive: Drive) -> tuple[str, ...]:
    """Parts of this drive that can be replaced."""
    kinds = {Roller: ("roller", "belt"), Toothed: ("pulley",), Screw: ("screw",)}
    return (*kinds[type(drive.output)], "gear", "driver", "motor")


@dataclass(frozen=True, slots=True)
class Replaced:
    """A drive before and after, and what follows."""

    role: Role
    old: Drive
    new: Drive
    measured: float  #: step/mm that were right before
    steps_per_mm: float  #: that should be right now
    u: float  #: standard uncertainty, step/mm
    again: tuple[str, ...]  #: what has to be measured again, the confirming run first

    def to_plain(self) -> dict[str, Any]:
        return {
            "axis": self.role,
            "before": self.measured,
            "steps_per_mm": self.steps_per_mm,
            "u": self.u,
            "low": self.steps_per_mm - 2 * self.u,
            "high": self.steps_per_mm + 2 * self.u,
            "measure_again": list(self.again),
        }


def with_parts(drive: Drive, parts: Mapping[str, float]) -> Drive:
    """`drive` with new parts, by the names of `WORDS` and `pitch`, `neutral`.

    Another kind of output replaces the old one whole.  Raises ValueError for parts that make none.
    """
    return Drive(
        int(parts.get("full_steps", drive.full_steps)),
        int(parts.get("microsteps", drive.microsteps)),
        parts.get("ratio", drive.ratio),
        _output(drive.output, parts),
    )


def _output(old: Output, parts: Mapping[str, float]) -> Output:
    if {"roller", "belt", "neutral"} & parts.keys():
        diameter = parts.get("roller", getattr(old, "diameter", None))
        belt = parts.get("belt", getattr(old, "belt", None))
        if diameter is None or belt is None:
            raise ValueError("a roller wants its diameter and the belt's thickness")
        kept = None if "belt" in parts else getattr(old, "neutral", None)
        return Roller(diameter, belt, parts.get("neutral", kept))
    if {"teeth", "pitch"} & parts.keys():
        teeth = parts.get("teeth", getattr(old, "teeth", None))
        pitch = parts.get("pitch", getattr(old, "pitch", None))
        if teeth is None or pitch is None:
            raise ValueError("a toothed belt wants both teeth and pitch")
        return Toothed(int(teeth), pitch)
    return Screw(parts["lead"]) if "lead" in parts else old


def after_replacing(role: Role, old: Drive, new: Drive, measured: float) -> Replaced:
    """The value that follows from the measured one, its bracket, and what to measure again.

    Raises ValueError where nothing differs or `measured` is not positive.
    """
    if new == old:
        raise ValueError("nothing differs from the drive in the profile")
    value, u = steps_after_change(measured, old, new)
    return Replaced(role, old, new, measured, value, u, tuple(_again(role, old, new)))


def _again(role: Role, old: Drive, new: Drive) -> list[str]:
    again = [
        "gauge travel-belt, or marks over whole roller turns: confirms the value before it is"
        " stored"
        if role == "belt"
        else f"gauge travel-{role}: confirms the value before it is stored"
    ]
    steps_only = new.output == old.output
    if not steps_only and isinstance(new.output, Roller):
        again.append("marks: run-out of the new roller and slip of the belt on it")
        if isinstance(old.output, Roller) and old.output.belt != new.output.belt:
            again.append("belt_loop_mm in the profile, and the height of the nozzle over the belt")
        again.append("the bed's tilt ('gauge bed'): a roller of another size lifts one end")
    if not steps_only and role == "gantry":
        again.append("post: height and lean")
    if not steps_only and role == "across":
        again.append("strip: lengths across")
    if new.microsteps != old.microsteps or new.full_steps != old.full_steps:
        again.append(
            "speed limit: steps/mm times mm/s must stay below what the controller can step;"
            " and the motor's current belongs to the new driver or motor"
        )
    if new.ratio != old.ratio:
        again.append(f"lost motion of the new gear: marks --axis {role} --both")
    return again
