"""Sections about what was measured: readings, results, belt run, before and after, drift."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from agent.bench.surveyed import Surveyed
from agent.estimate.drift import drift as slope_of
from agent.face import described
from agent.face.columns import headed
from agent.face.digits import as_read
from agent.face.parts import Items, Part, Picture, Table, Wire, Words
from agent.face.report import figures
from agent.face.report.changes import open_points
from agent.face.report.tune import Tune
from agent.face.sketches import sketch
from agent.face.words import most_helpful, shown
from agent.model.exact import in_full


def open_list(tune: Tune) -> Sequence[Part]:
    """Every open point; nothing where there is none."""
    points = tuple(open_points(tune))
    return (Items(points),) if points else ()


def readings(measured: Surveyed) -> Sequence[Part]:
    survey = measured.survey
    if not survey.readings:
        return (Words("No readings beside the belt run."),)
    step = survey.instrument.resolution_mm
    return (described.readings(survey.readings, measured.pieces, step), *_replaced(measured))


def _replaced(measured: Surveyed) -> Iterator[Part]:
    """Readings that were taken again, and their first values where those were kept."""
    if not measured.replaced:
        return
    step = measured.survey.instrument.resolution_mm
    yield Words("Taken again. The values above stand; the first ones enter no estimate:")
    yield Items(
        tuple(
            f"{name}: at first {' '.join(as_read(value, step) for value in values)}"
            if values
            else f"{name}: the first values were not kept"
            for name, values in measured.replaced.items()
        )
    )


def results(measured: Surveyed) -> Sequence[Part]:
    survey, solution = measured.survey, measured.solution
    parts: list[Part] = [described.parameters(survey, solution)]
    if solution.derived:
        parts.append(described.combinations(solution))
    parts += _pictures("results", measured, None)
    if solution.advice:
        parts += [Words("What follows from it:"), Items(tuple(a.text for a in solution.advice))]
        parts += [Wire(drawn) for a in solution.advice if (drawn := sketch(a))]
    return parts


def budget(measured: Surveyed) -> Sequence[Part]:
    """Where the uncertainty of each main error comes from; nothing for results without shares."""
    table = described.budget(measured.solution)
    return (table,) if table.rows else ()


def _pictures(name: str, before: Surveyed, after: Surveyed | None) -> Iterator[Part]:
    """One picture a unit, small enough to find room on a page."""
    when = "" if after is None else " as found and as left,"
    for number, panel in enumerate(_panels(before, after)):
        legend = after is not None and number == 0
        tolerance = "; hatched: the tolerance" if panel.tolerance else ""
        yield Picture(
            figures.intervals(f"{name}{number}", panel, legend=legend),
            f"Errors in {panel.unit}{when} with their 95 % intervals{tolerance}.",
        )


def _panels(before: Surveyed, after: Surveyed | None) -> list[figures.Panel]:
    """Parameters by unit."""
    panels: dict[str, list[figures.Span]] = {}
    limits: dict[str, float] = {}
    for measured in [before] if after is None else [before, after]:
        for name, found in measured.solution.parameters.items():
            words = shown(name)
            panels.setdefault(words.unit, []).append(
                figures.Span(
                    words.words,
                    found.value * words.factor,
                    found.expanded95 * words.factor,
                    later=measured is not before,
                )
            )
            limit = measured.survey.tolerance.of(name)
            if limit is not None:
                limits[words.words] = limit * words.factor
    return [
        figures.Panel(
            unit,
            tuple(spans),
            {span.name: limits[span.name] for span in spans if span.name in limits},
        )
        for unit, spans in panels.items()
    ]


def belt(measured: Surveyed) -> Sequence[Part]:
    """Each run with its fitted sine; nothing without runs."""
    found = measured.solution.belt
    if found is None:
        return ()
    parts: list[Part] = []
    step = measured.survey.instrument.resolution_mm
    for number, (run, result) in enumerate(zip(measured.survey.belt_runs, found.runs, strict=True)):
        ways = "from one side" if run.approach == "forward" else "from both sides"
        load = "with a part on it" if run.load == "part" else "empty"
        pairs = ", ".join(
            f"{in_full(c)}: {as_read(m, step)}"
            for c, m in zip(run.commanded, run.measured, strict=True)
        )
        parts += [
            Picture(
                figures.belt(f"belt{number}", run, result),
                f"Run {number + 1}: the {run.axis} axis, {load}, marks reached {ways}.",
            ),
            described.belt_run(run, result, found),
            Words(f"Commanded: measured, mm, in their order: {pairs}."),
        ]
    for axis, reversal in found.reversals.items():
        even = "the same everywhere" if reversal.constant else "not the same everywhere"
        parts.append(
            Words(
                f"Lost motion of the {axis} axis between the two ways {reversal.mean:+z.3f} mm"
                f" ± {2 * reversal.u:.3f}, {even}."
            )
        )
    if found.best_lengths:
        turns = ", ".join(f"{x:.1f}" for x in found.best_lengths[:4])
        parts.append(
            Words(f"Lengths of whole roller turns, which no run-out disturbs: {turns} mm.")
        )
    return parts


def after(tune: Tune) -> Sequence[Part]:
    """Readings and results of the last state beside those of the first."""
    last = tune.after
    if last is None:
        return ()
    rows = []
    for name, found in last.solution.parameters.items():
        words, was = shown(name), tune.before.solution.parameters.get(name)
        rows.append(
            (
                words.words,
                "" if was is None else words.value(was.value),
                "" if was is None else words.spread(was.expanded95),
                words.value(found.value),
                words.spread(found.expanded95),
            )
        )
    return (
        Table(
            headed("error", ">as found", ">± (95 %)", ">as left", ">± (95 %)"),
            tuple(rows),
        ),
        *_pictures("after", tune.before, last),
        Words("Raw readings after the change:"),
        *readings(last),
    )


def drift(tune: Tune) -> Sequence[Part]:
    """Dated results of the record; nothing with fewer than two of any."""
    drawn = [series for series in tune.history if len(series.results) > 1]
    if not drawn:
        return ()
    rows = []
    slopes = [slope_of(series.results) for series in drawn]
    for series, found in zip(drawn, slopes, strict=True):
        if found is None:
            cells = ("too few days", "", "")
        else:
            cells = (
                f"{found.per_year:+z.3f} {series.unit} a year",
                f"± {found.expanded95:.3f}",
                "drifts" if found.significant else "no drift told from zero",
            )
        rows.append((series.heading, str(len(series.results)), *cells))
    columns = headed("~what", ">results", ">found", ">± (95 %)", "verdict")
    pictures = (
        Picture(
            figures.drift(f"drift{number}", series),
            f"{series.heading}: results with their 95 % bars"
            + ("." if found is None else "; dashed: the fitted line."),
        )
        for number, (series, found) in enumerate(zip(drawn, slopes, strict=True))
    )
    return (Table(columns, tuple(rows)), *pictures)


def advice(tune: Tune) -> Sequence[Part]:
    """What the last readings say is left to do, and the reading that would tell most."""
    latest = tune.after or tune.before
    # What the first readings say stands with their results.
    texts = [a.text for a in tune.after.solution.advice] if tune.after is not None else []
    upcoming = latest.solution.next
    if upcoming is not None:
        texts.append(most_helpful(upcoming))
    return (Items(tuple(texts)),) if texts else ()
