"""Readings files: what they hold, and what is wrong with wrong ones."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import BadInput, Refused
from agent.model.drive import Drive, Roller, Toothed
from agent.model.feature import KINDS, Reading
from agent.model.profile import BedScrews, Instrument, Material, Mechanics, Priors, Tolerance
from agent.model.roles import Axes
from agent.model.survey import BeltRun, Conditions, Survey
from agent.store.atomic import ABSENT
from agent.store.readings import (
    ReadingsFile,
    dump_readings,
    load_readings,
    read_readings,
    readings_text,
)

WHOLE = """\
format: plumbelt-readings/1
family: replay
axes: {across: x, gantry: y, belt: -z}
mechanics:
  gantry_angle_deg: 35
  drives:
    belt: {full_steps: 200, microsteps: 16, ratio: 3, roller_mm: 28, belt_mm: 1.0}
    across: {full_steps: 200, microsteps: 16, teeth: 20, pitch_mm: 2}
  screws: {span_mm: 320, screw: M4}
settings: {steps_per_mm: {x: 80, y: 80, z: 105.25, e0: 412}, max_speed: {x: 180}}
instrument: {resolution_mm: 0.01, mpe_mm: 0.03}
material: {shrink_percent: 0.3, shrink_u_percent: 0.1}
tolerance: {scale_percent: 0.1, angle_deg: 0.1}          # optional
priors: {scale_percent: 3, angle_deg: 1.5, yaw_deg: 1, rail_deg: 0.5, roll_deg: 0.5, offset_mm: 0.3}
conditions: {room_c: 23.5, minutes_since_print: 40}
readings:
  - {feature: outside, along: [0, 20, 0],  mm: [20.31, 20.30, 20.33], name: L20}
  - {feature: outside, along: [80, 80, 0], mm: [113.30], between: points}
  - {feature: lean,    along: [0, 0, 40],  mm: [-0.62]}
  - {feature: travel,  along: [0, 200, 0], mm: [201.4], u_mm: 0.1}
belt_run: {commanded: [0, 50, 100], measured: [0.0, 50.1, 100.3], load: part}
"""


def test_a_whole_file_becomes_a_survey(tmp_path: Path) -> None:
    path = tmp_path / "heron.yaml"
    path.write_text(WHOLE)
    survey = Survey(
        readings=(
            Reading("outside", (0, 20, 0), (20.31, 20.30, 20.33), name="L20"),
            Reading("outside", (80, 80, 0), (113.30,), "points"),
            Reading("lean", (0, 0, 40), (-0.62,)),
            Reading("travel", (0, 200, 0), (201.4,), u_mm=0.1),
        ),
        mechanics=Mechanics(
            gantry_angle_deg=35,
            drives={
                "belt": Drive(200, 16, 3, Roller(28, 1.0)),
                "across": Drive(200, 16, 1.0, Toothed(20, 2)),
            },
            screws=BedScrews(320, 0.7),
        ),
        steps_per_mm={"x": 80, "y": 80, "z": 105.25, "e0": 412},
        max_speed={"x": 180},
        axes=Axes(belt="-z"),
        instrument=Instrument(0.01, 0.03),
        material=Material(shrink_percent=0.3, shrink_u_percent=0.1),
        tolerance=Tolerance(0.1, 0.1),
        priors=Priors(3, 1.5, 1, 0.5, 0.5, 0.3),
        conditions=Conditions(room_c=23.5, minutes_since_print=40),
        belt_runs=(BeltRun((0, 50, 100), (0.0, 50.1, 100.3), load="part"),),
    )
    assert load_readings(path) == ReadingsFile(
        survey,
        settings={
            "steps_per_mm.x": 80,
            "steps_per_mm.y": 80,
            "steps_per_mm.z": 105.25,
            "steps_per_mm.e0": 412,
            "max_speed.x": 180,
        },
        family="replay",
    )


def test_runs_of_several_axes_are_a_list_and_read_back() -> None:
    one = "{commanded: [0, 50, 100], measured: [0.0, 50.1, 100.3], load: part}"
    other = "{commanded: [0, 50, 100], measured: [0, 50, 100], approach: both, axis: gantry}"
    text = WHOLE.replace(f"belt_run: {one}", f"belt_run: [{one}, {other}]")
    file = read_readings(text.encode(), "test")
    assert [run.axis for run in file.survey.belt_runs] == ["belt", "gantry"]
    written = readings_text(file)
    assert written.count("axis: ") == 1  # of the belt nothing need be said
    assert read_readings(written.encode(), "test") == file
    with pytest.raises(BadInput) as refused:
        read_readings(text.replace("gantry}", "sideways}").encode(), "test")
    assert any("one of across, gantry, belt" in p.what for p in refused.value.problems)


def test_the_least_file_has_one_reading_and_the_usual_values() -> None:
    text = b"format: plumbelt-readings/1\nreadings: [{feature: gap, along: [9, 0, 0], mm: [0]}]\n"
    file = read_readings(text, "least.yaml")
    assert file == ReadingsFile(Survey((Reading("gap", (9, 0, 0), (0,)),)))


@pytest.mark.parametrize(
    ("change", "key", "what"),
    [
        (("readings:", "reading:"), "reading", "did you mean 'readings'?"),
        (("along: [0, 20, 0]", "along: [0, 0, 0]"), "readings[1]", "three zeros"),
        (("along: [0, 20, 0]", "along: [0, 20]"), "readings[1].along", "exactly 3"),
        (("along: [0, 20, 0]", "along: [0, .nan, 0]"), "readings[1].along[2]", "finite"),
        (("mm: [113.30]", "mm: []"), "readings[2].mm", "at least 1"),
        (("mm: [113.30]", "mm: 113.30"), "readings[2].mm", "expected a list"),
        (("mm: [113.30]", "mm: [-113.30]"), "readings[2]", "above 0"),
        (("x: 80,", "x: 0,"), "settings.steps_per_mm.x", "more than 0"),
        (("x: 80,", "q: 80,"), "settings.steps_per_mm.q", "letter of an axis"),
        (("x: 80,", "xx: 80,"), "settings.steps_per_mm.xx", "letter of an axis"),
        (("x: 80,", "z: 80,"), "settings.steps_per_mm.z", "given twice"),
        (("feature: lean", "feature: tilt"), "readings[3].feature", "one of outside"),
        (("u_mm: 0.1", "u_mm: 0"), "readings[4].u_mm", "more than 0"),
        (("belt: -z", "belt: -y"), "axes", "three different letters"),
        (("roller_mm: 28, ", ""), "mechanics.drives.belt", "a roller wants both"),
        (("teeth: 20,", "lead_mm: 8, teeth: 20,"), "mechanics.drives.across", "one of"),
        (("screw: M4", "screw: M4.5"), "mechanics.screws", "coarse thread"),
        (("measured: [0.0, 50.1,", "measured: [50.1,"), "belt_run", "3 commanded"),
        (("readings/1", "readings/2"), "format", "one of plumbelt-readings/1"),
    ],
)
def test_one_mistake_is_named_at_its_key(change: tuple[str, str], key: str, what: str) -> None:
    text = WHOLE.replace(*change)
    assert text != WHOLE
    with pytest.raises(BadInput) as caught:
        read_readings(text.encode(), "wrong.yaml")
    found = {p.key: p.what for p in caught.value.problems}
    assert what in found[key]


@pytest.mark.parametrize("size", [10, 200, 700])
def test_a_file_cut_short_never_passes_for_a_whole_one(size: int) -> None:
    whole = read_readings(WHOLE.encode(), "whole.yaml")
    try:
        assert read_readings(WHOLE.encode()[:size], "cut.yaml") != whole
    except BadInput as error:
        assert error.problems  # noqa: PT017 - a cut may also leave a smaller, valid file


def test_a_file_without_a_reading_says_so() -> None:
    with pytest.raises(BadInput, match="at least one reading"):
        read_readings(b"format: plumbelt-readings/1\nreadings: []\n", "empty.yaml")


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be read: no such file"):
        load_readings(tmp_path / "absent.yaml")


lengths = st.floats(min_value=-1e5, max_value=1e5)
readings = st.builds(
    Reading,
    st.sampled_from(KINDS),
    st.tuples(lengths, lengths, st.floats(min_value=1e-3, max_value=1e5)),
    st.lists(st.floats(min_value=1e-3, max_value=1e5), min_size=1, max_size=4).map(tuple),
    st.sampled_from([None, "faces", "points"]),
    st.none() | st.floats(min_value=1e-6, max_value=100),
    st.text("abc 1:#'\"{}[]-_äµ", max_size=20),
)


@given(st.lists(readings, min_size=1, max_size=4), st.floats(min_value=5, max_value=90))
def test_every_file_that_is_written_reads_back_equal(found: list[Reading], angle: float) -> None:
    survey = Survey(tuple(found), mechanics=Mechanics(gantry_angle_deg=angle))
    file = ReadingsFile(survey, note="a: note # of sorts")
    assert read_readings(readings_text(file).encode(), "again.yaml") == file


def test_writing_never_replaces_a_file_that_changed_meanwhile(tmp_path: Path) -> None:
    path = tmp_path / "heron.yaml"
    file = read_readings(WHOLE.encode(), "heron.yaml")
    stamp = dump_readings(path, file, expect=ABSENT)
    dump_readings(path, replace(file, note="first"), expect=stamp)
    with pytest.raises(Refused, match="has changed since it was read"):
        dump_readings(path, replace(file, note="second"), expect=stamp)
    assert load_readings(path).note == "first"
