"""The record: what was noted stays, whoever else writes and whatever breaks."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import uuid
from pathlib import Path

import pytest

from agent.errors import BadInput, Refused
from agent.model.settings import Readback, Setting
from agent.store.database import set_aside
from agent.store.journal import read_journal
from agent.store.record import Record
from agent.store.rows import new_identity
from agent.store.schema import STEPS


def readback(x: float, damage: tuple[str, ...] = ()) -> Readback:
    return Readback("replay", {"steps_per_mm.x": Setting(x, "step/mm", 2)}, damage=damage)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "record.db"


def test_everything_noted_is_found_again(path: Path) -> None:
    with Record(path) as record:
        session = record.begin("heron", port="memory://", family="replay", identity="bench")
        session.traffic(0.1, ">", "M503")
        session.traffic(0.2, "<", "echo: M92 X80.00")
        session.readback(readback(80.0))
        session.note("plan", {"digest": "01234567", "lines": ["M92 X80.1"]})
        session.traffic(0.3, ">", "M92 X80.1")
        session.flush()
    with Record(path) as record:
        [row] = record.sessions("heron")
        assert row == session.row
        assert [(e.kind, e.machine) for e in record.entries()] == [
            ("plan", "heron"),
            ("readback", "heron"),
        ]
        assert [(line.n, line.way, line.text) for line in record.lines(row.id)] == [
            (1, ">", "M503"),
            (2, "<", "echo: M92 X80.00"),
            (3, ">", "M92 X80.1"),
        ]


def test_entries_are_found_by_machine_kind_time_and_text(path: Path) -> None:
    with Record(path) as record:
        for machine in ("heron", "twin"):
            record.begin(machine).note("note", {"text": f"belt of {machine} changed"})
            record.begin(machine).note("plan", {"digest": "0"})
        assert record.machines() == ("heron", "twin")
        assert len(record.entries("heron")) == 2
        [found] = record.entries("heron", kinds=("note",), text="belt")
        assert found.body == {"text": "belt of heron changed"}
        assert record.entry(found.short) == found
        assert record.entries(since="2999") == ()
        assert len(record.entries(until="2999", limit=3)) == 3


@pytest.mark.parametrize("tail", ["", "zz", "%"])
def test_an_identity_that_names_no_single_entry_is_refused(path: Path, tail: str) -> None:
    with Record(path) as record:
        session = record.begin("heron")
        for _ in range(40):
            session.note("note", {})
        with pytest.raises(Refused, match=r"'log list' shows them"):
            record.entry(tail)


def test_a_setting_has_a_trend_and_a_damaged_reading_no_part_in_it(path: Path) -> None:
    with Record(path) as record:
        for value, damage in ((80.0, ()), (81.0, ("two readings differ",)), (80.3, ())):
            record.begin("heron").readback(readback(value, damage))
        record.begin("twin").readback(readback(99.0))
        record.begin("heron").estimate({"parameters": {"z_scale": {"value": 0.004, "u": 0.001}}})
        points = record.trend("heron", "steps_per_mm.x")
        assert [(p.value, p.u) for p in points] == [(80.0, None), (80.3, None)]
        [point] = record.trend("heron", "estimate.z_scale")
        assert (point.value, point.u) == (0.004, 0.001)


@pytest.mark.parametrize("table", ["session", "entry", "figure", "line"])
@pytest.mark.parametrize("verb", ["DELETE FROM {0}", "UPDATE {0} SET {1} = {1}"])
def test_nothing_in_the_record_is_ever_changed(path: Path, table: str, verb: str) -> None:
    with Record(path) as record:
        session = record.begin("heron")
        session.traffic(0, ">", "M503")
        session.readback(readback(80.0))
    column = {"session": "at", "entry": "at", "figure": "value", "line": "text"}[table]
    db = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        db.execute(verb.format(table, column))
    db.close()


def test_exporting_and_merging_loses_nothing_and_merging_twice_changes_nothing(
    tmp_path: Path,
) -> None:
    with Record(tmp_path / "a.db") as a, Record(tmp_path / "b.db") as b:
        for record, machine in ((a, "heron"), (b, "twin")):
            session = record.begin(machine, port="memory://")
            session.traffic(0.5, ">", "M503 ; ü \x1b")
            session.readback(readback(80.0))
        lines = list(a.export())
        assert b.merge(lines) == 4
        assert b.merge(lines) == 0
        assert sorted(b.export("heron")) == sorted(lines)
        assert a.merge(b.export()) == 4
        assert sorted(a.export()) == sorted(b.export())


def exported(tmp_path: Path) -> list[str]:
    with Record(tmp_path / "other.db") as other:
        session = other.begin("heron")
        session.readback(readback(80.0))
        return list(other.export())


@pytest.mark.parametrize(
    ("number", "old", "new", "what"),
    [
        (0, "record/1", "record/9", "expected plumbelt-record/1"),
        (1, '"table":"session"', '"table":"sqlite_master"', "no row of a record"),
        (1, '"machine":"heron"', '"machine":7', "expected a text"),
        (1, '"port"', '"part"', "no row of a record"),
        (2, '"kind":"readback"', '"kind":null', "expected a text"),
        (3, '"value":80.0', '"value":NaN', "expected a finite number"),
        (3, "}", "", "is not JSON; was the file cut short?"),
    ],
)
def test_a_wrong_export_is_refused_whole_with_its_line(
    tmp_path: Path, path: Path, number: int, old: str, new: str, what: str
) -> None:
    lines = exported(tmp_path)
    assert old in lines[number]
    lines[number] = lines[number].replace(old, new)
    with Record(path) as record:
        with pytest.raises(BadInput) as caught:
            record.merge(lines, "other.jsonl")
        [problem] = caught.value.problems
        assert (problem.source, problem.line) == ("other.jsonl", number + 1)
        assert what in problem.what
        assert record.machines() == ()


def test_rows_without_their_session_are_refused(tmp_path: Path, path: Path) -> None:
    lines = exported(tmp_path)
    del lines[1]
    with Record(path) as record, pytest.raises(BadInput, match="its session is not in the file"):
        record.merge(lines)


def test_a_row_with_a_known_identity_and_another_content_is_refused(
    tmp_path: Path, path: Path
) -> None:
    lines = exported(tmp_path)
    with Record(path) as record:
        record.merge(lines)
        before = list(record.export())
        forged = [line.replace('"machine":"heron"', '"machine":"swan"') for line in lines]
        with pytest.raises(Refused, match="another content"):
            record.merge(forged)
        assert list(record.export()) == before


def test_a_journal_is_taken_over_once_however_often(tmp_path: Path, path: Path) -> None:
    file = tmp_path / "a.jsonl"
    plan = {"machine": "heron", "family": "replay", "identity": "bench"}
    with Record(path) as record:
        file.write_text(
            json.dumps({"step": "begun", "at": "2026-03-01T10:00", "plan": plan}) + "\n"
        )
        assert record.take_over(read_journal(file)) == 1
        with file.open("a") as more:
            more.write('{"step":"sending","at":"2026-03-01T10:01","index":0,"line":"M92 X80.1"}\n')
        assert record.take_over(read_journal(file)) == 1
        assert record.take_over(read_journal(file)) == 0
        [row] = record.sessions("heron")
        assert (row.family, row.identity) == ("replay", "bench")
        assert {entry.body["step"] for entry in record.entries("heron")} == {"begun", "sending"}


def test_two_agents_write_at_once(path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from agent.store.record import Record\n"
        "with Record(Path(sys.argv[1])) as record:\n"
        "    session = record.begin(sys.argv[2])\n"
        "    for n in range(100): session.note('note', {'n': n})\n"
    )
    agents = [
        subprocess.Popen([sys.executable, "-c", script, str(path), name]) for name in ("a", "b")
    ]
    assert [agent.wait() for agent in agents] == [0, 0]
    with Record(path) as record:
        for name in ("a", "b"):
            assert {entry.body["n"] for entry in record.entries(name)} == set(range(100))


def test_a_killed_agent_leaves_all_that_it_had_noted(path: Path) -> None:
    script = (
        "import os, sys; from pathlib import Path; from agent.store.record import Record\n"
        "session = Record(Path(sys.argv[1])).begin('heron')\n"
        "n = 0\n"
        "while True:\n"
        "    session.traffic(n, '>', f'M92 X{n}'); session.note('note', {'n': n})\n"
        "    print(n, flush=True); n += 1\n"
    )
    agent = subprocess.Popen(
        [sys.executable, "-c", script, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert agent.stdout is not None
    last = 0
    for _ in range(25):
        last = int(agent.stdout.readline())
    os.kill(agent.pid, signal.SIGKILL)
    agent.wait()
    agent.stdout.close()
    with Record(path) as record:
        kept = sorted(entry.body["n"] for entry in record.entries("heron"))
        assert kept == list(range(len(kept)))
        assert len(kept) > last
        [row] = record.sessions("heron")
        assert len(record.lines(row.id)) == len(kept)


def test_an_older_record_is_taken_along_and_its_copy_kept(tmp_path: Path, path: Path) -> None:
    with Record(path) as record:
        record.begin("heron").readback(readback(80.0))
        before = list(record.export())
    newer = (*STEPS, "CREATE TABLE remark (id TEXT PRIMARY KEY);\nCREATE INDEX r ON remark (id);")
    with Record(path, steps=newer) as record:
        assert list(record.export()) == before
    with Record(path.with_name(f"record.v{len(STEPS)}.db")) as copy:
        assert list(copy.export()) == before
    with pytest.raises(Refused, match="written by a newer plumbelt"):
        Record(path)


def test_a_migration_that_fails_changes_nothing(path: Path) -> None:
    with Record(path) as record:
        record.begin("heron")
    with pytest.raises(Refused, match="cannot be used"):
        Record(path, steps=(*STEPS, "CREATE TABLE remark (id TEXT);\nCREATE TABLE line (id TEXT);"))
    with Record(path) as record:
        assert record.machines() == ("heron",)


def test_a_file_of_something_else_is_left_alone(path: Path) -> None:
    path.write_bytes(b"a letter to the maker of the belt" * 100)
    before = path.read_bytes()
    with pytest.raises(Refused, match="something else wrote it"):
        Record(path)
    assert path.read_bytes() == before


def test_a_database_of_something_else_is_left_alone(path: Path) -> None:
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE bird (name TEXT)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(Refused, match="database of something else"):
        Record(path)
    assert path.read_bytes() == before


def test_a_damaged_record_is_named_moved_aside_and_never_deleted(path: Path) -> None:
    with Record(path) as record:
        session = record.begin("heron")
        for n in range(300):
            session.note("note", {"n": n, "text": "x" * 200})
    data = bytearray(path.read_bytes())
    for page in range(4096, len(data) - 4096, 4096):
        data[page : page + 64] = b"\xff" * 64
    path.write_bytes(data)
    with pytest.raises(Refused, match=r"is damaged.*Move it aside"), Record(path) as record:
        record.entries()
    aside = set_aside(path)
    assert aside.read_bytes() == data
    with Record(path) as record:
        assert record.machines() == ()


def test_a_full_disk_keeps_the_lines_and_says_so(path: Path) -> None:
    with Record(path) as record:
        session = record.begin("heron")
        pages = record.connection.execute("PRAGMA page_count").fetchone()[0]
        record.connection.execute(f"PRAGMA max_page_count = {pages}")
        for n in range(600):  # traffic never raises: the wire comes first
            session.traffic(n, ">", "M92 X80.1" * 10)
        assert "disk is full" in session.trouble
        with pytest.raises(Refused, match="disk is full"):
            session.note("note", {"text": "y" * 5000})
        record.connection.execute("PRAGMA max_page_count = 100000")
        session.note("note", {"text": "y" * 5000})
        assert session.trouble == ""
        assert len(record.lines(session.row.id)) == 600


def test_identities_are_in_the_order_of_their_making() -> None:
    made = [new_identity() for _ in range(1000)]
    assert made == sorted(set(made))
    assert {(uuid.UUID(one).version, uuid.UUID(one).variant) for one in made} == {
        (8, uuid.RFC_4122)
    }


def test_an_export_is_one_json_object_a_line(path: Path) -> None:
    with Record(path) as record:
        record.begin("heron").note("note", {"text": "a\nb\u2028c"})
        for line in record.export():
            assert "\n" not in line
            assert isinstance(json.loads(line), dict)
