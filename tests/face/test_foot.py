"""The foot of the shell, what an interrupt leaves, and the ends of the installed command."""

from __future__ import annotations

import sys
from types import SimpleNamespace
from typing import Any

import pytest

from agent.errors import LinkFailed
from agent.face.desk import Desk, fitted, heater_sentence
from agent.face.main import main, run, sentence, step_of
from agent.model.heat import Heat, Heats
from agent.wire.exchange import State
from agent.work.signals import Ended
from tests.face.bench import TO_A_PLAN, Technician, carry_out, desk_at, forge
from tests.pinned import Pinned

HOT = Heats(Heat(201.4, 215.0), Heat(60.2, 60.0))


def told(desk: Desk) -> str:
    """The foot in windows of several widths, its bar with its styles, and the words of a break."""
    lines = [f"  {width:3}: {desk.status(width)}" for width in (30, 45, 60, 80, 120)]
    bar = "".join(f"[{style.partition(':')[2]}]{text}" for style, text in desk.foot_bar(50))
    return "\n".join([*lines, f"  bar: {bar!r}", f"  {desk.standing()}"])


def test_the_foot_in_every_state(desk: Desk, pinned: Pinned) -> None:
    lines = ["attached", told(desk)]
    readback = desk.session.bench.readback
    assert readback is not None
    states: list[tuple[str, dict[str, Any]]] = [
        ("hot", {"heater_state": "on", "heats": HOT}),
        ("perhaps hot", {"heater_state": "unknown"}),
        ("not reported", {"heater_state": "not reported"}),
        ("a heater that does not obey", {"heat_danger": "it burns"}),
        ("stored otherwise", {"heat_danger": "", "stored_otherwise": "z"}),
        ("halted", {"halted": True, "stored_otherwise": ""}),
        ("lost", {"lost": "memory://", "halted": False}),
        ("all at once", {"heat_danger": "x", "heater_state": "on", "stored_otherwise": "z"}),
    ]
    for name, changes in states:
        forge(desk, **changes)
        lines += [name, told(desk), f"  {heater_sentence(desk.session.bench)}"]
    forge(desk, heat_danger="", heater_state="off", stored_otherwise="", lost="")
    for state in State:
        if state is not State.READY:
            monkey = pytest.MonkeyPatch()
            monkey.setattr(type(desk.session.contact.link), "state", state)
            lines += [f"link {state.value}", f"  {desk.status()}", f"  {desk.standing()}"]
            monkey.undo()
    desk.foot = lambda: ("far from enough", "far")
    lines += ["while readings are taken", told(desk)]
    desk.foot = lambda: ("", "")
    lines += ["nothing to tell of them", told(desk)]
    pinned("face/foot", "\n".join(lines))


def test_the_foot_tells_what_waits_and_what_is_not_stored(pinned: Pinned) -> None:
    desk = desk_at(seed=3)
    assert carry_out(desk, TO_A_PLAN) == [0] * len(TO_A_PLAN)
    lines = ["a plan waits", told(desk)]
    plan = desk.session.bench.plan
    assert plan is not None
    answers = {"digest": plan.digest, "Large change": "1"}
    for key, value in plan.wanted.items():
        answers[f"the new value of {key}"] = f"{value}"
    desk.screen.ask_with(Technician({k: answers[k] for k in reversed(answers)}))
    assert carry_out(desk, ["write"]) == [0]
    lines += ["not stored", told(desk)]
    carry_out(desk, ["detach"])
    lines += ["detached", told(desk)]
    pinned("face/foot-of-a-change", "\n".join(lines))


def test_a_foot_without_a_session() -> None:
    desk = Desk()
    assert desk.status() == "unnamed | not attached | heaters unknown"
    assert desk.standing() == "No machine is attached."
    assert desk.heat_words() == "Nobody knows of the heaters: no machine is attached."
    assert (desk.lost, desk.machine, desk.at_machine.__name__) == ("", "unnamed", "at_machine")


@pytest.mark.parametrize(
    ("width", "keep", "line"),
    [
        (40, 1, "first long | second long | third"),
        (32, 1, "first long | second long | third"),
        (31, 1, "first long | 2nd | third"),
        (24, 1, "first long | 2nd | third"),
        (23, 1, "1st | 2nd | third"),
        (17, 1, "1st | 2nd | third"),
        (16, 1, "1st | 2nd"),
        (8, 1, "1st"),
        (1, 1, "1st"),
        (1, 2, "1st | 2nd"),
        (1, 0, "1st"),
    ],
)
def test_short_words_come_before_lost_words(width: int, keep: int, line: str) -> None:
    """The last that has a short word gives way first; of those to be kept none is cut."""
    parts = [("first long", "1st"), ("second long", "2nd"), ("third",)]
    assert fitted(parts, width, keep) == line


# --- after sleep, at the end ---------------------------------------------------------------------


def slept(desk: Desk, seconds: float) -> None:
    desk.sleep = SimpleNamespace(seconds=lambda: seconds)  # type: ignore[assignment]
    desk.wake()


def test_after_a_sleep_the_machine_is_asked_first(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    slept(desk, 0.0)
    assert capsys.readouterr().err == ""
    slept(desk, 630.0)
    said = " ".join(capsys.readouterr().err.split())
    assert "This computer slept for 10 min. What the machine did meanwhile" in said
    assert said.endswith("The heaters are off, as the controller reported.")


def test_a_link_that_is_silent_after_a_sleep_leaves_the_heaters_unknown(
    desk: Desk, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def silent() -> None:
        raise LinkFailed("no answer", remedy="Look at the cable")

    monkeypatch.setattr(desk.session.contact, "ask_heaters", silent)
    slept(desk, 60.0)
    said = " ".join(capsys.readouterr().err.split())
    assert "no answer. Look at the cable" in said
    assert desk.session.bench.heater_state == "unknown"
    assert said.endswith("Nobody knows whether the heaters are on: 'cool', or the power switch.")


def test_a_desk_without_a_machine_wakes_silently(capsys: pytest.CaptureFixture[str]) -> None:
    slept(Desk(), 600.0)
    assert capsys.readouterr().err == ""


def test_the_end_cools_first_and_says_so(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    assert desk.rehearsal is not None
    controller = desk.rehearsal.machine.controller
    controller.hotend.set(215.0, controller.now)
    forge(desk, heater_state="on")
    capsys.readouterr()
    desk.end_safely()
    assert controller.hotend.target == 0
    assert desk.session.contact.link is None
    Desk().end_safely()  # nothing was attached, and nothing is said
    assert capsys.readouterr().out == ""


# --- the installed command -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "code"), [(["--version"], 0), (["fly"], 2), (["log", "show", "none"], 1)]
)
def test_the_command_ends_with_the_code_of_its_line(
    arguments: list[str],
    code: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "argv", ["plumbelt", *arguments])
    monkeypatch.setattr("agent.face.main.end_in_order", lambda: None)
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == code


def test_an_end_from_outside_is_told_by_its_number(monkeypatch: pytest.MonkeyPatch) -> None:
    def ended(*_: object) -> int:
        raise Ended(15)

    safely: list[int] = []
    monkeypatch.setattr("agent.face.main.end_in_order", lambda: None)
    monkeypatch.setattr("agent.face.main.run", ended)
    monkeypatch.setattr(Desk, "end_safely", lambda self: safely.append(1))
    with pytest.raises(SystemExit) as done:
        main()
    assert done.value.code == 143
    assert safely == [1]


@pytest.mark.parametrize("broken", [OSError("disk full"), BrokenPipeError()])
def test_a_reader_that_has_gone_is_no_failure_of_the_disk(
    broken: OSError, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> int:
        raise broken

    monkeypatch.setattr("agent.face.main.end_in_order", lambda: None)
    monkeypatch.setattr("agent.face.main.run", fails)
    turned: list[object] = []
    monkeypatch.setattr("agent.face.main.os.dup2", lambda *to: turned.append(to))
    monkeypatch.setattr(sys, "stdout", SimpleNamespace(fileno=lambda: 1, flush=lambda: None))
    if isinstance(broken, BrokenPipeError):
        with pytest.raises(SystemExit) as done:
            main()
        assert done.value.code == 1
        assert len(turned) == 1
    else:
        with pytest.raises(OSError, match="disk full"):
            main()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("nothing was read", "Nothing was read."),
        ("/dev/x is not there", "/dev/x is not there."),
        ("steps_per_mm.x: wrong", "steps_per_mm.x: wrong."),
        ("cancelled: no", "Cancelled: no."),
        ("halted: no", "Halted: no."),
        ("all was done!", "All was done!"),
        ("is it so?", "Is it so?"),
        ("these:", "these:"),
        ("stop", "Stop."),
    ],
)
def test_what_went_wrong_is_a_sentence(text: str, said: str) -> None:
    assert sentence(text) == said


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["store", "--approve", "abcd"], "store"),
        (["--port", "/dev/x", "--baud", "9600", "next", "--json"], "next"),
        (["--profile", "heron", "lay", "strip"], "lay strip"),
        (["run", "a b"], "run 'a b'"),
        (["undo", "--list"], "undo --list"),
    ],
)
def test_a_refused_step_is_named_without_what_it_was_given_for(
    arguments: list[str], line: str
) -> None:
    assert step_of(arguments) == line


@pytest.fixture
def interrupting(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_desk: Desk) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("agent.face.status.status_of", interrupted)


def test_an_interrupt_ends_with_130_and_says_how_it_stands(
    desk: Desk, interrupting: None, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["status"], desk) == 130
    said = capsys.readouterr().err
    assert "Interrupted. Nothing is on its way to the machine. The heaters are off" in " ".join(
        said.split()
    )
