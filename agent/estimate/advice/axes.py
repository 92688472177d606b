"""Advice on scales, offsets and the material: what the motor settings can and cannot cure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np

from agent.estimate.advice.findings import Findings, axis_words, percent
from agent.estimate.remedies import ERROR_OF, power_of_two, several_speak
from agent.estimate.solution import Advice
from agent.model.feature import direction_group
from agent.model.materials import enlarged
from agent.model.roles import ROLES, Role

#: Share of the controller's pulse rate that a speed cap should leave free.
_PULSE_MARGIN = 0.2

#: Lengths at which scale and offset may cancel unnoticed, mm.
_LENGTHS = (5.0, 500.0)


def scales(f: Findings) -> Iterator[Advice]:
    for role, verdict in f.remedies.verdicts.items():
        parameter = verdict.parameter
        which = "far" if parameter.value > 0 else "short"
        size = (
            f"{100 * abs(parameter.value):.3f} % too {which} "
            f"(± {100 * parameter.expanded95:.3f} %, 95 %)"
        )
        axis = axis_words(f.survey, role)
        match verdict.reason:
            case "scale" if role in f.new_steps:
                old, new = f.new_steps[role]
                yield Advice(
                    "scale", f"The {axis} travels {size}: set {new:g} step/mm (now {old:g})."
                )
            case "scale":
                yield Advice(
                    "scale",
                    f"The {axis} travels {size}; its steps/mm are not known here: divide them "
                    f"by {1 + parameter.value:.5f}.",
                )
            case "single_length":
                yield Advice(
                    "single_length",
                    f"The {axis} seems to travel {size}, from one length only. One length cannot "
                    "tell a scale from an offset: measure a second one, five times as long or as "
                    "short.",
                )
            case "microstep_mismatch":
                factor = power_of_two(parameter.value)
                yield Advice(
                    "microstep_mismatch",
                    f"The {axis} moves {1 + parameter.value:.3f} times what it is told, close to "
                    f"{factor:g}: wrong microsteps or a jumper, not a scale. Mend that first; no "
                    "steps are proposed.",
                )


def coupled(f: Findings) -> Iterator[Advice]:
    pair = [f.remedies.verdicts[role] for role in ("across", "gantry")]
    if any(v.reason == "coupled_motors" for v in pair):
        x, y = (v.parameter.value for v in pair)
        yield Advice(
            "coupled_motors",
            "Across and gantry share two motors, and their steps belong to the motors (or nobody "
            "knows yet): unequal values would shear the part by half their difference "
            f"({abs(x - y) / 2 * 1e3:.1f} mm per metre). Only the mean "
            f"({percent((x + y) / 2)}) may be set on both; the rest is for belts and angle.",
        )


def offsets(f: Findings) -> Iterator[Advice]:
    roles: Mapping[str, tuple[Role, ...]] = {
        "x": ("across",),
        "s": ("belt",),
        "gantry": ("gantry",),
    }
    for group, of_group in roles.items():
        offset = f.parameters.get(f"offset.{group}")
        if offset is None or not (offset.determined and offset.significant):
            continue
        verdict = f.remedies.verdicts[of_group[0]]
        e = verdict.parameter.value - f.parameters["shrink"].value
        cancels = -offset.value / e if e else math.inf
        size = f"{abs(offset.value):.2f} mm (± {offset.expanded95:.2f})"
        if verdict.apply and _LENGTHS[0] < cancels < _LENGTHS[1]:
            yield Advice(
                "cancelling_length",
                f"Along {group}, parts are {size} {_long(offset.value)} whatever their length, "
                f"and the scale is {percent(e)}: at {cancels:.0f} mm the two errors cancel. "
                f"Shorter parts come out too {_big(offset.value)}, longer ones too "
                f"{_big(-offset.value)}.",
            )
        elif not verdict.apply and verdict.reason in ("not_significant", "small"):
            yield Advice(
                "offset_only",
                f"Parts are {size} {_long(offset.value)} along {group}, whatever their length: "
                "bead width or squash, not a motor setting. Correct it in slicing (bead width, "
                "flow), never by steps.",
            )
    upright = f.parameters.get("offset.h")
    if upright is not None and upright.determined and upright.significant:
        yield Advice(
            "offset_only",
            f"Upright, faces stand {upright.value:+z.2f} mm (± {upright.expanded95:.2f}) off "
            "whatever the height: the first layer (gap, squash) or the bead on top, not a motor "
            "setting. Correct it by the gap over the belt or in slicing, never by steps.",
        )


def _long(offset: float) -> str:
    return "too long" if offset > 0 else "too short"


def _big(offset: float) -> str:
    return "big" if offset > 0 else "small"


def not_told(f: Findings) -> Iterator[Advice]:
    """Scales that readings touch without telling them from an offset."""
    groups = {
        direction_group(r.along, f.survey.mechanics.gantry_angle)
        for r in f.survey.readings
        if r.kind in ("outside", "inside")
    }
    touched: Mapping[str, Role] = {"x": "across", "s": "belt", "gantry": "gantry"}
    for group, role in touched.items():
        verdict = f.remedies.verdicts[role]
        alone = not several_speak(f.fit, ERROR_OF[role])
        if group in groups and not verdict.apply and (alone or verdict.reason == "undetermined"):
            yield Advice(
                "scale_or_offset",
                f"The readings along {group} cannot tell a scale of the "
                f"{axis_words(f.survey, role)} from a bead that is wider than planned: add a "
                "length five times as long or as short.",
            )


def material(f: Findings) -> Iterator[Advice]:
    shrink = f.parameters["shrink"]
    withheld = [v for v in f.remedies.verdicts.values() if v.reason == "material"]
    if withheld:
        m = shrink.value - float(np.mean([v.parameter.value for v in withheld]))
        yield Advice(
            "material",
            "All printed directions are short by the same share: that is the material, not the "
            f"axes. Slice with the material factor {enlarged(m):.4f}, and let one direct travel "
            "reading confirm the axes. No steps are proposed.",
        )
    elif shrink.determined and shrink.significant:
        yield Advice(
            "material",
            f"The material shrinks by {100 * shrink.value:.2f} % (± {100 * shrink.expanded95:.2f}) "
            f"in all directions: slice with the factor {enlarged(shrink.value):.4f}. It is kept "
            "out of the motor settings.",
        )


def flow(f: Findings) -> Iterator[Advice]:
    if "belt" in f.new_steps:
        e = f.remedies.verdicts["belt"].parameter.value
        yield Advice(
            "flow",
            "Layer thickness is belt step times the sine of the angle: with the belt corrected, "
            f"layers change by {percent(1 / (1 + e) - 1)}. Judge the flow again afterwards.",
        )


def pulse_rate(f: Findings) -> Iterator[Advice]:
    limit = f.survey.mechanics.max_pulse_rate
    for role in ROLES:
        axis = f.survey.axes.letter(role)
        speed, steps = f.survey.max_speed.get(axis), f.survey.steps_per_mm.get(axis)
        if role in f.new_steps:
            steps = f.new_steps[role][1]
        if speed is None or steps is None or speed * steps <= limit:
            continue
        cap = limit / steps
        yield Advice(
            "pulse_rate",
            f"{axis.upper()} at {speed:g} mm/s wants {speed * steps:.0f} pulses/s, over the "
            f"controller's {limit:.0f}. Highest cap {cap:.1f} mm/s, "
            f"{cap * (1 - _PULSE_MARGIN):.0f} mm/s with margin. Lower the cap before the steps, in "
            "the same confirmed set.",
        )
