"""Restoring after a flash: what is kept comes back and is proved, the rest has its reason."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.change.restore import restore, sort_profile
from agent.change.storing import look, store
from agent.change.transaction import read_clean, write
from agent.errors import Refused
from agent.families import FAMILIES, identify
from agent.families.replay import Replay
from agent.model.profile import Profile, SavedSetting
from agent.model.settings import Event, Readback, Setting
from agent.store.profiles import with_settings
from agent.wire.link import Link
from sim.machine import SimulatedMachine, build
from sim.script import Script
from tests.change.bench import HERON, HERON_PLAIN, holding
from tests.change.journal import MemoryJournal
from tests.memory import MemoryTransport

#: A value that was tuned and written with more digits than are printed.
TUNED = 105.98765


def saved(**more: float) -> Profile:
    """heron as it was saved, with further settings."""
    settings = dict(HERON.settings)
    for name, value in more.items():
        settings[name.replace("__", ".")] = SavedSetting(Setting(value, "1", 2))
    return replace(HERON, settings=settings)


def attach(machine: SimulatedMachine) -> Link:
    return Link(MemoryTransport(machine.controller))


def flashed(family: str) -> tuple[SimulatedMachine, Profile]:
    """A tuned machine whose profile was saved, and which then got new firmware."""
    machine = build(HERON_PLAIN, seed=None, family=family)
    controller = machine.controller
    controller.live["steps_per_mm.z"] = TUNED
    controller.stored = dict(controller.live)
    controller.apply()
    link = attach(machine)
    found, identity = identify(link)
    assert found is not None
    readback = replace(read_clean(link, found), identity=identity)
    profile = with_settings(
        HERON, readback, read_at="now", read_from="memory", written={"steps_per_mm.z": TUNED}
    )
    controller.reflash()
    controller.power_on(link.transport.now())
    return machine, profile


@pytest.mark.parametrize(
    ("family", "factory"),
    [
        ("replay", 4000.0),  # far too large for a belt
        ("numbered", 4000.0),
        ("table", 4000.0),
        ("override", 4000.0),  # a new card holds the board's own file, and no override
    ],
)
def test_after_a_flash_all_that_can_be_kept_comes_back_and_is_proved(
    family: str, factory: float
) -> None:
    machine, profile = flashed(family)
    link = attach(machine)
    found, _ = identify(link)
    assert found is not None
    readback = read_clean(link, found)
    assert readback.settings["steps_per_mm.z"].value == factory
    preview = restore(profile, readback, found, events=link.events)
    assert list(preview.blocked) == (["belt"] if factory == 4000.0 else [])
    assert preview.plan.retype == ()  # the digest is enough: all was measured here
    journal = MemoryJournal()
    outcome = write(link, found, preview.plan, preview.plan.digest, journal=journal)
    assert outcome.verified
    if found.words.store is not None:
        looked = look(link, found, preview.plan, journal=journal)
        others = "store them too" if looked.others else None
        outcome = store(
            link, found, preview.plan, looked, looked.digest, journal=journal, others=others
        )
        assert outcome.stored
    machine.controller.power_on(link.transport.now())
    again = restore(profile, read_clean_after_boot(machine), found)
    assert again.plan.empty
    assert again.blocked == {}
    assert machine.controller.live["steps_per_mm.z"] == pytest.approx(TUNED, abs=1e-9)


def read_clean_after_boot(machine: SimulatedMachine) -> Readback:
    link = attach(machine)
    link.settle(quiet=2.0)
    family, _ = identify(link)
    assert family is not None
    return read_clean(link, family)


def test_the_boot_line_says_that_storing_wipes_what_was_there() -> None:
    machine, profile = flashed("replay")
    link = attach(machine)
    link.settle(quiet=2.0)
    family, _ = identify(link)
    assert family is not None
    preview = restore(profile, read_clean(link, family), family, events=link.events)
    assert any("storing writes it anew" in note for note in preview.notes)


def test_a_script_controller_gets_the_lines_for_its_file() -> None:
    machine, profile = flashed("script")
    link = attach(machine)
    family, _ = identify(link)
    assert family is not None
    preview = restore(profile, read_clean(link, family), family)
    journal = MemoryJournal()
    outcome = write(link, family, preview.plan, preview.plan.digest, journal=journal)
    assert outcome.verified
    with pytest.raises(Refused, match=r"does not cover.*M92 Z105\.98765"):
        look(link, family, preview.plan, journal=journal)


def test_everything_saved_gets_a_verdict_and_a_reason() -> None:
    profile = replace(
        saved(
            jerk__x=8.0,
            skew__i=0.01,
            motor_current__x=800.0,
            hotend_pid__p=22.1,
            bed_pid__p=60.0,
            probe_offset__x=-3.0,
            probe_offset__z=-1.2,
            home_offset__x=0.5,
            segment_time=20000.0,
        ),
        other=("echo:  M420 S1 Z10", "M350 X16 Y16", "  M145 S0 H180", "G29 W I0 J0 Z-0.1"),
    )
    verdicts = {item.key: item.verdict for item in sort_profile(profile)}
    assert {key: verdict for key, verdict in verdicts.items() if verdict != "keep"} == {
        "junction_deviation": "never replay",
        "jerk.x": "never replay",
        "skew.i": "never replay",
        "motor_current.x": "never replay",
        "segment_time": "never replay",
        "hotend_pid.p": "measure again",
        "bed_pid.p": "measure again",
        "probe_offset.z": "measure again",
        "echo:  M420 S1 Z10": "measure again",
        "G29 W I0 J0 Z-0.1": "measure again",
        "M350 X16 Y16": "never replay",
        "  M145 S0 H180": "never replay",
    }
    assert all(item.reason for item in sort_profile(profile))


def test_what_the_new_firmware_lacks_is_named_with_what_it_has_instead() -> None:
    profile = saved(max_travel__x=220)
    settings = dict(profile.settings)
    settings["max_speed.x@quiet"] = SavedSetting(Setting(90.0, "mm/s", 2))
    preview = restore(replace(profile, settings=settings), holding(), Replay())
    reasons = {item.key: item.reason for item in preview.cannot}
    assert reasons["max_travel.x"] == "the new firmware does not report this setting"
    assert reasons["max_speed.x@quiet"] == "the new firmware has no such mode, only max_speed.x"


def test_a_saved_value_that_the_mechanics_refuse_stays_out_and_the_rest_goes_on() -> None:
    profile = saved(steps_per_mm__x=800.0)
    preview = restore(profile, holding(steps_per_mm__z=4000.0), Replay())
    assert preview.plan.wanted == {"steps_per_mm.z": 105.37}
    [refused] = [item for item in preview.cannot if item.key == "steps_per_mm.x"]
    assert "slipped decimal" in refused.reason


def test_full_precision_comes_back_where_it_was_kept() -> None:
    settings = dict(HERON.settings)
    settings["steps_per_mm.x"] = SavedSetting(Setting(80.12, "step/mm", 2), 80.12345)
    preview = restore(replace(HERON, settings=settings), holding(), Replay())
    assert preview.plan.lines == ("M92 X80.12345",)


def test_values_of_another_machine_count_as_copied() -> None:
    profile = replace(HERON, identity="bench 1", family="numbered")
    preview = restore(profile, replace(holding(steps_per_mm__x=81.0), identity="bench 2"), Replay())
    assert any("copied until they are measured" in note for note in preview.notes)
    assert any("family 'numbered'" in note for note in preview.notes)


def test_a_controller_without_storage_is_named() -> None:
    preview = restore(HERON, holding(), Replay(), events=[Event("no_storage")])
    assert any("nothing will survive" in note for note in preview.notes)


def test_a_damaged_reading_restores_nothing() -> None:
    with pytest.raises(Refused, match="two readings differ"):
        restore(HERON, holding(damage=("two readings differ",)), Replay())


def test_the_preview_says_it_all() -> None:
    profile = replace(saved(hotend_pid__p=22.1), other=("M145 S0 H180",))
    preview = restore(profile, holding(steps_per_mm__z=4000.0), Replay())
    plain = preview.to_plain()
    assert plain["lines"] == ["M92 Z105.37"]
    assert plain["digest"] == preview.plan.digest
    assert [item["key"] for item in plain["measure_again"]] == ["hotend_pid.p"]
    assert {item["key"] for item in plain["cannot"]} == {"junction_deviation", "M145 S0 H180"}
    assert list(plain["blocked"]) == ["belt"]


def test_no_family_is_left_out() -> None:
    assert set(FAMILIES) == {"replay", "numbered", "table", "override", "script"}


def test_a_saved_value_beyond_what_is_usual_is_asked_about_and_typed_again() -> None:
    settings = {**holding().settings, "home_offset.z": Setting(0.0, "mm", 2, "M206 Z0.00")}
    preview = restore(saved(home_offset__z=4000.0), replace(holding(), settings=settings), Replay())
    assert preview.plan.wanted == {"home_offset.z": 4000.0}
    assert preview.plan.retype == ("home_offset.z",)
    assert "beyond what is usual" in preview.plan.asks[0]


def test_one_excessive_cap_leaves_the_sound_steps_in_the_plan() -> None:
    settings = {**HERON.settings, "max_speed.x": SavedSetting(Setting(900.0, "mm/s", 2))}
    settings["steps_per_mm.x"] = SavedSetting(Setting(80.3, "step/mm", 2))
    preview = restore(replace(HERON, settings=settings), holding(), Replay())
    assert preview.plan.wanted == {"steps_per_mm.x": 80.3}
    assert "max_speed.x" in {item.key for item in preview.cannot}


@pytest.mark.parametrize("family", FAMILIES)
def test_a_reflash_is_rehearsed_on_every_family(family: str) -> None:
    """`sim --fault layout`: attach, restore, keep, and after a power cycle all is there again."""
    machine = build(HERON_PLAIN, seed=None, family=family, faults=["layout"])
    link = attach(machine)
    card, _ = identify(link)
    assert card is not None
    found = read_clean(link, card)
    assert found.settings["steps_per_mm.z"].value == 4000.0
    preview = restore(HERON, found, card, events=link.events)
    assert list(preview.blocked) == ["belt"]
    journal = MemoryJournal()
    outcome = write(link, card, preview.plan, preview.plan.digest, journal=journal)
    assert outcome.verified
    told = outcome.to_plain()
    assert told["kept_by"] == card.words.kept_by
    assert told["stored"] is (card.words.kept_by == "writing")
    assert bool(told["hand_over"]) is (card.words.kept_by == "file")
    match card.words.kept_by:
        case "storing":
            looked = look(link, card, preview.plan, journal=journal)
            others = "store them too" if looked.others else None
            assert store(
                link, card, preview.plan, looked, looked.digest, journal=journal, others=others
            ).stored
        case "file":
            assert any(card.words.file in warning for warning in preview.plan.warnings)
            for line in outcome.hand_over:  # the technician edits the file
                edit(machine, line)
    machine.controller.power_on(link.transport.now())
    again = restore(HERON, read_clean_after_boot(machine), card)
    assert again.plan.empty
    assert again.blocked == {}


def edit(machine: SimulatedMachine, line: str) -> None:
    """Put a line of the hand-over into the start-up script, as it stands."""
    controller = machine.controller
    assert isinstance(controller, Script)
    live, controller.live = controller.live, dict(controller.file)
    controller.do(line)
    controller.file, controller.live = dict(controller.live), live
