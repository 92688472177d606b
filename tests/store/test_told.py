"""What is said of files: every shape on a grid of texts, whole files, and mistyped ones."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from agent.errors import AgentError, BadInput
from agent.model.budget import Budget
from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.profile import (
    Bead,
    BedScrews,
    Instrument,
    Material,
    Mechanics,
    Port,
    Post,
    Priors,
    Profile,
    SavedSetting,
    Stand,
    Tolerance,
)
from agent.model.roles import Axes
from agent.model.settings import Readback, Setting, of_kind
from agent.model.survey import Check
from agent.store.editing import with_key
from agent.store.home import ready_profiles
from agent.store.machine import drive_plain, mechanics_plain
from agent.store.nodes import MOST_BYTES, Sheet, compose, read_file
from agent.store.profiles import (
    amended_text,
    find_profile,
    load_profile,
    load_stand,
    profile_names,
    profile_path,
    profile_plain,
    profile_text,
    read_profile,
    save_profile,
    setting_key_problem,
    with_settings,
)
from agent.store.readings import LaidPiece, read_readings, readings_text
from agent.store.strict import (
    Choice,
    Key,
    ListOf,
    Number,
    Shape,
    Table,
    TableOf,
    Text,
    Whole,
    nearest,
    read_sheet,
)
from agent.store.yamltext import Bare, dump, fixed, number
from tests.pinned import Pinned
from tests.store.test_readings import WHOLE
from tests.wire.told import Dice


def _mistakes(error: BadInput) -> Iterator[str]:
    yield f"    {error.what}. {error.remedy}"
    yield from (f"      {problem}" for problem in error.problems)


# --- shapes --------------------------------------------------------------------------------------


def _pair(**found: Any) -> tuple[Any, ...]:
    if found.get("a") == 7:
        raise ValueError("seven is none")
    return tuple(found.items())


SHAPES: dict[str, Shape[Any]] = {
    "any number": Number(),
    "above nought": Number("mm", above=0),
    "above five": Number("mm", above=5),
    "between": Number("degrees", least=-2, most=3.5),
    "all bounds": Number("mm", above=1, least=2, most=3),
    "a count": Whole(),
    "a few": Whole(-3, 9),
    "a text": Text(),
    "no blank": Text(most=5, empty=False),
    "a name": Text(pattern="[a-z]+", expected="a name of letters"),
    "a word": Choice(("left", "right")),
    "a list": ListOf(Number("mm")),
    "of three": ListOf(Number("mm"), least=3, most=3),
    "one at least": ListOf(Whole(0, 9), least=1, most=2),
    "a table": TableOf(
        Number(),
        lambda key: "" if key < "c" else f"no {key}",
        lambda key, value: "" if value < 9 else f"{key} is large",
    ),
    "known keys": Table(
        _pair,
        {"a": Key(Number(), required=True), "b": Key(Text(), into="c"), "left": Key(Whole())},
        "a pair: {a: ..., b: ...}",
    ),
}
TEXTS = [
    *("5", "0", "-2", "3.5", "3.50001", "2", "9", "10", "+5", "5.", ".5", "1e3", "1e-13", "1e999"),
    *("05", "+05", "00", "0.5", "-0.5", "1,5", "1:30", "1:30.5", ".inf", "-.nan", "nan", "1_000"),
    *("1_0.5", "_1", "0x1F", "yes", "~", "null", '""', "'5'", '"5"', "''", "a", "abcde", "abcdef"),
    *("' '", "left", "lef", "right", "up", "Left", "'left'", "1234567890123456", "999999999999999"),
    *("[]", "[1]", "[1, 2, 3]", "[1, a, .nan]", "[[1]]", "[1, 2]", "{}", "{a: 1}", "{a: 7}"),
    *("{a: 1, b: x}", "{a: 1, a: 2}", "{b: x}", "{q: 1}", "{a: 1, lef: 3}", "{a: 1, left: 1.5}"),
    *("{a: 1, 05: 3}", "{c: 9, d: 10}", "{a: 10}", "{a: x, c: y}", '"a\\tb"', "x" * 50, "é", '"é"'),
    *("- 1\n- 2", "a: 1\nb: [2]\nleft: 3", "'~'", "{? [a] : 1}", "|\n  two\n  lines\n", "null: 1"),
]


@pytest.mark.parametrize("name", SHAPES)
def test_a_shape_reads_what_it_is_for_and_names_the_rest(name: str, pinned: Pinned) -> None:
    shape = SHAPES[name]
    said = [f"expected: {shape.expected}"]
    for text in TEXTS:
        try:
            said.append(f"{text!r} = {read_sheet(text.encode(), 'f', shape)!r}")
        except BadInput as error:
            told = "; ".join(str(problem) for problem in error.problems)
            said.append(f"{text!r}: {told.replace(shape.expected, '(it)')}")
    pinned(f"store/shape-{name.replace(' ', '-')}", "\n".join(said))


def test_the_nearest_word_or_all_of_a_few() -> None:
    assert nearest("lef", ("left", "right")) == "; did you mean 'left'?"
    assert nearest("zzz", ("left", "right")) == "; there are: left, right"
    assert nearest("zzz", [f"word{n}" for n in range(12)]).startswith("; there are: word0, ")
    assert nearest("zzz", [f"word{n}" for n in range(13)]) == ""
    assert nearest("a" * 500, ("left",)) == "; there are: left"


def test_a_file_names_fifty_mistakes_in_the_order_of_its_lines() -> None:
    shape = Table(dict, {"a": Key(Number(), required=True)})
    for count, what in ((1, "1 error in f"), (2, "2 errors in f"), (50, "50 errors in f")):
        text = "a: 1\n" + "".join(f"k{n}: 1\n" for n in range(count))
        with pytest.raises(BadInput) as caught:
            read_sheet(text.encode(), "f", shape)
        assert caught.value.what == what
        assert [p.line for p in caught.value.problems] == list(range(2, count + 2))
        assert caught.value.remedy == "Correct the file. Nothing was done"
    with pytest.raises(BadInput) as caught:
        read_sheet(b"".join(b"k%d: 1\n" % n for n in range(60)), "f", shape)
    assert caught.value.what == "61 errors in f, of which the first 50 are listed"
    assert str(caught.value.problems[0]).startswith("f:1  k0")


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"a: 1\n\xff\n", "f:2  not a text file in UTF-8"),
        (b"", "f  the file is empty"),
        (b"a: 1\n--- \nb: 2\n", "f:2  a second document begins here"),
        (b"a: &x 1\n", "f:1  anchors (&) and tags (!) are not used here"),
        (b"a: 1\nb: !x 1\n", "f:2  anchors (&) and tags (!) are not used here"),
        (b"a: &x 1\nb: *x\n", "f:2  aliases (*x) are not used here: write it out"),
        (b"[" * 13 + b"]" * 13, ""),
        (b"[" * 14 + b"]" * 14, "f:1  nested more than 12 levels deep"),
        (b"{a: [\n1\n", "f:3  not readable as YAML: "),
        (b"a: 1\n? [b]\n: c\n", "f:2  a key must be a word, not a list or table"),
        (b"\xef\xbb\xbfa: 1\n", ""),
        (b"a: \x00\n", "f  not readable as YAML: "),
    ],
)
def test_what_of_yaml_is_not_used(data: bytes, what: str) -> None:
    sheet = Sheet("f")
    node = compose(data, sheet)
    said = [str(problem) for problem in sheet.problems]
    if what:
        assert any(text.startswith(what) for text in said), said
    else:
        assert (said, node is not None) == ([], True)


def test_a_file_of_more_than_eight_megabytes_is_none_of_ours(tmp_path: Path) -> None:
    assert MOST_BYTES == 8_000_000
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate(8_000_000)
    assert len(read_file(path)) == 8_000_000
    with path.open("wb") as file:
        file.truncate(8_000_001)
    with pytest.raises(BadInput, match="is larger than 8 MB"):
        read_file(path)
    with pytest.raises(BadInput, match="cannot be read: is a directory") as caught:
        read_file(tmp_path)
    assert caught.value.remedy == "Nothing was done"


# --- whole files ---------------------------------------------------------------------------------

ROLLER = Roller(28.1, 1.2, 0.4, 0.01, 0.02, 0.05, 0.015)
FULL = Profile(
    name="crane",
    note="own numbers: none # of a maker",
    family="override",
    axes=Axes("x", "-z", "y"),
    mechanics=Mechanics(
        gantry_angle_deg=35.5,
        drives={
            "across": Drive(400, 32, 2.5, Toothed(20, 2, u_relative=0.0007)),
            "gantry": Drive(200, 16, 1, Screw(8, u_relative=0.002)),
            "belt": Drive(200, 16, 13.7, ROLLER),
        },
        travel_mm={"across": 220, "gantry": 200.5, "belt": 400},
        belt_loop_mm=1460,
        max_pulse_rate=30_000,
        screws=BedScrews(320, 0.77),
        stand=Stand(
            0.7,
            {"front-left": Post(0, 0), "front-right": Post(200, 0), "back": Post(100.5, -300)},
            "back",
            "M4",
        ),
        yaw_span_mm=300,
        coupling="axes",
    ),
    material=Material("PETG", 0.4, 0.1, 2.85, 231, 70),
    bead=Bead(0.4, 0.2, 30, 15, 90),
    instrument=Instrument(0.02, 0.04, 0.03, 150, 0.05, "/dev/ttyACM0"),
    tolerance=Tolerance(0.2, 0.15),
    priors=Priors(4, 2, 1.1, 0.6, 0.7, 0.4, 0.01),
    budget=replace(Budget(), zero_mm=0.02),
    link=Port("socket://bench:7000", 250_000, "keep"),
    settings={
        "steps_per_mm.x": SavedSetting(Setting(80.01, "step/mm", 2, "M92 X80.01"), 80.0123),
        "max_speed.x@quiet": SavedSetting(Setting(1 / 3, "mm/s", 4, tolerance=0.0005 / 60)),
        "home_offset.x": SavedSetting(Setting(-1.5, "mm", 1)),
    },
    other=("M145 S0 H180 B70 F0", "echo:; something: else\x07"),
    identity='a "controller" 1.2',
    read_at="2026-03-01T10:00:00+00:00",
    read_from="socket://bench:7000",
)
PARTLY = Profile(
    "partly",
    mechanics=Mechanics(drives={"belt": Drive(200, 16, 3, Roller(28, 1))}, travel_mm={"belt": 400}),
    material=Material("unnamed", 0.5, bed_c=60),
)
PROFILES = {
    "full": FULL,
    "partly": PARTLY,
    "new": Profile("new"),
    "named": Profile(
        "named", material=Material("PETG"), mechanics=Mechanics(screws=BedScrews(1, 2))
    ),
    "heron": load_profile(ready_profiles() / "heron.yaml"),
    "stilt": load_profile(ready_profiles() / "stilt.yaml"),
}


@pytest.mark.parametrize("name", PROFILES)
def test_a_profile_is_written_as_it_was_and_reads_back(name: str, pinned: Pinned) -> None:
    profile = PROFILES[name]
    text = profile_text(profile)
    pinned(f"store/profile-{name}", text)
    again = read_profile(text.encode(), "again")
    assert replace(again, other=()) == replace(profile, other=())
    pinned(f"store/plain-{name}", json.dumps(profile_plain(profile), indent=1, default=str))


def test_readings_are_written_as_they_were_and_read_back(pinned: Pinned) -> None:
    file = read_readings(WHOLE.encode(), "whole")
    pieces = (LaidPiece("one", "strip", {"long": 60.0}), LaidPiece("two", "post"))
    checks = (Check(10, 0.01, 0.005, "2026-03-01"), Check(20, -0.01, 0.005))
    file = replace(file, note="a note", pieces=pieces, survey=replace(file.survey, checks=checks))
    text = readings_text(file)
    pinned("store/readings-whole", text)
    assert read_readings(text.encode(), "again") == file
    least = b"format: plumbelt-readings/1\nreadings: [{feature: gap, along: [9, 0, 0], mm: [0]}]\n"
    pinned("store/readings-least", readings_text(read_readings(least, "least")))
    settings = {"max_speed.x": 1.0, "max_speed_limit.x": 2.0, "max_speed.e0": 3.0}
    assert of_kind(settings, "max_speed") == {"x": 1.0, "e0": 3.0}


def test_drives_are_told_with_what_is_not_usual_of_them() -> None:
    plain = {"full_steps": 200, "microsteps": 16, "ratio": 2}
    for output, told in (
        (Toothed(20, 2), {"teeth": 20, "pitch_mm": 2}),
        (Toothed(20, 2, 0.01), {"teeth": 20, "pitch_mm": 2, "u_relative": 0.01}),
        (Screw(8), {"lead_mm": 8}),
        (Screw(8, 0.01), {"lead_mm": 8, "u_relative": 0.01}),
        (Roller(28, 1), {"roller_mm": 28, "belt_mm": 1}),
        (Roller(28, 1, 0.4), {"roller_mm": 28, "belt_mm": 1, "neutral_mm": 0.4}),
        (Roller(28, 1, u_belt=0.1), {"roller_mm": 28, "belt_mm": 1, "u_belt_mm": 0.1}),
        (Roller(28, 1, run_out=0), {"roller_mm": 28, "belt_mm": 1, "run_out_mm": 0}),
        (Roller(28, 1, u_diameter=0), {"roller_mm": 28, "belt_mm": 1, "u_roller_mm": 0}),
        (Roller(28, 1, 0.4, u_neutral=0.1),
         {"roller_mm": 28, "belt_mm": 1, "neutral_mm": 0.4, "u_neutral_mm": 0.1}),
    ):  # fmt: skip
        assert drive_plain(Drive(200, 16, 2, output)) == {**plain, **told}
    assert mechanics_plain(Mechanics(max_pulse_rate=5)) == {"max_pulse_rate": 5}
    whole = read_readings(WHOLE.encode(), "whole")
    assert "budget" not in readings_text(whole)
    survey = replace(whole.survey, budget=replace(Budget(), zero_mm=1.0))
    assert "\nbudget: {zero_mm: 1}\n" in readings_text(replace(whole, survey=survey))


# --- spoiled files -------------------------------------------------------------------------------


def _spoiled(lines: list[str], dice: Dice) -> tuple[str, list[str]]:
    """The lines with one word or mark of them changed, and what was done."""
    place = dice.below(len(lines))
    line = lines[place]
    words = line.split(" ")
    at = dice.below(len(words))
    match dice.below(7):
        case 0:
            words[at] = words[at][:-1]
        case 1:
            words[at] = words[at] + words[at][-1:]
        case 2:
            words[at] = words[at].replace(".", ",", 1).replace("1", "-1", 1)
        case 3:
            words[at] = "010"
        case 4:
            words = words[:at] + words[at + 1 :]
        case 5:
            words[at] = words[at].swapcase()
        case _:
            words[at] = f"'{words[at]}'"
    new = " ".join(words)
    return f"{place + 1}: {new}", [*lines[:place], new, *lines[place + 1 :]]


def _of_spoiled(text: str, read: Any, count: int, seed: int) -> Iterator[str]:
    dice, lines, whole = Dice(seed), text.splitlines(), read(text.encode(), "f")
    for _ in range(count):
        what, spoiled = _spoiled(lines, dice)
        yield what[:120]
        try:
            same = read("\n".join(spoiled).encode(), "f") == whole
            yield "    as before" if same else "    another"
        except BadInput as error:
            # of what is no YAML the library says why, in words of its version
            told = (f"    {p}"[:160] for p in error.problems if "as YAML" not in p.what)
            yield from told


def test_a_profile_that_was_mistyped_is_named_at_its_place(pinned: Pinned) -> None:
    text = profile_text(FULL)
    pinned("store/mistyped-profile", "\n".join(_of_spoiled(text, read_profile, 160, 3)))


def test_readings_that_were_mistyped_are_named_at_their_place(pinned: Pinned) -> None:
    pinned("store/mistyped-readings", "\n".join(_of_spoiled(WHOLE, read_readings, 120, 5)))


def _drive(**keys: Any) -> str:
    return f"mechanics: {{drives: {{belt: {json.dumps(keys)}}}}}"


STEPS = {"full_steps": 200, "microsteps": 16}
WRONG = [
    *("axes: {across: X}", "axes: {across: --x}", "axes: {across: [x]}", "axes: {across: y}"),
    *("axes: {over: x}", "mechanics: {coupling: both}", "mechanics: {travel_mm: {x: 5}}"),
    _drive(**STEPS),
    _drive(**STEPS, teeth=20),
    _drive(**STEPS, pitch_mm=2),
    _drive(**STEPS, roller_mm=28),
    _drive(**STEPS, belt_mm=1),
    _drive(**STEPS, roller_mm=28, belt_mm=1, neutral_mm=2),
    _drive(**STEPS, roller_mm=28, belt_mm=1, u_relative=0.1),
    _drive(**STEPS, lead_mm=8, teeth=20),
    _drive(**STEPS, lead_mm=8, u_belt_mm=1),
    _drive(**STEPS, u_relative=0.1),
    _drive(full_steps=200, lead_mm=8),
    "mechanics: {screws: {span_mm: 320}}",
    "mechanics: {screws: {span_mm: 320, screw: M4, pitch_mm: 0.7}}",
    "mechanics: {screws: {span_mm: 320, screw: M99}}",
    "mechanics: {bed: {screw: M4, at: {a: [0, 0], b: [1, 1]}}}",
    "mechanics: {bed: {screw: M4, fixed: d, at: {a: [0, 0], b: [1, 1], c: [2, 0]}}}",
    "mechanics: {bed: {at: {a: [0, 0], b: [1, 1], c: [2, 0]}}}",
    "mechanics: {bed: {screw: M4, at: {1a: [0, 0], b: [1], c: 5}}}",
    *("link: {lines: sideways}", "link: {baud: 0}", "material: {nozzle: 5}", "settings: {x: {}}"),
    "settings: {steps_per_mm.x: {value: 80, digits: 2, unit: mm}}",
    "settings: {steps_per_mm.x: {value: 80, digits: 2, written: 80.01}}",
    "settings: {steps_per_mm.x: {value: 80, digits: 2, written: -80}}",
    "settings: {steps_per_mm.x y: {value: 80, digits: 2}, max_sped.x: {value: 1, digits: 0}}",
    "settings: {home_offset.x: {value: -1, digits: 0, written: -1.2}}",
    *("other: [5, [6]]", "other: text", "name: twice", "family: of nobody", "note: [a]"),
    *("format: plumbelt-profile/2", "budget: {zero_mm: -1}", "priors: {form_mm: -1}"),
]


def test_one_wrong_thing_of_each_kind_in_a_profile(pinned: Pinned) -> None:
    said = []
    for wrong in WRONG:
        text = f"format: plumbelt-profile/1\nname: crane\n{wrong}\n"
        said.append(wrong)
        try:
            said.append(f"    {read_profile(text.encode(), 'f')}")
        except BadInput as error:
            said += _mistakes(error)
    said += _mistakes(_refused(b"- 1\n"))
    said += _mistakes(_refused(b"name: ../x\n"))
    pinned("store/wrong-profile", "\n".join(said))


def _refused(data: bytes) -> BadInput:
    with pytest.raises(BadInput) as caught:
        read_profile(data, "f")
    return caught.value


@pytest.mark.parametrize(
    ("key", "what"),
    [
        ("steps_per_mm.x", ""),
        ("junction_deviation", ""),
        ("max_speed.x@quiet_mode", ""),
        ("motor_current.z_2", ""),
        ("steps_per_mm.e12", "expected something like steps_per_mm.x, found 'steps_per_mm.e12'"),
        ("steps_per_mm.", "expected something like steps_per_mm.x, found 'steps_per_mm.'"),
        ("max_speed.x@", "expected something like max_speed.x, found 'max_speed.x@'"),
        ("acceleration.printing", ""),
        ("acceleration.printings", "expected something like acceleration.x"),
        ("jerks.x", "unknown setting; did you mean 'jerk'?"),
    ],
)
def test_keys_of_settings(key: str, what: str) -> None:
    told = setting_key_problem(key)
    assert told.startswith(what)
    assert bool(told) == bool(what)


# --- keys set in place ---------------------------------------------------------------------------

TYPED = """\
# mine
name: crane   # so
mechanics:
  # gantry_angle_deg: not known
  belt_loop_mm: 1460    # by the sheet
  drives:
    belt: {full_steps: 200}

# plastic
material: {name: PETG, bed_c: 60}

other:
  - a
  - b
"""


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("name", "stork"),
        ("mechanics.gantry_angle_deg", Bare("45")),
        ("mechanics.belt_loop_mm", Bare("1500")),
        ("mechanics.yaw_span_mm", Bare("300")),
        ("mechanics.drives", {"belt": {"full_steps": 400}}),
        ("material.bed_c", Bare("70")),
        ("material.nozzle_c", Bare("230")),
        ("bead.width_mm", Bare("0.5")),
        ("note", "added"),
        ("other", ["c"]),
        ("settings.steps_per_mm.x", {"value": 80, "digits": 2}),
        ("material", {"name": "ASA"}),
    ],
)
def test_a_key_is_set_where_a_person_wrote_it(key: str, value: Any, pinned: Pinned) -> None:
    pinned(f"store/set-{key}", with_key(TYPED, key, value))


def test_a_key_that_cannot_be_set_alone() -> None:
    with pytest.raises(ValueError, match="lies too deep to be set alone; 'profile edit'"):
        with_key(TYPED, "mechanics.drives.belt", 5)
    with pytest.raises(ValueError, match="other is no table"):
        with_key("other: [a]\n", "other.x", 5)
    assert with_key("", "note", "a") == "note: a\n"
    assert with_key("a: 1", "b.c", Bare("2")) == "a: 1\n\nb: {c: 2}\n"


def test_a_profile_is_amended_only_where_it_differs(pinned: Pinned) -> None:
    text = (ready_profiles() / "heron.yaml").read_text()
    heron = read_profile(text.encode(), "")
    material = replace(heron.material, nozzle_c=231.0)
    kept = {k: s for k, s in heron.settings.items() if k != "max_speed.x"}
    changed = {
        "nothing": heron,
        "one value": replace(heron, material=material),
        "a note": replace(heron, note="mine now"),
        "something new": replace(heron, identity="a board", read_at="now"),
        "a key less": replace(heron, settings=kept),
        "a drive": replace(heron, mechanics=replace(heron.mechanics, drives={})),
    }
    assert amended_text(text, heron) == text
    said = []
    for name, profile in changed.items():
        amended = amended_text(text, profile)
        assert read_profile(amended.encode(), "") == profile
        old = text.splitlines()
        said += [name, *(f"  + {line}" for line in amended.splitlines() if line not in old)]
        said += [f"  of {len(amended.splitlines())} lines"]
    pinned("store/amended", "\n".join(said))
    assert amended_text("not a profile", heron) == profile_text(heron)


# --- text ----------------------------------------------------------------------------------------


def test_numbers_are_written_shortest_and_read_back() -> None:
    for value, text in (
        (5.0, "5"), (-5.0, "-5"), (0.1, "0.1"), (1e14, "100000000000000"),
        (1e15, "1000000000000000.0"), (1e-7, "1e-07"), (2.5, "2.5"), (1e16, "1e+16"),
    ):  # fmt: skip
        assert number(value) == text
        assert float(text) == value
    assert [fixed(80.0, 2), fixed(80.123, 2), fixed(80.0, 0)] == ["80.00", "80.123", "80"]


def test_plain_values_become_yaml_that_a_person_would_write(pinned: Pinned) -> None:
    long = [float(n) / 7 for n in range(40)]
    plain = {
        "word": "left",
        "words": "left and right",
        "quoted": ["yes", "No", "null", "", "a: b", "a #b", "5", "-x", "ends ", "two  blanks", "é"],
        "bare": Bare("80.00"),
        "numbers": [1, 2.5, 1e-7],
        "empty": {},
        "none": [],
        "table": {"a": 1, "b c": "d"},
        "long": long,
        "deep": {"long": long[:20], "tables": {"one": {"a": 1}, "two": {"a": 2}}},
        "list of tables": [{"a": 1, "b": [1, 2]}, {"a": 2, "long": long[:18]}, {}],
        "texts": ["a" * 40, "b" * 40, "c" * 40],
        "just fits": "x" * 89,
        "wide table": {f"key{n}": n for n in range(12)},
        "mixed": [[1, 2], [3, 4]],
        "lists": [[float(n) for n in range(30)], [1]],
    }
    text = dump(plain)
    pinned("store/yaml", text)
    import yaml

    read = yaml.safe_load(text)
    assert read["long"] == long
    assert read["quoted"] == plain["quoted"]
    assert read["list of tables"] == plain["list of tables"]
    assert read["deep"] == plain["deep"]
    assert read["lists"] == plain["lists"]
    for wrong in (True, None):
        with pytest.raises(TypeError, match="no file of ours holds"):
            dump({"a": wrong})


# --- finding and saving --------------------------------------------------------------------------


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    return tmp_path


def test_where_a_profile_is_found(home: Path) -> None:
    assert find_profile("x.yaml") == Path("x.yaml")
    assert find_profile("a.yml") == Path("a.yml")
    assert find_profile("folder/name") == Path("folder/name")
    assert find_profile("heron") == ready_profiles() / "heron.yaml"
    assert list(profile_names()) == ["avocet", "curlew", "egret", "heron", "stilt"]
    saved = save_profile(Profile("mine"))
    assert saved.path == home / "profiles" / "mine.yaml"
    assert not saved.ready
    assert find_profile("mine") == saved.path
    assert "mine" in profile_names()
    with pytest.raises(BadInput) as caught:
        find_profile("herron")
    assert caught.value.what == "no profile is named 'herron'; did you mean 'heron'?"
    assert "'profile list'" in caught.value.remedy
    for name in ("con", "a b", "x" * 65, ".x"):
        with pytest.raises(BadInput) as caught:
            profile_path(name)
        words = "a name of letters, digits, '.', '_' and '-'"
        [problem] = caught.value.problems
        assert str(problem) == f"command line  NAME  expected {words}, found {name!r}"
    assert profile_path("x" * 64).name == "x" * 64 + ".yaml"


def test_what_a_person_wrote_stays_when_it_is_saved_over(home: Path) -> None:
    saved = save_profile(Profile("mine"))
    typed = saved.path.read_text() + "\n# my own remark\n"
    saved.path.write_text(typed)
    from agent.store.atomic import stamp

    again = save_profile(Profile("mine", note="x"), expect=stamp(saved.path))
    assert "# my own remark" in again.path.read_text()
    assert "note: x" in again.path.read_text()
    absent = home / "profiles" / "absent.yaml"
    assert save_profile(Profile("any"), absent, expect=None).path.exists()
    anew = save_profile(Profile("other", note="x"), home / "profiles" / "new.yaml")
    assert anew.path.read_text() == profile_text(Profile("other", note="x"))


def test_the_screws_of_a_bed_alone(tmp_path: Path) -> None:
    path = tmp_path / "bed.yaml"
    path.write_text("screw: M4\nat: {a: [0, 0], b: [1, 0], c: [0, 1]}\n")
    assert load_stand(path).screw == "M4"
    path.write_text("format: plumbelt-profile/1\nname: a\n")
    with pytest.raises(BadInput, match=r"mechanics\.bed is missing, the screws of the bed"):
        load_stand(path)


def test_a_reading_of_no_family_leaves_the_family_known() -> None:
    found = Readback(
        "unknown", {"jerk.x": Setting(8.0, "mm/s", 2)}, other=("M200 D1",), identity="b"
    )
    kept = with_settings(FULL, found, read_at="now", read_from="there")
    assert (kept.family, kept.other, kept.identity) == ("override", ("M200 D1",), "b")
    assert (kept.read_at, kept.read_from) == ("now", "there")
    assert dict(kept.settings) == {"jerk.x": SavedSetting(Setting(8.0, "mm/s", 2), None)}
    with pytest.raises(AgentError) as caught:
        with_settings(FULL, replace(found, damage=("a", "b")), read_at="", read_from="")
    assert str(caught.value) == (
        "The settings were not read cleanly: a; b. Read them again. Nothing was saved"
    )


def _no_plain(plain: Mapping[str, Any]) -> bool:
    return not any(value in (None, "", {}, []) for value in plain.values())


def test_a_plain_profile_holds_nothing_empty() -> None:
    for profile in PROFILES.values():
        assert _no_plain(profile_plain(profile))
    assert "other" not in profile_plain(Profile("new"))


def test_pieces_that_rise_want_the_angle_they_were_sliced_for() -> None:
    text = "format: plumbelt-readings/1\nreadings: [{feature: lean, along: [0, 0, 9], mm: [-1]}]\n"
    with pytest.raises(BadInput) as caught:
        read_readings(text.encode(), "f")
    assert str(caught.value.problems[0]) == (
        "f:1  mechanics.gantry_angle_deg is missing: the angle, in degrees, for which the pieces"
        " were sliced; expected a line such as mechanics: {gantry_angle_deg: 35}"
    )
    flat = text.replace("0, 0, 9", "0, 9, 0")
    assert read_readings(flat.encode(), "f").survey.readings[0].mm == (-1.0,)
    with pytest.raises(BadInput) as caught:
        read_readings(b"format: plumbelt-readings/1\nbelt_run: 5\n", "f")
    assert "expected a run over marks: {commanded: [...], measured: [...]}, found '5'" in str(
        caught.value
    )


def test_lines_of_a_file_are_a_hundred_characters_long_at_most() -> None:
    assert dump({"a": ["x" * 95]}) == f"a: [{'x' * 95}]\n"
    assert dump({"a": ["x" * 96]}) == f"a: [\n  {'x' * 96},\n  ]\n"
    assert dump({"a": {"b": "x" * 92}}) == f"a: {{b: {'x' * 92}}}\n"
    assert dump({"a": {"b": "x" * 93}}) == f"a:\n  b: {'x' * 93}\n"
    fits, beyond = ["x" * 50, "y" * 44, "z"], ["x" * 50, "y" * 45, "z"]
    assert dump({"a": fits}) == f"a: [\n  {'x' * 50}, {'y' * 44},\n  z,\n  ]\n"
    assert dump({"a": beyond}) == f"a: [\n  {'x' * 50},\n  {'y' * 45}, z,\n  ]\n"
    assert dump({"a": "x" * 300}) == f"a: {'x' * 300}\n"


def test_what_must_be_above_nought_may_be_as_small_as_it_likes() -> None:
    least = 1e-9
    document = {
        "format": "plumbelt-readings/1",
        "settings": {
            kind: {"x": least} for kind in ("steps_per_mm", "max_speed", "max_acceleration")
        },
        "readings": [{"feature": "gap", "along": [9, 0, 0], "mm": [0], "u_mm": least}],
        "belt_run": {"commanded": [0, 1, 2], "measured": [0, 1, 2], "u_mm": least},
        "checks": [{"known_mm": least, "deviation_mm": 0, "u_mm": least}],
        "pieces": [{"name": "a", "piece": "b", "size": {"long": least}}],
        "conditions": {"minutes_since_print": 0},
    }
    file = read_readings(json.dumps(document).encode(), "f")
    assert (file.survey.readings[0].u_mm, file.survey.belt_runs[0].u_mm) == (least, least)
    assert file.survey.checks == (Check(least, 0, least),)
    assert file.pieces[0].size == {"long": least}
    assert set(file.settings.values()) == {least}
    assert file.survey.conditions.minutes_since_print == 0


def test_a_long_or_odd_key_is_shown_shortened_and_quoted() -> None:
    shape = Table(dict, {"a": Key(Number())})
    for name, shown in (
        ("k" * 60, "k" * 60),
        ("k" * 61, f"'{'k' * 60}'"),
        ('"k\\tq"', r"'k\tq'"),
    ):
        with pytest.raises(BadInput) as caught:
            read_sheet(f"{name}: 1\n".encode(), "f", shape)
        assert [problem.key for problem in caught.value.problems] == [shown]
