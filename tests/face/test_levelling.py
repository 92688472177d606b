"""`shim` over points and screws, and `gauge bed`."""

import json
import math

import pytest

from agent.errors import BadInput
from agent.face import levelling
from agent.face.desk import Desk
from agent.face.main import run
from agent.model.bed import Point
from agent.model.profile import Post, Stand
from agent.store.machine import STAND
from agent.store.strict import read_sheet

BED = b"""screw: M4
fixed: front-left
at: {front-left: [0, 0], front-right: [240, 0], rear-left: [0, 300], rear-right: [240, 300]}
"""


def answer(capsys, *line):
    code = run([*line, "--json"])
    out, err = capsys.readouterr()
    return code, json.loads(out) if out else {}, err


def test_a_bed_on_four_screws(tmp_path, capsys):
    """0.001 up across and nothing along: the right side goes down by 0.24 mm, M4 has 0.7 a turn."""
    bed = tmp_path / "bed.yaml"
    bed.write_bytes(BED)
    points = [("0", "0", "0"), ("240", "0", "0.24"), ("0", "300", "0"), ("240", "300", "0.24")]
    line = [word for point in points for word in ("--at", *point)]
    code, found, _ = answer(capsys, "shim", *line, "--screw", "M4", "--screws", str(bed))
    assert code == 0
    assert found["plane"]["tilt_across_deg"] == pytest.approx(math.degrees(math.atan(0.001)))
    assert found["plane"]["tilt_along_deg"] == pytest.approx(0.0, abs=1e-9)
    assert found["plane"]["u"] > 0
    told = {turn["screw"]: (turn["direction"], turn["turns"]) for turn in found["turns"]}
    assert told["front-left"] == ("leave", 0.0)
    assert told["rear-left"][0] == "leave"
    for name in ("front-right", "rear-right"):
        assert told[name] == ("lower", pytest.approx(0.24 / 0.7))


def test_points_come_from_a_file_and_gaps_count_the_other_way(tmp_path, capsys):
    rows = tmp_path / "heights.txt"
    rows.write_text("# x s gap\n0 0 0.30\n240; 0; 0,10   # closer\n0 300 0.30\n")
    code, found, _ = answer(capsys, "shim", "--points", str(rows), "--gaps")
    assert code == 0
    assert found["plane"]["tilt_across_deg"] == pytest.approx(math.degrees(math.atan(0.2 / 240)))
    assert found["turns"] == []
    rows.write_text("0 0 0.3\n240 0\nx 1 2\n")
    code, _, err = answer(capsys, "shim", "--points", str(rows))
    assert code == 2
    assert f"{rows}:2  expected three numbers" in err
    assert f"{rows}:3  expected a number" in err


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ((b"front-left\nat", b"front-lift\nat"), "fixed names 'front-lift'"),
        ((b"screw: M4", b"screw: M4\npitch_mm: 0.7"), "either screw"),
        ((b", rear-left: [0, 300], rear-right: [240, 300]", b""), "three screws at least"),
        ((b"[240, 0]", b"[240]"), "exactly 2"),
    ],
)
def test_a_file_of_screws_names_its_mistakes(tmp_path, capsys, change, said):
    bed = tmp_path / "bed.yaml"
    bed.write_bytes(BED.replace(*change))
    code, _, err = answer(
        capsys,
        "shim",
        *["--at", "0", "0", "0", "--at", "9", "0", "0", "--at", "0", "9", "0", "--screws"],
        str(bed),
    )
    assert code == 2
    assert said in err


def test_a_stand_reads_back():
    stand = read_sheet(BED, "bed.yaml", STAND)
    assert stand == Stand(
        0.7,
        {"front-left": Post(0, 0), "front-right": Post(240, 0), "rear-left": Post(0, 300),
         "rear-right": Post(240, 300)},
        "front-left",
    )  # fmt: skip


def test_gauge_bed_asks_round_the_corners_and_keeps_the_roll(monkeypatch, capsys):
    from dataclasses import replace

    from agent.store.profiles import load_profile
    from agent.work.session import Session

    heron = load_profile("heron")
    stand = read_sheet(BED, "bed.yaml", STAND)
    bench = replace(heron, mechanics=replace(heron.mechanics, stand=stand))
    desk = Desk(in_shell=True)
    desk.session = Session(bench)
    asked = []

    def reply(question):
        asked.append(question)
        return {"front-right": "0,2", "rear-right": "0.2"}.get(question.split()[0], "0.4")

    desk.screen.ask_with(reply)
    assert run(["gauge", "bed"], desk) == 0
    assert [question.split()[0] for question in asked] in (
        ["front-left", "front-right", "rear-right", "rear-left"],
        ["front-left", "rear-left", "rear-right", "front-right"],
    )
    (taken,) = desk.session.now.taken
    assert taken.reading.kind == "gap"
    assert taken.reading.along == (240.0, 0.0, 0.0)
    assert taken.reading.mm == (pytest.approx(-0.2),)
    said = capsys.readouterr().out
    assert "0,2 is understood as 0.2 mm" in said
    assert "front-right" in said
    assert "lower" in said


@pytest.mark.parametrize(
    ("told", "in_shell", "answers", "gaps", "asked"),
    [
        (True, True, [], True, 0),
        (False, True, [], False, 0),
        (None, False, [], False, 0),
        (None, True, ["gaps"], True, 1),
        (None, True, ["Heights"], False, 1),
        (None, True, [""], False, 1),
        (None, True, ["perhaps", "gaps"], True, 2),
    ],
)
def test_whether_numbers_are_gaps_is_told_or_asked(
    told, in_shell, answers, gaps, asked, monkeypatch
):
    """Where nobody can be asked they are heights, as the help says."""
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    desk, questions, left = Desk(in_shell=in_shell), [], list(answers)

    def answer(question):
        questions.append(question)
        return left.pop(0)

    desk.screen.ask_with(answer)
    assert levelling._are_gaps(desk, told) is gaps
    assert len(questions) == asked


@pytest.mark.parametrize(
    ("typed", "asked", "mm"),
    [
        (["3"], 1, 3.0),
        (["-3"], 1, -3.0),
        (["3.1", "yes"], 2, 3.1),
        (["-3.1", "no", "0.3"], 3, 0.3),
        (["wide", "0,3"], 2, 0.3),
    ],
)
def test_a_gap_wider_than_feeler_gauges_is_asked_about(typed, asked, mm):
    """Up to 3 mm either way is what a set of them measures."""
    desk, questions, left = Desk(in_shell=True), [], list(typed)

    def answer(question):
        questions.append(question)
        return left.pop(0)

    desk.screen.ask_with(answer)
    assert levelling._asked_gap(desk, "front-left", 0.0, 0.0) == mm
    assert len(questions) == asked


@pytest.mark.parametrize(
    ("pitch", "screw", "stand", "mm"),
    [
        (None, None, None, None),
        (0.5, None, None, 0.5),
        (None, "M4", None, 0.7),
        (None, None, 0.8, 0.8),
        (0.5, None, 0.8, 0.5),
        (None, "M4", 0.8, 0.7),
        (0.5, "M4", None, "both are given"),
        (None, "M7", None, "not a coarse thread"),
    ],
)
def test_the_height_of_a_turn_is_the_nearest_that_is_told(pitch, screw, stand, mm):
    """Coarse pitch of M4: 0.7 mm (ISO 261)."""
    of_bed = None if stand is None else Stand(stand, {})
    if isinstance(mm, str):
        with pytest.raises(BadInput) as refusal:
            levelling._pitch(pitch, screw, of_bed)
        assert mm in str(refusal.value.problems[0])
    else:
        assert levelling._pitch(pitch, screw, of_bed) == mm


CORNERS = ((0, 0), (240, 0), (0, 300), (240, 300))


@pytest.mark.parametrize(
    ("heights", "u", "said", "unsaid"),
    [
        ((0, 0, 0, 0), 0.05, ["not told from level", "may be left as it is"], ["bent"]),
        ((0, 0.4, 0, 0.4), 0.01, ["tilt across", "higher at greater x"], ["bent", "may be left"]),
        ((0.4, 0, 0.4, 0), 0.01, ["higher at smaller x"], ["bent"]),
        ((0, 0, 0.4, 0.4), 0.01, ["higher at greater s"], ["bent"]),
        ((0.4, 0.4, 0, 0), 0.01, ["higher at smaller s"], ["bent"]),
        ((0.4, 0, 0, 0.4), 0.01, ["the bed is bent or twisted"], []),
    ],
)
def test_how_a_bed_stands_is_told_in_words(heights, u, said, unsaid, capsys):
    line = ["shim", "--heights", "--screws", "egret", "--pitch", "0.5", "--u", str(u)]
    for (x, s), h in zip(CORNERS, heights, strict=True):
        line += ["--at", str(x), str(s), str(h)]
    assert run(line) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert all(words in told for words in said), told
    assert not any(words in told for words in unsaid), told
    assert "0.5 mm a turn." in told
    assert run(line[:2] + line[8:]) == 0  # the same without the u, and without any screws
    told = " ".join(capsys.readouterr().out.split())
    assert "tilt along" in told
    assert "mm a turn" not in told


def test_a_roll_that_no_plane_tells_is_not_kept():
    """Two screws make no plane; of a plane the tilt across counts over the width of the bed."""
    desk = Desk(in_shell=True)
    two = [Point(0, 0, 0.1), Point(240, 0, 0.3)]
    levelling._keep_roll(desk, two, None)
    assert desk.session.now.taken == ()
    levelling._keep_roll(desk, [*two, Point(0, 300, 0.1)], 0.02)
    (taken,) = desk.session.now.taken
    assert (taken.piece, taken.reading.along) == ("travel", (240.0, 0.0, 0.0))
    assert taken.reading.mm == (pytest.approx(-0.2),)
    # the difference of two heights of 0.02 mm each
    assert taken.reading.u_mm == pytest.approx(0.02 * math.sqrt(2))
