"""What is asked, said and refused on the way of a change, on a bench that is put by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from agent.bench.rounds import Taken
from agent.bench.value import BY_WORD, Past, Waiting
from agent.change.outcome import Fate, Outcome, State
from agent.change.plan import Change, Plan
from agent.errors import AgentError, LinkFailed, Refused
from agent.face import changing
from agent.face.desk import Desk
from agent.model.feature import Reading
from agent.model.heat import Heat, Heats
from tests.face.bench import (
    Technician,
    answering,
    carry_out,
    desk_at,
    digest_in,
    forge,
    forge_round,
)
from tests.memory import in_memory

#: One line, and no line at all.
CHANGE = Change("steps_per_mm.x", 80.0, 80.25, "step/mm", 2)
PLAN = Plan("heron", "replay", (CHANGE,), ("M92 X80.25",), "abc")
NOTHING = Plan("heron", "replay", (), (), "abc")


def outcome(*stages: Any, state: State = "took") -> Outcome:
    return Outcome(PLAN, (Fate(CHANGE.key, 80.0, 80.25, 80.25, state),), stages=stages)


# --- the slicing angle alone ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("angle", "answer", "asked", "then"),
    [
        (None, "yes", 0, 45.0),
        (45.0, "yes", 0, 45.0),
        (46.5, "no", 1, 45.0),
        (46.5, "yes", 1, 46.5),
    ],
    ids=["none", "as it is", "declined", "agreed"],
)
@pytest.mark.parametrize("verb", ["write", "undo"])
def test_a_plan_without_lines_may_change_the_slicing_angle(
    verb: str,
    angle: float | None,
    answer: str,
    asked: int,
    then: float,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Nothing is sent for it; from then on pieces are drawn, and laid, at the new angle."""
    assert desk.rehearsal is not None
    technician = answering(desk, Slice_at=answer)
    waiting = Waiting(NOTHING, angle_deg=angle)
    if verb == "undo":

        def undoing(_: object) -> Plan:
            forge(desk, waiting=waiting)
            return NOTHING

        forge(desk, past=(Past("1234", "2026-03-02T08:00", {}, 44.0, "ab"),))
        monkeypatch.setattr(desk.session.changes, "undoing", undoing)
    else:
        forge(desk, waiting=waiting)
    sent = desk.rehearsal.received
    assert carry_out(desk, [f"{verb} --json"]) == [0]
    assert len(technician.asked) == asked
    assert desk.session.profile.mechanics.gantry_angle_deg == then
    assert desk.rehearsal.received == sent
    told = capsys.readouterr()
    assert "There is no line to write." in told.err
    assert ("Pieces are drawn for 46.500°" in told.err) is (then == 46.5)
    if then == 46.5:
        assert desk.rehearsal.machine.slicing_angle_deg == 46.5
    document = json.loads(told.out)
    assert document["lines"] == []
    if verb == "write":
        assert document["verified"] is (then == 46.5)


def test_without_a_plan_there_is_no_angle_either(desk: Desk) -> None:
    forge(desk, waiting=None)
    assert not changing.no_lines(desk)


# --- what is typed to approve --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("80.25", ""),
        ("80,25", ""),
        ("80.24", "steps_per_mm.x: 80.24 is not 80.25"),
        ("eighty", "steps_per_mm.x: "),
    ],
)
def test_a_large_value_is_typed_again(typed: str, said: str, desk: Desk) -> None:
    answering(desk, the_new_value_of=typed)
    if not said:
        assert changing.asked_again(desk, "steps_per_mm.x", 80.25) == 80.25
        return
    with pytest.raises(Refused) as refusal:
        changing.asked_again(desk, "steps_per_mm.x", 80.25)
    assert refusal.value.what.startswith(said)
    assert refusal.value.remedy == "Nothing was sent"


@pytest.mark.parametrize(
    ("typed", "confirmed"),
    [("12ab", True), ("12AB", True), ("12abcdef", True), ("12a", False), ("2abc", False)],
)
@pytest.mark.parametrize("act", ["write", "store"])
def test_the_start_of_the_digest_confirms(
    typed: str, confirmed: bool, act: Any, desk: Desk
) -> None:
    """Four characters of eight: one in 65 536 would come by chance."""
    technician = answering(desk, the_digest_12abcdef=typed)
    if confirmed:
        changing.confirm(desk, "12abcdef", act)
    else:
        with pytest.raises(AgentError, match="not confirmed"):
            changing.confirm(desk, "12abcdef", act)
    assert "type the first 4 characters of the digest 12abcdef" in technician.asked[0]


@pytest.mark.parametrize(
    ("named", "good"), [("12abcdef", True), (" 12ABCDEF ", True), ("12ab", False), ("", False)]
)
def test_a_digest_approved_elsewhere_is_the_whole_one(named: str, good: bool) -> None:
    if good:
        changing.approved("12abcdef", named)
    else:
        with pytest.raises(Refused, match="the digest is 12abcdef"):
            changing.approved("12abcdef", named)


def test_only_what_was_large_is_typed_again(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a digest from elsewhere every value counts as seen; nobody is asked."""
    given: list[dict[str, float]] = []

    def write(plan: Plan, digest: str, *, retyped: dict[str, float]) -> Outcome:
        given.append(retyped)
        return outcome("read back")

    monkeypatch.setattr(desk.session.changes, "write", write)
    technician = answering(desk, the_digest=PLAN.digest[:4], the_new_value="80.25")
    changing.confirmed_write(desk, PLAN)
    changing.confirmed_write(desk, replace(PLAN, retype=(CHANGE.key,)))
    assert len(technician.asked) == 3
    changing.confirmed_write(desk, PLAN, approve=PLAN.digest)
    assert len(technician.asked) == 3
    assert given == [{}, {CHANGE.key: 80.25}, {CHANGE.key: 80.25}]


def test_a_link_that_fails_while_writing_is_lost(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    def write(*_: object, **__: object) -> Outcome:
        raise LinkFailed("gone", remedy="Look at the cable")

    monkeypatch.setattr(desk.session.changes, "write", write)
    answering(desk, the_digest=PLAN.digest[:4])
    with pytest.raises(LinkFailed):
        changing.confirmed_write(desk, PLAN)
    assert desk.lost == "memory://"


# --- how it ends ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ends", "code"),
    [
        (outcome("read back"), 0),
        (outcome(), 1),
        (outcome("read back", state="did not"), 1),
    ],
    ids=["proved", "not read back", "it did not take"],
)
def test_a_change_that_is_not_proved_is_an_error(
    ends: Outcome, code: int, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.screen.json = True
    desk.session.book.trouble = "the disk is full" if code else ""
    if code:
        with pytest.raises(Refused, match="not everything is proved: steps_per_mm"):
            changing.finish(desk, ends)
    else:
        changing.finish(desk, ends)
    told = capsys.readouterr()
    assert json.loads(told.out)["verified"] is (code == 0)
    assert ("The record cannot be kept: the disk is full" in told.err) is bool(code)


@pytest.mark.parametrize(
    ("ends", "otherwise", "said"),
    [
        (outcome("read back", "reloaded from storage"), "", ""),
        (outcome("read back"), "", "stored as the controller says, and not proved"),
        (outcome(), "", "not everything is proved"),
        (outcome("read back"), "x 80", "STORAGE HOLDS OTHER VALUES"),
    ],
    ids=["stored", "only said", "not even live", "something else"],
)
def test_what_did_not_come_back_is_not_stored(
    ends: Outcome, otherwise: str, said: str, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.screen.json = True
    forge(desk, stored_otherwise=otherwise)
    if said:
        with pytest.raises(Refused, match=said):
            changing.finish_stored(desk, ends)
    else:
        changing.finish_stored(desk, ends)
    document = json.loads(capsys.readouterr().out)
    assert document["digest"] == PLAN.digest
    assert ("worst" in document) is bool(otherwise)


def test_nothing_to_store_is_no_error(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    technician = answering(desk)
    assert carry_out(desk, ["store --json"]) == [0]
    assert json.loads(capsys.readouterr().out)["others"] == []
    assert technician.asked == []


@pytest.mark.parametrize(
    ("others", "asked"),
    [("", ["Other settings differ", "the digest"]), ("--others all", ["the digest"])],
)
def test_what_else_differs_is_asked_about_before_it_is_stored(
    others: str, asked: list[str], desk: Desk
) -> None:
    """As somebody at the machine has changed a speed since, which storing would keep."""
    assert desk.rehearsal is not None
    desk.rehearsal.machine.controller.live["max_speed.x"] = 111.0
    technician = Technician({"Other settings": "all", "digest": digest_in})
    desk.screen.ask_with(technician)
    assert carry_out(desk, [f"store {others}"]) == [0]
    for question, words in zip(technician.asked, asked, strict=True):
        assert words in question
    assert desk.rehearsal.machine.controller.stored["max_speed.x"] == 111.0


# --- a power cycle -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("evidence", "ends", "after", "said"),
    [
        ("the link saw it", outcome("read back"), "power", ""),
        (BY_WORD, outcome("read back"), "power", "Stop: The link saw no power cycle"),
        (BY_WORD, outcome(), "power", "Not everything is proved"),
        (BY_WORD, outcome("read back"), "homing", ""),
    ],
    ids=["seen", "by word", "by word, and other values", "homing is seen by nobody"],
)
def test_a_word_is_no_proof_of_a_power_cycle(
    evidence: str,
    ends: Outcome,
    after: str,
    said: str,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    forge(desk, done=PLAN)
    answering(desk, Done="yes")
    monkeypatch.setattr(changing, "power_cycle", lambda desk, address: evidence)
    proved: list[tuple[str, str]] = []

    def prove(stage: str, evidence: str) -> Outcome:
        proved.append((stage, evidence))
        return ends

    monkeypatch.setattr(desk.session.storage, "prove", prove)
    assert carry_out(desk, [f"prove {after}"]) == [1 if said else 0]
    assert said in " ".join(capsys.readouterr().err.split())
    assert proved == [(changing.STAGE_WORDS[after], evidence)]


@pytest.mark.parametrize("simulated", [True, False])
def test_over_a_power_cycle_the_port_is_let_go_of_and_opened_again(
    simulated: bool, desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A real machine is switched by hand, and waited for; what the link saw is told."""
    done: list[object] = []
    contact, moves = desk.session.contact, desk.session.moves
    monkeypatch.setattr(moves, "places", dict)
    monkeypatch.setattr(desk.session.storage, "saw_power_cycle", lambda mark, stood: "it was seen")
    monkeypatch.setattr(contact, "let_go", lambda: done.append("let go"))
    monkeypatch.setattr(contact, "attach_again", lambda transport: done.append(transport))
    monkeypatch.setattr(desk, "open_again", lambda address: f"{address} again")
    technician = answering(desk)
    if not simulated:
        desk.rehearsal = None
    assert changing.power_cycle(desk, "memory://") == "it was seen"
    assert done == ["let go", "memory:// again"]
    assert len(technician.asked) == (not simulated)
    told = capsys.readouterr().out
    assert ("The simulated machine was switched off and on." in told) is simulated
    assert "The power cycle: it was seen." in told


@pytest.mark.parametrize(
    ("family", "by_file"), [("replay", False), ("numbered", False), ("script", True)]
)
def test_a_file_of_the_controller_is_edited_before_the_power_cycle(
    family: str,
    by_file: bool,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Where a store word or the writing itself keeps the steps, there is nothing to edit."""
    desk = desk_at()
    desk.rehearsal = in_memory(seed=3, family=family)
    carry_out(desk, ["attach"])
    capsys.readouterr()
    forge(desk, done=PLAN)
    edited: list[object] = []
    monkeypatch.setattr(desk.rehearsal, "edit_file", edited.append)
    changing.edit_file(desk)
    assert edited == ([{"steps_per_mm.x": 80.25}] if by_file else [])
    told = capsys.readouterr().out
    assert ("    M92 X80.25" in told) is by_file
    assert ("put into the file of the simulated controller" in told) is by_file
    if by_file:
        desk.rehearsal = None
        answering(desk, Are_they_in_it="no")
        with pytest.raises(AgentError, match="not proved"):
            changing.edit_file(desk)


# --- heaters, and a new tune ---------------------------------------------------------------------

WARM = Heats(Heat(201.4, 0.0), Heat(60.2, 0.0))


@pytest.mark.parametrize(
    ("heats", "state", "danger", "said"),
    [
        (WARM, "off", "", ""),
        (WARM, "off", "it rises", "It rises"),
        (WARM, "not reported", "", ""),
        (WARM, "on", "", "could NOT be switched off"),
        (None, "unknown", "", "could NOT be switched off"),
        (WARM, "unknown", "", "does not say that its heaters are off"),
    ],
)
def test_cool_is_done_when_the_controller_says_so(
    heats: Heats | None,
    state: str,
    danger: str,
    said: str,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Heaters that are off are watched: one that goes on heating is a danger."""
    watched: list[str] = []

    def cool() -> Heats | None:
        forge(desk, heater_state=state)
        return heats

    def watch() -> str:
        watched.append(state)
        return danger

    heaters = SimpleNamespace(cool=cool, watch_cooling=watch)
    monkeypatch.setattr(desk.session, "heaters", heaters)
    assert carry_out(desk, ["cool --json"]) == [1 if said else 0]
    told = capsys.readouterr()
    assert said in " ".join(told.err.split())
    assert watched == (["off"] if state == "off" else [])
    document = json.loads(told.out.splitlines()[0] if told.out.count("\n") == 1 else told.out)
    assert document["heaters"] == state
    assert document["off"] is (heats is not None and not danger)


@pytest.mark.parametrize(
    ("count", "words"),
    [(0, "0 readings were"), (1, "1 reading was"), (2, "2 readings were")],
)
def test_a_new_tune_sets_the_readings_aside(
    count: int, words: str, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    reading = Reading("travel", (100.0, 0.0, 0.0), (100.0,), name="travel across")
    forge_round(desk, taken=(Taken(reading, "travel"),) * count)
    assert carry_out(desk, ["begin"]) == [0]
    assert f"A new tune; {words} set aside." in capsys.readouterr().out
    assert desk.session.now.taken == ()


def test_effects_and_plan_are_told_where_there_is_a_solution(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    """A plan alone, as of a restore, says nothing of readings or of a slicer."""
    changing.show_effects(desk)
    changing.show_plan(desk, PLAN)
    told = capsys.readouterr().out
    assert "What each line alone does" not in told
    assert "slicer" not in told
    assert carry_out(desk, ["gauge travel", "solve"]) == [0, 0]
    made = desk.session.now.solved
    assert made is not None
    for angle in (None, 46.25):
        made.__dict__["solution"] = replace(made.solution, slicing_angle_deg=angle)
        capsys.readouterr()
        changing.show_effects(desk)
        changing.show_plan(desk, PLAN)
        told = " ".join(capsys.readouterr().out.split())
        assert "What each line alone does" in told
        assert ("slicer to 46.250° (was 45°)" in told) is (angle is not None)
        assert ("'then' includes the new slicing angle" in told) is (angle is not None)
