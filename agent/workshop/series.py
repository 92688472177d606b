"""Errors of machines over time, on a scale that a change of settings does not move.

An error goes away with its correction and so shows no drift.  What stays the same in a machine
that does not drift is the setting that would be right, r = steps / (1 + e) (as the report has it);
it is given in percent against the first of its chart, with u(r)/r = u(e)/(1 + e).  Angles that no
setting moves are taken as they are.  A new belt, roller or flash begins a new chart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any, Final

from agent.store.checks import Misfit, body_of
from agent.workshop.asking import Asked
from agent.workshop.charts import Chart, chart
from agent.workshop.clocks import Clocks
from agent.workshop.fleet import ANGLES, SCALES, UNDETERMINED

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

    def to_plain(self) -> dict[str, Any]:
        c = self.chart
        return {
            "machine": self.machine,
            "error": self.error,
            "unit": self.unit,
            "since": None if self.since is None else f"{self.since.part} {self.since.what}".strip(),
            "points": [
                {"at": p.at, "value": x, "u": u, "ewma": z, "ewma_limit": limit}
                for p, x, u, z, limit in zip(
                    self.points, c.values, self.u, c.ewma, c.ewma_limits, strict=True
                )
            ],
            "moving_ranges": list(c.ranges),
            "centre": c.centre,
            "lower": c.lower if c.enough else None,
            "upper": c.upper if c.enough else None,
            "range_limit": c.range_limit if c.enough else None,
            "signals": [
                {
                    "at": self.points[s.place].at,
                    "rule": s.rule,
                    "what": s.what,
                    "usually": s.usually,
                }
                for s in c.signals
            ],
        }


def lives(asked: Asked, machine: str | None = None) -> tuple[Life, ...]:
    """Errors and changes of parts of every machine (or one), oldest first."""
    clocks = Clocks(asked)
    # All machines by the kind of their entries; one by its sessions, the kind a value made up.
    if machine is None:
        where, values = _Where("e.kind", ""), {}
    else:
        sessions = asked.ask("SELECT id FROM session WHERE machine = :machine", machine=machine)
        where = _Where("(e.kind || '')", " AND e.session AMONG :sessions")
        values = {"sessions": [row[0] for row in sessions]}
    points = _points(asked, clocks, where, values)
    changes = _changes(asked, clocks, where, values)
    return tuple(
        Life(
            name,
            {error: tuple(some) for error, some in sorted(points.get(name, {}).items())},
            tuple(sorted(changes.get(name, ()), key=lambda c: c.at)),
        )
        for name in sorted(points.keys() | changes.keys())
    )


@dataclass(frozen=True, slots=True)
class _Where:
    """How the entries of some machines are found."""

    kind: str  #: the column of the kind
    and_of: str


#: Sessions that matter, the bench of each, and an entry's time; machines without a name have no
#: life of their own.
_OF: Final = (
    "FROM entry e JOIN session s ON s.id = e.session LEFT JOIN origin o ON o.session = s.id "
)


def _points(
    asked: Asked, clocks: Clocks, where: _Where, values: Mapping[str, Any]
) -> dict[str, dict[str, list[Point]]]:
    """Of each state of a machine its last estimate, in the order of time."""
    found: dict[str, dict[str, list[Point]]] = {}
    marks = asked.ask(
        f"SELECT e.session, e.at, e.id, e.kind, s.machine, coalesce(o.bench, '') {_OF}"
        f"WHERE {where.kind} AMONG :kinds AND s.machine <> ''{where.and_of}",
        kinds=["readback", "estimate", "outcome", "begin"],
        **values,
    )
    figures = _figures(asked, where, values)
    rows = [
        _Mark(machine, clocks.right(bench, at), entry, kind, session)
        for session, at, entry, kind, machine, bench in marks
    ]
    rows.sort(key=lambda mark: (mark.machine, mark.at, mark.entry))
    for machine, of_machine in groupby(rows, key=lambda mark: mark.machine):
        for estimate, readback in _states(of_machine):
            steps, errors = figures.get(readback, {}), figures.get(estimate.entry, {})
            for error, value, u in _results(errors, steps):
                point = Point(estimate.at, value, u, estimate.entry)
                found.setdefault(machine, {}).setdefault(error, []).append(point)
    return found


@dataclass(frozen=True, slots=True)
class _Mark:
    """Where an entry stands in its machine's life."""

    machine: str
    at: str
    entry: str
    kind: str
    session: str


#: An estimate of another session counts by itself where it comes this much later: a sitting may
#: have many sessions (each verb has one), and a day's readings solved again are the same readings.
_A_SITTING: Final = timedelta(hours=12)


def _states(marks: Iterable[_Mark]) -> Iterator[tuple[_Mark, str]]:
    """(estimate, read-back before it) of each state of one machine: the last of each state."""
    readback = ""
    latest: tuple[_Mark, str] | None = None
    for mark in marks:
        if mark.kind == "readback":
            readback = mark.entry
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


def _results(
    errors: Mapping[str, tuple[float, float | None]],
    steps: Mapping[str, tuple[float, float | None]],
) -> Iterator[tuple[str, float, float]]:
    for error in SCALES:
        setting = steps.get(f"steps_per_mm.{error[0]}")
        value, u = errors.get(f"estimate.{error}", (0.0, None))
        if setting is None or u is None or u >= UNDETERMINED[error] or value <= -1:
            continue
        right = setting[0] / (1 + value)
        if right > 0:
            yield error, right, right * u / (1 + value)
    for error in ANGLES:
        value, u = errors.get(f"estimate.{error}", (0.0, None))
        if u is not None and u < UNDETERMINED[error]:
            yield error, value, u


def _figures(
    asked: Asked, where: _Where, values: Mapping[str, Any]
) -> dict[str, dict[str, tuple[float, float | None]]]:
    """Figures of estimates, and steps per mm of read-backs, by entry."""
    found: dict[str, dict[str, tuple[float, float | None]]] = {}
    for kind, low, high in (
        ("estimate", "estimate.", "estimate/"),
        ("readback", "steps_per_mm.", "steps_per_mm/"),
    ):
        for entry, key, value, u in asked.ask(
            "SELECT f.entry, f.key, f.value, f.u FROM entry e "
            "JOIN figure f ON f.entry = e.id AND f.key >= :low AND f.key < :high "
            f"WHERE {where.kind} = :kind{where.and_of}",
            kind=kind,
            low=low,
            high=high,
            **values,
        ):
            found.setdefault(entry, {})[key] = (value, u)
    return found


def _changes(
    asked: Asked, clocks: Clocks, where: _Where, values: Mapping[str, Any]
) -> dict[str, list[Change]]:
    found: dict[str, list[Change]] = {}
    for machine, at, body, bench in asked.ask(
        f"SELECT s.machine, e.at, e.body, coalesce(o.bench, '') {_OF}"
        f"WHERE {where.kind} = 'note' AND s.machine <> ''{where.and_of}",
        **values,
    ):
        try:
            plain = body_of("note", body)
        except Misfit:
            continue
        for part in PARTS:
            if plain.get(part) is not None:
                change = Change(clocks.right(bench, at), part, str(plain[part]))
                found.setdefault(machine, []).append(change)
    return found


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

    def began_by(point: Point) -> Change | None:
        return next((c for c in reversed(changes) if c.at <= point.at), None)

    for change, group in groupby(points, key=began_by):
        yield change, tuple(group)


# --- the same parts, other values ----------------------------------------------------------------

#: Machines whose right steps/mm lie apart by less than this share are of the same parts: pulleys
#: and leads come in steps far larger, belts and rollers scatter far less (our own choice).
_SAME_PARTS: Final = 0.05


def alike(found: Sequence[Life], error: str) -> Iterator[dict[str, list[float]]]:
    """Groups of machines of the same parts: values of one error by machine.

    Scales in percent against the group's median, angles in degrees; of the latest parts alone.
    """
    values = {}
    for life in found:
        groups = list(_between(life.points.get(error, ()), life.changes))
        if groups:
            values[life.machine] = [p.value for p in groups[-1][1]]
    if error not in SCALES:
        if values:
            yield values
        return
    names = sorted(values, key=lambda name: _middle(values[name]))
    group: list[str] = []
    for name in names:
        near = group and math.log(_middle(values[name]) / _middle(values[group[-1]])) < _SAME_PARTS
        if group and not near:
            yield _in_percent(values, group)
            group = []
        group.append(name)
    if group:
        yield _in_percent(values, group)


def _in_percent(values: Mapping[str, list[float]], names: Sequence[str]) -> dict[str, list[float]]:
    middle = _middle([_middle(values[name]) for name in names])
    return {name: [100 * (value / middle - 1) for value in values[name]] for name in names}


def _middle(values: Sequence[float]) -> float:
    from statistics import median

    return float(median(values))
