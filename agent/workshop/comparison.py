"""Machines and batches side by side: which one stands out beyond what chance would do.

Model: y_ij = b(batch of i) + m_i + e_ij, i a machine, j a tune of it; b fixed, m_i ~ N(0, g s^2),
e_ij ~ N(0, s^2).  Restricted maximum likelihood over g >= 0; as a batch is a property of a whole
machine, everything follows from each machine's mean and count n_i with weights
w_i = n_i / (1 + g n_i):

    b_k = sum w_i y_i. / W_k,  W_k = sum of w_i in batch k
    s^2 = (SS within machines + sum w_i (y_i. - b_k)^2) / (N - p)
    -2 l = (N - p) log s^2 + sum log(1 + g n_i) + sum log W_k  (+ constant)

(Searle, Casella, McCulloch: Variance Components, 6.6, from memory.)  With one value a machine this
is one-way analysis of variance over the batches.  Tests are by Student's t and F with machines
minus batches degrees of freedom; Holm's method (1979) holds the family of all tests together, so
that with nothing wrong some verdict comes out in at most 5 % of the pages.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from agent.plain import Plain

#: Chance that a page with nothing wrong in it names anything.
LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class Fit:
    """Batches and machines of one error, in the unit of its values."""

    batches: Mapping[str, float]  #: mean of each
    machines: Mapping[str, float]  #: mean of each machine, less its batch
    within: float  #: variance of tunes of one machine
    between: float  #: variance of machines of one batch
    f: float  #: of the batches, 0 where there is one
    f_dof: tuple[int, int]
    p: float  #: of all batches being alike
    batch_p: Mapping[str, float]  #: of each batch against the others
    machine_p: Mapping[str, float]  #: of each machine among those of its batch


@dataclass(frozen=True, slots=True)
class Verdict(Plain):
    """A machine or batch that stands out in one error."""

    error: str
    what: str  #: machine or batch
    name: str
    value: float  #: how far from the others, in the unit of the error
    p: float  #: of one test
    p_held: float  #: held over all tests of the page (Holm)


def fit(values: Mapping[str, Sequence[float]], batch_of: Mapping[str, str]) -> Fit | None:
    """Fit of the values of each machine; None for fewer than three, or no more values than batches.

    Machines that `batch_of` does not name are of the batch ''.
    """
    names = [name for name, some in values.items() if len(some)]
    if len(names) < 3:
        return None
    batches = sorted({batch_of.get(name, "") for name in names})
    if sum(len(values[name]) for name in names) <= len(batches):
        return None  # each value a batch of its own: nothing tells how far apart they may lie
    means = [float(np.mean(values[name])) for name in names]
    within = (np.sum((np.asarray(values[k]) - np.mean(values[k])) ** 2) for k in names)
    data = _Data(
        np.array([len(values[name]) for name in names], dtype=float),
        np.array(means),
        np.array([[batch_of.get(k, "") == b for b in batches] for k in names], dtype=float),
        float(sum(within)),
    )
    g = data.likeliest()
    _, s2, b, w = data.at(g)
    f, p, batch_p = _tests_of_batches(data, s2, b, w)
    machine_p = _tests_of_machines(data, s2, b, w)
    return Fit(
        dict(zip(batches, map(float, b), strict=True)),
        dict(zip(names, map(float, data.means - data.member @ b), strict=True)),
        s2,
        g * s2,
        f,
        (len(batches) - 1, data.dof),
        p,
        {batches[k]: p for k, p in batch_p.items()},
        {names[i]: p for i, p in machine_p.items()},
    )


@dataclass(frozen=True, slots=True)
class _Data:
    """What the model is fitted to: m machines of k batches."""

    n: Any  #: (m,) values of each machine
    means: Any  #: (m,)
    member: Any  #: (m, k) 1 where the machine is of the batch
    squares: float  #: of the values about the means of their machines

    @property
    def dof(self) -> int:
        machines, batches = self.member.shape
        return int(machines - batches)

    def at(self, g: float) -> tuple[float, float, Any, Any]:
        """-2 l, s^2, b (k,) and w (m,) for a ratio g of the variances; see the module's head."""
        free = float(self.n.sum()) - self.member.shape[1]
        w = self.n / (1 + g * self.n)
        total = self.member.T @ w
        b = (self.member.T @ (w * self.means)) / total
        s2 = (self.squares + float(np.sum(w * (self.means - self.member @ b) ** 2))) / free
        scale = max(s2, 1e-300)
        spread = float(np.sum(np.log1p(g * self.n)) + np.sum(np.log(total)))
        return free * math.log(scale) + spread, s2, b, w

    def likeliest(self) -> float:
        """The ratio of the variances that is most likely; 0 where nothing tells it."""
        from scipy.optimize import minimize_scalar

        if self.dof <= 0 or not np.any(self.n > 1):
            return 0.0
        found = minimize_scalar(
            lambda x: self.at(math.expm1(x))[0], bounds=(0.0, 20.0), method="bounded",
            options={"xatol": 1e-10},
        )  # fmt: skip
        g = math.expm1(float(found.x))
        return 0.0 if self.at(0.0)[0] <= self.at(g)[0] else g


def _tests_of_batches(
    data: _Data, s2: float, b: Any, w: Any
) -> tuple[float, float, dict[int, float]]:
    """F of all batches and its p, and p of each batch against the others."""
    from scipy.stats import f as f_distribution
    from scipy.stats import t as student

    total, dof = data.member.T @ w, data.dof
    if len(b) < 2 or dof <= 0 or s2 <= 0:
        return 0.0, 1.0, {}
    middle = float(np.sum(total * b) / np.sum(total))
    f = float(np.sum(total * (b - middle) ** 2)) / s2 / (len(b) - 1)
    found = {}
    for k in range(len(b)):
        others = np.sum(total) - total[k]
        rest = (np.sum(total * b) - total[k] * b[k]) / others
        u = math.sqrt(s2 * (1 / total[k] + 1 / others))
        found[k] = float(2 * student.sf(abs(float(b[k] - rest)) / u, dof))
    return f, float(f_distribution.sf(f, len(b) - 1, dof)), found


def _tests_of_machines(data: _Data, s2: float, b: Any, w: Any) -> dict[int, float]:
    """p of each machine among those of its batch, studentized without the machine itself.

    (Cook, Weisberg: Residuals and Influence in Regression, 1982, 2.2.1, from memory.)
    """
    from scipy.stats import t as student

    dof, found = data.dof, {}
    if dof <= 1 or s2 <= 0:
        return {}
    apart = data.means - data.member @ b
    leverage = w * (data.member @ (1 / (data.member.T @ w)))
    for i in range(len(apart)):
        share = 1 - float(leverage[i])
        if share < 1e-9:
            continue  # alone in its batch
        r2 = float(w[i] * apart[i] ** 2) / (s2 * share)
        left = dof - r2
        t = math.sqrt(r2 * (dof - 1) / left) if left > 1e-12 else math.inf
        found[i] = float(2 * student.sf(t, dof - 1))
    return found


def holm(p: Sequence[float]) -> list[float]:
    """P values held over all of them (Holm 1979): p_(k) (n - k + 1), rising, at most 1."""
    order = sorted(range(len(p)), key=lambda i: p[i])
    held, most = [0.0] * len(p), 0.0
    for k, i in enumerate(order):
        most = max(most, min(1.0, p[i] * (len(p) - k)))
        held[i] = most
    return held


def standing_out(fits: Mapping[str, Fit]) -> tuple[Verdict, ...]:
    """Machines and batches that stand out, the surest first; one family of tests over all."""
    asked: list[tuple[str, str, str, float, float]] = []
    for error, found in fits.items():
        for batch, p in found.batch_p.items():
            others = [v for name, v in found.batches.items() if name != batch]
            value = found.batches[batch] - sum(others) / len(others)
            asked.append((error, "batch", batch, value, p))
        for machine, p in found.machine_p.items():
            asked.append((error, "machine", machine, found.machines[machine], p))
    held = holm([row[-1] for row in asked])
    verdicts = (Verdict(*row, p_held) for row, p_held in zip(asked, held, strict=True))
    return tuple(sorted((v for v in verdicts if v.p_held < LEVEL), key=lambda v: v.p_held))
