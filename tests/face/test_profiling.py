"""`profile edit`, `profile check` and `profile set`: nothing is lost, nothing is written over."""

import json
import stat
from dataclasses import replace

import pytest

from agent.errors import Unknown
from agent.face.desk import Desk
from agent.face.main import run
from agent.face.profiling import _value, keep_drive, keep_key, told_now
from agent.model.interview import read_drive
from agent.store.profiles import load_profile, profile_path
from agent.work.session import Session


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("VISUAL", raising=False)


def editor(tmp_path, monkeypatch, program):
    """EDITOR is a script that changes the file it is given."""
    script = tmp_path / "edit.sh"
    script.write_text("#!/bin/sh\n" + program)
    script.chmod(script.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("EDITOR", str(script))


def test_a_ready_profile_is_edited_as_the_users_own(tmp_path, monkeypatch, capsys):
    editor(tmp_path, monkeypatch, 'sed -i "s/belt_loop_mm: 1460/belt_loop_mm: 1500 # mine/" "$1"')
    assert run(["profile", "edit", "heron"]) == 0
    assert load_profile("heron").mechanics.belt_loop_mm == 1500
    assert "# mine" in profile_path("heron").read_text()
    assert not profile_path("heron").with_name("heron.yaml.edited").exists()


def test_a_text_with_mistakes_is_kept_and_the_profile_stays(tmp_path, monkeypatch, capsys):
    editor(tmp_path, monkeypatch, 'sed -i "s/gantry_angle_deg: 45/gantry_angle_deg: 450/" "$1"')
    desk = Desk()
    desk.screen.ask_with(lambda question: "no")
    assert run(["profile", "edit", "heron"], desk) == 2
    assert "gantry_angle_deg" in capsys.readouterr().err
    assert load_profile("heron").mechanics.gantry_angle_deg == 45
    draft = profile_path("heron").with_name("heron.yaml.edited")
    assert "gantry_angle_deg: 450" in draft.read_text()
    editor(tmp_path, monkeypatch, 'sed -i "s/gantry_angle_deg: 450/gantry_angle_deg: 40/" "$1"')
    assert run(["profile", "edit", "heron"], desk) == 0
    assert load_profile("heron").mechanics.gantry_angle_deg == 40
    assert not draft.exists()


def test_an_edit_by_hand_in_the_meantime_is_never_written_over(tmp_path, monkeypatch, capsys):
    assert run(["profile", "set", "mechanics.belt_loop_mm", "1500", "--profile", "heron"]) == 0
    own = profile_path("heron")
    editor(
        tmp_path,
        monkeypatch,
        f'sed -i "s/1500/1600/" "$1"\nsed -i "s/1500/1700/" "{own}"\n',
    )
    assert run(["profile", "edit", "heron"]) == 1
    assert load_profile("heron").mechanics.belt_loop_mm == 1700
    assert "1600" in own.with_name("heron.yaml.edited").read_text()
    assert "Your text is kept" in capsys.readouterr().err.replace("\n", " ")


def test_no_editor_is_told(monkeypatch, capsys):
    monkeypatch.delenv("EDITOR", raising=False)
    assert run(["profile", "edit", "heron"]) == 1
    assert "no editor is named" in capsys.readouterr().err.lower()


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("mechanics.gantry_angle_deg", "450", "at most 90"),
        ("mechanics.gantry_angel_deg", "45", "did you mean 'gantry_angle_deg'"),
        ("mechanics.drives.belt.ratio", "3", "too deep"),
        ("material.name", "", "expected a line of text"),
    ],
)
def test_a_wrong_key_or_value_changes_nothing(key, value, said, capsys):
    assert run(["profile", "set", key, value, "--profile", "heron"]) == 2
    assert said in capsys.readouterr().err.replace("\n", " ")
    assert not profile_path("heron").exists()


def test_check_names_each_gap_and_what_it_forbids(tmp_path, capsys):
    bare = tmp_path / "bare.yaml"
    bare.write_text("format: plumbelt-profile/1\nname: bare\n")
    assert run(["profile", "check", str(bare), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["complete"] is False
    keys = [gap["key"] for gap in found["gaps"]]
    assert keys[0] == "mechanics.gantry_angle_deg"
    assert {"material.nozzle_c", "mechanics.drives.belt", "mechanics.travel_mm.across"} <= {*keys}
    assert all(gap["forbids"] for gap in found["gaps"])
    assert run(["profile", "check", "heron", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["complete"] is True


@pytest.mark.parametrize(
    ("live", "said"),
    [
        ({}, ""),
        ({"steps_per_mm.y": 100.0}, "a part of the drive that was replaced"),
        ({"steps_per_mm.y": 79.5}, "a tune that was made elsewhere"),
        (
            {"max_speed.x": 300.0, "max_acceleration.x": 3000.0, "acceleration.print": 3000.0},
            "a reflash or a reset to factory values",
        ),
    ],
)
def test_attach_tells_a_reflash_from_a_replaced_part(live, said, capsys):
    from tests.memory import in_memory

    bench = in_memory()
    bench.machine.controller.live.update(live)
    desk = Desk(in_shell=True, rehearsal=bench)
    assert run(["attach", "--profile", "heron"], desk) == 0
    shown = capsys.readouterr().out.replace("\n", " ")
    assert ("Against the profile" in shown) == bool(said)
    assert said in shown


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("35.0", "35.0"),  # digits stay as they were typed
        ("35,5", "35.5"),
        ("1,2,3", "1,2,3"),
        ("one, two", "one, two"),
        ("{across: 200}", {"across": 200}),
        ("[1, 2]", [1, 2]),
        ("[1", "[1"),
    ],
)
def test_a_value_is_taken_as_yaml_would_read_it(typed, value):
    assert _value(typed) == value


def test_a_key_of_the_machine_at_hand_is_kept_in_its_file_and_counts_at_once():
    """A ready profile stays as it is; the user's own lies in its place from then on."""
    desk = Desk()
    desk.session = Session(load_profile("heron"))
    kept, path = keep_key(desk, "mechanics.belt_loop_mm", "1500")
    assert (kept.mechanics.belt_loop_mm, path) == (1500, profile_path("heron"))
    assert desk.session.profile.mechanics.belt_loop_mm == 1500
    kept, path = keep_key(desk, "mechanics.gantry_angle_deg", "44,5")
    assert path == profile_path("heron")
    found = load_profile("heron").mechanics
    assert (found.belt_loop_mm, found.gantry_angle_deg) == (1500, 44.5)
    assert desk.session.profile.mechanics.gantry_angle_deg == 44.5
    keep_key(desk, "mechanics.belt_loop_mm", "900", "egret")  # another machine's
    assert load_profile("egret").mechanics.belt_loop_mm == 900
    assert desk.session.profile.mechanics.belt_loop_mm == 1500


def test_a_key_of_a_machine_without_a_file_counts_for_the_session(capsys):
    desk = Desk()
    desk.session = Session(replace(load_profile("heron"), name="bench"))
    line = ["profile", "set", "mechanics.belt_loop_mm", "1500"]
    assert run([*line, "--json"], desk) == 0
    document = json.loads(capsys.readouterr().out)
    assert document == {"key": "mechanics.belt_loop_mm", "file": None, "profile": "bench"}
    assert desk.session.profile.mechanics.belt_loop_mm == 1500
    assert not profile_path("bench").exists()
    assert run(line, desk) == 0
    assert "kept for this session; 'profile save NAME' keeps it." in capsys.readouterr().out
    assert run([*line, "--profile", "heron"], desk) == 0
    said = "".join(capsys.readouterr().out.split())  # a long path is broken anywhere
    assert f"iskeptin{profile_path('heron')}." in said


def test_a_drive_is_kept_beside_those_of_the_other_axes():
    desk = Desk()
    desk.session = Session(load_profile("heron"))
    before = desk.session.profile.mechanics.drives
    new = read_drive("lead 8")
    keep_drive(desk, "gantry", new)
    assert load_profile("heron").mechanics.drives == {**before, "gantry": new}
    others = load_profile("egret").mechanics.drives
    keep_drive(desk, "gantry", new, "egret")
    assert load_profile("egret").mechanics.drives == {**others, "gantry": new}


@pytest.mark.parametrize(
    ("key", "answers", "kept", "asked"),
    [
        ("mechanics.belt_loop_mm", ["", "1500"], None, ""),
        ("mechanics.belt_loop_mm", ["long", "1500"], 1500, ""),
        ("mechanics.belt_loop_mm", ["-5", ""], None, ""),
        ("mechanics.travel_mm", ["220 200", "220 200 5000"], 5000, ", three numbers in mm: across"),
        ("mechanics.drives.belt", ["roller", "lead 8"], 8, ", its parts: 'teeth 20 pitch 2', 'le"),
    ],
)
def test_what_a_verb_lacks_is_asked_for_until_it_can_be(key, answers, kept, asked, capsys):
    """Enter leaves it unknown; what is wrong is told in a line, and asked for again."""
    desk = Desk()
    desk.session = Session(load_profile("heron"))
    questions = []

    def answer(question):
        questions.append(" ".join(question.split()))
        return answers[len(questions) - 1]

    desk.screen.ask_with(answer)
    assert told_now(desk, Unknown(key, "the machine is not known well enough")) is bool(kept)
    assert capsys.readouterr().out.startswith("The machine is not known well enough.\n")
    assert questions[0].startswith(f"{key}{asked}")
    assert questions[0].endswith("(Enter: leave it unknown):")
    assert len(questions) == (1 if answers[0] == "" else 2)
    found = load_profile("heron").mechanics
    values = {
        "mechanics.belt_loop_mm": found.belt_loop_mm,
        "mechanics.travel_mm": found.travel_mm["belt"],
        "mechanics.drives.belt": getattr(found.drives["belt"].output, "lead", 0),
    }
    assert profile_path("heron").exists() is bool(kept)
    assert not kept or values[key] == kept


@pytest.mark.parametrize(
    ("visual", "editor_", "said"),
    [
        ("", "false", "the editor left with code 1"),
        ("false", "true", "the editor left with code 1"),  # VISUAL comes first
        ("", "no-such-editor -x", "the editor 'no-such-editor -x' cannot be started"),
        ("'", "", "No closing quotation"),
    ],
)
def test_an_editor_that_fails_loses_no_text(visual, editor_, said, monkeypatch, capsys):
    monkeypatch.setenv("VISUAL", visual)
    monkeypatch.setenv("EDITOR", editor_)
    assert run(["profile", "edit", "heron"]) == 1
    told = " ".join(capsys.readouterr().err.split())
    assert said.lower() in told.lower()
    assert not profile_path("heron").exists()


def test_a_text_that_was_not_changed_leaves_no_file(monkeypatch, capsys):
    monkeypatch.setenv("EDITOR", "true")
    assert run(["profile", "edit", "heron", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document == {"file": str(profile_path("heron")), "changed": False}
    assert run(["profile", "edit", "heron"]) == 0
    assert capsys.readouterr().out == "Nothing was changed.\n"
    assert list(profile_path("heron").parent.iterdir()) == []


def test_a_text_with_mistakes_is_opened_again_where_that_is_wished(tmp_path, monkeypatch, capsys):
    """Each mistake is told before it is opened again; an earlier text is gone on with."""
    program = 'sed -i "s/deg: 450/deg: 40/; t; s/deg: 45$/deg: 450/" "$1"'
    editor(tmp_path, monkeypatch, program)
    desk = Desk()
    asked = []
    desk.screen.ask_with(lambda question: (asked.append(question), "yes")[1])
    assert run(["profile", "edit", "heron", "--json"], desk) == 0
    said = capsys.readouterr()
    assert json.loads(said.out) == {"file": str(profile_path("heron")), "changed": True}
    assert "Warning:" in said.err
    assert "gantry_angle_deg" in said.err
    assert len(asked) == 1
    assert load_profile("heron").mechanics.gantry_angle_deg == 40
    draft = profile_path("heron").with_name("heron.yaml.edited")
    draft.write_bytes(profile_path("heron").read_bytes().replace(b"deg: 40", b"deg: 450"))
    assert run(["profile", "edit", "heron"], desk) == 0
    assert "Going on with" in capsys.readouterr().out
    assert not draft.exists()


def test_what_is_known_is_checked_in_words(tmp_path, capsys):
    assert run(["profile", "check", "heron"]) == 0
    said = capsys.readouterr().out
    assert said == "Complete: nothing is missing, and nothing in it is doubtful.\n"
    bare = tmp_path / "bare.yaml"
    bare.write_text("format: plumbelt-profile/1\nname: bare\n")
    assert run(["profile", "check", str(bare)]) == 1
    said = capsys.readouterr().out
    assert said.startswith("not known ")
    assert "what that forbids" in said.splitlines()[0]
    assert "Complete" not in said


@pytest.mark.parametrize(("name", "code"), [("heron", 1), ("egret", 0)])
def test_the_profile_of_the_machine_at_hand_is_checked_against_it(name, code, capsys):
    """A live value that cannot belong to the drive is doubtful, but not to another machine's."""
    from tests.memory import in_memory

    bench = in_memory()
    bench.machine.controller.live["steps_per_mm.y"] = 8.0
    desk = Desk(in_shell=True, rehearsal=bench)
    assert run(["attach", "--profile", "heron"], desk) == 0
    capsys.readouterr()
    assert run(["profile", "check", name], desk) == code
    assert ("Warning:" in capsys.readouterr().out) == bool(code)


def test_answers_from_a_file_are_named_by_their_line(tmp_path, capsys):
    """Remarks are passed over, but count as lines."""
    answers = tmp_path / "answers.txt"
    answers.write_text("# axes\nx y -z\n  # the angle\n450\n")
    assert run(["profile", "new", "mine", "--answers", str(answers)]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert "answers:4" in said
    answers.write_text("35\n")
    assert run(["profile", "new", "mine", "--answers", str(answers)]) == 1
    assert "'profile new mine' goes on" in capsys.readouterr().err.replace("\n", " ")
