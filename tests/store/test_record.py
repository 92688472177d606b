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

from agent.change.plan import Plan
from agent.errors import BadInput, Refused
from agent.model.settings import Readback, Setting
from agent.store.database import set_aside
from agent.store.journal import read_journal
from agent.store.record import BATCH_LINES, Record
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
        session.note("readback", readback(80.0).to_plain())
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


def test_lines_of_one_instant_stand_in_one_row_and_are_found_one_by_one(
    path: Path, tmp_path: Path
) -> None:
    lines = ("G1 X1", "G1 X2", "", "G1 X3")
    with Record(path) as record, Record(tmp_path / "other.db") as other:
        session = record.begin("heron")
        session.traffic(0.1, ">", *lines)
        session.traffic(0.2, "<", "ok")
        session.flush()
        assert record.rows("SELECT n FROM line ORDER BY n") == [(1,), (5,)]
        found = record.lines(session.row.id)
        assert [(line.n, line.at, line.text) for line in found] == [
            *((n, 0.1, text) for n, text in enumerate(lines, 1)),
            (5, 0.2, "ok"),
        ]
        other.merge(record.export())
        assert other.lines(session.row.id) == found


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
            record.begin("heron").note("readback", readback(value, damage).to_plain())
        record.begin("twin").note("readback", readback(99.0).to_plain())
        record.begin("heron").note(
            "estimate", {"parameters": {"z_scale": {"value": 0.004, "u": 0.001}}}
        )
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
        session.note("readback", readback(80.0).to_plain())
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
            session.note("readback", readback(80.0).to_plain())
        lines = list(a.export())
        assert b.merge(lines) == 4
        assert b.merge(lines) == 0
        assert sorted(b.export("heron")) == sorted(lines)
        assert a.merge(b.export()) == 4
        assert sorted(a.export()) == sorted(b.export())


def exported(tmp_path: Path) -> list[str]:
    with Record(tmp_path / "other.db") as other:
        session = other.begin("heron")
        session.note("readback", readback(80.0).to_plain())
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
    plan = Plan("heron", "replay", (), (), "0", identity="bench").to_plain()
    with Record(path) as record:
        file.write_text(
            json.dumps({"step": "begun", "at": "2026-03-01T10:00:00", "plan": plan}) + "\n"
        )
        assert record.take_over(read_journal(file)) == 1
        with file.open("a") as more:
            more.write(
                '{"step":"sending","at":"2026-03-01T10:01:00","index":0,"line":"M92 X80.1"}\n'
            )
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
        record.begin("heron").note("readback", readback(80.0).to_plain())
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
        for n in range(BATCH_LINES + 100):  # traffic never raises: the wire comes first
            session.traffic(n, ">", "M92 X80.1" * 10)
        assert "disk is full" in session.trouble
        with pytest.raises(Refused, match="disk is full"):
            session.note("note", {"text": "y" * 5000})
        record.connection.execute("PRAGMA max_page_count = 100000")
        session.note("note", {"text": "y" * 5000})
        assert session.trouble == ""
        assert len(record.lines(session.row.id)) == BATCH_LINES + 100


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


def test_traffic_outlives_a_killed_process_and_notes_are_synced(path: Path) -> None:
    """Traffic is kept without a flush of the disk, at most half a second late; notes with one."""
    script = (
        "import os, signal, sys; from pathlib import Path; from agent.store import record\n"
        "session = record.Record(Path(sys.argv[1])).begin('heron')\n"
        "for n in range(record.BATCH_LINES): session.traffic(n, '>', f'G1 X{n}')\n"
        "session.note('note', {'n': 1})\n"
        "session.traffic(0, '>', 'M92 X80'); session._kept_at = -1e9\n"
        "session.traffic(0, '<', 'ok'); os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", script, str(path)], check=False)
    assert done.returncode == -signal.SIGKILL
    with Record(path) as record:
        [session] = record.sessions()
        kept = [line.text for line in record.lines(session.id)]
        assert kept[-2:] == ["M92 X80", "ok"]
        assert len(kept) == BATCH_LINES + 2


def test_only_traffic_waits_for_no_disk(path: Path) -> None:
    def level() -> int:
        return int(record.rows("PRAGMA synchronous")[0][0])

    full, normal = 2, 1
    with Record(path) as record:
        session = record.begin("heron")
        assert level() == full
        session.traffic(0.0, ">", "G1 X1")
        session.flush()
        assert level() == normal
        session.note("note", {})
        assert level() == full


@pytest.mark.parametrize("kinds", [(), ("note",), ("note", "plan")])
def test_the_newest_entries_are_found_without_sorting_all_of_them(
    path: Path, kinds: tuple[str, ...]
) -> None:
    with Record(path) as record:
        record.begin("heron").note("note", {"text": "hello"})
        asked: list[str] = []
        record.connection.set_trace_callback(asked.append)
        assert record.entries(kinds=kinds)
        record.connection.set_trace_callback(None)
        [query] = [text for text in asked if text.startswith("SELECT")]
        steps = [row[-1] for row in record.rows(f"EXPLAIN QUERY PLAN {query}")]
    assert not [step for step in steps if step == "USE TEMP B-TREE FOR ORDER BY"], steps


def test_an_entry_that_something_else_has_broken_is_left_out_and_told(path: Path) -> None:
    with Record(path) as record:
        record.begin("heron").note("note", {"text": "good"})
        session = record.sessions()[0].id
    at = "2026-03-01T12:00:00.000+00:00"
    bodies = ["not JSON", '{"a": 1e999}', "[]", '{"text": 7}', '{"text": "\\ud800"}']
    db = sqlite3.connect(path)
    for body in bodies:
        db.execute("INSERT INTO entry VALUES (?,?,?,'note',?)", (new_identity(), session, at, body))
    db.commit()
    db.close()
    with Record(path) as record:
        assert [entry.body["text"] for entry in record.entries()] == ["good"]
        assert len(record.unreadable) == len(bodies)


def test_a_merged_entry_that_is_none_of_its_kind_is_kept_apart_and_counted(
    tmp_path: Path, path: Path
) -> None:
    lines = exported(tmp_path)
    lines[2] = lines[2].replace('\\"digits\\":2', '\\"digits\\":\\"two\\"')
    with Record(path) as record:
        assert record.merge(lines) == 1  # its session
        assert record.entries() == ()
        assert list(record.apart().values()) == [1, 1]  # the entry, and its figure
        assert any("digits: expected a count" in why for why in record.apart())
        assert record.rows("SELECT count(*) FROM figure") == [(0,)]


def test_a_record_with_journals_can_be_merged(tmp_path: Path, path: Path) -> None:
    file = tmp_path / "a.jsonl"
    plan = Plan("heron", "replay", (), (), "0", identity="bench").to_plain()
    file.write_text(json.dumps({"step": "begun", "at": "2026-03-01T10:00:00", "plan": plan}) + "\n")
    with Record(tmp_path / "a.db") as a, Record(path) as b:
        a.take_over(read_journal(file))
        assert b.merge(a.export()) == 2
        assert list(a.export()) == list(b.export())
