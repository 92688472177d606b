"""Comparing profiles, a profile with a controller, and what is live with what is stored."""

from __future__ import annotations

from dataclasses import replace

from agent.change.compare import (
    Difference,
    compare_live_with_stored,
    compare_profiles,
    compare_settings,
    compare_with_live,
)
from agent.model.drive import Drive, Roller
from agent.model.settings import Setting
from tests.change.bench import HERON, heron, holding
from tests.change.journal import MemoryJournal


def step(value: float, digits: int = 2) -> Setting:
    return Setting(value, "step/mm", digits)


def test_settings_differ_where_the_digits_cannot_hide_it() -> None:
    left = {"a": step(80.0), "b": step(80.0), "c": step(80.0), "d": step(80.0)}
    right = {"a": step(80.0), "b": step(80.0044, 4), "c": step(80.0123, 4), "e": step(1.0)}
    assert compare_settings(left, right) == (
        Difference("c", "80.00", "80.0123", "step/mm", (80.0123 / 80 - 1) * 100),
        Difference("d", "80.00", None, "step/mm"),
        Difference("e", None, "1.00", "step/mm"),
    )


def test_what_only_one_of_two_profiles_has_is_a_difference_both_ways() -> None:
    without = replace(HERON, mechanics=replace(HERON.mechanics, yaw_span_mm=None))
    (lost,) = compare_profiles(HERON, without)
    assert (lost.key, lost.left, lost.right) == ("mechanics.yaw_span_mm", "300", None)
    (found,) = compare_profiles(without, HERON)
    assert (found.key, found.left, found.right) == ("mechanics.yaw_span_mm", None, "300")


def test_a_profile_is_like_itself_wherever_it_was_read() -> None:
    assert compare_profiles(HERON, replace(HERON, name="twin", read_at="later", note="x")) == ()


def test_two_profiles_differ_in_mechanics_and_settings() -> None:
    drives = {**HERON.mechanics.drives, "belt": Drive(200, 16, 3, Roller(28.4, 1.0))}
    settings = {**HERON.settings}
    settings["max_speed.x"] = replace(settings["max_speed.x"], setting=Setting(150.0, "mm/s", 2))
    other = replace(HERON, mechanics=replace(HERON.mechanics, drives=drives), settings=settings)
    found = compare_profiles(HERON, other)
    assert [(d.key, d.left, d.right) for d in found] == [
        ("mechanics.drives.belt.roller_mm", "28", "28.4"),
        ("max_speed.x", "180.00", "150.00"),
    ]
    assert str(found[1]) == "max_speed.x: 180.00 | 150.00 mm/s (-16.7 %)"


def test_a_profile_against_a_controller() -> None:
    [found] = compare_with_live(HERON, holding(steps_per_mm__z=4000.0))
    assert (found.key, found.left, found.right) == ("steps_per_mm.z", "105.37", "4000.00")


def test_live_against_stored_leaves_every_live_value_as_it_was() -> None:
    bench = heron()
    bench.live.update({"steps_per_mm.x": 80.61234, "max_speed.y": 100.0})
    before = dict(bench.live)
    found = compare_live_with_stored(
        bench.link,
        bench.family,
        "heron",
        journal=MemoryJournal(),
        exactly=lambda key, setting: 80.61234 if key == "steps_per_mm.x" else setting.value,
    )
    assert [(c.key, c.old, c.new) for c in found.others] == [
        ("steps_per_mm.x", 80.0, 80.61234),
        ("max_speed.y", 160.0, 100.0),
    ]
    assert bench.live == before
