"""How errors of a tilted-gantry machine deform what it makes.

The frame is fixed to the belt's surface: x across the belt, s along it, h normal to it, s
positive the way the nozzle travels when the gantry axis rises.  The gantry plane leans at the
set angle theta.  A nominal point (X, S, H) is commanded as

    across = X        gantry = H / sin(theta)        belt = S - H * cot(theta)

A real machine has seven linear errors: relative scale errors ex, ey, ez of across, gantry and
belt; three rotations of the gantry against the belt, delta (lean: true angle minus set angle),
psi (yaw about h) and rho (roll about s); and eps, the across rail turned inside the gantry plane.
With R = Rh(psi) Rs(rho) Rx(theta + delta) the axes really move along

    across   (1 + ex) R (cos eps, sin eps, 0)
    gantry   (1 + ey) R (0, 1, 0)
    belt     (1 + ez)   (0, 1, 0)

and with these directions as the columns of D, and C the commands of a nominal point,

    A = D C,        p_real = A p_nominal.

An affine map has nine entries; laying s along the real belt travel takes two of them, and the
seven that remain are these errors, so the set is complete.  Rotations: Rx(a) turns (0,1,0) into
(0, cos a, sin a), Rh(a) turns (1,0,0) into (cos a, sin a, 0), Rs(a) turns (1,0,0) into
(cos a, 0, -sin a).

Errors come in the order of `ERRORS`; angles in rad, scales relative, lengths in mm.  All arrays
are float64.  Source: this project's own derivation; the tests check it against the simulator's
independent plant, against numerical differentiation and against hand-worked special cases.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

#: Names of the seven machine errors, in the order of every error vector.
ERRORS: Final = ("ex", "ey", "ez", "delta", "psi", "rho", "eps")
EX, EY, EZ, DELTA, PSI, RHO, EPS = range(7)


def commands(theta: float) -> Array:
    """C (3, 3): rows across, gantry, belt; columns x, s, h of a nominal point.

    Raises ValueError unless 0 < theta < pi.
    """
    if not 0.0 < theta < np.pi:
        raise ValueError("the gantry angle must lie between 0 and 180 degrees")
    sin, cos = np.sin(theta), np.cos(theta)
    return np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0 / sin], [0.0, 1.0, -cos / sin]])


def _rx(a: float) -> Array:
    cos, sin = math.cos(a), math.sin(a)
    return np.array([[1.0, 0.0, 0.0], [0.0, cos, -sin], [0.0, sin, cos]])


def _rs(a: float) -> Array:
    cos, sin = math.cos(a), math.sin(a)
    return np.array([[cos, 0.0, sin], [0.0, 1.0, 0.0], [-sin, 0.0, cos]])


def _rh(a: float) -> Array:
    cos, sin = math.cos(a), math.sin(a)
    return np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])


def _slope(rotation: Callable[[float], Array], a: float) -> Array:
    """Derivative of a rotation: a quarter turn further, without the part along its axis."""
    return (rotation(a + np.pi / 2) - rotation(a - np.pi / 2)) / 2


def affine(theta: float, errors: Array) -> Array:
    """A (3, 3) for the set angle `theta` and an error vector (7,)."""
    return affine_with_slopes(theta, errors)[0]


def affine_with_slopes(theta: float, errors: Array) -> tuple[Array, Array]:
    """A (3, 3) and dA (7, 3, 3), its derivatives by the errors.

    Raises ValueError for a theta outside (0, pi).
    """
    ex, ey, ez, delta, psi, rho, eps = errors
    turn_h, turn_s, turn_x = _rh(psi), _rs(rho), _rx(theta + delta)
    R = turn_h @ turn_s @ turn_x
    cos, sin = math.cos(eps), math.sin(eps)
    # across and gantry as columns, before R turns them; the belt is not turned
    plane = np.array([[(1 + ex) * cos, 0.0, 0.0], [(1 + ex) * sin, 1 + ey, 0.0], [0.0, 0.0, 0.0]])
    D = R @ plane
    D[:, 2] = 0.0, 1 + ez, 0.0
    slopes = np.zeros((len(ERRORS), 3, 3))
    slopes[EX, :, 0] = R @ (cos, sin, 0.0)
    slopes[EY, :, 1] = R @ (0.0, 1.0, 0.0)
    slopes[EZ, :, 2] = 0.0, 1.0, 0.0
    slopes[DELTA] = turn_h @ turn_s @ _slope(_rx, theta + delta) @ plane
    slopes[PSI] = _slope(_rh, psi) @ turn_s @ turn_x @ plane
    slopes[RHO] = turn_h @ _slope(_rs, rho) @ turn_x @ plane
    slopes[EPS, :, 0] = (1 + ex) * (R @ (-sin, cos, 0.0))
    C = commands(theta)
    return D @ C, slopes @ C


@dataclass(frozen=True, slots=True)
class Sized:
    """A quantity for n vectors and its derivatives by the seven errors."""

    value: Array  #: (n,) mm
    slope: Array  #: (n, 7) mm per unit of each error


def between_points(A: Array, dA: Array, v: Array) -> Sized:
    """Distance of points that are nominally v (n, 3) apart: norm(A v)."""
    real = v @ A.T
    length = np.sqrt((real * real).sum(axis=1))
    moved = v @ dA.transpose(0, 2, 1)  # (7, n, 3): dA v for each error
    return Sized(length, (moved * real).sum(axis=2).T / length[:, None])


def between_faces(A: Array, dA: Array, v: Array) -> Sized:
    """Distance of parallel faces nominally v (n, 3) apart and square to v.

    A plane with nominal normal n keeps the normal A^-T n, so the planes stand
    norm(v) / norm(A^-T v / norm(v)) apart; that is what caliper jaws see.
    """
    nominal = np.sqrt((v * v).sum(axis=1))
    inverse = np.linalg.inv(A)
    w = (v / nominal[:, None]) @ inverse  # rows A^-T n
    size = np.sqrt((w * w).sum(axis=1))
    turned = w @ inverse.T  # rows A^-1 w;  dw = -A^-T dA^T w
    slope = ((w @ dA) * turned).sum(axis=2).T
    return Sized(nominal / size, nominal[:, None] * slope / (size**3)[:, None])


def between_edges(A: Array, dA: Array, v: Array) -> Sized:
    """Distance of parallel edges of a flat piece, nominally v (n, 3) apart and square to v.

    A single layer has no height by which jaws could follow a lean: what `between_faces` is in
    space, this is in plan.
    """
    return between_faces(A[:2, :2], dA[:, :2, :2], v[:, :2])


def component(A: Array, dA: Array, v: Array, axis: int) -> Sized:
    """Component of A v along x (0), s (1) or h (2)."""
    return Sized(v @ A[axis], v @ dA[:, axis].T)
