"""`next`, one rule at a time: a bench that is put by hand, and the step that follows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from agent.bench.rounds import Laid, Round, Taken
from agent.bench.value import Bench, Proof, Refusal, Waiting
from agent.change.plan import Change, Plan
from agent.estimate.foretelling import Comparison
from agent.estimate.solution import Correction, Solution
from agent.face import guide, short
from agent.face.desk import Desk
from agent.face.guide import Step, keep_profile, line_again, standing_errors, step_now
from agent.face.short import Wish
from agent.model.feature import Reading, Vector
from agent.model.heat import Heat, Heats
from agent.model.profile import Mechanics, Profile, SavedSetting
from agent.store.profiles import save_profile
from agent.wire.identity import PortInfo
from tests.face.bench import carry_out, desk_at, forge, forge_round
from tests.memory import in_memory


@pytest.fixture
def desk() -> Desk:
    """A machine in memory, attached, nothing read yet."""
    there = desk_at()
    assert carry_out(there, ["attach"]) == [0]
    return there


def a_port(name: str, description: str) -> PortInfo:
    return PortInfo(name, description, None, None, None, None)


@pytest.mark.parametrize(
    ("found", "line", "why"),
    [
        ([], "ports", "Nothing is attached yet"),
        ([a_port("/dev/tty7", "a bridge")], "attach /dev/tty7", "this computer (a bridge)."),
        ([a_port("/dev/tty7", "n/a")], "attach /dev/tty7", "this computer."),
        ([a_port("/dev/tty7", "")], "attach /dev/tty7", "this computer."),
        ([a_port("/dev/tty7", "a"), a_port("/dev/tty8", "b")], "ports", "this lists what can be"),
    ],
)
def test_the_one_port_of_a_computer_is_named(
    found: list[PortInfo], line: str, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of several nobody but the technician knows which is the machine's."""
    monkeypatch.setattr("agent.wire.listing.list_ports", lambda: found)
    step = step_now(Desk())
    assert step.line == line
    assert step.why.endswith(why) or why in step.why


def plan(*lines: str) -> Plan:
    changes = tuple(Change(f"max_speed.{n}", 1.0, 2.0, "mm/s", 2) for n, _ in enumerate(lines))
    return Plan("heron", "replay", changes, lines, "abc")


HOT = Heats(Heat(201.4, 215.0), Heat(60.2, 60.0))

#: What is put by hand on a bench that was just attached, and the step that follows from it.
STATES: list[tuple[str, dict[str, Any], str, str]] = [
    ("nothing", {}, "gauge travel --enough", "Measure plain moves first"),
    ("lost", {"lost": "memory://"}, "attach memory:// --again", "The link is lost"),
    ("halted", {"halted": True}, "attach memory:// --again", "The controller has halted"),
    ("never read", {"readback": None}, "readback", "The last reading is damaged"),
    ("hot", {"heater_state": "on", "heats": HOT}, "cool", "Heaters are on (nozzle 201 of 215"),
    ("perhaps hot", {"heater_state": "unknown"}, "cool", "Heaters may still be on"),
    ("it knows no heaters", {"heater_state": "not reported"}, "gauge travel --enough", "Measure"),
    ("nobody knows where it stands", {"place_lost": True}, "send G28 X Y", "home across and"),
    (
        "no drives are known",
        {"profile": Profile("heron", mechanics=Mechanics(travel_mm={"across": 250.0}))},
        "profile list",
        "Nothing is known of how this machine is built",
    ),
    ("a plan", {"waiting": Waiting(plan("M1"))}, "write", "'write' asks you for its digest"),
    ("an undo", {"waiting": Waiting(plan("M1"), "undo")}, "undo", "'undo' asks you for its"),
    ("a restore", {"waiting": Waiting(plan("M1"), "restore")}, "write", "'write' asks you"),
    ("a plan without lines", {"waiting": Waiting(plan())}, "gauge travel --enough", "Measure"),
    ("written", {"done": plan("M1")}, "store", "The new values are live but would be lost"),
    (
        "written and stored otherwise",
        {"done": plan("M1"), "stored_otherwise": "steps 80"},
        "store",
        "live after the next power-on: steps 80. Storing once more may help",
    ),
    (
        "stored",
        {"done": plan("M1"), "proofs": (Proof("reloaded from storage", ""),)},
        "prove power",
        "Stored. Now switch off and on",
    ),
    (
        "proved for good",
        {"done": plan("M1"), "proofs": (Proof("after a power cycle", "", "seen"),)},
        "gauge travel --enough",
        "Measure",
    ),
]


@pytest.mark.parametrize(("changes", "line", "why"), [row[1:] for row in STATES])
def test_each_state_of_a_bench_has_its_step(
    desk: Desk, changes: dict[str, Any], line: str, why: str
) -> None:
    forge(desk, **changes)
    step = step_now(desk)
    assert step.line == line, step
    assert why in step.why
    assert not step.done


def test_a_damaged_reading_is_read_again(desk: Desk) -> None:
    readback = desk.session.bench.readback
    assert readback is not None
    forge(desk, readback=replace(readback, damage=("a line was cut",)))
    assert step_now(desk).line == "readback"


def test_drives_without_a_travel_are_not_enough_either(desk: Desk) -> None:
    mechanics = replace(desk.session.profile.mechanics, travel_mm={})
    forge(desk, profile=replace(desk.session.profile, mechanics=mechanics))
    assert step_now(desk).line == "profile list"


def test_where_no_word_homes_without_the_belt_none_is_offered() -> None:
    """The numbered family has one word that homes every axis; the belt has nowhere to go."""
    desk = desk_at()
    desk.rehearsal = in_memory(seed=3, family="numbered")
    carry_out(desk, ["attach"])
    forge(desk, place_lost=True)
    assert step_now(desk).line == "gauge travel --enough"


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({}, "profile restore heron"),
        ({"done": plan("M1"), "proofs": (Proof("after homing", ""),)}, "store"),
        ({"profile": None}, "gauge travel --enough"),
    ],
    ids=["flashed", "something was written since", "the profile holds no settings"],
)
def test_a_restore_is_offered_while_the_profile_knows_better(
    changes: dict[str, Any], line: str
) -> None:
    desk = desk_at()
    desk.rehearsal = in_memory(seed=3, faults=("layout",))
    carry_out(desk, ["attach"])
    if "profile" in changes:
        changes = {"profile": replace(desk.session.profile, settings={})}
    forge(desk, **changes)
    assert step_now(desk).line == line


def test_a_power_cycle_is_asked_for_before_the_next_round_begins(desk: Desk) -> None:
    """Once a piece is laid or a reading taken, switching off would spoil that round."""
    forge(desk, done=plan("M1"), proofs=(Proof("reloaded from storage", ""),))
    assert guide.prove_power(desk) is not None
    piece = Laid("strip", "strip", {}, 1, desk.session.profile)
    reading = Taken(a_move("travel belt", (0, 205, 0)), "travel")
    for begun in ({"laid": (piece,)}, {"taken": (reading,), "laid": ()}):
        forge_round(desk, **begun)
        assert guide.prove_power(desk) is None


def test_stored_otherwise_and_not_to_be_stored_is_undone(desk: Desk) -> None:
    """The old values come back where storing was refused, and only there."""
    forge(desk, done=plan("M1"), stored_otherwise="steps 80")
    forge(desk, refused=Refusal("solve", "no readings"))
    assert step_now(desk).line == "store"
    forge(desk, refused=Refusal("store", "it lies"))
    assert step_now(desk).line == "undo"
    forge(desk, stored_otherwise="")
    assert step_now(desk).line != "undo"


def test_values_that_fell_away_are_written_again(desk: Desk) -> None:
    """Live is what was read, 80.12; 90 was written and not stored, and is not live any more."""
    change = Change("steps_per_mm.x", 80.12, 90.0, "steps/mm", 2)
    forge(desk, done=replace(plan("M92 X90"), changes=(change,)))
    assert step_now(desk).line == "resume finish"


@pytest.mark.parametrize(
    ("wished", "laid", "line", "why"),
    [
        ([Wish("strip x1", "strip", 20.0, 3)], True, "gauge strip", "1 feature is worth reading"),
        (
            [Wish("strip x1", "strip", 20.0, 3), Wish("strip x2", "strip", 20.0, 3)],
            True,
            "gauge strip",
            "The strip is laid; 2 features are worth reading.",
        ),
        (
            [Wish("strip x1", "strip", 20.0, 3), Wish("post h1", "post", 20.0, 3)],
            True,
            "gauge strip",
            "1 feature is",
        ),
        ([Wish("strip x1", "strip", 20.0, 3)], False, "lay strip", "Lay it now."),
        ([Wish("travel belt 100", "travel", 100.0, 1)], False, "gauge travel", "drops out: 1 move"),
    ],
)
def test_what_is_wished_is_laid_and_read(
    wished: list[Wish], laid: bool, line: str, why: str, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(short, "wishes", lambda desk: tuple(wished))
    if laid:
        forge_round(desk, laid=(Laid("strip", "strip", {}, 1, desk.session.profile),))
    step = step_now(desk)
    assert step.line == f"{line} --enough" if line.startswith("gauge") else line
    assert why in step.why


@pytest.mark.parametrize(("family", "by_hand"), [("replay", False), ("numbered", True)])
def test_heating_by_hand_is_told_beforehand(
    family: str, by_hand: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The numbered family is of controllers that drive no heaters."""
    desk = desk_at()
    desk.rehearsal = in_memory(seed=3, family=family)
    carry_out(desk, ["attach"])
    monkeypatch.setattr(short, "wishes", lambda desk: (Wish("strip x1", "strip", 20.0, 3),))
    assert ("heated by hand there" in step_now(desk).why) is by_hand


def test_a_second_round_lays_again_to_prove_the_change(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(short, "wishes", lambda desk: (Wish("strip x1", "strip", 20.0, 3),))
    forge_round(desk, follows=Round())
    assert step_now(desk).why.endswith("Lay it again, to prove the change.")


def test_a_tolerance_out_of_reach_is_told_before_a_piece_is_laid(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(short, "wishes", lambda desk: (Wish("strip x1", "strip", 20.0, 3),))
    monkeypatch.setattr(short, "out_of_reach", lambda desk: "This caliper cannot tell it.")
    told = "! This caliper cannot tell it. 'outlook' tells what would help."
    assert step_now(desk).why.endswith(told)
    forge_round(desk, laid=(Laid("post", "post", {}, 1, desk.session.profile),))
    assert told not in step_now(desk).why


def a_move(name: str, along: Vector, kind: Any = "travel") -> Reading:
    return Reading(kind, along, (100.0,), name=name)


@pytest.mark.parametrize(
    ("taken", "line"),
    [
        (Taken(a_move("strip x1", (20, 0, 0), "outside"), "strip"), "gauge strip-x1"),
        (Taken(a_move("", (20, 0, 0), "outside"), "strip"), "gauge strip"),
        (Taken(a_move("travel belt 205", (0, 205, 0)), "travel"), "gauge travel-belt --mm 205"),
        (Taken(a_move("travel belt", (0, 205, 0)), "travel"), "gauge travel-belt"),
        (Taken(a_move("gap", (160, 0, 0), "gap"), "travel"), "gauge gap"),
        (Taken(a_move("", (160, 0, 0)), "travel"), "gauge travel-across --mm 160"),
        (Taken(a_move("", (0, 0, 70.5)), "travel"), "gauge travel-gantry --mm 70.5"),
        (Taken(a_move("", (0, 300, 0)), "travel"), "gauge travel-belt --mm 300"),
    ],
)
def test_the_line_that_takes_a_reading_again(taken: Taken, line: str) -> None:
    """A reading of a file may have no name: then its kind and its direction tell."""
    assert line_again(taken) == line


def solved(desk: Desk, **changes: Any) -> Solution:
    """Give the present round a solution with some values put by hand."""
    made = desk.session.now.solved
    if made is None:
        assert carry_out(desk, ["gauge travel", "solve"]) == [0, 0]
        made = desk.session.now.solved
        assert made is not None
    solution = replace(made.solution, **changes)
    made.__dict__["solution"] = solution  # it is worked out once, and kept
    return solution


def test_of_readings_that_do_not_belong_the_worst_is_read_again(desk: Desk) -> None:
    """The worst is the one furthest off in its own uncertainty, to whichever side."""
    solution = solved(desk)
    offs = ((0.9, 1.0), (-0.5, 0.1), (0.4, 0.1))
    residuals = tuple(
        replace(residual, residual=off, u=u, outlier=True)
        for residual, (off, u) in zip(solution.residuals, offs, strict=True)
    )
    solved(desk, residuals=residuals)
    step = step_now(desk)
    named = desk.session.now.taken[1].reading.name
    assert step.line == line_again(desk.session.now.taken[1])
    assert "It stands -0.500 mm off" in step.why
    forge_round(desk, read_again={named: (1.0,)})  # once is enough: the next in turn
    assert "It stands +0.400 mm off" in step_now(desk).why


@pytest.mark.parametrize("angle", [None, 44.0])
def test_what_a_solution_asks_for_is_previewed_and_written(
    angle: float | None, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A correction of a setting asks for a change, and so does the slicing angle alone."""
    correction = Correction("steps_per_mm.x", 80.0, 81.0, 0.1, None, "")
    wanted = () if angle else (correction,)
    solved(desk, corrections=wanted, slicing_angle_deg=angle, residuals=())
    monkeypatch.setattr(short, "wishes", lambda desk: ())
    assert step_now(desk).line == "preview"
    forge(desk, waiting=Waiting(plan()))
    step = step_now(desk)
    assert step == Step(
        "write", "No line is to be sent, but the slicing angle is to be changed.", done=False
    )
    forge(desk, done=plan("M1"))  # live and not stored: nothing is changed on top of it
    assert step_now(desk).line not in ("write", "preview")


def test_nothing_is_warranted_and_the_report_is_written(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stands askew is named; what is known by a combination alone is asked for first."""
    solved(desk, corrections=(), slicing_angle_deg=None, residuals=())
    monkeypatch.setattr(short, "wishes", lambda desk: ())
    step = step_now(desk)
    assert (step.line, step.done) == ("report", True)
    assert step.why.startswith("No change is warranted by these readings, and not all is known")
    standing = [("gantry yaw +0.300°", True), ("gantry roll +0.200°", False)]
    monkeypatch.setattr(guide, "standing_errors", lambda desk: standing)
    step = step_now(desk)
    assert step.line == "gauge gap"
    assert step.why.startswith("gantry roll +0.200° stands outside the tolerance")
    forge_round(
        desk, taken=(*desk.session.now.taken, Taken(a_move("gap", (1, 0, 0), "gap"), "travel"))
    )
    standing.pop()
    step = step_now(desk)
    assert (step.line, step.done) == ("report", True)
    assert step.why.startswith("No setting is to be changed, but gantry yaw +0.300° stands outside")
    monkeypatch.setattr(short, "course_now", lambda desk: None)
    standing.clear()
    step = step_now(desk)
    assert (step.line, step.done) == ("report", True)
    assert step.why == "No change is warranted: every wanted error is inside its tolerance."


def proved(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second measurement is as expected: one row, which agrees."""
    row = Comparison("strip x1", 20.0, 0.0, 20.0, 0.1, 0.2, agrees=True)
    monkeypatch.setattr(Bench, "compare", lambda bench: (row,))
    monkeypatch.setattr(short, "wishes", lambda desk: ())


def test_a_proved_tune_ends_with_what_only_a_spanner_mends(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    proved(monkeypatch)
    standing: list[tuple[str, bool]] = []
    monkeypatch.setattr(guide, "standing_errors", lambda desk: standing)
    step = step_now(desk)
    assert (step.line, step.done) == ("report", True)
    assert step.why.startswith("Every reading is as expected. The tune is done;")
    standing.append(("gantry yaw +0.300°", True))
    step = step_now(desk)
    assert (step.line, step.done) == ("report", True)
    assert "the tune is not: gantry yaw +0.300° stands outside" in step.why


def test_a_proof_is_not_solved_anew(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is held against what was foretold; without anything foretold it is solved."""
    carry_out(desk, ["gauge travel"])
    monkeypatch.setattr(short, "wishes", lambda desk: ())
    assert step_now(desk).line == "solve"
    forge_round(desk, follows=Round())
    assert step_now(desk).line == "solve"
    proved(monkeypatch)
    assert step_now(desk).line == "report"


def test_standing_errors_are_those_of_the_newest_solution(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the round of the proof nothing is solved yet: those of the round before still stand."""
    monkeypatch.setattr(
        "agent.estimate.standing.askew", lambda solution, tolerance: [("yaw_deg", 0.25, True)]
    )
    assert standing_errors(desk) == []
    solved(desk)
    assert standing_errors(desk) == [("gantry yaw +0.250°", True)]
    forge_round(desk, solved=None, follows=desk.session.now)
    assert standing_errors(desk) == [("gantry yaw +0.250°", True)]


def test_the_tuned_machine_goes_to_its_profile_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only what is proved to be stored, and only while the file holds something else."""
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    desk = desk_at()
    assert carry_out(desk, ["attach"]) == [0]
    desk.rehearsal, simulated = None, desk.rehearsal
    proved(monkeypatch)
    change = Change("steps_per_mm.x", 80.0, 80.25, "steps/mm", 2)
    forge(desk, done=replace(plan("M92 X80.25"), changes=(change,)))
    assert keep_profile(desk) is None
    forge(desk, proofs=(Proof("after a power cycle", "", "the link saw it"),))
    step = keep_profile(desk)
    assert step is not None
    assert step.line == "profile save heron --over"
    profile, key = desk.session.profile, "steps_per_mm.x"
    kept = SavedSetting(replace(profile.settings[key].setting, value=desk.session.bench.exact[key]))
    saved = {**profile.settings, key: kept}
    off = {**saved, key: SavedSetting(replace(kept.setting, value=1.0))}
    tilted = replace(profile.mechanics, gantry_angle_deg=44.0)
    for other, wanted in (
        (replace(profile, settings=saved), None),
        (replace(profile, settings=off), step),
        (replace(profile, settings={}), step),
        (replace(profile, settings=saved, mechanics=tilted), step),
    ):
        save_profile(other, expect=None)
        assert keep_profile(desk) == wanted
    monkeypatch.setattr(Bench, "compare", lambda bench: ())
    assert keep_profile(desk) is None
    proved(monkeypatch)
    desk.rehearsal = simulated
    assert keep_profile(desk) is None


def test_a_step_that_was_just_refused_is_not_offered_again(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What stands next in order is; where nothing is left, the machine is looked at."""
    forge(desk, heater_state="on", refused=Refusal("gauge travel --enough", "no"))
    assert step_now(desk).line == "cool"
    forge(desk, refused=Refusal("cool", "it stays hot"))
    assert step_now(desk).line == "gauge travel --enough"
    monkeypatch.setattr(guide, "RULES", (guide.cool_down,))
    step = step_now(desk)
    assert step.line == "readback"
    assert step.why == "'cool' was refused: it stays hot. See what is live first."
