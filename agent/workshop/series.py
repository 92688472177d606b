"""Errors of machines over time, on a scale that a change of settings does not move.

An error goes away with its correction and so shows no drift.  What stays the same in a machine
that does not drift is the setting that would be right, r = steps / (1 + e) (as the report has it);
it is given in percent against the first of its chart.  Angles that no
setting moves are taken as they are.  A new belt, roller or flash begins a new chart.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import groupby
from operator import itemgetter
from statistics import median
from typing import Any, Final, NamedTuple

from agent.model.drive import right_steps
from agent.store.checks import Misfit, body_of
from agent.store.milestones import ERRORS, STEPS_OF
from agent.workshop.asking import Asked, Row
from agent.workshop.charts import Chart, chart
from agent.workshop.clocks import Clocks
from agent.workshop.fleet import ANGLES, SCALES, UNDETERMINED, errors_of

#: What a note may say was changed: each begins a new chart.
PARTS: Final = ("belt", "roller", "flash")


@dataclass(frozen=True, slots=True)
class Point:
    """One result of a machine: the right steps/mm of a scale, or an angle in degrees."""

    at: str  #: by the workshop's clock
    value: float
    u: float
    entry: str


@dataclass(frozen=True, slots=True)
class Change:
    """A part that was changed."""

    at: str
    part: str  #: belt, roller or flash
    what: str  #: batch of the part, or what was flashed


@dataclass(frozen=True, slots=True)
class Life:
    """What of a machine changes over time."""

    machine: str
    points: Mapping[str, tuple[Point, ...]] = field(default_factory=dict)  #: by error
    changes: tuple[Change, ...] = ()

    def part_at(self, part: str, at: str) -> str:
        """Batch of a part that was in the machine at a time; empty if not noted."""
        return next((c.what for c in reversed(self.changes) if c.part == part and c.at <= at), "")


@dataclass(frozen=True, slots=True)
class Charted:
    """A chart of one error of one machine, from one change of parts to the next."""

    machine: str
    error: str
    unit: str  #: % or deg
    points: tuple[Point, ...]  #: as measured
    u: tuple[float, ...]  #: standard uncertainties in the unit
    chart: Chart  #: in the unit
    since: Change | None  #: what began it

    def to_plain(self, *, whole: bool = True) -> dict[str, Any]:
        """As plain data; without each of its points unless it is wanted `whole`."""
        c = self.chart
        points = {
            "points": [
                {"at": p.at, "value": x, "u": u, "ewma": z, "ewma_limit": limit}
                for p, x, u, z, limit in zip(
                    self.points, c.values, self.u, c.ewma, c.ewma_limits, strict=True
                )
            ],
            "moving_ranges": list(c.ranges),
        }
        return {
            "machine": self.machine,
            "error": self.error,
            "unit": self.unit,
            "since": None if self.since is None else f"{self.since.part} {self.since.what}".strip(),
            "count": len(c.values),
            **(points if whole else {}),
            "centre": c.centre,
            "lower": c.lower if c.enough else None,
            "upper": c.upper if c.enough else None,
            "range_limit": c.range_limit if c.enough else None,
            "signals": [
                {
                    "at": self.points[s.place].at,
                    "value": c.values[s.place],
                    "u": self.u[s.place],
                    "rule": s.rule,
                    "what": s.what,
                    "usually": s.usually,
                }
                for s in c.signals
            ],
        }


#: Columns of a milestone that a life is made from.
_COLUMNS: Final = ", ".join(
    (
        *("m.machine", "m.at", "m.entry", "m.kind", "m.session", "m.bench"),
        *(f"m.{axis}_steps" for axis in STEPS_OF),
        *(f"m.{name}, m.{name}_u" for name in ERRORS),
    )
)
_FIRST_STEP: Final = 6
_FIRST_ERROR: Final = _FIRST_STEP + len(STEPS_OF)

#: Milestones that begin or end a state of a machine, and its estimates.
_STATES: Final = ("readback", "estimate", "outcome", "written", "begin")


def lives(asked: Asked, machine: str | None = None) -> Iterator[Life]:
    """Every machine (or one) that has points, by name: its errors and changes, oldest first.

    What is held at a time is one life, not the record.
    """
    clocks = Clocks(asked)
    changes = _changes(asked, clocks, machine)
    of, values = _of(machine)
    rows = asked.each(
        f"SELECT {_COLUMNS} FROM milestone m WHERE {of} AND m.kind AMONG :kinds "
        "ORDER BY m.machine, m.at, m.entry",
        kinds=_STATES,
        **values,
    )
    for name, some in groupby(rows, key=itemgetter(0)):
        points = _points(some, clocks)
        if points:
            yield Life(name, points, changes.get(name, ()))


def _of(machine: str | None) -> tuple[str, dict[str, str]]:
    """The condition for one machine, or for all that have a name, and its values."""
    if machine is None:
        return "m.machine <> ''", {}
    return "m.machine = :machine", {"machine": machine}


def _points(rows: Iterable[Row], clocks: Clocks) -> dict[str, tuple[Point, ...]]:
    """By error, of each state of one machine its last estimate, in the order of time."""
    marks = sorted(_Mark(clocks.right(row[5], row[1]), row[2], row[3], row[4], row) for row in rows)
    found: dict[str, list[Point]] = {}
    for estimate, steps in _states(marks):
        for error, value, u in _results(errors_of(estimate.row[_FIRST_ERROR:]), steps):
            found.setdefault(error, []).append(Point(estimate.at, value, u, estimate.entry))
    return {error: tuple(some) for error, some in sorted(found.items())}


class _Mark(NamedTuple):
    """Where a milestone stands in its machine's life."""

    at: str  #: by the workshop's clock
    entry: str
    kind: str
    session: str
    row: Row  #: see `_COLUMNS`


#: An estimate of another session counts by itself where it comes this much later: a sitting may
#: have many sessions (each verb has one), and a day's readings solved again are the same readings.
_A_SITTING: Final = timedelta(hours=12)


def _states(marks: Iterable[_Mark]) -> Iterator[tuple[_Mark, Steps]]:
    """(estimate, steps per mm read back before it) of each state of one machine: its last."""
    readback: Steps = ()
    latest: tuple[_Mark, Steps] | None = None
    for mark in marks:
        if mark.kind == "readback":
            readback = mark.row[_FIRST_STEP:_FIRST_ERROR]
            continue
        another = latest is not None and mark.kind == "estimate" and _later(latest[0], mark)
        if latest is not None and (another or mark.kind != "estimate"):
            yield latest
            latest = None
        if mark.kind == "estimate":
            latest = (mark, readback)  # again in the same state: counts once
    if latest is not None:
        yield latest


def _later(one: _Mark, other: _Mark) -> bool:
    if one.session == other.session:
        return False
    try:
        apart = datetime.fromisoformat(other.at) - datetime.fromisoformat(one.at)
    except (ValueError, TypeError):
        return True
    return apart > _A_SITTING


#: Steps per mm as read back, axis by axis; empty before the first read-back.
Steps = tuple[float | None, ...]


def _results(
    errors: Iterable[tuple[str, float | None, float | None]], steps: Steps
) -> Iterator[tuple[str, float, float]]:
    settings = dict(zip(SCALES, steps, strict=False))
    for error, value, u in errors:
        if value is None or u is None or u >= UNDETERMINED[error]:
            continue
        if error in ANGLES:
            yield error, value, u
        elif (setting := settings.get(error)) is not None and value > -1:
            right, u_right = right_steps(setting, value, u)
            if right > 0:
                yield error, right, u_right


def _changes(asked: Asked, clocks: Clocks, machine: str | None) -> dict[str, tuple[Change, ...]]:
    """Parts that were changed, by machine, oldest first."""
    of, values = _of(machine)
    found: dict[str, list[Change]] = {}
    for name, at, bench, body in asked.each(
        "SELECT m.machine, m.at, m.bench, e.body FROM milestone m JOIN entry e ON e.id = m.entry "
        f"WHERE m.kind = 'part' AND {of} ORDER BY m.machine, m.at, m.entry",
        **values,
    ):
        try:
            plain = body_of("note", body)
        except Misfit:
            continue
        for part in PARTS:
            if plain.get(part) is not None:
                change = Change(clocks.right(bench, at), part, str(plain[part]))
                found.setdefault(name, []).append(change)
    return {name: tuple(sorted(some, key=lambda c: c.at)) for name, some in found.items()}


# --- charts --------------------------------------------------------------------------------------


def charts(life: Life) -> Iterator[Charted]:
    """Every chart of a machine: one of each error from one change of parts to the next."""
    for error, points in life.points.items():
        for since, some in _between(points, life.changes):
            first = some[0].value
            scale = error in SCALES
            values = [100 * (p.value / first - 1) if scale else p.value for p in some]
            u = tuple(100 * p.u / first if scale else p.u for p in some)
            made = chart(values, u)
            yield Charted(life.machine, error, "%" if scale else "deg", some, u, made, since)


def _between(
    points: Sequence[Point], changes: Sequence[Change]
) -> Iterator[tuple[Change | None, tuple[Point, ...]]]:
    """Points in groups between changes; groups without a point are none."""
    if not changes:
        yield None, tuple(points)
        return

    def began_by(point: Point) -> Change | None:
        return next((c for c in reversed(changes) if c.at <= point.at), None)

    for change, group in groupby(points, key=began_by):
        yield change, tuple(group)


# --- the same parts, other values ----------------------------------------------------------------

#: Machines whose right steps/mm lie apart by less than this share are of the same parts: pulleys
#: and leads come in steps far larger, belts and rollers scatter far less (our own choice).
_SAME_PARTS: Final = 0.05


@dataclass(frozen=True, slots=True)
class Lately:
    """What comparing needs of one machine: its values since the last change of parts."""

    machine: str
    batch: str  #: of the part that is compared by
    values: Mapping[str, Sequence[float]]  #: by error


def lately(life: Life, part: str) -> Lately:
    newest = max(points[-1].at for points in life.points.values())
    return Lately(
        life.machine,
        life.part_at(part, newest),
        {
            error: array("d", (p.value for p in list(_between(points, life.changes))[-1][1]))
            for error, points in life.points.items()
        },
    )


def alike(found: Sequence[Lately], error: str) -> Iterator[dict[str, Sequence[float]]]:
    """Groups of machines of the same parts: values of one error by machine.

    Scales in percent against the group's median, angles in degrees; of the latest parts alone.
    """
    values = {one.machine: one.values[error] for one in found if error in one.values}
    if error not in SCALES:
        if values:
            yield values
        return
    names = sorted(values, key=lambda name: median(values[name]))
    group: list[str] = []
    for name in names:
        near = group and math.log(median(values[name]) / median(values[group[-1]])) < _SAME_PARTS
        if group and not near:
            yield _in_percent(values, group)
            group = []
        group.append(name)
    if group:
        yield _in_percent(values, group)


def _in_percent(
    values: Mapping[str, Sequence[float]], names: Sequence[str]
) -> dict[str, Sequence[float]]:
    middle = median([median(values[name]) for name in names])
    return {name: [100 * (value / middle - 1) for value in values[name]] for name in names}
