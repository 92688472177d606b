import math

import numpy as np
import pytest

from agent.errors import BadInput
from agent.model.feature import direction_group
from agent.pieces import PIECES, block, post, strip, travel_features
from agent.pieces.layers import to_layer
from agent.pieces.post import lean_span
from tests.pieces.machines import ANGLES, machine

each_angle = pytest.mark.parametrize("angle", ANGLES)
each_piece = pytest.mark.parametrize("name", PIECES)


@each_angle
@each_piece
def test_features_are_told_apart_by_name_and_say_where_to_measure(name, angle):
    piece = PIECES[name](machine(angle))
    names = [feature.name for feature in piece.features]
    assert len(set(names)) == len(names)
    assert all(f.name.startswith(piece.name) and f.hint for f in piece.features)


@each_angle
@each_piece
def test_jaws_stand_the_nominal_vector_apart(name, angle):
    for feature in PIECES[name](machine(angle)).features:
        low, high = np.array(feature.jaws)
        assert high - low == pytest.approx(np.array(feature.along), abs=1e-6), feature.name


@each_angle
@each_piece
def test_jaws_touch_faces_and_stay_off_their_edges(name, angle):
    """Each jaw lies on a face of a prism, 2 mm or more from where the face ends.

    A plate's diagonals are read over its corners, and one layer has no height to keep off.
    """
    piece = PIECES[name](machine(angle))
    for feature in piece.features:
        for jaw in feature.jaws:
            spans = [on_face(prism, jaw) for prism in piece.prisms]
            rooms = [room for room in spans if room is not None]
            assert rooms, (feature.name, jaw)
            if feature.between != "points" and not piece.flat:
                assert max(rooms) >= 2.0, (feature.name, jaw)


def on_face(prism, point):
    """Room on the face of `prism` that `point` lies on, to the face's nearest end; None if off."""
    x, s, h = point
    inside = min(x - prism.x[0], prism.x[1] - x)
    depths, along = [], []
    for (s0, h0), (s1, h1) in zip(
        prism.outline, prism.outline[1:] + prism.outline[:1], strict=True
    ):
        size = math.hypot(s1 - s0, h1 - h0)
        depths.append(((s1 - s0) * (h - h0) - (h1 - h0) * (s - s0)) / size)
        travelled = ((s1 - s0) * (s - s0) + (h1 - h0) * (h - h0)) / size
        along.append(min(travelled, size - travelled))
    if min(inside, *depths) < -1e-6:
        return None
    if abs(inside) < 1e-6:
        return min(depths)
    k = int(np.argmin(depths))
    return min(inside, along[k]) if depths[k] < 1e-6 else None


@each_angle
def test_groups_of_directions_that_the_pieces_cover(angle):
    theta = math.radians(angle)
    groups = {
        name: {direction_group(f.along, theta) for f in build(machine(angle)).features}
        for name, build in PIECES.items()
    }
    assert groups["strip"] == {"x", "s", "diagonal"}
    assert groups["post"] == {"h"}
    assert groups["block"] == {"x", "h" if angle == 90 else "gantry"}


@each_angle
def test_short_and_long_differ_enough_to_part_scale_from_offset(angle):
    theta = math.radians(angle)
    lengths = {}
    for build in PIECES.values():
        for feature in build(machine(angle)).features:
            if feature.kind == "outside" and feature.between != "points":
                group = direction_group(feature.along, theta)
                lengths.setdefault(group, []).append(math.hypot(*feature.along))
    assert {group: max(v) / min(v) >= 4.8 for group, v in lengths.items()} == dict.fromkeys(
        lengths, True
    )


def test_long_lengths_of_the_strip_are_whole_roller_turns():
    # own arithmetic: a 28 mm roller under a plain 1 mm belt runs pi * 29 = 91.106 mm a turn
    along = {f.name: f.along[1] for f in strip(machine()).features}
    assert along["strip s3"] == pytest.approx(91.11)
    assert along["strip s4"] == pytest.approx(182.21)
    assert along["strip p1"] == pytest.approx(91.10)
    without = {f.name: f.along[1] for f in strip(machine(drives=False)).features}
    assert [without[f"strip s{i}"] for i in (1, 2, 3, 4)] == [20, 60, 90, 180]


@pytest.mark.parametrize(
    ("angle", "span"),
    # H = k * 91.106 * tan(angle): 63.79 at 35, 91.11 at 45; 157.8 at 60 is far off, so 60
    [(35, 63.79), (45, 91.11), (60, 60), (90, 60)],
)
def test_lean_is_read_over_whole_roller_turns_where_they_fit(angle, span):
    assert lean_span(machine(angle), 140) == pytest.approx(span, abs=0.005)
    lean = next(f for f in post(machine(angle)).features if f.kind == "lean")
    assert lean.along == pytest.approx((0, 0, span), abs=0.005)


def test_lean_span_stays_below_what_the_gantry_reaches():
    assert lean_span(machine(45), 70) == 60
    assert lean_span(machine(45), 40) == 40


def test_plate_diagonals_are_equal_and_opposite():
    d1, d2 = (f for f in strip(machine()).features if f.between == "points")
    assert d1.along == (100, 80, 0)
    assert d2.along == (100, -80, 0)


@each_angle
def test_block_faces_are_square_to_the_gantry(angle):
    theta = math.radians(angle)
    for feature in block(machine(angle)).features:
        (x0, *low), (x1, *high) = feature.jaws
        (u0, n0), (u1, n1) = to_layer(low, theta), to_layer(high, theta)
        assert n1 == pytest.approx(n0, abs=1e-9)
        assert (x1 == x0) or (u1 == pytest.approx(u0))


@each_piece
@pytest.mark.parametrize(("across", "gantry"), [(150, 120), (220, 200), (400, 400)])
def test_default_sizes_fit_small_and_large_machines(name, across, gantry):
    (x0, x1), _, (h0, h1) = PIECES[name](machine(across=across, gantry=gantry)).bounds
    assert x0 >= 5
    assert x1 <= across - 5
    assert h0 == pytest.approx(0, abs=1e-9)
    assert h1 <= gantry * math.sin(math.radians(45))


def test_all_wrong_sizes_are_named_at_once():
    with pytest.raises(BadInput) as caught:
        post(machine(), height=500, depth=float("nan"), walls=0)
    assert [problem.key for problem in caught.value.problems] == [
        "post.height", "post.depth", "post.walls",
    ]  # fmt: skip
    assert "expected 20 to 127" in caught.value.problems[0].what


def test_strip_beyond_the_callipers_reach_is_refused():
    with pytest.raises(BadInput, match=r"strip\.lengths"):
        strip(machine(), lengths=(20, 60, 100, 190), reach=150)


def test_strip_fits_a_short_caliper():
    longest = max(math.hypot(*f.along) for f in strip(machine(), reach=150).features)
    assert longest <= 150


@each_angle
def test_travel_moves_are_whole_turns_inside_the_envelope(angle):
    theta = math.radians(angle)
    across, gantry, belt = travel_features(machine(angle))
    assert (across.name, across.along) == ("travel across", (160, 0, 0))
    assert gantry.along == pytest.approx((0, 160 * math.cos(theta), 160 * math.sin(theta)))
    assert (belt.name, belt.kind, belt.along) == ("travel belt", "travel", (0, 273.32, 0))
