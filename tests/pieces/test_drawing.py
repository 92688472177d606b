import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from agent.pieces import PIECES
from agent.pieces.drawing import (
    _apart,
    _draw_label,
    _round_scale,
    _Sheet,
    stacked_levels,
    svg,
)
from agent.pieces.view import Reading, Shape, View, _looks_right, hull, views
from tests.pieces.machines import ANGLES, machine

SVG = "{http://www.w3.org/2000/svg}"
each_piece = pytest.mark.parametrize("name", PIECES)
each_angle = pytest.mark.parametrize("angle", ANGLES)


def page(piece):
    return ET.fromstring(svg(piece))


def polygons(root, kind):
    return [
        [tuple(map(float, point.split(","))) for point in node.get("points").split()]
        for node in root.iter(f"{SVG}polygon")
        if node.get("class") == kind
    ]


@each_angle
@each_piece
def test_each_reading_is_seen_once_unshortened_and_in_order(name, angle):
    piece = PIECES[name](machine(angle))
    readings = [reading for view in views(piece) for reading in view.readings]
    assert sorted(r.number for r in readings) == list(range(1, len(piece.features) + 1))
    for reading in readings:
        assert reading.feature is piece.features[reading.number - 1]
        length = math.hypot(*reading.feature.along)
        assert math.dist(*reading.ends) == pytest.approx(length)


@each_angle
@each_piece
def test_the_list_has_names_kinds_and_lengths_in_order(name, angle):
    piece = PIECES[name](machine(angle))
    words = [node.text for node in page(piece).iter(f"{SVG}text")]
    places = [words.index(feature.name) for feature in piece.features]
    assert places == sorted(places)
    for feature, place in zip(piece.features, places, strict=True):
        length = f"{math.hypot(*feature.along):.2f}"
        kind, nominal = words[place + 1 : place + 3]
        assert kind == feature.kind
        assert nominal == (f"0 over {length}" if kind in ("lean", "sway") else length)


@each_piece
def test_every_number_stands_in_the_list_and_at_its_line(name):
    piece = PIECES[name](machine())
    badges = [t.text for t in page(piece).iter(f"{SVG}text") if t.get("class") == "num"]
    assert sorted(badges, key=int) == [
        str(n) for n in range(1, len(piece.features) + 1) for _ in range(2)
    ]


def test_a_square_lies_on_the_face_from_outside():
    """Two leans of the stem are read from opposite faces: the wedges point at each other."""
    pushes = {
        reading.feature.name: reading.pushes[0]
        for view in views(PIECES["stem"](machine(45)))
        for reading in view.readings
        if reading.feature.kind == "lean"
    }
    assert pushes == {"stem lean": (1.0, 0.0), "stem lean 2": (-1.0, 0.0)}


@each_piece
def test_a_line_of_100_mm_and_all_sizes_stand_on_the_sheet(name):
    """The sheet's units are mm: its width in mm is that of its own frame."""
    piece = PIECES[name](machine())
    root = ET.fromstring(svg(piece, "made for " + "a machine of a long name " * 8))
    assert root.get("width") == f"{float(root.get('viewBox').split()[2]):g}mm"
    lines = [n for n in root.iter(f"{SVG}line") if n.get("class") == "line"]
    assert any(
        float(n.get("x2")) - float(n.get("x1")) == pytest.approx(100) and n.get("y1") == n.get("y2")
        for n in lines
    )
    said = [node.text for node in root.iter(f"{SVG}text")]
    assert all(f"{key} {mm:g}" in " ".join(said) for key, mm in piece.size.items())
    assert max(len(words) for words in said) <= 150


@each_angle
@each_piece
def test_jaws_are_drawn_to_scale_where_they_touch(name, angle):
    """Tips of the wedges lie as far apart on the page as the drawing's scale says."""
    piece = PIECES[name](machine(angle))
    root = page(piece)
    ratio = re.search(r"scale ([\d.]+) : ([\d.]+)", "".join(root.itertext()))
    scale = float(ratio[1]) / float(ratio[2])
    tips = [points[0] for points in polygons(root, "jaw")]
    readings = [reading for view in views(piece) for reading in view.readings]
    for reading, (a, b) in zip(readings, zip(tips[::2], tips[1::2], strict=True), strict=True):
        length = math.hypot(*reading.feature.along)
        assert math.dist(a, b) == pytest.approx(scale * length, abs=0.02)


@each_angle
@each_piece
def test_everything_stays_on_the_page(name, angle):
    root = page(PIECES[name](machine(angle), number=6))
    *_, width, height = map(float, root.get("viewBox").split())
    for kind in ("body", "mark", "jaw"):
        for points in polygons(root, kind):
            assert all(0 <= x <= width and 0 <= y <= height for x, y in points)
    for node in root.iter(f"{SVG}text"):
        # 1.9 mm a letter is on the wide side for 3.1 mm type
        if node.get("transform") is None and node.get("class") not in ("head", "num"):
            assert float(node.get("x")) + 1.9 * len(node.text) <= width + 4, node.text


def test_no_view_is_a_mirror_image():
    """Seen from each side, turning x into s is turning right into up the way the side tells."""
    post_views = {view.title: view for view in views(PIECES["post"](machine(), number=1))}
    above = {shape.name: shape for shape in post_views["from above"].shapes}
    middle = {name: centre(shape.corners) for name, shape in above.items()}
    # the arrow leads to the right (+s), the ridge (+x) lies below it, the pip above
    assert middle["arrow 1"][0] > middle["arrow 3"][0]
    assert middle["ridge +x"][1] < middle["arrow 3"][1] < middle["pip 1"][1]
    behind = {s.name: centre(s.corners) for s in post_views["from behind (from -s)"].shapes}
    assert behind["tall"][0] < behind["low"][0]


def centre(corners):
    return tuple(sum(values) / len(corners) for values in zip(*corners, strict=True))


def test_hull_of_a_square_with_points_inside_and_on_its_edges():
    points = [(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0), (1.0, 1.0), (1.0, 0.0)]
    assert hull(points) == ((0, 0), (2, 0), (2, 2), (0, 2))


def test_words_are_broken_where_the_sheet_ends():
    """A hint of 105 letters is one row, and a note of 148; one letter more is two."""
    piece = PIECES["stem"](machine())
    first = piece.features[0]
    for hint, rows in (("x" * 52 + " " + "y" * 52, 1), ("x" * 52 + " " + "y" * 53, 2), ("", 1)):
        asked = replace(piece, features=(replace(first, hint=hint), *piece.features[1:]))
        words = [node.text for node in page(asked).iter(f"{SVG}text")]
        assert sum("xxx" in (text or "") or "yyy" in (text or "") for text in words) == (
            rows if hint else 0
        )
    for count, rows in ((73, 1), (74, 2)):
        root = ET.fromstring(svg(piece, "x" * 74 + " " + "y" * count))
        words = [node.text or "" for node in root.iter(f"{SVG}text")]
        assert sum("xxx" in text or "yyy" in text for text in words) == rows


@pytest.mark.parametrize(
    ("scale", "usual"),
    [(0.99, 0.5), (1.0, 1.0), (1.99, 1.0), (2.0, 2.0), (0.2, 0.2), (0.19, 0.1), (0.011, 0.01),
     (7.0, 5.0), (99.0, 50.0), (0.004, 0.004)],
)  # fmt: skip
def test_scales_are_those_of_drawings(scale, usual):
    """ISO 5455: 1, 2, 5 and their tenfolds, the largest that fits; below 1 : 100 whatever fits."""
    assert _round_scale(scale) == pytest.approx(usual)


def view_of(*ends):
    """A view whose readings lie as told, ((x, y), (x, y)) each."""
    feature = PIECES["stem"](machine()).features[0]
    push = ((1.0, 0.0), (-1.0, 0.0))
    readings = tuple(Reading(n, feature, pair, push) for n, pair in enumerate(ends, 1))
    return View("", "+s", "+h", (), readings)


@pytest.mark.parametrize(
    ("ends", "levels"),
    [
        # alone on its line, a reading lies where the caliper does
        ((((0, 0), (9, 0)), ((0, 1), (9, 1))), {}),
        ((((0, 0), (0, 9)), ((0, 0), (0, 5))), {}),
        # on one line the shorter one lies lower; those beside each other share a level
        ((((0, 0), (9, 0)), ((0, 0), (5, 0))), {1: 1, 2: 0}),
        ((((0, 0), (4, 0)), ((4, 0), (9, 0))), {1: 0, 2: 0}),
        ((((9, 0), (4, 0)), ((0, 0), (4, 0))), {1: 0, 2: 0}),
        ((((0, 0), (4, 0)), ((3, 0), (9, 0))), {1: 0, 2: 1}),
        ((((0, 0), (4, 0)), ((0, 0), (4, 0)), ((0, 0), (4, 0))), {1: 0, 2: 1, 3: 2}),
        # lines of two rows do not cross either
        ((((0, 0), (4, 0)), ((5, 0), (9, 0)), ((0, 3), (4, 3)), ((5, 3), (9, 3))),
         {1: 0, 2: 0, 3: 1, 4: 1}),
    ],
)  # fmt: skip
def test_dimension_lines_of_one_row_are_stacked(ends, levels):
    assert stacked_levels(view_of(*ends)) == levels


def test_spans_that_touch_lie_apart():
    assert _apart((0.0, 1.0), (1.0, 2.0))
    assert _apart((1.0, 2.0), (0.0, 1.0))
    assert not _apart((0.0, 1.1), (1.0, 2.0))
    assert not _apart((0.0, 3.0), (1.0, 2.0))


def test_a_square_lies_against_the_face_that_the_reading_is_on():
    """Of a body 2 wide and 4 high that the middle of the reading is beside; marks have no faces."""
    body = Shape("body", ((0.0, 0.0), (2.0, 0.0), (2.0, 4.0), (0.0, 4.0)), False, 0.0)
    other = Shape("other", ((5.0, 0.0), (9.0, 0.0), (9.0, 1.0), (5.0, 1.0)), False, 0.0)
    for a, b, right in (
        ((2.0, 1.0), (2.0, 3.0), True),
        ((0.0, 1.0), (0.0, 3.0), False),
        ((1.0, 1.0), (3.0, 3.0), True),
        ((2.0, 4.0), (2.0, 4.0), True),
        ((2.0, 4.0), (2.0, 4.2), False),
        ((2.0, -0.2), (2.0, 0.0), False),
        ((2.1, 1.0), (2.1, 3.0), False),
        ((9.0, 0.5), (9.0, 0.5), True),
    ):
        assert _looks_right(a, b, [other, body]) is right, (a, b)
    assert not _looks_right((2.0, 1.0), (2.0, 3.0), [replace(body, mark=True)])


def test_a_view_is_as_large_as_all_its_shapes():
    low = Shape("low", ((0.0, -1.0), (2.0, 0.0), (1.0, 3.0)), False, 0.0)
    far = Shape("far", ((-4.0, 1.0), (2.5, 2.0), (0.0, 2.0)), True, 0.0)
    assert View("", "", "", (low, far), ()).bounds == ((-4.0, -1.0), (2.5, 3.0))


@pytest.mark.parametrize("name", ["post", "block", "stem"])
def test_near_shapes_are_drawn_over_far_ones(name):
    for view in views(PIECES[name](machine())):
        depths = [shape.depth for shape in view.shapes]
        assert depths == sorted(depths)
        assert len(set(depths)) > 1


@pytest.mark.parametrize("degrees", range(-180, 180, 15))
def test_a_length_is_written_along_its_line_and_never_upside_down(degrees):
    """y runs down the page, so that a line that turns by so much is seen to fall."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    a, b = (100.0, 100.0), (100.0 + 60 * c, 100.0 + 60 * s)
    sheet = _Sheet()
    _draw_label(sheet, view_of((a, b)).readings[0], a, b, labels=[], lines=[])
    turn = re.search(r"rotate\((-?[\d.]+)", sheet.parts[-1])
    told = float(turn[1]) if turn else 0.0
    assert -90.0 <= told < 89.9
    assert (told - degrees) % 180 == pytest.approx(0.0, abs=0.06)
    badge = re.search(r'cx="([\d.]+)" cy="([\d.]+)"', sheet.parts[0])
    middle = (100.0 + 30 * c, 100.0 + 30 * s)
    assert tuple(map(float, badge.groups())) == pytest.approx(middle, abs=0.006)


def test_a_label_stands_where_it_covers_least():
    """In the middle of its line, or as near to it as nothing is hidden; a short one has no room
    for its length."""
    a, b = (0.0, 0.0), (100.0, 0.0)
    reading = view_of((a, b)).readings[0]

    def at(labels, lines, end=b):
        sheet = _Sheet()
        covered = _draw_label(sheet, reading, a, end, labels=labels, lines=lines)
        return covered[0][0], len(covered), len(sheet.parts)

    assert at([], [])[0] == 50.0
    assert at([], [(50.0, 2.3)])[0] == 40.0
    assert at([], [(50.0, 0.0)])[0] == 60.0, "from 40 on the words would run over it"
    assert at([(50.0, 2.0)], [])[0] != 50.0
    assert at([(50.0, 4.5)], [])[0] == 50.0
    assert at([], [(50.0, -2.5)])[0] == 50.0
    # a badge is two parts, a length one more; it is written from 22 mm on
    assert at([], [], (22.0, 0.0))[1:] == (1, 2)
    assert at([], [], (22.1, 0.0))[2] == 3
