"""Scripts, single lines, the emergency word, and completion for the user's shell."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.face.linking import event_words
from agent.face.main import run, sentence
from agent.face.shell import run_shell
from agent.model.settings import Event
from agent.rehearsal import Rehearsal, behind_a_terminal
from tests.face.bench import TO_A_PLAN, carry_out, desk_at
from tests.patience import PATIENCE


@pytest.fixture
def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rehearsal]:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    rehearsal = behind_a_terminal(seed=3)
    yield rehearsal
    rehearsal.close()


def script(tmp_path: Path, *lines: str) -> str:
    path = tmp_path / "evening.txt"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(path)


def test_a_script_measures_and_previews_in_one_session(
    served: Rehearsal,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    path = script(
        tmp_path,
        "readback  # what is there",
        "",
        "gauge travel-belt 265,7 --u 0.05",
        "solve",
        "preview",
    )
    # Nobody is there to acknowledge the cautions: the first line that moves ends the script.
    code = run(["run", path, "--port", served.address, "--profile", "heron", "--json"])
    document = json.loads(capsys.readouterr().out)
    assert code == 1
    assert [(s["line"], s["exit"]) for s in document["steps"]] == [
        ("readback", 0),
        ("gauge travel-belt 265,7 --u 0.05", 1),
    ]
    assert document["steps"][0]["answers"][0]["family"] == "replay"
    assert not [line for line in served.received if line.startswith("G1")]


def test_every_mistake_of_a_script_is_named_before_anything_is_done(
    served: Rehearsal, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = script(tmp_path, "readback", "frobnicate", "attach x", "rehearse", '"open')
    assert run(["run", path, "--port", served.address]) == 2
    err = capsys.readouterr().err
    for place in (":2  frobnicate", ":3  attach", ":4  rehearse", ":5  "):
        assert place in err
    assert served.received == ()


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (("undo", "help", "status", "help"), "0 of 4 lines done; 3 lines after it were not run"),
        (("help", "undo", "status"), "1 of 3 lines done; 1 line after it was not run"),
        (("help", "undo"), "1 of 2 lines done."),
    ],
)
def test_a_script_counts_what_was_done_and_what_was_not(
    lines: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert carry_out(desk_at(), ["attach", f"run {script(tmp_path, *lines)}"]) == [0, 1]
    assert said in " ".join(capsys.readouterr().err.split())


def test_a_script_writes_under_a_digest_alone(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at(seed=3)
    carry_out(desk, TO_A_PLAN)
    plan = desk.session.bench.plan
    assert plan is not None
    before = len(desk.rehearsal.received) if desk.rehearsal else 0
    assert carry_out(desk, ["write --approve 00000000"]) == [1]
    assert desk.rehearsal is not None
    assert len(desk.rehearsal.received) == before
    assert carry_out(desk, [f"write --approve {plan.digest}"]) == [0]
    assert carry_out(desk, [f"store --approve {plan.digest}"]) == [0]
    assert not [stage for stage in desk.session.bench.stages if stage.startswith("after")]
    assert desk.session.bench.stages >= {"read back", "reloaded from storage"}


@pytest.mark.parametrize(
    "line",
    ["M92 Z80", "m92z80", "M500", "M502", "M206 T3 P3 X80", "$100=80", "$RST=*", "M906 X800"],
)
def test_lines_that_set_or_store_are_not_sent_raw(
    line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    assert desk.rehearsal is not None
    before = desk.rehearsal.received
    assert carry_out(desk, [f"send {line}"]) == [1]
    assert desk.rehearsal.received == before
    assert "Nothing was sent" in capsys.readouterr().err


def test_lines_that_read_are_sent_unasked_and_others_refused_or_asked_about() -> None:
    desk = desk_at(answers={"clear": "no"})
    carry_out(desk, ["attach"])
    assert carry_out(desk, ["send m114", "send M104 S200", "send G28 X Y", "send G28"]) == [
        0,
        1,
        1,
        1,
    ]
    assert desk.rehearsal is not None
    assert desk.rehearsal.received[-1] == "M114"


def test_heaters_off_and_homing_without_the_belt_go_out() -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    assert carry_out(desk, ["send M104 S0", "send G28 X Y", "send M400"]) == [0, 0, 0]
    assert desk.rehearsal is not None
    assert desk.rehearsal.received[-2:] == ("G28 X Y", "M400")


def test_what_the_controller_does_not_understand_is_not_taken(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    assert carry_out(desk, ["send M31"]) == [1]
    assert "(not understood by the controller" in capsys.readouterr().out


def test_halt_reaches_the_controller_and_leaves_doubt(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    assert carry_out(desk, ["halt"]) == [0]
    assert desk.rehearsal is not None
    desk.rehearsal.machine.controller.run(desk.rehearsal.machine.controller.now + 1)
    assert desk.rehearsal.machine.controller.halted
    assert carry_out(desk, ["readback"]) == [3]
    assert carry_out(desk, ["write"]) != [0]


def test_completion_of_the_users_shell_offers_verbs() -> None:
    env = {
        **os.environ,
        "COMP_WORDS": "plumbelt re",
        "COMP_CWORD": "1",
        "_PLUMBELT_COMPLETE": "bash_complete",
    }
    line = [sys.executable, "-c", "from agent.face.main import main; main()"]
    done = subprocess.run(
        line, capture_output=True, text=True, env=env, timeout=PATIENCE, check=True
    )
    assert "plain,readback" in done.stdout.split()
    assert "plain,rehearse" in done.stdout.split()


def test_lines_pasted_at_once_do_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    assert desk.rehearsal is not None
    before = desk.rehearsal.received
    assert carry_out(desk, ["readback\nlay strip\n"]) == [2]
    assert desk.rehearsal.received == before
    assert capsys.readouterr().err.startswith("Several lines were pasted at once. Nothing was done")


def test_lines_from_a_pipe_end_with_the_first_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("attach\nnonsense\nreadback\nquit\n"))
    assert run_shell(desk_at()) == 2


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("not moved. Nothing was moved", "Not moved. Nothing was moved."),
        ("/dev/ttyUSB0: lost. Check the cable", "/dev/ttyUSB0: lost. Check the cable."),
        ("steps_per_mm.x is wrong", "steps_per_mm.x is wrong."),
        ("Is it in?", "Is it in?"),
    ],
)
def test_what_went_wrong_is_a_sentence(text: str, said: str) -> None:
    assert sentence(text) == said


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("lay --peice strip", "It is typed as 'lay [OPTIONS] strip|rail|post|block|stem'"),
        ("lay strp", "Did you mean 'strip'?"),
        ("lay", "choose one of strip, rail, post, block, stem"),
    ],
)
def test_a_wrong_word_is_told_with_the_right_one(
    line: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert carry_out(desk_at(), [line]) == [2]
    assert words in " ".join(capsys.readouterr().err.split())


def test_events_in_words() -> None:
    assert event_words(Event("restarted", {"cause": "start", "lost": []})) == (
        "restarted: cause start"
    )
    assert event_words(Event("restarted", {"lost": ["G1 X1", "M400"]})) == (
        "restarted: lost G1 X1 | M400"
    )


@pytest.mark.parametrize("word", ["\ud800", "a\0b"])
def test_a_word_that_can_be_no_name_is_refused_in_a_sentence(
    word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    from agent.face.main import run

    assert run(["readback", "--from", word]) == 2
    assert "is no text" in capsys.readouterr().err


@pytest.mark.parametrize(
    "line",
    [
        ["log", "list", "--text", "\udcff"],
        ["log", "list", "--machine", "h\udced\udca0\udc80n"],
        ["log", "trend", "\udcff", "--machine", "heron"],
        ["log", "show", "\udcff"],
        ["report", "--machine", "\udcff", "--session", "1"],
        ["profile", "set", "mechanics.belt_loop_mm", "\udcff", "--profile", "heron"],
        ["send", "M\udcff115"],
    ],
    ids=lambda line: " ".join(line[:2]),
)
@pytest.mark.parametrize("in_shell", [False, True])
def test_bytes_that_are_no_text_are_refused_in_arguments_and_in_pasted_lines(
    line: list[str],
    in_shell: bool,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    """A terminal gives such bytes on as lone surrogates, which no record and no wire can keep."""
    from agent.face.shell import run_line

    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    if in_shell:
        desk = desk_at()
        assert run_line(desk, " ".join(line)) == 2
    else:
        assert run(line) == 2
    assert "is no text" in capsys.readouterr().err
    assert not (tmp_path / "profiles").exists()


def test_bytes_that_are_no_text_come_through_no_pipe_either(tmp_path: Path) -> None:
    """Pasted into the shell's input as they are, and as a script: a sentence, and no traceback."""
    script = tmp_path / "evening.txt"
    script.write_bytes(b"log list --text \xff\xfe\nM\xed\xa0\x80115\n")
    env = {**os.environ, "PLUMBELT_HOME": str(tmp_path / "home")}
    for words, given in ((["run", str(script)], b""), ([], script.read_bytes())):
        done = subprocess.run(
            [sys.executable, "-c", "from agent.face.main import main; main()", *words],
            input=given,
            capture_output=True,
            timeout=PATIENCE,
            env=env,
            check=False,
        )
        told = (done.stdout + done.stderr).decode("utf-8", "replace")
        assert "Traceback" not in told
        assert done.returncode == 2, told
        assert "unknown command" in told or "is no text" in told
