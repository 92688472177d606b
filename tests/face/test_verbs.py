"""A session by hand: verbs of the shell on a simulated machine, right and wrong answers."""

from __future__ import annotations

import json
from itertools import groupby

import pytest

from agent.face.desk import Desk
from agent.face.guide import step_now
from tests.face.bench import TO_A_PLAN, WILLING, Technician, carry_out, desk_at, digest_in
from tests.memory import in_memory


@pytest.fixture(scope="module")
def planned() -> Desk:
    """A desk with a previewed plan; what must not change it may share it."""
    desk = desk_at(seed=3)
    assert carry_out(desk, TO_A_PLAN) == [0] * len(TO_A_PLAN)
    return desk


def settings_lines(desk: Desk) -> list[str]:
    """Lines that change or store settings, as the controller received them."""
    assert desk.rehearsal is not None
    words = ("M92 ", "M203", "M201", "M500", "M502")
    return [line for line in desk.rehearsal.received if line.startswith(words)]


@pytest.mark.parametrize("answer", ["", "y", "yes", "no", "zzzz", "0", "digest", "M92 X80", "\x1b"])
def test_a_wrong_answer_at_the_confirmation_sends_nothing(
    planned: Desk, capsys: pytest.CaptureFixture[str], answer: str
) -> None:
    assert planned.session.bench.plan is not None
    assert not planned.session.bench.plan.empty
    before = settings_lines(planned)
    planned.screen.ask_with(Technician({"To write": answer}))
    code = carry_out(planned, ["write"])
    assert (code, settings_lines(planned)) == ([1], before)
    assert "Nothing was sent" in capsys.readouterr().err


def test_three_characters_of_the_digest_are_not_enough(planned: Desk) -> None:
    before = settings_lines(planned)
    planned.screen.ask_with(Technician({"To write": lambda q: digest_in(q)[:3]}))
    assert carry_out(planned, ["write"]) == [1]
    assert settings_lines(planned) == before


def test_whole_job_by_hand() -> None:
    desk = desk_at(seed=3, answers={"To write": digest_in, "To store": digest_in})
    assert carry_out(desk, TO_A_PLAN) == [0] * len(TO_A_PLAN)
    assert desk.rehearsal is not None
    plan = desk.session.bench.plan
    assert plan is not None
    already = len(settings_lines(desk))

    assert carry_out(desk, ["write"]) == [0]
    assert settings_lines(desk)[already:] == list(plan.lines)
    assert desk.session.bench.unstored

    assert carry_out(desk, ["store"]) == [0]
    assert not desk.session.bench.unstored
    assert settings_lines(desk).count("M500") == 1
    again = [line for line in TO_A_PLAN if line.startswith(("gauge", "lay"))]
    assert carry_out(desk, [*again, "solve"]) == [0] * (len(again) + 1)
    compared = desk.session.bench.compare()
    assert len(compared) == 24
    assert all(row.agrees for row in compared)


def test_undo_brings_back_what_was_live_at_the_attach() -> None:
    desk = desk_at(seed=5, answers={"To write": digest_in})
    carry_out(desk, [*TO_A_PLAN, "write"])
    assert desk.rehearsal is not None
    first = desk.session.bench.first
    assert first is not None
    assert desk.rehearsal.machine.controller.live["steps_per_mm.z"] != 105.37
    assert carry_out(desk, ["undo"]) == [0]
    live = desk.rehearsal.machine.controller.live
    assert {key: live[key] for key in first.settings} == {
        key: setting.value for key, setting in first.settings.items()
    }
    assert desk.session.profile.mechanics.gantry_angle_deg == 45
    # What was foretold was foretold of the change that is undone.
    carry_out(desk, ["gauge travel"])
    assert desk.session.bench.compare() == ()


def test_following_next_leads_from_the_port_to_the_proof() -> None:
    def value_asked_for(question: str) -> str:
        assert desk.session.bench.plan is not None
        key = question.partition("new value of ")[2].partition(":")[0]
        return f"{desk.session.bench.plan.wanted[key]:.10g}"

    # This plant is so far off that a new value has to be typed again.
    answers = {"To write": digest_in, "To store": digest_in, "Large change": value_asked_for}
    desk = desk_at(seed=8, answers=answers)
    done: list[str] = []
    for _ in range(40):
        step = step_now(desk)
        if step.done:
            break
        done.append(step.line.partition(" ")[0])
        assert carry_out(desk, [step.line]) == [0], step
    measured = ["gauge", "lay", "gauge"]
    change = ["preview", "write", "store", "prove"]
    # readings that stand apart may be asked for once more
    assert [line for line, _ in groupby(done)] == ["attach", *measured, "solve", *change, *measured]
    assert "as expected" in step_now(desk).why


def test_nothing_moves_or_heats_before_the_cautions_are_acknowledged() -> None:
    desk = desk_at()
    desk.screen.ask_with(Technician({"clear": "yes"}))
    assert carry_out(desk, ["attach", "lay strip", "gauge travel"]) == [0, 1, 1]
    assert desk.rehearsal is not None
    moves = ("G0", "G1", "G28", "M104", "M109", "M140", "M190")
    assert [line for line in desk.rehearsal.received if line.startswith(moves)] == []


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("solve", "There are no readings yet"),
        ("gauge", "No piece has been laid"),
        ("gauge travel-gantry 1o0", "expected a number"),
        ("gauge travel 100", "but no axis"),
        ("undo", "Nothing was written that could be undone"),
        ("prove power", "Nothing was written that is still"),
        ("lay tower", "is not one of"),
        ("attach", ""),
        ("rehearse", "a shell already"),
        ("'open", "cannot be taken apart"),
        ("--port x", "a shell already"),
        ("readback --port x", "one-shot use"),
    ],
)
def test_lines_that_cannot_be_carried_out_say_why(
    capsys: pytest.CaptureFixture[str], line: str, said: str
) -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    capsys.readouterr()
    code = carry_out(desk, [line])
    err = capsys.readouterr().err
    assert said in err
    assert (code == [0]) == (said == "")
    assert "Traceback" not in err


def test_typed_readings_are_understood_with_point_and_comma() -> None:
    desk = desk_at()
    carry_out(desk, ["attach", "lay strip", "gauge strip-s1 19,98 20.01 20"])
    taken = desk.session.now.taken
    assert [(t.piece, t.reading.name, t.reading.mm) for t in taken] == [
        ("strip", "strip s1", (19.98, 20.01, 20.0))
    ]


def test_json_of_the_shell_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    capsys.readouterr()
    assert carry_out(desk, ["readback --json"]) == [0]
    document = json.loads(capsys.readouterr().out)
    assert document["settings"]["steps_per_mm.z"] == {
        "value": 105.37,
        "unit": "step/mm",
        "digits": 2,
    }
    assert (document["family"], document["damaged"]) == ("replay", False)


def test_the_look_before_storing_is_told_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at(answers={"To write": digest_in})
    desk.rehearsal = in_memory(seed=3, faults=("layout",))
    carry_out(desk, ["attach", "profile restore heron", "store"])
    told = " ".join(capsys.readouterr().out.split()).partition("What storing would make")[2]
    assert "Nothing is stored yet: the stored values were loaded for a moment" in told
    assert "the controller said" not in told
    assert "layout mismatch" not in told
    assert "defaults live" not in told


def test_a_declined_undo_is_not_sent_on_to_another_command(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = desk_at()
    assert carry_out(desk, TO_A_PLAN) == [0] * len(TO_A_PLAN)
    desk.screen.ask_with(Technician({**WILLING, "digest": digest_in}))
    assert carry_out(desk, ["write"]) == [0]
    desk.screen.ask_with(Technician({"Large change": lambda q: "", "digest": "no"}))
    capsys.readouterr()
    assert carry_out(desk, ["undo"]) == [1]
    said = capsys.readouterr().err.replace("\n", " ")
    assert "Type the command again" in said
    assert "'write'" not in said
