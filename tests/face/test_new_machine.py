"""From `profile new` to the first piece laid, on machines that no profile is known of.

A player answers what a technician at the machine would: it reads the type plate (the invented
machine's own profile) and sees which way an axis moved.  Every question put to it is counted.
"""

from __future__ import annotations

import io
import json
import os
import tempfile
import time
from contextlib import redirect_stdout
from dataclasses import replace
from pathlib import Path

import pytest

from agent.face.desk import Desk
from agent.face.main import run
from agent.model.drive import Roller, Screw, Toothed
from agent.model.roles import ROLES
from agent.rehearsal import behind_a_terminal, plain_profile
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile, profile_path, save_profile

MACHINES = ("heron", "egret", "curlew", "stilt", "avocet")

#: What a new user may be asked at most, from the first question to the piece on the belt.
MOST_ANSWERS = 25


def parts(drive):
    """A drive as a technician would type it."""
    words = [f"steps {drive.full_steps} micro {drive.microsteps} ratio {drive.ratio:g}"]
    output = drive.output
    if isinstance(output, Toothed):
        words.append(f"teeth {output.teeth} pitch {output.pitch:g}")
    elif isinstance(output, Screw):
        words.append(f"lead {output.lead:g}")
    else:
        words.append(f"roller {output.diameter:g} belt {output.belt:g}")
    return " ".join(words)


def bed_screws(mechanics):
    if mechanics.stand is not None:
        posts = mechanics.stand.posts.items()
        return f"{mechanics.stand.pitch_mm:g} " + " ".join(
            f"{name} {post.x_mm:g} {post.s_mm:g}" for name, post in posts
        )
    return f"{mechanics.screws.pitch_mm:g} {mechanics.screws.span_mm:g}"


class Player:
    """Answers questions as one who knows the machine `plate`; keeps what was asked."""

    def __init__(self, plate):
        self.plate = plate
        self.asked = []

    def __call__(self, question):
        self.asked.append(question)
        return self.answer(" ".join(question.split()))

    def answer(self, question):
        plate, mechanics = self.plate, self.plate.mechanics
        if question.startswith("Letters of the axes"):
            return " ".join(plate.axes.letter(role) for role in ROLES)
        if question.startswith("Angle between"):
            return f"{mechanics.gantry_angle_deg:g}"
        for role in ROLES:
            if question.startswith(f"Drive of the {role} axis"):
                return parts(mechanics.drives[role])
        if question.startswith("Travel of"):
            return " ".join(f"{mechanics.travel_mm[role]:g}" for role in ROLES)
        if question.startswith("Length of the belt"):
            return f"{mechanics.belt_loop_mm:g}"
        if question.startswith("Screws that set"):
            return bed_screws(mechanics)
        if question.startswith("May each axis"):
            return "yes"
        if "to the right or to the left" in question:
            return "right" if plate.axes.sign("across") > 0 else "left"
        if "up, away from the belt" in question:
            return "up" if plate.axes.sign("gantry") > 0 else "down"
        if "Did the belt's surface" in question:
            return "away" if plate.axes.sign("belt") > 0 else "toward"
        if question.startswith("Plastic"):
            return "PLA"
        if "Type 'hot'" in question:
            return "hot"
        if "'understood'" in question:
            return "understood"
        if "Type 'yes'" in question:
            return "yes"
        return ""  # what is proposed


@pytest.fixture(autouse=True)
def own_home(tmp_path, monkeypatch):
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))


@pytest.fixture
def served(request):
    name = request.param
    plate = load_profile(name)
    bench = behind_a_terminal(
        plain_profile(ready_profiles() / f"{name}.yaml"), seed=11, family=plate.family
    )
    yield plate, bench
    bench.close()


@pytest.mark.parametrize("served", MACHINES, indirect=True, ids=MACHINES)
def test_a_new_machine_lays_its_first_piece(served, capsys):
    plate, bench = served
    player = Player(plate)
    desk = Desk(in_shell=True)
    desk.screen.ask_with(player)
    try:
        assert run(["attach", bench.address], desk) == 0
        assert run(["profile", "new", "mine"], desk) == 0, capsys.readouterr()
        made = load_profile("mine")
        assert made.axes == plate.axes
        assert made.family == plate.family
        assert made.mechanics.gantry_angle_deg == plate.mechanics.gantry_angle_deg
        assert made.mechanics.travel_mm == plate.mechanics.travel_mm
        for role, drive in plate.mechanics.drives.items():
            output = made.mechanics.drives[role].output
            assert made.mechanics.drives[role].steps_per_mm == pytest.approx(drive.steps_per_mm)
            assert type(output) is type(drive.output) is not None
            assert not isinstance(output, Roller) or output.diameter == drive.output.diameter
        assert run(["lay", "strip"], desk) == 0, capsys.readouterr()
        said = " ".join(capsys.readouterr().out.split())
        # one family knows of no heaters: who set them by hand is told to switch them off by hand
        assert ("switch them off by hand NOW" in said) == (plate.family == "numbered")
    finally:
        desk.close()
    assert len(player.asked) <= MOST_ANSWERS, player.asked
    # the piece lies as it was meant: its longest length is there, and true to a few percent
    laid = desk.session.now.laid[-1].piece
    longest = max(
        (f for f in laid.features if f.kind == "outside"), key=lambda f: max(map(abs, f.along))
    )
    (read,) = bench.measure(longest, "", 1)
    assert read == pytest.approx(max(map(abs, longest.along)), rel=0.12)


def test_answers_from_a_file_without_a_machine(tmp_path, capsys):
    answers = tmp_path / "answers.txt"
    lines = ["x y -z", "35", "teeth 20 pitch 2", "lead 8", "roller 24 belt 0.8", "200 220 4000"]
    lines += ["unknown", "M3 260", "ABS", "", "", "", "", "0.05", "0.1 0.1"]
    answers.write_text("\n".join(lines) + "\n")
    code = run(["profile", "new", "mine", "--answers", str(answers), "--json"])
    found = json.loads(capsys.readouterr().out)
    assert code == 0
    assert found["answers"] == len(lines)
    assert [gap["key"] for gap in found["gaps"]] == ["mechanics.belt_loop_mm", "settings"]
    made = load_profile("mine")
    assert made.axes.sign("belt") == -1
    assert made.material.name == "ABS"
    assert made.material.heats == (240, 100)  # of ABS, not of another plastic
    assert made.instrument.move_u_mm == 0.05
    text = Path(found["file"]).read_text()
    assert "max_pulse_rate" not in text
    assert "priors" not in text


ALIKE = ["x y z", "45", "teeth 20 pitch 2", "teeth 20 pitch 2", "roller 28 belt 1"]
REST = ["220 200 5000", "unknown", "none", "PLA", "", "", "", "", "0.02", "0.05 0.1"]


@pytest.mark.parametrize(
    ("typed", "kept"),
    [("", "none"), ("axes", "axes"), ("motors", "motors"), ("unknown", "unknown")],
)
def test_shared_motors_are_asked_for_and_only_what_both_have_in_common_is_proposed(
    tmp_path, capsys, typed, kept
):
    """Across 0.4 % too far and gantry 0.2 % too short: on shared motors 0.1 % of both, 79.92."""
    answers = tmp_path / "answers.txt"
    answers.write_text("\n".join([*ALIKE, typed, *REST]) + "\n")
    assert run(["profile", "new", "mine", "--answers", str(answers)]) == 0, capsys.readouterr()
    assert load_profile("mine").mechanics.coupling == kept
    assert ("coupling:" in profile_path("mine").read_text()) == (kept != "none")
    half = 100 / 2**0.5
    moves = {f"{a}, 0, 0": a * 1.004 for a in (200, 120)}
    moves |= {f"0, {k * half}, {k * half}": 100 * k * 0.998 for k in (2, 1)}
    readings = tmp_path / "readings.yaml"
    readings.write_text(
        "format: plumbelt-readings/1\nmechanics: {gantry_angle_deg: 45}\n"
        "settings: {steps_per_mm: {x: 80, y: 80, z: 105}}\nreadings:\n"
        + "".join(
            f"  - {{feature: travel, along: [{along}], mm: [{mm}], u_mm: 0.02, name: m{n}}}\n"
            for n, (along, mm) in enumerate(moves.items())
        )
    )
    desk = Desk(in_shell=True)
    desk.session.contact.use(load_profile("mine"))
    assert desk.session.readings.take_file(readings) == 4
    capsys.readouterr()
    assert run(["solve", "--json"], desk) == 0
    found = json.loads(capsys.readouterr().out)
    shared = kept in ("motors", "unknown")
    assert ("coupled_motors" in {a["code"] for a in found["advice"]}) == shared
    errors = {name: found["parameters"][name]["value"] for name in ("x_scale", "y_scale")}
    assert errors == pytest.approx({"x_scale": 0.004, "y_scale": -0.002}, abs=3e-4)
    # what a file says of the machine itself leads to the same
    text = readings.read_text().replace("45}", f"45, coupling: {kept}}}")
    readings.write_text(text)
    assert run(["solve", str(readings), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    new = {c["setting"]: c["new"] for c in found["corrections"]}
    mean = {"steps_per_mm.x": 79.92, "steps_per_mm.y": 79.92}
    apart = {"steps_per_mm.x": 80 / 1.004, "steps_per_mm.y": 80 / 0.998}
    assert new == pytest.approx(mean if shared else apart, abs=0.02)
    assert ("coupled_motors" in {a["code"] for a in found["advice"]}) == shared


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("M3 260", "screw: M3"),
        ("m3 260", "screw: M3"),
        ("0.5 260", "pitch_mm: 0.5"),  # that of M3, or of a fine M5: nobody said
        ("0.5 a 0 0 b 240 0 c 120 300", "pitch_mm: 0.5"),
        ("M4 a 0 0 b 240 0 c 120 300", "screw: M4"),
    ],
)
def test_a_thread_is_kept_as_it_was_told(typed, kept, tmp_path, capsys):
    answers = tmp_path / "answers.txt"
    answers.write_text("\n".join([*ALIKE, "", *REST[:2], typed, *REST[3:]]) + "\n")
    assert run(["profile", "new", "mine", "--answers", str(answers)]) == 0, capsys.readouterr()
    text = profile_path("mine").read_text()
    assert kept in text
    made = load_profile("mine")
    save_profile(replace(made, name="again"), profile_path("again"))
    assert kept in profile_path("again").read_text()


def test_motors_that_cannot_be_shared_are_not_asked_for(tmp_path, capsys):
    answers = tmp_path / "answers.txt"
    other = ["teeth 16 pitch 2", "lead 8"]
    for drive in other:
        answers.write_text("\n".join([*ALIKE[:3], drive, ALIKE[4], *REST]) + "\n")
        name = f"mine-{other.index(drive)}"
        assert run(["profile", "new", name, "--answers", str(answers)]) == 0, capsys.readouterr()
        assert load_profile(name).mechanics.coupling == "none"


def said(capsys):
    """What went to standard error, without its line ends."""
    return capsys.readouterr().err.replace("\n", " ")


def test_a_wrong_answer_of_a_file_is_named_and_the_others_are_kept(tmp_path, capsys):
    answers = tmp_path / "answers.txt"
    answers.write_text("x y z\n350\n")
    assert run(["profile", "new", "mine", "--answers", str(answers)]) == 2
    assert "answers:2  angle  expected 5 to 90 degrees, found 350" in capsys.readouterr().err
    answers.write_text("35\n")
    assert run(["profile", "new", "mine", "--answers", str(answers)]) == 1
    said = capsys.readouterr()
    assert "Going on: 1 answer kept" in said.out
    assert "goes on" in said.err


def test_what_is_unknown_stays_unknown_and_is_asked_for_when_it_is_needed(tmp_path, capsys):
    answers = tmp_path / "answers.txt"
    answers.write_text("x y z\n" + "unknown\n" * 5 + "220 200 5000\n" + "unknown\n" * 9)
    assert run(["profile", "new", "mine", "--answers", str(answers)]) == 0
    made = load_profile("mine")
    assert made.mechanics.gantry_angle_deg is None
    assert made.mechanics.drives == {}
    assert made.mechanics.coupling == "unknown"
    assert made.material.nozzle_c is None
    assert run(["piece", "post", "--profile", "mine"]) == 1
    assert "'profile set mechanics.gantry_angle_deg VALUE'" in said(capsys)
    desk = Desk(in_shell=True)
    desk.screen.ask_with(lambda question: "32,5")
    desk.session.contact.use(made)
    assert run(["piece", "post"], desk) == 0
    assert load_profile("mine").mechanics.gantry_angle_deg == 32.5
    assert desk.session.profile.mechanics.gantry_angle_deg == 32.5


def bare_profile():
    """Keep a profile 'mine' of which nobody told travel and drives."""
    heron = load_profile("heron")
    bare = replace(heron.mechanics, travel_mm={}, drives={})
    save_profile(replace(heron, name="mine", mechanics=bare), profile_path("mine"))
    return load_profile("mine")


def test_travel_and_drives_are_asked_for_by_the_verbs_that_need_them(capsys):
    made = bare_profile()
    assert run(["piece", "strip", "--profile", "mine"]) == 1
    assert "'profile set mechanics.travel_mm VALUE'" in said(capsys)
    asked = []
    typed = iter(["220", "220 200 5000"])
    desk = Desk(in_shell=True)
    desk.screen.ask_with(lambda question: asked.append(question) or next(typed))
    desk.session.contact.use(made)
    assert run(["piece", "strip"], desk) == 0
    assert "expected 3 numbers" in capsys.readouterr().out
    kept = load_profile("mine").mechanics
    assert kept.travel_mm == {"across": 220, "gantry": 200, "belt": 5000}
    typed = iter(["roller 28", "roller 28 belt 1.0 ratio 3"])
    line = ["drive", "belt", "--roller", "28.2", "--measured-steps", "105.3"]
    assert run(line, desk) == 0, said(capsys)
    assert load_profile("mine").mechanics.drives["belt"].output.diameter == 28
    assert load_profile("mine").mechanics.travel_mm == kept.travel_mm


def test_what_is_asked_is_kept_in_the_profile_that_was_named_and_in_no_other():
    bare_profile()
    desk = Desk(in_shell=True)
    desk.screen.ask_with(lambda question: "220 200 5000")
    assert desk.session.profile.name != "mine"
    before = desk.session.profile
    assert run(["piece", "strip", "--profile", "mine"], desk) == 0
    assert load_profile("mine").mechanics.travel_mm["belt"] == 5000
    assert desk.session.profile == before


def test_back_and_help_and_stop(capsys):
    typed = iter(["x y z", "?", "40", "back", "45", "stop"])
    desk = Desk(in_shell=True)
    desk.screen.ask_with(lambda question: next(typed))
    assert run(["profile", "new", "mine"], desk) == 1
    said = capsys.readouterr()
    assert "protractor" in said.out
    from agent.store.drafts import load_draft

    assert load_draft("mine") == {"axes": "x y z", "angle": "45"}


@pytest.mark.parametrize("served", ["heron"], indirect=True)
def test_a_mistyped_answer_moves_nothing_again(served):
    plate, bench = served

    class Clumsy(Player):
        """Mistypes what it saw, twice, and asks for help before each answer."""

        def answer(self, question):
            times = sum(asked == self.asked[-1] for asked in self.asked)
            if "right or left" in question and times < 4:
                return ("?", "rihgt", "lfet")[times - 1]
            return super().answer(question)

    desk = Desk(in_shell=True)
    desk.screen.ask_with(Clumsy(plate))
    try:
        assert run(["attach", bench.address], desk) == 0
        assert run(["profile", "new", "mine"], desk) == 0
    finally:
        desk.close()
    assert sum(line.startswith("G1 X") for line in bench.received) == 1


@pytest.mark.parametrize("name", MACHINES)
def test_the_ready_profiles_are_complete_and_agree_with_their_machines(name, capsys):
    from agent.change.completeness import check
    from agent.work.session import Session
    from tests.memory import in_memory

    profile = load_profile(name)
    bench = in_memory(plain_profile(ready_profiles() / f"{name}.yaml"), family=profile.family)
    session = Session(profile)
    checked = check(profile, session.contact.attach(bench.open()))
    assert checked.to_plain() == {"complete": True, "gaps": [], "findings": []}
    bare = replace(profile, mechanics=replace(profile.mechanics, gantry_angle_deg=None))
    assert [gap.key for gap in check(bare).gaps] == ["mechanics.gantry_angle_deg"]


def main():
    """What each machine takes, from `profile new` to the first piece on its belt."""
    for name in MACHINES:
        plate = load_profile(name)
        ready = plain_profile(ready_profiles() / f"{name}.yaml")
        bench = behind_a_terminal(ready, seed=11, family=plate.family)
        player, desk = Player(plate), Desk(in_shell=True)
        desk.screen.ask_with(player)
        began = time.perf_counter()
        with tempfile.TemporaryDirectory() as home, redirect_stdout(io.StringIO()):
            os.environ["PLUMBELT_HOME"] = home
            codes = [run(["attach", bench.address], desk), run(["profile", "new", "mine"], desk)]
            asked = len(player.asked)
            codes.append(run(["lay", "strip"], desk))
            desk.close()
        bench.close()
        row = {
            "machine": name,
            "family": plate.family,
            "codes": codes,
            "answers_to_profile": asked,
            "answers_to_piece": len(player.asked),
            "tool_seconds": round(time.perf_counter() - began, 1),
        }
        print(json.dumps(row), flush=True)


if __name__ == "__main__":  # python -m tests.face.test_new_machine
    main()
