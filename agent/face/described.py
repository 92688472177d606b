"""Tables that both the screen and the report show, each described once.

A column of `page` stands on paper alone, one of `screen` on the screen alone; rows and cells of all
others are the same wherever they show.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Final

from agent.face.columns import headed
from agent.face.parts import Table
from agent.face.plots import interval
from agent.face.words import reading_name, shown, vector
from agent.model.exact import in_full
from agent.model.feature import Reading
from agent.model.roles import WANTED
from agent.model.survey import BeltRun, Survey

if TYPE_CHECKING:
    from agent.change.outcome import Fate, Outcome
    from agent.estimate.belt_findings import BeltFindings
    from agent.estimate.belt_run import BeltRun as Evaluated
    from agent.estimate.foretelling import Comparison
    from agent.estimate.solution import Residual, Solution

#: How a list of readings is judged.
ALLOWED: Final = (
    "Allowed: how far apart measured and expected may be; of a whole list of good readings all keep"
    " within it 99 times in 100."
)

#: Contributors that bring less than this share are summed up.
_LEAST_SHARE: Final = 0.05

_FOUND: Final = (">found", ">± (95 %)")


def parameters(survey: Survey, solution: Solution) -> Table:
    """Every parameter with its 95 % interval, and what follows from it."""
    from agent.estimate.standing import verdict

    rows = []
    for name, p in solution.parameters.items():
        words = shown(name)
        rows.append(
            (
                words.words,
                words.value(p.value),
                words.spread(p.expanded95),
                words.spread(2 * p.prior_u),
                "readings" if p.determined else "assumption",
                interval(p.value, p.expanded95, 2 * p.prior_u) if p.prior_u > 0 else "stated",
                verdict(name, p, solution, survey),
            )
        )
    return Table(
        headed("error", *_FOUND, ">assumed before, ± 95 %", "basis", "", "verdict"),
        tuple(rows),
        "Errors, positive where the machine goes too far; all estimated together.",
        name="parameters",
        page=("assumed before, ± 95 %", "basis"),
        screen=("",),
    )


def combinations(solution: Solution) -> Table:
    """Combinations known better than their parts; without rows where there are none."""
    rows = tuple(
        (shown(name).words, shown(name).value(c.value), shown(name).spread(2 * c.u))
        for name, c in solution.derived.items()
    )
    caption = "Known only in combination."
    return Table(headed("combination", *_FOUND), rows, caption, name="combinations")


def residuals(
    readings: Sequence[Reading], found: Sequence[Residual], limits: Sequence[float | None]
) -> Table:
    """Readings against the estimate; those that fit badly are marked in words.

    limits  as of `agent.estimate.residual_limits`
    """
    rows = tuple(
        (
            str(number),
            reading_name(reading),
            f"{r.measured:.3f}",
            f"{r.predicted:.3f}",
            "" if limit is None else f"{r.residual:+z.3f}",
            "" if limit is None else f"± {limit:.3f}",
            "read again" if r.outlier else "only one of its kind" if limit is None else "",
        )
        for number, (reading, r, limit) in enumerate(
            zip(readings, found, limits, strict=True), start=1
        )
    )
    alone = (
        " A reading that is the only one of its kind fits whatever it is, so that its fit proves"
        " nothing."
    )
    return Table(
        headed(">no", "~reading", ">measured, mm", ">expected, mm", ">difference", ">allowed", ""),
        rows,
        ALLOWED
        + " Readings of a feature that stray among themselves do not fit either."
        + (alone if None in limits else ""),
        name="residuals",
    )


def comparison(compared: Sequence[Comparison]) -> Table:
    """Readings after a change against what was expected of them."""
    rows = tuple(
        (
            str(number),
            row.name,
            f"{row.foretold:.3f}",
            f"{row.growth:+z.3f}" if row.growth else "",
            f"{row.read:.3f}",
            f"{row.apart:+z.3f}",
            f"± {row.limit:.3f}",
            row.verdict,
        )
        for number, row in enumerate(compared, 1)
    )
    return Table(
        headed(
            ">no",
            "~reading, mm",
            ">expected",
            ">offset",
            ">measured",
            ">difference",
            ">allowed",
            "",
        ),
        rows,
        "Expected before the change was written. Offset: by how much wider beads come out with the"
        " new settings, the same for all faces of a direction. " + ALLOWED,
        name="comparison",
        page=("no",),
    )


def readings(taken: Sequence[Reading], pieces: Sequence[str], step_mm: float) -> Table:
    """Readings as they were taken, one feature a row.

    pieces   what each was taken on, in their order; or empty
    step_mm  of the display that they were read from
    """
    from agent.face.digits import as_read, nominal

    rows = [
        (
            str(number),
            piece,
            reading_name(reading),
            reading.kind,
            vector(reading.along),
            nominal(reading),
            " ".join(as_read(value, step_mm) for value in reading.mm),
            f"{statistics.fmean(reading.mm):.3f}",
            f"{statistics.stdev(reading.mm):.3f}" if len(reading.mm) > 1 else "",
            "" if reading.u_mm is None else f"{reading.u_mm:g}",
        )
        for number, (piece, reading) in enumerate(
            zip(pieces or ("",) * len(taken), taken, strict=True), 1
        )
    ]
    return Table(
        headed(
            ">no",
            "source",
            "~reading",
            "kind",
            "x / s / h",
            ">nominal",
            "measured, mm",
            ">mean",
            ">s",
            ">stated u",
        ),
        tuple(rows),
        "Raw readings in mm, the jaws taken off in between; nominal is what a true part would"
        " show (upright, it neither leans nor sways); s is their standard deviation,"
        " stated u a standard uncertainty that was stated for the reading.",
        name="readings",
        page=("no", "nominal", "mean", "s", "stated u"),
    ).without_empty("no", "reading", "measured, mm")


def budget(solution: Solution) -> Table:
    """Where the uncertainty of each wanted error comes from; no rows where nothing is known."""
    from agent.estimate.shares import contributor

    rows: list[tuple[str, ...]] = []
    for name in WANTED:
        found = solution.parameters.get(name)
        if found is None:
            continue
        words = shown(name)
        told = [share for share in found.budget if share.share >= _LEAST_SHARE]
        rest = 1 - math.fsum(share.share for share in told)
        parts = [(*contributor(share.component), share.share) for share in told]
        if told and rest >= 0.005:
            parts.append(("others", "", rest))
        if not parts:
            continue
        slip = found.unseen_slip
        rows.append(
            (
                f"{words.words}, ± {words.amount(found.expanded95, words.digits)} (95 %)",
                "",
                "",
                "" if found.told_by is None else str(found.told_by),
                words.amount(slip, words.digits) if slip is not None and found.told_by else "",
            )
        )
        rows += [(f"– {what}", f"{100 * x:.0f} %", remedy, "", "") for what, remedy, x in parts]
    return Table(
        headed(
            "error, and what it comes from",
            ">share",
            "~what would shrink it",
            ">readings",
            ">unseen slip",
        ),
        tuple(rows),
        "Shares of the variance. Readings: how many determine the error; unseen slip: how far a"
        " slip in one of them could move it unseen by the others.",
        name="budget",
        page=("readings", "unseen slip"),
    )


def corrections(solution: Solution) -> Table:
    """Settings that the readings ask for, with the line of each."""
    rows = tuple(
        (
            c.setting,
            in_full(c.old),
            in_full(c.new),
            f"± {2 * c.u:.4f}",
            f"{100 * (c.new / c.old - 1):+z.3f} %",
            c.line or "not known for this family",
            c.why,
        )
        for c in solution.corrections
    )
    return Table(
        headed("setting", ">old", ">new", ">± (95 %)", ">change", "line", "~why"),
        rows,
        name="corrections",
        page=("why",),
    )


def fate_cells(fate: Fate) -> tuple[str, str, str]:
    """What was sent, what was read back, and what that means."""
    from agent.change.outcome import STATE_WORDS

    found = "-" if fate.found is None else in_full(fate.found)
    return in_full(fate.wanted), found, STATE_WORDS[fate.state]


def outcome(outcome: Outcome) -> Table:
    """What became of each change."""
    return Table(
        headed("setting", ">sent", ">read back", "result"),
        tuple((fate.key, *fate_cells(fate)) for fate in outcome.fates),
        name="outcome",
    )


def belt_run(run: BeltRun, found: Evaluated, findings: BeltFindings) -> Table:
    """What a run over marks says: slope, sines, bend, scatter."""
    return Table(
        headed("part of the error", *_FOUND, "verdict"),
        tuple(_parts_of_run(run, found, findings)),
        name=f"run of the {run.axis} axis",
    )


def _parts_of_run(
    run: BeltRun, found: Evaluated, findings: BeltFindings
) -> Iterator[tuple[str, str, str, str]]:
    slips = findings.slips and run.axis == "belt"
    yield (
        "slope",
        f"{100 * found.scale:+z.3f} %",
        f"± {100 * found.factor95 * found.u_scale:.3f}",
        "not used: the belt slips" if slips else "joins the estimate",
    )
    for wave in found.waves:
        yield (
            f"sine of the {wave.period.name}, {wave.period.mm:.1f} mm",
            f"{wave.amplitude:.3f} mm",
            f"± {2 * wave.u:.3f}",
            "beyond noise: mechanics, not steps" if wave.significant else "within noise",
        )
    if math.isfinite(found.u_trend):
        yield (
            "bend at the far end",
            f"{found.trend:+z.3f} mm",
            f"± {found.factor95 * found.u_trend:.3f}",
            "beyond noise" if found.trend_is_significant else "within noise",
        )
    yield "scatter of single marks", f"{found.scatter:.3f} mm", "", ""
