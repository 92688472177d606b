"""The geometry against numerical differentiation, special cases by hand, and first order."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.model.geometry import (
    ERRORS,
    affine,
    affine_with_slopes,
    between_edges,
    between_faces,
    between_points,
    commands,
    component,
)

angles = st.floats(math.radians(25), math.radians(90))
small = st.lists(st.floats(-0.08, 0.08), min_size=7, max_size=7).map(np.array)
vectors = st.lists(
    st.tuples(*[st.floats(-200, 200)] * 3).filter(lambda v: math.hypot(*v) > 1),
    min_size=1,
    max_size=4,
).map(np.array)

SIZES = {
    "points": between_points,
    "faces": between_faces,
    "edges": lambda A, dA, v: between_edges(A, dA, v * (1, 1, 0) + (1, 0, 0)),
    "sway": lambda A, dA, v: component(A, dA, v, 0),
    "lean": lambda A, dA, v: component(A, dA, v, 1),
    "gap": lambda A, dA, v: component(A, dA, v, 2),
}


@pytest.mark.parametrize("size", SIZES.values(), ids=SIZES)
@given(theta=angles, errors=small, v=vectors)
def test_analytic_slopes_equal_numerical_ones(size, theta, errors, v):
    slope = size(*affine_with_slopes(theta, errors), v).slope
    h = 1e-5
    for k in range(len(ERRORS)):
        step = np.zeros(7)
        step[k] = h
        high = size(*affine_with_slopes(theta, errors + step), v).value
        low = size(*affine_with_slopes(theta, errors - step), v).value
        assert slope[:, k] == pytest.approx((high - low) / (2 * h), rel=1e-5, abs=1e-4)


@given(theta=angles)
def test_a_machine_without_errors_makes_what_is_drawn(theta):
    assert affine(theta, np.zeros(7)) == pytest.approx(np.eye(3), abs=1e-12)


@given(theta=angles)
def test_commands_are_those_of_the_tilted_plane(theta):
    across, gantry, belt = commands(theta) @ np.array([3.0, 5.0, 7.0])
    assert (across, gantry) == (3.0, pytest.approx(7 / math.sin(theta)))
    assert belt == pytest.approx(5 - 7 / math.tan(theta))


@given(theta=angles, errors=small.map(lambda e: e * 1e-3))
def test_relations_to_first_order(theta, errors):
    """Lean, height, sway, gap and plan shear as worked by hand to first order."""
    ex, ey, ez, delta, psi, rho, eps = errors
    cot = 1 / math.tan(theta)
    A = affine(theta, errors)
    expected = {
        (1, 2): (ey - ez) * cot - delta,
        (2, 2): 1 + ey + delta * cot,
        (0, 2): rho - psi * cot,
        (2, 0): -rho + eps * math.sin(theta),
        (1, 0): psi + eps * math.cos(theta),
        (0, 0): 1 + ex,
        (1, 1): 1 + ez,
    }
    for place, value in expected.items():
        assert A[place] == pytest.approx(value, abs=3e-7), place


def test_height_made_right_by_steps_multiplies_the_lean():
    """1/sin^2(theta): twice at 45 degrees, three times at 35 (to first order)."""
    for degrees, factor in ((45.0, 2.0), (35.2644, 3.0)):
        theta, delta = math.radians(degrees), 1e-4
        angle_only = np.array([0, 0, 0, delta, 0, 0, 0.0])
        height = affine(theta, angle_only)[2, 2]
        trimmed = angle_only.copy()
        trimmed[1] = 1 / height - 1
        assert affine(theta, trimmed)[2, 2] == pytest.approx(1.0)
        lean = affine(theta, angle_only)[1, 2]
        assert affine(theta, trimmed)[1, 2] / lean == pytest.approx(factor, rel=1e-3)


def test_slicing_at_the_true_angle_leaves_the_same_part():
    theta, delta = math.radians(45), math.radians(1.3)
    errors = np.array([0.01, -0.02, 0.005, delta, 0.01, -0.01, 0.004])
    rest = errors.copy()
    rest[3] = 0.0
    assert affine(theta + delta, rest) == pytest.approx(
        affine(theta, errors) @ np.linalg.inv(commands(theta)) @ commands(theta + delta)
    )


def test_faces_of_a_sheared_plate_are_seen_square():
    """Plate sheared in plan by psi: faces square to x come out cos-shorter than points."""
    errors = np.array([0, 0, 0, 0, 0.02, 0, 0.0])
    A, dA = affine_with_slopes(math.pi / 2, errors)
    v = np.array([[0.0, 80.0, 0.0]])
    assert between_points(A, dA, v).value[0] == pytest.approx(80.0)
    assert between_faces(A, dA, v).value[0] == pytest.approx(80.0 * math.cos(0.02))


def test_edges_of_a_flat_piece_follow_the_shear_but_not_the_lean():
    """One layer, yaw 0.02 and a gantry 0.05 rad off: square distance in plan, no cosine of lean."""
    errors = np.array([0, 0, 0, 0.05, 0.02, 0, 0.0])
    A, dA = affine_with_slopes(math.pi / 4, errors)
    v = np.array([[0.0, 80.0, 0.0]])
    assert between_edges(A, dA, v).value[0] == pytest.approx(80.0 * math.cos(0.02))
    assert between_faces(A, dA, v).value[0] < 80.0 * math.cos(0.02) * math.cos(0.04)


@pytest.mark.parametrize("theta", [0.0, -0.3, math.pi, math.nan])
def test_impossible_angles_are_refused(theta):
    with pytest.raises(ValueError, match="gantry angle"):
        commands(theta)
