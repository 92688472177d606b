"""Positioning figures of an axis approached from both sides, after ISO 230-2.

Definitions as in ISO 230-2:2014, clause 3, from memory (limits of two standard deviations).
Checked against a published report for mean deviation, reversal, repeatability and the figures of
one direction.  Deviation E and accuracy A over both directions have no published check: sources
take them differently (range over both directions together, as here, or the larger of the two).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from agent.model.geometry import Array


@dataclass(frozen=True, slots=True)
class Positioning:
    """Figures in the unit of the deviations; arrays hold one value for each target."""

    mean_forward: Array
    mean_backward: Array
    s_forward: Array
    s_backward: Array
    B_i: Array  #: reversal at each target
    R_i: Array  #: repeatability at each target, both directions
    B: float  #: reversal of the axis, the largest of B_i without sign
    B_mean: float
    R_forward: float
    R_backward: float
    R: float
    E_forward: float  #: systematic deviation, one direction
    E_backward: float
    E: float  #: both directions together; see the module's note
    M: float  #: range of the mean of both directions
    A_forward: float  #: accuracy, one direction
    A_backward: float
    A: float  #: both directions together; see the module's note


def positioning(forward: Array, backward: Array) -> Positioning:
    """Evaluate deviations (targets, runs) of actual minus target position.

    Raises ValueError unless both have the same shape with two targets and two runs at least.
    """
    if forward.shape != backward.shape or forward.ndim != 2 or min(forward.shape) < 2:
        raise ValueError("two targets and two runs at least, the same both ways")
    f, b = forward.mean(axis=1), backward.mean(axis=1)
    sf, sb = forward.std(axis=1, ddof=1), backward.std(axis=1, ddof=1)
    B_i = f - b
    R_i = np.maximum.reduce([2 * sf + 2 * sb + np.abs(B_i), 4 * sf, 4 * sb])
    both = np.concatenate([f, b])
    high, low = np.concatenate([f + 2 * sf, b + 2 * sb]), np.concatenate([f - 2 * sf, b - 2 * sb])
    return Positioning(
        mean_forward=f,
        mean_backward=b,
        s_forward=sf,
        s_backward=sb,
        B_i=B_i,
        R_i=R_i,
        B=float(np.max(np.abs(B_i))),
        B_mean=float(np.mean(B_i)),
        R_forward=float(np.max(4 * sf)),
        R_backward=float(np.max(4 * sb)),
        R=float(np.max(R_i)),
        E_forward=float(np.ptp(f)),
        E_backward=float(np.ptp(b)),
        E=float(np.ptp(both)),
        M=float(np.ptp((f + b) / 2)),
        A_forward=float(np.max(f + 2 * sf) - np.min(f - 2 * sf)),
        A_backward=float(np.max(b + 2 * sb) - np.min(b - 2 * sb)),
        A=float(np.max(high) - np.min(low)),
    )
