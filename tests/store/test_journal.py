"""Journals: what was noted is on the disk, and a line cut short never happened."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from agent.errors import Refused
from agent.store.journal import (
    FileJournal,
    JournalFile,
    close_journal,
    new_journal,
    open_journals,
    read_journal,
)


def journal(path: Path) -> FileJournal:
    return FileJournal(path, clock=lambda: "now")


BEGUN = {"step": "begun", "at": "now", "plan": {"machine": "heron"}}


def test_what_is_noted_is_read_back_in_order(tmp_path: Path) -> None:
    with journal(tmp_path / "a.jsonl") as open_journal:
        open_journal.note("begun", plan={"machine": "heron"})
        open_journal.note("sending", index=0, line="M92 X80.1")
        found = read_journal(open_journal.path)
    assert found == JournalFile(
        tmp_path / "a.jsonl",
        (BEGUN, {"step": "sending", "at": "now", "index": 0, "line": "M92 X80.1"}),
    )
    assert (found.machine, found.closed) == ("heron", False)


def test_every_cut_of_the_file_leaves_the_entries_before_it(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    with journal(path) as open_journal:
        for step in ("begun", "sending", "answered"):
            open_journal.note(step)
    whole = path.read_bytes()
    for size in range(len(whole) + 1):
        path.write_bytes(whole[:size])
        assert len(read_journal(path).entries) == whole[:size].count(b"\n")


def test_a_cut_journal_is_closed_without_hiding_what_came_before(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    with journal(path) as open_journal:
        open_journal.note("begun", plan={"machine": "heron"})
    with path.open("ab") as file:
        file.write(b'{"step": "sen')
    assert [j.path for j in open_journals("heron", tmp_path)] == [path]
    close_journal(path, "undone")
    assert open_journals("heron", tmp_path) == ()
    assert [entry["step"] for entry in read_journal(path).entries] == ["begun", "closed"]


def test_a_journal_that_something_else_wrote_into_is_read_up_to_there(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text('{"step":"begun"}\nhello\n{"step":"closed"}\n')
    assert read_journal(path) == JournalFile(
        path, ({"step": "begun"},), "line 2 is no entry of a journal"
    )


def test_only_the_journals_of_the_machine_are_found(tmp_path: Path) -> None:
    for machine in ("heron", "twin"):
        with new_journal(machine, "01234567", tmp_path) as opened:
            opened.note("begun", plan={"machine": machine})
    assert [j.machine for j in open_journals("twin", tmp_path)] == ["twin"]
    assert len(open_journals(folder=tmp_path)) == 2


def test_a_full_disk_stops_before_anything_is_sent_and_takes_the_half_line_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.jsonl"
    with journal(path) as open_journal:
        open_journal.note("begun", plan={"machine": "heron"})
        write = os.write
        monkeypatch.setattr(os, "write", lambda handle, data: write(handle, data[:7]))
        with pytest.raises(Refused, match="The disk is full"):
            open_journal.note("sending", index=0, line="M92 X80.1")
        monkeypatch.undo()
        open_journal.note("broken")
    assert [entry["step"] for entry in read_journal(path).entries] == ["begun", "broken"]


def test_two_transactions_never_share_a_journal(tmp_path: Path) -> None:
    with journal(tmp_path / "a.jsonl"), pytest.raises(Refused, match="could not be made"):
        journal(tmp_path / "a.jsonl")
