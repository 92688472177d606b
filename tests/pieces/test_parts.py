"""Small parts of pieces by themselves: whole turns, strokes, views, feeds, sizes by name."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from agent.errors import BadInput, Refused
from agent.model.feature import Feature
from agent.model.profile import Bead
from agent.pieces import PIECES, summary
from agent.pieces.bead import bead_area, flow
from agent.pieces.cooling import cooling_minutes
from agent.pieces.envelope import in_range, whole_turns
from agent.pieces.feeds import FeedResult, feed_result, feed_test, result_of
from agent.pieces.layers import Rect, cut
from agent.pieces.picture import picture
from agent.pieces.resize import resized, size_names
from agent.pieces.sliced import Sliced, sliced_angle, words_of
from agent.pieces.solid import SOLID, Piece, Prism, box
from agent.pieces.strokes import strokes
from agent.pieces.travel import move_over, travel_features
from agent.pieces.view import views
from tests.listing import inline, number
from tests.pieces.machines import machine, volume
from tests.pinned import Pinned


@pytest.mark.parametrize(
    ("wanted", "turn", "limit", "length"),
    [
        (180.0, None, 200.0, 180.0),
        (180.0, None, 150.0, 150.0),
        (180.0, 91.106, 200.0, 182.21),
        (180.0, 91.106, 182.0, 91.11),
        (180.0, 91.106, 182.212, 182.21),
        (30.0, 91.106, 200.0, 91.11),
        (60.0, 100.0, 100.0, 100.0),
        (60.0, 100.0, 99.9, 60.0),
        (60.0, 100.0, 50.0, 50.0),
        (135.0, 90.0, 400.0, 180.0),
        (300.0, 40.0, 360.0, 320.0),
    ],
)
def test_a_length_of_whole_turns(
    wanted: float, turn: float | None, limit: float, length: float
) -> None:
    """The nearest that fits; where not one turn fits, the length itself, cut to the limit."""
    assert whole_turns(wanted, turn, limit) == pytest.approx(length, abs=1e-9)


def test_a_size_is_inside_its_range_with_both_ends() -> None:
    assert in_range("a", 1.0, 1.0, 2.0) == in_range("a", 2.0, 1.0, 2.0) == []
    for value in (0.999, 2.001, math.nan, math.inf, -math.inf):
        assert in_range("a", value, 1.0, 2.0) == [("a", f"expected 1 to 2 mm, found {value:g}")]
    assert in_range("n", 3, 1, 2, "") == [("n", "expected 1 to 2, found 3")]


# -- strokes -----------------------------------------------------------------------------------

BEAD = Bead(width_mm=0.5, height_mm=0.25)


def _prism(x: tuple[float, float], **more: object) -> Prism:
    usual = {"walls": 2, "seam": x[0]}
    return Prism("p", x, box((0.0, 9.0), (0.0, 0.25)), **{**usual, **more})  # type: ignore[arg-type]


def test_strokes_of_rectangles_of_all_sizes(pinned: Pinned) -> None:
    """How many, how long, and where the first and last of them run."""
    text = []
    for wide in (0.3, 0.4, 0.5, 0.65, 0.9, 1.2, 1.5, 2.2, 6.0):
        for deep in (0.39, 0.4, 0.7, 1.1, 5.0):
            for walls, flat in ((1, True), (2, False), (SOLID, True), (SOLID, False)):
                prism = _prism((10.0, 10.0 + wide), walls=walls)
                found = list(strokes(Rect(prism, prism.x, (0.0, deep)), BEAD, flat=flat))
                length = sum(math.dist(a, b) for s in found for a, b in pairwise(s.points))
                ends = inline([s.points[:3] for s in (*found[:1], *found[-1:])], 3)
                text.append(
                    f"{wide} x {deep}, {walls} walls, flat {flat}: {len(found)},"
                    f" {number(length, 3)} mm {ends}"
                )
    pinned("pieces/strokes", "\n".join(text))


def test_strokes_by_seam_joins_and_ribs(pinned: Pinned) -> None:
    text = []
    for seam in (9.0, 10.0, 11.0, 12.9, 13.1, 15.0, 16.0, 17.0):
        for flat in (True, False):
            prism = _prism((10.0, 16.0), seam=seam)
            found = list(strokes(Rect(prism, prism.x, (0.0, 5.0)), BEAD, flat=flat))
            text.append(f"seam {seam}, flat {flat}: {inline([s.points for s in found], 3)}")
    for joins in ((), ("x-",), ("x+",), ("u-",), ("u+",), ("x-", "x+", "u-", "u+")):
        prism = _prism((10.0, 16.0), walls=1, joins=joins)
        found = list(strokes(Rect(prism, prism.x, (0.0, 5.0)), BEAD, flat=False))
        text.append(f"joins {joins}: {inline([s.points for s in found], 3)}")
    for rib in (0.5, 1.0, 2.0, 3.9, 4.5, 12.0):
        for flat in (True, False):
            prism = _prism((10.0, 16.0), rib_mm=rib)
            found = list(strokes(Rect(prism, prism.x, (0.0, 5.0)), BEAD, flat=flat))
            ribs = [s.points for s in found if not s.edge and len(s.points) == 2]
            text.append(f"ribs {rib}, flat {flat}: {inline(ribs, 3)}")
    pinned("pieces/strokes-more", "\n".join(text))


def test_a_rib_stands_no_further_than_its_spacing_from_the_next() -> None:
    for rib in (0.5, 1.0, 2.0, 3.9):
        prism = _prism((10.0, 16.0), rib_mm=rib)
        found = list(strokes(Rect(prism, prism.x, (0.0, 5.0)), BEAD, flat=False))
        # inside the two walls: half a bead and one and a half pitches from each face
        inset = 0.25 + 1.5 * bead_area(0.5, 0.25) / 0.25
        places = [s.points[0][0] for s in found if not s.edge and len(s.points) == 2]
        gaps = [b - a for a, b in pairwise([10.0 + inset, *places, 16.0 - inset])]
        assert max(gaps) <= rib + 1e-9
        assert (len(gaps) - 1) * rib < sum(gaps)
        assert max(gaps) - min(gaps) < 1e-9


def test_a_line_cuts_an_outline_between_its_corners() -> None:
    square = ((0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0))
    assert cut(square, 0.0) == cut(square, 1.0) == cut(square, 1.999) == (0.0, 2.0)
    assert cut(square, 2.0) is cut(square, -0.001) is None
    triangle = ((0.0, 0.0), (4.0, 0.0), (0.0, 4.0))
    assert cut(triangle, 1.0) == (0.0, 3.0)
    assert cut(triangle, 4.0 - 1e-10) is None


# -- views, pictures, what is laid -------------------------------------------------------------


def _piece(*features: Feature, x: tuple[float, float] = (60.0, 80.0)) -> Piece:
    body = Prism("body", x, box((-30.0, -10.0), (0.0, 20.0)), walls=1, seam=x[0])
    return Piece("body", "a body", (body,), features, math.radians(45.0), (-30.0, 0.0))


def test_a_reading_is_drawn_in_the_first_view_that_shows_its_whole_length() -> None:
    """From behind x and h are seen, from the side s and h, from above s and x."""
    jaws = {
        "h": ((70.0, -20.0, 0.0), (70.0, -20.0, 20.0)),
        "s": ((70.0, -30.0, 10.0), (70.0, -10.0, 10.0)),
        "x": ((60.0, -20.0, 10.0), (80.0, -20.0, 10.0)),
        "xs": ((60.0, -30.0, 10.0), (80.0, -10.0, 10.0)),
    }
    features = tuple(
        Feature(name, "outside", tuple(b - a for a, b in zip(*ends, strict=True)), jaws=ends)  # type: ignore[arg-type]
        for name, ends in jaws.items()
    )
    shown = {v.title: [r.feature.name for r in v.readings] for v in views(_piece(*features))}
    assert shown == {
        "from behind (from -s)": ["h", "x"],
        "from the side (from +x)": ["s"],
        "from above": ["xs"],
    }
    bare = replace(features[0], jaws=None)
    assert not any(v.readings for v in views(_piece(bare)))


def test_a_piece_that_lies_before_the_across_axis_begins_is_refused() -> None:
    """By less than a millimetre too: the first bead's middle is what counts."""
    profile = machine()
    inside = _piece(x=(-0.24, 20.0))
    assert summary(inside, profile).low[0] == pytest.approx(0.01)
    with pytest.raises(Refused, match=r"would move the across axis from -0\.5"):
        summary(_piece(x=(-0.75, 20.0)), profile)


def test_outlines_that_are_none_are_refused() -> None:
    square = box((0.0, 1.0), (0.0, 1.0))
    assert volume([Prism("p", (0.0, 2.0), square, walls=1)]) == pytest.approx(2.0)
    for x in ((1.0, 1.0), (2.0, 1.0)):
        with pytest.raises(ValueError, match="x must run upward"):
            Prism("p", x, square, walls=1)
    for outline in (
        square[::-1],
        square[:2],
        ((0.0, 0.0), (1.0, 0.0), (2.0, 0.0)),
        ((0.0, 0.0), (2.0, 0.0), (1.0, 0.1), (2.0, 2.0)),
    ):
        with pytest.raises(ValueError, match="must be convex"):
            Prism("p", (0.0, 1.0), outline, walls=1)


@pytest.mark.parametrize(("width", "height"), [(59, 16), (60, 15)])
def test_a_picture_needs_room(width: int, height: int) -> None:
    assert picture(PIECES["stem"](machine()), width=60, height=16)
    with pytest.raises(ValueError, match="60 by 16"):
        picture(PIECES["stem"](machine()), width=width, height=height)


# -- sizes by name -----------------------------------------------------------------------------


def test_sizes_are_given_by_name_and_the_others_stay() -> None:
    profile = machine()
    assert size_names("rail", profile) == ("pitch", "count", "reach")
    strip = resized("strip", profile, {"length 1": 18.0, "plate along": 50.0}, number=3)
    usual = PIECES["strip"](profile).size
    assert strip.size == {**usual, "length 1": 18.0, "plate along": 50.0}
    assert sum(prism.name.startswith("pip") for prism in strip.prisms) == 3
    # a longest length beyond the usual reach is within a reach of its own
    assert resized("strip", profile, {"length 4": 250.0}).size["length 4"] == 250.0
    with pytest.raises(BadInput, match=r"expected 60 to 240 mm, found 250"):
        resized("strip", profile, {"length 4": 250.0, "reach": 240.0})
    with pytest.raises(BadInput, match=r"expected 90 to 200 mm, found 205"):
        resized("strip", machine(across=400.0), {"wide": 205.0, "length 2": 60.0})
    rail = resized("rail", profile, {"count": 3.0, "pitch": 30.0})
    assert rail.size == {"pitch": 30.0, "count": 3.0}
    block = resized("block", profile, {"across wide": 100.0})
    assert (block.size["across narrow"], block.size["across wide"]) == (16.0, 100.0)
    with pytest.raises(BadInput, match="a post has no size 'lenght', 'tall'"):
        resized("post", profile, {"lenght": 1.0, "tall": 2.0})


def test_a_move_over_another_length_has_a_name_of_its_own() -> None:
    _, gantry, belt = travel_features(machine())
    assert move_over(belt, 273.324) is belt
    longer = move_over(belt, 273.326)
    assert longer.name == "travel belt 273.326"
    assert longer.along == pytest.approx((0.0, 273.326, 0.0))
    half = move_over(gantry, 80.0)
    assert half.along == pytest.approx((0.0, 80 / math.sqrt(2), 80 / math.sqrt(2)))
    assert str(move_over(belt, -50.0).along[0]) == "0.0"


# -- feeds, flow, cooling ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("steps", "u", "worth"),
    [
        (402.1, 1.0, True),
        (402.0, 0.1, False),  # half a percent is not beyond it
        (397.9, 1.0, True),
        (404.0, 2.01, False),  # no more than twice its uncertainty
        (404.0, 1.99, True),
        (400.5, 0.01, False),
    ],
)
def test_new_steps_are_worth_it_beyond_half_a_percent_and_their_uncertainty(
    steps: float, u: float, worth: bool
) -> None:
    assert FeedResult(steps, u, None, None).worth_it(400.0) is worth


@pytest.mark.parametrize(
    ("slip", "u", "slips"),
    [(0.021, 0.01, True), (0.02, 0.001, False), (0.03, 0.015, False), (None, None, False)],
)
def test_a_slip_is_told_beyond_two_percent_and_chance(
    slip: float | None, u: float | None, slips: bool
) -> None:
    assert FeedResult(400.0, 1.0, slip, u).slips is slips
    assert not FeedResult(400.0, 1.0, 0.5, None).slips


def test_hot_feeds_of_another_length_count_by_their_share() -> None:
    """48 of 50 mm hot and 96 of 100 mm hot are the same slip."""
    free = [100.0, 100.2, 99.8]
    same = feed_result(400.0, 100.0, free, [96.0, 96.2])
    assert result_of(400.0, {"free": (100.0, free), "hot": (100.0, [96.0, 96.2])}) == same
    short = result_of(400.0, {"free": (100.0, free), "hot": (50.0, [48.0, 48.1])})
    assert short == same
    assert result_of(400.0, {"hot": (50.0, [48.0])}) is None
    alone = result_of(400.0, {"free": (100.0, free)})
    assert alone == feed_result(400.0, 100.0, free)
    one = feed_result(400.0, 100.0, free, [96.0])
    # one hot feed has the uncertainty of a mark read off a rule, 0.3 mm
    assert one.u_slip == pytest.approx(0.96 * math.hypot(0.3 / math.sqrt(3) / 100, 0.3 / 96))


def test_limits_of_a_feed() -> None:
    profile = machine()
    for low, high in (
        ({"length": 10.0}, {"length": 9.9}),
        ({"length": 200.0}, {"length": 200.1}),
        ({"repeats": 2}, {"repeats": 1}),
        ({"repeats": 20}, {"repeats": 21}),
        ({"speed": 0.2}, {"speed": 0.19}),
        ({"speed": 5.0}, {"speed": 5.1}),
    ):
        assert feed_test(profile, "free", **low).feeds  # type: ignore[arg-type]
        with pytest.raises(BadInput, match="expected"):
            feed_test(profile, "free", **high)  # type: ignore[arg-type]
    usual = feed_test(profile, "hot")
    assert (usual.commanded_mm, usual.seconds, len(usual.feeds)) == (50.0, 50.0, 5)
    assert usual.feeds[0] == ("G1 E50 F60", "M400")


def test_flow_follows_the_section_of_the_bead() -> None:
    """0.05 mm wider at 0.25 mm height: 0.0125 mm2 more on 0.11159 mm2."""
    found = flow(BEAD, 0.05, 0.02)
    assert found.factor == pytest.approx(1 + 0.0125 / bead_area(0.5, 0.25))
    assert found.u_factor == pytest.approx(0.02 * 0.25 / bead_area(0.5, 0.25))
    assert found.told
    assert not flow(BEAD, 0.04, 0.02).told
    assert flow(BEAD, -0.05, 0.02).told
    # never narrower than high
    assert flow(BEAD, -0.4, 0.02).factor == pytest.approx(
        bead_area(0.25, 0.25) / bead_area(0.5, 0.25)
    )


def test_cooling_by_walls_and_bed() -> None:
    """tau = 1240 * 1800 * thickness / 10; down to 1 K from the bed's excess, 25 K at least."""
    profile = machine()
    tau = 1240 * 1800 * 0.5e-3 / 10
    three, one, full = (PIECES["post"](profile, walls=n) for n in (3, 1, SOLID))
    assert cooling_minutes(three, profile) == pytest.approx(3 * tau * math.log(40) / 60)
    assert cooling_minutes(one, profile) == pytest.approx(tau * math.log(40) / 60)
    # filled whole only its flange has walls that are counted
    assert cooling_minutes(full, profile) == pytest.approx(tau * math.log(40) / 60)
    for bed, excess in ((None, 25.0), (0.0, 25.0), (44.0, 25.0), (45.5, 25.5), (80.0, 60.0)):
        warm = replace(profile, material=replace(profile.material, bed_c=bed))
        found = cooling_minutes(one, warm)
        assert found == pytest.approx(tau * math.log(excess) / 60), bed


# -- the file of a slicer ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("G1 X10 Y-2.5 E.3 ; words", [("G", 1), ("X", 10), ("Y", -2.5), ("E", 0.3)]),
        ("n12 g1x1.y+2", [("G", 1), ("X", 1), ("Y", 2)]),
        ("/N3 G0 (a note X5) X 1 2", [("G", 0), ("X", 12)]),
        ("; all of it", []),
        ("(G1 X5)", []),
        ("M104 S215.5", [("M", 104), ("S", 215.5)]),
    ],
)
def test_words_of_a_line(line: str, words: list[tuple[str, float]]) -> None:
    assert words_of(line) == words


def test_an_angle_fits_what_is_stated_within_its_scatter_or_a_twentieth() -> None:
    assert Sliced(45.05, 0.001, 20).fits(45.0)
    assert not Sliced(45.051, 0.001, 20).fits(45.0)
    assert Sliced(45.3, 0.1, 20).fits(45.0)
    assert not Sliced(45.301, 0.1, 20).fits(45.0)


def _walls(count: int, *, per_layer: float = -0.35, slope: float = math.sqrt(2)) -> list[str]:
    """Layers of an upright face: the foot of each at belt and gantry places of their own."""
    lines = ["G90", "M83", "G92 E0"]
    for layer in range(count):
        belt = per_layer * layer
        gantry = -belt * slope
        lines += [f"G0 X1 Y{gantry:.4f} Z{belt:.4f}", f"G1 X5 E1 Y{gantry + 12:.4f}"]
        lines += [f"G1 X1 E1 Y{gantry:.4f}"]
    return lines


def test_layers_of_the_face_are_counted_between_its_margins() -> None:
    """15 % of the height is left out at either end, and twelve layers are needed."""
    profile = machine()
    post = PIECES["post"](profile)
    found = sliced_angle(_walls(200), post, profile.axes)
    assert found.angle_deg == pytest.approx(45.0, abs=0.01)
    # layers are 0.495 mm of gantry apart, the last of them ends 12 mm up
    top = 199 * 0.35 * math.sqrt(2) + 12
    low, high = 0.15 * top, 0.85 * top
    step = 0.35 * math.sqrt(2)
    assert found.layers == math.floor(high / step) - math.ceil(low / step) + 1
    with pytest.raises(Refused, match="only 0 layers"):
        sliced_angle([], post, profile.axes)
    with pytest.raises(Refused, match="which no gantry angle gives"):
        sliced_angle(_walls(200, slope=0.9), post, profile.axes)
    relative = ["G91", *(line for line in _walls(5)[1:])]
    with pytest.raises(Refused, match=r"only \d layers"):
        sliced_angle(relative, post, profile.axes)


def test_the_layer_just_enough_is_enough() -> None:
    profile = machine()
    post = PIECES["post"](profile)
    counts = {}
    for count in range(5, 60):
        try:
            counts[count] = sliced_angle(_walls(count), post, profile.axes).layers
        except Refused as refusal:
            counts[count] = int(str(refusal).split()[1])
            assert counts[count] < 12
        else:
            assert counts[count] >= 12
    assert {11, 12} <= set(counts.values())
