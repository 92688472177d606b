"""`profile edit`, `profile check` and `profile set`: nothing is lost, nothing is written over."""

import json
import stat

import pytest

from agent.face.desk import Desk
from agent.face.main import run
from agent.store.profiles import load_profile, profile_path


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
    from agent.rehearsal import in_memory

    bench = in_memory()
    bench.machine.controller.live.update(live)
    desk = Desk(in_shell=True, rehearsal=bench)
    assert run(["attach", "--profile", "heron"], desk) == 0
    shown = capsys.readouterr().out.replace("\n", " ")
    assert ("Against the profile" in shown) == bool(said)
    assert said in shown
