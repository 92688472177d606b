"""Advice on the gantry angle and on what is out of square: slicing, screws and spanners."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Final

from agent.estimate.advice.findings import SPAN, Findings
from agent.estimate.combinations import combination, known
from agent.estimate.solution import Advice, Turn
from agent.model.bed import shim_mm

#: Tangent of the angle from which a machine counts as upright.
_UPRIGHT: Final = 100.0


def gantry_angle(f: Findings) -> Iterator[Advice]:
    angle = f.parameters["gantry_angle_deg"]
    mechanics = f.survey.mechanics
    if f.remedies.angle_deg is None:
        return
    true = mechanics.angle_deg + angle.value
    lever = mechanics.screws.span_mm if mechanics.screws else SPAN
    shim = abs(shim_mm(angle.value, lever))
    steeper, back = ("steeper", "flatter") if angle.value > 0 else ("flatter", "steeper")
    yield Advice(
        "angle",
        f"The gantry is at {true:.2f}° (± {angle.expanded95:.2f}°), {abs(angle.value):.2f}° "
        f"{steeper} than the slicing angle. Either set the slicer to {f.remedies.angle_deg:.2f}° "
        f"(exact), or make the gantry {back} by {shim:.1f} mm over {lever:g} mm.",
        Turn(-shim_mm(angle.value, lever), lever),
    )
    if mechanics.screws:
        turns = shim / mechanics.screws.pitch_mm
        # A bed that rises towards +s takes from the angle between itself and the gantry.
        end = "+s" if angle.value > 0 else "-s"
        yield Advice(
            "bed_shim",
            f"Or tilt the bed instead: raise its {end} end by {turns:.1f} turns of the screws "
            f"({mechanics.screws.pitch_mm:g} mm a turn, {lever:g} mm apart); s counts the way the "
            f"nozzle travels over the belt when the gantry rises. That makes the angle between "
            f"gantry and bed {back}. Try a quarter turn first to see which way raises it. Do only "
            "one of these.",
        )
    tan = math.tan(mechanics.gantry_angle)
    if abs(tan) > _UPRIGHT:  # no scale leans an upright machine
        return
    yield Advice(
        "height_trap",
        "Do not correct the height with the gantry steps while the angle is wrong: that "
        f"multiplies the lean by {1 / math.sin(mechanics.gantry_angle) ** 2:.1f}. Do not trim the "
        "belt axis until faces look upright: every length along the belt would be wrong by "
        f"{abs(math.radians(angle.value) * tan) * 100:.2f} %.",
    )


def unsplit_lean(f: Findings) -> Iterator[Advice]:
    if not any(r.kind == "lean" for r in f.survey.readings):
        return
    open_parts = [
        name for name in ("y_scale", "gantry_angle_deg") if not f.parameters[name].determined
    ]
    lean, _ = combination(f.fit, "lean_deg")
    if not open_parts or abs(lean.value) <= 2 * lean.u:
        return
    missing = (
        "the height of the same piece"
        if f.parameters["z_scale"].determined
        else ("the height of the same piece and a length along the belt")
    )
    yield Advice(
        "angle_or_scale",
        f"Upright faces lean by {lean.value:+z.2f}°, but gantry angle and gantry scale cannot be "
        f"told apart: measure {missing}, to 0.1 mm. Nothing is proposed until then.",
    )


def unsplit_height(f: Findings) -> Iterator[Advice]:
    """Heights that are off, with nothing that tells the gantry's scale from its angle."""
    if any(r.kind == "lean" for r in f.survey.readings):
        return
    open_parts = not any(f.parameters[n].determined for n in ("y_scale", "gantry_angle_deg"))
    height = known(f.fit, "printed_h_percent")
    if not open_parts or height is None or abs(height.value) <= 2 * height.u:
        return
    yield Advice(
        "angle_or_scale",
        f"Heights come out {height.value:+z.2f} % off, but gantry angle and gantry scale cannot be "
        "told apart: measure the lean of an upright face of the same piece, to 0.1 mm. Nothing is "
        "proposed until then.",
    )


def belt_in_lean(f: Findings) -> Iterator[Advice]:
    belt = f.parameters["z_scale"]
    if not any(r.kind == "lean" for r in f.survey.readings):
        return
    share = math.degrees(belt.value / math.tan(f.survey.mechanics.gantry_angle))
    if belt.determined and belt.significant and abs(share) > f.survey.tolerance.angle_deg:
        yield Advice(
            "belt_scale_lean",
            f"{-share:+z.2f}° of the lean is caused by the belt's scale and disappears when that "
            "is corrected.",
        )


_NAMES = {"yaw": "Gantry yaw", "rail": "Rail skew", "roll": "Gantry roll"}

#: Where the +x end goes too far when the angle is above zero, and the way back.  From the matrix of
#: the motion (agent.model.geometry): yaw carries +x towards +s, the rail's turn carries it up the
#: gantry, roll carries it down to the belt.
_ENDS = {
    "yaw": (
        "Move the +x end of the gantry back (-s)",
        "Move the +x end of the gantry forward (+s)",
    ),
    "rail": (
        "Move the +x end of the rail down the gantry",
        "Move the +x end of the rail up the gantry",
    ),
    "roll": ("Raise the +x end of the gantry", "Lower the +x end of the gantry"),
}


#: Which way the +x end goes back, for an angle above zero.
_SIGNS = {"yaw": -1, "rail": -1, "roll": 1}


def _move(code: str, value: float) -> str:
    """Which end is moved which way to take out an angle of this sign."""
    return _ENDS[code][value < 0]


#: Combinations of two turns: code of the advice, what is seen, what tells.
_PAIRS: Mapping[str, tuple[str, str, str]] = {
    "plan_shear_deg": (
        "plan_shear",
        "Seen from above, the across axis is {size} out of square with the belt (gantry yaw or "
        "rail skew)",
        "Measure the sideways lean (sway) of an upright face and the nozzle gap to find out which.",
    ),
    "sway_deg": (
        "yaw_or_roll",
        "Upright faces lean sideways by {size} (gantry yaw or gantry roll)",
        "Measure the nozzle gap and two diagonals of a plate to find out which.",
    ),
    "gap_deg": (
        "roll_or_rail",
        "Along an across move the nozzle rises by {size} over the belt (gantry roll or rail skew)",
        "Measure the sideways lean (sway) of an upright face and two diagonals of a plate to find "
        "out which.",
    ),
}


def squareness(f: Findings) -> Iterator[Advice]:
    """Turns of the machine; a spanner waits for readings that tell which of them it is."""
    span = f.survey.mechanics.yaw_span_mm or SPAN
    tolerance = f.survey.tolerance.angle_deg
    words = {
        "yaw_deg": ("yaw", "the whole gantry is turned against the belt travel"),
        "rail_deg": ("rail", "the across rail is turned inside the gantry plane"),
        "roll_deg": ("roll", "the gantry is rolled about the belt's direction"),
    }
    found = False
    for name, (code, what) in words.items():
        parameter = f.parameters[name]
        if not (
            parameter.determined and parameter.significant and abs(parameter.value) > tolerance
        ):
            continue
        found = True
        mm = abs(shim_mm(parameter.value, span))
        yield Advice(
            code,
            f"{_NAMES[code]} {parameter.value:+z.2f}° (± {parameter.expanded95:.2f}°): {what}. "
            f"{_move(code, parameter.value)} by {mm:.1f} mm over {span:g} mm. No setting can "
            "correct it.",
            Turn(_SIGNS[code] * shim_mm(parameter.value, span), span),
        )
    for name, (code, seen, which) in _PAIRS.items():
        pair = f.derived.get(name)
        if pair is None or abs(pair.value) <= max(2 * pair.u, tolerance):
            continue
        found = True
        size = f"{pair.value:+z.2f}° (± {2 * pair.u:.2f}°)"
        yield Advice(code, f"{seen.format(size=size)}. {which}")
    if found:
        yield Advice(
            "skew_words",
            "A controller's skew correction assumes a box-shaped machine: with an endless belt "
            "it drives the nozzle away from the belt or into it as the job goes on. It is "
            "never proposed.",
        )
