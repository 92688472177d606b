import math
import re
from dataclasses import replace

import numpy as np
import pytest

from agent.errors import Refused, Unknown
from agent.model.exact import number
from agent.model.profile import Mechanics, SavedSetting
from agent.model.roles import Axes
from agent.model.settings import Setting
from agent.model.wording import Wording
from agent.pieces import PIECES, block, post, strip, summary, timed_toolpath, toolpath
from agent.pieces.bead import filament_area
from agent.pieces.layers import to_layer
from agent.pieces.solid import SOLID, Piece, Prism, box
from agent.pieces.strokes import Stroke
from agent.pieces.toolpath import Move, _approach, _check_reach, _clock, _last_feed
from tests.pieces.machines import ANGLES, machine, volume
from tests.pieces.replay import on_belt, replay

AXES_ONLY = Wording(plastic="A", relative=False, heats=False, homes=False)

each_piece = pytest.mark.parametrize("name", PIECES)
each_angle = pytest.mark.parametrize("angle", ANGLES)
LINE = re.compile(r"G1(?: [XYZ]-?\d+(?:\.\d{1,4})?)*(?: E-?\d+(?:\.\d{1,5})?)?(?: F\d+)?")


@each_angle
@each_piece
def test_lines_are_plain_and_safe_from_start_to_end(name, angle):
    lines = toolpath(PIECES[name](machine(angle)), machine(angle))
    assert lines[:11] == (
        "G21", "G90", "M83", "M107", "G28 X Y", "G92 Z0", "G1 Y10 F600",
        "M140 S60", "M104 S215", "M190 S60", "M109 S215",
    )  # fmt: skip
    *end, feed, absolute = lines[-7:]
    assert end == ["M104 S0", "M140 S0", "M107", "G1 E-0.8 F1800", "G91"]
    assert absolute == "G90"
    assert re.fullmatch(r"G1 Z-[0-9.]+ F1200", feed)
    assert all(LINE.fullmatch(line) for line in lines[11:-7])


@each_angle
@each_piece
def test_every_place_is_inside_the_travel(name, angle):
    profile = machine(angle)
    places = replay(toolpath(PIECES[name](profile), profile), profile).places
    assert places[:, :2].min() >= 0
    assert places[:, 0].max() <= 220
    assert places[:, 1].max() <= 200
    assert np.ptp(places[:, 2]) <= 5000


@each_angle
@each_piece
def test_beads_fill_the_planned_solid_and_nothing_else(name, angle):
    """Half a bead about every centre line stays inside the piece's own outlines.

    The nozzle runs on top of the bead it lays, so its centre lies half a layer below, square to
    the layer.
    """
    profile = machine(angle)
    piece = PIECES[name](profile)
    beads = replay(toolpath(piece, profile), profile).beads[1:]
    ends = on_belt(np.array([[bead.start, bead.end] for bead in beads]), profile).reshape(-1, 3)
    ends[:, 1] += 0.125 * math.sin(piece.layer_angle)
    ends[:, 2] -= 0.125 * math.cos(piece.layer_angle)
    clearance = np.max([depth_inside(prism, ends, piece.layer_angle) for prism in piece.prisms], 0)
    # a body only one bead thick is laid whole even where it is a little thinner than the bead
    assert clearance.min() >= 0.25 - 0.06


def depth_inside(prism, points, angle):
    """How far points lie inside a prism, measured across it and along its layers, mm."""
    u, n = to_layer((points[:, 1], points[:, 2]), angle)
    outline = [to_layer(corner, angle) for corner in prism.outline]
    depth = np.minimum(points[:, 0] - prism.x[0], prism.x[1] - points[:, 0])
    for (u0, n0), (u1, n1) in zip(outline, outline[1:] + outline[:1], strict=True):
        off = (u1 - u0) * (n - n0) - (n1 - n0) * (u - u0)  # left of the edge, times its length
        if abs(n1 - n0) > 1e-9:
            depth = np.minimum(depth, off / abs(n1 - n0))
        else:
            depth = np.where(off < -1e-6, -np.inf, depth)
    return depth


@each_angle
@each_piece
def test_a_finished_piece_is_fed_clear_of_the_nozzle(name, angle):
    profile = machine(angle)
    places = replay(toolpath(PIECES[name](profile), profile), profile).places
    laid, last = places[:-1, 2], places[-1]
    assert laid.min() - last[2] == pytest.approx(40, abs=1e-3)


def solid_cube(angle):
    profile = machine(angle)
    side = 12.0
    shape = box((-30.0, -30.0 + side), (0.0, side))
    cube = Prism("cube", (100.0, 100.0 + side), shape, walls=SOLID, seam=100.0)
    return Piece("cube", "", (cube,), (), profile.mechanics.gantry_angle % (math.pi / 2)), profile


@each_angle
def test_a_solid_takes_its_own_volume_of_filament(angle):
    piece, profile = solid_cube(angle)
    beads = replay(toolpath(piece, profile), profile).beads[1:]
    laid = math.fsum(bead.filament for bead in beads) * filament_area(1.75)
    # the round sides of the outermost beads leave a little of the faces out
    assert laid == pytest.approx(volume(piece.prisms), rel=0.04)
    assert laid < volume(piece.prisms)


@each_piece
def test_summary_says_what_the_lines_do(name):
    profile = machine()
    piece = PIECES[name](profile)
    lines = toolpath(piece, profile)
    told = summary(piece, profile)
    moved = replay(lines, profile)
    assert told.lines == len(lines)
    assert told.filament_mm == pytest.approx(moved.filament, rel=1e-4)
    assert told.filament_cm3 * 1000 == pytest.approx(
        told.filament_mm * filament_area(1.75), rel=1e-9
    )
    belt = np.concatenate([[0.0], moved.places[:, 2]])
    assert told.belt_mm == pytest.approx(np.abs(np.diff(belt)).sum(), abs=0.1)
    assert told.heats == {"nozzle": 215, "bed": 60}
    worst = told.worst_travel({"belt": 0.03})
    assert worst["belt"] == pytest.approx(1.03 * np.abs(belt).max(), abs=1e-3)
    assert worst["across"] == pytest.approx(moved.places[:, 0].max(), abs=1e-3)


@each_piece
def test_time_is_that_of_the_speeds_and_a_bit_more(name):
    profile = machine()
    piece = PIECES[name](profile)
    speed, here, least = 0.0, np.zeros(3), 0.0
    for line in toolpath(piece, profile)[11:-7]:
        words = {word[0]: float(word[1:]) for word in line.split()[1:]}
        speed = words.get("F", speed)
        to = np.array([words.get(letter, old) for letter, old in zip("XYZ", here, strict=True)])
        least += np.linalg.norm(to - here) / speed * 60
        here = to
    assert least < summary(piece, profile).seconds < 2 * least


@each_piece
def test_timed_lines_are_the_lines_and_add_up_to_the_time(name):
    profile = machine()
    piece = PIECES[name](profile)
    lines, times = zip(*timed_toolpath(piece, profile), strict=True)
    assert lines == toolpath(piece, profile)
    assert math.fsum(times) == pytest.approx(summary(piece, profile).seconds)


def test_stored_speed_caps_make_it_slower():
    slow = {"max_speed.z": SavedSetting(Setting(5.0, "mm/s", 2))}
    plain, capped = machine(), replace(machine(), settings=slow)
    piece = strip(plain)
    assert summary(piece, capped).seconds > 1.5 * summary(piece, plain).seconds


def test_tilted_layers_only_ever_feed_the_belt_forward():
    for build in (post, block):
        belt = replay(toolpath(build(machine()), machine()), machine()).places[:, 2]
        assert np.all(np.diff(belt) <= 0)
        steps = -np.diff(np.unique(belt.round(4)))[::-1]
        usual = np.median(np.abs(steps))
        # own arithmetic: 0.25 mm layers at 45 degrees, t / sin(angle)
        assert usual == pytest.approx(0.353553, abs=1e-4)


def test_measured_edges_of_the_strip_are_laid_on_the_feed():
    """Every outer bead across is come to from +s, after a take-up where the belt ran back."""
    profile = machine()
    piece = strip(profile)
    edges = {
        round(s + inset, 3)
        for prism in piece.prisms
        for s, inset in ((prism.outline[0][0], 0.25), (prism.outline[1][0], -0.25))
    }
    here, last_run, seen = np.zeros(3), 0.0, 0
    for bead in moves_with_runs(toolpath(piece, profile)):
        start, end, extruding = bead
        run = end[2] - start[2]
        if run:
            last_run = run
        across = extruding and run == 0 and end[0] != start[0]
        if across and round(float(on_belt(start, profile)[1]), 3) in edges:
            seen += 1
            assert last_run < 0, (start, end)
        here = end
    assert here is not None
    assert seen >= 4 * 6


def moves_with_runs(lines):
    here = np.zeros(3)
    for line in lines[11:-7]:
        words = {word[0]: float(word[1:]) for word in line.split()[1:]}
        to = np.array([words.get(letter, old) for letter, old in zip("XYZ", here, strict=True)])
        yield here, to, words.get("E", 0) > 0
        here = to


@each_piece
def test_letters_and_signs_are_the_machines_own(name):
    plain = machine()
    odd = machine(axes=Axes(across="-y", gantry="z", belt="-x"))
    a = replay(toolpath(PIECES[name](plain), plain), plain)
    lines = toolpath(PIECES[name](odd), odd)
    b = replay(lines, odd)
    assert np.abs(a.places - b.places).max() < 1e-9
    assert lines[4:7] == ("G28 Y Z", "G92 X0", "G1 Z10 F600")
    assert re.fullmatch(r"G1 X[0-9.]+ F1200", lines[-2])


def test_a_cold_bed_is_not_waited_for():
    profile = machine()
    profile = replace(profile, material=replace(profile.material, bed_c=0))
    lines = toolpath(strip(profile), profile)
    assert not any(line.startswith("M190") for line in lines)
    assert "M140 S0" in lines


def test_nothing_is_laid_where_travel_is_not_known():
    profile = replace(machine(), mechanics=Mechanics(gantry_angle_deg=45))
    with pytest.raises(Unknown, match=r"\(across, gantry, belt\) is not known") as caught:
        toolpath(strip(profile), profile)
    assert caught.value.key == "mechanics.travel_mm"


def test_a_piece_for_another_machine_is_refused():
    piece = strip(machine())
    with pytest.raises(Refused, match=r"across axis from .* beyond its travel of 120 mm"):
        toolpath(piece, machine(across=120))


def test_a_controller_of_axes_only_gets_the_same_piece_in_its_own_words() -> None:
    profile = machine()
    piece = strip(profile)
    usual, bare = toolpath(piece, profile), toolpath(piece, profile, AXES_ONLY)
    assert bare[:5] == ("G21", "G90", "G92 X0 Y0 Z0 A0", "G1 Y10 F600", "M0")
    assert not [line for line in bare if line.startswith(("M1", "M8", "G28")) or "E" in line]
    assert summary(piece, profile, AXES_ONLY).lines == len(
        timed_toolpath(piece, profile, AXES_ONLY)
    )

    def pushed(lines: tuple[str, ...], letter: str) -> list[float]:
        words = (word for line in lines if line[:2] == "G1" for word in line.split())
        return [float(word[1:]) for word in words if word[0] == letter]

    places = pushed(bare, "A")
    steps = [b - a for a, b in zip([0.0, *places], places, strict=False)]
    assert steps == pytest.approx(pushed(usual, "E"), abs=2e-5)
    moves = [re.sub(" E[^ ]*", "", line) for line in usual if line[:2] == "G1"]
    assert [re.sub(" A[^ ]*", "", line) for line in bare if line[:2] == "G1"] == moves


def test_a_letter_is_no_axis_and_plastic_at_once() -> None:
    profile = machine()
    odd = replace(profile, axes=replace(profile.axes, belt="-a"))
    with pytest.raises(Refused, match="the letter A"):
        toolpath(strip(odd), odd, AXES_ONLY)


@pytest.mark.parametrize(
    ("to", "filament", "speed", "seconds"),
    [
        # at 500 mm/s2 from rest to rest: the way at full speed, and v / a more
        ((100.0, 0.0, 0.0), 0.0, 50.0, 2.0 + 0.1),
        ((60.0, 80.0, 0.0), 1.0, 50.0, 2.0 + 0.1),
        # too short to get there: 0.2 mm are ended at 10 mm/s
        ((0.0, 0.2, 0.0), 0.0, 50.0, 0.02 + 0.02),
        ((0.0, 0.0, 0.0), -0.2, 50.0, 0.02 + 0.02),
        ((0.0, 0.0, 0.0), 0.0, 50.0, 0.0),
        # the belt runs at 8 mm/s at most: in a move of 3 : 4 the whole at 10
        ((0.0, 0.0, 80.0), 0.0, 50.0, 10.0 + 0.016),
        ((30.0, 0.0, 40.0), 0.0, 50.0, 5.0 + 0.02),
        ((0.0, 0.0, 80.0), 0.0, 4.0, 20.0 + 0.008),
    ],
)
def test_a_move_takes_its_way_and_its_rest(to, filament, speed, seconds) -> None:
    slow = {"max_speed.z": SavedSetting(Setting(8.0, "mm/s", 2))}
    clock = _clock(replace(machine(), settings=slow))
    assert clock((0.0, 0.0, 0.0), Move(to, filament, speed)) == pytest.approx(seconds)
    quick = {**slow, "acceleration.print": SavedSetting(Setting(2000.0, "mm/s2", 0))}
    faster = _clock(replace(machine(), settings=quick))
    assert faster((0.0, 0.0, 0.0), Move(to, filament, speed)) <= seconds


def test_an_edge_is_come_to_on_the_feed() -> None:
    """From beyond it by 2 mm where the belt stood at it or before it; on the belt alone."""
    edge, inner = Stroke(((5.0, 30.0),), edge=True), Stroke(((5.0, 30.0),))
    start = (5.0, 30.0, 0.25)
    way = ((5.0, 32.0, 0.25), start)
    for here in (None, (9.0, 20.0, 0.25), (9.0, 30.0, 0.25)):
        assert _approach(here, start, edge, True) == way
        assert _approach(here, start, edge, False) == (start,)
        assert _approach(here, start, inner, True) == (start,)
    assert _approach((9.0, 30.1, 0.25), start, edge, True) == (start,)


def test_a_piece_stays_within_the_travel_to_its_last_micrometre() -> None:
    """Across and gantry count from nought; the belt runs its length and is fed clear by 40 mm."""
    piece, travel = strip(machine()), {"across": 100.0, "gantry": 50.0, "belt": 90.0}

    def reaches(*places: tuple[float, float, float]) -> None:
        _check_reach(piece, travel, [Move(place, 0.0, 1.0) for place in places])

    reaches((0.0, 0.0, -20.0), (100.0, 50.0, 30.0))
    for place, role, span in (
        ((-0.1, 0.0, 0.0), "across", r"-0\.1 to 0\.0"),
        ((100.1, 0.0, 0.0), "across", r"0\.0 to 100\.1"),
        ((0.0, -0.1, 0.0), "gantry", r"-0\.1 to 0\.0"),
        ((0.0, 50.1, 0.0), "gantry", r"0\.0 to 50\.1"),
        ((0.0, 0.0, 50.1), "belt", r"0\.0 to 90\.1"),
    ):
        with pytest.raises(Refused, match=f"would move the {role} axis from {span} mm"):
            reaches((0.0, 0.0, 0.0), place)
    moves = [Move((0.0, 0.0, z), 0.0, 1.0) for z in (0.0, -70.0, -30.0)]
    assert _last_feed(moves) == -30.0 + 70.0 + 40.0


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (1.5, 4, "1.5"), (100.0, 4, "100"), (-0.00001, 4, "0"), (0.0, 4, "0"),
        (1.23456, 3, "1.235"),
        (1200.0, 0, "1200"), (0.4, 0, "0"), (-0.4, 0, "0"), (-3.0, 2, "-3"),
    ],
)  # fmt: skip
def test_numbers_of_a_line_have_no_idle_zeros(value: float, digits: int, text: str) -> None:
    assert number(value, digits) == text


def test_filament_is_drawn_back_on_long_ways_above_the_belt_alone() -> None:
    """0.8 mm where the nozzle travels more than 15 mm; flat pieces lie too low to ooze."""
    profile = machine()
    for name in ("post", "block", "strip"):
        lines = toolpath(PIECES[name](profile), profile)[11:-7]
        back = [n for n, line in enumerate(lines) if line == "G1 E-0.8 F1800"]
        again = [n for n, line in enumerate(lines) if line.startswith("G1 E0.8 F1800")]
        assert [n + 2 for n in back] == again
        assert bool(back) is (name != "strip")
