"""All machines at a glance: where, when tuned last, how far off as left, what is open, when due.

Read from the newest entry of each kind, not from the history: a list of 2,000 machines costs the
same however long their lives are.  Only where a bench's clock was off the history of the machines
that it had is looked through: by its own word nothing can be told to be the newest.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence, Set
from datetime import date, timedelta
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Final, Literal, NamedTuple

from agent.model.profile import Tolerance
from agent.store.milestones import ERRORS
from agent.workshop.asking import Asked
from agent.workshop.clocks import Clocks

#: What is known of an error against its tolerance: within or beyond it with 95 % confidence
#: (ISO 14253-1, 5.2 and 5.3), or neither.
Standing = Literal["within", "beyond", "open"]

#: Errors that have a tolerance of their own: relative, and in degrees.
SCALES: Final = ERRORS[:3]
ANGLES: Final = ERRORS[3:]
_RELATIVE: Final = frozenset(SCALES)

#: What a machine without a profile is held against.
_USUAL: Final = Tolerance()

#: No tolerance or interval that anybody means is larger.
_MOST_STATED: Final = 1e5

#: Coverage factor where the degrees of freedom are not kept (GUM G.6.6).
_K: Final = 2.0

#: An error whose uncertainty is no smaller was not determined by readings: half of what is known
#: of such machines beforehand (`Priors`), the ratio of `estimate.parameters`.
UNDETERMINED: Final[Mapping[str, float]] = {
    **dict.fromkeys(SCALES, 0.015),
    "gantry_angle_deg": 0.75,
    "yaw_deg": 0.5,
    "rail_deg": 0.25,
    "roll_deg": 0.25,
}


class Left(NamedTuple):
    """An error as left: scales relative, angles in degrees."""

    value: float
    u: float
    limit: float

    @property
    def standing(self) -> Standing:
        half = _K * self.u
        if abs(self.value) + half <= self.limit:
            return "within"
        return "beyond" if abs(self.value) - half > self.limit else "open"

    def to_plain(self) -> dict[str, Any]:
        return {
            "value": self.value,
            "u": self.u,
            "tolerance": self.limit,
            "standing": self.standing,
        }


class Machine(NamedTuple):
    """One machine as it stands."""

    name: str
    place: str  #: as noted, else the bench that had it last
    tuned: str  #: when its errors were estimated last, by the workshop's clock; empty: never
    due: date | None
    left: Mapping[str, Left] = MappingProxyType({})
    measured_since: bool = True  #: the errors were measured after the last change of settings
    unstored: bool = False
    unproved: bool = False
    edit_file: bool = False  #: lines for the controller's own file were handed over
    clock_off: bool = False  #: noted by a clock that was off, and put right

    @property
    def standing(self) -> Literal[Standing, "unknown"]:
        """Of the machine as a whole."""
        return standing_of(self.left if self.measured_since else {})

    @property
    def open(self) -> tuple[str, ...]:
        """What is still to do, in words."""
        words = {
            "unproved": self.unproved,
            "unstored": self.unstored,
            "edit its file": self.edit_file,
            "not measured since the change": not self.measured_since,
        }
        return tuple(word for word, is_so in words.items() if is_so)

    def days_over(self, today: date) -> int | None:
        """Days since it was due; negative: days that are left; None: never tuned."""
        return None if self.due is None else (today - self.due).days

    def to_plain(self) -> dict[str, Any]:
        return {
            "machine": self.name,
            "where": self.place,
            "last_tune": self.tuned,
            "due": None if self.due is None else self.due.isoformat(),
            "standing": self.standing,
            "as_left": {name: left.to_plain() for name, left in self.left.items()},
            "measured_since": self.measured_since,
            "open": list(self.open),
            "clock_off": self.clock_off,
        }


def standing_of(left: Mapping[str, Left]) -> Literal[Standing, "unknown"]:
    """The worst of what is known of the errors of a machine."""
    found = {one.standing for one in left.values()}
    for worse in ("beyond", "open", "within"):
        if worse in found:
            return worse
    return "unknown"


class _Newest(NamedTuple):
    at: str  #: by the workshop's clock
    entry: str
    bench: str
    told: Sequence[Any] = ()  #: of an estimate what `errors_of` takes, of an outcome its body
    off: bool = False


#: Kinds whose newest entry is told: those of milestones, and the newest of any kind.
_ANY: Final = ""
Newest = Mapping[str, dict[str, _Newest]]  #: by kind and machine


def machines(asked: Asked, *, due_days: int = 180, only: str | None = None) -> tuple[Machine, ...]:
    """Every machine by name, or the one that is named."""
    newest, unsure = _newest(asked, only)
    benches: dict[str, str] = dict(asked.ask("SELECT id, name FROM bench"))
    facts = _documents(asked, "profile")
    for name, card in _documents(asked, "card").items():
        facts[name] = {**facts.get(name, {}), **card}
    return tuple(
        _machine(name, newest, facts.get(name, {}), benches, due_days, name in unsure)
        for name in sorted(newest[_ANY])
    )


def _machine(
    name: str,
    newest: Newest,
    facts: Mapping[str, Any],
    benches: Mapping[str, str],
    due_days: int,
    unsure: bool,
) -> Machine:
    estimate, outcome = newest["estimate"].get(name), newest["outcome"].get(name)
    written = newest["written"].get(name)
    end = (outcome is not None and plain_object(outcome.told[0])) or {}
    return Machine(
        name,
        str(facts.get("place") or benches.get(newest[_ANY][name].bench, "")),
        "" if estimate is None else estimate.at,
        None if estimate is None else _due(estimate.at[:10], _stated(facts, "due_days", due_days)),
        {} if estimate is None else as_left(errors_of(estimate.told), facts),
        estimate is None or written is None or written.at < estimate.at,
        bool(end) and _unstored(end),
        bool(end) and not end.get("verified"),
        bool(end.get("hand_over")),
        unsure and any(of.get(name, _RIGHT).off for of in newest.values()),
    )


_RIGHT: Final = _Newest("", "", "")


def _unstored(end: Mapping[str, Any]) -> bool:
    """Written and verified, and neither stored nor permanent by the writing itself."""
    permanent = end.get("stored") or end.get("permanent") or end.get("hand_over")
    return bool(end.get("verified")) and bool(end.get("changes")) and not permanent


def as_left(
    found: Iterable[tuple[str, float | None, float | None]], facts: Mapping[str, Any]
) -> dict[str, Left]:
    """Errors that readings have determined, against the tolerance of the machine's profile.

    found: names of `ERRORS`, value and standard uncertainty of each, None if it is not known.
    """
    scale = _stated(facts, "scale_percent", _USUAL.scale_percent) / 100
    angle = _stated(facts, "angle_deg", _USUAL.angle_deg)
    return {
        name: Left(value, u, scale if name in _RELATIVE else angle)
        for name, value, u in found
        if value is not None and u is not None and u < UNDETERMINED[name]
    }


def _stated(facts: Mapping[str, Any], key: str, usual: float) -> float:
    """What a profile or card states; the usual for what is no number, as it may be foreign."""
    value = facts.get(key)
    if value is None:
        return usual
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return value if number and 0 < value < _MOST_STATED else usual


@lru_cache(maxsize=4096)  # many machines are tuned on one day
def _due(day: str, days: float) -> date | None:
    try:
        return date.fromisoformat(day) + timedelta(days=days)
    except (ValueError, TypeError, OverflowError):
        return None


_COLUMNS: Final = ", ".join(f"m.{name}, m.{name}_u" for name in ERRORS)

#: The newest of each kind, with what is told of it.  That of any kind comes last: whatever is
#: noted meanwhile, no machine is without it.
_LATEST: Final[Mapping[str, str]] = {
    "estimate": f"SELECT l.machine, l.at, l.entry, l.bench, {_COLUMNS} FROM latest l "
    "JOIN milestone m ON m.machine = l.machine AND m.at = l.at AND m.entry = l.entry",
    "outcome": "SELECT l.machine, l.at, l.entry, l.bench, e.body FROM latest l "
    "JOIN entry e ON e.id = l.entry",
    "written": "SELECT l.machine, l.at, l.entry, l.bench FROM latest l",
    _ANY: "SELECT l.machine, l.at, l.entry, l.bench FROM latest l",
}


def _newest(asked: Asked, only: str | None) -> tuple[Newest, set[str]]:
    """The newest entry of each kind of each machine, by the workshop's clock.

    Beside it the machines that a bench had whose clock was off.
    """
    clocks = Clocks(asked)
    off = set(clocks.off)
    found: Newest = {kind: {} for kind in _LATEST}
    unsure: set[str] = set()
    one = "l.machine <> :only" if only is None else "l.machine = :only"  # each has a name
    for kind, query in _LATEST.items():
        of_kind = found[kind]
        where = f"{query} WHERE l.kind = :kind AND {one}"
        for machine, at, entry, bench, *told in asked.ask(where, kind=kind, only=only or ""):
            newest = _Newest(at, entry, bench, told)
            if bench in off:
                unsure.add(machine)
                newest = _righted(clocks, newest)
            _offer(of_kind, machine, newest)
    if unsure:
        _by_right_time(asked, clocks, unsure, found)
    return found, unsure


def _offer(of_kind: dict[str, _Newest], machine: str, newest: _Newest) -> None:
    known = of_kind.get(machine)
    if known is None or known[:2] < newest[:2]:
        of_kind[machine] = newest


def _righted(clocks: Clocks, newest: _Newest) -> _Newest:
    right = clocks.right(newest.bench, newest.at)
    return newest._replace(at=right, off=right != newest.at)


def _by_right_time(asked: Asked, clocks: Clocks, machines: Set[str], found: Newest) -> None:
    """Of a bench whose clock was off the newest by its own word need not be the newest."""
    for machine, kind, at, entry, bench, *told in asked.each(
        f"SELECT m.machine, m.kind, m.at, m.entry, m.bench, {_COLUMNS} FROM milestone m "
        "WHERE m.machine AMONG :machines AND m.bench AMONG :benches",
        machines=sorted(machines),
        benches=clocks.off,
    ):
        newest = _righted(clocks, _Newest(at, entry, bench, told if kind == "estimate" else ()))
        for name in ("outcome", "written") if kind == "written" else (kind,):
            for of_kind in (found[_ANY], found.get(name, {})):
                _offer(of_kind, machine, newest)
    ends = {
        end.entry: machine
        for machine, end in found["outcome"].items()
        if machine in machines and not end.told
    }
    for entry, body in asked.ask(
        "SELECT e.id, e.body FROM entry e WHERE e.id AMONG :ids", ids=sorted(ends)
    ):
        machine = ends[entry]
        found["outcome"][machine] = found["outcome"][machine]._replace(told=(body,))


def errors_of(row: Sequence[float | None]) -> Iterable[tuple[str, float | None, float | None]]:
    """Errors from the columns of a milestone: name, value and standard uncertainty."""
    return zip(ERRORS, row[::2], row[1::2], strict=True)


def plain_object(text: str) -> dict[str, Any] | None:
    """The object that a foreign text of JSON is; None for anything else."""
    try:
        plain = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return plain if isinstance(plain, dict) else None


def _documents(asked: Asked, kind: str) -> dict[str, dict[str, Any]]:
    """Facts of the newest document of a kind, by machine."""
    found: dict[str, dict[str, Any]] = {}
    for machine, facts in asked.ask(
        "SELECT machine, facts FROM document WHERE kind = :kind ORDER BY at, id", kind=kind
    ):
        if (plain := plain_object(facts)) is not None:
            found[machine] = {k: v for k, v in plain.items() if v is not None}
    return found


def due(found: Sequence[Machine], today: date) -> tuple[Machine, ...]:
    """Machines that are due, the longest overdue first; then those that were never tuned."""
    over = [m for m in found if m.due is not None and m.due <= today]
    never = [m for m in found if m.due is None]
    return (*sorted(over, key=lambda m: (m.due, m.name)), *never)
