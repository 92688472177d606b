"""Plans: the exact lines, in order, under a digest that changes with anything that matters."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.change.plan import Change, Plan, make_plan, snapshot_digest
from agent.errors import Refused
from agent.families.replay import Replay
from agent.model.profile import Profile
from agent.model.settings import Readback
from tests.change.bench import HERON, holding

FAMILY = Replay()


def readback(**values: float) -> Readback:
    return replace(holding(**values), identity="a controller")


def plan(wanted: dict[str, float], profile: Profile = HERON, **values: float) -> Plan:
    return make_plan(readback(**values), wanted, FAMILY, machine="heron", profile=profile)


def test_a_plan_holds_all_that_is_asked_and_sent() -> None:
    made = make_plan(
        readback(),
        {"steps_per_mm.z": 104.5, "steps_per_mm.x": 80.123456789, "steps_per_mm.y": 80.0},
        FAMILY,
        machine="heron",
        profile=HERON,
        why={"steps_per_mm.z": "travel says so"},
    )
    assert made.changes == (
        Change("steps_per_mm.z", 105.37, 104.5, "step/mm", 2, "travel says so"),
        Change("steps_per_mm.x", 80.0, 80.12346, "step/mm", 2, ""),
    )
    assert made.lines == ("M92 Z104.5", "M92 X80.12346")
    assert made.unchanged == ("steps_per_mm.y",)
    assert (made.machine, made.family, made.identity) == ("heron", "replay", "a controller")
    assert made.rests_on == {
        "steps_per_mm.x": 80.0,
        "steps_per_mm.z": 105.37,
        "max_speed.x": 180.0,
        "max_speed.z": 60.0,
    }
    assert (made.warnings, made.asks, made.retype) == ((), (), ())


def test_a_plan_holds_what_is_sent_byte_for_byte() -> None:
    made = plan({"steps_per_mm.x": 80.2})
    assert [str(change) for change in made.changes] == [
        "steps_per_mm.x 80.00 -> 80.2 step/mm (+0.25 %)"
    ]
    assert made.to_plain()["lines"] == ["M92 X80.2"]


def test_a_plan_survives_the_journal() -> None:
    made = plan({"steps_per_mm.x": 88.0, "max_speed.x": 150.0})
    assert made.asks
    assert made.retype
    assert Plan.from_plain(made.to_plain()) == made


@pytest.mark.parametrize(
    "other",
    [
        plan({"steps_per_mm.x": 80.21}),
        plan({"steps_per_mm.x": 80.2, "steps_per_mm.y": 80.2}),
        plan({"steps_per_mm.x": 80.2}, max_speed__y=161.0),
        replace(plan({"steps_per_mm.x": 80.2}), machine="twin"),
        replace(plan({"steps_per_mm.x": 80.2}), identity="another controller"),
    ],
)
def test_the_digest_changes_with_lines_machine_and_snapshot(other: Plan) -> None:
    assert other.digest != plan({"steps_per_mm.x": 80.2}).digest


def test_the_digest_is_the_same_for_the_same_plan_made_again() -> None:
    assert plan({"steps_per_mm.x": 80.2}).digest == plan({"steps_per_mm.x": 80.2}).digest
    assert snapshot_digest(readback()) == snapshot_digest(readback())


def test_limits_that_go_down_are_sent_first_and_those_that_go_up_last() -> None:
    made = plan(
        {
            "max_speed.y": 170.0,
            "steps_per_mm.x": 80.2,
            "max_speed.x": 150.0,
            "max_acceleration.x": 1300.0,
            "steps_per_mm.y": 80.1,
        }
    )
    assert [change.key for change in made.changes] == [
        "max_speed.x",
        "steps_per_mm.x",
        "steps_per_mm.y",
        "max_speed.y",
        "max_acceleration.x",
    ]


def test_a_change_too_small_for_the_printed_digits_is_left_with_a_word() -> None:
    made = plan({"steps_per_mm.x": 80.003})
    assert made.empty
    assert made.unchanged == ("steps_per_mm.x",)
    assert made.warnings == (
        "steps_per_mm.x: 80.003 is printed as 80.00, which stands there now: too small a change "
        "to be proved, so it is left as it is",
    )


def test_all_refusals_come_together() -> None:
    with pytest.raises(Refused) as caught:
        plan({"steps_per_mm.x": -1, "steps_per_mm.q": 80, "steps_per_mm.z": 1053.7})
    text = str(caught.value)
    for part in ("above 0", "did not report", "a slipped decimal", "Nothing was sent"):
        assert part in text


def test_a_damaged_reading_makes_no_plan() -> None:
    damaged = replace(readback(), damage=("the two readings differ",))
    with pytest.raises(Refused, match=r"the two readings differ.* Nothing was sent"):
        make_plan(damaged, {"steps_per_mm.x": 80.2}, FAMILY, machine="heron", profile=HERON)


def test_undoing_asks_where_the_mechanics_would_refuse() -> None:
    wanted = {"steps_per_mm.z": 4000.0}
    with pytest.raises(Refused, match="cannot be right"):
        plan(wanted)
    back = make_plan(readback(), wanted, FAMILY, machine="heron", profile=HERON, origin="undo")
    assert back.lines == ("M92 Z4000",)
    assert back.retype == ("steps_per_mm.z",)


def test_what_the_store_word_does_to_the_plan_is_said() -> None:
    class StoresAtOnce(Replay):
        words = replace(Replay.words, store=None, reload=None, writing_stores=True)

    made = make_plan(readback(), {"steps_per_mm.x": 80.2}, StoresAtOnce(), machine="heron")
    assert made.warnings == (
        "this controller has no trial stage: writing is storing, at once and for good",
    )


def test_nothing_of_a_value_but_the_number_reaches_a_line() -> None:
    made = plan({"steps_per_mm.x": 80.2, "max_speed.x": 150})
    for line in made.lines:
        assert line.isascii()
        assert line.isprintable()
        assert "\n" not in line


def test_settings_without_a_known_old_size_show_no_percent() -> None:
    assert Change("home_offset.x", 0.0, 1.5, "mm", 2).percent is None
    assert str(Change("home_offset.x", 0.0, 1.5, "mm", 2)) == "home_offset.x 0.00 -> 1.5 mm"


def test_a_value_that_rounds_to_nothing_is_no_value() -> None:
    with pytest.raises(Refused, match="above 0"):
        plan({"max_speed.x": 1e-9})
