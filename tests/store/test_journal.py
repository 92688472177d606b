"""Journals of version 0.1.0: what is whole in a file is read, and a line cut short never was."""

from __future__ import annotations

import json
from pathlib import Path

from agent.store.journal import JournalFile, read_journal

STEPS = [
    {"step": "begun", "at": "now", "plan": {"machine": "heron"}},
    {"step": "sending", "at": "now", "index": 0, "line": "M92 X80.1"},
    {"step": "closed", "at": "now"},
]


def journal(path: Path, count: int) -> Path:
    path.write_text("".join(json.dumps(step) + "\n" for step in STEPS[:count]))
    return path


def test_steps_are_read_in_order(tmp_path: Path) -> None:
    found = read_journal(journal(tmp_path / "a.jsonl", 2))
    assert found == JournalFile(tmp_path / "a.jsonl", tuple(STEPS[:2]))
    assert found.machine == "heron"


def test_every_cut_of_the_file_leaves_the_entries_before_it(tmp_path: Path) -> None:
    path = journal(tmp_path / "a.jsonl", 3)
    whole = path.read_bytes()
    for size in range(len(whole) + 1):
        path.write_bytes(whole[:size])
        assert len(read_journal(path).entries) == whole[:size].count(b"\n")


def test_a_journal_that_something_else_wrote_into_is_read_up_to_there(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text('{"step":"begun"}\nhello\n{"step":"closed"}\n')
    assert read_journal(path) == JournalFile(path, ({"step": "begun"},))
