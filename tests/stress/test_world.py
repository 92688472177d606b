"""The campaign's own geometry and effects do what they say; the table counts what it says."""

import json
import math
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.estimate import solve
from agent.estimate.observation import observe
from agent.store.readings import ReadingsFile, read_readings, readings_text
from tests.stress import judging, mistakes
from tests.stress.effects import EFFECTS, LAPSES, lay, sizes
from tests.stress.judging import Row, figures, judge, rows_of, survey_of, surveys
from tests.stress.world import Draft, Machines, exact, standard, values

NAMES = [f.name for f in standard().features]


def draft(count=3, seed=1):
    rng = np.random.default_rng(seed)
    return Draft(Machines.drawn(count, rng), standard(), rng)


def moved(name, size=None, count=3):
    """What an effect adds to the exact readings and to the values, (n, r) and (n, r, k)."""
    one, two = draft(count), draft(count)
    effect = EFFECTS[name]
    effect.lay(two, size or effect.usual or effect.rough)
    steady = exact(two) + two.more - exact(one)
    return steady, two.each, two


def at(array, name):
    return array[:, NAMES.index(name)]


def test_two_derivations_of_the_geometry_agree():
    """The product's prediction, derived on other paths, on machines as wild as priors allow."""
    drawn = draft(40)
    drawn.machines.zero[:] = 0
    surveyed = survey_of(drawn, values(drawn))
    for row, machine_values in enumerate(exact(drawn)):
        observations, unknowns = observe(surveyed[row])
        truth = {**vars(drawn.machines)}
        p = np.zeros(len(unknowns.names))
        for i, name in enumerate(unknowns.names):
            if name in truth:
                p[i] = truth[name][row]
            elif name.startswith("offset."):
                p[i] = drawn.machines.offset[name.removeprefix("offset.")][row]
        predicted = observations.predict(p)[0]
        assert predicted == pytest.approx(machine_values, abs=1e-9)


def test_a_true_machine_makes_nominal_pieces():
    drawn = draft(1)
    m = drawn.machines
    for name in ("ex", "ey", "ez", "delta", "psi", "rho", "eps", "shrink"):
        getattr(m, name)[:] = 0
    m.offset = {d: np.zeros(1) for d in m.offset}
    expected = [
        0.0 if f.kind in ("lean", "sway") else math.hypot(*f.along) for f in standard().features
    ]
    assert exact(drawn)[0] == pytest.approx(expected, abs=1e-9)


def test_height_error_and_lean_of_a_leaning_gantry_by_hand():
    drawn = draft(1)
    m = drawn.machines
    for name in ("ex", "ey", "ez", "psi", "rho", "eps", "shrink"):
        getattr(m, name)[:] = 0
    m.offset = {d: np.zeros(1) for d in m.offset}
    m.delta[:] = math.radians(1.0)
    y = exact(drawn)
    # (0, 0, H): gantry H / sin t, belt -H cot t; the gantry really climbs at t + d
    t, d, span = math.radians(45), math.radians(1.0), 91.11
    assert at(y, "post lean")[0] == pytest.approx(
        span * (math.cos(t + d) - math.cos(t)) / math.sin(t)
    )
    assert at(y, "post h1")[0] == pytest.approx(100.11 * math.sin(t + d) / math.sin(t), abs=0.02)


def test_constant_effects_enter_where_they_should():
    for name, hit, size in (
        ("inside_jaws", {"strip i1", "strip i2"}, 0.03),
        ("square", {n for n in NAMES if "lean" in n or "sway" in n}, 0.03),
        ("lost_motion", {n for n in NAMES if n.startswith("travel")}, 0.03),
        ("gauge_offset", {n for n in NAMES if n.startswith("travel")}, 0.03),
    ):
        steady, each, _ = moved(name)
        for i, feature in enumerate(NAMES):
            expected = size if feature in hit else 0.0
            assert np.abs(steady[:, i]) == pytest.approx(expected, abs=1e-9), (name, feature)
        assert not each.any()


def test_effects_by_hand():
    steady, _, _ = moved("first_layer", 0.05)
    assert at(steady, "strip x2") == pytest.approx(0.1)
    assert at(steady, "strip i1") == pytest.approx(-0.1)
    assert at(steady, "block x2") == pytest.approx(0.0)
    steady, _, _ = moved("curled", 1.0)
    assert at(steady, "strip s4") == pytest.approx(2000 * math.sin(182.21 / 2000) - 182.21)
    steady, _, _ = moved("rail_bow", 0.2)
    assert np.abs(at(steady, "strip x3")) == pytest.approx(0.2)
    assert np.abs(at(steady, "strip x1")) == pytest.approx(0.2 / 64)
    steady, _, _ = moved("gauge_scale", 0.1)
    assert np.abs(at(steady, "travel belt")) == pytest.approx(0.273, abs=1e-3)
    _, each, _ = moved("warm", 40.0)
    first = each[:, NAMES.index("strip s1"), 0]
    assert first == pytest.approx(40 * 80e-6 * 20)
    assert (np.diff(each[:, NAMES.index("strip s4")], axis=1) < 0).all()


def test_whole_roller_turns_do_not_see_the_roller():
    steady, _, _ = moved("roller_wave", 0.1, count=30)
    assert np.abs(at(steady, "strip s4")).max() < 0.002
    assert np.abs(at(steady, "strip s1")).max() > 0.05


def test_drawn_effects_have_their_size():
    count = 400
    for name, feature, expected in (
        ("form", "strip s1", 0.02 * math.sqrt(2)),
        ("hand", "strip x2", 0.02),
        ("not_reseated", "strip s1", 0.015),
    ):
        steady, _, _ = moved(name, count=count)
        assert float(at(steady, feature).std()) == pytest.approx(expected, rel=0.15), name
    steady, _, _ = moved("shrink_by_direction", count=count)
    assert float(at(steady, "strip x2").std()) == pytest.approx(0.05, rel=0.15)
    steady, _, _ = moved("by_length", count=count)
    assert float(np.abs(at(steady, "strip s1")).max()) <= 0.02 + 1e-12


def test_faces_that_two_readings_share_stray_alike():
    steady, _, _ = moved("form", count=400)
    # s1 to s4 begin at one face: half of their variance is common
    common = np.corrcoef(at(steady, "strip s1"), at(steady, "strip s2"))[0, 1]
    assert common == pytest.approx(0.5, abs=0.12)
    apart = np.corrcoef(at(steady, "strip s1"), at(steady, "strip x2"))[0, 1]
    assert apart == pytest.approx(0.0, abs=0.12)


def test_a_wrong_slicing_angle_leans_the_piece_and_leaves_moves_alone():
    steady, _, _ = moved("sliced_at", 0.2)
    # d(lean)/d(theta) = H / sin(theta)^2 ... of a piece drawn for another angle: H d(cot)/d theta
    assert np.abs(at(steady, "post lean")) == pytest.approx(0.318, rel=0.1)
    assert at(steady, "travel gantry") == pytest.approx(0.0)


def test_all_together_lays_every_habit_and_no_lapse():
    for bench in ("usual", "rough"):
        wanted = sizes(bench)
        assert set(wanted) == set(EFFECTS) - set(LAPSES)
        drawn = draft()
        lay(drawn, wanted)
        assert np.isfinite(values(drawn)).all()
    assert sizes("none") == {}


def test_surveys_read_back_from_their_files():
    for survey, *_ in surveys(Row("together", "together", tuple(sizes("usual").items())), 1, 0, 2):
        settings = {f"steps_per_mm.{letter}": v for letter, v in survey.steps_per_mm.items()}
        text = readings_text(ReadingsFile(survey, settings))
        assert read_readings(text.encode(), "x").survey == survey


@pytest.mark.parametrize("name", list(mistakes.MISTAKES))
@given(seed=st.integers(0, 10_000))
def test_a_mistake_changes_what_it_says_and_nothing_else(name, seed):
    [(clean, *_)] = surveys(Row("none", "none"), seed % 7, 0, 1)
    slip = mistakes.MISTAKES[name](clean.readings, np.random.default_rng(seed))
    changed = {
        i for i, (a, b) in enumerate(zip(clean.readings, slip.readings, strict=True)) if a != b
    }
    assert changed <= slip.where
    # a value may be its own other sign, or its neighbour's; then nothing is wrong
    assert changed or mistakes.moved(clean, slip)[0] < mistakes.MATTERS
    assert mistakes.NAMES[name]


def test_a_mistake_is_visible_as_far_as_other_readings_tell_of_it():
    [(clean, *_)] = surveys(Row("none", "none"), 3, 0, 1)
    [length] = [i for i, r in enumerate(clean.readings) if r.name == "strip x2"]
    [lonely] = [i for i, r in enumerate(clean.readings) if r.kind == "sway"]

    def off(i, by):
        wrong = replace(clean.readings[i], mm=tuple(x + by for x in clean.readings[i].mm))
        readings = (*clean.readings[:i], wrong, *clean.readings[i + 1 :])
        return mistakes.moved(clean, mistakes.Slip(readings, frozenset({i})))

    assert off(length, 0.4)[0] == pytest.approx(0.4)
    assert off(length, 0.4)[1] == pytest.approx(2 * off(length, 0.2)[1])
    assert off(length, 0.4)[1] > mistakes.VISIBLE
    # one sway alone: only what is known of such machines beforehand speaks against it
    assert off(lonely, 0.4)[1] < mistakes.VISIBLE


def test_the_judge_knows_right_from_wrong():
    [(survey, true, names, where, _)] = surveys(Row("none", "none"), 3, 0, 1)
    right = judge(survey, true, names, where)
    assert (right.failed, right.wrong, right.flagged, right.named) == ("", False, False, None)
    assert right.inside
    assert right.proposed
    assert right.needs
    wrong = judge(survey, {**true, "x_scale": true["x_scale"] + 0.02}, names, where)
    assert wrong.wrong
    assert not wrong.inside
    assert not wrong.inside95["x_scale"]


def test_what_is_left_after_the_change_by_hand():
    [(survey, true, *_)] = surveys(Row("none", "none"), 3, 0, 1)
    found = solve(survey).to_plain()
    left, changed = judging.after_change(survey, found, true)
    assert changed
    for correction in found["corrections"]:
        name = f"{correction['setting'][-1]}_scale"
        # as many more steps, so much farther it goes
        assert left[name] == pytest.approx(
            (1 + true[name]) * correction["new"] / correction["old"] - 1
        )


def test_figures_count():
    row = Row("form", "effect", (("form", 0.02),))
    hit = judging.Verdict(
        "",
        dict.fromkeys(judging.INSIDE, True),
        needs=True,
        proposed=True,
        wrong=False,
        flagged=False,
        named=None,
        inside=True,
    )
    none_held = dict.fromkeys(judging.INSIDE, False)
    miss = replace(hit, inside95=none_held, wrong=True, inside=False)
    gone = replace(
        hit, failed="refused", inside95={}, needs=False, proposed=False, flagged=True, named=False
    )
    got = figures(row, [hit, miss, gone])
    assert got["worst"] == 0.5
    assert got["silent_wrong"] == pytest.approx(1 / 3, abs=1e-4)
    assert got["flagged"] == pytest.approx(1 / 3, abs=1e-4)
    assert (got["proposed"], got["named"]) == (1.0, 0.0)
    assert got["refused"] == pytest.approx(1 / 3, abs=1e-4)


def test_rows_can_be_chosen_with_a_size():
    [row] = rows_of("usual", ["form=0.05"])
    assert row.size == 0.05
    with pytest.raises(ValueError, match="no row 'fomr'"):
        rows_of("usual", ["fomr"])
    assert [r.name for r in rows_of("none")] == ["none"]


def test_the_command_prints_a_table_and_json():
    def run(*words):
        command = [sys.executable, "-m", "tests.stress", "--machines", "3", "--jobs", "1", *words]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    assert "inch" in run("--only", "inch")
    [row] = json.loads(run("--only", "form=0.05", "--json"))["rows"]
    assert (row["row"], row["size"], row["machines"]) == ("form", 0.05, 3)
    assert set(row["coverage"]) == set(judging.INSIDE)
