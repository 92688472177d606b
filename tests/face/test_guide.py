"""`next`: the one best step in each state of the machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.errors import LinkFailed
from agent.face.desk import Desk
from agent.face.guide import step_now
from agent.model.feature import Feature
from agent.model.profile import Profile
from agent.rehearsal import behind_a_terminal
from agent.work.session import Session
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in
from tests.memory import in_memory


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
