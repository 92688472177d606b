"""A series of belt positions, commanded and measured: scale, run-out, reversal, slip, trend.

The error of position x is

    d(x) = a + e x + sum over periods P of [ A cos(2 pi x/P) + B sin(2 pi x/P) ]

with the roller's circumference pi (D + 2k) and the belt loop as periods.  A roller that is
eccentric by `ecc` gives a sine of amplitude `ecc` (full swing 2 ecc = its total indicator reading):
the belt runs at the distance of its line from the shaft, r + ecc cos(phi), so position is
r phi + ecc sin(phi).  The sine fit at a known period is the three-parameter fit of IEEE Std 1241
(annex B.1) and IEEE Std 1057.  Where the circumference is only known within its uncertainty, the
period is fitted too, held by that uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from agent.estimate.linear import LinearFit, fit_linear
from agent.estimate.uncertainty import chi2_beyond, coverage_factor
from agent.model.geometry import Array

#: How far from its stated value a period is sought, in standard uncertainties.
_PERIOD_REACH = 3.0
_PERIOD_TRIALS = 121

#: Columns of a fit, each of length 1, whose smallest singular value is below this cannot be told
#: apart by readings that scatter (common practice).
_LEAST_SINGULAR = 0.1

#: Reversal is the same everywhere unless its scatter is less probable than this.
_EVEN = 0.05


@dataclass(frozen=True, slots=True)
class Period:
    """A length at which the error may repeat, mm, and its standard uncertainty."""

    name: str
    mm: float
    u_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Wave:
    """A sine that was looked for."""

    period: Period  #: as fitted
    amplitude: float  #: mm
    u: float  #: standard uncertainty, mm
    phase: float  #: rad; the error is amplitude * cos(2 pi x / P - phase)
    significant: bool


@dataclass(frozen=True, slots=True)
class BeltRun:
    """What a run says.  Lengths in mm, scale relative."""

    scale: float
    u_scale: float
    factor95: float
    offset: float
    waves: tuple[Wave, ...]
    trend: float  #: curvature: error that grows with x^2, as mm at the far end
    u_trend: float
    scatter: float  #: residual standard deviation, mm
    dof: int
    residuals: tuple[float, ...]

    @property
    def trend_is_significant(self) -> bool:
        return abs(self.trend) > self.factor95 * self.u_trend

    def error_at(self, x: float) -> float:
        """Error of position x, mm, that the run says: offset, slope and every sine of it."""
        waves = math.fsum(
            wave.amplitude * math.cos(2 * math.pi * x / wave.period.mm - wave.phase)
            for wave in self.waves
        )
        return self.offset + self.scale * x + waves


def _design(x: Array, periods: Sequence[float]) -> Array:
    columns = [np.ones_like(x), x]
    for period in periods:
        phase = 2 * np.pi * x / period
        columns += [np.cos(phase), np.sin(phase)]
    return np.column_stack(columns)


def _best_period(x: Array, d: Array, u: Array | None, others: list[float], period: Period) -> float:
    """Period within its bracket that fits best, its own uncertainty counted against it."""
    if period.u_mm <= 0:
        return period.mm
    trials = period.mm + period.u_mm * np.linspace(-_PERIOD_REACH, _PERIOD_REACH, _PERIOD_TRIALS)
    trials = trials[trials > 0]
    fits = [fit_linear(_design(x, [*others, trial]), d, u) for trial in trials]
    # Without stated uncertainties the best fit's own scatter takes their place.
    smallest = min(fit.rss for fit in fits)
    unit = 1.0 if u is not None else max(smallest / max(fits[0].dof, 1), 1e-18)
    pull = ((trials - period.mm) / period.u_mm) ** 2
    return float(
        trials[int(np.argmin([f.rss / unit + p for f, p in zip(fits, pull, strict=True)]))]
    )


def _wave(fit: LinearFit, column: int, period: Period) -> Wave:
    a, b = float(fit.b[column]), float(fit.b[column + 1])
    amplitude = math.hypot(a, b)
    gradient = np.array([a, b]) / amplitude if amplitude else np.array([1.0, 0.0])
    block = fit.cov[column : column + 2, column : column + 2]
    u = math.sqrt(float(gradient @ block @ gradient))
    return Wave(period, amplitude, u, math.atan2(b, a), _beyond_noise(fit, column))


def _beyond_noise(fit: LinearFit, column: int) -> bool:
    """Both coefficients of a sine together against zero, at 5 %.

    Q = (A, B) cov^-1 (A, B)' is chi-squared with 2 degrees of freedom, whose quantile is
    -2 ln(alpha); with an estimated scatter F = Q/2 follows F(2, nu), quantile
    nu/2 (alpha^(-2/nu) - 1), exact for two degrees in the numerator.
    """
    ratio = fit.variance_ratio([column, column + 1])
    if fit.stated:
        return ratio > -math.log(0.05)
    return ratio > fit.dof / 2 * (math.pow(0.05, -2 / fit.dof) - 1)


def belt_run(
    commanded: Sequence[float],
    measured: Sequence[float],
    periods: Sequence[Period] = (),
    u_mm: float | None = None,
    *,
    least_mm: float = 0.0,
) -> BeltRun:
    """Evaluate a run of n positions, mm; `u_mm`: standard uncertainty of one position if known.

    Where it is not, the scatter about the fit stands for it, not below `least_mm`, and Student's t
    counts its degrees of freedom, one less for each period that was sought.  One length commanded
    again and again tells a scale through zero, and no offset.

    Raises ValueError for lists of different length, too few positions for the periods sought
    (three and two for each period, one more where `u_mm` is not stated).
    """
    x, y = np.array(commanded, dtype=float), np.array(measured, dtype=float)
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"{x.size} commanded and {y.size} measured positions do not pair up")
    d = y - x
    u = None if u_mm is None else np.full(x.size, u_mm)
    fitted: list[float] = []
    for period in periods:
        fitted.append(_best_period(x, d, u, fitted, period))
    X = _design(x, fitted)
    through_zero = bool(np.all(x == x[0]))
    if through_zero:
        X = X[:, 1:2]
    fit = fit_linear(X, d, u, least=least_mm)
    slope = 0 if through_zero else 1
    waves = tuple(
        _wave(fit, 2 + 2 * i, Period(p.name, mm, p.u_mm))
        for i, (p, mm) in enumerate(zip(periods, fitted, strict=True))
    )
    sought = sum(period.u_mm > 0 for period in periods)
    dof = fit.dof if fit.stated else max(fit.dof - sought, 1)
    trend, u_trend = (0.0, math.inf) if through_zero else _trend(X, x, d, u, least_mm)
    return BeltRun(
        scale=float(fit.b[slope]),
        u_scale=float(fit.u[slope]),
        factor95=coverage_factor(math.inf if fit.stated else float(dof)),
        offset=0.0 if through_zero else float(fit.b[0]),
        waves=waves,
        trend=trend,
        u_trend=u_trend,
        scatter=float(np.std(d - X @ fit.b, ddof=X.shape[1])) if fit.dof else math.nan,
        dof=fit.dof,
        residuals=tuple(float(r) for r in d - X @ fit.b),
    )


def tells(x: Sequence[float], periods: Sequence[float]) -> bool:
    """True if positions x (n,) tell the sines of `periods`, mm, from an offset and a slope.

    At whole or half turns they do not: every mark then meets the sine at the same phase.
    """
    X = _design(np.array(x, dtype=float), periods)
    if X.shape[0] < X.shape[1]:
        return False
    # A sine that the marks see at its zeros only is small: sines are held to their full size.
    size = np.full(X.shape[1], math.sqrt(X.shape[0] / 2))
    size[:2] = np.linalg.norm(X[:, :2], axis=0)
    return bool(np.linalg.svd(X / size, compute_uv=False)[-1] > _LEAST_SINGULAR)


def _trend(X: Array, x: Array, d: Array, u: Array | None, least_mm: float) -> tuple[float, float]:
    """Curvature over the run as mm at its far end; (0, inf) where nothing is left to see it."""
    span = float(np.ptp(x))
    curve = ((x - x.min()) / span) ** 2 if span else x
    try:
        fit = fit_linear(np.column_stack([X, curve]), d, u, least=least_mm)
    except ValueError:
        return 0.0, math.inf
    return float(fit.b[-1]), float(fit.u[-1])


@dataclass(frozen=True, slots=True)
class Reversal:
    """Lost motion between the two ways of approaching a position, mm."""

    mean: float  #: forward minus backward
    u: float
    constant: bool  #: the same everywhere within its scatter


def reversal(forward: Sequence[float], backward: Sequence[float], u_mm: float) -> Reversal:
    """Reversal from positions approached both ways; `u_mm`: uncertainty of one position.

    Raises ValueError for lists of different length or fewer than two positions.
    """
    f, b = np.array(forward, dtype=float), np.array(backward, dtype=float)
    if f.shape != b.shape or f.size < 2:
        raise ValueError("reversal wants the same two or more positions approached both ways")
    difference = f - b
    mean = float(np.mean(difference))
    u_one = math.sqrt(2) * u_mm
    chi2 = float(np.sum((difference - mean) ** 2)) / u_one**2
    even = chi2_beyond(chi2, f.size - 1) >= _EVEN
    return Reversal(mean, u_one / math.sqrt(f.size), even)


@dataclass(frozen=True, slots=True)
class Slip:
    """A run under load against the same run empty."""

    difference: float  #: relative travel lost under load, positive: the loaded belt falls short
    u: float
    scatter_ratio: float  #: loaded over empty
    present: bool


def slip(empty: BeltRun, loaded: BeltRun) -> Slip:
    """Slip shows as travel lost, or as much larger scatter, once the belt has to pull.

    The scatter counts where its ratio is beyond 2 with four or more degrees of freedom on both
    sides (F(4, 4) at 95 % is 6.4 in variance, 2.5 in deviation; common practice takes 2).
    """
    difference = empty.scale - loaded.scale
    u = math.hypot(empty.u_scale, loaded.u_scale)
    beyond = math.inf if loaded.scatter else 1.0
    ratio = loaded.scatter / empty.scatter if empty.scatter else beyond
    factor = max(empty.factor95, loaded.factor95)
    enough = min(empty.dof, loaded.dof) >= 4
    return Slip(difference, u, ratio, difference > factor * u or (enough and ratio > 2.5))


def whole_turns(circumference: float, longest: float) -> tuple[float, ...]:
    """Test lengths at which roller run-out cancels: whole turns up to `longest`, mm.

    Raises ValueError for a circumference that is not positive.
    """
    if not circumference > 0:
        raise ValueError("the circumference must be positive")
    return tuple(k * circumference for k in range(1, int(longest / circumference + 1e-9) + 1))
