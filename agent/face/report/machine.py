"""Sections about the machine itself: how it is built, its settings, what it was measured with."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from agent.face.cautions import cautions_text
from agent.face.columns import headed
from agent.face.digits import angle
from agent.face.parts import Blanks, Facts, Items, Part, Table, Wire, Words
from agent.face.report.tune import Job, Tune
from agent.model.drive import Drive, Roller, Toothed
from agent.model.exact import as_printed, in_full
from agent.model.profile import Material
from agent.model.roles import ROLES
from agent.model.settings import Readback
from agent.model.survey import Survey

_NOT_NOTED: Final = "not noted"


def machine(tune: Tune) -> Sequence[Part]:
    survey = tune.before.survey
    mechanics = survey.mechanics
    unknown = "it gave no name" if tune.port else "not known: made from readings alone"
    facts = [
        ("Name", tune.machine),
        ("Note", tune.note or "none"),
        ("Controller identification", tune.identity or unknown),
        ("Command family", tune.family or "not known"),
        ("Port", tune.port or "none attached"),
        *_slicing_angles(tune),
    ]
    last = tune.rounds[-1].survey.mechanics.gantry_angle_deg
    if tune.slicing_angle_deg is not None and tune.slicing_angle_deg != last:
        facts.append(("Slicing angle from now on", angle(tune.slicing_angle_deg)))
    if mechanics.belt_loop_mm is not None:
        facts.append(("Belt loop length", f"{mechanics.belt_loop_mm:g} mm"))
    facts.append(("Maximum step rate", f"{mechanics.max_pulse_rate:g} per second"))
    if mechanics.coupling != "none":
        facts.append(("Two motors share across and gantry; steps are of", mechanics.coupling))
    return (Facts(tuple(facts)), _axes(tune), Words(_SENSE))


def _slicing_angles(tune: Tune) -> Iterator[tuple[str, str]]:
    """The angle that the pieces were drawn for: one, or one for each time they were read."""
    angles = [of.survey.mechanics.gantry_angle_deg for of in tune.rounds]
    if len(set(angles)) == 1:
        yield "Slicing angle of the pieces read", angle(angles[0])
        return
    for (when, _), of in zip(tune.times, angles, strict=True):
        yield f"Slicing angle of the pieces read {when}", angle(of)


_SENSE: Final = (
    "Along the belt counts positive the way the nozzle travels over it when the gantry axis rises."
    " x is across the belt, s along it, h off it."
)


def _axes(tune: Tune) -> Table:
    survey, latest = tune.before.survey, tune.rounds[-1].survey
    mechanics, axes = survey.mechanics, survey.axes
    letters = [axes.letter(role) for role in ROLES]
    in_use = {"step/mm in use": [_steps(letter, tune.first, survey) for letter in letters]}
    now = [_steps(letter, tune.last, latest) for letter in letters]
    if now not in in_use.values():
        in_use = {"step/mm at first": in_use["step/mm in use"], "step/mm now": now}
    rows = []
    for role, letter, *steps in zip(ROLES, letters, *in_use.values(), strict=True):
        drive = mechanics.drives.get(role)
        sign = "-" if axes.sign(role) == -1 else ""
        travel = mechanics.travel_mm.get(role)
        rows.append(
            (
                role,
                f"{sign}{letter.upper()}",
                _NOT_NOTED if drive is None else _train(drive),
                ""
                if drive is None
                else f"{drive.steps_per_mm:.2f} ± {2 * drive.u_steps_per_mm:.2f}",
                *steps,
                "" if travel is None else f"{travel:g}",
            )
        )
    return Table(
        headed(
            "axis",
            "letter",
            "~drive train",
            ">step/mm calculated, ± 95 %",
            *(f">{heading}" for heading in in_use),
            ">travel, mm",
        ),
        tuple(rows),
        "Axes and drive trains. What a drive train gives is a bracket: it rules out wrong"
        " settings, it does not tune.",
    )


def _steps(letter: str, readback: Readback | None, survey: Survey) -> str:
    """Steps/mm as the controller printed them, or as the survey holds them."""
    printed = readback.settings.get(f"steps_per_mm.{letter}") if readback is not None else None
    if printed is not None:
        return as_printed(printed)
    held = survey.steps_per_mm.get(letter)
    return "" if held is None else in_full(held)


def _train(drive: Drive) -> str:
    head = f"{drive.full_steps} steps x {drive.microsteps}"
    if drive.ratio != 1:
        head += f" x {drive.ratio:g}"
    output = drive.output
    if isinstance(output, Roller):
        return f"{head}, roller {output.diameter:g} mm, belt {output.belt:g} mm"
    if isinstance(output, Toothed):
        return f"{head}, {output.teeth} teeth of {output.pitch:g} mm"
    return f"{head}, screw of {output.lead:g} mm lead"


def settings(tune: Job) -> Sequence[Part]:
    """All settings, first and last; nothing where none were read back."""
    first, last = tune.first, tune.last
    if first is None or last is None:
        return ()
    rows, same = [], []
    for key, was in first.settings.items():
        now = last.settings.get(key)
        value = as_printed(was)
        if now is not None and now.value == was.value:
            same.append(f"{key} {value}" + (f" {was.unit}" if was.unit != "1" else ""))
        else:
            found = "not reported" if now is None else as_printed(now)
            rows.append((key, value, found, was.unit))
    parts: list[Part] = []
    if rows:
        columns = headed("setting", ">before", ">now", "unit")
        parts.append(Table(columns, tuple(rows), "Settings that differ from those at first."))
    if same:
        parts.append(Words("Unchanged:" if rows else "Read, and all unchanged:"))
        parts.append(Wire("\n".join(same), columns=2))
    parts.append(
        Words(
            "All as the controller prints them, each read twice. It may hold more digits than it"
            " prints."
        )
    )
    if last.damage:
        parts.append(Words("The last reading is DAMAGED: " + "; ".join(last.damage), strong=True))
    if first.other:
        parts.append(Words("Kept as text and never sent back blindly:"))
        parts.append(Wire("\n".join(first.other)))
    return parts


def conditions(tune: Tune) -> Sequence[Part]:
    survey = tune.before.survey
    instrument, material, found = survey.instrument, survey.material, survey.conditions
    tolerance = survey.tolerance
    named = material.name != Material().name

    def noted(value: float | None, unit: str) -> str:
        return _NOT_NOTED if value is None else f"{value:g} {unit}"

    return (
        Facts(
            (
                (
                    "Caliper",
                    f"step of the display {instrument.resolution_mm:g} mm, greatest permissible"
                    f" error {instrument.limit_words}, repeats within"
                    f" {instrument.repeatability_mm:g} mm (standard deviation)",
                ),
                *_checks(survey),
                (
                    "Plastic",
                    f"{material.name if named else 'not named'}, assumed shrink"
                    f" {material.shrink_percent:g} ±"
                    f" {2 * material.shrink_u_percent:g} % (95 %)",
                ),
                *(
                    [("Nozzle and bed", f"{material.nozzle_c:g} and {material.bed_c:g} °C")]
                    if named and material.nozzle_c is not None and material.bed_c is not None
                    else []
                ),
                ("Room", noted(found.room_c, "°C")),
                ("Pieces when read", noted(found.piece_c, "°C")),
                ("Time since they were laid", noted(found.minutes_since_print, "min")),
                (
                    "Tolerance",
                    f"errors up to {tolerance.scale_percent:g} % and {tolerance.angle_deg:g}°"
                    " are left alone",
                ),
            )
        ),
        Blanks(("Caliper no. and date of its last check", "Spool, colour, batch")),
    )


def _checks(survey: Survey) -> Iterator[tuple[str, str]]:
    """What the caliper showed on known lengths: it counts in the estimate."""
    for check in survey.checks:
        yield (
            f"Caliper on {check.known_mm:g} mm",
            f"{check.deviation_mm:+z.3f} ± {2 * check.u_mm:.3f} mm (95 %), {check.on or 'undated'}",
        )


#: What to mind with a machine that has just been tuned, beside the usual cautions.
_OF_A_TUNE: Final = (
    "After a changed setting, a power cycle or new firmware: make the first move short, stay at the"
    " switch, and check that it goes the commanded distance.",
    "The figures hold for the pieces, the plastic and the conditions named here. They are 95 %"
    " figures: one true value in twenty lies outside.",
    "An acknowledgement is no proof of a stored setting; only the stages listed as passed are.",
    "With other belt steps the layers have another thickness: judge the flow again.",
)


def cautions(tune: Job) -> Sequence[Part]:
    head = (
        (Words("This machine was simulated; on a real one all of this holds.", strong=True),)
        if tune.simulated
        else ()
    )
    return (*head, Items(_OF_A_TUNE), Wire(cautions_text()))
