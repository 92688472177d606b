"""The shell on a real terminal of 80 by 24, typed at and looked at through a terminal emulator."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import pexpect
import pyte
import pytest

from agent.face.desk import Desk
from agent.face.main import run
from agent.face.shell import offers, wants_file
from sim.machine import build
from sim.serve import serve
from tests.face.bench import desk_at
from tests.packaging import READINGS
from tests.patience import PATIENCE
from tests.wire.test_port import HERON

COLUMNS, ROWS = 80, 24


def test_the_foot_of_a_new_shell_says_what_that_of_a_new_session_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The prompt comes before the session, which takes a while to bring in."""
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))  # nothing is known of any machine
    with_session = Desk()
    assert with_session.session.profile.name == with_session.machine == Desk().machine
    assert with_session.status() == Desk().status()


class Terminal:
    """plumbelt in a pseudo-terminal, and what a technician sees of it."""

    def __init__(self, home: Path, *arguments: str, **environment: str) -> None:
        env = {**os.environ, "PLUMBELT_HOME": str(home), "TERM": "xterm", **environment}
        self.child = pexpect.spawn(
            sys.executable,
            ["-m", "agent.face.main", *arguments],
            env=env,  # type: ignore[arg-type]
            dimensions=(ROWS, COLUMNS),
            encoding="utf-8",
            timeout=PATIENCE,
        )
        self.screen = pyte.Screen(COLUMNS, ROWS)
        self._stream = pyte.Stream(self.screen)
        self.said = ""
        self._heard = 0  #: how much of what was said was waited for
        self.child.delayafterread = 0.0

    def wait_for(self, words: str) -> None:
        """Read until the child has said `words` behind what was waited for before.

        Blanks and line breaks count alike.
        """
        pattern = re.compile(r"\s+".join(map(re.escape, words.split())))
        while not (found := pattern.search(_plain(self.said), self._heard)):
            self.said += self._read()
        self._heard = found.end()

    def _read(self) -> str:
        text: str = self.child.read_nonblocking(65536, timeout=PATIENCE)
        # The emulator answers where the cursor stands, as a real terminal would.
        if "\x1b[6n" in text:
            self.child.send(f"\x1b[{self.screen.cursor.y + 1};{self.screen.cursor.x + 1}R")
        self._stream.feed(text)
        return text

    def type(self, line: str) -> None:
        self.child.send(line + "\r")

    @property
    def rows(self) -> list[str]:
        return [row.rstrip() for row in self.screen.display]


def _plain(text: str) -> str:
    """`text` without what only moves the cursor or colours."""
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|\x1b\][^\x07]*\x07|\x1b[=>]", " ", text)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    terminal = Terminal(tmp_path, "--no-pager", "rehearse", "--seed", "3")
    terminal.wait_for("family 'replay', 16 settings read twice")
    yield terminal
    terminal.child.close(force=True)


def test_a_session_typed_on_a_small_terminal(terminal: Terminal) -> None:
    terminal.type("gauge travel-belt")
    terminal.wait_for("Type 'understood' to go on:")
    terminal.type("understood")
    terminal.wait_for("is there room? Type 'yes' to go on:")
    terminal.type("yes")
    terminal.wait_for("mm (Enter takes this):")
    terminal.type("265,7")
    terminal.wait_for("265,7 is understood as 265.7 mm")
    terminal.wait_for("measured, mm")
    terminal.type("solve")
    terminal.wait_for("from one length only")
    terminal.type("quit")
    terminal.child.expect(pexpect.EOF)
    terminal.child.wait()
    assert terminal.child.exitstatus == 0


def test_status_line_names_machine_link_and_heaters(terminal: Terminal) -> None:
    terminal.type("next")
    terminal.wait_for("(Enter does it)")
    terminal.wait_for("heaters off")
    assert re.match(r"heron \| /dev/\S+ \| replay \| ready \| heaters off", terminal.rows[-1])


def test_interrupt_at_a_question_sends_nothing_and_the_shell_goes_on(terminal: Terminal) -> None:
    terminal.type("gauge travel")
    terminal.wait_for("Type 'understood' to go on:")
    terminal.child.sendintr()
    terminal.wait_for("Interrupted")
    terminal.type("readback")
    terminal.wait_for("steps_per_mm.z")


def test_interrupt_while_laying_stops_and_says_what_is_hot(terminal: Terminal) -> None:
    terminal.type("lay post")
    terminal.wait_for("Type 'understood' to go on:")
    terminal.type("understood")
    terminal.wait_for("Type 'yes' to go on:")
    terminal.type("yes")
    terminal.wait_for("line acknowledged: G1")
    terminal.child.sendintr()
    terminal.wait_for("Type 'on' to lay on")
    terminal.type("stop")
    terminal.wait_for("heaters are off")
    terminal.wait_for("piece off? Type 'yes' to go on:")
    terminal.type("no")
    terminal.wait_for("Motors still hold")
    terminal.type("readback")
    terminal.wait_for("family 'replay'")


def test_tab_completes_verbs_and_arguments() -> None:
    desk = desk_at()
    assert [value for value, _ in offers(desk, ["attach"], "mem")] == ["memory://"]
    assert [value for value, _ in offers(desk, ["help"], "lea")] == ["lean", "lean-returns"]
    assert wants_file(desk, ["solve"], "")
    assert not wants_file(desk, ["lay"], "")
    verbs = [value for value, _ in offers(desk, [], "re")]
    assert "readback" in verbs
    assert [value for value, _ in offers(desk, ["lay"], "st")] == ["strip", "stem"]
    assert "--json" in [value for value, _ in offers(desk, ["readback"], "--j")]


def test_tab_and_paste_on_the_terminal(terminal: Terminal) -> None:
    terminal.child.send("readb\t")
    terminal.wait_for("readback")
    terminal.type("")
    terminal.wait_for("junction_deviation")
    # A pasted block stands in the editor as it is; nothing of it runs before Enter.
    terminal.child.send("\x1b[200~help lean\x1b[201~")
    terminal.type("")
    terminal.wait_for("three causes, one symptom")


def test_a_window_made_smaller_loses_nothing(terminal: Terminal) -> None:
    terminal.child.setwinsize(12, 50)
    terminal.screen.resize(12, 50)
    terminal.type("help confirm")
    terminal.wait_for("brings back what was read before the first write")
    terminal.type("next")
    terminal.wait_for("(Enter does it)")
    assert max(map(len, terminal.rows)) <= 50


def test_plain_terminal_and_no_colour_are_respected(tmp_path: Path) -> None:
    terminal = Terminal(
        tmp_path, "demo", "--bench", "none", "--seed", "5", NO_COLOR="1", TERM="dumb"
    )
    terminal.child.expect(pexpect.EOF)
    said = terminal.child.before
    assert said is not None
    assert "yes  second measurement as expected" in said
    assert "\x1b" not in said


#: What colours letters: SGR 30 to 37 and 90 to 97, their backgrounds, and 38 and 48 (ECMA-48).
_COLOUR = re.compile(r"\x1b\[(?:[0-9;]*;)?(?:3[0-8]|4[0-8]|9[0-7]|10[0-7])(?:;[0-9;]*)?m")


@pytest.mark.parametrize(
    ("flags", "environment", "coloured"),
    [((), {}, True), (("--no-color",), {}, False), ((), {"NO_COLOR": "1"}, False)],
)
def test_colours_are_there_unless_somebody_wants_none(
    tmp_path: Path, flags: tuple[str, ...], environment: dict[str, str], coloured: bool
) -> None:
    """On a terminal: of a table, of a warning, and of an error."""
    readings = tmp_path / "readings.yaml"
    readings.write_text(READINGS, encoding="utf-8")
    said = ""
    for line in (["solve", str(readings)], ["attach", "/dev/no-such-port"]):
        terminal = Terminal(tmp_path, *flags, "--no-pager", *line, **environment)
        terminal.child.expect(pexpect.EOF)
        said += terminal.child.before or ""
    assert "set steps/mm" in said
    assert "Stop:" in said
    assert bool(_COLOUR.search(said)) == coloured


def test_a_typed_verb_ends_with_what_comes_next_and_enter_does_it(terminal: Terminal) -> None:
    terminal.type("readback")
    terminal.wait_for("Next: gauge travel --enough")
    terminal.type("")
    terminal.wait_for("Type 'understood' to go on:")
    terminal.type("")
    terminal.wait_for("Cancelled")


def _said_on_a_terminal(home: Path, *line: str) -> str:
    terminal = Terminal(home, "--no-pager", *line)
    terminal.child.expect(pexpect.EOF)
    terminal.child.wait()
    return " ".join(_plain(terminal.child.before or "").split())


def test_a_one_shot_verb_at_a_terminal_ends_with_the_line_that_comes_next(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Typed as it stands it goes on; in a pipe and beside JSON there is none."""
    readings = tmp_path / "readings.yaml"
    readings.write_text(READINGS, encoding="utf-8")
    said = _said_on_a_terminal(tmp_path, "solve", str(readings))
    # however long the path of this test is, and wherever it wraps
    assert said.replace(" ", "").endswith(f"Next:plumbeltreport{readings}")
    assert "Next:" not in _said_on_a_terminal(tmp_path, "solve", str(readings), "--json")
    assert "Next:" not in _said_on_a_terminal(tmp_path, "solve", "nofile")
    with serve(build(HERON, seed=None), "pty") as server:
        port = server.address
        said = _said_on_a_terminal(tmp_path, "--port", port, "--profile", "heron", "readback")
        onward = f"--port {port} profile save heron"  # the machine's profile is known from now on
        assert said.endswith(f"Next: plumbelt {onward}")
        said = _said_on_a_terminal(tmp_path, *onward.split())
        assert said.endswith(f"Next: plumbelt --port {port} gauge travel --enough")
        said = _said_on_a_terminal(tmp_path, "attach", port)
        assert said.endswith(f"Next: plumbelt --port {port} gauge travel --enough")
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    assert run(["solve", str(readings)]) == 0
    assert "Next:" not in capsys.readouterr().out


def test_lines_from_a_pipe_are_carried_out(tmp_path: Path) -> None:
    from subprocess import run

    done = run(
        [sys.executable, "-m", "agent.face.main", "rehearse"],
        input="readback\nquit\n",
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=True,
        env={**os.environ, "PLUMBELT_HOME": str(tmp_path)},
    )
    assert "steps_per_mm.z" in done.stdout
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("width", [20, 60, 80, 120])
def test_the_foot_cuts_no_danger_at_any_width(width: int, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = desk_at()
    worst = [("HEATERS ON", "HOT"), ("STORED OTHERWISE", "STORED BAD"), ("NOT STORED", "UNSTORED")]
    monkeypatch.setattr(desk, "_dangers", lambda: list(worst))
    pieces = desk.foot_bar(width)
    seen = [word for style, word, *_ in pieces if style == "class:danger"]
    assert len(seen) == len(worst)
    assert max(map(len, "".join(word for _, word, *_ in pieces).split("\n"))) <= width
