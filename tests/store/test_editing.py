"""One key set in a text that a person wrote."""

import pytest

from agent.store.editing import with_key
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile, profile_text, read_profile
from agent.store.yamltext import Bare

READY = sorted(ready_profiles().glob("*.yaml"))


def others(text, key):
    """Lines that do not name the key."""
    return [line for line in text.splitlines() if key not in line]


@pytest.mark.parametrize("path", READY, ids=lambda path: path.stem)
def test_everything_else_stays_as_it_was_written(path):
    text = path.read_text()
    set_to = with_key(text, "mechanics.gantry_angle_deg", Bare("37.5"))
    assert others(set_to, "gantry_angle_deg") == others(text, "gantry_angle_deg")
    assert read_profile(set_to.encode(), "x").mechanics.gantry_angle_deg == 37.5
    added = with_key(text, "mechanics.yaw_span_mm", Bare("280"))
    assert others(added, "yaw_span_mm") == others(text, "yaw_span_mm")
    assert read_profile(added.encode(), "x").mechanics.yaw_span_mm == 280


@pytest.mark.parametrize("path", READY, ids=lambda path: path.stem)
def test_a_table_on_one_line_is_opened(path):
    text = with_key(path.read_text(), "material.nozzle_c", Bare("231"))
    before = load_profile(path)
    after = read_profile(text.encode(), "x")
    assert after.material.nozzle_c == 231
    assert after.material.name == before.material.name
    assert (after.mechanics, after.settings) == (before.mechanics, before.settings)


@pytest.mark.parametrize("path", READY, ids=lambda path: path.stem)
def test_a_profile_as_we_write_it_reads_back_and_says_what_is_unknown(path):
    from dataclasses import replace

    found = load_profile(path)
    assert read_profile(profile_text(found).encode(), "x") == found
    mechanics = replace(found.mechanics, gantry_angle_deg=None, drives={})
    gap = replace(found, mechanics=mechanics)
    text = profile_text(gap)
    assert "  # gantry_angle_deg: not known" in text
    assert read_profile(text.encode(), "x") == gap
    told = with_key(text, "mechanics.gantry_angle_deg", Bare("35"))
    assert "not known" not in next(line for line in told.splitlines() if "gantry_angle" in line)
    assert read_profile(told.encode(), "x").mechanics.gantry_angle_deg == 35


def test_a_remark_behind_the_value_stays():
    text = "mechanics:\n  gantry_angle_deg: 45   # by the sheet\n  belt_loop_mm: 1000\n"
    assert with_key(text, "mechanics.gantry_angle_deg", Bare("40")) == text.replace("45", "40")


def test_a_key_that_lies_deep_is_refused():
    with pytest.raises(ValueError, match="too deep"):
        with_key("", "mechanics.drives.belt.ratio", Bare("3"))


@pytest.mark.parametrize(
    ("line", "remark"),
    [
        ("name: crane   # by me", "   # by me"),
        ('name: "crane # two" # by me', " # by me"),
        ('name: "crane # two"', ""),
        ("name: 'a # b'", ""),
        ("name: a#b # it's so", " # it's so"),
        ('name: "a \\" # b" # c', " # c"),
        ("name: crane", ""),
    ],
)
def test_a_remark_behind_a_value_stays_and_a_mark_within_it_is_none(line, remark):
    assert with_key(f"{line}\nnote: b\n", "name", "stork") == f"name: stork{remark}\nnote: b\n"
    table = f"material:\n  {line}\n  bed_c: 60\n"
    set_to = with_key(table, "material.name", "stork")
    assert set_to == f"material:\n  name: stork{remark}\n  bed_c: 60\n"


def test_a_key_is_set_in_its_own_table_and_no_other():
    text = "bead:\n  name: a\nmaterial:\n  name: b\nlink:\n  name: c\n"
    for section, old in (("bead", "a"), ("material", "b"), ("link", "c")):
        new = text.replace(f"name: {old}", "name: x")
        assert with_key(text, f"{section}.name", "x") == new
        added = with_key(text, f"{section}.note", "x")
        assert added == text.replace(f"{section}:\n", f"{section}:\n  note: x\n")
