"""What comes next, named behind a verb: only to whoever sits there, and as it is typed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.face.main import run
from agent.face.onward import name_next, tell_noted
from agent.face.shell import show_next
from agent.wire.identity import PortInfo
from tests.face.bench import carry_out, desk_at
from tests.face.stage import PORT, Stage, Staged, staged


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Staged]:
    monkeypatch.setattr("agent.face.onward.sits_there", lambda desk: not desk.screen.json)
    with staged(tmp_path) as make:
        yield make


def told(at: Stage, *words: str, capsys: pytest.CaptureFixture[str]) -> str:
    """The line that is named behind one command, as `main` names it; empty without one."""
    desk = at.wired()
    code = run(list(words), desk)
    capsys.readouterr()
    if code == 0:
        tell_noted(desk)
    desk.close()
    return capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["piece", "strip"], "--port PORT lay strip"),
        (["ports"], "--port PORT"),
        (["profile", "check", "heron"], "--port PORT --profile heron"),
        (["mechanics", "--profile", "heron"], ""),
        (["ports", "--json"], ""),
        (["piece", "cube"], ""),
    ],
)
def test_without_a_machine_the_line_that_attaches_one_is_named(
    words: list[str], line: str, stage: Staged, capsys: pytest.CaptureFixture[str]
) -> None:
    named = told(stage(at="port"), *words, capsys=capsys)
    assert named == (f"Next: plumbelt {line}\n" if line else "")


def test_the_only_port_is_named_and_of_two_none(
    stage: Staged, capsys: pytest.CaptureFixture[str]
) -> None:
    at = stage(at="port")
    ports = [PortInfo(name, "", None, None, None, None) for name in ("/dev/tty A", "/dev/ttyB")]
    for count, line in ((1, "--port '/dev/tty A'"), (2, "--port PORT")):
        found = tuple(ports[:count])
        with pytest.MonkeyPatch.context() as patch:  # ends before that of the stage
            patch.setattr("agent.wire.listing.list_ports", lambda found=found: found)
            assert told(at, "ports", capsys=capsys) == f"Next: plumbelt {line}\n"


def test_with_a_machine_its_own_next_step_is_named(
    stage: Staged, capsys: pytest.CaptureFixture[str]
) -> None:
    at = stage(at="port")
    named = told(at, "--profile", "heron", "--port", PORT, "readback", capsys=capsys)
    assert named == f"Next: plumbelt --port {PORT} profile save heron\n"
    assert told(at, "--port", PORT, "status", capsys=capsys) == ""  # it names it itself


def test_a_file_of_readings_leads_to_its_report(
    stage: Staged, capsys: pytest.CaptureFixture[str]
) -> None:
    at = stage(at="port")
    Path("my tower.yaml").write_text(
        "format: plumbelt-readings/1\nmechanics: {gantry_angle_deg: 45}\nreadings:\n"
        "  - {feature: travel, along: [200, 0, 0], mm: [200.1], u_mm: 0.05}\n"
    )
    named = told(at, "solve", "my tower.yaml", capsys=capsys)
    assert named == "Next: plumbelt report 'my tower.yaml'\n"


def test_in_the_shell_enter_does_what_was_named(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at()
    name_next(desk)
    assert capsys.readouterr().out == "Next: attach memory://\n"
    assert desk.offered == "attach memory://"
    assert carry_out(desk, [""]) == [0]
    said = capsys.readouterr().out
    assert said.startswith("  attach memory://\n")
    assert said.rstrip().endswith("gauge travel --enough      (Enter does it)")
    assert desk.offered == "gauge travel --enough"
    show_next(desk, "something else")
    assert "gauge travel --enough" in capsys.readouterr().out
    tell_noted(desk)  # in the shell nothing is typed behind it
    assert capsys.readouterr().out == ""
