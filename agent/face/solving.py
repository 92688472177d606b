"""`solve`: from readings, in a file or of the session, to errors, corrections and advice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.errors import AgentError, Contradicted, Refused
from agent.face import described, tables
from agent.face.desk import Desk
from agent.face.options import FILE, Verb
from agent.face.screen import Screen
from agent.face.sketches import sketch
from agent.face.words import most_helpful, reading_name, shown
from agent.model.exact import DECIMALS, several
from agent.model.roles import scale_of
from agent.model.settings import UNITS, Readback, Setting, kind_of, letter_of
from agent.model.survey import Survey

if TYPE_CHECKING:
    from agent.estimate.consistency import Goodness
    from agent.estimate.remedies import LineBuilder
    from agent.estimate.solution import Solution
    from agent.families.base import Family
    from agent.store.readings import ReadingsFile


@click.command(cls=Verb)
@click.argument("files", type=FILE, nargs=-1, metavar="[FILE]...")
@click.option("--readings", "every_reading", is_flag=True, help="list every reading")
@click.option("--budget", "whole_budget", is_flag=True, help="what each uncertainty comes from")
def solve(desk: Desk, /, files: tuple[Path, ...], every_reading: bool, whole_budget: bool) -> None:
    """Every error of the machine at once, from readings FILEs or from this session.

    Several files are solved one by one; with --json they give a list in their order, in which a
    file that cannot be read has an error in its place.

    \b
    Example: plumbelt solve readings.yaml --json
    """
    if len(files) > 1:
        _solve_all(desk, files, every_reading=every_reading, whole_budget=whole_budget)
        return
    if not files:
        solution = desk.session.readings.solve()
        survey = desk.session.now.survey
        assert survey is not None
    else:
        found, solution = solved_file(files[0])
        survey = found.survey

    def show_all() -> None:
        show(desk.screen, survey, solution, every_reading=every_reading, whole_budget=whole_budget)
        compared = () if files else desk.session.bench.compare()
        if compared:
            desk.screen.heading("Compared with what was expected")
            desk.screen.show(described.comparison(compared))

    desk.screen.answer(solution.to_plain(), show_all)
    if solution.contradictory:
        raise Contradicted()


def _solve_all(
    desk: Desk, files: Sequence[Path], *, every_reading: bool, whole_budget: bool
) -> None:
    """Solve file by file; the worst outcome of them is that of the whole."""
    worst: AgentError | None = None
    documents: list[dict[str, Any]] = []
    for path in files:
        try:
            found, solution = solved_file(path)
        except AgentError as error:
            documents.append(error.to_plain() | {"file": str(path)})
            desk.screen.complain(f"{path}: {error}")
            worst = max(worst or error, error, key=lambda e: e.exit_code)
            continue
        if solution.contradictory:
            worst = worst or Contradicted()
        documents.append(solution.to_plain())
        if not desk.screen.json:
            desk.screen.heading(str(path))
            show(
                desk.screen,
                found.survey,
                solution,
                every_reading=every_reading,
                whole_budget=whole_budget,
            )
    if desk.screen.json:
        desk.screen.documents(documents)
    if worst is not None:
        bad = sum("error" in document for document in documents)
        if not bad:
            raise worst
        told = f"{bad} of {len(files)} files could not be solved"
        raise type(worst)(told, remedy="See what is said of each")


def solved_file(path: Path) -> tuple[ReadingsFile, Solution]:
    """What a readings file holds, and its solution."""
    from agent.estimate.solve import solve as estimate
    from agent.store.readings import load_readings

    found = load_readings(path)
    line = line_builder(found.family, found.settings)
    return found, estimate(found.survey, line=line)


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


def show(
    screen: Screen, survey: Survey, solution: Solution, *, every_reading: bool, whole_budget: bool
) -> None:
    """The whole answer for people; what is to be done comes last, where it stays in view."""
    screen.heading("Readings")
    show_readings(screen, survey, solution, every=every_reading)
    show_belt_runs(screen, survey, solution)
    screen.heading("Errors of the machine")
    tables.parameters(screen, survey, solution)
    if solution.derived:
        screen.say("Known only in combination:")
        screen.show(described.combinations(solution))
    screen.heading("What it means")
    for advice in solution.advice:
        screen.say(f"- {advice.text}")
        if drawn := sketch(advice):
            screen.say(drawn)
    screen.heading("What to do")
    show_corrections(screen, survey, solution)
    if solution.next is not None:
        screen.say(f"\n{most_helpful(solution.next)}")
    if whole_budget:
        screen.heading("What the uncertainties come from")
        screen.show(described.budget(solution))


def show_readings(screen: Screen, survey: Survey, solution: Solution, *, every: bool) -> None:
    """How the readings fit: those that do not, or every one with a picture."""
    from agent.estimate import residual_limits
    from agent.estimate.foretelling import readings_of
    from agent.face import plots

    readings = readings_of(survey, solution)
    limits = residual_limits(solution)
    if every:
        screen.show(described.residuals(readings, solution.residuals, limits))
        names = [reading_name(reading) for reading in readings]
        for line in plots.residuals(names, solution.residuals, limits):
            screen.say(f" {line}")
        return
    judged = list(zip(readings, solution.residuals, limits, strict=True))
    apart = [row for row in judged if row[1].outlier]
    count = several(len(judged), "reading")
    if solution.goodness is not None:
        screen.say(_fit_words(solution.goodness))
    if not apart and solution.contradictory:
        screen.say(f"{count}, which do not agree; none of them alone is to blame.")
        return
    if not apart:
        worst = max((abs(r.residual) for _, r, _ in judged), default=0.0)
        screen.say(
            f"{count}, all in agreement; the largest misfit is {worst:.3f} mm ('solve --readings'"
            " lists them)."
        )
        return
    screen.say(f"{count}; these do not belong to the others ('solve --readings' lists all):")
    screen.show(described.residuals(*zip(*apart, strict=True)))


def _fit_words(goodness: Goodness) -> str:
    """Goodness of fit of the whole survey, in words."""
    from agent.estimate.consistency import POOR

    if goodness.p < POOR:
        how = "more scatter than the stated uncertainties explain"
    elif goodness.p > 1 - POOR:
        how = "the readings scatter less than the usual sizes of the budget"
    else:
        how = "the readings scatter as their stated uncertainties say"
    return (
        f"Fit of the whole: chi-squared {goodness.statistic:.1f} for"
        f" {several(goodness.dof, 'reading')}"
        f" (p = {goodness.p:.2g}): {how}."
    )


def show_belt_runs(screen: Screen, survey: Survey, solution: Solution) -> None:
    """Each run over marks as a picture, and what it says; nothing without runs."""
    from agent.face import plots

    if solution.belt is None:
        return
    for number, (run, found) in enumerate(
        zip(survey.belt_runs, solution.belt.runs, strict=True), start=1
    ):
        screen.heading(f"Run {number} over marks, {run.axis} axis")
        for line in plots.belt_run(run, found):
            screen.say(f" {line}")
        screen.show(described.belt_run(run, found, solution.belt))


def show_corrections(screen: Screen, survey: Survey, solution: Solution) -> None:
    """Settings to change and the slicing angle; says so where nothing is to be changed."""
    if solution.corrections:
        screen.show(described.corrections(solution))
    if solution.slicing_angle_deg is not None:
        screen.say(
            f"Set the gantry angle in your slicer to {solution.slicing_angle_deg:.3f}° (was"
            f" {survey.mechanics.angle_deg:g}°). This is not sent to the controller."
        )
    show_checks(screen, survey, solution)
    if solution.contradictory:
        screen.say("Nothing, until the readings agree with each other.")
    elif not solution.warrants_change:
        screen.say("Nothing: no change is warranted by these readings.")


def show_checks(screen: Screen, survey: Survey, solution: Solution) -> None:
    """How well the readings check each other in what a change rests on; nothing without one."""
    roles = (survey.axes.role(c.setting.partition(".")[2]) for c in solution.corrections)
    names = [scale_of(role) for role in roles if role is not None]
    if solution.slicing_angle_deg is not None:
        names.append("gantry_angle_deg")
    rows = [
        (shown(name).words, str(found.told_by), shown(name).amount(found.unseen_slip, 2))
        for name in names
        if (found := solution.parameters[name]).told_by is not None
        and found.unseen_slip is not None
    ]
    if not rows:
        return
    screen.say(
        "\nHow many readings determine each, and how far a slip in one of them could move it"
        " unseen by the others:"
    )
    screen.table(["error", ">readings", ">at most"], rows)
