"""What moved tells a reflash from a change of the mechanics."""

from dataclasses import replace

import pytest

from agent.change.judgement import judge_change
from agent.model.settings import Readback
from agent.store.profiles import load_profile


@pytest.fixture
def heron():
    return replace(load_profile("heron"), identity="invented 1.0")


def live(profile, identity="invented 1.0", **moved):
    """What the controller says: as saved, but for values that moved (None: it is gone)."""
    settings = {key: kept.setting for key, kept in profile.settings.items()}
    for name, value in moved.items():
        key = name.replace("__", ".")
        if value is None:
            del settings[key]
        else:
            settings[key] = replace(settings[key], value=value)
    return Readback("replay", settings, identity=identity)


def test_nothing_moved(heron):
    assert judge_change(heron, live(heron)).kind == "same"
    assert judge_change(replace(heron, settings={}), live(heron)).kind == "same"


def test_a_pulley_moves_the_steps_of_its_axis_alone(heron):
    found = judge_change(heron, live(heron, steps_per_mm__y=100.0))
    assert found.kind == "mechanics"
    assert found.keys == ("steps_per_mm.y",)
    assert "+25.0 %" in found.text
    assert "'drive AXIS'" in found.remedy


def test_a_trim_is_no_new_part(heron):
    assert judge_change(heron, live(heron, steps_per_mm__x=79.75)).kind == "tuned"


def test_a_reflash_moves_several_kinds_together(heron):
    found = judge_change(
        heron,
        live(
            heron,
            max_speed__x=300.0,
            max_acceleration__x=3000.0,
            acceleration__print=3000.0,
            steps_per_mm__x=80.0,
        ),
    )
    assert found.kind == "reflash"
    assert "profile restore heron --preview" in found.remedy


def test_another_name_and_a_renamed_word_are_a_reflash(heron):
    """Plausible steps, as before; the motion word is gone and the controller names itself anew."""
    found = judge_change(heron, live(heron, "invented 2.0", junction_deviation=None))
    assert found.kind == "reflash"
    assert found.keys == ("junction_deviation",)
    assert found.found == (
        "the controller names itself otherwise, and not as saved: junction_deviation"
    )


def test_one_limit_was_changed_by_hand(heron):
    found = judge_change(heron, live(heron, max_speed__z=40.0))
    assert found.kind == "settings"
    assert "max_speed.z" in found.text


def test_a_written_value_behind_the_print_has_not_moved(heron):
    key = "steps_per_mm.x"
    kept = {**heron.settings, key: replace(heron.settings[key], written=80.004)}
    assert judge_change(replace(heron, settings=kept), live(heron)).kind == "same"


def test_a_damaged_reading_tells_nothing(heron):
    broken = replace(live(heron, steps_per_mm__x=8.0), damage=("cut",))
    assert judge_change(heron, broken).kind == "same"
