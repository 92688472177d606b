"""What the estimate means at the bench, one finding a line.

Each rule looks at one thing and yields at most a few `Advice`; the codes stay, the words may
improve.  Rules never compute a parameter anew: they read the fit, the remedies, the mechanics.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from agent.estimate.belt_findings import BeltFindings
from agent.estimate.belt_run import Period
from agent.estimate.combinations import combination
from agent.estimate.fit import Fit
from agent.estimate.remedies import (
    ERROR_OF,
    Remedies,
    lengths_that_speak,
    letter,
    power_of_two,
)
from agent.estimate.solution import Advice, Combination, NextReading, Parameter, Residual
from agent.model.bed import shim_mm
from agent.model.feature import direction_group
from agent.model.roles import ROLES, Role
from agent.model.survey import Survey

#: Linear expansion of unfilled printing plastics, 1/K: 68e-6 typical, from memory.
PLASTIC_EXPANSION = 68e-6

#: A part is taken as warm for this long after printing, minutes (common practice).
WARM_MINUTES = 20.0

#: Span used for yaw and shims where the machine's own is not known, mm.
_SPAN = 300.0

#: Share of the controller's pulse rate that a speed cap should leave free.
_PULSE_MARGIN = 0.2

#: Lengths at which scale and offset may cancel unnoticed, mm.
_LENGTHS = (5.0, 500.0)


@dataclass(frozen=True, slots=True)
class Findings:
    """All that the rules may look at."""

    survey: Survey
    fit: Fit
    parameters: Mapping[str, Parameter]
    remedies: Remedies
    derived: Mapping[str, Combination]
    residuals: tuple[Residual, ...]
    stray: tuple[tuple[int, int], ...]  #: (reading, repeat) that stand off their own repeats
    new_steps: Mapping[Role, tuple[float, float]]  #: role -> old, new of proposed settings
    next: NextReading | None
    belt: BeltFindings | None = None


Rule = Callable[[Findings], Iterator[Advice]]


def _percent(x: float) -> str:
    return f"{100 * x:+.3f} %"


def _named(survey: Survey, i: int) -> str:
    reading = survey.readings[i]
    along = ", ".join(f"{x:g}" for x in reading.along)
    return reading.name or f"reading {i + 1} ({reading.kind} {along})"


def _axis(survey: Survey, role: Role) -> str:
    return f"{role} axis ({survey.axes.letter(role).upper()})"


def _strays(f: Findings) -> Iterator[Advice]:
    for i, k in f.stray:
        reading = f.survey.readings[i]
        others = [x for j, x in enumerate(reading.mm) if j != k]
        yield Advice(
            "outlier",
            f"{_named(f.survey, i)}: value {k + 1} ({reading.mm[k]:g} mm) stands off its own "
            f"repeats (mean of the others {np.mean(others):.3f} mm). Read it again or correct it; "
            "it still counts as it is.",
        )
    for i, residual in enumerate(f.residuals):
        if residual.outlier and all(i != j for j, _ in f.stray):
            yield Advice(
                "outlier",
                f"{_named(f.survey, i)}: {residual.measured:.3f} mm does not fit the others, "
                f"which say {residual.predicted:.3f} mm. Wrong feature, turned piece or swapped "
                "digits? It still counts as it is.",
            )


def _scales(f: Findings) -> Iterator[Advice]:
    for role, verdict in f.remedies.verdicts.items():
        parameter = verdict.parameter
        size = f"{_percent(parameter.value)} (+-{100 * parameter.expanded95:.3f} %)"
        axis = _axis(f.survey, role)
        match verdict.reason:
            case "scale" if role in f.new_steps:
                old, new = f.new_steps[role]
                yield Advice("scale", f"The {axis} is off by {size}: {old:g} -> {new:g} step/mm.")
            case "scale":
                yield Advice(
                    "scale",
                    f"The {axis} is off by {size}; its steps/mm are not known here: divide them "
                    f"by {1 + parameter.value:.5f}.",
                )
            case "single_length":
                yield Advice(
                    "single_length",
                    f"The {axis} seems off by {size}, from one length only. One length cannot tell "
                    "a scale from an offset: measure a second one, five times as long or as short.",
                )
            case "microstep_mismatch":
                factor = power_of_two(parameter.value)
                yield Advice(
                    "microstep_mismatch",
                    f"The {axis} moves {1 + parameter.value:.3f} times what it is told, close to "
                    f"{factor:g}: wrong microsteps or a jumper, not a scale. Mend that first; no "
                    "steps are proposed.",
                )


def _coupled(f: Findings) -> Iterator[Advice]:
    pair = [f.remedies.verdicts[role] for role in ("across", "gantry")]
    if any(v.reason == "coupled_motors" for v in pair):
        x, y = (v.parameter.value for v in pair)
        yield Advice(
            "coupled_motors",
            "Across and gantry share two motors, and their steps belong to the motors (or nobody "
            "knows yet): unequal values would shear the part by half their difference "
            f"({abs(x - y) / 2 * 1e3:.1f} mm per metre). Only the mean "
            f"({_percent((x + y) / 2)}) may be set on both; the rest is for belts and angle.",
        )


def _angle(f: Findings) -> Iterator[Advice]:
    angle = f.parameters["gantry_angle_deg"]
    mechanics = f.survey.mechanics
    if f.remedies.angle_deg is None:
        return
    true = mechanics.gantry_angle_deg + angle.value
    lever = mechanics.screws.span_mm if mechanics.screws else _SPAN
    shim = abs(shim_mm(angle.value, lever))
    steeper = "steeper" if angle.value > 0 else "flatter"
    yield Advice(
        "angle",
        f"The gantry stands at {true:.2f} deg (+-{angle.expanded95:.2f}), {abs(angle.value):.2f} "
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


def _unsplit_lean(f: Findings) -> Iterator[Advice]:
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


def _belt_in_lean(f: Findings) -> Iterator[Advice]:
    belt = f.parameters["z_scale"]
    if not any(r.kind == "lean" for r in f.survey.readings):
        return
    share = math.degrees(belt.value / math.tan(f.survey.mechanics.gantry_angle))
    if belt.determined and belt.significant and abs(share) > f.survey.tolerance.angle_deg:
        yield Advice(
            "belt_scale_lean",
            f"{-share:+.2f} deg of the lean come from the belt's scale and go with it.",
        )


def _offsets(f: Findings) -> Iterator[Advice]:
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
        size = f"{offset.value:+.2f} mm (+-{offset.expanded95:.2f})"
        if verdict.apply and _LENGTHS[0] < cancels < _LENGTHS[1]:
            yield Advice(
                "cancelling_length",
                f"Along {group}, parts grow by {size} whatever their length, and the scale is "
                f"{_percent(e)}: the two cancel at {cancels:.0f} mm, where a part reads right by "
                "luck. Short parts come out too big and long ones too small, or the reverse.",
            )
        elif not verdict.apply and verdict.reason in ("not_significant", "small"):
            yield Advice(
                "offset_only",
                f"Along {group}, faces stand {size} off whatever the length: bead width or squash, "
                "not a motor setting. Correct it in slicing (bead width, flow), never by steps.",
            )


def _material(f: Findings) -> Iterator[Advice]:
    shrink = f.parameters["shrink"]
    withheld = [v for v in f.remedies.verdicts.values() if v.reason == "material"]
    if withheld:
        m = shrink.value - float(np.mean([v.parameter.value for v in withheld]))
        yield Advice(
            "material",
            "All printed directions are short by the same share: that is the material, not the "
            f"axes. Slice with the material factor {1 / (1 - m):.4f}, and let one direct travel "
            "reading confirm the axes. No steps are proposed.",
        )
    elif shrink.determined and shrink.significant:
        yield Advice(
            "material",
            f"The material shrinks by {100 * shrink.value:.2f} % (+-{100 * shrink.expanded95:.2f}) "
            f"in all directions: slice with the factor {1 / (1 - shrink.value):.4f}. It is kept "
            "out of the motor settings.",
        )


def _squareness(f: Findings) -> Iterator[Advice]:
    span = f.survey.mechanics.yaw_span_mm or _SPAN
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
            f"{code.capitalize()} {parameter.value:+.2f} deg (+-{parameter.expanded95:.2f}): "
            f"{what}. By spanner: {mm:.1f} mm at {span:g} mm spacing. No command line cures it.",
        )
    shear = f.derived.get("plan_shear_deg")
    if shear and abs(shear.value) > max(2 * shear.u, tolerance):
        found = True
        yield Advice(
            "plan_shear",
            f"Across and belt stand {shear.value:+.2f} deg (+-{2 * shear.u:.2f}) off square in "
            "plan, by yaw or by the rail: the sideways lean (sway) of an upright face and the "
            "nozzle gap across tell which.",
        )
    if found:
        yield Advice(
            "skew_words",
            "A controller's skew words assume a box machine: with an endless belt they drive the "
            "nozzle away from the belt or into it as the job goes on. They are never proposed.",
        )


def _flow(f: Findings) -> Iterator[Advice]:
    if "belt" in f.new_steps:
        e = f.remedies.verdicts["belt"].parameter.value
        yield Advice(
            "flow",
            "Layer thickness is belt step times the sine of the angle: with the belt corrected, "
            f"layers change by {_percent(1 / (1 + e) - 1)}. Judge the flow again afterwards.",
        )


def _pulse_rate(f: Findings) -> Iterator[Advice]:
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


def _warm(f: Findings) -> Iterator[Advice]:
    conditions = f.survey.conditions
    minutes, room, piece = conditions.minutes_since_print, conditions.room_c, conditions.piece_c
    if piece is not None:
        # ISO 1: lengths are stated at 20 degrees C.
        excess = piece - 20.0
        if abs(excess) * PLASTIC_EXPANSION >= f.survey.tolerance.scale_percent / 200:
            yield Advice(
                "warm_part",
                f"The piece was read at {piece:g} deg C: about "
                f"{_percent(excess * PLASTIC_EXPANSION)} against 20 deg C. Read it when cool.",
            )
    elif minutes is not None and minutes < WARM_MINUTES:
        about = "" if room is None else f" Room: {room:g} deg C."
        yield Advice(
            "warm_part",
            f"The piece was read {minutes:g} min after printing; 20 K too warm is "
            f"{_percent(20 * PLASTIC_EXPANSION)}, the size of the error sought.{about} Read it "
            "again when it has cooled.",
        )


def _nothing(f: Findings) -> Iterator[Advice]:
    if not f.remedies.nothing:
        return
    shown = []
    for role in ROLES:
        parameter = f.parameters[letter(role)]
        if parameter.determined:
            shown.append(f"{role} {100 * parameter.expanded95:.3f} %")
    angle = f.parameters["gantry_angle_deg"]
    if angle.determined:
        shown.append(f"angle {angle.expanded95:.3f} deg")
    smallest = "; ".join(shown) or "none of the scales nor the angle is determined"
    more = _longer_span(f)
    if f.next:
        along = ", ".join(f"{x:g}" for x in f.next.along)
        more += f" The reading that would tell more: {f.next.feature} along ({along})."
    yield Advice(
        "no_change",
        f"No change warranted. Smallest error these readings could have shown: {smallest}.{more}",
    )


def _longer_span(f: Findings) -> str:
    """Span between two lengths that would show an error of the tolerance, where one is missing.

    Two lengths apart by S, each with standard uncertainty u, tell a scale to u sqrt(2)/S.
    """
    tolerance = f.survey.tolerance.scale_percent / 100
    wanted = []
    for role in ROLES:
        parameter = f.parameters[letter(role)]
        column = f.fit.J[:, ERROR_OF[role]]
        speaks = np.abs(column) > 0.2 * np.linalg.norm(f.fit.observations.v, axis=1)
        if parameter.determined and parameter.expanded95 > tolerance and np.any(speaks):
            u = math.sqrt(float(np.min(f.fit.observations.independent[speaks])))
            wanted.append(f"{2 * u * math.sqrt(2) / tolerance:.0f} mm for {role}")
    if not wanted:
        return ""
    spans = ", ".join(wanted)
    return f" To show {100 * tolerance:g} % by two lengths they must be far apart: {spans}."


def _not_told(f: Findings) -> Iterator[Advice]:
    """Scales that readings touch without telling them from an offset."""
    groups = {
        direction_group(r.along, f.survey.mechanics.gantry_angle)
        for r in f.survey.readings
        if r.kind in ("outside", "inside")
    }
    touched: Mapping[str, Role] = {"x": "across", "s": "belt", "gantry": "gantry"}
    for group, role in touched.items():
        verdict = f.remedies.verdicts[role]
        alone = lengths_that_speak(f.fit, ERROR_OF[role]) < 2
        if group in groups and not verdict.apply and (alone or verdict.reason == "undetermined"):
            yield Advice(
                "scale_or_offset",
                f"The readings along {group} cannot tell a scale of the "
                f"{_axis(f.survey, role)} from a bead that is wider than planned: add a "
                "length five times as long or as short.",
            )


def _belt(f: Findings) -> Iterator[Advice]:
    """What the belt runs mean at the bench."""
    found = f.belt
    if found is None:
        return
    if found.slips and found.slip:
        yield Advice(
            "slip",
            f"Under load the belt falls {100 * found.slip.difference:.2f} % short of the empty run "
            f"and scatters {found.slip.scatter_ratio:.1f} times as much: it slips. Mend the "
            "traction (tension, clean roller, drag) first; no belt steps are proposed.",
        )
    if found.reversal and abs(found.reversal.mean) > 2 * found.reversal.u:
        even = "the same everywhere" if found.reversal.constant else "not the same everywhere"
        yield Advice(
            "reversal",
            f"Lost motion of {abs(found.reversal.mean):.3f} mm (+-{2 * found.reversal.u:.3f}) "
            f"between the two ways, {even}: belt tension or pulley, not a setting. Approach marks "
            "from the feed direction.",
        )
    for run in found.runs:
        for wave in run.waves:
            if wave.significant:
                yield _wave_advice(wave.period, wave.amplitude, wave.u, found.best_lengths)
        if run.trend_is_significant:
            yield Advice(
                "trend",
                f"The error grows along the run ({run.trend:+.2f} mm at its end beyond a straight "
                "line): slip, warming or a walking belt. A longer run tells which.",
            )


def _wave_advice(period: Period, amplitude: float, u: float, best: tuple[float, ...]) -> Advice:
    size = f"{amplitude:.2f} mm (+-{2 * u:.2f})"
    if period.name == "loop":
        return Advice(
            "belt_joint",
            f"The error repeats once per belt loop, amplitude {size}: the joint or an uneven belt. "
            "Keep test pieces off the joint.",
        )
    lengths = ", ".join(f"{length:.1f}" for length in best[:3])
    better = f" Test lengths of whole turns do not see it: {lengths} mm." if lengths else ""
    return Advice(
        "run_out",
        f"The roller is out of round by an amplitude of {size} at {period.mm:.1f} mm per turn: a "
        f"matter of mechanics, not of steps.{better}",
    )


RULES: tuple[Rule, ...] = (
    _belt,
    _strays,
    _scales,
    _coupled,
    _angle,
    _unsplit_lean,
    _belt_in_lean,
    _offsets,
    _not_told,
    _material,
    _squareness,
    _flow,
    _pulse_rate,
    _warm,
    _nothing,
)


def advise(findings: Findings) -> tuple[Advice, ...]:
    """All advice, most pressing first."""
    return tuple(advice for rule in RULES for advice in rule(findings))
