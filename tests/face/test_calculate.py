"""`drive` and `shim` from the command line, good and bad."""

import json
import math
import shlex
import warnings

import pytest

from agent.face.main import run


def outcome(capsys: pytest.CaptureFixture[str], line: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error of one command line."""
    code = run(shlex.split(line))
    out, err = capsys.readouterr()
    return code, out, err


def test_drive_of_a_roller(capsys: pytest.CaptureFixture[str]) -> None:
    line = "drive --full-steps 200 --microsteps 16 --ratio 3 --roller 28 --belt 1 --json"
    code, out, err = outcome(capsys, line)
    found = json.loads(out)
    # Travel per turn pi * (D + t): belt-drive chapters of theory of machines, neutral line at t/2.
    assert (code, err) == (0, "")
    assert math.isclose(found["steps_per_mm"], 200 * 16 * 3 / (math.pi * 29))
    assert math.isclose(found["mm_per_motor_turn"], math.pi * 29 / 3)


def test_drive_after_a_roller_change(capsys: pytest.CaptureFixture[str]) -> None:
    """Roller 28.0 -> 31.5, belt 0.9, measured 176.02: 157.0 step/mm, bare-roller theory 161.7."""
    line = "drive --ratio 5 --roller 31.5 --belt 0.9 --measured-steps 176.02 --was-roller 28 --json"
    code, out, _ = outcome(capsys, line)
    found = json.loads(out)["after_change"]
    assert code == 0
    assert math.isclose(found["steps_per_mm"], 176.02 * 28.9 / 32.4)
    assert 0.15 < found["u"] < 0.35  # 0.03 mm on each diameter; the belt is the same one


def test_drive_after_another_kind_of_output(capsys: pytest.CaptureFixture[str]) -> None:
    line = "drive --teeth 20 --pitch 2 --measured-steps 401 --was-lead 8 --json"
    code, out, _ = outcome(capsys, line)
    assert code == 0
    assert math.isclose(json.loads(out)["after_change"]["steps_per_mm"], 401 * 80 / 400)


@pytest.mark.parametrize(
    ("options", "steps"),
    # Common practice: 200 steps, 16 microsteps, 20 teeth of 2 mm give 80; a lead of 8 mm, 400.
    [("--teeth 20 --pitch 2", 80.0), ("--teeth 20 --pitch 2,0", 80.0), ("--lead 8", 400.0)],
)
def test_drive_of_other_outputs(
    capsys: pytest.CaptureFixture[str], options: str, steps: float
) -> None:
    code, out, _ = outcome(capsys, f"drive --json {options}")
    assert (code, json.loads(out)["steps_per_mm"]) == (0, steps)


@pytest.mark.parametrize(
    ("was", "steps"),
    [
        ("--was-microsteps 32", 40.0),
        ("--was-ratio 2", 40.0),
        ("--was-teeth 10", 40.0),
        ("--was-pitch 3", 120.0),
        ("--was-microsteps 8 --was-teeth 10", 80.0),
    ],
)
def test_measured_steps_change_as_the_part_that_was_replaced(
    was: str, steps: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """Steps go as microsteps and ratio, and inversely as the travel of a turn: of 80 by hand."""
    line = f"drive --teeth 20 --pitch 2 --measured-steps 80 {was} --json"
    code, out, _ = outcome(capsys, line)
    assert code == 0
    assert json.loads(out)["after_change"]["steps_per_mm"] == pytest.approx(steps)


@pytest.mark.parametrize(
    ("options", "u_mm"),
    [
        ("--neutral 0.5", 0.03),
        ("--neutral 0.5 --u-roller 0.05", 0.05),
        ("--neutral 0.5 --u-roller 0", 0.0),
        ("--neutral 0.5 --u-belt 9", 0.03),
    ],
)
def test_the_roller_s_own_uncertainty_counts_where_the_neutral_line_is_known(
    options: str, u_mm: float, capsys: pytest.CaptureFixture[str]
) -> None:
    """Travel of a turn is pi times 28 + 2 x 0.5 mm, so that u over steps is u over 29 mm."""
    code, out, _ = outcome(capsys, f"drive --roller 28 --belt 1 {options} --json")
    document = json.loads(out)
    assert code == 0
    assert document["u_steps_per_mm"] == pytest.approx(document["steps_per_mm"] * u_mm / 29)


def test_all_mistakes_of_a_line_are_named_at_once(capsys: pytest.CaptureFixture[str]) -> None:
    line = "drive --teeth 2.5 --pitch nan --ratio 0 --microsteps -4 --json"
    code, out, err = outcome(capsys, line)
    problems = json.loads(out)["problems"]
    assert code == 2
    assert [p["key"] for p in problems] == ["--teeth", "--pitch", "--ratio", "--microsteps"]
    assert "4 errors" in err


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("drive", "output of the drive train is missing"),
        ("drive --roller 28", "is missing for a roller"),
        ("drive --roller 28 --belt 1 --neutral 1.5", "between 0 and its thickness"),
        ("drive --lead 8 --teeth 20", "given together"),
        ("drive --lead 8 --was-lead 4", "--measured-steps  is missing"),
        ("drive --lead 8 --measured-steps 400", "--was-roller  is missing"),
        ("drive --lead 1e999", "larger than any number"),
        ("drive belt --was-teeth 16", "goes without an axis: the profile tells what it was"),
        ("shim --span 320 --front 1 --back 0", "one of them is wanted"),
        ("shim --span 320 --front 1 --back 0 --screw M4 --pitch 1", "both are given"),
        ("shim --span 320 --front 1 --back 0 --screw M7", "not a coarse thread"),
        ("shim", "4 errors"),
        ("shim extra", "unexpected extra argument"),
        ("shim --at 0 0 0 --at 9 0 0 --span 9", "goes with two heights"),
        ("shim --at 0 0 0 --at 9 0 0", "three points at least"),
        ("shim --at 0 0 0 --at 9 0 0 --at 5 5 0 --screw M4", "turns want the places"),
        ("drve", "Unknown command"),
        ("drive --latheral", "No such option"),
    ],
)
def test_wrong_use_is_told_and_exits_2(
    capsys: pytest.CaptureFixture[str], line: str, said: str
) -> None:
    code, out, err = outcome(capsys, line)
    assert (code, out) == (2, "")
    assert said in err


def test_shim_raises_the_lower_end(capsys: pytest.CaptureFixture[str]) -> None:
    line = "shim --span 320 --front -0.3 --back 0.1 --screw M4 --json"
    code, out, _ = outcome(capsys, line)
    found = json.loads(out)
    # ISO 261 coarse series: M4 has 0.7 mm a turn.
    assert (code, found["which"]) == (0, "front")
    assert math.isclose(found["turns"], 0.4 / 0.7)
    assert math.isclose(found["tilt_deg"], math.degrees(math.atan(-0.4 / 320)))


#: Lines that calculate from what is typed; every number of them is put to its ends in turn.
TYPED = (
    "shim --span 320 --front 1 --back 1.2 --pitch 0.7",
    "shim --at 0 0 0 --at 240 0 0.1 --at 120 200 0.1 --screw M4",
    "drive --full-steps 200 --microsteps 16 --ratio 3 --roller 28 --belt 1",
    "drive --teeth 20 --pitch 2",
    "drive --lead 8",
    "drive belt --profile heron --roller 28 --measured-steps 105",
    "piece strip --length 300",
    "outlook --profile heron --tolerance 0.1",
)
ENDS = ("5e-324", "2.2e-308", "1e-12", "1e-9", "0", "-1", "1e12", "1e200", "1.79e308", "1e999")


def none_of_these(text: str) -> float:
    raise AssertionError(f"{text} is no JSON number")


@pytest.mark.parametrize("line", TYPED)
def test_typed_numbers_at_their_ends_give_numbers_or_a_sentence(
    line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = line.split()
    for place, word in enumerate(words):
        if not word.replace(".", "").isdigit():
            continue
        for end in ENDS:
            typed = [*words[:place], end, *words[place + 1 :], "--json"]
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                code = run(typed)
            told = capsys.readouterr()
            document = json.loads(told.out, parse_constant=none_of_these)
            assert code in (0, 1, 2), typed
            assert ("error" in document) == (code != 0), typed
            assert not code or told.err, typed
