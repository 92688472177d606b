"""One wrong reading: found, named, and explained by the usual mistakes of the hand.

Each reading is taken to be wrong with a small probability.  What a mistake would have done is
undone (the sign turned, the inch converted, the neighbour's value put in its place) and the
readings so mended are held against all others.  With S the covariance of all readings before they
are read, priors included (see `agent.estimate.spread`), alpha = S^-1 r, and c the change that
undoes the mistake, the quadratic form r' S^-1 r changes by

    2 c' alpha + c' S^-1 c

and the odds of the mistake are its share beforehand times exp of minus half of that, times the
factor by which it stretches the reading.  A slip of unknown size t ~ N(0, tau^2) of reading i alone
has the odds

    sqrt(v / (v + tau^2)) exp(e^2/2 (1/v - 1/(v + tau^2))),   v = 1/(S^-1)_ii,  e = v alpha_i

(e is what reading i differs by from what all others say of it, v the variance of that; the
mixture model of Box & Tiao, Biometrika 55 (1968) 119-129.)
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import fmean
from typing import Final

import numpy as np

from agent.estimate.fit import Fit
from agent.estimate.observation import Index
from agent.estimate.repeats import torn
from agent.estimate.spread import Spread
from agent.model.feature import Reading
from agent.model.geometry import Array
from agent.model.survey import Survey

#: Names of the mistakes, as other programs see them.
SIGN, DEGREES, SIDE, SWAPPED, INCH, DECIMAL, COMMA, JAWS, NOMINAL, ONE_OF, COPIED, OFF = (
    "sign",
    "degrees",
    "inside_for_outside",
    "swapped",
    "inch",
    "decimal",
    "comma",
    "jaws_10mm",
    "nominal",
    "one_of_n",
    "copied",
    "off",
)

#: Share of readings that are wrong, by kind of mistake (common practice: one in a hundred in all).
_SHARE: Final = {
    SIGN: 5e-3,
    DEGREES: 3e-3,
    SIDE: 2e-3,
    SWAPPED: 1.5e-3,
    INCH: 1e-3,
    DECIMAL: 1e-3,
    JAWS: 1e-3,
    NOMINAL: 2.5e-3,
    OFF: 4e-3,
}

#: A reading of one value has no repeats that would show a slip of it: the share of single values
#: that are off is its own (common practice: one value in a hundred).
_ONCE: Final = 0.01

#: A slip of unknown size: share and standard deviation, mm.
_SLIPS: Final = ((0.55, 0.4), (0.3, 1.5), (0.15, 20.0))

#: Above these log odds a reading is called wrong: where that is the likelier of the two.
ACCUSED: Final = 0.0

#: Newton's steps to a limit; each squares what is left, and the first leaves a few percent.
_STEPS: Final = 5

#: In surveys beyond this size no pairs are tried, one node of the grid stands for all, and readings
#: that all others foretell well are not suspected of anything.
MANY: Final = 150

#: Readings that all others foretell well need no explanation: where undoing a mistake could gain no
#: more than this (2.4 standard deviations), the odds of the commonest stay far below even.
_WORTH_TRYING: Final = 3.0

#: Below this share of its weight, what a reading adds to all others is rounding.
_ROUNDING: Final = 1e-12

_SIGNED: Final = frozenset(("lean", "sway", "gap"))


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A mistake that may have been made."""

    mistake: str
    rows: tuple[int, ...]  #: the readings it concerns
    change: tuple[float, ...]  #: what undoes it, mm; 0 where it is not known
    log_odds: float
    about: str = ""  #: what the reading should be, in words, where the mistake tells
    before: float = 0.0  #: log of its share beforehand and of how far it stretches the reading


def suspicions(survey: Survey, fit: Fit, spread: Spread) -> list[Suspicion]:
    """All mistakes that could have been made, with their odds against none at all."""
    n = fit.observations.size
    paired = n <= MANY
    # A gross mistake puts all weight on the widest node; undone, on others: all are looked at.
    grid = spread if paired else spread.at(np.array([np.argmax(spread.log)]))
    w, V = grid.log - np.logaddexp.reduce(grid.log), grid.V
    S = grid.Sinv if paired else np.zeros((0, 0, 0))
    if paired:
        alpha = S @ grid.r
        diagonal = np.einsum("knn->kn", S).copy()
    else:
        HV = grid.H / V[:, :, None]
        alpha = grid.r / V - (HV @ grid.x[:, :, None])[:, :, 0]
        diagonal = 1 / V - ((HV @ grid.Ninv) * HV).sum(axis=2)
    # What is left of a reading that sets its part alone may be lost in rounding.
    diagonal = np.maximum(diagonal, _ROUNDING / V)

    def odds(i: int, c: Array) -> Array:
        """Log odds (m,) of the changes c (m,) of reading i."""
        quadratic = 2 * c[:, None] * alpha[:, i] + c[:, None] ** 2 * diagonal[:, i]
        logs: Array = np.logaddexp.reduce(w - quadratic / 2, axis=1)
        return logs

    found: list[Suspicion] = []
    # No change of reading i alone lowers the quadratic form by more than e^2/v.
    most = np.logaddexp.reduce(w[:, None] + alpha**2 / diagonal / 2, axis=0)
    for i, reading in enumerate(survey.readings):
        if most[i] < _WORTH_TRYING:
            continue
        guesses = list(_guesses(reading, float(fit.observations.measured[i]), i))
        if guesses:
            logs = odds(i, np.array([g.change[0] for g in guesses]))
            found += [
                replace(g, log_odds=g.before + float(x)) for g, x in zip(guesses, logs, strict=True)
            ]
    doubted = np.flatnonzero(np.full(n, True) if paired else most >= _WORTH_TRYING)
    found += _slips(w, alpha, diagonal, doubted, slip_shares(survey.readings))
    found += _other_side(fit, grid, w, alpha, diagonal, doubted)
    if paired:
        found += _swaps(survey, fit, w, alpha, S)
    return found


def slip_shares(readings: Sequence[Reading]) -> Array:
    """Share (n,) of readings like each that are off by a slip of unknown size."""
    return np.array([_SHARE[OFF] + _ONCE * (len(r.mm) == 1) for r in readings])


def slip_odds(v: Array, e: Array, beforehand: Array | float) -> Array:
    """Log odds of a slip of unknown size in readings that differ by e from what the others say.

    v: variance of e; beforehand: share of such readings that are off.
    """
    constant, rate = _slip_terms(v, beforehand)
    odds: Array = np.logaddexp.reduce(constant + rate * e**2, axis=0)
    return odds


def _slip_terms(v: Array, beforehand: Array | float) -> tuple[Array, Array]:
    """The odds of each size of slip are exp(constant + rate e^2), both (sizes, *v.shape)."""
    constants, rates = [], []
    for share, tau in _SLIPS:
        wide = v + tau**2
        constants.append(np.log(share * beforehand) + 0.5 * np.log(v / wide))
        rates.append((1 / v - 1 / wide) / 2)
    return np.array(constants), np.array(rates)


def slip_limit(v: Array, beforehand: Array | float) -> Array:
    """How far a reading may differ from what the others say before a slip is the likelier, mm.

    The log odds are convex in q = e^2, and where one size alone has even odds they are above 0:
    from there Newton's steps come down to the root and never pass it.
    """
    constant, rate = _slip_terms(v, beforehand)
    q = np.min(-constant / rate, axis=0)
    for _ in range(_STEPS):
        logs = constant + rate * q
        odds = np.logaddexp.reduce(logs, axis=0)
        q = q - odds / np.sum(rate * np.exp(logs - odds), axis=0)
    limit: Array = np.sqrt(q)
    return limit


def _slips(
    w: Array, alpha: Array, diagonal: Array, doubted: Index, shares: Array
) -> Iterator[Suspicion]:
    d = diagonal[:, doubted]
    odds = slip_odds(1 / d, alpha[:, doubted] / d, shares[doubted])
    logs = np.logaddexp.reduce(odds + w[:, None], axis=0)
    for i, x in zip(doubted.tolist(), logs.tolist(), strict=True):
        yield Suspicion(OFF, (i,), (0.0,), x)


def _other_side(
    fit: Fit, grid: Spread, w: Array, alpha: Array, diagonal: Array, doubted: Index
) -> Iterator[Suspicion]:
    """The other side of the walls: the offset counts the other way round.

    Of what all other readings say of the unknowns, x' = x - P h alpha_i / (V_i d_i) with
    P' = P + P h h' P / (V_i^2 d_i), d_i = (S^-1)_ii: the offset by its mean and variance there.
    P H' = (S^-1 H)' V, so that only the columns of the offsets are needed.
    """
    obs = fit.observations
    walls = (obs.offset_sign != 0) & (fit.unknowns.u[obs.offset_column] > 0)
    rows = doubted[walls[doubted]]
    if not rows.size:
        return
    sign, column = obs.offset_sign[rows], obs.offset_column[rows]
    V, d, a = grid.V[:, rows], diagonal[:, rows], alpha[:, rows]
    size = grid.size[:, column]
    columns, of = np.unique(column, return_inverse=True)
    weighed = grid.weighed(columns)
    known = 1 - np.einsum("nm,km,knm->km", grid.J[:, columns], grid.size[:, columns], weighed)
    Pb = V * weighed[:, rows, of] * size  # covariance of what is read and its offset
    told = V - V**2 * d
    offset = grid.x[:, column] * size - Pb * a / (V * d)
    variance = known[:, of] * size**2 + Pb**2 / (V**2 * d)
    across = Pb * (1 + told / (V**2 * d))
    e, v = a / d, 1 / d
    other = e + 2 * sign * offset
    wide = np.maximum(v - 4 * sign * across + 4 * variance, V)
    odds = (e**2 / v - other**2 / wide + np.log(v / wide)) / 2
    logs = np.logaddexp.reduce(odds + w[:, None], axis=0) + math.log(_SHARE[SIDE])
    mean = np.exp(w) @ offset
    for i, x, b in zip(rows.tolist(), logs.tolist(), (2 * sign * mean).tolist(), strict=True):
        yield Suspicion(SIDE, (i,), (b,), x, before=math.log(_SHARE[SIDE]))


def undone(survey: Survey, found: Suspicion) -> Survey:
    """The survey as it would be had the mistake not been made."""
    readings = list(survey.readings)
    for i, change in zip(found.rows, found.change, strict=True):
        reading = readings[i]
        if found.mistake == SIDE:
            outside = reading.kind == "outside"
            readings[i] = replace(reading, kind="inside" if outside else "outside")
        elif found.mistake == NOMINAL:
            length = math.hypot(*reading.along)
            x, s, h = ((length - change) / length * c for c in reading.along)
            readings[i] = replace(reading, along=(x, s, h))
        else:
            readings[i] = replace(reading, mm=tuple(x + change for x in reading.mm))
    return replace(survey, readings=tuple(readings))


def _swaps(survey: Survey, fit: Fit, w: Array, alpha: Array, S: Array) -> Iterator[Suspicion]:
    """Two readings typed in each other's place."""
    y = fit.observations.measured
    n = len(survey.readings)
    if n < 2:
        return
    i, j = np.triu_indices(n, 1)
    d = y[j] - y[i]
    quadratic = 2 * d * (alpha[:, i] - alpha[:, j]) + d**2 * (
        S[:, i, i] + S[:, j, j] - 2 * S[:, i, j]
    )
    before = math.log(2 * _SHARE[SWAPPED] / (n - 1))
    logs = np.logaddexp.reduce(w[:, None] - quadratic / 2, axis=0) + before
    for k in np.flatnonzero(logs > logs.max() - 5.0):
        a, b, c = int(i[k]), int(j[k]), float(d[k])
        yield Suspicion(SWAPPED, (a, b), (c, -c), float(logs[k]), before=before)


def _guesses(reading: Reading, y: float, i: int) -> Iterator[Suspicion]:
    """Mistakes that say what the reading should have been; `log_odds` beforehand."""
    length = math.hypot(*reading.along)

    def guess(
        mistake: str, right: float, share: float, stretch: float, about: str = ""
    ) -> Suspicion:
        before = math.log(_SHARE[mistake] * share * stretch)
        return Suspicion(mistake, (i,), (right - y,), before, about, before)

    if reading.kind in _SIGNED:
        yield guess(SIGN, -y, 1, 1, f"{-y:+z.2f} mm")
        if abs(y) < 30:
            right = length * math.tan(math.radians(y))
            yield guess(DEGREES, right, 0.5, length * math.radians(1), f"{right:+z.2f} mm")
            yield guess(DEGREES, -right, 0.1, length * math.radians(1), f"{-right:+z.2f} mm")
    else:
        yield guess(INCH, y * 25.4, 1, 25.4, f"{y * 25.4:.2f} mm")
    for factor in (10.0, 0.1, 100.0, 0.01):
        yield guess(DECIMAL, y * factor, 0.25, factor, f"{y * factor:.2f} mm")
    if reading.kind in ("outside", "inside"):
        # Their width belongs to readings between the inside jaws; to others it is added by habit.
        shares = (
            {10.0: 0.85, -10.0: 0.025} if reading.kind == "inside" else {10.0: 0.025, -10.0: 0.1}
        )
        for by, share in shares.items():
            yield guess(JAWS, y + by, share, 1, f"{y + by:.2f} mm")
    if reading.kind not in _SIGNED:
        for nominal, share in _mistyped(length):
            # A longer nominal would have foretold a longer reading by as much.
            yield guess(NOMINAL, y + length - nominal, share, 1, f"{nominal:g} mm nominal")


#: Whole millimetres by which a nominal is mistyped, and how much of the share they have.
_BY_WHOLE: Final = (1.0, 2.0, 5.0, 10.0)
_WHOLE_SHARE: Final = 0.6


def _mistyped(length: float) -> Iterator[tuple[float, float]]:
    """Lengths that could be mistyped as `length`, and their shares, adding up to 1.

    Off by whole millimetres or by a slip of the point; two digits swapped, one digit another.
    """
    plain = {length + by * sign for by in _BY_WHOLE for sign in (1, -1)}
    plain |= {length * 10, length / 10}
    text = f"{length:.6f}".rstrip("0").rstrip(".")
    digits = [k for k, c in enumerate(text) if c.isdigit()][:4]
    other = set()
    for a, b in pairwise(digits):
        swapped = list(text)
        swapped[a], swapped[b] = swapped[b], swapped[a]
        other.add(float("".join(swapped)))
    other |= {float(text[:k] + d + text[k + 1 :]) for k in digits for d in "0123456789"}
    plain = {nominal for nominal in plain if nominal > 0}
    other = {nominal for nominal in other - plain - {length} if nominal > 0}
    for nominals, share in ((plain, _WHOLE_SHARE), (other, 1 - _WHOLE_SHARE)):
        for nominal in sorted(nominals):
            yield nominal, share / len(nominals)


# --- within the repeats of one reading ------------------------------------------------------------


def joined(values: Sequence[float]) -> tuple[float, ...] | None:
    """Values in which a decimal comma made two numbers of one, put together again; or None.

    `25,27` typed among `25.26` gives 25, 27, 25.26.
    """
    whole = [float(x).is_integer() for x in values]
    out: list[float] = []
    k = 0
    while k < len(values):
        if k + 1 < len(values) and whole[k] and whole[k + 1] and 0 <= values[k + 1] < 1000:
            digits = f"{values[k + 1]:.0f}"
            out.append(float(f"{values[k]:.0f}.{digits}"))
            k += 2
        else:
            out.append(values[k])
            k += 1
    if len(out) == len(values):
        return None
    spread = max(out) - min(out)
    return tuple(out) if spread <= 0.2 + 0.002 * abs(fmean(out)) else None


def is_torn(reading: Reading) -> bool:
    """True if the repeats of a reading cannot be of one length."""
    return torn(reading.mm, math.hypot(*reading.along))


# --- in words ------------------------------------------------------------------------------------

_WORDS: Final = {
    SIGN: "the sign is the other way round: {about}",
    DEGREES: "it was typed in degrees instead of mm: {about}",
    SIDE: "the other side of the walls was read: outside for inside, or inside for outside",
    INCH: "it was typed in inches: {about}",
    DECIMAL: "the decimal point has slipped: {about}",
    COMMA: "a decimal comma made two numbers of one: {about}",
    JAWS: "10 mm of the jaws were counted wrongly: {about}",
    NOMINAL: "the nominal was mistyped: {about}",
    ONE_OF: "one of its values is off: {about}",
    COPIED: "one value was typed again instead of read again",
    SWAPPED: "it was swapped with {about}",
}


def explained(mistake: str, about: str) -> str:
    """A mistake in words that follow 'all readings agree if'; empty for a slip without a name."""
    return _WORDS[mistake].format(about=about) if mistake in _WORDS else ""
