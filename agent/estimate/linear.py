"""Linear least squares with the uncertainty of its coefficients.

Two cases that must not be mixed up.  Without stated uncertainties all observations weigh alike, the
scatter s is estimated from the residuals and the covariance is s^2 (X'X)^-1 (GUM H.3).  With stated
uncertainties the weights are 1/u^2 and the covariance is (X'WX)^-1, NOT rescaled by the scatter;
chi2 then tells whether the stated uncertainties are credible (ISO/TS 28037:2010, clause 6).

The coefficients come from a QR decomposition of the column-scaled matrix, which keeps them right
for columns of very different size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from agent.estimate.uncertainty import coverage_factor
from agent.model.geometry import Array


@dataclass(frozen=True, slots=True)
class LinearFit:
    """Coefficients b (k,) of y = X b with covariance (k, k)."""

    b: Array
    cov: Array
    rss: float  #: sum of squared residuals; chi2 where uncertainties were stated
    s: float  #: residual standard deviation; nan without degrees of freedom
    dof: int
    stated: bool  #: uncertainties were stated

    @property
    def u(self) -> Array:
        """Standard uncertainties (k,)."""
        return np.sqrt(np.diag(self.cov))

    @property
    def factor95(self) -> float:
        """Coverage factor of a 95 % interval of a coefficient."""
        return coverage_factor(math.inf if self.stated else float(self.dof))

    def variance_ratio(self, columns: Sequence[int]) -> float:
        """F of these coefficients together against zero: b' cov^-1 b over their number.

        With stated uncertainties that is chi-squared over its degrees of freedom.
        """
        some = list(columns)
        b, block = self.b[some], self.cov[np.ix_(some, some)]
        return float(b @ np.linalg.solve(block, b)) / len(some)


def fit_linear(X: Array, y: Array, u: Array | None = None, *, least: float = 0.0) -> LinearFit:
    """Least squares for y (n,) = X (n, k) b, with standard uncertainties u (n,) if stated.

    Where they are not, the scatter that is estimated from the residuals is not below `least`.

    Raises ValueError for fewer rows than columns (or no degree of freedom where the scatter is to
    be estimated), columns that depend on one another, values that are not finite, u not positive.
    """
    n, k = X.shape
    if n < k or (u is None and n == k):
        raise ValueError(f"{n} observations are too few for {k} coefficients")
    if not (np.all(np.isfinite(X)) and np.all(np.isfinite(y))):
        raise ValueError("observations must be finite")
    if u is not None and not np.all(u > 0):
        raise ValueError("standard uncertainties must be positive")
    w = np.ones(n) if u is None else 1.0 / u
    size = np.linalg.norm(X * w[:, None], axis=0)
    if np.any(size == 0):
        raise ValueError("a coefficient has no influence on any observation")
    Q, R = np.linalg.qr(X * w[:, None] / size)
    if np.min(np.abs(np.diag(R))) < 1e-13:
        raise ValueError("the coefficients cannot be told apart by these observations")
    inverse = np.linalg.inv(R)
    b = inverse @ (Q.T @ (y * w)) / size
    residual = (y - X @ b) * w
    # One step of refinement takes out what the first solution lost to rounding.
    b = b + inverse @ (Q.T @ residual) / size
    rss = float(np.sum(((y - X @ b) * w) ** 2))
    dof = n - k
    s = math.sqrt(rss / dof) if dof else math.nan
    cov = (inverse @ inverse.T) / np.outer(size, size)
    if u is None:
        s = max(s, least)
        cov = cov * s**2
    return LinearFit(b, cov, rss, s, dof, u is not None)


def line(x: Array, y: Array, u: Array | None = None) -> LinearFit:
    """Straight line y = b0 + b1 x; see `fit_linear`."""
    return fit_linear(np.column_stack([np.ones_like(x), x]), y, u)
