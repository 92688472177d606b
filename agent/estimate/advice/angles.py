"""Advice on the gantry angle and on what is out of square: slicing, screws and spanners."""

from __future__ import annotations

import math
from collections.abc import Iterator

from agent.estimate.advice.findings import SPAN, Findings
from agent.estimate.combinations import combination
from agent.estimate.solution import Advice
from agent.model.bed import shim_mm


def gantry_angle(f: Findings) -> Iterator[Advice]:
    angle = f.parameters["gantry_angle_deg"]
    mechanics = f.survey.mechanics
    if f.remedies.angle_deg is None:
        return
    true = mechanics.angle_deg + angle.value
    lever = mechanics.screws.span_mm if mechanics.screws else SPAN
    shim = abs(shim_mm(angle.value, lever))
    steeper = "steeper" if angle.value > 0 else "flatter"
    yield Advice(
        "angle",
        f"The gantry stands at {true:.2f} deg (±{angle.expanded95:.2f}), {abs(angle.value):.2f} "
        f"{steeper} than the slicing angle. Slice at {f.remedies.angle_deg:.2f} deg, which is "
        f"exact, or take it out by {shim:.1f} mm at a lever of {lever:g} mm.",
    )
    if mechanics.screws:
        turns = shim / mechanics.screws.pitch_mm
        yield Advice(
            "bed_shim",
            f"The same by screw: {turns:.1f} turns at {mechanics.screws.pitch_mm:g} mm per turn "
            f"over {lever:g} mm. Do one or the other, never both.",
        )
    yield Advice(
        "height_trap",
        "Do not make the height right with the gantry's steps while the angle is off: that "
        f"multiplies the lean by {1 / math.sin(mechanics.gantry_angle) ** 2:.1f}. Do not trim the "
        "belt axis until faces look upright: every length along the belt would be wrong by "
        f"{abs(math.radians(angle.value) * math.tan(mechanics.gantry_angle)) * 100:.2f} %.",
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
        f"Upright faces lean by {lean.value:+.2f} deg, but gantry angle and gantry scale cannot be "
        f"told apart: measure {missing}, to 0.1 mm. Nothing is proposed until then.",
    )


def belt_in_lean(f: Findings) -> Iterator[Advice]:
    belt = f.parameters["z_scale"]
    if not any(r.kind == "lean" for r in f.survey.readings):
        return
    share = math.degrees(belt.value / math.tan(f.survey.mechanics.gantry_angle))
    if belt.determined and belt.significant and abs(share) > f.survey.tolerance.angle_deg:
        yield Advice(
            "belt_scale_lean",
            f"{-share:+.2f} deg of the lean come from the belt's scale and go with it.",
        )


def squareness(f: Findings) -> Iterator[Advice]:
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
            f"{code.capitalize()} {parameter.value:+.2f} deg (±{parameter.expanded95:.2f}): "
            f"{what}. By spanner: {mm:.1f} mm at {span:g} mm spacing. No command line cures it.",
        )
    shear = f.derived.get("plan_shear_deg")
    if shear and abs(shear.value) > max(2 * shear.u, tolerance):
        found = True
        yield Advice(
            "plan_shear",
            f"Across and belt stand {shear.value:+.2f} deg (±{2 * shear.u:.2f}) off square in "
            "plan, by yaw or by the rail: the sideways lean (sway) of an upright face and the "
            "nozzle gap across tell which.",
        )
    if found:
        yield Advice(
            "skew_words",
            "A controller's skew words assume a box machine: with an endless belt they drive the "
            "nozzle away from the belt or into it as the job goes on. They are never proposed.",
        )
