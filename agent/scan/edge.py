"""Where an edge lies, to a small part of a pixel.

The profile across an edge, averaged along it with its slant taken out (the idea of the slanted
edge of ISO 12233 and ISO 16067-1: an edge that runs askew over the pixels samples its own profile
finer than they stand), is fitted by a step blurred to a normal curve, with a shadow behind it that
fades exponentially:

    L(d) = Li + (Lo - Li) F(z) - a Lo exp(-(d - p)/w + r^2/2) F(z - r),   z = (d - p)/c,  r = c/w

with p the place, c the blur, Li and Lo the levels inside and outside, a and w the depth and the
reach of the shadow, F the normal distribution.  The last term is a one-sided exponential
convolved with a normal curve (the ex-Gaussian of chromatography).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from agent.scan.image import Array, Scan

#: The profile runs from this far inside to this far outside, mm.
INSIDE: Final = 0.9
#: Once its place is known to some tenths of a millimetre only the outermost bead counts, mm.
_BEAD: Final = 0.33
#: Share of the step at which the plastic begins, for a start.
_BEGINS: Final = 0.65
OUTSIDE: Final = 1.5
_LEAST_CONTRAST: Final = 0.08
#: Places of an edge are taken together over this length, mm.
_CHUNK: Final = 0.6
_BOUNDS: Final = np.array(
    [
        [-1.0, 1.0],  # p
        [0.015, 0.6],  # c
        [-0.2, 1.3],  # Li
        [-0.2, 1.3],  # Lo
        [0.0, 0.9],  # a
        [0.06, 1.2],  # w
    ]
)
P, C, LI, LO, SHADE, FADE = range(6)


def profile(d: Array, terms: Array) -> Array:
    """L(d) for terms (p, c, Li, Lo, a, w)."""
    from scipy.special import ndtr

    p, c, li, lo, a, w = terms
    z = (d - p) / c
    level: Array = li + (lo - li) * ndtr(z)
    if a:
        r = c / w
        # far inside F is nought and the exponential large: their product is nought
        fade = np.exp(np.minimum(-(d - p) / w + r * r / 2, 50.0)) * ndtr(z - r)
        level = level - a * lo * np.where(z < -8, 0.0, fade)
    return level


@dataclass(frozen=True, slots=True)
class Fit:
    """A profile fitted; lengths in mm of the image."""

    terms: Array  #: (6,) p, c, Li, Lo, a, w
    u: float  #: standard uncertainty of p from the fit alone
    misfit: float  #: standard deviation of what is left, as a share of the step


@dataclass(frozen=True, slots=True)
class Held:
    """What is known of blur and shadow from other edges: values and standard uncertainties."""

    value: Array  #: (3,) c, a, w
    u: Array  #: (3,)


def fit_profile(d: Array, level: Array, held: Held | None = None) -> Fit | None:
    """Fit the profile of an edge that lies within 1 mm of d = 0; None if there is no such step."""
    good = np.isfinite(level)
    if good.sum() < 12:
        return None
    d, level = d[good], level[good]
    li = float(np.median(level[d < d[0] + 0.2]))
    lo = float(np.median(level[d > d[-1] - 0.35]))
    step = lo - li
    if abs(step) < _LEAST_CONTRAST:
        return None
    inner = np.flatnonzero((level - lo) / -step > _BEGINS)
    if not len(inner):
        return None
    p = float(d[inner[-1]])
    start = np.array([p, 0.08, li, lo, 0.1 if li < lo else 0.02, 0.3])
    if held is not None:
        start[[C, SHADE, FADE]] = held.value
    start = np.clip(start, _BOUNDS[:, 0] + 1e-4, _BOUNDS[:, 1] - 1e-4)
    # what holds the terms: weakly, where nothing else is known of blur and shadow
    place = np.array([C, SHADE, FADE])
    towards, width = (
        (np.array([0.08, 0.1, 0.3]), np.array([5.0, 1.0, 0.5]))
        if held is None
        else (held.value, held.u)
    )

    def off(terms: Array) -> Array:
        rest = (profile(d, terms) - level) / abs(step) * 100
        return np.concatenate((rest, (terms[place] - towards) / width))

    terms, normal = _least(off, start, len(d))
    rest = profile(d, terms) - level
    misfit = 1.4826 * float(np.median(np.abs(rest - np.median(rest)))) / abs(step)
    variance = float(np.linalg.pinv(normal)[P, P])
    u = math.sqrt(max(variance, 0.0)) * max(100 * misfit, 0.2)
    return Fit(terms, u, misfit)


_STEPS: Final = np.array([1e-4, 1e-4, 1e-4, 1e-4, 1e-4, 1e-3])  #: of numeric derivatives


def _least(off: Callable[[Array], Array], start: Array, robust: int) -> tuple[Array, Array]:
    """Terms that make the sum of squares least, and the normal matrix there (Levenberg, 1944).

    The first `robust` residuals count less the larger they are (soft L1, 3 their usual size).
    """
    terms, damping = start, 1e-3
    rest = off(terms)

    def cost(rest: Array) -> float:
        soft = 2 * 9.0 * (np.sqrt(1 + rest[:robust] ** 2 / 9.0) - 1)
        return float(soft.sum() + (rest[robust:] ** 2).sum())

    now, normal = cost(rest), np.eye(len(terms))
    for _ in range(40):
        slope = np.stack(
            [(off(terms + h) - rest) / h[k] for k, h in enumerate(np.diag(_STEPS))], axis=1
        )
        weight = np.ones(len(rest))
        weight[:robust] = 1 / np.sqrt(1 + rest[:robust] ** 2 / 9.0)
        normal = slope.T @ (weight[:, None] * slope)
        pull = slope.T @ (weight * rest)
        for _ in range(6):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), -pull)
            trial = np.clip(terms + step, _BOUNDS[:, 0], _BOUNDS[:, 1])
            trial_rest = off(trial)
            if cost(trial_rest) <= now:
                break
            damping *= 8
        else:
            break
        gain = now - cost(trial_rest)
        terms, rest, now, damping = trial, trial_rest, cost(trial_rest), damping / 5
        if gain < 1e-5 * now + 1e-9:
            break
    return terms, normal


@dataclass(frozen=True)
class Cut:
    """Profiles across one edge, side by side."""

    base: Array  #: (n, 2) places on the edge as expected, mm of the image
    normal: Array  #: unit vector from the plastic out
    d: Array  #: (m,) from the expected edge outward, mm
    level: Array  #: (n, m)

    def from_inside(self, least: float) -> Cut:
        """The same without what lies deeper inside than `least`."""
        kept = self.d >= least
        return Cut(self.base, self.normal, self.d[kept], self.level[:, kept])


def cut_across(scan: Scan, base: Array, normal: Array, inside: float, outside: float) -> Cut:
    """Profiles at each place of `base`, square to the edge."""
    d = np.arange(-inside, outside, scan.pixel / 2)
    places = base[:, None, :] + d[None, :, None] * normal
    return Cut(base, normal, d, scan.at(places[..., 0], places[..., 1]))


def rough_place(cut: Cut) -> float | None:
    """d at which the plastic begins, seen from outside; None if nothing stands out there, or if the
    image ends before the cut does.

    Nearer the plastic there may be a shadow, and inside it gaps between beads.
    """
    if not np.isfinite(cut.level).any(axis=0).all():
        return None
    mean = np.nanmedian(cut.level, axis=0)
    off = np.abs(mean - np.median(mean[-max(3, len(mean) // 5) :]))
    most = float(np.max(off))
    if most < _LEAST_CONTRAST:
        return None
    return float(cut.d[int(np.flatnonzero(off > _BEGINS * most)[-1])])


@dataclass(frozen=True)
class Line:
    """An edge found: places on it, and how they stray."""

    places: Array  #: (n, 2) mm of the image
    u: float  #: standard uncertainty of its middle, mm
    stray: float  #: standard deviation of single places along it, mm
    fit: Fit
    kept: float  #: share of the places that belong to the edge


def find_line(cut: Cut, held: Held | None = None) -> Line | None:
    """The edge in a cut whose base runs along it to within some tenths of a millimetre."""
    if not len(cut.base):
        return None
    run = np.linalg.norm(cut.base - cut.base[0], axis=1)
    begins = rough_place(cut)
    if begins is None:
        return None
    cut = cut.from_inside(begins - _BEAD)
    fit = fit_profile(cut.d, np.nanmedian(cut.level, axis=0), held)
    if fit is None:
        return None
    shift = np.zeros(len(run))
    for turn in range(2):
        # slant taken out of the mean profile: each profile moved by what its line says
        if turn:
            moved = np.array(
                [np.interp(cut.d, cut.d - s, row) for s, row in zip(shift, cut.level, strict=True)]
            )
            # the middle half of the profiles, so that dust does not count
            ordered = np.sort(moved, axis=0)
            quarter = len(ordered) // 4
            mean = ordered[quarter : len(ordered) - quarter].mean(axis=0)
            better = fit_profile(cut.d, mean, held)
            if better is None:
                return None
            fit = better
        off = shifts(cut, fit)
        edges = np.append(np.arange(0.0, run[-1], _CHUNK), run[-1] + 1e-9)
        middle, place = _chunked(run, off, edges)
        if len(place) < 2:
            return None
        good = np.ones(len(place), dtype=bool)
        line = np.array([0.0, float(np.median(place))])
        for _ in range(4):
            if good.sum() >= 4 and run[-1] > 3.0:
                line = np.polyfit(middle[good], place[good], 1)
            elif good.any():
                line = np.array([0.0, float(np.mean(place[good]))])
            rest = place - np.polyval(line, middle)
            sigma = 1.4826 * float(np.median(np.abs(rest[good]))) if good.any() else 1.0
            good = np.abs(rest) < max(3.5 * sigma, 0.02)
        shift = np.polyval(line, run)
    if good.sum() < 2:
        return None
    stray = float(np.std((place - np.polyval(line, middle))[good], ddof=min(2, good.sum() - 1)))
    at = np.interp(middle[good], run, np.arange(len(run)))
    base = cut.base[np.round(at).astype(int)]
    # the fit's own place, moved along the line; single places only say how far they stray
    places = base + (fit.terms[P] + place[good])[:, None] * cut.normal
    u = math.hypot(stray / math.sqrt(int(good.sum())), fit.u)
    return Line(places, u, stray, fit, float(good.mean()))


def shifts(cut: Cut, fit: Fit) -> Array:
    """(n,) by how much each profile is moved against the fitted one (least squares)."""
    p, c = fit.terms[P], fit.terms[C]
    half = max(3 * c, 0.15)
    fine = np.arange(p - half - 0.7, p + half + 0.7, 0.002)
    model = profile(fine, fit.terms)
    slope = np.gradient(model, fine)
    near = (cut.d > p - half - 0.6) & (cut.d < p + half + 0.6)
    d, level = cut.d[near], cut.level[:, near]
    shift = np.zeros(len(level))
    for _ in range(3):
        at = d[None, :] - shift[:, None]
        use = (np.abs(at - p) < half) & np.isfinite(level)
        steep = np.where(use, np.interp(at, fine, slope), 0.0)
        rest = np.where(use, level - np.interp(at, fine, model), 0.0)
        step = -(rest * steep).sum(axis=1) / np.maximum((steep**2).sum(axis=1), 1e-9)
        shift = np.clip(shift + np.clip(step, -0.1, 0.1), -0.6, 0.6)
    return shift


def _chunked(run: Array, off: Array, edges: Array) -> tuple[Array, Array]:
    """Medians of `off` over chunks of the run: middles and medians."""
    which = np.clip(np.searchsorted(edges, run, side="right") - 1, 0, len(edges) - 2)
    middle, place = [], []
    for k in range(len(edges) - 1):
        own = which == k
        if own.sum() >= 3:
            middle.append(float(run[own].mean()))
            place.append(float(np.median(off[own])))
    return np.array(middle), np.array(place)
