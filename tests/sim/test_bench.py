"""Each effect of a bench does what it says, at its size and at its place, and nothing else."""

import math
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import BadInput
from sim.bench import EFFECTS, LAPSES, Bench, bench_of, describe_effects
from sim.hand import Grip
from sim.machine import build
from sim.truth import Truth
from tests.sim.laying import HERON, flat_frame, start, tell, upright_box

BOX = (12.0, 10.0, 40.0)
OUTSIDE = Grip("outside")


def feature(kind, along, first, second, **more):
    return {"kind": kind, "along": along, "jaws": (first, second), **more}


WIDTH_X = feature("outside", (12, 0, 0), (20, 15, 20), (32, 15, 20))
HIGH = feature("outside", (0, 0, 40), (26, 15, 0), (26, 15, 40))
LEAN = feature("lean", (0, 0, 30), (26, 10, 5), (26, 10, 35))
OPPOSITE = feature("lean", (0, 0, 30), (26, 20, 5), (26, 20, 35), side="opposite")
FRAME_X = feature("outside", (60, 0, 0), (20, 30, 0.1), (80, 30, 0.1))
FRAME_S = feature("outside", (0, 40, 0), (50, 10, 0.1), (50, 50, 0.1))
INSIDE_X = feature("inside", (59, 0, 0), (20.5, 30, 0.1), (79.5, 30, 0.1))
UP = feature("outside", (60, 40, 0), (20, 10, 0.1), (80, 50, 0.1), between="points")


def machine(lines, number=0, **sizes):
    made = build(HERON, seed=None, truth=Truth(), bench=Bench(sizes, number))
    tell(made, [*start(), *lines, "M400"])
    return made


def frame(number=0, **sizes):
    return machine(flat_frame((60, 40)), number, **sizes)


def box(number=0, **sizes):
    return machine(upright_box(BOX), number, **sizes)


def shift(make, what, number=0, repeats=1, **sizes):
    """How far the mean reading of a feature is moved by effects."""
    clean = make(number).measure(what, "", 1)[0]
    return statistics.fmean(make(number, **sizes).measure(what, "", repeats)) - clean


def move(made, along, lines):
    tell(made, ["G91", *lines, "M400", "G90"])
    return made.measure({"kind": "travel", "along": along}, "", 1)[0]


# --- instrument ----------------------------------------------------------------------------------


def test_the_zero_is_in_every_reading_and_replaces_the_drawn_one():
    off = shift(frame, FRAME_X, zero=0.02)
    assert abs(off) == pytest.approx(0.02)
    assert shift(frame, INSIDE_X, zero=0.02) == pytest.approx(off)
    assert shift(box, LEAN, zero=0.02) == pytest.approx(off)
    assert {round(shift(frame, FRAME_X, n, zero=0.02), 6) for n in range(8)} == {0.02, -0.02}


def test_inside_jaws_are_off_by_themselves():
    assert abs(shift(frame, INSIDE_X, inside_jaws=0.03)) == pytest.approx(0.03)
    assert shift(frame, FRAME_X, inside_jaws=0.03) == pytest.approx(0)


def test_a_square_is_cancelled_by_the_opposite_face():
    usual, turned = shift(box, LEAN, square=0.03), shift(box, OPPOSITE, square=0.03)
    assert abs(usual) == pytest.approx(0.03)
    assert turned == pytest.approx(-usual)
    assert shift(box, WIDTH_X, square=0.03) == pytest.approx(0)


@given(st.integers(0, 50), st.floats(1, 200))
def test_the_error_by_length_stays_within_its_size(number, size):
    made = build(HERON, seed=None, bench=Bench({"by_length": 0.02}, number))
    off = made.caliper.read_each([size], OUTSIDE)[0] - size
    assert abs(off) <= 0.02 + 1e-9


def test_the_error_by_length_is_no_constant():
    made = build(HERON, seed=None, bench=Bench({"by_length": 0.02}))
    off = [made.caliper.read_each([size], OUTSIDE)[0] - size for size in range(10, 200, 5)]
    assert max(off) - min(off) > 0.01
    assert made.caliper.read_each([50.0], OUTSIDE) == made.caliper.read_each([50.0], OUTSIDE)


def test_the_caliper_scale_grows_with_length():
    long, short = (
        shift(frame, f, caliper_scale=0.1) / f["along"][i] for f, i in ((FRAME_X, 0), (FRAME_S, 1))
    )
    assert abs(long) == pytest.approx(0.001, rel=0.01)
    assert short == pytest.approx(long, rel=0.01)


def test_a_vernier_shows_steps_of_a_twentieth():
    [value] = frame(rounding=0.05).measure(FRAME_X, "", 1)
    assert value == pytest.approx(round(value / 0.05) * 0.05)


# --- hand ----------------------------------------------------------------------------------------


def test_jaws_askew_read_long():
    # outside L cos a + w sin a - L with w = 8 mm: about w times the mean of |a|, sd sqrt(2/pi)
    mean = 8 * math.radians(0.3) * math.sqrt(2 / math.pi)
    assert shift(box, WIDTH_X, repeats=2000, jaws_askew=0.3) == pytest.approx(mean, abs=0.003)
    inside = shift(frame, INSIDE_X, repeats=2000, jaws_askew=1.0)
    assert inside == pytest.approx(59 * math.radians(1) ** 2 / 2, abs=0.002)


def test_closing_force_takes_a_share_of_a_strip_and_a_little_of_a_block():
    assert shift(frame, FRAME_X, squeeze=0.1) == pytest.approx(-0.06, abs=0.001)
    assert shift(box, WIDTH_X, squeeze=0.02) == pytest.approx(-0.02)
    assert shift(box, WIDTH_X, squeeze=0.1) == pytest.approx(-0.05)


def test_the_hand_is_the_same_for_all_of_a_direction():
    x, s = (shift(frame, f, hand=0.02) for f in (FRAME_X, FRAME_S))
    assert shift(frame, INSIDE_X, hand=0.02) == pytest.approx(x)
    assert s != pytest.approx(x)
    drawn = [shift(frame, FRAME_X, n, hand=0.02) for n in range(60)]
    assert statistics.stdev(drawn) == pytest.approx(0.02, rel=0.4)


def test_scatter_has_the_size_asked_for_and_heavy_tails_when_rough():
    for size, outliers in ((0.015, 0.003), (0.04, 0.014)):
        made = build(HERON, seed=3, truth=Truth(), bench=Bench({"repeatability": size}, 3))
        values = made.caliper.read_each([50.0] * 4000, OUTSIDE)
        assert statistics.stdev(values) == pytest.approx(size, rel=0.15)
        far = sum(abs(v - 50) > 3 * size for v in values) / len(values)
        assert far == pytest.approx(outliers, rel=0.5)


def test_repeats_that_are_not_reseated_share_an_error():
    made = frame(not_reseated=0.03)
    first, again = (made.measure(FRAME_X, "", 5) for _ in range(2))
    assert max(first) - min(first) == pytest.approx(0)
    assert first[0] != pytest.approx(again[0])


def test_copied_values_have_no_spread():
    made = frame(repeatability=0.015, copied=1)
    assert len(set(made.measure(FRAME_X, "", 5))) == 1


# --- plastic -------------------------------------------------------------------------------------


def test_faces_stray_each_on_its_own_and_stay_as_they_are():
    made = frame(form=0.05)
    once, again = (made.measure(FRAME_X, "", 1)[0] for _ in range(2))
    assert once == again
    drawn = [shift(frame, FRAME_X, n, form=0.05) for n in range(60)]
    assert statistics.stdev(drawn) == pytest.approx(0.05 * math.sqrt(2), rel=0.3)


def test_a_wide_first_layer_shows_on_flat_pieces_alone():
    assert shift(frame, FRAME_X, first_layer=0.05) == pytest.approx(0.1)
    assert shift(frame, INSIDE_X, first_layer=0.05) == pytest.approx(-0.1)
    assert shift(box, WIDTH_X, first_layer=0.05) == pytest.approx(0)


def test_an_elephant_foot_is_cancelled_by_the_opposite_face():
    assert shift(box, LEAN, elephant_foot=0.1) == pytest.approx(0.1)
    assert shift(box, OPPOSITE, elephant_foot=0.1) == pytest.approx(-0.1)
    assert shift(box, HIGH, elephant_foot=0.1) == pytest.approx(-0.1)
    assert shift(box, WIDTH_X, elephant_foot=0.1) == pytest.approx(0)


def test_corners_swell():
    assert shift(box, WIDTH_X, corner_swell=0.05) == pytest.approx(0.05)
    assert shift(frame, UP, corner_swell=0.05) == pytest.approx(0.05)
    assert shift(frame, FRAME_X, corner_swell=0.05) == pytest.approx(0)  # its walls are long


def test_shrink_differs_by_direction():
    x, s = (
        shift(frame, f, shrink_by_direction=0.2) / f["along"][i]
        for f, i in ((FRAME_X, 0), (FRAME_S, 1))
    )
    assert x != pytest.approx(s, abs=1e-5)
    drawn = [shift(frame, FRAME_X, n, shrink_by_direction=0.2) / 60 for n in range(60)]
    assert statistics.stdev(drawn) == pytest.approx(0.002, rel=0.4)


def test_a_warm_piece_cools_while_it_is_read_and_while_one_waits():
    clean = frame().measure(FRAME_X, "", 1)[0]
    values = frame(warm=40.0).measure(FRAME_X, "", 30)
    assert values[0] - clean == pytest.approx(clean * 40 * 80e-6)
    assert values == sorted(values, reverse=True)
    waited = frame(warm=40.0)
    waited.wait(30)
    assert waited.measure(FRAME_X, "", 1)[0] == pytest.approx(clean, abs=0.001)


def test_a_curled_strip_shows_its_chord():
    # R = 1 m: 2 R sin(L / 2 R) of 40 mm
    chord = 2000 * math.sin(0.02)
    assert shift(frame, FRAME_S, curled=1.0) == pytest.approx(chord - 40, abs=1e-4)
    assert shift(frame, FRAME_X, curled=1.0) == pytest.approx(0)


# --- machine -------------------------------------------------------------------------------------


def test_lost_motion_is_in_each_move_that_turns_and_take_up_cancels_it():
    def made():
        return build(HERON, seed=None, truth=Truth(), bench=Bench({"lost_motion": 0.2}))

    assert move(made(), (50, 0, 0), ["G1 X-5 F3000", "G1 X50 F3000"]) == pytest.approx(49.8)
    assert move(made(), (50, 0, 0), ["G1 X5 F3000", "G1 X50 F3000"]) == pytest.approx(50.0)


def test_the_belt_runs_a_little_farther_in_one_piece_than_in_another():
    made = build(HERON, seed=None, truth=Truth(), bench=Bench({"belt_scale": 1.0}))
    lengths = []
    for name in ("one", "two"):
        tell(made, [*start(), f"M117 {name}", *flat_frame((60, 40)), "M400"])
        lengths.append(made.measure(FRAME_S, name, 1)[0])
    assert abs(lengths[0] - lengths[1]) > 0.02
    assert made.truth()["z_scale"] == pytest.approx(0)


def test_waves_of_the_belt_have_their_periods():
    turn = 9600 / 105.37  # a roller turn of the true machine, mm
    loop = HERON["mechanics"]["belt_loop_mm"]
    for name, period in (("roller_wave", turn), ("loop_wave", loop)):
        made = build(HERON, seed=None, truth=Truth(), bench=Bench({name: 0.1}))
        tell(made, ["G91", *[f"G1 Z{period / 8:.5f} F3000"] * 8, "M400"])
        end = made.measure({"kind": "travel", "along": (0, period, 0)}, "", 1)[0]
        assert end == pytest.approx(period, abs=0.015)
        parts = [
            made.measure({"kind": "travel", "along": (0, k * period / 8, 0)}, "", 1)[0]
            - k * period / 8
            for k in range(1, 9)
        ]
        assert 0.1 <= max(parts) - min(parts) <= 0.21


def test_a_belt_that_walks_shears_what_is_laid():
    lone = [abs(shift(frame, UP, n, belt_walk=20.0)) for n in range(5)]
    assert max(lone) > 0.1
    # walls of a shear g stand closer by cos g only: 20 mm of walk and a loop of 1460 mm at most
    least = 60 * (math.cos(math.atan(2 * math.pi * 20 / 1460)) - 1)
    assert least - 0.01 <= shift(frame, FRAME_X, belt_walk=20.0) <= 0.01


def test_a_bowed_rail_and_a_sagging_gantry_bend_what_they_carry():
    made = build(HERON, seed=None, truth=Truth(), bench=Bench({"rail_bow": 0.2}))
    ends = [made.bends.places(made.plant.frame, [u, 0.0, 0.0]) for u in (0.0, 80.0, 160.0)]
    middle = (ends[0] + ends[2]) / 2
    assert math.dist(ends[1], middle) == pytest.approx(0.2)
    made = build(HERON, seed=None, truth=Truth(), bench=Bench({"gantry_sag": 0.2}))
    top = made.bends.places(made.plant.frame, [0.0, 160.0, 0.0])
    assert top[2] == pytest.approx(160 * math.sqrt(0.5) - 0.2)


def test_a_warm_frame_prints_longer_than_it_moves_cold():
    assert shift(frame, FRAME_X, frame_hot=0.05) == pytest.approx(0.0005 * 60, abs=0.002)
    made = build(HERON, seed=None, truth=Truth(), bench=Bench({"frame_hot": 0.05}))
    assert move(made, (100, 0, 0), ["G1 X100 F3000"]) == pytest.approx(100, abs=0.01)
    assert made.truth()["x_scale"] == pytest.approx(0.0005)


def test_the_gauge_has_an_offset_a_scale_and_a_scatter():
    def off(length, **sizes):
        made = build(HERON, seed=None, truth=Truth(), bench=Bench(sizes))
        return move(made, (length, 0, 0), [f"G1 X{length} F3000"]) - length

    assert abs(off(100, gauge_offset=0.1)) == pytest.approx(0.1)
    assert abs(off(100, gauge_scale=0.1)) == pytest.approx(0.1)
    assert abs(off(200, gauge_scale=0.1)) == pytest.approx(0.2)
    made = build(HERON, seed=None, truth=Truth(), bench=Bench({"gauge_reading": 0.3}))
    readings = [made.caliper.read_gauge(100.0, 1)[0] for _ in range(200)]
    assert statistics.stdev(readings) == pytest.approx(0.3, rel=0.25)


# --- asking for them -----------------------------------------------------------------------------


def test_a_clean_bench_is_the_machine_as_before():
    assert not bench_of("none", (), 3)
    made = [build(HERON, seed=3, bench=b) for b in (None, bench_of("none", (), 3))]
    for m in made:
        tell(m, [*start(), *flat_frame((60, 40)), "M400"])
    assert made[0].measure(FRAME_X, "", 5) == made[1].measure(FRAME_X, "", 5)


def test_the_same_number_gives_the_same_bench():
    one, two = (bench_of("usual", (), 5) for _ in range(2))
    assert frame(5, **one.sizes).measure(UP, "", 3) == frame(5, **two.sizes).measure(UP, "", 3)


def test_an_own_size_stands_over_that_of_the_bench():
    bench = bench_of("usual", ("form=0.05", "squeeze=0", "copied"), 1)
    assert (bench.size("form"), bench.size("squeeze")) == (0.05, 0)
    assert bench.size("hand") == EFFECTS["hand"].usual
    assert all(name not in bench_of("rough").sizes for name in LAPSES)


def test_every_wrong_effect_is_named():
    with pytest.raises(BadInput) as caught:
        bench_of("usual", ("fomr=0.1", "hand=much", "zero=-1", "square=1e9"))
    text = str(caught.value)
    assert "did you mean 'form'" in text
    assert text.count("expected a size") == 3
    with pytest.raises(BadInput, match="no bench 'ideal'"):
        bench_of("ideal")


def test_the_page_of_effects_has_them_all():
    page = describe_effects()
    for name, effect in EFFECTS.items():
        assert name in page
        assert effect.says in page
        assert 0 <= effect.usual <= effect.rough


def test_an_effect_with_two_sizes_is_refused():
    name = next(iter(EFFECTS))
    with pytest.raises(BadInput) as refused:
        bench_of("usual", [f"{name}=0.1", f"{name}=0.2"])
    assert "given twice" in refused.value.problems[0].what
