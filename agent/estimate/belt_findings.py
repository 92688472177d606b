"""What the runs over marks of a survey say, and what they add to the estimate.

Runs are evaluated one by one (`agent.estimate.belt_run`).  Marks reached from both sides give the
reversal and, with two passes or more, the positioning figures of ISO 230-2; a run under load
against one of an empty belt gives the slip.  The scale of a forward run then joins the other
readings.  Most runs are of the belt; the other axes are run for their reversal.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from agent.estimate.belt_run import (
    BeltRun as Evaluated,
)
from agent.estimate.belt_run import (
    Period,
    Reversal,
    Slip,
    belt_run,
    reversal,
    slip,
    tells,
    whole_turns,
)
from agent.estimate.positioning import Positioning, positioning
from agent.estimate.uncertainty import coverage_factor, display_step
from agent.model.drive import Roller
from agent.model.feature import Reading, direction_of
from agent.model.roles import Role
from agent.model.survey import BeltRun, Survey

#: A period can be told from a slope if the run covers this share of it.
_LEAST_SHARE = 0.75

#: Marks closer than this are the same mark, mm.
_SAME_MARK = 0.05

#: Longest test length worth naming, mm.
_LONGEST = 600.0


@dataclass(frozen=True, slots=True)
class BeltFindings:
    """All that the runs say."""

    runs: tuple[Evaluated, ...]  #: in the order of the survey's runs
    axes: tuple[Role, ...]  #: of each run
    reversals: Mapping[Role, Reversal]  #: of each axis with marks reached from both sides
    slip: Slip | None
    positioning: Positioning | None
    best_lengths: tuple[float, ...]  #: whole roller turns, mm; empty if the roller is not known
    readings: tuple[Reading, ...]  #: what joins the estimate

    @property
    def slips(self) -> bool:
        return self.slip is not None and self.slip.present

    @property
    def withheld(self) -> dict[Role, str]:
        """Axes whose scale is left alone, whatever it is, and why: `slip` or `trend`."""
        why = {
            axis: "trend"
            for axis, run in zip(self.axes, self.runs, strict=True)
            if run.trend_is_significant
        }
        return {**why, "belt": "slip"} if self.slips else why

    def to_plain(self) -> dict[str, Any]:
        return {
            "runs": [
                {"axis": axis, **_run_plain(run)}
                for axis, run in zip(self.axes, self.runs, strict=True)
            ],
            "reversal": {
                axis: {"mm": found.mean, "u": found.u, "constant": found.constant}
                for axis, found in self.reversals.items()
            },
            "slip": None
            if self.slip is None
            else {
                "difference": self.slip.difference,
                "u": self.slip.u,
                "scatter_ratio": self.slip.scatter_ratio,
                "present": self.slip.present,
            },
            "positioning": None if self.positioning is None else _figures(self.positioning),
            "best_lengths_mm": list(self.best_lengths),
        }


def _run_plain(run: Evaluated) -> dict[str, Any]:
    return {
        "scale": run.scale,
        "u": run.u_scale,
        "expanded95": run.factor95 * run.u_scale,
        "offset_mm": run.offset,
        "scatter_mm": run.scatter,
        "trend_mm": run.trend,
        "trend_significant": run.trend_is_significant,
        "waves": [
            {
                "name": wave.period.name,
                "period_mm": wave.period.mm,
                "amplitude_mm": wave.amplitude,
                "u": wave.u,
                "significant": wave.significant,
            }
            for wave in run.waves
        ],
    }


def _figures(found: Positioning) -> dict[str, float]:
    names = ("B", "B_mean", "R_forward", "R_backward", "R", "E_forward", "E_backward", "E", "M")
    return {name: getattr(found, name) for name in (*names, "A_forward", "A_backward", "A")}


def find(survey: Survey) -> BeltFindings | None:
    """Evaluate the belt runs of a survey; None without any.

    Raises ValueError for a run with too few or coinciding marks.
    """
    if not survey.belt_runs:
        return None
    u = math.hypot(
        survey.instrument.repeatability_mm, display_step(survey.instrument.resolution_mm)
    )
    evaluated = tuple(_evaluate(survey, run, _u_of(run, u)) for run in survey.belt_runs)
    slipping = _slip(survey.belt_runs, evaluated)
    drive = survey.mechanics.drives.get("belt")
    turn = drive.output.travel_per_turn if drive and isinstance(drive.output, Roller) else None
    return BeltFindings(
        runs=evaluated,
        axes=tuple(run.axis for run in survey.belt_runs),
        reversals=_reversals(survey.belt_runs, u),
        slip=slipping,
        positioning=_positioning(survey.belt_runs),
        best_lengths=whole_turns(turn, _LONGEST) if turn else (),
        readings=tuple(_as_readings(survey, evaluated, slips=bool(slipping and slipping.present))),
    )


def _u_of(run: BeltRun, usual: float) -> float:
    """Standard uncertainty of one position of a run, mm."""
    return usual if run.u_mm is None else run.u_mm


def _periods(survey: Survey, run: BeltRun) -> list[Period]:
    """Periods of the belt that this run is long and dense enough to show."""
    if run.axis != "belt":
        return []
    span = max(run.commanded) - min(run.commanded)
    known = []
    drive = survey.mechanics.drives.get("belt")
    if drive and isinstance(drive.output, Roller):
        output = drive.output
        known.append(Period("roller", output.travel_per_turn, output.u_travel_per_turn))
    if survey.mechanics.belt_loop_mm:
        known.append(Period("loop", survey.mechanics.belt_loop_mm))
    marks = sorted(set(run.commanded))
    shown: list[Period] = []
    for period in known:
        so_far = [p.mm for p in shown]
        if (
            span >= _LEAST_SHARE * period.mm
            and len(marks) >= 6 + 2 * len(shown)
            and tells(marks, [*so_far, period.mm])
        ):
            shown.append(period)
    return shown


def _evaluate(survey: Survey, run: BeltRun, u: float) -> Evaluated:
    """One run, its forward passes where it goes both ways; scatter not below the repeatability.

    A stated uncertainty stands unless the run scatters more than it says.
    """
    forward = [pair for pair, ahead in passes_of(run) if ahead]
    commanded, measured = zip(*forward, strict=True)
    periods = _periods(survey, run)
    try:
        found = belt_run(commanded, measured, periods, least_mm=u)
    except ValueError:  # nothing left to show a scatter
        return belt_run(commanded, measured, periods, u_mm=u)
    if run.u_mm is not None and found.scatter <= u:
        return belt_run(commanded, measured, periods, u_mm=u)
    return found


def passes_of(run: BeltRun) -> Iterator[tuple[tuple[float, float], bool]]:
    """((commanded, measured), reached going forward) of each mark; the first goes with its pass."""
    c = run.commanded
    for i, pair in enumerate(zip(c, run.measured, strict=True)):
        if run.approach == "forward":
            yield pair, True
        else:
            step = c[i] - c[i - 1] if i else c[1] - c[0]
            # The turning point repeated is the first mark of the way back.
            yield pair, step > 0 if step else c[i] < c[min(i + 1, len(c) - 1)]


def _by_mark(run: BeltRun) -> list[tuple[list[float], list[float]]]:
    """(forward, backward deviations) of each mark reached both ways: measured minus commanded."""
    marks: dict[int, tuple[list[float], list[float]]] = {}
    for (commanded, measured), ahead in passes_of(run):
        both = marks.setdefault(round(commanded / _SAME_MARK), ([], []))
        both[0 if ahead else 1].append(measured - commanded)
    return [both for _, both in sorted(marks.items()) if both[0] and both[1]]


def _reversals(runs: Sequence[BeltRun], u: float) -> dict[Role, Reversal]:
    """Of each axis the reversal of its first run from both sides."""
    found: dict[Role, Reversal] = {}
    for run in runs:
        marks = _by_mark(run) if run.approach == "both" else []
        if len(marks) >= 2 and run.axis not in found:
            forward = [float(np.mean(f)) for f, _ in marks]
            backward = [float(np.mean(b)) for _, b in marks]
            passes = min(len(values) for f, b in marks for values in (f, b))
            found[run.axis] = reversal(forward, backward, _u_of(run, u) / math.sqrt(passes))
    return found


def _positioning(runs: Sequence[BeltRun]) -> Positioning | None:
    """Of the first run of the belt from both sides, twice or more."""
    for run in runs:
        marks = _by_mark(run) if run.approach == "both" and run.axis == "belt" else []
        passes = min((len(v) for f, b in marks for v in (f, b)), default=0)
        if len(marks) >= 2 and passes >= 2:
            forward = np.array([f[:passes] for f, _ in marks])
            backward = np.array([b[:passes] for _, b in marks])
            return positioning(forward, backward)
    return None


def _slip(runs: Sequence[BeltRun], evaluated: Sequence[Evaluated]) -> Slip | None:
    by_load = {
        run.load: result for run, result in zip(runs, evaluated, strict=True) if run.axis == "belt"
    }
    if {"empty", "part"} <= by_load.keys():
        return slip(by_load["empty"], by_load["part"])
    return None


def _as_readings(
    survey: Survey, evaluated: Sequence[Evaluated], *, slips: bool
) -> Iterator[Reading]:
    """The slope of each empty run (of any, if none is empty) as two travels of its span.

    None of a belt that slips.

    Lengths L and L/2, each with u = L_i * u(e) * sqrt(2), tell a slope through zero exactly as
    well as the run does; u(e) so large that twice it is the 95 % interval of the run.  One length
    commanded again and again stays one reading.
    """
    normal = coverage_factor(math.inf)
    runs = survey.belt_runs
    empty = {run.axis for run in runs if run.load == "empty"}
    for run, result in zip(runs, evaluated, strict=True):
        if (run.axis in empty and run.load != "empty") or (slips and run.axis == "belt"):
            continue
        # nobody need tell the angle for the other two
        angle = survey.mechanics.gantry_angle if run.axis == "gantry" else 0.0
        x, s, h = direction_of(run.axis, angle)
        span = max(run.commanded) - min(run.commanded)
        lengths = (span, span / 2) if span else (run.commanded[0],)
        u = result.u_scale * result.factor95 / normal
        for length in lengths:
            yield Reading(
                "travel",
                (length * x, length * s, length * h),
                (length * (1 + result.scale),),
                u_mm=length * u * math.sqrt(len(lengths)),
                name=f"{run.axis} run",
                slope=bool(span) or None,
            )
