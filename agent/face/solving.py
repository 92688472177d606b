"""`solve`: from readings, in a file or of the session, to errors, corrections and advice."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.errors import Refused
from agent.face import tables
from agent.face.desk import Desk, at_desk
from agent.face.options import Verb, as_json
from agent.face.screen import Screen
from agent.face.words import reading_name, shown, vector
from agent.model.exact import DECIMALS
from agent.model.settings import UNITS, Readback, Setting, kind_of, letter_of
from agent.model.survey import Survey

if TYPE_CHECKING:
    from agent.estimate.remedies import LineBuilder
    from agent.estimate.solution import Solution
    from agent.families.base import Family


@click.command(cls=Verb)
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--readings", "every_reading", is_flag=True, help="list every reading")
@as_json
@at_desk
def solve(desk: Desk, /, file: Path | None, every_reading: bool) -> None:
    """Every error of the machine at once, from a readings FILE or from this session.

    \b
    Example: plumbelt solve readings.yaml --json
    """
    if file is None:
        solution = desk.session.solve()
        survey = desk.session.now.survey
        assert survey is not None
    else:
        survey, solution = solved_file(file)

    def show_all() -> None:
        show(desk.screen, survey, solution, every_reading=every_reading)
        compared = desk.session.compare() if file is None else ()
        if compared:
            desk.screen.heading("Against what was foretold before the change")
            tables.comparison(desk.screen, compared)

    desk.screen.answer(solution.to_plain(), show_all)


def solved_file(path: Path) -> tuple[Survey, Solution]:
    """The survey in a readings file and its solution."""
    from agent.estimate.solve import solve as estimate
    from agent.store.readings import load_readings

    found = load_readings(path)
    line = line_builder(found.family, found.settings)
    return found.survey, estimate(found.survey, line=line)


def line_builder(family: str | None, settings: Mapping[str, float]) -> LineBuilder | None:
    """How `family` writes a setting of a file, where no controller was read.

    Where no family is stated, M-code lines are given, which most controllers take.  None for one
    that is not known, or whose lines only a read-back can tell (one addresses settings by place).
    """
    from agent.families import FAMILIES, USUAL

    known = FAMILIES.get(family or USUAL)
    if known is None or not known.as_shown("x", 1.0):
        return None
    readback = Readback(
        known.name,
        {
            key: Setting(value, UNITS[kind_of(key)], DECIMALS, raw=_raw(known, key, value))
            for key, value in settings.items()
        },
    )

    def line(key: str, value: float) -> str | None:
        try:
            return known.write_line(key, value, readback)
        except Refused:
            return None

    return line


def _raw(family: Family, key: str, value: float) -> str:
    """The line a controller of `family` would have printed for steps/mm; empty for others."""
    letter = letter_of(key)
    if kind_of(key) != "steps_per_mm" or letter not in "xyz":
        return ""
    return family.as_shown(letter, value)


def show(screen: Screen, survey: Survey, solution: Solution, *, every_reading: bool) -> None:
    """The whole answer for people; what is to be done comes last, where it stays in view."""
    screen.heading("Readings")
    show_readings(screen, survey, solution, every=every_reading)
    show_belt_runs(screen, survey, solution)
    screen.heading("Errors of the machine")
    tables.parameters(screen, survey, solution)
    tables.combinations(screen, solution)
    screen.heading("What it means")
    for advice in solution.advice:
        screen.say(f"- {advice.text}")
    screen.heading("What to do")
    show_corrections(screen, survey, solution)
    if solution.next is not None:
        upcoming = solution.next
        words = shown(upcoming.parameter)
        screen.say(
            f"Read this next: {upcoming.feature} along {vector(upcoming.along)} (x / s / h)."
            f" The uncertainty of '{words.words}' goes from {words.spread(upcoming.u_now)[2:]}"
            f" to {words.spread(upcoming.u_then)[2:]} {words.unit}."
        )


def show_readings(screen: Screen, survey: Survey, solution: Solution, *, every: bool) -> None:
    """How the readings fit: those that do not, or every one with a picture."""
    from agent.estimate import residual_limits
    from agent.estimate.foretelling import readings_of
    from agent.face import plots

    readings = readings_of(survey, solution)
    limits = residual_limits(solution)
    if every:
        tables.residuals(screen, readings, solution.residuals, limits)
        names = [reading_name(reading) for reading in readings]
        for line in plots.residuals(names, solution.residuals, limits, width=79):
            screen.say(f" {line}")
        return
    judged = list(zip(readings, solution.residuals, limits, strict=True))
    apart = [row for row in judged if row[1].outlier]
    count = "1 reading" if len(judged) == 1 else f"{len(judged)} readings"
    if not apart:
        worst = max((abs(r.residual) for _, r, _ in judged), default=0.0)
        screen.say(
            f"{count}, all in agreement; the largest misfit is {worst:.3f} mm ('solve --readings'"
            " lists them)."
        )
        return
    screen.say(f"{count}; these do not belong to the others ('solve --readings' lists all):")
    tables.residuals(screen, *zip(*apart, strict=True))


def show_belt_runs(screen: Screen, survey: Survey, solution: Solution) -> None:
    """Each belt run as a picture, and what it says; nothing without runs."""
    from agent.face import plots

    if solution.belt is None:
        return
    for number, (run, found) in enumerate(
        zip(survey.belt_runs, solution.belt.runs, strict=True), start=1
    ):
        screen.heading(f"Belt run {number}")
        for line in plots.belt_run(run, found, width=79, height=12):
            screen.say(f" {line}")
        screen.say(
            f"Slope {100 * found.scale:+.3f} % ± {100 * found.factor95 * found.u_scale:.3f} %."
        )
        for wave in found.waves:
            verdict = "mechanics, not steps" if wave.significant else "within the noise"
            screen.say(
                f"Sine of the {wave.period.name} ({wave.period.mm:.1f} mm):"
                f" {wave.amplitude:.3f} mm ± {2 * wave.u:.3f}: {verdict}."
            )


def show_corrections(screen: Screen, survey: Survey, solution: Solution) -> None:
    """Settings to change and the slicing angle; says so where nothing is to be changed."""
    if solution.corrections:
        rows = [
            (
                c.setting,
                f"{c.old:g}",
                f"{c.new:.4f}",
                f"± {2 * c.u:.4f}",
                f"{100 * (c.new / c.old - 1):+.3f} %",
                c.line or "-",
            )
            for c in solution.corrections
        ]
        columns = [("setting", False), ("old", True), ("new", True), ("95 %", True)]
        screen.table([*columns, ("change", True), ("line", False)], rows)
    if solution.slicing_angle_deg is not None:
        screen.say(
            f"Slice with a gantry angle of {solution.slicing_angle_deg:.3f} deg instead of"
            f" {survey.mechanics.angle_deg:g} deg. No line is sent for this."
        )
    if not solution.corrections and solution.slicing_angle_deg is None:
        screen.say("No change is warranted by these readings.")
