"""`next`: the one best step in each state of the machine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from agent.bench.rounds import Laid, Round, Taken
from agent.bench.value import Bench, Proof, Refusal, Waiting
from agent.change.plan import Change, Plan
from agent.errors import LinkFailed
from agent.estimate.foretelling import Comparison
from agent.estimate.solution import Correction, Solution
from agent.face import guide, short
from agent.face.desk import Desk
from agent.face.guide import Step, keep_profile, line_again, standing_errors, step_now
from agent.face.short import Wish
from agent.model.feature import Feature, Reading, Vector
from agent.model.heat import Heat, Heats
from agent.model.profile import Mechanics, Profile, SavedSetting
from agent.rehearsal import behind_a_terminal, in_memory
from agent.store.profiles import save_profile
from agent.wire.identity import PortInfo
from agent.work.session import Session
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in, forge, forge_round


def test_a_flashed_machine_is_restored_stored_and_proved_by_following_next() -> None:
    desk = desk_at(answers={"To write": digest_in, "To store": digest_in})
    desk.rehearsal = in_memory(seed=3, faults=("layout",))
    done = []
    for _ in range(5):
        step = step_now(desk)
        done.append(step.line)
        assert carry_out(desk, [step.line]) == [0], step
    assert done == [
        "attach memory://",
        "profile restore heron",
        "store",
        "prove power",
        "gauge travel --enough",
    ]
    live = desk.rehearsal.machine.controller.live
    assert (live["steps_per_mm.z"], live["max_speed.x"]) == (105.37, 180.0)


@pytest.mark.parametrize("family", ["numbered", "table", "override", "script"])
def test_following_next_tunes_a_controller_of_every_family(family: str) -> None:
    by_hand = {"Does the paper drag": "yes", "Do both stand": "hot"}
    desk = desk_at(answers={"To write": digest_in, "To store": digest_in, **by_hand})
    desk.rehearsal = in_memory(seed=3, family=family)
    done = []
    for _ in range(40):
        step = step_now(desk)
        if step.done:
            break
        assert carry_out(desk, [step.line]) == [0], step
        done.append(step.line)
    # a piece tells the angle, on a controller too whose heat is set by hand
    assert done[1:4] == ["gauge travel --enough", "lay stem", "gauge stem --enough"]
    assert "marks" not in done
    assert "as expected" in step_now(desk).why
    assert "after a power cycle" in desk.session.bench.stages
    truth = desk.rehearsal.truth()
    assert abs(truth["z_scale"]) < 0.001


def test_once_its_report_is_written_a_tune_has_an_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The guide does not ask for the same report again; a new reading makes it of use once more."""
    monkeypatch.chdir(tmp_path)
    desk = desk_at(seed=7, answers={"To write": digest_in, "To store": digest_in})
    for _ in range(40):
        step = step_now(desk)
        if step.done:
            break
        assert carry_out(desk, [step.line]) == [0], step
    assert step.line == "report"
    assert carry_out(desk, ["report"]) == [0]
    (written,) = tmp_path.glob("report-*.html")
    step = step_now(desk)
    assert step.done
    assert step.line != "report"
    assert written.name in step.why
    carry_out(desk, ["gauge stem-h"])
    assert step_now(desk).line == "report"


def test_an_axis_that_must_not_move_is_not_moved(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at()
    desk.rehearsal = in_memory(seed=3, faults=("layout",))
    assert carry_out(desk, ["attach", "lay strip", "gauge travel-belt"]) == [0, 1, 1]
    assert "must not move" in capsys.readouterr().err
    assert not [line for line in desk.rehearsal.received if line.startswith(("G1", "G28"))]


def test_on_a_real_port_the_machine_is_made_known_and_saved_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    served = behind_a_terminal(seed=3)
    try:
        desk = Desk(in_shell=True)
        desk.session = Session(Profile("unnamed"))
        carry_out(desk, [f"attach {served.address}"])
        assert step_now(desk).line == "profile list"
        carry_out(desk, ["profile use heron"])
        assert step_now(desk).line == "profile save heron"
        assert carry_out(desk, ["profile save heron"]) == [0]
        assert step_now(desk).line == "gauge travel --enough"
    finally:
        desk.close()
        served.close()


def test_doubt_wants_a_readback() -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    link = desk.session.contact.link
    assert link is not None
    link.transport.write(link.exchange.send("M400", link.transport.now()))
    link.exchange.abandon()  # as after an interrupt, before the answer was there
    assert step_now(desk).line == "readback"
    assert carry_out(desk, ["readback"]) == [0]
    assert step_now(desk).line == "gauge travel --enough"


def test_a_cable_that_came_out_while_writing_is_told_and_gone_on_from(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = desk_at(answers={"To write": digest_in, "To store": digest_in})
    carry_out(desk, TO_A_PLAN)
    link = desk.session.contact.link
    assert link is not None
    sent = link.transport.write

    def write(data: bytes) -> None:
        if b"M92 Z" in data:
            raise LinkFailed("memory:// is gone", remedy="Check the cable")
        sent(data)

    monkeypatch.setattr(link.transport, "write", write)
    assert carry_out(desk, ["write"]) == [3]
    assert step_now(desk).line == "attach memory:// --again"
    assert carry_out(desk, ["attach memory:// --again"]) == [0]
    # X and Y had taken effect; the journal tells, and what is left is written after a preview.
    assert len(desk.session.now.taken) == 24
    assert step_now(desk).line == "resume"
    [found] = desk.session.mending.accounts()
    assert [fate.state for fate in found.fates] == ["took", "took", "did not"]
    assert carry_out(desk, ["resume finish"]) == [0]
    assert step_now(desk).line == "store"
    # it carries out what was solved, so that what was foretold still holds
    assert desk.session.now.follows is not None


def test_a_pulled_cable_is_attached_again_cooled_and_homed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = desk_at()
    desk.rehearsal = in_memory(seed=3, faults=("unplug:after=9000",))
    assert carry_out(desk, ["attach", "gauge travel", "lay strip"]) == [0, 0, 3]
    assert "LOST" in desk.status()
    assert "--again" in desk.standing()
    done = []
    for _ in range(5):
        step = step_now(desk)
        done.append(step.line)
        if step.line.startswith("gauge"):
            break
        assert carry_out(desk, [step.line]) == [0], step
    assert done == [
        "attach memory:// --again",
        "cool",
        "send G28 X Y",
        "gauge travel --enough",
    ]
    assert desk.status().endswith("heaters off")


def test_after_a_restart_the_bar_believes_the_reported_targets() -> None:
    desk = desk_at()
    desk.rehearsal = in_memory(seed=3)
    carry_out(desk, ["attach"])
    desk.session.heaters.note("on")
    carry_out(desk, ["readback"])
    assert desk.status().endswith("heaters off")


def test_after_the_emergency_word_nothing_is_ready(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at()
    carry_out(desk, ["attach", "halt"])
    assert "halted" in desk.status()
    assert step_now(desk).line == "attach memory:// --again"
    capsys.readouterr()
    assert carry_out(desk, ["gauge travel"]) == [3]
    told = capsys.readouterr().err
    assert "wire:" not in told.replace("on the wire:", "")
    last = told.partition("last on the wire:\n")[2].splitlines()
    assert 1 <= sum(line.startswith(("  <", "  >")) for line in last) <= 3


def test_a_second_round_is_told_from_the_first_and_is_short() -> None:
    desk = desk_at(answers={"To write": digest_in, "To store": digest_in})
    carry_out(desk, ["attach"])
    first = step_now(desk)
    carry_out(desk, [first.line, "solve", "preview", "write", "store", "prove power"])
    second = step_now(desk)
    assert first.line == second.line == "gauge travel --enough"
    assert "compare with what was expected" in second.why
    assert "with a probability of 95 %" in second.why
    before = len(desk.session.bench.rounds[0].taken)
    assert carry_out(desk, [second.line]) == [0]
    assert 1 <= len(desk.session.now.taken) <= before / 2
    told = step_now(desk)
    if "read it again" in told.why:  # one of twenty is, though nothing is wrong
        assert carry_out(desk, [told.line]) == [0]
        told = step_now(desk)
    assert "as expected" in told.why


def test_a_refused_change_is_no_end_of_a_tune() -> None:
    desk = desk_at(answers={"To write": "no"})
    carry_out(desk, ["attach", "gauge travel --enough", "solve", "preview"])
    step = step_now(desk)
    assert step.line == "write"
    assert carry_out(desk, ["write"]) == [1]
    after = step_now(desk)
    assert not after.done
    assert "tune is done" not in after.why


def test_a_reading_that_is_not_as_foretold_is_read_again_before_anything_is_undone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    desk = desk_at(answers={"To write": digest_in, "To store": digest_in})
    carry_out(desk, ["attach", "gauge travel --enough", "solve", "preview", "write", "store"])
    carry_out(desk, ["prove power"])
    assert desk.rehearsal is not None
    measure = desk.rehearsal.measure
    with monkeypatch.context() as wrong:
        wrong.setattr(
            desk.rehearsal, "measure", lambda *given: tuple(x + 1.5 for x in measure(*given))
        )
        assert carry_out(desk, ["gauge travel --enough"]) == [0]
    step = step_now(desk)
    assert step.line.startswith("gauge travel-")
    assert "read it again" in step.why
    for _ in range(4):
        step = step_now(desk)
        if not step.line.startswith("gauge travel-"):
            break
        assert carry_out(desk, [step.line]) == [0]
    assert "as expected" in step.why


@pytest.mark.parametrize("axis", ["across", "gantry", "belt"])
def test_a_move_that_does_not_belong_is_asked_for_again_by_its_name(
    axis: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Moves set all scales: a slip of one is the culprit, not the good readings after it."""
    desk = desk_at()
    assert desk.rehearsal is not None
    measure = desk.rehearsal.measure
    turned: list[bool] = []

    def slipped(feature: Feature, piece: str, repeats: int) -> tuple[float, ...]:
        read = measure(feature, piece, repeats)
        if not turned and feature.name.startswith(f"travel {axis}"):
            turned.append(True)
            return tuple(x + 1.5 for x in read)
        return read

    monkeypatch.setattr(desk.rehearsal, "measure", slipped)
    to_solve = ["attach", "gauge travel", "lay strip", "gauge strip", "lay post", "gauge post"]
    assert carry_out(desk, [*to_solve, "solve"]) == [0] * 6 + [1]
    step = step_now(desk)
    assert step.line == f"gauge travel-{axis}"
    assert "read it again" in step.why
    assert carry_out(desk, [step.line, "solve"]) == [0, 0]
    assert "off what all the others say" not in step_now(desk).why


def test_after_the_emergency_word_the_guide_leads_back_to_work() -> None:
    desk = desk_at()
    carry_out(desk, ["attach", "gauge travel", "halt"])
    done = []
    for _ in range(3):
        step = step_now(desk)
        done.append(step.line)
        assert carry_out(desk, [step.line]) == [0], step
    assert done == ["attach memory:// --again", "send G28 X Y", "gauge travel --enough"]
    assert len(desk.session.now.taken) >= 6


def test_a_machine_that_does_not_answer_yet_is_attached_again_later() -> None:
    desk = desk_at()
    carry_out(desk, ["attach", "gauge travel"])
    assert desk.rehearsal is not None
    link = desk.session.contact.link
    assert link is not None
    link.transport.write(b"M112\n")  # by another hand: the session knows nothing of it
    assert carry_out(desk, ["attach --again"]) == [3]
    assert step_now(desk).line == "attach memory:// --again"
    desk.rehearsal.power_cycle()
    assert carry_out(desk, ["attach --again"]) == [0]
    assert len(desk.session.now.taken) == 3


@pytest.mark.parametrize("storage", ["lies", "fails"])
def test_what_was_not_stored_is_not_said_to_be_stored(storage: str) -> None:
    """Storing was tried and storage holds other values: the next power-on would bring those."""
    desk = desk_at(answers={"To write": digest_in, "To store": digest_in, "Large": "79"})
    desk.rehearsal = in_memory(seed=3, faults=(f"storage:does={storage}",))
    lines = ["attach", "gauge travel-belt", "gauge travel-belt --mm 205", "solve", "write"]
    assert carry_out(desk, lines) == [0] * len(lines)
    assert step_now(desk).line == "store"
    assert carry_out(desk, ["store"]) == [1]
    step = step_now(desk)
    assert step.line == "undo"
    assert step.why.startswith("STORAGE HOLDS OTHER VALUES")


def test_a_store_that_was_refused_is_not_taken_for_done() -> None:
    desk = desk_at(answers={"To write": digest_in})
    lines = ["attach", "gauge travel-belt", "gauge travel-belt --mm 205", "solve", "write"]
    assert carry_out(desk, lines) == [0] * len(lines)
    assert carry_out(desk, ["store --approve 00000000"]) == [1]
    step = step_now(desk)
    assert step.line != "prove power"
    assert "Stored" not in step.why


# --- one rule at a time, on a bench that is put by hand -------------------------------------------


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
