import math
import re
from dataclasses import replace

import numpy as np
import pytest

from agent.errors import Refused, Unknown
from agent.model.profile import Mechanics, SavedSetting
from agent.model.roles import Axes
from agent.model.settings import Setting
from agent.model.wording import Wording
from agent.pieces import PIECES, block, post, strip, summary, timed_toolpath, toolpath
from agent.pieces.bead import filament_area
from agent.pieces.layers import to_layer
from agent.pieces.solid import SOLID, Piece, Prism, box
from tests.pieces.machines import ANGLES, machine
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
    assert laid == pytest.approx(piece.volume, rel=0.04)
    assert laid < piece.volume


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
