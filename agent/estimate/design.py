"""The short tune: which reading next, how many, and when it is enough.

Sequential design of experiments.  A reading with Jacobian row j and variance v takes the covariance
P to P - P j j' P / (v + j' P j); the value read does not enter, so that its gain is known
beforehand.  One value after the other is chosen, the one that takes most off the worst wanted
parameter, in units of its tolerance, for each minute it costs.  It is enough when

    U <= tolerance                                    for every wanted parameter (U: 95 %), and
    |P j| delta / sqrt(v - j' P j) <= tolerance       for every value of the design, and
    a lean typed with the wrong sign would be seen.

The second is what a slip of one value moves while it stays unseen, see
`agent.estimate.reliability`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from agent.estimate.consistency import Examined, examine
from agent.estimate.curvature import bent
from agent.estimate.fit import Fit, described, improved, posterior
from agent.estimate.observation import (
    REPEATABILITY,
    RESOLUTION,
    Noise,
    Observations,
    observe,
)
from agent.estimate.parameters import PUBLIC, public_unit, tolerated
from agent.estimate.reliability import DELTA, DOUBTED, unseen
from agent.estimate.repeats import counted
from agent.estimate.spread import sized
from agent.model.feature import Reading
from agent.model.geometry import Array
from agent.model.roles import WANTED
from agent.model.survey import Survey

#: Coverage factor of what is planned.
_K: Final = 1.96

#: A value that takes less than this share off the worst is not worth its time where the tolerance
#: cannot be reached; where it can, values that take less than the second are no way to it.
_WORTH: Final = 0.1
_LEAST: Final = 0.01

#: No tune asks for more values than this.
_MOST: Final = 40

#: Values of one feature that are worth typing: beyond, what they share is all that is left.
MOST_VALUES: Final = 3

#: Where a tolerance cannot be reached, a slip may move what is outside by so many times its U.
_CHECKED: Final = 1.3

#: As good as nothing known of a slip, mm.
_ANY_SLIP: Final = 1e3


@dataclass(frozen=True, slots=True)
class Candidate:
    """A feature or move that could be read, or read once more."""

    reading: Reading  #: its values are not looked at
    seconds: float  #: to seat and type one value
    needs: tuple[str, ...] = ()  #: what has to be there first: a piece, a gauge at an axis
    again: bool = False  #: more values of it tell more; a move's own gauge does not change


@dataclass(frozen=True, slots=True)
class Ask:
    """One value to be taken, and what is known after it."""

    candidate: Candidate
    value: int  #: 1 for the first value of it
    minutes: float
    after: Mapping[str, float]  #: U of each wanted parameter, public units

    @property
    def name(self) -> str:
        return self.candidate.reading.name


@dataclass(frozen=True, slots=True)
class Course:
    """What is known of the wanted parameters, and the values that are still worth taking."""

    wanted: tuple[str, ...]
    tolerance: Mapping[str, float]  #: public units (scales relative, angles in degrees)
    now: Mapping[str, float]  #: U of each
    slip: Mapping[str, float]  #: what an unseen slip could move each by, after all asks
    asks: tuple[Ask, ...]
    unreachable: Mapping[str, float]  #: U that is left of what no candidate brings inside
    more: str = ""  #: name of the reading that would bring most beyond
    more_after: Mapping[str, float] = field(default_factory=dict)
    doubt: str = ""  #: name of the one ask where readings stand apart

    @property
    def enough(self) -> bool:
        """Nothing more is worth asking, and every wanted parameter is inside its tolerance."""
        return not self.asks and not self.outside

    @property
    def outside(self) -> tuple[str, ...]:
        """Wanted parameters that are not known to within their tolerance now."""
        return tuple(n for n in self.wanted if self.now[n] > self.tolerance[n] * (1 + 1e-9))

    @property
    def after(self) -> Mapping[str, float]:
        """U of each wanted parameter once all asks are answered."""
        return (self.asks[-1].after if self.asks else {}) or self.now

    @property
    def minutes(self) -> float:
        return math.fsum(ask.minutes for ask in self.asks)


@dataclass
class _State:
    """Covariance as values come in; features 0..f-1, unknowns k and one for each feature's own."""

    J: Array  #: (f, K)
    v: Array  #: (f,) variance of one value, mm^2
    P: Array  #: (K, K)
    u0: Array  #: (K,) prior
    count: list[int]

    def copy(self) -> _State:
        return _State(self.J, self.v, self.P, self.u0, list(self.count))

    def u(self, columns: Sequence[int]) -> list[float]:
        """Standard uncertainties of unknowns."""
        return [math.sqrt(max(float(self.P[c, c]), 0.0)) for c in columns]

    def take(self, row: int, values: float = 1.0) -> None:
        g = self.P @ self.J[row]
        self.P = self.P - np.outer(g, g) / (self.v[row] / values + float(self.J[row] @ g))
        self.count[row] += round(values)

    def after(self, columns: Sequence[int]) -> Array:
        """Variances (f, len(columns)) of unknowns after one more value of each feature."""
        left: Array = improved(self.P, self.J, self.v)[:, list(columns)]
        return left

    def slips(self, columns: Sequence[int]) -> Array:
        """What an unseen slip of one value moves (f, len(columns)); 0 where nothing was read."""
        moved = unseen(self.J, self.v, self.P)[:, list(columns)]
        moved[[n == 0 for n in self.count]] = 0.0
        return np.asarray(moved)

    def common_slip(self, rows: Sequence[int], more: int | None = None) -> float:
        """Least slip that all of `rows` share and the others show, mm."""
        counts = np.array(self.count, dtype=float)
        if more is not None:
            counts[more] += 1
        read = np.flatnonzero(counts)
        column = np.zeros(len(counts))
        column[list(rows)] = 1.0
        J = np.column_stack([self.J, column])[read]
        u0 = np.append(self.u0, _ANY_SLIP)
        cov = posterior(J, self.v[read] / counts[read], u0)
        return DELTA * math.sqrt(float(cov[-1, -1]))


def course(
    survey: Survey,
    candidates: Sequence[Candidate],
    setups: Mapping[str, float],
    *,
    examined: Examined | None = None,
    wanted: Sequence[str] = WANTED,
    there: Iterable[str] = (),
) -> Course:
    """The values still to be taken, in the order of their gain for the time, until it is enough.

    setups    minutes that each thing a candidate needs takes to be there
    examined  the estimate from the survey's own readings, where it is at hand
    there     what of `setups` is there already
    """
    if examined is None and survey.readings:
        examined = examine(survey)
    model = _Model.of(
        survey, candidates, setups, frozenset(there), examined=examined, wanted=tuple(wanted)
    )
    free = model.run({})
    beyond = {
        name: free.now[i]
        for i, name in enumerate(model.wanted)
        if free.now[i] > model.limits[i] * (1 + 1e-9)
    }
    final = model.run(beyond) if beyond else free
    more, more_after = model.beyond(final)
    return Course(
        model.wanted,
        model.public(model.limits),
        model.public(model.U(model.start)),
        model.public(final.slip),
        _grouped(model, final.asks),
        {name: final.now[model.wanted.index(name)] * public_unit(name) for name in beyond},
        more,
        more_after,
    )


@dataclass
class _Run:
    state: _State
    have: set[str]
    asks: list[tuple[int, Candidate, float]] = field(default_factory=list)  #: row, its minutes
    now: list[float] = field(default_factory=list)  #: U, own units
    slip: list[float] = field(default_factory=list)


@dataclass
class _Model:
    """The survey and all candidates as one linear problem."""

    candidates: Sequence[Candidate]
    setups: Mapping[str, float]  #: minutes
    there: frozenset[str]
    wanted: tuple[str, ...]
    columns: list[int]
    limits: list[float]  #: own units
    start: _State
    row_of: Mapping[tuple[object, ...], int]
    factor: list[float]  #: U over the standard uncertainty
    leans: list[int]  #: their rows
    flip: float  #: what a lean of the usual size would be off by with the wrong sign, mm

    @classmethod
    def of(
        cls,
        survey: Survey,
        candidates: Sequence[Candidate],
        setups: Mapping[str, float],
        there: frozenset[str],
        *,
        examined: Examined | None,
        wanted: tuple[str, ...],
    ) -> _Model:
        readings = _all_readings(survey, candidates)
        whole = linear(survey, readings, examined)
        unknowns, J = whole.unknowns, whole.J
        value, own = _variances(readings, whole.observations)
        usual = np.linalg.norm(J * unknowns.u, axis=1)
        u0 = np.append(unknowns.u, np.ones(len(readings)))
        J = np.column_stack([J, np.diag(np.sqrt(own))])
        state = _State(J, value, np.diag(u0**2), u0, [0] * len(readings))
        for i, reading in enumerate(survey.readings):
            state.take(i, 1.0 if reading.u_mm is not None else counted(reading.mm))
        leans = [i for i, r in enumerate(readings) if r.kind == "lean"]
        columns = [unknowns.index(PUBLIC[name]) for name in wanted]
        return cls(
            candidates,
            setups,
            there,
            wanted,
            columns,
            [tolerated(survey, name) for name in wanted],
            state,
            {_key(r): i for i, r in enumerate(readings)},
            _factors(examined, wanted, state.u(columns)),
            leans,
            2 * float(max(usual[leans], default=0.0)),
        )

    def public(self, own: Sequence[float]) -> dict[str, float]:
        return {n: float(x) * public_unit(n) for n, x in zip(self.wanted, own, strict=True)}

    def U(self, state: _State) -> list[float]:
        """Expanded uncertainty of each wanted parameter, own units."""
        return [f * u for f, u in zip(self.factor, state.u(self.columns), strict=True)]

    def run(self, beyond: Mapping[str, float]) -> _Run:
        """Choose values until it is enough; of what is `beyond` reach only what is worth it."""
        run = _Run(self.start.copy(), set(self.there))
        while len(run.asks) < _MOST:
            chosen = self._inside(run, beyond)
            if chosen is None:
                chosen = self._checked(run)
            if chosen is None:
                chosen = self._signs(run)
            if chosen is None:
                break
            candidate = self.candidates[chosen]
            row, minutes = self.row_of[_key(candidate.reading)], self._minutes(run, candidate)
            run.state.take(row)
            run.have.update(candidate.needs)
            run.asks.append((row, candidate, minutes))
        run.now = self.U(run.state)
        run.slip = [float(x) for x in run.state.slips(self.columns).max(axis=0, initial=0.0)]
        return run

    def _minutes(self, run: _Run, candidate: Candidate) -> float:
        """What one more value costs: seconds of the hand, and what has to be there first."""
        new = [need for need in candidate.needs if need not in run.have]
        return candidate.seconds / 60 + math.fsum(self.setups.get(need, 0.0) for need in new)

    def _open(self, run: _Run) -> list[tuple[int, int]]:
        """(number, row) of candidates of which another value could be taken."""
        rows = [(i, self.row_of[_key(c.reading)]) for i, c in enumerate(self.candidates)]
        return [
            (i, row)
            for i, row in rows
            if run.state.count[row] < (MOST_VALUES if self.candidates[i].again else 1)
        ]

    def _best(self, run: _Run, gains: Iterable[tuple[int, float]]) -> int | None:
        """The candidate with the most gain for its time; of equals the first."""
        best, rate = None, 0.0
        for number, gain in gains:
            of_this = gain / self._minutes(run, self.candidates[number])
            if of_this > rate * (1 + 1e-9):
                best, rate = number, of_this
        return best

    def _inside(self, run: _Run, beyond: Mapping[str, float]) -> int | None:
        """The value that brings the worst parameter nearest to its tolerance for its time."""
        rows = self._open(run)
        u = self.U(run.state)
        after = run.state.after(self.columns)
        for i in sorted(range(len(u)), key=lambda i: -u[i] / self.limits[i]):
            if u[i] <= self.limits[i]:
                continue
            least = _WORTH if self.wanted[i] in beyond else _LEAST
            then = ((number, self.factor[i] * math.sqrt(after[row, i])) for number, row in rows)
            best = self._best(run, ((n, u[i] - x) for n, x in then if x <= (1 - least) * u[i]))
            if best is not None:
                return best
        return None

    def _checked(self, run: _Run) -> int | None:
        """The value that takes most off what an unseen slip could move, for its time."""
        limits = np.array(self.limits)
        worst = run.state.slips(self.columns) / limits
        # a parameter that is outside anyway is not checked much beyond what is known of it
        u = np.array(self.U(run.state)) / limits
        bound = np.maximum(1.0, np.where(u > 1, _CHECKED * u, 1.0))
        if np.all(worst <= bound):
            return None
        gains = []
        for number, row in self._open(run):
            trial = run.state.copy()
            trial.take(row)
            then = trial.slips(self.columns) / limits
            # over all values: of two that lean on each other alone, one more helps one of them
            gain = float((np.maximum(worst - bound, 0) - np.maximum(then - bound, 0)).sum())
            if gain > _LEAST:
                gains.append((number, gain))
        return self._best(run, gains)

    def _signs(self, run: _Run) -> int | None:
        """A value that would show leans typed with the wrong sign; None where it shows."""
        read = [i for i in self.leans if run.state.count[i]]
        if not read or run.state.common_slip(read) <= self.flip:
            return None
        shows = (
            (number, 1.0)
            for number, row in self._open(run)
            if row not in self.leans
            and np.any(run.state.J[row, self.columns[-1]])
            and run.state.common_slip(read, row) <= self.flip
        )
        return self._best(run, shows)

    def beyond(self, run: _Run) -> tuple[str, dict[str, float]]:
        """The reading that would still take most off the worst parameter, and U then."""
        u, rows = self.U(run.state), self._open(run)
        if not (u and rows):
            return "", {}
        i = max(range(len(u)), key=lambda k: u[k] / self.limits[k])
        after = run.state.after(self.columns)
        number, row = min(rows, key=lambda pair: float(after[pair[1], i]))
        then = [f * math.sqrt(float(x)) for f, x in zip(self.factor, after[row], strict=True)]
        return self.candidates[number].reading.name, self.public(then)


def _all_readings(survey: Survey, candidates: Sequence[Candidate]) -> tuple[Reading, ...]:
    """The readings, and a place-holder for each candidate that was not read; it is one value."""
    there = {_key(r) for r in survey.readings}
    new = {_key(c.reading): replace(c.reading, mm=(math.nan,)) for c in candidates}
    return (*survey.readings, *(r for key, r in new.items() if key not in there))


def linear(survey: Survey, readings: tuple[Reading, ...], examined: Examined | None) -> Fit:
    """All readings at what is known of the unknowns: of them those of the survey are read."""
    noise = _stated(survey) if examined is None else examined.fit.observations.noise
    obs, unknowns = observe(replace(survey, readings=readings), noise)
    p = unknowns.mean
    if examined is not None:
        obs, unknowns = sized(obs, unknowns, examined.spread.form, examined.spread.grade)
        known = dict(zip(examined.fit.unknowns.names, examined.fit.p, strict=True))
        p = np.array([known.get(n, x) for n, x in zip(unknowns.names, p, strict=True)])
    read = len(survey.readings)
    return bent(described(obs, unknowns, p, read=read), read=read)


def _variances(readings: Sequence[Reading], obs: Observations) -> tuple[Array, Array]:
    """Of one value (f,), and of what all values of a reading share (f,), mm^2.

    A reading with a stated uncertainty is one value, and shares nothing.
    """
    stated = np.array([r.u_mm is not None for r in readings], dtype=bool)
    repeats, step = obs.own[REPEATABILITY], obs.own[RESOLUTION]
    one = repeats * [counted(r.mm) for r in readings] + step
    common = np.maximum(obs.independent - repeats - step, 0.0)
    return np.where(stated, obs.independent, one), np.where(stated, 0.0, common)


def _factors(
    examined: Examined | None, wanted: Sequence[str], planned: Sequence[float]
) -> list[float]:
    """U over the standard uncertainty: as the estimate found it for what is known now."""
    factors = [_K] * len(wanted)
    if examined is not None:
        at = examined.fit
        for i, name in enumerate(wanted):
            column = at.unknowns.index(PUBLIC[name])
            found = float(at.u[column] * at.factor95[column])
            if planned[i] > 0 and found > 0:
                factors[i] = found / planned[i]
    return factors


def _grouped(model: _Model, asks: Sequence[tuple[int, Candidate, float]]) -> tuple[Ask, ...]:
    """The asks as they are best carried out: moves first, what needs the same thing together.

    So that no gauge is carried to and fro.  Within that in the order in which they were chosen;
    the values of one feature together.
    """
    groups: dict[tuple[str, ...], int] = {}
    for candidate in model.candidates:
        groups.setdefault(candidate.needs, len(groups))
    first = {row: number for number, (row, _, _) in reversed(list(enumerate(asks)))}
    ordered = sorted(
        asks,
        key=lambda ask: (ask[1].reading.kind != "travel", groups[ask[1].needs], first[ask[0]]),
    )
    state = model.start.copy()
    found = []
    for row, candidate, minutes in ordered:
        state.take(row)
        found.append(Ask(candidate, state.count[row], minutes, model.public(model.U(state))))
    return tuple(found)


def _key(reading: Reading) -> tuple[object, ...]:
    if reading.name:
        return (reading.name,)
    return reading.kind, reading.along, reading.side


def _stated(survey: Survey) -> Noise:
    return Noise(survey.instrument.repeatability_mm, math.inf)


def doubted(examined: Examined, residuals: Sequence[tuple[float, float]]) -> list[int]:
    """Readings whose residual is beyond its 99 % interval, the largest first.

    residuals: of each reading, with its standard uncertainty; those already called wrong excluded.
    """
    accused = {a.row for a in examined.accused}
    off = [(abs(r) / u, i) for i, (r, u) in enumerate(residuals) if i not in accused and u > 1e-9]
    return [i for z, i in sorted(off, reverse=True) if z > DOUBTED]
