"""Guards: what refuses, what asks, what lets pass, each with its reason."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from agent.change.guards import (
    USUAL,
    Bracket,
    Finding,
    blocked_roles,
    examine,
    plausible,
    power_of,
    worst_travel,
)
from agent.model.drive import Drive, Roller, Toothed
from agent.model.profile import Mechanics
from agent.model.roles import Axes
from agent.model.settings import POSITIVE, UNITS, Readback, Setting
from tests.change.bench import HERON, holding


def said(
    key: str, value: float, found: Readback | None = None, mechanics: Mechanics = HERON.mechanics
) -> list[tuple[str, str, bool]]:
    findings = examine(found or holding(), {key: value}, mechanics, Axes())
    return [(f.level, f.code, f.retype) for f in findings]


@pytest.mark.parametrize(
    ("key", "value", "wanted"),
    [
        # inside the bracket of the mechanics: nothing to say
        ("steps_per_mm.x", 80.2, []),
        ("steps_per_mm.z", 103.0, []),
        # a machine whose drive is off by a few percent is asked about, not refused
        ("steps_per_mm.x", 82.4, [("ask", "outside_bracket", False)]),
        (
            "steps_per_mm.x",
            88.0,
            [("ask", "outside_bracket", False), ("ask", "large_change", True)],
        ),
        # values that have another cause than an inaccurate drive
        ("steps_per_mm.x", 160.0, [("refuse", "microsteps", True)]),
        ("steps_per_mm.x", 40.3, [("refuse", "microsteps", True)]),
        ("steps_per_mm.x", 1280.0, [("refuse", "microsteps", True)]),
        ("steps_per_mm.x", 801.0, [("refuse", "slipped_decimal", True)]),
        ("steps_per_mm.x", 8.01, [("refuse", "slipped_decimal", True)]),
        ("steps_per_mm.x", 105.4, [("refuse", "wrong_axis", True)]),
        ("steps_per_mm.z", 80.1, [("refuse", "wrong_axis", True)]),
        ("steps_per_mm.x", 250.0, [("refuse", "implausible", True)]),
        # values as such
        ("steps_per_mm.a", 80.0, [("refuse", "not_read_back", False)]),
        ("steps_per_mm.x", 0.0, [("refuse", "not_positive", False)]),
        ("steps_per_mm.x", -80.0, [("refuse", "not_positive", False)]),
        ("steps_per_mm.x", math.nan, [("refuse", "not_finite", False)]),
        ("max_speed.x", math.inf, [("refuse", "not_finite", False)]),
        ("steps_per_mm.e0", 19.9, [("refuse", "extruder_low", False)]),
        ("junction_deviation", 0.0, []),
        # limits
        ("max_speed.x", 150.0, []),
        ("max_speed.x", 18.0, [("ask", "slipped_decimal", True)]),
        ("max_speed.z", 600.0, [("ask", "slipped_decimal", True), ("refuse", "pulse_rate", False)]),
        # no drive is known for the extruder
        ("steps_per_mm.e0", 420.0, []),
        ("steps_per_mm.e0", 440.0, [("ask", "large_change", True)]),
        (
            "steps_per_mm.e0",
            824.0,
            [("ask", "large_change", True), ("refuse", "pulse_rate", False)],
        ),
    ],
)
def test_one_value_against_the_mechanics(
    key: str, value: float, wanted: list[tuple[str, str, bool]]
) -> None:
    assert said(key, value) == wanted


def test_a_damaged_reading_refuses_everything_and_says_nothing_else() -> None:
    findings = examine(
        holding(damage=("steps_per_mm.x is missing",)),
        {"steps_per_mm.x": -1.0, "nonsense": math.nan},
        HERON.mechanics,
        Axes(),
    )
    text = "nothing may rest on this reading: steps_per_mm.x is missing"
    assert findings == (Finding("refuse", "damaged", "", text),)


def test_skew_words_are_refused_with_the_reason() -> None:
    found = holding()
    found = replace(found, settings={**found.settings, "skew.i": Setting(0.0, "1", 2)})
    [finding] = examine(found, {"skew.i": 0.01}, HERON.mechanics, Axes())
    assert (finding.level, finding.code) == ("refuse", "skew_word")
    assert "box-shaped machine" in finding.text


def test_a_reason_tells_the_worst_travel() -> None:
    [finding] = examine(holding(), {"steps_per_mm.x": 160.0}, HERON.mechanics, Axes())
    assert finding.text == (
        "160 step/mm cannot be right for these mechanics (80.00 ± 0.24 step/mm): about 2 times, "
        "a mismatch of microsteps or jumpers and not a scale; a commanded 10 mm could move 20.1 mm"
    )


def test_the_value_back_from_factory_defaults_has_a_reason_in_the_mechanics() -> None:
    # After a flash the belt axis holds forty times its value: going back needs no typing.
    assert said("steps_per_mm.z", 105.37, holding(steps_per_mm__z=4000.0)) == []


def test_without_mechanics_a_doubled_value_is_asked_as_a_microstep_mismatch() -> None:
    bare = Mechanics(max_pulse_rate=1e6)
    [finding] = examine(holding(), {"steps_per_mm.x": 160.0}, bare, Axes())
    assert (finding.level, finding.code, finding.retype) == ("ask", "large_change", True)
    assert "a mismatch of microsteps?" in finding.text
    assert "will move 2 times as far as now" in finding.text


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (88.0, "changes by +10 %. No drive is given"),
        (160.0, "changes by +100 %: a mismatch of microsteps? No drive is given"),
        (800.0, "changes by +900 %: a slipped decimal? No drive is given"),
    ],
)
def test_without_mechanics_a_change_is_told_in_whole_sentences(value: float, words: str) -> None:
    [finding] = examine(holding(), {"steps_per_mm.x": value}, Mechanics(max_pulse_rate=1e6), Axes())
    assert finding.text.startswith(words)


def test_lowering_the_cap_in_the_same_plan_satisfies_the_pulse_rate() -> None:
    mechanics = replace(HERON.mechanics, max_pulse_rate=14_450)
    alone = examine(holding(), {"steps_per_mm.x": 80.5}, mechanics, Axes())
    assert [f.code for f in alone if f.level == "refuse"] == ["pulse_rate"]
    assert "lower max_speed.x to 179 mm/s" in alone[-1].text
    both = {"steps_per_mm.x": 80.5, "max_speed.x": 179.0}
    assert [f for f in examine(holding(), both, mechanics, Axes()) if f.level == "refuse"] == []


def test_a_rate_that_gets_no_worse_is_no_reason_to_refuse() -> None:
    mechanics = replace(HERON.mechanics, max_pulse_rate=10_000)
    assert "pulse_rate" not in {
        code for _, code, _ in said("steps_per_mm.x", 79.9, None, mechanics)
    }


def test_every_mode_of_a_speed_limit_counts() -> None:
    found = holding()
    quiet = Setting(600.0, "mm/s", 2)
    found = replace(found, settings={**found.settings, "max_speed.x@quiet": quiet})
    assert said("steps_per_mm.x", 80.1, found) == [("refuse", "pulse_rate", False)]


def test_axes_are_told_apart_by_their_letters() -> None:
    # The belt is axis x here, counted the other way: its value is held against the roller.
    axes = Axes(across="z", gantry="y", belt="-x")
    findings = examine(holding(), {"steps_per_mm.x": 105.4}, HERON.mechanics, axes)
    assert [f.code for f in findings if f.level == "refuse"] == []


def test_what_is_live_is_held_against_the_mechanics() -> None:
    found = holding(steps_per_mm__z=4000.0, steps_per_mm__x=80.1, steps_per_mm__y=82.0)
    found = replace(found, settings={**found.settings, "skew.i": Setting(0.002, "1", 3)})
    findings = plausible(found, HERON.mechanics, Axes())
    assert [(f.level, f.code, f.key) for f in findings] == [
        ("ask", "outside_bracket", "steps_per_mm.y"),
        ("refuse", "implausible", "steps_per_mm.z"),
        ("warn", "skew_set", "skew.i"),
    ]
    assert list(blocked_roles(findings, Axes())) == ["belt"]


def test_zero_steps_block_motion() -> None:
    findings = plausible(holding(steps_per_mm__x=0.0), HERON.mechanics, Axes())
    assert [(f.level, f.code) for f in findings] == [("refuse", "not_positive")]


def test_worst_travel_is_from_the_low_end_of_the_bracket() -> None:
    # 20 teeth of 2 mm, 200 full steps, 16 microsteps: 80 step/mm (own arithmetic: 3200 / 40);
    # bracket 2 * 0.15 % = 0.24 step/mm, so 10 mm at 160 step/mm move at most 1600 / 79.76 mm.
    assert worst_travel(-10, 160.0, Drive(200, 16, 1, Toothed(20, 2))) == pytest.approx(
        1600 / 79.76
    )


def test_a_drive_of_which_nothing_is_known_has_no_worst_travel() -> None:
    vague = Drive(200, 16, 1, Roller(28, 1, 0.5, u_diameter=20.0))
    assert Bracket.of(vague).low < 0
    assert worst_travel(10, 80.0, vague) == math.inf


@pytest.mark.parametrize(
    ("base", "ratio", "power"),
    [
        (2, 2.1, 1),
        (2, 0.49, -1),
        (2, 16.9, 4),
        (2, 1.05, 0),
        (2, 3.0, 0),
        (10, 9.6, 1),
        (10, 0.01, -2),
        # values typed so small or large that the quotient is nought, or has no end
        (2, 0.0, 0),
        (10, math.inf, 0),
    ],
)
def test_powers_are_seen_through_a_small_error(base: int, ratio: float, power: int) -> None:
    assert power_of(base, ratio) == power


@given(st.floats(), st.sampled_from(sorted(HERON.settings)))
@example(5e-324, "steps_per_mm.x")  # the least float: its quotient by any setting is nought
def test_no_value_passes_that_is_not_a_finite_number(value: float, key: str) -> None:
    findings = examine(holding(), {key: value}, HERON.mechanics, Axes())
    refused = any(f.level == "refuse" for f in findings)
    assert refused or math.isfinite(value)
    assert refused or value > 0 or key == "junction_deviation"


@pytest.mark.parametrize("kind", sorted(UNITS))
def test_every_kind_of_key_is_asked_about_beyond_what_is_usual(kind: str) -> None:
    low, high = USUAL[kind]
    for value in (low - 1 - abs(low), high * 1.5 + 1):
        key = f"{kind}.e0" if kind == "steps_per_mm" else f"{kind}.x"
        settings = {**holding().settings, key: Setting(value, UNITS[kind], 2)}
        found = replace(holding(), settings=settings)
        assert [level for level, _, _ in said(key, value, found)] != []
    inside = (low + high) / 2
    found = replace(holding(), settings={f"{kind}.x": Setting(inside, UNITS[kind], 2)})
    assert "unusual" not in {code for _, code, _ in said(f"{kind}.x", inside, found)}


#: What is usual, a second time: common practice, as in the guards.
USUAL_VALUES = {
    "steps_per_mm": (5, 20_000),
    "max_speed": (0.5, 1_000),
    "max_acceleration": (10, 50_000),
    "acceleration": (10, 50_000),
    "jerk": (0, 60),
    "junction_deviation": (0, 0.5),
    "home_offset": (-500, 500),
    "probe_offset": (-100, 100),
    "hotend_pid": (0, 5_000),
    "bed_pid": (0, 5_000),
    "motor_current": (50, 3_500),
    "max_travel": (20, 20_000),
    "min_speed": (0, 50),
    "segment_time": (0, 200_000),
}


@pytest.mark.parametrize("kind", sorted(USUAL_VALUES))
def test_the_ends_of_what_is_usual_are_usual(kind: str) -> None:
    assert {*USUAL_VALUES, "skew"} == {*USUAL}
    for end, beyond in zip(USUAL_VALUES[kind], (-1, 1), strict=True):
        for value, unusual in ((end, False), (end + beyond * 0.01, True)):
            if value == 0 and kind in POSITIVE:
                continue  # refused as such
            settings = {f"{kind}.q": Setting(value, UNITS[kind], 2)}
            found = replace(holding(), settings=settings)
            codes = {code for _, code, _ in said(f"{kind}.q", value, found, Mechanics())}
            refused = value < 0 and kind in POSITIVE
            assert ("unusual" in codes) == (unusual and not refused), (kind, value, codes)


def test_a_home_offset_is_held_against_the_travel_of_its_axis() -> None:
    role = next(iter(HERON.mechanics.travel_mm))
    key, travel = f"home_offset.{Axes().letter(role)}", HERON.mechanics.travel_mm[role]
    found = replace(holding(), settings={key: Setting(0.0, "mm", 2)})
    assert said(key, 0.9 * travel, found) == []
    assert said(key, 1.1 * travel, found) == [("ask", "unusual", True)]


def test_an_excessive_cap_is_to_blame_itself_and_not_the_steps_beside_it() -> None:
    wanted = {"steps_per_mm.x": 80.1, "max_speed.x": 900.0}
    findings = examine(holding(), wanted, HERON.mechanics, Axes())
    assert {f.key for f in findings if f.level == "refuse"} == {"max_speed.x"}
