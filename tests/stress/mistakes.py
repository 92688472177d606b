"""Mistakes of the hand, each in one reading of a survey, and statements that are not true."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from agent.estimate.consistency import examine
from agent.estimate.observation import observe
from agent.model.feature import Reading
from agent.model.survey import Survey
from tests.stress.world import REPEATS, Array, Draft

Lengths = ("outside", "inside", "pitch")


@dataclass(frozen=True)
class Slip:
    """A survey with a mistake in it, and where."""

    readings: tuple[Reading, ...]
    where: frozenset[int]  #: the readings that are wrong
    strays: float = 0.0  #: by how much one value stands off its own repeats, mm


Mistake = Callable[[Sequence[Reading], np.random.Generator], Slip]

MISTAKES: dict[str, Mistake] = {}

#: By what names an explanation in the residuals may call it.
NAMES: dict[str, tuple[str, ...]] = {}

#: A mistake that moves its reading by less is no matter, mm.
MATTERS = 0.2

#: A mistake that moves its reading by fewer standard deviations of what all other readings say of
#: it cannot be seen by any judge: the normal deviate that one of twenty good readings exceeds in
#: one survey of a hundred.
VISIBLE = 3.5


def mistake(*names: str) -> Callable[[Mistake], Mistake]:
    def register(make: Mistake) -> Mistake:
        name = getattr(make, "__name__", "")
        MISTAKES[name] = make
        NAMES[name] = names
        return make

    return register


def moved(clean: Survey, slip: Slip) -> tuple[float, float]:
    """By how much a mistake moves what its readings say, mm, and in standard deviations.

    The deviation is that of a reading from what all others say of it, r' S^-1 r without the
    mistake taken from that with it, at the spread which the survey without the mistake shows: the
    limit that the readings set, whoever judges them.  (The noncentrality of the test for a known
    shift of the mean, by the estimate's own covariance S.)
    """
    if slip.strays:
        deviation = clean.instrument.repeatability_mm * math.sqrt(1 + 1 / REPEATS)
        return abs(slip.strays), abs(slip.strays) / deviation
    examined = examine(clean)
    at, grid = examined.fit, examined.spread
    known = at.p[: at.unknowns.sought]

    def apart(survey: Survey) -> Array:
        observations, unknowns = observe(survey)
        shared = np.zeros(len(unknowns.names) - unknowns.sought)
        return observations.measured - observations.predict(np.concatenate([known, shared]))[0]

    change = apart(replace(clean, readings=slip.readings)) - apart(clean)
    node = int(np.argmax(grid.log))
    S = np.diag(grid.V[node]) + grid.H[node] @ grid.H[node].T
    return float(np.abs(change).max()), math.sqrt(float(change @ np.linalg.solve(S, change)))


def _any(readings: Sequence[Reading], rng: np.random.Generator, *kinds: str) -> int:
    return int(rng.choice([i for i, r in enumerate(readings) if r.kind in kinds]))


def _typed(readings: Sequence[Reading], i: int, mm: Sequence[float]) -> Slip:
    wrong = replace(readings[i], mm=tuple(round(x, 6) for x in mm))
    changed = (*readings[:i], wrong, *readings[i + 1 :])
    return Slip(changed, frozenset({i}))


@mistake("sign")
def sign_of_lean(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, "lean")
    return _typed(readings, i, [-x for x in readings[i].mm])


@mistake("sign")
def sign_of_sway(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, "sway")
    return _typed(readings, i, [-x for x in readings[i].mm])


@mistake("degrees")
def lean_in_degrees(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, "lean", "sway")
    height = readings[i].along[2]
    return _typed(
        readings, i, [round(math.degrees(math.atan2(x, height)), 2) for x in readings[i].mm]
    )


@mistake("inside_for_outside")
def inside_for_outside(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    """The kind is mistaken: the offset counts the wrong way round."""
    i = _any(readings, rng, "outside", "inside")
    was = readings[i]
    other = "inside" if was.kind == "outside" else "outside"
    wrong = replace(was, kind=other)
    return Slip((*readings[:i], wrong, *readings[i + 1 :]), frozenset({i}))


@mistake("swapped")
def swapped(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    """The values of two neighbours of one piece are exchanged."""
    pairs = [
        i
        for i, (a, b) in enumerate(itertools.pairwise(readings))
        if a.name.split()[0] == b.name.split()[0]
        and (a.kind in Lengths) == (b.kind in Lengths)
        and a.kind != "travel"
    ]
    i = int(rng.choice(pairs))
    a, b = readings[i], readings[i + 1]
    pair = (replace(a, mm=b.mm), replace(b, mm=a.mm))
    return Slip((*readings[:i], *pair, *readings[i + 2 :]), frozenset({i, i + 1}))


@mistake("inch")
def inch(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, *Lengths)
    return _typed(readings, i, [round(x / 25.4, 3) for x in readings[i].mm])


@mistake("decimal")
def decimal_slip(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, *Lengths, "lean", "sway", "travel")
    factor = float(rng.choice((0.1, 10.0)))
    return _typed(readings, i, [round(x * factor, 3) for x in readings[i].mm])


@mistake("comma")
def comma_split(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    """25,27 next to 25.26: one value becomes two numbers."""
    i = _any(readings, rng, *Lengths)
    mm = list(readings[i].mm)
    k = int(rng.integers(len(mm)))
    whole, _, part = f"{mm[k]:.2f}".partition(".")
    mm[k : k + 1] = [float(whole), float(part)]
    if not mm[k + 1]:
        mm[k + 1] = 1.0  # nobody types a comma and no digits
    return replace(_typed(readings, i, mm), strays=mm[k] - mm[k + 1])


@mistake("jaws_10mm")
def jaws_10mm(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    """The width of the inside jaws was not added."""
    i = _any(readings, rng, "inside")
    return _typed(readings, i, [x - 10 for x in readings[i].mm])


@mistake("nominal")
def nominal_mistyped(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, *Lengths, "travel")
    was = readings[i]
    size = math.hypot(*was.along)
    by = float(rng.choice((-10.0, -5.0, -1.0, 1.0, 5.0, 10.0)))
    x, s, h = (c * (size + by) / size for c in was.along)
    wrong = replace(was, along=(x, s, h))
    return Slip((*readings[:i], wrong, *readings[i + 1 :]), frozenset({i}))


@mistake("one_of_n")
def one_of_n(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, *Lengths, "lean", "sway")
    mm = list(readings[i].mm)
    by = float(rng.uniform(0.2, 1.0) * rng.choice((-1, 1)))
    mm[int(rng.integers(len(mm)))] += by
    return replace(_typed(readings, i, mm), strays=by)


@mistake("off")
def reading_off(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, *Lengths, "lean", "sway")
    by = float(rng.uniform(0.1, 1.0) * rng.choice((-1, 1)))
    return _typed(readings, i, [x + by for x in readings[i].mm])


@mistake("off")
def move_off(readings: Sequence[Reading], rng: np.random.Generator) -> Slip:
    i = _any(readings, rng, "travel")
    by = float(rng.uniform(0.5, 1.0) * rng.choice((-1, 1)))
    return _typed(readings, i, [x + by for x in readings[i].mm])


# --- statements ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Statement:
    """Something said of the machine that is not so: `lay` makes the truth, `say` the saying."""

    lay: Callable[[Draft], None]
    say: Callable[[Survey], Survey]


def _narrow(survey: Survey) -> Survey:
    p = survey.priors
    return replace(
        survey,
        priors=replace(
            p,
            scale_percent=p.scale_percent / 10,
            angle_deg=p.angle_deg / 10,
            yaw_deg=p.yaw_deg / 10,
            rail_deg=p.rail_deg / 10,
            roll_deg=p.roll_deg / 10,
            offset_mm=p.offset_mm / 10,
        ),
    )


def _shrinks(draft: Draft) -> None:
    draft.machines.shrink[:] = 0.005


def _sure_of_shrink(survey: Survey) -> Survey:
    material = replace(survey.material, shrink_percent=0.3, shrink_u_percent=0.02)
    return replace(survey, material=material)


def _zero_off(draft: Draft) -> None:
    draft.machines.zero = 0.03 * draft.sign()[:, 0]


def _fine_caliper(survey: Survey) -> Survey:
    return replace(survey, instrument=replace(survey.instrument, mpe_mm=0.01))


STATEMENTS: dict[str, Statement] = {
    "prior_too_narrow": Statement(lambda draft: None, _narrow),
    "shrink_too_sure": Statement(_shrinks, _sure_of_shrink),
    "mpe_too_small": Statement(_zero_off, _fine_caliper),
}
