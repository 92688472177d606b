"""What a session keeps, and what happens where it cannot be kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.errors import LinkFailed
from agent.model.settings import Readback, Setting
from agent.store.record import Record
from agent.work.notebook import DiskNotebook, MemoryNotebook

READBACK = Readback("replay", {"steps_per_mm.z": Setting(105.37, "step/mm", 2)}, identity="heron")


def test_a_port_is_held_by_one_session_until_it_lets_go(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    one, two = DiskNotebook(), DiskNotebook()
    one.hold("/dev/null")
    with pytest.raises(LinkFailed, match="in use by another plumbelt"):
        two.hold("/dev/null")
    one.close()
    two.hold("/dev/null")
    two.close()


def test_readings_and_traffic_enter_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    notebook = DiskNotebook()
    notebook.begin("heron", "/dev/null", READBACK)
    notebook.traffic(0.5, ">", "M503")
    with notebook.journal("heron", "1234abcd") as journal:
        journal.note("begun", plan={"machine": "heron"})
    notebook.close()
    assert notebook.trouble == ""
    with Record() as record:
        kinds = {entry.kind for entry in record.entries("heron")}
        (session,) = [s for s in record.sessions("heron") if s.port]
        lines = [(line.way, line.text) for line in record.lines(session.id)]
    assert kinds == {"readback", "journal"}
    assert lines == [(">", "M503")]
    assert [entry["step"] for entry in notebook.entries()] == ["begun"]


def test_a_folder_that_cannot_be_written_is_told_and_hinders_no_reading(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "a file"
    blocked.write_text("", encoding="utf-8")
    monkeypatch.setenv("PLUMBELT_HOME", str(blocked / "home"))
    notebook = DiskNotebook()
    notebook.hold("/dev/null")
    notebook.begin("heron", "/dev/null", READBACK)
    notebook.traffic(0.5, ">", "M503")
    notebook.close()
    assert "could not be made" in notebook.trouble


def test_a_rehearsal_keeps_its_journals_in_memory() -> None:
    notebook = MemoryNotebook()
    notebook.hold("memory://")
    notebook.begin("heron", "memory://", READBACK)
    with notebook.journal("heron", "1234abcd") as journal:
        journal.note("begun", plan={})
    notebook.close()
    assert [entry["step"] for entry in notebook.entries()] == ["begun"]
