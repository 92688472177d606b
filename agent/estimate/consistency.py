"""Whether the readings can be of one machine, and if not, which of them is wrong.

The figure for the whole survey is chi-squared with the priors in it, r' S^-1 r at the stated sizes
of the budget, of as many degrees of freedom as there are readings.  Readings that are called wrong
(see `agent.estimate.mistakes`) are left out and asked about; what is left must agree.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import Final

import numpy as np

from agent.errors import Refused
from agent.estimate.curvature import bent
from agent.estimate.fit import Fit, described, fit, without
from agent.estimate.mistakes import (
    ACCUSED,
    COMMA,
    MANY,
    OFF,
    ONE_OF,
    SIDE,
    SWAPPED,
    Suspicion,
    explained,
    is_torn,
    joined,
    slip_odds,
    slip_shares,
    suspicions,
    undone,
)
from agent.estimate.observation import Observations, Unknowns, noise_of, observe
from agent.estimate.repeats import copied, others_mean, strays
from agent.estimate.spread import Spread, averaged, spread
from agent.estimate.uncertainty import chi2_beyond, display_step
from agent.model.geometry import ERRORS, EZ
from agent.model.survey import Survey
from agent.plain import Plain

#: Below this probability the readings cannot be of one machine and the stated budget.
POOR: Final = 0.001

#: So many readings may be called wrong before the survey as a whole is.
_MOST_ACCUSED: Final = 3
#: The point at which mistakes are weighed is sought so often.
_ROUNDS: Final = 3

#: So many explanations are undone one by one at each point where mistakes are weighed, and only
#: those whose log odds there are not hopelessly below the best; not in surveys of many readings.
_MOST_TRIED: Final = 10
_HOPELESS: Final = 12.0

#: Prior of scales (relative) and factor on that of rotations, for a machine unlike all others.
_ANY_SCALE: Final = 1.0
_ANY_TURN: Final = 10.0


#: An error beyond so many prior standard deviations is not of such machines.
UNLIKE: Final = 5.0

#: A reading tells of an error if a relative change of the error by 1 moves the reading by at least
#: this share of its nominal length.
TELLS: Final = 0.2


@dataclass(frozen=True, slots=True)
class Accusation:
    """A reading that is called wrong, and the mistake that would explain it."""

    row: int
    mistake: str
    text: str  #: follows 'all agree if'; empty where no usual mistake explains it
    partner: int | None = None  #: the other one of two swapped readings


@dataclass(frozen=True, slots=True)
class Goodness(Plain):
    """Chi-squared of a whole survey against its stated uncertainties."""

    statistic: float
    dof: int
    p: float  #: probability of a larger one


@dataclass(frozen=True, slots=True)
class Examined:
    """The estimate after the readings were held against each other."""

    fit: Fit  #: without the readings that are called wrong
    spread: Spread
    accused: tuple[Accusation, ...]
    goodness: Goodness  #: of what is left
    agrees: bool  #: what is left can be of one machine, however wide the bench scatters
    unlike: tuple[int, ...] = ()  #: machine errors beyond all that is known of such machines
    stray: tuple[tuple[int, int], ...] = ()  #: (reading, repeat) that stand off their own repeats

    @property
    def contradictory(self) -> bool:
        """The readings contradict each other: nothing may rest on them."""
        return bool(self.accused) or not self.agrees


def examine(survey: Survey) -> Examined:
    """Fit, weigh mistakes, leave out what is wrong, fit again."""
    stray = strays([r.mm for r in survey.readings], survey.instrument.repeatability_mm)
    torn = _torn(survey)
    plain = (*torn, *_one_of_several(survey, stray, {a.row for a in torn}))
    mended, lost = _mended(survey, stray, torn)
    obs, unknowns = observe(mended)
    accused, out = plain, lost
    found = _settled(obs, unknowns, out)
    for tried in range(_MOST_ACCUSED):
        if tried == 1 and not _agrees(found[1]):
            # One mistake does not explain it: is it a machine unlike all others?
            free = _settled(obs, _anything_goes(unknowns), lost)
            unlike = _unlike(free[0], unknowns)
            if unlike and _agrees(free[1]):
                return _examined(free, plain, unlike, stray)
        best = _worst(mended, obs, unknowns, rows_of(accused), out, found)
        if best is not None:
            accused = (*accused, *_accusations(survey, best))
            out = [*out, *best.rows]
            found = _settled(obs, unknowns, out)
        elif tried or _agrees(found[1]):
            break
    return _examined(found, accused, (), stray)


def rows_of(accused: Iterable[Accusation]) -> list[int]:
    """The readings that are called wrong."""
    return [a.row for a in accused]


def _examined(
    found: tuple[Fit, Spread],
    accused: Sequence[Accusation],
    unlike: tuple[int, ...],
    stray: tuple[tuple[int, int], ...],
) -> Examined:
    at, grid = found
    stated = int(np.argmin(np.abs(np.log(grid.factors)).sum(axis=1)))
    count = at.observations.size - len(accused)
    statistic = float(grid.quadratic[stated])
    goodness = Goodness(statistic, count, chi2_beyond(statistic, count))
    return Examined(
        averaged(at, grid), grid, tuple(accused), goodness, _agrees(grid), unlike, stray
    )


def _agrees(grid: Spread) -> bool:
    widest = float(np.min(grid.quadratic))
    return chi2_beyond(widest, len(grid.r)) >= POOR


def _settled(obs: Observations, unknowns: Unknowns, out: Sequence[int]) -> tuple[Fit, Spread]:
    """The estimate without the readings `out`, and its grid of spreads."""
    at = _without(obs, unknowns, out)
    return at, spread(at)


def _without(obs: Observations, unknowns: Unknowns, out: Sequence[int]) -> Fit:
    """The estimate without the readings `out`, to second order; linear around it from here on."""
    return bent(_fitted(obs, unknowns, out))


def _fitted(obs: Observations, unknowns: Unknowns, out: Sequence[int]) -> Fit:
    kept = without(obs, list(out)) if out else obs
    try:
        at = fit(kept, unknowns)
    except Refused:
        return fit(kept, unknowns, robust=True)
    cost = float(np.sum(at.misfit**2 / kept.independent))
    if cost > kept.size + 5 * math.sqrt(2 * kept.size):
        # Gross mistakes pull the whole estimate: look from where most readings agree.
        return fit(kept, unknowns, robust=True)
    return at


def _worst(
    survey: Survey,
    obs: Observations,
    unknowns: Unknowns,
    known: Sequence[int],
    out: Sequence[int],
    found: tuple[Fit, Spread],
) -> Suspicion | None:
    """The most probable mistake, if it is more probable than none; weighed where it is undone."""
    at, grid = found
    open_ = _open(suspicions(survey, at, grid), known)
    best = _likeliest(open_, obs.size)
    if best is None:
        return None
    tried = _shortlist(open_)
    for _ in range(_ROUNDS):
        near = _without(obs, unknowns, [*out, *best.rows])
        here = described(near.observations.having(at.observations.own), near.unknowns, near.p)
        seen = _open(suspicions(survey, here, spread(here)), known)
        tried += _shortlist(seen)
        again = _likeliest(seen, obs.size)
        if again is None or set(again.rows) == set(best.rows):
            best = again or best
            break
        best = again
    if obs.size > MANY:
        return best
    weighed = [
        _weighed(survey, obs, unknowns, out, s, grid.evidence) for s in _unlike_others(tried)
    ]
    return _likeliest([s for s in weighed if s is not None], obs.size)


def _open(found: Iterable[Suspicion], known: Sequence[int]) -> list[Suspicion]:
    return [s for s in found if not set(s.rows) & set(known)]


def _shortlist(found: Sequence[Suspicion]) -> list[Suspicion]:
    """The explanations worth undoing one by one, the best first."""
    ranked = sorted(found, key=lambda s: -s.log_odds)
    return [s for s in ranked[:_MOST_TRIED] if s.log_odds > ranked[0].log_odds - _HOPELESS]


def _unlike_others(found: Iterable[Suspicion]) -> list[Suspicion]:
    """Each explanation once."""
    once: dict[tuple[object, ...], Suspicion] = {}
    for s in found:
        size = 0.0 if s.mistake in (SIDE, OFF) else round(s.change[0], 6)
        once.setdefault((s.mistake, s.rows, size), s)
    return list(once.values())


def _weighed(
    survey: Survey,
    obs: Observations,
    unknowns: Unknowns,
    out: Sequence[int],
    found: Suspicion,
    evidence: float,
) -> Suspicion | None:
    """A mistake with the odds that a new estimate with it undone gives; None if there is none.

    A slip of unknown size says nothing of its own reading: the probability of all others counts,
    times that of the slip.
    """
    try:
        if found.mistake == OFF:
            row = found.rows[0]
            at, grid = _settled(obs, unknowns, [*out, row])
            left = grid.evidence + 0.5 * math.log(float(grid.V[0, row]))
            told, variance = grid.told(row)
            v = variance + at.observations.having(obs.own).independent[row]
            e = grid.r[row] - told
            odds = slip_odds(v, e, slip_shares(survey.readings)[row]) - 0.5 * (np.log(v) + e**2 / v)
            others = float(np.logaddexp.reduce(grid.log + odds) - np.logaddexp.reduce(grid.log))
            return replace(found, log_odds=left + others - evidence)
        mended = undone(survey, found)
        grid = _settled(*observe(mended), out)[1]
    except Refused:
        return None
    return replace(found, log_odds=found.before + grid.evidence - evidence)


def _likeliest(open_: Sequence[Suspicion], count: int) -> Suspicion | None:
    """The best explanation of the readings most probably wrong, where wrong is more probable.

    Among `count` good readings some stray further, the more there are: beyond `MANY` a whole survey
    is taken to hold no more mistakes than one of that size (as Bonferroni divides a level).
    """
    if not open_:
        return None
    logs = np.array([s.log_odds for s in open_])
    total = float(np.logaddexp.reduce(logs)) - math.log(max(count / MANY, 1.0))
    if total < ACCUSED:
        return None
    by_rows: dict[tuple[int, ...], float] = {}
    for s in open_:
        before = by_rows.get(s.rows)
        by_rows[s.rows] = s.log_odds if before is None else float(np.logaddexp(before, s.log_odds))
    rows = max(by_rows, key=by_rows.__getitem__)
    return max((s for s in open_ if s.rows == rows), key=lambda s: s.log_odds)


def _accusations(survey: Survey, found: Suspicion) -> Iterable[Accusation]:
    if found.mistake == SWAPPED:
        a, b = found.rows
        for row, other in ((a, b), (b, a)):
            yield Accusation(row, SWAPPED, explained(SWAPPED, _name(survey, other)), other)
        return
    yield Accusation(found.rows[0], found.mistake, explained(found.mistake, found.about))


def _name(survey: Survey, i: int) -> str:
    reading = survey.readings[i]
    return reading.name or f"reading {i + 1}"


def _torn(survey: Survey) -> list[Accusation]:
    found = []
    for i, reading in enumerate(survey.readings):
        if is_torn(reading):
            whole = joined(reading.mm)
            about = ", ".join(f"{x:g}" for x in whole) if whole else ""
            found.append(
                Accusation(i, COMMA, explained(COMMA, about)) if whole else Accusation(i, OFF, "")
            )
    return found


def _one_of_several(
    survey: Survey, stray: Sequence[tuple[int, int]], known: set[int]
) -> list[Accusation]:
    return [
        Accusation(
            i,
            ONE_OF,
            explained(
                ONE_OF,
                f"without value {k + 1} ({survey.readings[i].mm[k]:g} mm) the mean is "
                f"{others_mean(survey.readings[i].mm, k):.3f} mm",
            ),
        )
        for i, k in stray
        if i not in known
    ]


def _mended(
    survey: Survey, stray: Sequence[tuple[int, int]], torn: Sequence[Accusation]
) -> tuple[Survey, list[int]]:
    """The survey with repeats mended: without the value that strays, with numbers joined again.

    Also the readings that cannot be mended; their mean stands in for values that tear apart.
    """
    mm = {i: list(survey.readings[i].mm) for i in {*(i for i, _ in stray), *rows_of(torn)}}
    for i, k in stray:
        del mm[i][k]
    lost = []
    for accusation in torn:
        i = accusation.row
        mm[i] = list(joined(survey.readings[i].mm) or (fmean(survey.readings[i].mm),))
        if accusation.mistake == OFF:
            lost.append(i)
    readings = tuple(replace(r, mm=tuple(mm.get(i, r.mm))) for i, r in enumerate(survey.readings))
    return replace(survey, readings=readings), lost


def _anything_goes(unknowns: Unknowns) -> Unknowns:
    """Priors of a machine of which nothing is known."""
    u = unknowns.u.copy()
    m = len(ERRORS)
    u[: EZ + 1] = np.where(u[: EZ + 1] > 0, _ANY_SCALE, 0.0)
    u[EZ + 1 : m] *= _ANY_TURN
    return replace(unknowns, u=u)


def _unlike(free: Fit, unknowns: Unknowns) -> tuple[int, ...]:
    """Machine errors beyond what the priors make thinkable, of which several readings tell."""
    told = np.sum(
        np.abs(free.J) >= TELLS * np.linalg.norm(free.observations.v, axis=1)[:, None], axis=0
    )
    return tuple(
        i
        for i in range(len(ERRORS))
        if unknowns.u[i] > 0 and abs(free.p[i]) > UNLIKE * unknowns.u[i] and told[i] > 1
    )


def copied_rows(survey: Survey) -> tuple[int, ...]:
    """Readings whose repeats are all alike where so much luck is not to be believed.

    n values rounded to d fall on one step with probability about (d / (s sqrt(2 pi)))^(n-1) /
    sqrt(n), s the repeatability; over all readings together that must stay below one in a hundred.
    """
    s = max(noise_of(survey).s, display_step(survey.instrument.resolution_mm), 1e-9)
    share = min(survey.instrument.resolution_mm / (s * math.sqrt(2 * math.pi)), 1.0)
    alike = [i for i, r in enumerate(survey.readings) if copied(r.mm)]
    luck = {i: share ** (len(survey.readings[i].mm) - 1) for i in alike}
    # So many by chance among all: the expected number is what each is worth on its own.
    expected = sum(share ** (len(r.mm) - 1) for r in survey.readings if len(r.mm) > 2)
    many = len(alike) > expected + 3 * math.sqrt(expected) + 1
    return tuple(i for i in alike if many or luck[i] * len(survey.readings) < 0.01)
