"""Attaching: the speed is found without a setting being written, the port is opened again."""

from __future__ import annotations

import warnings
from collections.abc import Iterator

import pytest

from agent.face.desk import Desk
from agent.face.main import run
from agent.rehearsal import Rehearsal, behind_a_terminal
from tests.face.bench import carry_out

CHANGES = ("M92 ", "M203", "M201", "M500", "M501", "M502")


@pytest.fixture
def elsewhere() -> Iterator[Rehearsal]:
    """A controller at 250000 bits a second behind a served port that can set its speed."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # pyserial names its threads so
        rehearsal = behind_a_terminal(
            seed=3, listen="rfc2217:0", faults=("speed:baud=250000",), speed=0.0
        )
        yield rehearsal
        rehearsal.close()


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_the_speed_is_found_and_nothing_is_written(
    elsewhere: Rehearsal, tmp_path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    desk = Desk(in_shell=True)
    try:
        assert carry_out(desk, [f"attach {elsewhere.address} --find-speed"]) == [0]
        assert "answers at 250000 bits a second" in capsys.readouterr().out
        assert desk.session.bench.readback is not None
        assert not desk.session.bench.readback.damaged
        assert not [line for line in elsewhere.received if line.startswith(CHANGES)]
    finally:
        desk.close()


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_wrong_speed_is_named_with_the_remedy(
    elsewhere: Rehearsal, tmp_path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    assert run(["readback", "--port", elsewhere.address, "--baud", "115200"]) == 3
    assert "--find-speed" in " ".join(capsys.readouterr().err.split())


def test_every_fault_stands_on_the_simulator_s_help_page(capsys) -> None:
    from sim.faults import FAULTS

    assert run(["sim", "--help"]) == 0
    page = capsys.readouterr().out
    assert all(f"\n  {name}: " in page for name in FAULTS)
