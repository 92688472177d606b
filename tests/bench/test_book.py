"""The book of a machine: its one door, its views, and the record behind it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from agent.bench.book import Book, BookJournal, RecordBook, name_for
from agent.bench.events import Event
from agent.change.plan import Change, Plan
from agent.errors import Refused
from agent.model import UNNAMED
from agent.store.journal import journals_folder

#: A controller that tells nothing of itself.
UNTOLD = dict.fromkeys(("port", "family", "identity", "serial"), "")
BENCH = {**UNTOLD, "family": "replay", "identity": "bench 1.0"}


def kinds(events: Sequence[Event]) -> list[str]:
    return [event.kind for event in events]


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[RecordBook]:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    made = RecordBook()
    yield made
    made.close()


def test_events_are_numbered_in_the_order_in_which_they_came() -> None:
    book = Book()
    for state in ("on", "off"):
        book.append("heat", {"state": state})
    assert [event.body["n"] for event in book.events] == [1, 2]
    assert kinds(book.events) == ["heat", "heat"]
    assert book.bench.heater_state == "off"
    assert {event.session for event in book.events} == {"memory"}


def test_a_bench_is_what_it_was_behind_any_one_entry() -> None:
    book = Book()
    for state in ("on", "off"):
        book.append("heat", {"state": state})
    first, _ = book.events
    then, event = book.bench_at(first.id[-8:])
    assert (then.heater_state, event) == ("on", first)
    for tail in ("", "no such end"):
        with pytest.raises(Refused, match="no entry of this machine ends in"):
            book.bench_at(tail)
    book.events[1] = replace(book.events[1], id=f"x{first.id[-8:]}")
    with pytest.raises(Refused, match="several entries end in"):
        book.bench_at(first.id[-8:])


def test_another_machine_begins_with_nothing_and_the_same_one_goes_on() -> None:
    book = Book()
    book.look_at("heron")
    book.append("heat", {"state": "on"})
    for same in ("heron", ""):
        book.look_at(same)
        assert (book.bench.machine, len(book.events)) == ("heron", 1)
    book.take_up("", **{**UNTOLD, "port": "memory://"})
    assert (book.bench.machine, len(book.events)) == ("heron", 1)
    book.take_up("kite", **UNTOLD)
    assert (book.bench.machine, book.events) == ("kite", [])


def test_a_machine_without_a_profile_is_named_by_its_controller() -> None:
    """Each of family, name and number tells it from others; of none nothing does."""
    told = name_for("replay", "bench 1.0", "77")
    assert told == name_for("replay", "bench 1.0", "77")
    assert told.startswith(f"{UNNAMED}-replay-")
    others = [
        ("numbered", "bench 1.0", "77"),
        ("replay", "bench", "77"),
        ("replay", "bench 1.0", ""),
    ]
    assert len({told, *(name_for(*other) for other in others)}) == 4
    assert name_for("", "bench 1.0", "77") == UNNAMED


def test_a_journal_that_comes_to_light_is_read_with_what_was_there(book: RecordBook) -> None:
    """A change that an earlier version kept in a file of its own; taken over once."""
    book.take_up("heron", **BENCH)
    book.append("heat", {"state": "off"})
    change = Change("steps_per_mm.z", 105.37, 106.0, "step/mm", 2)
    plan = Plan("heron", "replay", (change,), ("M92 Z106.00",), "snap")
    entry = {"at": "2026-03-01T10:00:00", "step": "begun", "plan": plan.to_plain()}
    journals_folder().mkdir(parents=True)
    path = journals_folder() / "20260301-heron.jsonl"
    path.write_text(json.dumps(entry) + "\n")
    for _ in range(2):
        book.take_up("heron", **BENCH)
        assert sorted(kinds(book.events)) == ["heat", "journal"]
        assert [t.open for t in book.bench.transactions] == [True]
    (journals_folder() / "20260302-nobody.jsonl").write_text("no entry\n")
    book.take_up("heron", **BENCH)
    assert book.trouble == ""


def test_what_cannot_be_kept_is_told_and_no_change_is_made_without_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = tmp_path / "file"
    wrong.write_text("no folder")
    monkeypatch.setenv("PLUMBELT_HOME", str(wrong))
    book = RecordBook()
    book.take_up("heron", **UNTOLD)
    assert book.bench.machine == "heron"
    assert book.trouble
    book.append("heat", {"state": "on"})
    assert book.bench.heater_state == "on", "the work goes on in memory"
    with pytest.raises(Refused, match="record cannot be kept"):
        BookJournal(book).note("begun")
    assert kinds(book.events) == ["heat"]
    book.close()
