"""`rehearse` and `sim`: which machine they simulate, and the caliper beside it."""

from __future__ import annotations

import io
import json
import threading
from types import SimpleNamespace
from typing import Any

import pytest

from agent.errors import Refused
from agent.face.desk import Desk
from agent.face.main import run
from agent.face.simulating import all_features, attend
from agent.pieces import PIECES
from agent.rehearsal import describe_effects, describe_faults
from tests.patience import PATIENCE


class Bench:
    """Stands in for a simulated machine: notes what is asked of it."""

    address = "pty:7"

    def __init__(self) -> None:
        self.asked: dict[str, Any] = {}
        self.noted: list[Any] = []
        self.server = SimpleNamespace(wait=lambda: self.noted.append("waits"))

    def made(self, profile: Any, **asked: Any) -> Bench:
        self.asked = asked
        return self

    def serve_instrument(self, *given: object) -> str:
        self.noted.append(given)
        return "tcp:5"

    def measure(self, feature: Any, piece: str, repeats: int) -> tuple[float, ...]:
        if piece == "post":  # none lies there
            raise Refused("no post has been laid")
        self.noted.append((feature.name, piece, repeats))
        return (19.98,)

    def pocket_press(self, shown: float | None) -> None:
        self.noted.append(shown)

    def close(self) -> None:
        self.noted.append("closed")


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    bench = Bench()
    monkeypatch.setattr("agent.rehearsal.behind_a_terminal", bench.made)
    monkeypatch.setattr("agent.rehearsal.bench_of", lambda *given: given)
    return bench


@pytest.mark.parametrize(
    ("options", "asked"),
    [
        ([], {"seed": None, "bench": ("none", (), None), "speed": 1.0, "listen": None}),
        (["--seed", "0"], {"seed": 0, "bench": ("usual", (), 0)}),
        (["--seed", "3", "--bench", "rough"], {"bench": ("rough", (), 3)}),
        (["--effect", "a=1", "--effect", "b"], {"bench": ("none", ("a=1", "b"), None)}),
        (["--speed", "0", "--listen", "tcp:0"], {"speed": 0.0, "listen": "tcp:0"}),
        (["--family", "table", "--fault", "x"], {"family": "table", "faults": ("x",)}),
    ],
)
def test_a_simulated_machine_is_true_unless_a_seed_or_a_bench_is_named(
    options: list[str],
    asked: dict[str, object],
    bench: Bench,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """It runs in real time, on a pseudo-terminal, until somebody ends it."""
    assert run(["sim", *options]) == 0
    assert bench.asked | asked == bench.asked
    assert bench.noted == ["waits", "closed"]
    assert capsys.readouterr().out == "pty:7\n"


def test_a_caliper_beside_it_is_served_where_one_is_wanted(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    attended: list[object] = []
    monkeypatch.setattr("agent.face.simulating.attend", attended.append)
    options = ["--instrument", "tcp:5", "--lines", "request", "--instrument-fault", "cut:3"]
    assert run(["sim", *options]) == 0
    assert bench.noted == [("tcp:5", "request", ("cut:3",)), "waits", "closed"]
    assert attended == [bench]
    assert capsys.readouterr().out == "pty:7\ntcp:5\n"
    assert run(["sim", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"address": "pty:7"}
    assert attended == [bench]


def test_an_interrupt_closes_what_was_served(bench: Bench) -> None:
    def interrupted() -> None:
        raise KeyboardInterrupt

    bench.server.wait = interrupted
    assert run(["sim"]) == 130
    assert bench.noted == ["closed"]


@pytest.mark.parametrize(
    ("options", "asked"),
    [
        ([], {"seed": 7, "bench": ("usual", (), 7), "speed": 0.0, "family": "replay"}),
        (["--seed", "0", "--bench", "none"], {"seed": 0, "bench": ("none", (), 0)}),
        (["--profile", "egret", "--speed", "1"], {"speed": 1.0}),
    ],
)
def test_a_rehearsal_is_on_a_usual_bench_and_keeps_nobody_waiting(
    options: list[str],
    asked: dict[str, object],
    bench: Bench,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    ports: list[str | None] = []

    def run_shell(desk: Desk, *, port: str | None = None) -> int:
        ports.append(port)
        return 5

    monkeypatch.setattr("agent.face.shell.run_shell", run_shell)
    desk = Desk()
    assert run(["rehearse", *options], desk) == 5, "its code is that of the shell"
    assert bench.asked | asked == bench.asked
    assert ports == ["pty:7"]
    name = "egret" if "egret" in options else "heron"
    assert desk.session.profile.name == name
    assert f"Simulated machine '{name}', seed {bench.asked['seed']}: no" in capsys.readouterr().out


@pytest.mark.parametrize("verb", ["sim", "rehearse"])
@pytest.mark.parametrize("lists", [["faults"], ["effects"], ["faults", "effects"]])
def test_lists_are_shown_and_nothing_is_simulated(
    verb: str, lists: list[str], bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([verb, *(f"--{name}" for name in lists)]) == 0
    said = capsys.readouterr().out
    pages = {"faults": describe_faults(), "effects": describe_effects()}
    for name, page in pages.items():
        assert (page.splitlines()[-1].split()[0] in said.split()) == (name in lists)
    assert bench.asked == {}


def test_lists_for_a_program(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["sim", "--effects", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"effects": describe_effects().splitlines()}


def test_a_line_typed_beside_a_simulated_machine_presses_its_button(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """An empty line presses as it stands; a number or a feature closes it to that first."""
    typed = "\n 20,5 \nstrip-s1\nstrip s1\npost-h1\nnonsense\n7\n"
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    attend(bench)  # type: ignore[arg-type]
    for thread in threading.enumerate():
        if thread.name == "plumbelt-button":
            thread.join(PATIENCE)
    measured = ("strip s1", "strip", 1)
    assert bench.noted == [None, 20.5, measured, 19.98, measured, 19.98, 7.0]
    said = capsys.readouterr().out.splitlines()
    assert len(said) == 2
    assert said[0].startswith("no post has been laid")
    assert all(
        line.endswith("Expected nothing, a number, or a feature (strip-s1)") for line in said
    )


def test_every_piece_has_features_that_may_be_named() -> None:
    assert {feature.name.split()[0] for feature in all_features()} == set(PIECES)
