"""What an answer means, what is none, and the profile that follows, without a screen."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.interview import Interview, Told, read_drive, read_travel
from agent.model.profile import BedScrews, Material, Post, SavedSetting, Stand
from agent.model.settings import Readback, Setting

STEPS = {"x": 80.0, "y": 80.0, "z": 37.5}


def told(**changes: Any) -> Told:
    """A machine with a controller: belts across and along the gantry, a roller under the belt."""
    travels = {"x": 220, "y": 200, "z": 900}
    settings = {
        **{
            f"steps_per_mm.{axis}": Setting(v, "step/mm", 2, "as sent") for axis, v in STEPS.items()
        },
        "steps_per_mm.e": Setting(93.0, "step/mm", 2),
        **{f"max_travel.{axis}": Setting(v, "mm", 0) for axis, v in travels.items()},
    }
    read = Readback("numbered", settings, ("a line of another kind",), "board 1", **changes)
    return Told("crane", read, "/dev/tty0", "2026-01-02T03:04:05")


def at(key: str, interview: Interview, **given: str) -> Interview:
    """Answered up to the question of this key: as `given`, else by Enter, else unknown."""
    while (question := interview.next()) is not None and question.key != key:
        usual = "yes" if question.key == "moves" else question.default or "unknown"
        interview = interview.answer(given.get(question.key.replace(".", "_"), usual))
    assert question is not None or key == "", f"{key} is never asked"
    return interview


def value_of(key: str, text: str, **given: str) -> Any:
    interview = at(key, Interview(told()), **{"material": "PETG", **given})
    return interview.answer(text).values()[key]


def profile_of(**given: str) -> Any:
    return at("", Interview(told()), **given).profile()


@pytest.mark.parametrize(
    ("key", "least", "most"),
    [
        ("angle", "5", "90"),
        ("travel", "1 1 1", "1000000 1000000 1000000"),
        ("loop", "50", "1000000"),
        ("heats", "100 0", "400 200"),
        ("filament", "0.1 0.1", "10 10"),
        ("bead", "0.05 0.05", "10 10"),
        ("instrument", "0.0005 0.0005 0.0005", "5000 5000 5000"),
        ("gauge", "0.0005", "10"),
        ("tolerance", "0.001 0.001", "40 40"),
        ("screws", "0.1 5", "10 100000"),
    ],
)
def test_the_bounds_are_answers_and_what_lies_beyond_is_none(
    key: str, least: str, most: str
) -> None:
    def beyond(text: str, by: float) -> list[str]:
        """Each number in turn moved out of its bounds."""
        words = text.split()
        moved = [f"{float(word) * by:.12g}" if float(word) else "-0.001" for word in words]
        return [" ".join([*words[:n], moved[n], *words[n + 1 :]]) for n in range(len(words))]

    interview = at(key, Interview(told()), material="PETG")
    for text in (least, most):
        assert interview.answer(text).values()[key] is not None
    for text in [*beyond(least, 0.999), *beyond(most, 1.001)]:
        with pytest.raises(ValueError, match=r"expected|none of a screw"):
            interview.answer(text)


@pytest.mark.parametrize(
    ("key", "text", "value"),
    [
        ("angle", "45", 45.0),
        ("angle", "45,5 degrees", 45.5),
        ("angle", "35°", 35.0),
        ("angle", ".9e1", None),
        ("angle", "unknown", ...),
        ("travel", "220 mm 200; 5000 mm", (220.0, 200.0, 5000.0)),
        ("travel", "220 200", None),
        ("heats", "215°C 60°C", (215.0, 60.0)),
        ("heats", "99.9 60", None),
        ("heats", "215 200.1", None),
        ("coupling", "No", "none"),
        ("coupling", "axes", "axes"),
        ("coupling", "MOTORS", "motors"),
        ("coupling", "both", None),
        ("moves", "YES", True),
        ("moves", "no", False),
        ("moves", "perhaps", None),
        ("moves", "unknown", None),
        ("way.across", "Right", 1),
        ("way.across", "left", -1),
        ("way.across", "up", None),
        ("way.gantry", "up", 1),
        ("way.gantry", "down", -1),
        ("way.belt", "away", 1),
        ("way.belt", "toward", -1),
        ("material", "P" * 80, "P" * 80),
        ("material", "P" * 81, None),
        ("material", "P\tQ", None),
        ("screws", "none", "none"),
        ("screws", "m4 320", BedScrews(320.0, 0.7, "M4")),
        ("screws", "0,8 320 mm", None),
        ("screws", "0.8 320", BedScrews(320.0, 0.8, "")),
        ("screws", "11 320", None),
        ("screws", "M77 320", None),
        ("screws", "M4 320 300", None),
        ("screws", "M4 a 0 0 b 240 0", None),
        ("screws", "M4 a 0 0 b 240 0 c 120", None),
        ("screws", "M4 a 0 0 b 240 0 a 120 300", None),
        ("screws", "M4 a 0 0 b 240 0 7 120 300", None),
        (
            "screws",
            "M4 a 0 0 b 240 0 c-1 120 300",
            Stand(0.7, {"a": Post(0, 0), "b": Post(240, 0), "c-1": Post(120, 300)}, screw="M4"),
        ),
    ],
)
def test_what_is_typed_is_read_or_refused(key: str, text: str, value: Any) -> None:
    """None: refused; ...: the answer is that it is unknown."""
    if value is None:
        with pytest.raises(ValueError, match=r"."):
            value_of(key, text)
    else:
        assert value_of(key, text) == (None if value is ... else value)


@pytest.mark.parametrize(
    ("text", "drive"),
    [
        ("teeth 20 pitch 2", Drive(200, 16, 1.0, Toothed(20, 2.0))),
        ("steps 400, micro 32; ratio=3 lead 8", Drive(400, 32, 3.0, Screw(8.0))),
        ("roller 28 belt 1,2", Drive(200, 16, 1.0, Roller(28.0, 1.2))),
        ("teeth 20.5 pitch 2", None),
        ("teeth 20", None),
        ("pitch 2", None),
        ("roller 28", None),
        ("belt 1", None),
        ("micro 16.5 lead 8", None),
        ("steps 200.5 lead 8", None),
        ("tooth 20 pitch 2", None),
        ("teeth 20 pitch", None),
        ("1", None),
    ],
)
def test_a_drive_in_words(text: str, drive: Drive | None) -> None:
    if drive is None:
        with pytest.raises(ValueError, match="expected"):
            read_drive(text)
    else:
        assert read_drive(text) == drive


def test_travel_is_one_number_for_each_axis() -> None:
    assert read_travel("220 200 5000") == {"across": 220, "gantry": 200, "belt": 5000}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x y", "three letters"),
        ("x y zz", "three letters"),
        ("x y y", "three different"),
        ("x y -y", "three different"),
        ("x y a", "no axis A; it has X, Y, Z"),
        ("x y e", "no axis E"),
        ("unknown", "must be known"),
    ],
)
def test_letters_are_those_of_the_controller(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        Interview(told()).answer(text)
    assert Interview(Told("crane")).answer("a,b;-c").values()["axes"].letter("belt") == "c"


def test_letters_are_proposed_where_they_are_the_usual_ones() -> None:
    def proposed(*letters: str) -> str | None:
        settings = {f"steps_per_mm.{letter}": Setting(80, "step/mm", 2) for letter in letters}
        question = Interview(Told("crane", Readback("numbered", settings))).next()
        assert question is not None
        return question.default

    assert proposed("x", "y", "z", "e") == "x y z"
    assert proposed() == "x y z"
    assert proposed("x", "y", "a") is None


def test_no_answer_is_the_default_where_there_is_one() -> None:
    first = Interview(told())
    assert first.answer("  ").given == {"axes": "x y z"}
    with pytest.raises(ValueError, match="'unknown' will do"):
        first.answer("").answer("")  # the angle has no default
    moves = at("moves", first)
    with pytest.raises(ValueError, match=r"an answer is wanted$"):
        moves.answer("")


def test_back_takes_the_last_answer_away_and_the_count_goes_down() -> None:
    first = Interview(told())
    second = first.answer("x y z")
    assert second.back() == first
    assert second.left == first.left - 1
    done = at("", first)
    assert done.left == 0
    with pytest.raises(ValueError, match="nothing is left"):
        done.answer("x")


def asked(interview: Interview, **given: str) -> list[str]:
    return list(at("", interview, **given).given)


def test_only_what_can_be_answered_is_asked() -> None:
    bare = asked(Interview(Told("crane")))
    assert "moves" not in bare
    with_moves = asked(Interview(told()))
    assert [key for key in with_moves if key.startswith("way.")] == [
        "way.across", "way.gantry", "way.belt",
    ]  # fmt: skip
    assert not [key for key in asked(Interview(told()), moves="no") if key.startswith("way.")]
    assert "heats" not in asked(Interview(told()), material="unknown")
    assert "heats" in asked(Interview(told()), material="my own")


def test_shared_motors_are_asked_for_where_both_may_have_them() -> None:
    def asks(across: str, gantry: str) -> bool:
        return "coupling" in asked(Interview(told()), drive_across=across, drive_gantry=gantry)

    assert asks("teeth 20 pitch 2", "teeth 20 pitch 2")
    assert asks("unknown", "teeth 20 pitch 2")
    assert asks("lead 8", "unknown")
    assert not asks("teeth 20 pitch 2", "teeth 16 pitch 2")
    assert not asks("lead 8", "lead 8")


def test_the_controllers_words_give_defaults() -> None:
    travel = at("travel", Interview(told())).next()
    assert travel is not None
    assert travel.default == "220 200 900"
    none = told()
    settings = {**none.readback.settings, "max_travel.y": Setting(0, "mm", 0)}  # type: ignore
    none = replace(none, readback=replace(none.readback, settings=settings))  # type: ignore
    for interview in (Interview(none), Interview(Told("crane"))):
        question = at("travel", interview).next()
        assert question is not None
        assert question.default is None


def test_a_bead_and_heats_are_proposed_from_what_was_told_before() -> None:
    def default(key: str, **given: str) -> str | None:
        question = at(key, Interview(told()), **given).next()
        assert question is not None
        return question.default

    assert default("bead", filament="1.75 0.6") == "0.69 0.3"
    assert default("bead", filament="unknown") == "0.46 0.2"
    assert default("heats", material="petg") == "240 80"
    assert default("heats", material="my own") is None


def test_offered_drives_are_chosen_by_their_number() -> None:
    question = at("drive.across", Interview(told())).next()
    assert question is not None
    assert question.default == "1"
    assert 1 < len(question.offers) <= 4
    assert question.read("1").steps_per_mm == pytest.approx(80, rel=1e-6)
    assert str(question.read("2")) == question.offers[1]
    for beyond in ("0", str(len(question.offers) + 1)):
        with pytest.raises(ValueError, match=f"1 to {len(question.offers)} of the list"):
            question.read(beyond)
    damaged = at("drive.across", Interview(told(damage=("a line was lost",)))).next()
    assert damaged is not None
    assert (damaged.default, damaged.offers) == (None, ())


def roller_offer() -> str:
    question = at("drive.belt", Interview(told())).next()
    assert question is not None
    found = (
        str(n) for n, c in enumerate(question.offers, 1) if question.read(str(n)).output is None
    )
    return next(found)


def test_a_roller_is_measured_before_it_counts() -> None:
    offer = roller_offer()
    question = at("roller.belt", Interview(told()), drive_belt=offer).next()
    assert question is not None
    for text in ("0.04 1.0", "28 0.04", "501 1", "28"):
        with pytest.raises(ValueError, match="expected"):
            question.read(text)
    measured = profile_of(drive_belt=offer, roller_belt="28.0 1.0")
    assert measured.mechanics.drives["belt"].output == Roller(28.0, 1.0)
    unknown = profile_of(drive_belt=offer, roller_belt="unknown")
    assert "belt" not in unknown.mechanics.drives


def test_the_profile_has_what_was_told() -> None:
    found = profile_of(
        axes="-x y z",
        angle="45",
        drive_across="teeth 20 pitch 2",
        drive_gantry="teeth 20 pitch 2",
        drive_belt="roller 28 belt 1",
        coupling="motors",
        travel="220 200 5000",
        loop="1460",
        screws="M4 320",
        way_across="left",
        way_gantry="down",
        way_belt="unknown",
        material="PETG",
        heats="235 75",
        filament="2.85 0.6",
        bead="0.7 0.3",
        instrument="0.02 0.04 200",
        gauge="0.05",
        tolerance="0.2 0.3",
    )
    assert [found.axes.sign(role) for role in ("across", "gantry", "belt")] == [1, -1, 1]
    mechanics = found.mechanics
    assert mechanics.gantry_angle_deg == 45
    assert mechanics.travel_mm == {"across": 220, "gantry": 200, "belt": 5000}
    assert (mechanics.belt_loop_mm, mechanics.coupling) == (1460, "motors")
    assert (mechanics.screws, mechanics.stand) == (BedScrews(320, 0.7, "M4"), None)
    assert mechanics.drives["belt"] == Drive(200, 16, 1.0, Roller(28, 1))
    assert (found.material.name, found.material.filament_mm) == ("PETG", 2.85)
    assert (found.material.nozzle_c, found.material.bed_c) == (235, 75)
    assert (found.material.shrink_percent, found.material.shrink_u_percent) == (0.3, 0.15)
    assert (found.bead.width_mm, found.bead.height_mm) == (0.7, 0.3)
    instrument = found.instrument
    assert (instrument.resolution_mm, instrument.mpe_mm) == (0.02, 0.04)
    assert (instrument.range_mm, instrument.move_u_mm) == (200, 0.05)
    assert (found.tolerance.scale_percent, found.tolerance.angle_deg) == (0.2, 0.3)


def test_the_profile_keeps_what_the_controller_told() -> None:
    found = profile_of()
    assert (found.family, found.identity) == ("numbered", "board 1")
    assert (found.read_at, found.read_from) == ("2026-01-02T03:04:05", "/dev/tty0")
    assert found.link.port == "/dev/tty0"
    assert found.other == ("a line of another kind",)
    assert found.settings["steps_per_mm.x"] == SavedSetting(Setting(80.0, "step/mm", 2))
    strange = told()
    assert strange.readback is not None
    strange = replace(strange, readback=replace(strange.readback, family="unknown"))
    assert at("", Interview(strange)).profile().family is None
    damaged = at("", Interview(told(damage=("a line was lost",)))).profile()
    assert (damaged.settings, damaged.family, damaged.link.port) == ({}, None, "")
    assert at("", Interview(Told("crane"))).profile().settings == {}


def test_what_nobody_knows_stays_unknown() -> None:
    given = {
        **dict.fromkeys(("angle", "travel", "loop", "screws", "coupling", "material"), "unknown"),
        **dict.fromkeys(("filament", "bead", "instrument", "gauge"), "unknown"),
        **dict.fromkeys(("drive_across", "drive_gantry", "drive_belt"), "unknown"),
        **dict.fromkeys(("way_across", "way_gantry", "way_belt"), "unknown"),
    }
    found = profile_of(axes="x y -z", **given)
    mechanics = found.mechanics
    assert (mechanics.gantry_angle_deg, mechanics.drives, mechanics.travel_mm) == (None, {}, {})
    assert (mechanics.belt_loop_mm, mechanics.coupling) == (None, "unknown")
    assert (mechanics.screws, mechanics.stand) == (None, None)
    assert found.axes.sign("belt") == -1
    usual = Material()
    assert (found.material.name, found.material.filament_mm) == (usual.name, usual.filament_mm)
    assert (found.material.nozzle_c, found.material.bed_c) == (None, None)
    assert (found.material.shrink_percent, found.material.shrink_u_percent) == (
        0.0,
        usual.shrink_u_percent,
    )
    assert (found.instrument.resolution_mm, found.instrument.mpe_mm) == (0.01, 0.03)
    assert (found.instrument.range_mm, found.instrument.move_u_mm) == (None, None)
    assert math.isclose(found.bead.width_mm, type(found.bead)().width_mm)


def test_screws_of_the_bed_are_none_or_where_they_stand() -> None:
    assert profile_of(screws="none").mechanics.screws is None
    stand = profile_of(screws="M5 a 0 0 b 240 0 c 120 300").mechanics
    assert (stand.screws, stand.stand.pitch_mm, stand.stand.screw) == (None, 0.8, "M5")
    found = profile_of(drive_across="lead 8", drive_gantry="lead 8")
    assert found.mechanics.coupling == "none"  # not asked where it cannot be
