"""`drive AXIS`: a part was replaced, and the profile tells what it was before."""

import json
import math
from dataclasses import replace

import pytest

from agent.errors import Refused
from agent.face.desk import Desk
from agent.face.main import run
from agent.face.replacing import _measured
from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.replaced import after_replacing, parts_of, with_parts
from agent.store.profiles import load_profile
from tests.face.bench import carry_out, desk_at, digest_in, forge


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))


def test_a_new_roller_scales_the_measured_value(capsys):
    """old measured * old travel / new travel: pi (28 + 1) to pi (31.5 + 1)."""
    code = run(["drive", "belt", "--profile", "heron", "--roller", "31.5", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert code == 0
    assert found["steps_per_mm"] == pytest.approx(105.37 * 29 / 32.5)
    assert found["low"] < found["steps_per_mm"] < found["high"]
    assert found["measure_again"][0].startswith("gauge travel-belt")


def test_counted_parts_leave_no_uncertainty_and_name_the_pulse_rate(capsys):
    assert run(["drive", "gantry", "--profile", "heron", "--microsteps", "32", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["steps_per_mm"], found["u"]) == (160.0, 0.0)
    assert any("what the controller can step" in line for line in found["measure_again"])


def test_it_is_asked_what_was_replaced_and_kept_where_wanted():
    answers = iter(["pulley", "16"])
    desk = Desk(in_shell=True)
    desk.session.contact.use(load_profile("heron"))
    desk.screen.ask_with(lambda question: next(answers))
    assert run(["drive", "across", "--keep"], desk) == 0
    kept = load_profile("heron")
    assert kept.mechanics.drives["across"].output == Toothed(16, 2.0)
    assert kept.mechanics.drives["belt"] == load_profile("heron").mechanics.drives["belt"]
    assert desk.session.profile.mechanics.drives["across"].output == Toothed(16, 2.0)


def test_at_a_machine_the_new_value_waits_for_its_digest_and_rests_on_what_was_written():
    new = 105.37 * 29 / 32.5
    desk = desk_at(answers={"To write": digest_in, "large change": f"{new:.10g}"})
    assert carry_out(desk, ["attach", "drive belt --roller 31.5", "write"]) == [0, 0, 0]
    live = desk.rehearsal.machine.controller.live
    assert live["steps_per_mm.z"] == pytest.approx(new, abs=1e-4)
    # the value that was written, in full, is what the next part starts from
    assert carry_out(desk, ["drive belt --roller 33"]) == [0]
    assert desk.session.bench.plan.wanted["steps_per_mm.z"] == pytest.approx(
        new * 29 / 34, rel=1e-6
    )


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("drive belt --profile heron", "What was replaced"),
        ("drive belt --profile heron --roller 28", "differs from the drive in"),
        ("drive belt --profile heron --roller 30 --was-roller 28", "goes without an axis"),
        ("drive belt --profile heron --pitch 3", "both teeth and pitch"),
    ],
)
def test_what_cannot_be_calculated_is_refused(line, said, capsys):
    assert run(line.split()) == 2
    assert said in capsys.readouterr().err.replace("\n", " ")


def test_another_kind_of_output_replaces_the_old_one_whole():
    old = Drive(200, 16, 3, Roller(28, 1))
    assert with_parts(old, {"teeth": 20, "pitch": 2}).output == Toothed(20, 2)
    assert with_parts(old, {"lead": 8}).output == Screw(8)
    assert with_parts(old, {"belt": 1.5}).output == Roller(28, 1.5)
    assert parts_of(old)[:2] == ("roller", "belt")
    found = after_replacing("belt", old, with_parts(old, {"belt": 1.5}), old.steps_per_mm)
    assert found.steps_per_mm == pytest.approx(9600 / (math.pi * 29.5))
    assert any("belt_loop_mm" in line for line in found.again)


def bare(desk: Desk) -> None:
    """The profile at hand keeps no settings any more."""
    desk.session.contact.use(replace(desk.session.profile, settings={}))


def before(desk: Desk) -> float:
    return _measured(desk, desk.session.profile, "belt")


def test_what_was_right_before_is_what_is_known_best():
    """What the profile keeps, else what is live; a live value that plumbelt wrote goes first."""
    desk = desk_at()
    key = "steps_per_mm.z"
    kept = desk.session.profile.settings[key].exact
    desk.rehearsal.machine.controller.live[key] = 99.5
    assert before(desk) == kept
    carry_out(desk, ["attach"])
    assert before(desk) == kept  # somebody else set what is live
    forge(desk, written={key: (99.49876, 80.0)})
    assert before(desk) == 99.49876  # printed as 99.50
    forge(desk, written={key: (98.0,)})
    assert before(desk) == kept  # it has been set otherwise since
    bare(desk)
    assert before(desk) == 99.5
    other = replace(desk.session.profile, name="other")
    forge(desk, written={key: (99.49876,)})
    assert _measured(desk, other, "belt") == pytest.approx(99.5, abs=0.005)


@pytest.mark.parametrize("read", [False, True])
def test_nothing_rests_on_a_damaged_reading_or_on_none(read):
    desk = desk_at()
    if read:
        carry_out(desk, ["attach"])
        forge(desk, readback=replace(desk.session.bench.readback, damage=("cut off",)))
    bare(desk)
    with pytest.raises(Refused, match=r"what steps_per_mm\.z was before is not known"):
        before(desk)


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (["wheel"], "'wheel' is no part of this drive"),
        (["ROLLER", "big"], "a number such as 12.5, found 'big'. Nothing was calculated"),
    ],
)
def test_a_part_that_is_none_is_refused(answers, said, capsys):
    desk = Desk(in_shell=True)
    desk.session.contact.use(load_profile("heron"))
    desk.screen.ask_with(lambda question: answers.pop(0))
    assert run(["drive", "belt", "--keep"], desk) == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_what_a_new_part_means_is_told(capsys):
    """105.37 step/mm at 28 mm become 105.37 29/32.5 at 31.5 mm: 10.77 % fewer."""
    assert run(["drive", "belt", "--profile", "heron", "--roller", "31.5"]) == 0
    said = capsys.readouterr().out
    assert "steps_per_mm.z   105.3700 -> 94.0225 ±" in said
    assert "step/mm (95 %), -10.77 %\n" in said
    assert "'--keep' puts the new part into the profile." in said
    assert "as a command line" not in said
    assert "Only counted parts changed" not in said
    assert run(["drive", "gantry", "--profile", "heron", "--microsteps", "32", "--keep"]) == 0
    said = capsys.readouterr().out
    assert "Only counted parts changed, so that the value is as sure as it was before." in said
    assert "'--keep'" not in said
    desk = desk_at()
    carry_out(desk, ["attach", "drive belt --roller 31.5"])
    said = capsys.readouterr().out
    assert "  as a command line    M92 Z94.0224" in said
    assert "'write' shows the plan and asks for its digest" in said
    carry_out(desk, ["drive belt --roller 31.5 --profile egret"])  # not the one that is attached
    assert "'write' shows the plan" not in capsys.readouterr().out
