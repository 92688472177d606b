"""What to measure next, and how well planned readings will tell before anything is printed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from agent.estimate.consistency import Examined
from agent.estimate.design import linear
from agent.estimate.fit import LEFT_OUT, Fit, improved
from agent.estimate.parameters import PUBLIC, public_unit, tolerated
from agent.estimate.solution import NextReading
from agent.model.feature import Kind, Reading, Vector
from agent.model.roles import WANTED
from agent.model.survey import Survey

#: Repeats assumed of a planned reading; a mean of five re-seated values is good practice.
REPEATS = 5

#: Standard uncertainty of a commanded move read on a length gauge or tape, mm.
U_TRAVEL = 0.05

#: A reading that takes less than this share off the uncertainty is not worth asking for.
_WORTH_ASKING = 0.1

#: Decimals to which uncertainties are compared: of equal readings the first is asked for.
_EQUAL = 12


def planned(kind: Kind, along: Vector, u_mm: float | None = None) -> Reading:
    """A reading yet to be taken."""
    return Reading(kind, along, (math.nan,) * REPEATS, u_mm=u_mm)


def _at_hand(survey: Survey) -> Iterable[Reading]:
    """Readings that the pieces already laid allow: each piece shows more than was read of it."""
    lengths = [r for r in survey.readings if r.kind not in ("travel", "gap")]
    for reading in lengths:
        x, s, h = reading.along
        if reading.kind in ("lean", "sway"):
            yield planned("outside", reading.along)
            yield planned("lean", reading.along)
            yield planned("sway", reading.along)
        elif x and s and not h:
            yield planned("outside", (x, -s, 0.0))
            yield planned("outside", (abs(x), 0.0, 0.0))
            yield planned("outside", (0.0, abs(s), 0.0))
        elif h and not x and not s:
            yield planned("lean", reading.along)
            yield planned("sway", reading.along)


def _by_moves(survey: Survey) -> Iterable[Reading]:
    """Commanded moves read without plastic, inside the travel if it is known."""
    theta, travel = survey.mechanics.gantry_angle, survey.mechanics.travel_mm
    reach = {role: min(travel.get(role, 200.0), 300.0) * 0.9 for role in ("across", "gantry")}
    yield planned("travel", (reach["across"], 0.0, 0.0), U_TRAVEL)
    yield planned(
        "travel",
        (0.0, reach["gantry"] * math.cos(theta), reach["gantry"] * math.sin(theta)),
        U_TRAVEL,
    )
    yield planned("travel", (0.0, 300.0, 0.0), U_TRAVEL)
    yield planned("gap", (reach["across"], 0.0, 0.0))


def _by_printing(survey: Survey) -> Iterable[Reading]:
    """What a new piece would show."""
    theta = survey.mechanics.gantry_angle
    yield planned("pitch", (100.0, 0.0, 0.0))
    yield planned("pitch", (0.0, 200.0, 0.0))
    yield planned("pitch", (0.0, 0.0, 60.0))
    yield planned("lean", (0.0, 0.0, 60.0))
    yield planned("sway", (0.0, 0.0, 60.0))
    yield planned("outside", (0.0, 80 * math.cos(theta), 80 * math.sin(theta)))
    yield planned("outside", (80.0, 80.0, 0.0))
    yield planned("outside", (80.0, -80.0, 0.0))


def _fresh(candidates: Iterable[Reading], survey: Survey) -> list[Reading]:
    """Candidates not read yet, each once."""
    seen = {(r.kind, r.along) for r in survey.readings}
    fresh = []
    for candidate in candidates:
        key = (candidate.kind, candidate.along)
        if key not in seen:
            seen.add(key)
            fresh.append(candidate)
    return fresh


def preposterior(survey: Survey, readings: Sequence[Reading]) -> Fit:
    """What would be known after `readings`, whatever they show: covariance and Jacobian.

    The survey's own readings count along; all contributors of the budget at their stated sizes,
    second-order terms of open rotations included.
    """
    whole = replace(survey, readings=(*survey.readings, *readings))
    return linear(whole, whole.readings, None)


def foresee(survey: Survey, readings: Sequence[Reading]) -> dict[str, float]:
    """Standard uncertainty of each parameter, in its public unit, after `readings`.

    The values of the readings do not matter; the survey's own readings count along.
    """
    fit = preposterior(survey, readings)
    unknowns, u = fit.unknowns, fit.u
    offsets = [name for name in unknowns.names if name.startswith("offset.")]
    return {
        name: float(u[unknowns.index(own)]) * public_unit(name)
        for name, own in {**PUBLIC, **{name: name for name in offsets}}.items()
    }


def next_reading(survey: Survey, examined: Examined) -> NextReading | None:
    """The reading that shrinks the worst-known wanted parameter most, or None.

    Wanted are all scales and the angle; those that the present readings bear on come first, the
    others once these are known.  Worst-known is the largest uncertainty in units of its tolerance.
    Readings of the pieces at hand come before moves, moves before new pieces.
    """
    fit = examined.fit
    begun = [name for name in WANTED if _bears_on(fit, PUBLIC[name])]
    others = [name for name in WANTED if name not in begun]
    return _next_for(survey, examined, begun) or _next_for(survey, examined, others)


def _next_for(survey: Survey, examined: Examined, wanted: Sequence[str]) -> NextReading | None:
    if not wanted:
        return None
    index, u = examined.fit.unknowns.index, examined.fit.u
    worst = max(wanted, key=lambda name: u[index(PUBLIC[name])] / tolerated(survey, name))
    u_now = float(u[index(PUBLIC[worst])])
    if 2 * u_now <= tolerated(survey, worst):
        return None
    stages = [_at_hand(survey), _by_moves(survey), _by_printing(survey)]
    pools = [_fresh(stage, survey) for stage in stages]
    extra = (candidate for pool in pools for candidate in pool)
    whole = linear(survey, (*survey.readings, *extra), examined)
    variances = improved(whole.cov, whole.J, whole.observations.independent)
    after = np.sqrt(variances[:, whole.unknowns.index(PUBLIC[worst])])
    start, factor = len(survey.readings), public_unit(worst)
    for pool in pools:
        of_pool = after[start : start + len(pool)].round(_EQUAL)
        start += len(pool)
        if pool and of_pool.min() < (1 - _WORTH_ASKING) * u_now:
            best = int(of_pool.argmin())
            kind, along = pool[best].kind, pool[best].along
            return NextReading(kind, along, worst, u_now * factor, float(of_pool[best]) * factor)
    return None


def read_again(survey: Survey, examined: Examined) -> NextReading | None:
    """The reading called wrong, and the wanted parameter that it tells most of; or None."""
    if not examined.accused:
        return None
    fit, row = examined.fit, examined.accused[0].row
    obs = fit.observations
    variance = obs.independent - obs.own.get(LEFT_OUT, np.zeros(obs.size))
    after = np.sqrt(improved(fit.cov, fit.J[row : row + 1], variance[row : row + 1])[0])
    index = {name: fit.unknowns.index(PUBLIC[name]) for name in WANTED}
    gain = {name: (fit.u[i] - after[i]) / tolerated(survey, name) for name, i in index.items()}
    best = max(gain, key=lambda name: gain[name])
    factor, i = public_unit(best), index[best]
    reading = survey.readings[row]
    return NextReading(
        reading.kind, reading.along, best, float(fit.u[i]) * factor, float(after[i]) * factor
    )


def _bears_on(fit: Fit, name: str) -> bool:
    """True if some reading would move beyond its noise for an error of the prior's size."""
    i = fit.unknowns.index(name)
    moved = np.abs(fit.J[:, i]) * fit.unknowns.u[i]
    return bool(np.any(moved > np.sqrt(fit.observations.independent)))
