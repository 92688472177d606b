"""`drive AXIS`: a part was replaced, and the profile tells what it was before."""

import json
import math

import pytest

from agent.face.desk import Desk
from agent.face.main import run
from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.replaced import after_replacing, parts_of, with_parts
from agent.store.profiles import load_profile
from tests.face.bench import carry_out, desk_at, digest_in


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
