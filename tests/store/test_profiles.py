"""Profiles: exact round trip, found by name, strict, never over another file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from agent.errors import BadInput, Refused
from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.profile import BedScrews, Material, Mechanics, Profile, SavedSetting
from agent.model.settings import Readback, Setting
from agent.store.profiles import (
    find_profile,
    load_profile,
    open_profile,
    profile_names,
    profile_path,
    profile_text,
    read_profile,
    save_profile,
    with_settings,
)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    return tmp_path


def test_the_ready_profile_is_found_by_name_and_says_what_its_file_says() -> None:
    heron = load_profile("heron")
    assert heron.mechanics == Mechanics(
        gantry_angle_deg=45,
        drives={
            "across": Drive(200, 16, 1, Toothed(20, 2)),
            "gantry": Drive(200, 16, 1, Toothed(20, 2)),
            "belt": Drive(200, 16, 3, Roller(28.0, 1.0)),
        },
        travel_mm={"across": 220, "gantry": 200, "belt": 5000},
        belt_loop_mm=1460,
        max_pulse_rate=40000,
        screws=BedScrews(320, 0.7),
        yaw_span_mm=300,
    )
    assert heron.settings["steps_per_mm.z"] == SavedSetting(Setting(105.37, "step/mm", 2))
    assert len(heron.settings) == 16
    assert "invented" in heron.note


def test_every_part_of_a_profile_survives_its_file() -> None:
    profile = Profile(
        name="b-2.1",
        note="a 'note': with # marks, und Ümlaute",
        family="override",
        mechanics=Mechanics(
            gantry_angle_deg=35.123456789,
            drives={
                "across": Drive(400, 32, 2.5, Toothed(20, 2, u_relative=0.0007)),
                "gantry": Drive(200, 16, 1, Screw(8, u_relative=1e-3 / 3)),
                "belt": Drive(200, 16, 13.7, Roller(28.1, 1.2, 0.4, 0.01, 0.02, 0.05)),
            },
            screws=BedScrews(100, 0.77),
        ),
        settings={
            "steps_per_mm.x": SavedSetting(Setting(80.01, "step/mm", 2, "M92 X80.01"), 80.0123),
            "max_speed.x@quiet": SavedSetting(Setting(1 / 3, "mm/s", 4, tolerance=0.0005 / 60)),
            "motor_current.z_2": SavedSetting(Setting(800, "mA", 0)),
            "home_offset.x": SavedSetting(Setting(-1.5, "mm", 1)),
        },
        other=("M145 S0 H180 B70 F0", "echo:; something: else"),
        identity='a "controller" 1.2',
        read_at="2026-11-25T10:00:00+00:00",
        read_from="socket://127.0.0.1:7000",
    )
    assert read_profile(profile_text(profile).encode(), "again.yaml") == profile


def test_a_saved_profile_hides_the_ready_one_and_is_never_replaced_unseen() -> None:
    mine = replace(load_profile("heron"), note="mine")
    saved = save_profile(mine)
    assert load_profile("heron") == mine
    assert profile_names()["heron"] == find_profile("heron") == profile_path("heron")
    with pytest.raises(Refused, match="is there already"):
        save_profile(mine)
    newer = save_profile(replace(mine, note="newer"), expect=saved.stamp)
    with pytest.raises(Refused, match="has changed since it was read"):
        save_profile(mine, expect=saved.stamp)
    assert open_profile("heron") == newer


@pytest.mark.parametrize("name", ["../x", "a/b", ".hidden", "", "a b", "a\nb", "x" * 65])
def test_a_name_that_is_no_file_name_is_refused(name: str) -> None:
    with pytest.raises(BadInput, match="a name of letters"):
        profile_path(name)


def test_an_unknown_name_is_answered_with_the_nearest_one() -> None:
    with pytest.raises(BadInput, match="no profile is named 'herron'; did you mean 'heron'"):
        load_profile("herron")


@pytest.mark.parametrize(
    ("setting", "what"),
    [
        ("steps_per_mm.x: {value: 0, digits: 2}", "above 0"),
        ("steps_per_mm.x: {value: -80, digits: 2}", "above 0"),
        ("steps_per_mm.x: {value: .nan, digits: 2}", "finite"),
        ("steps_per_mm.x: {value: 80, digits: 2, unit: step/in}", "expected the unit step/mm"),
        (
            "steps_per_mm.x: {value: 80, digits: 2, written: 80.006}",
            "not be printed as 80.00",
        ),
        ("steps_per_mm.x: {value: 80}", "missing"),
        ("steps_per_mm.x: 80", "expected a setting"),
        ("step_per_mm.x: {value: 80, digits: 2}", "did you mean 'steps_per_mm'"),
        ('"steps_per_mm.x M500": {value: 80, digits: 2}', "expected something like"),
        ('steps_per_mm.x: {value: 80, digits: 2, raw: "M92\\nM500"}', "line breaks"),
    ],
)
def test_a_setting_that_cannot_be_is_refused_at_its_line(setting: str, what: str) -> None:
    text = f"format: plumbelt-profile/1\nname: a\nsettings:\n  {setting}\n"
    with pytest.raises(BadInput) as caught:
        read_profile(text.encode(), "a.yaml")
    [problem] = caught.value.problems
    assert problem.line == 4
    assert what in problem.what


def test_the_value_written_stays_beside_the_printed_one_while_they_agree() -> None:
    def step(value: float) -> Setting:
        return Setting(value, "step/mm", 2)

    before = replace(
        load_profile("heron"),
        settings={
            "steps_per_mm.x": SavedSetting(step(80.12), 80.1234),
            "steps_per_mm.y": SavedSetting(step(80.12), 80.1234),
        },
    )
    readback = Readback(
        "replay",
        {
            "steps_per_mm.x": step(80.12),  # as it was
            "steps_per_mm.y": step(81.00),  # somebody changed it
            "steps_per_mm.z": step(105.40),  # written just now
        },
        identity="a controller",
    )
    after = with_settings(
        before,
        readback,
        read_at="2026-11-25T10:00:00+00:00",
        read_from="memory",
        written={"steps_per_mm.z": 105.3987},
    )
    assert after.settings == {
        "steps_per_mm.x": SavedSetting(step(80.12), 80.1234),
        "steps_per_mm.y": SavedSetting(step(81.00), None),
        "steps_per_mm.z": SavedSetting(step(105.40), 105.3987),
    }
    assert (after.identity, after.family) == ("a controller", "replay")


def test_nothing_is_saved_from_a_damaged_reading() -> None:
    damaged = Readback("replay", {}, damage=("the two readings differ",))
    with pytest.raises(Refused, match="the two readings differ"):
        with_settings(load_profile("heron"), damaged, read_at="", read_from="")


def test_text_of_a_controller_cannot_break_out_of_the_file() -> None:
    hostile = 'x"\nsettings: {} \x1b[2J'
    profile = Profile(name="a", identity=hostile, other=(hostile,))
    again = read_profile(profile_text(profile).encode(), "a.yaml")
    assert again.identity == again.other[0] == 'x"?settings: {} ?[2J'


def test_words_of_a_controller_are_kept_as_far_as_a_file_may_hold_them() -> None:
    long = "board\x07 " + "a" * 600
    text = profile_text(Profile("crane", identity=long, other=(long, "short")))
    back = read_profile(text.encode(), "a file")
    assert back.identity == ("board? " + "a" * 600)[:500]
    assert back.other == (back.identity, "short")


def test_a_text_says_what_is_not_known() -> None:
    text = profile_text(Profile("crane"))
    for gap in ("gantry_angle_deg", "travel_mm", "drives.across", "drives.gantry", "drives.belt"):
        assert f"  # {gap}: not known" in text
    assert "nozzle_c" not in text
    text = profile_text(Profile("crane", material=Material(name="PETG", bed_c=70)))
    assert "  # nozzle_c: not known" in text
    assert "  # bed_c" not in text
    whole = profile_text(load_profile("heron"))
    assert "not known\n" not in whole.partition("mechanics:")[2]
