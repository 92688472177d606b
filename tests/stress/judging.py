"""Surveys solved as `plumbelt solve` does, and held against what is true."""

from __future__ import annotations

import math
import time
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from agent.errors import AgentError
from agent.estimate import solve
from agent.model.feature import Reading
from agent.model.survey import Survey
from tests.stress import effects, mistakes
from tests.stress.world import Array, Draft, Machines, Task, profile, standard, values

#: What counts as put right, relative and in degrees.
INSIDE = {"x_scale": 1e-3, "y_scale": 1e-3, "z_scale": 1e-3, "gantry_angle_deg": 0.15}

#: Advice by which the tool says that something is wrong with the readings as a whole.
WARNS = {"outlier", "contradiction", "poor_fit"}

#: A change is wrong where it is off by more than this many of its 95 % intervals.
FAR = 2.0


@dataclass(frozen=True)
class Row:
    """One line of the table: what is laid on the bench, at which sizes."""

    name: str
    kind: str  #: none, effect, together, mistake, statement
    sizes: tuple[tuple[str, float], ...] = ()
    thorough: bool = False  #: lean from both opposite faces, each move over two lengths

    @property
    def size(self) -> float | None:
        return self.sizes[0][1] if self.kind == "effect" else None


@dataclass(frozen=True)
class Verdict:
    """One survey against the truth."""

    failed: str  #: why there is no answer, else empty
    inside95: dict[str, bool]  #: parameter -> its 95 % interval holds the truth
    needs: bool  #: the machine is outside tolerance
    proposed: bool
    wrong: bool  #: a change far off, or one that leaves its parameter outside tolerance
    flagged: bool
    named: bool | None  #: the mistake is rightly named; None where there is none that matters
    inside: bool  #: inside tolerance after the change
    visible: bool = False  #: there is a mistake that matters, and the other readings can show it


def survey_of(draft: Draft, typed: Array) -> list[Survey]:
    """What is typed (n, r, REPEATS) as surveys, one a machine, as a readings file states them."""
    u = draft.stated.get("gauge_u", draft.gauge_sd)
    resolution = draft.stated.get("resolution_mm")
    return [stated(rows, u, resolution, draft.task) for rows in typed.tolist()]


def stated(
    rows: Sequence[Sequence[float]],
    gauge_u: float,
    resolution: float | None = None,
    task: Task | None = None,
) -> Survey:
    """The survey of one machine with these values of each feature (of the standard task), mm."""
    machine = profile()
    instrument = machine.instrument
    if resolution is not None:
        instrument = replace(instrument, resolution_mm=resolution)
    readings = []
    for feature, mm in zip((task or standard()).features, rows, strict=True):
        move, signed = feature.kind == "travel", feature.kind in ("lean", "sway", "gap")
        # a length is never below nought, however wild the drawn machine
        typed = tuple(mm if signed else (max(x, 0.01) for x in mm))
        readings.append(
            Reading(
                feature.kind,
                feature.along,
                typed[:1] if move else typed,
                feature.between,
                gauge_u if move else None,
                feature.name,
                feature.side,
            )
        )
    return Survey(
        readings=tuple(readings),
        mechanics=machine.mechanics,
        steps_per_mm={
            letter: machine.settings[f"steps_per_mm.{letter}"].setting.value for letter in "xyz"
        },
        axes=machine.axes,
        instrument=instrument,
        material=machine.material,
        tolerance=machine.tolerance,
        priors=machine.priors,
    )


def truths(machines: Machines) -> list[dict[str, float]]:
    """The true errors of each machine under the public names of the estimate."""
    rows = zip(machines.ex, machines.ey, machines.ez, np.degrees(machines.delta), strict=True)
    return [dict(zip(INSIDE, map(float, row), strict=True)) for row in rows]


def judge(
    survey: Survey,
    true: dict[str, float],
    names: Sequence[str],
    where: frozenset[int],
    visible: bool = False,
) -> Verdict:
    """Solve, correct once, compare.

    `names` and `where`: a mistake that matters, or nothing; `visible`: others can show it.
    """
    needs = any(abs(true[p]) > limit for p, limit in INSIDE.items())
    named: bool | None = False if where else None
    try:
        found = solve(survey).to_plain()
    except (AgentError, ValueError, ArithmeticError, np.linalg.LinAlgError) as error:
        proper = isinstance(error, AgentError)
        return Verdict(
            "refused" if proper else f"crashed: {error}",
            {},
            needs,
            proposed=False,
            wrong=False,
            flagged=proper,
            named=named,
            inside=not needs,
            visible=visible,
        )
    parameters = found["parameters"]
    off = {p: abs(parameters[p]["value"] - true[p]) for p in INSIDE}
    inside95 = {p: off[p] <= parameters[p]["expanded95"] for p in INSIDE}
    after, changed = after_change(survey, found, true)
    wrong = any(
        off[p] > FAR * parameters[p]["expanded95"] or abs(after[p]) > INSIDE[p] for p in changed
    )
    explained = {
        i: r["explanation"]["mistake"]
        for i, r in enumerate(found["residuals"])
        if r.get("explanation")
    }
    if where:
        named = (
            bool(explained) and set(explained) <= where and set(explained.values()) <= set(names)
        )
    flagged = (
        bool(explained)
        or any(r["outlier"] for r in found["residuals"])
        or any(a["code"] in WARNS for a in found["advice"])
    )
    return Verdict(
        "",
        inside95,
        needs,
        proposed=bool(changed),
        wrong=wrong,
        flagged=flagged,
        named=named,
        inside=all(abs(after[p]) <= limit for p, limit in INSIDE.items()),
        visible=visible,
    )


def after_change(
    survey: Survey, found: dict[str, Any], true: dict[str, float]
) -> tuple[dict[str, float], set[str]]:
    """What is left of the true errors, and which parameters were changed.

    An axis moves in proportion to its steps per mm; the angle is met by slicing for it.
    """
    left, changed = dict(true), set()
    roles = {"across": "x_scale", "gantry": "y_scale", "belt": "z_scale"}
    for correction in found["corrections"]:
        role = survey.axes.role(correction["setting"].split(".")[1])
        name = roles[str(role)]
        left[name] = (1 + true[name]) * correction["new"] / correction["old"] - 1
        changed.add(name)
    if found["slicing_angle_deg"] is not None:
        angle = survey.mechanics.gantry_angle_deg + true["gantry_angle_deg"]
        left["gantry_angle_deg"] = angle - found["slicing_angle_deg"]
        changed.add("gantry_angle_deg")
    return left, changed


def rows_of(bench: str, only: Sequence[str] = ()) -> list[Row]:
    """The rows of the table: none, each effect, all together, each mistake, each statement.

    only  names of rows, an effect also as NAME=SIZE.  Raises ValueError for a name not known.
    """
    size = "usual" if bench == "none" else bench
    every = [Row("none", "none")]
    for name, known in effects.EFFECTS.items():
        own = getattr(known, size) or known.rough
        every.append(Row(name, "effect", ((name, own),)))
    every.append(Row("together", "together", tuple(effects.sizes(size).items())))
    every += [Row(name, "mistake") for name in mistakes.MISTAKES]
    every += [Row(name, "statement") for name in mistakes.STATEMENTS]
    if not only:
        return every[:1] if bench == "none" else every
    known_rows = {row.name: row for row in every}
    chosen = []
    for text in only:
        name, _, given = text.partition("=")
        if name not in known_rows:
            raise ValueError(f"no row {name!r}; known are {', '.join(known_rows)}")
        row = known_rows[name]
        if given:
            if row.kind != "effect":
                raise ValueError(f"{name} has no size")
            row = replace(row, sizes=((name, float(given)),))
        chosen.append(row)
    return chosen


def drafted(row: Row, seed: int, start: int, count: int) -> Draft:
    """Machines `start` to `start + count` of a row: the same ones in every row of a seed."""
    task = standard(thorough=row.thorough)
    machines = Machines.drawn(count, np.random.default_rng((seed, start)))
    draft = Draft(machines, task, _noise(row, seed, start))
    effects.lay(draft, dict(row.sizes))
    if row.kind == "statement":
        mistakes.STATEMENTS[row.name].lay(draft)
    return draft


def _noise(row: Row, seed: int, start: int) -> np.random.Generator:
    return np.random.default_rng((seed, start, zlib.crc32(row.name.encode())))


def surveys(row: Row, seed: int, start: int, count: int) -> list[Case]:
    """Surveys of a row with their truth; names and places of a mistake that matters."""
    draft = drafted(row, seed, start, count)
    rng = np.random.default_rng((seed, start, 1))
    read = zip(survey_of(draft, values(draft)), truths(draft.machines), strict=True)
    return [put_wrong(row, survey, true, rng) for survey, true in read]


Case = tuple[Survey, dict[str, float], tuple[str, ...], frozenset[int], bool]


def put_wrong(row: Row, survey: Survey, true: dict[str, float], rng: np.random.Generator) -> Case:
    """A survey with the row's mistake or statement in it, as `judge` takes it."""
    names: tuple[str, ...] = ()
    where: frozenset[int] = frozenset()
    visible = False
    if row.kind == "mistake":
        slip = mistakes.MISTAKES[row.name](survey.readings, rng)
        by, deviations = mistakes.moved(survey, slip)
        survey = replace(survey, readings=slip.readings)
        if by >= mistakes.MATTERS:
            names, where = mistakes.NAMES[row.name], slip.where
            visible = deviations >= mistakes.VISIBLE
    elif row.kind == "statement":
        survey = mistakes.STATEMENTS[row.name].say(survey)
    return survey, true, names, where, visible


def judged(row: Row, seed: int, start: int, count: int) -> tuple[Row, list[Verdict], float]:
    """Verdicts of a part of a row, and the seconds of solving it took."""
    made = surveys(row, seed, start, count)
    began = time.perf_counter()
    return row, [judge(*one) for one in made], time.perf_counter() - began


def figures(row: Row, verdicts: Sequence[Verdict], seconds: float = math.nan) -> dict[str, Any]:
    """The columns of one row, shares from 0 to 1; None where nothing was there to count."""

    def share(hits: Sequence[bool]) -> float | None:
        return round(sum(hits) / len(hits), 4) if hits else None

    answered = [v for v in verdicts if not v.failed]
    coverage = {p: share([v.inside95[p] for v in answered]) for p in INSIDE}
    known = [c for c in coverage.values() if c is not None]
    return {
        "row": row.name,
        "kind": row.kind,
        "size": row.size,
        "machines": len(verdicts),
        "coverage": coverage,
        "worst": min(known) if known else None,
        "proposed": share([v.proposed for v in verdicts if v.needs]),
        "silent_wrong": share([v.wrong and not v.flagged for v in verdicts]),
        "wrong": share([v.wrong for v in verdicts]),
        "flagged": share([v.flagged for v in verdicts]),
        "named": share([v.named for v in verdicts if v.named is not None]),
        "visible": share([v.visible for v in verdicts if v.named is not None]),
        "named_visible": share([bool(v.named) for v in verdicts if v.visible]),
        "inside": share([v.inside for v in verdicts]),
        "refused": share([v.failed == "refused" for v in verdicts]),
        "crashed": share([v.failed.startswith("crashed") for v in verdicts]),
        "seconds": round(seconds, 2),
    }
