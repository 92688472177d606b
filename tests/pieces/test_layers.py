import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.pieces import PIECES
from agent.pieces.layers import cut, from_layer, layers, to_layer
from tests.pieces.machines import ANGLES, machine, volume

T = 0.25
GRID = 0.1 + 1e-9  #: distance of the points that are tried, mm


def clip(outline, n, points=4001):
    """Interval in which the line at height n runs inside an outline, by trying points on it."""
    u = np.linspace(-200, 200, points)
    inside = np.ones(points, bool)
    for (u0, n0), (u1, n1) in zip(outline, outline[1:] + outline[:1], strict=True):
        inside &= (u1 - u0) * (n - n0) - (n1 - n0) * (u - u0) >= 0
    return (u[inside].min(), u[inside].max()) if inside.any() else None


@st.composite
def convex(draw):
    """Corners of a convex outline: points of an ellipse at rising angles."""
    angles = sorted(draw(st.lists(st.integers(0, 35), min_size=3, max_size=8, unique=True)))
    a, b = draw(st.floats(5, 100)), draw(st.floats(5, 100))
    return tuple(
        (a * math.cos(math.radians(10 * k)), b * math.sin(math.radians(10 * k))) for k in angles
    )


@given(convex(), st.floats(-110, 110))
def test_cut_agrees_with_a_numerical_clip(outline, n):
    found, tried = cut(outline, n), clip(outline, n)
    if found is None:
        assert tried is None or tried[1] - tried[0] <= GRID
    elif tried is None:
        assert found[1] - found[0] <= GRID
    else:
        assert np.abs(np.subtract(found, tried)).max() <= GRID


@given(st.floats(-500, 500), st.floats(-100, 100), st.floats(0, math.pi / 2))
def test_layer_axes_turn_back(s, h, angle):
    assert from_layer(*to_layer((s, h), angle), angle) == pytest.approx((s, h), abs=1e-9)


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize("name", PIECES)
def test_layers_together_have_the_volume_of_the_solid(name, angle):
    piece = PIECES[name](machine(angle))
    laid = sum(
        (rect.x[1] - rect.x[0]) * (rect.u[1] - rect.u[0]) * T
        for layer in layers(piece, T)
        for rect in layer.rects
    )
    assert laid == pytest.approx(volume(piece.prisms), rel=2e-3)


def overlap(a, b):
    return min(a[1], b[1]) - max(a[0], b[0])


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize("name", PIECES)
def test_no_layer_is_laid_in_the_air(name, angle):
    """Each rectangle starts on the belt or lies on the layer before, over most of its length.

    What hangs over is at most one layer at the overhang that the builders allow, 50 degrees.
    """
    piece = PIECES[name](machine(angle))
    before = ()
    for layer in layers(piece, T):
        for rect in layer.rects:
            low = layer.n - T / 2
            on_belt = from_layer(rect.u[0], low, piece.layer_angle)[1] <= T
            # spans of the layer before under this rectangle; those that touch are one
            spans = sorted(r.u for r in before if overlap(r.x, rect.x) > 0)
            top = max((u[1] for u in spans), default=-math.inf)
            bottom = min((u[0] for u in spans), default=math.inf)
            hang = T * math.tan(math.radians(50)) + 1e-9
            if piece.flat and low < 1e-9:
                continue
            if not before:
                assert on_belt
                continue
            assert on_belt or bottom <= rect.u[0] + 1e-9, (layer, rect)
            length = rect.u[1] - rect.u[0]
            assert rect.u[1] - max(top, rect.u[0]) <= hang or (
                on_belt and length <= 2 / math.sin(math.radians(angle))
            ), (layer, rect)
        before = layer.rects


@pytest.mark.parametrize("thickness", [0.0, -0.2, math.inf, math.nan])
def test_a_layer_has_a_thickness(thickness):
    piece = PIECES["post"](machine(45))
    with pytest.raises(ValueError, match="positive"):
        list(layers(piece, thickness))
