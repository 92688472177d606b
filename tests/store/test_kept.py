"""What is kept, row by row: bodies, columns, queries, exports, locks and folders."""

from __future__ import annotations

import copy
import errno
import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from agent.errors import BadInput, LinkFailed, Refused
from agent.model.settings import Readback, Setting
from agent.store import atomic, benches, database, locks
from agent.store.atomic import (
    ABSENT,
    make_folder,
    refusal,
    stamp,
    stamp_of,
    sync_folder,
    write_file,
)
from agent.store.benches import bench_name, new_bench, own_bench
from agent.store.checks import (
    _COLUMNS,
    MOST_DEPTH,
    SHAPES,
    Misfit,
    body_misfit,
    body_of,
    column_misfit,
    misfit,
)
from agent.store.database import cut_short, head_of, in_words, statements
from agent.store.drafts import drop_draft, load_draft, save_draft
from agent.store.habits import habit, habits_path, remember
from agent.store.journal import LenientJournal, read_journal, utc_now
from agent.store.locks import PortLock, holder_of_lock, locks_folder
from agent.store.merging import checked_rows, fitting_now, keep_apart
from agent.store.milestones import MILESTONE
from agent.store.names import is_device, safe_name
from agent.store.record import BATCH_LINES, Record, open_record, record_path, renewed
from agent.store.rows import COLUMNS, EntryRow, LineRow, checked_json, new_identity
from agent.store.schema import APPLICATION_ID, STEPS
from agent.store.tables import TABLES
from tests.change.cuts import FullJournal
from tests.pinned import Pinned

# --- bodies --------------------------------------------------------------------------------------

_CHANGE = {"key": "jerk.x", "old": 8, "new": 9.5, "unit": "mm/s", "digits": 2, "why": "so"}
_FATE = {"key": "jerk.x", "old": 8, "wanted": 9, "found": None, "state": "took"}
_OUTCOME = {
    "digest": "0", "verified": True, "changes": [_FATE], "moved": [_CHANGE],
    "stages": ["read back"], "notes": [], "hand_over": [], "stored": False,
}  # fmt: skip
_PLAN = {
    "machine": "heron", "family": "replay", "identity": "", "changes": [_CHANGE], "lines": ["M205"],
    "warnings": [], "asks": [], "retype": [], "unchanged": [], "rests_on": {"jerk.x": 8.0},
    "snapshot": "0", "digest": "1",
}  # fmt: skip
_READING = {"feature": "outside", "along": [1, 2, 3], "mm": [4.5], "name": "L"}

#: A whole body of every kind, with all that is looked at.
WHOLE: dict[str, dict[str, Any]] = {
    "readback": {
        "settings": {"jerk.x": {"value": 8.0, "unit": "mm/s", "digits": 2}}, "family": "replay",
        "identity": "", "other": ["M200"], "events": [{"kind": "stored"}], "damaged": False,
        "notes": [],
    },
    "readings": {"readings": [_READING], "survey": "text"},
    "estimate": {
        "parameters": {"z_scale": {"value": 1, "u": 2, "prior_u": 3, "expanded95": 4,
                                   "determined": True, "significant": False}},
        "corrections": [{"setting": "s", "old": 1, "new": 2, "u": 3, "line": None, "why": "w",
                         "effects": [1.0]}],
        "slicing_angle_deg": None, "derived": {"a": {"value": 1, "u": 2}},
        "residuals": [{"predicted": 1, "measured": 2, "residual": 3, "u": 4, "outlier": False}],
        "expected_next": [1.5], "advice": [{"code": "c", "text": "t"}],
        "next": {"feature": "f", "along": [1], "parameter": "p", "u_now": 1, "u_then": 2},
    },
    "plan": {"digest": "0", "lines": ["M92"], "changes": [_CHANGE]},
    "outcome": _OUTCOME,
    "proof": _OUTCOME,
    "attached": {"port": "p", "family": "f", "identity": "i", "serial": "s"},
    "detached": {},
    "lost": {"port": "p"},
    "profile": {"name": "n", "text": "t"},
    "heat": {"state": "on", "nozzle": [200, 210], "bed": [60]},
    "laying": {"piece": "strip"},
    "stopped": {"place_lost": True},
    "piece": {"name": "n", "piece": "strip", "size": {"long": 60}, "number": 2},
    "reading": {"piece": "p", **_READING, "u_mm": 0.1, "goes_on": True},
    "run": {"commanded": [0, 1], "measured": [0, 1.5], "u_mm": None},
    "axis_run": {"commanded": [0, 1], "measured": [0, 1.5], "axis": "x", "u_mm": 0.1},
    "conditions": {"room_c": 20, "piece_c": None, "minutes_since_print": 5},
    "feed": {"feed": "f", "commanded_mm": 100, "mm": [99.5]},
    "angle": {"deg": 45, "as_solved": True, "to": "t"},
    "begin": {},
    "settled": {"way": "w"},
    "place": {"lost": True, "why": "w"},
    "tried": {"role": "belt"},
    "halted": {"word": "w"},
    "refused": {"line": "l", "why": "w"},
    "lines": {"lines": ["a"]},
    "look": {"own": [_CHANGE], "others": [_CHANGE], "notes": ["n"]},
    "journal": {"step": "begun", "plan": _PLAN, "outcome": _OUTCOME, "line": "l", "index": 1},
    "check": {"text": "t", "known_mm": 10, "mm": [10.01], "deviation_mm": 0.01, "u_mm": 0.005,
              "mpe_mm": 0.03, "verdict": "v"},
    "note": {"text": "t", "belt": "b", "roller": "r", "flash": "f", "place": "p", "due_days": 5},
}  # fmt: skip


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The path of every value within a body."""
    if path:
        yield path
    if isinstance(value, dict):
        for key, part in value.items():
            yield from _places(part, (*path, key))
    elif isinstance(value, list):
        for place, part in enumerate(value):
            yield from _places(part, (*path, place)) if place == 0 else ()


def _with(body: Any, path: tuple[Any, ...], value: Any) -> Any:
    """The body with another value at a place; `...` takes it away."""
    new = copy.deepcopy(body)
    inner = new
    for step in path[:-1]:
        inner = inner[step]
    if value is ...:
        del inner[path[-1]]
    else:
        inner[path[-1]] = value
    return new


def test_a_whole_body_of_every_kind_is_one(pinned: Pinned) -> None:
    assert set(WHOLE) == set(SHAPES)
    said = []
    for kind, body in WHOLE.items():
        assert body_misfit(kind, json.dumps(body)) == "", kind
        told: dict[str, list[str]] = {}
        for path in _places(body):
            name = ".".join(map(str, path))
            for wrong in (..., None, True, 7, -1, 21, "x", [], {}, [7], {"a": 7}):
                spoiled = _with(body, path, wrong)
                text = json.dumps(spoiled)
                why = body_misfit(kind, text)
                if why:
                    shown = "gone" if wrong is ... else repr(wrong)
                    told.setdefault(f"{name}: {why.rpartition(': ')[2]}", []).append(shown)
        said += [f"{kind} {why} <- {' '.join(values)}" for why, values in told.items()]
    pinned("store/misfits", "\n".join(said))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (5, "expected an object as JSON text"),
        ("[]", "expected an object as JSON text"),
        ("{", "expected an object as JSON text"),
        ('{"a": NaN}', "expected an object as JSON text"),
        ('{"a": 1e999}', "expected a finite number"),
        ('{"a": [1e+999]}', "expected a finite number"),
        ('{"a": "\\ud800"}', "holds half a character (a lone surrogate)"),
        ('{"\\ud800": 1}', "holds half a character (a lone surrogate)"),
        ('{"é": "é"}', ""),
        ('{"a": ' + "[" * (MOST_DEPTH - 1) + "]" * (MOST_DEPTH - 1) + "}", ""),
        ('{"a": ' + "[" * MOST_DEPTH + "]" * MOST_DEPTH + "}",
         "is nested more than 40 levels deep"),
        ('{"a": ' + '{"a":' * MOST_DEPTH + "1" + "}" * MOST_DEPTH + "}",
         "is nested more than 40 levels deep"),
        ('{"u": "\\ud83d\\ude00", "a": ' + "[" * MOST_DEPTH + "]" * MOST_DEPTH + "}",
         "is nested more than 40 levels deep"),
        ("[" * 100_000, "expected an object as JSON text"),
    ],
)  # fmt: skip
def test_a_body_is_plain_finite_and_not_too_deep(text: Any, why: str) -> None:
    try:
        body_of("of tomorrow", text)
        said = ""
    except Misfit as wrong:
        said = str(wrong)
    assert said == why
    if not why:
        assert body_misfit("of tomorrow", text) == "the kind 'of tomorrow' is not known here"


ID, OTHER, AT = "0190c5c0-0000-8000-8000-00000000000a", "x", "2026-03-01T12:00:00.000+00:00"


def test_columns_hold_what_they_are_for(pinned: Pinned) -> None:
    values = [
        *(ID, f"0000001f-{ID}", "x", "", AT, "2026-03-01T12:00:00Z", "2026-03-01T12:00:00", "now"),
        *(7, 0, -1, 1.5, True, None, float("inf"), 10**400, 2**31 - 1, 2**31, ">", "<", "a\nb"),
        *("a\x00b", "\ud800", "é", "x" * 10_000, "x" * 10_001, "x" * 60_000, "x" * 60_001, [], {}),
    ]
    said = []
    for table, columns in _COLUMNS.items():
        row = {column: _right(table, column) for column in columns}
        assert column_misfit(table, row) == "", table
        for column in columns:
            fits, told = [], dict[str, None]()
            for value in values:
                why = column_misfit(table, {**row, column: value})
                if why:
                    told[why.partition(", found")[0]] = None
                else:
                    fits.append(repr(value)[:40] if len(repr(value)) < 60 else f"{len(value)} x")  # type: ignore[arg-type]
            said += [f"{table}.{column} fits {', '.join(fits)}", *(f"    {why}" for why in told)]
    pinned("store/columns", "\n".join(said))


def _right(table: str, column: str) -> Any:
    if (table, column) == ("line", "at"):
        return 0.5
    ids = {"id", "session", "entry", "bench"}
    return (
        ID if column in ids else AT if column == "at" else ">" if column == "way" else
        1 if column in ("n", "value", "u", "ahead") else "x"
    )  # fmt: skip


def test_a_row_is_told_by_its_column_or_its_body() -> None:
    row = {"id": ID, "session": ID, "at": AT, "kind": "begin", "body": "{}"}
    assert misfit("entry", row) == ""
    assert misfit("entry", {**row, "body": "[]"}) == "body: expected an object as JSON text"
    assert misfit("entry", {**row, "kind": "odd"}) == "body: the kind 'odd' is not known here"
    assert misfit("entry", {**row, "id": "x", "body": "[]"}).startswith("id: expected an identity")
    assert misfit("figure", {"entry": ID, "key": "k", "value": "x", "u": None}) == (
        "value: expected a finite number"
    )
    with pytest.raises(KeyError):
        misfit("bird", row)


# --- a record of fixed rows ----------------------------------------------------------------------


def _id(n: int) -> str:
    return f"0190c5c0-0000-8000-8000-{n:012x}"


def _at(n: int) -> str:
    return f"2026-03-{1 + n // 24:02d}T{n % 24:02d}:00:00.000+00:00"


def _session(n: int, machine: str, port: str, family: str = "replay", name: str = "a") -> str:
    row = {"id": _id(n), "at": _at(n), "machine": machine, "port": port, "family": family,
           "identity": name, "agent": "1"}  # fmt: skip
    return json.dumps({"table": "session", **row})


def _entry(n: int, session: int, kind: str, body: Mapping[str, Any]) -> str:
    row = {"id": _id(n), "session": _id(session), "at": _at(n), "kind": kind,
           "body": json.dumps(body)}  # fmt: skip
    return json.dumps({"table": "entry", **row})


def _attached(n: int, session: int, serial: str | None = None) -> str:
    told = {"port": "p", "family": "replay", "identity": "a"}
    return _entry(n, session, "attached", told | ({"serial": serial} if serial else {}))


HEAD = '{"format": "plumbelt-record/1"}'
EXPORT = [
    HEAD,
    _session(1, "heron", "/dev/a"),
    _session(2, "swan", "/dev/b"),
    _session(3, "heron", "/dev/c"),
    _session(4, "stork", "/dev/d", name="b"),
    _attached(11, 1, "S1"),
    _attached(12, 2, "S2"),
    _entry(13, 1, "note", {"text": "belt of heron"}),
    _entry(14, 2, "note", {"text": "belt of swan"}),
    _entry(15, 3, "begin", {}),
    _entry(16, 3, "readback", {"settings": {"jerk.x": {"value": 8, "unit": "u", "digits": 0}}}),
    _entry(17, 1, "readback", {"settings": {}}),
    _attached(18, 4),
    json.dumps({"table": "figure", "entry": _id(16), "key": "jerk.x", "value": 8.0, "u": None}),
    json.dumps({"table": "figure", "entry": _id(17), "key": "jerk.x", "value": 9.0, "u": 0.5}),
    json.dumps({"table": "line", "session": _id(1), "n": 1, "at": 0.5, "way": ">", "text": "a\nb"}),
    json.dumps({"table": "line", "session": _id(1), "n": 3, "at": 0.6, "way": "<", "text": "ok"}),
]


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with Record(tmp_path / "record.db") as made:
        assert made.merge(EXPORT) == len(EXPORT) - 1
        yield made


def _kept(entries: tuple[EntryRow, ...]) -> list[int]:
    return [int(entry.id[-4:], 16) for entry in entries]


def test_entries_are_found_newest_first(record: Record) -> None:
    everything = [18, 17, 16, 15, 14, 13, 12, 11]
    assert _kept(record.entries()) == everything
    assert _kept(record.entries("heron")) == [17, 16, 15, 13, 11]
    assert _kept(record.entries(kinds=("note",))) == [14, 13]
    assert _kept(record.entries(kinds=("note", "begin"))) == [15, 14, 13]
    assert _kept(record.entries("heron", kinds=("note", "begin"))) == [15, 13]
    assert _kept(record.entries(text="belt of s")) == [14]
    assert _kept(record.entries("heron", text="belt")) == [13]
    assert _kept(record.entries(since=_at(14), until=_at(17))) == [16, 15, 14]
    assert _kept(record.entries(limit=2)) == [18, 17]
    assert _kept(record.entries("heron", kinds=("note",), since=_at(13), limit=1)) == [13]
    assert sorted(_kept(record.events("heron"))) == [11, 13, 15, 16, 17]
    assert record.events("nobody") == ()
    assert record.unreadable == {}


def test_sessions_machines_lines_and_trends(record: Record) -> None:
    assert record.machines() == ("heron", "stork", "swan")
    assert [row.id for row in record.sessions()] == [_id(4), _id(3), _id(2), _id(1)]
    assert [row.id for row in record.sessions("heron", limit=1)] == [_id(3)]
    assert record.sessions("heron")[1].port == "/dev/a"
    assert record.last_machine() == "stork"
    assert record.lines(_id(1)) == (
        LineRow(_id(1), 1, 0.5, ">", "a"),
        LineRow(_id(1), 2, 0.5, ">", "b"),
        LineRow(_id(1), 3, 0.6, "<", "ok"),
    )
    assert [(p.at, p.value, p.u, p.entry) for p in record.trend("heron", "jerk.x")] == [
        (_at(16), 8.0, None, _id(16)),
        (_at(17), 9.0, 0.5, _id(17)),
    ]
    assert record.trend("swan", "jerk.x") == ()
    assert record.trend("heron", "jerk.y") == ()


def test_an_entry_is_named_by_its_end(record: Record) -> None:
    whole = EntryRow(_id(13), _id(1), _at(13), "note", {"text": "belt of heron"}, "heron")
    assert record.entry("0000000d") == record.entries(kinds=("note",))[1] == whole
    assert record.entry(_id(13)).short == "0000000d"
    for tail, what in (("d", None), ("zz", "no entry ends in 'zz'"), ("0000", "no entry ends")):
        if what is None:
            assert record.entry(tail).id == _id(13)
            continue
        with pytest.raises(Refused) as caught:
            record.entry(tail)
        assert caught.value.what.startswith(what)
        assert caught.value.remedy == "'log list' shows them"
    twin = _entry(13, 1, "begin", {}).replace('"id": "0190', '"id": "0290')
    record.merge([HEAD, EXPORT[1], twin])
    with pytest.raises(Refused, match="several entries end in '0000000d'"):
        record.entry("0000000d")


@pytest.mark.parametrize(
    ("serial", "port", "named", "machine"),
    [
        ("S1", "/dev/z", "a", "heron"),
        ("S2", "/dev/a", "a", "swan"),
        ("S9", "/dev/a", "a", ""),
        ("", "/dev/a", "a", "heron"),
        ("", "/dev/b", "a", "swan"),
        ("", "/dev/z", "a", ""),
        ("", "/dev/z", "b", "stork"),
        ("S9", "/dev/z", "b", "stork"),  # nothing was known of its number then
        ("", "", "c", ""),
    ],
)
def test_a_machine_is_known_again_by_its_number_or_its_port(
    record: Record, serial: str, port: str, named: str, machine: str
) -> None:
    assert record.machine_of("replay", named, serial, port) == machine
    assert record.machine_of("table", named, serial, port) == ""


def test_of_two_machines_with_one_number_the_port_decides(record: Record) -> None:
    record.merge([HEAD, _session(5, "crane", "/dev/e"), _attached(19, 5, "S1")])
    assert record.machine_of("replay", "a", "S1", "/dev/z") == ""
    assert record.machine_of("replay", "a", "S1", "/dev/e") == "crane"
    assert record.machine_of("replay", "a", "S1", "/dev/a") == "heron"


def test_an_export_is_the_record_parents_first(record: Record) -> None:
    lines = [json.loads(line) for line in record.export()]
    assert lines[0] == {"format": "plumbelt-record/1"}
    assert [line["table"] for line in lines[1:]] == (
        ["session"] * 4 + ["entry"] * 8 + ["figure"] * 2 + ["line"] * 2
    )
    tables = [json.loads(line) for line in EXPORT]
    assert sorted(map(str, lines)) == sorted(map(str, tables))
    heron = [json.loads(line) for line in record.export("heron")]
    assert len(heron) == 1 + 2 + 5 + 2 + 2
    assert record.merge(record.export()) == 0


def _bad(line: int, old: str, new: str) -> list[str]:
    assert old in EXPORT[line]
    return [*EXPORT[:line], EXPORT[line].replace(old, new), *EXPORT[line + 1 :]]


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([], "f:1  the file is empty"),
        (["{"], "f:1  is not JSON; was the file cut short?"),
        (["[]"], "f:1  is no row of a record"),
        (['{"format": "x"}'], "f:1  format  expected plumbelt-record/1"),
        (_bad(1, '"table": "session"', '"table": 7'), "f:2  is no row of a record"),
        (_bad(1, '"table": "session"', '"table": "own"'), "f:2  is no row of a record"),
        (_bad(1, '"agent": "1"', '"agent": "1", "more": 1'), "f:2  is no row of a record"),
        (_bad(1, '"machine": "heron"', '"machine": 7'), "f:2  session.machine  expected a text"),
        (_bad(5, _id(1), _id(9)), "f:6  entry.session  its session is not in the file"),
        (_bad(13, _id(16), _id(99)), "f:14  figure.entry  its entry is not in the file"),
        (_bad(15, _id(1), _id(99)), "f:16  line.session  its session is not in the file"),
        (_bad(15, '"n": 1', '"n": 0'), "f:16  line.n  expected a count"),
    ],
)
def test_what_is_no_export_is_named_at_its_line(
    tmp_path: Path, lines: list[str], said: str
) -> None:
    with Record(tmp_path / "r.db") as record, pytest.raises(BadInput) as caught:
        record.merge(lines, "f")
    assert [str(problem) for problem in caught.value.problems] == [said]
    assert caught.value.what == "f cannot be merged"


def test_rows_of_no_kind_are_kept_apart_until_they_fit(tmp_path: Path) -> None:
    odd = _entry(20, 1, "of tomorrow", {"a": 1})
    figures = [
        json.dumps({"table": "figure", "entry": _id(n), "key": k, "value": 1.0, "u": None})
        for n, k in ((20, "a"), (20, "b"), (21, "a"))
    ]
    wrong = _entry(21, 1, "note", {"text": 7})
    with Record(tmp_path / "r.db") as record:
        assert record.merge([HEAD, _session(1, "heron", ""), odd, wrong, *figures], "f") == 1
        assert record.apart() == {
            "its entry is kept apart": 3,
            "text: expected a text": 1,
            "the kind 'of tomorrow' is not known here": 1,
        }
        assert record.merge([HEAD, _session(1, "heron", ""), odd], "f") == 0
        assert sum(record.apart().values()) == 5  # the same row is kept once
        with record.writing() as db:
            assert fitting_now(db) == 0
        later = pytest.MonkeyPatch()
        later.setitem(SHAPES, "of tomorrow", lambda value: "")  # type: ignore[arg-type]
        with record.writing() as db:
            assert fitting_now(db) == 1
        assert [entry.kind for entry in record.entries()] == ["of tomorrow"]
        assert record.rows("SELECT key FROM figure ORDER BY key") == [("a",), ("b",)]
        later.undo()
        assert record.apart() == {"its entry is kept apart": 1, "text: expected a text": 1}
        with record.writing() as db:  # an entry whose session never came stays apart
            keep_apart(db, "entry", [_id(30), _id(77), _at(1), "begin", "{}"], "f", "why")
            assert fitting_now(db) == 0


def test_rows_come_with_their_table_and_values() -> None:
    rows = list(checked_rows(EXPORT, "f", COLUMNS))
    assert [row[0] for row in rows].count("entry") == 8
    assert rows[0] == (
        "session", (_id(1), _at(1), "heron", "/dev/a", "replay", "a", "1"), ""
    )  # fmt: skip
    assert {row[2] for row in rows} == {""}


# --- sessions ------------------------------------------------------------------------------------


def test_what_a_session_notes_is_there_with_its_figures(tmp_path: Path) -> None:
    found = Readback("replay", {"jerk.x": Setting(8.0, "mm/s", 2)})
    with Record(tmp_path / "r.db") as record:
        session = record.begin("heron", port="p", family="replay", identity="a")
        session.traffic(0.5, ">", "a", "b")
        session.traffic(0.7, "<", "c")
        noted = session.note("note", {"text": "x"})
        session.note("readback", found.to_plain())
        session.note("estimate", {"parameters": {"z_scale": {"value": 0.01, "u": 0.001}}})
        assert record.rows("SELECT key, value, u FROM figure ORDER BY key") == [
            ("estimate.z_scale", 0.01, 0.001),
            ("jerk.x", 8.0, None),
        ]
        assert record.entry(noted).kind == "note"
        assert [line.n for line in record.lines(session.row.id)][:2] == [1, 2]
        assert record.rows("SELECT count(*) FROM origin WHERE session = ?", (session.row.id,)) == [
            (1,)
        ]
        assert record.sessions()[0] == session.row


def test_traffic_is_kept_by_thousands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Or after half a second; else with the next note."""
    now = 100.0
    monkeypatch.setattr("agent.store.record.time.monotonic", lambda: now)
    with Record(tmp_path / "r.db") as record:
        session = record.begin("heron")

        def kept() -> int:
            return int(record.rows("SELECT count(*) FROM line")[0][0])

        for n in range(BATCH_LINES - 1):
            session.traffic(n, ">", "x")
        assert kept() == 0
        session.traffic(0, ">", "x")
        assert kept() == BATCH_LINES == 4096
        session.traffic(0, ">", "x")
        now += 0.49
        session.traffic(0, ">", "x")
        assert kept() == 4096
        now += 0.02
        session.traffic(0, ">", "x")
        assert kept() == 4099
        session.traffic(0, ">", "x")
        session.note("begin", {})
        assert kept() == 4100
        session.flush()
        assert kept() == 4100


def test_a_body_that_was_changed_on_the_disk_is_named(tmp_path: Path) -> None:
    with Record(tmp_path / "r.db") as record:
        session = record.begin("heron")
        text = checked_json({"text": "x"}).replace('"x"', '"y"')
        record.connection.execute(
            "INSERT INTO entry VALUES (?, ?, ?, ?, ?)", (_id(7), session.row.id, AT, "note", text)
        )
        assert record.entries() == ()
        assert record.unreadable == {
            _id(
                7
            ): f"the note of {AT} cannot be read: its check sum is wrong: something has changed"
            " it on the disk"
        }
        with pytest.raises(Refused, match=f"the entry {_id(7)} is none of its kind") as caught:
            record.entry(_id(7))
        assert caught.value.remedy == "Something else wrote it. It was left as it is"


def test_a_journal_of_nothing_is_nothing(tmp_path: Path) -> None:
    file = tmp_path / "a.jsonl"
    file.write_text("")
    with Record(tmp_path / "r.db") as record:
        assert record.take_over(read_journal(file)) == 0
        assert record.machines() == ()
        file.write_text('{"step":"begun"}\n{"step":"closed"}\n')
        assert record.take_over(read_journal(file)) == 2
        ids = [entry.id for entry in record.entries()]
        assert sorted(ids)[0].startswith("00000000-")
        assert sorted(ids)[1].startswith("00000001-")
    with pytest.raises(Refused, match="could not be read: no such file"):
        read_journal(tmp_path / "absent")


def test_a_damaged_record_is_renewed_with_what_can_be_read(tmp_path: Path) -> None:
    path = tmp_path / "record.db"
    with Record(path) as record:
        record.merge(EXPORT)
        record.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    made, said = renewed(path, "The record is damaged")
    aside = next(tmp_path.glob("record.damaged-*.db"))
    rows = len(EXPORT) - 1
    assert said == (
        f"The record is damaged. It was moved aside to {aside}, and {rows} rows that could be read"
        " were taken over into a new one"
    )
    assert made.machines() == ("heron", "stork", "swan")
    assert made.salvage(tmp_path / "absent.db") == 0
    made.close()
    with_nothing, said = open_record(path)
    assert (said, with_nothing.machines()) == ("", ("heron", "stork", "swan"))
    with_nothing.close()
    path.write_bytes(path.read_bytes()[:5000])
    again, said = open_record(path)
    assert said.startswith(f"The record {path} is damaged. It was moved aside to ")
    again.close()


# --- the file of the record ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "what", "kind"),
    [
        (
            sqlite3.DatabaseError("file is not a database"),
            "is no record: something else",
            "Refused",
        ),
        (sqlite3.DatabaseError("disk image is malformed"), "is damaged", "Refused"),
        (sqlite3.OperationalError("database or disk is full"), "the disk is full", "Refused"),
        (sqlite3.OperationalError("attempt to write a readonly"), "can only be read", "Refused"),
        (sqlite3.OperationalError("unable to open database"), "could not be opened", "Refused"),
        (sqlite3.OperationalError("database is locked"), "is held by another agent", "Refused"),
        (sqlite3.OperationalError("odd"), "cannot be used: odd", "Refused"),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no"), "is damaged", "Refused"),
        (OSError(errno.EACCES, "no"), "could not be opened: permission denied", "Refused"),
    ],
)
@pytest.mark.parametrize("ours", [True, False])
def test_errors_of_the_database_in_words(
    tmp_path: Path, error: Exception, what: str, kind: str, ours: bool
) -> None:
    path = tmp_path / "r.db"
    path.write_bytes(b"SQLite format 3\x00" if ours else b"a letter")
    with pytest.raises(Refused, match=what) as caught, in_words(path):
        raise error
    damage = isinstance(error, UnicodeDecodeError) or "is not a data" in what
    damage |= any(word in str(error) for word in ("not a database", "malformed"))
    assert isinstance(caught.value, database.Damaged) == (ours and damage)
    assert caught.value.remedy


def test_a_file_that_is_shorter_than_it_says_was_cut(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    head = b"SQLite format 3\x00" + (4096).to_bytes(2, "big") + bytes(10) + (2).to_bytes(4, "big")
    for data, cut in (
        (b"", False),
        (b"a letter", False),
        (head.ljust(99, b"\0"), True),
        (head.ljust(100, b"\0"), True),
        (head.ljust(8191, b"\0"), True),
        (head.ljust(8192, b"\0"), False),
        (head[:16] + b"\x00\x01" + head[18:].ljust(90_000, b"\0"), True),  # pages of 65,536
        (head[:16] + b"\x00\x01" + head[18:].ljust(2 * 65_536, b"\0"), False),
    ):
        path.write_bytes(data)
        assert cut_short(path) == cut, len(data)
        assert head_of(path) == data[:100]
    assert head_of(tmp_path / "absent") == b""


def test_a_record_says_what_it_is_and_of_which_version(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "r.db"
    with Record(path) as record:
        for pragma, value in (
            ("application_id", APPLICATION_ID), ("user_version", len(STEPS)), ("foreign_keys", 1),
            ("journal_mode", "wal"), ("synchronous", 2),
        ):  # fmt: skip
            assert record.rows(f"PRAGMA {pragma}") == [(value,)]
        assert list(record.each("SELECT 1 UNION SELECT 2")) == [(1,), (2,)]
        with pytest.raises(ZeroDivisionError):
            _broken_off(record)
        assert record.rows("SELECT * FROM mark") == []
        with record.writing() as db:
            db.execute("INSERT INTO mark VALUES ('a', 1, 'b', 'c')")
        assert record.rows("SELECT n FROM mark") == [(1,)]
        with pytest.raises(Refused, match="cannot be used: no such table"):
            record.rows("SELECT * FROM bird")
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA user_version = {len(STEPS) + 1}")
    newer.close()
    with pytest.raises(Refused, match=r"record version 6, known here up to 5") as caught:
        Record(path)
    assert caught.value.remedy.startswith("Update plumbelt")
    assert int.from_bytes(b"plmb", "big") == APPLICATION_ID


def _broken_off(record: Record) -> None:
    with record.writing() as db:
        db.execute("INSERT INTO mark VALUES ('a', 1, 'b', 'c')")
        with record.writing() as inner:  # part of the one around it
            inner.execute("INSERT INTO mark VALUES ('b', 1, 'b', 'c')")
        raise ZeroDivisionError


def test_an_older_record_is_taken_along(tmp_path: Path) -> None:
    """With a copy of it, kept once."""
    for version in (1, 3):
        path = tmp_path / f"r{version}.db"
        with Record(path, steps=STEPS[:version]) as old:
            at = (_id(1), AT, "heron", "p", "replay", "a", "1")
            old.connection.execute("INSERT INTO session VALUES (?,?,?,?,?,?,?)", at)
            body = json.dumps({"text": "x", "belt": "new"})
            old.connection.execute(
                "INSERT INTO entry VALUES (?,?,?,?,?)", (_id(2), _id(1), AT, "note", body)
            )
        with Record(path) as new:
            assert _kept(new.entries("heron")) == [2]
            assert new.rows("SELECT kind, entry FROM milestone") == [("part", _id(2))]
            assert new.rows("SELECT what, count(*) FROM arrival GROUP BY what") == [
                ("entry", 1), ("session", 1),
            ]  # fmt: skip
        copy = tmp_path / f"r{version}.v{version}.db"
        assert copy.exists()
        kept = sqlite3.connect(copy)
        assert kept.execute("PRAGMA user_version").fetchone() == (version,)
        kept.close()
        Record(path).close()


def test_the_tables_of_both_engines(pinned: Pinned, tmp_path: Path) -> None:
    said = []
    for engine in ("sqlite", "postgresql"):
        for table in (*TABLES.values(), MILESTONE):
            said.append(table.create(engine))  # type: ignore[arg-type]
    pinned("store/tables", "\n".join(said))
    with Record(tmp_path / "r.db") as record:
        rows = record.rows("SELECT type, name, tbl_name FROM sqlite_master ORDER BY 1, 2")
    pinned("store/schema", "\n".join(" ".join(map(str, row)) for row in rows))


def test_statements_come_one_by_one() -> None:
    script = "CREATE TABLE a (b);\nCREATE TRIGGER c BEGIN\n  SELECT 1;\nEND;\n\nDROP TABLE a;\nrest"
    assert list(statements(script)) == [
        "CREATE TABLE a (b);\n",
        "CREATE TRIGGER c BEGIN\n  SELECT 1;\nEND;\n",
        "\nDROP TABLE a;\n",
    ]


def test_a_bench_is_made_once_and_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(benches.platform, "node", lambda: "the\x07 bench" + "x" * 70)
    assert bench_name() == ("the bench" + "x" * 70)[:64]
    with Record(tmp_path / "r.db") as record, record.writing() as db:
        first = own_bench(db)
        assert own_bench(db) == first
        second = new_bench(db)
        assert own_bench(db) == second != first
        assert db.execute("SELECT name FROM bench").fetchall() == [(bench_name(),)] * 2
    monkeypatch.setattr(benches.platform, "node", lambda: "")
    assert bench_name() == "unnamed"


def test_identities_tell_their_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("agent.store.rows.time.time_ns", lambda: 2**62)
    monkeypatch.setattr("agent.store.rows._last_instant", 0)
    monkeypatch.setattr("agent.store.rows.secrets.randbits", lambda bits: 2**bits - 1)
    # 2**62 ns in units of 16 ns is 2**58: 60 bits, the high 48 before the version
    assert new_identity() == "40000000-0000-8000-bfff-ffffffffffff"
    assert new_identity() == "40000000-0000-8001-bfff-ffffffffffff"
    monkeypatch.setattr("agent.store.rows._last_instant", 2**58 + 0xFFF)
    assert new_identity() == "40000000-0001-8000-bfff-ffffffffffff"


# --- locks ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("port", "name"),
    [
        ("COM3", "COM3"), ("com3:", "COM3"), (r"\\.\COM12", "COM12"), (r"\\?\com12", "COM12"),
        ("socket://127.0.0.1:7000", "socket_127_0_0_1_7000"), ("/dev/ttyUSB0", "dev_ttyUSB0"),
        ("rfc2217://a-b:1/?x", "rfc2217_a_b_1_x"), ("socket://" + "a" * 200, "socket_" + "a" * 93),
    ],
)  # fmt: skip
def test_a_port_has_a_lock_of_its_name(tmp_path: Path, port: str, name: str) -> None:
    with PortLock(port, tmp_path) as lock:
        assert lock.path == tmp_path / f"{name}.lock"
        assert lock.covers(port)
        assert not lock.covers("socket://other:1")
        told = lock.path.read_text()
        assert told.startswith(f"process {os.getpid()} of ")
        datetime.fromisoformat(told.rpartition(" since ")[2])
    assert not lock.covers(port)
    assert lock.path.exists()


def test_who_holds_a_port_is_told_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(locks, "_SYSTEM_WIDE", tmp_path)
    assert locks_folder() == tmp_path / "plumbelt"
    assert holder_of_lock("/dev/ttyUSB7") == ""
    with PortLock("/dev/ttyUSB7") as held:
        told = held.path.read_text()
        with pytest.raises(LinkFailed) as caught:
            PortLock("/dev/ttyUSB7")
        assert caught.value.what == f"/dev/ttyUSB7 is in use by another plumbelt ({told})"
        assert caught.value.remedy == "End that one first, or take another port"
        assert holder_of_lock("/dev/ttyUSB7") == f"plumbelt ({told})"
        held.path.write_text("")
        with pytest.raises(LinkFailed, match=r"\(process unknown\)"):
            PortLock("/dev/ttyUSB7")
        held.path.write_text("a\x07b" + "c" * 300)
        with pytest.raises(LinkFailed, match=r"\(ab" + "c" * 197 + r"\)"):
            PortLock("/dev/ttyUSB7")
    held.path.write_text("x" * 500)
    with PortLock("/dev/ttyUSB7") as anew:  # what stood there before is gone
        assert anew.path.read_text().startswith("process ")
    monkeypatch.setattr(locks.getpass, "getuser", lambda: (_ for _ in ()).throw(KeyError()))
    with PortLock("/dev/ttyUSB7") as anew:
        assert anew.path.read_text().startswith(f"process {os.getpid()} since ")


def test_a_lock_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(Refused, match="could not be made"):
        PortLock("/dev/a", tmp_path / "file" / "below")
    (tmp_path / "dev_a.lock").mkdir()
    with pytest.raises(Refused, match="could not be opened: is a directory"):
        PortLock("/dev/a", tmp_path)


def test_without_a_folder_for_all_the_locks_lie_in_the_temporary_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(locks, "_SYSTEM_WIDE", tmp_path / "absent")
    monkeypatch.setattr(locks.tempfile, "gettempdir", lambda: str(tmp_path))
    assert locks_folder() == tmp_path / "plumbelt"
    assert (tmp_path / "plumbelt").stat().st_mode & 0o7777 == 0o1777


# --- files ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.ENOSPC, "no space left on device. The disk is full: make room and try again"),
        (errno.EDQUOT, "disk quota exceeded. Your share of the disk is used up"),
        (errno.EROFS, "read-only file system. The disk can only be read"),
        (errno.EACCES, "permission denied. You may not write there"),
        (errno.EPERM, "operation not permitted. You may not write there"),
        (errno.EISDIR, "is a directory. That is a folder: give the name of a file"),
        (errno.ENOTDIR, "not a directory. Part of that path is a file: give another path"),
        (errno.ENAMETOOLONG, "file name too long. The name is too long: choose a shorter one"),
        (errno.EIO, "input/output error. Nothing was changed"),
    ],
)
def test_why_a_file_could_not_be_written(number: int, said: str) -> None:
    told = str(refusal(OSError(number, "x"), Path("/a/b"), "written"))
    assert told.startswith(f"/a/b could not be written: {said}")
    assert str(refusal(OSError("Odd"), Path("a"), "made")) == (
        "a could not be made: odd. Nothing was changed"
    )


def test_files_are_stamped_by_what_they_hold(tmp_path: Path) -> None:
    # sha256 of nothing and of "abc": FIPS 180-4 and its example
    assert stamp_of(b"").startswith("e3b0c44298fc1c14")
    assert stamp_of(b"abc").startswith("ba7816bf8f01cfea")
    assert stamp(tmp_path / "absent") == ABSENT
    with pytest.raises(Refused, match=r"there is no folder .*absent") as caught:
        write_file(tmp_path / "absent" / "a", "x")
    assert caught.value.remedy == "Make it first, or choose another place. Nothing was written"
    assert make_folder(tmp_path / "a" / "b").is_dir()
    sync_folder(tmp_path)
    sync_folder(tmp_path / "absent")
    assert write_file(tmp_path / "f", "é") == stamp_of("é".encode()) == stamp(tmp_path / "f")
    with pytest.raises(Refused, match="has changed since it was read"):
        write_file(tmp_path / "f", "x", expect=stamp_of(b"other"))
    assert (tmp_path / "f").read_text() == "é"
    write_file(tmp_path / ("n" * 250), "x")  # as long as a name may be, and one beside it


def test_where_there_are_no_hard_links_a_new_file_is_renamed_in_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "no")

    monkeypatch.setattr(atomic.os, "link", no_links)
    write_file(tmp_path / "a", "x", expect=ABSENT)
    assert (tmp_path / "a").read_text() == "x"
    with pytest.raises(Refused, match="has changed since it was read"):
        write_file(tmp_path / "a", "y", expect=ABSENT)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a"]


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    return tmp_path


def test_habits_of_a_port_are_kept_beside_each_other(home: Path) -> None:
    assert habit("a") == {}
    remember("a", baud=9600)
    remember("a", lines="keep")
    remember("b", baud=1)
    assert habit("a") == {"baud": 9600, "lines": "keep"}
    assert habits_path().read_text().endswith("}\n")
    for text in ("{", "[]", '{"a": 7}'):
        habits_path().write_text(text)
        assert habit("a") == {}
    assert record_path() == home / "record.db"


def test_answers_are_kept_as_typed(home: Path) -> None:
    assert load_draft("a") == {}
    save_draft("a", {"angle": "45: or so", "note": ""})
    assert (home / "profiles" / "a.answers").read_text() == "angle: 45: or so\nnote: \n"
    assert load_draft("a") == {"angle": "45: or so", "note": ""}
    drop_draft("a")
    drop_draft("a")
    assert load_draft("a") == {}


@pytest.mark.parametrize(
    ("name", "device"),
    [("con", True), ("CON.txt", True), ("nul ", True), ("LPT1", True), ("com10", False),
     ("lpt", False), ("console", False), ("aux..", True)],
)  # fmt: skip
def test_names_that_are_devices_elsewhere(name: str, device: bool) -> None:
    assert is_device(name) == device


def test_names_fit_for_files() -> None:
    assert safe_name("a b/c-d_é") == "a_b_c-d_é"
    assert safe_name("") == "unnamed"
    assert safe_name("con") == "con_"
    assert safe_name("x" * 70) == "x" * 60
    assert safe_name("abc", most=2) == "ab"


def test_a_lenient_journal_says_what_it_could_not_keep() -> None:
    journal = LenientJournal(FullJournal(full_from=2))
    journal.note("a")
    assert journal.trouble == ()
    journal.note("b")
    assert journal.trouble == ("the journal could not be kept to its end: the disk is full",)
    told = datetime.fromisoformat(utc_now())
    assert told.tzinfo == UTC


# --- what only some systems do -------------------------------------------------------------------


class Instead:
    """A module, but for what a test puts in its place."""

    def __init__(self, module: Any, **instead: Any) -> None:
        self.__dict__ |= instead
        self._module = module

    def __getattr__(self, name: str) -> Any:
        return getattr(self._module, name)


def test_where_there_is_no_flock_one_byte_behind_the_text_is_locked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that the text in front of it can be read by whom it keeps out."""
    import sys

    asked: list[tuple[int, ...]] = []

    class Locking:
        LK_NBLCK = 2

        @staticmethod
        def locking(handle: int, how: int, count: int) -> None:
            asked.append((os.lseek(handle, 0, os.SEEK_CUR), how, count))
            if len(asked) > 1:
                raise OSError

    monkeypatch.setattr(locks, "sys", Instead(sys, platform="win32"))
    monkeypatch.setattr(locks, "msvcrt", Locking, raising=False)
    monkeypatch.setattr(locks, "_MOMENT", 0.0)
    with PortLock("COM3", tmp_path) as held:
        assert held.path.read_text().startswith(f"process {os.getpid()}")
        with pytest.raises(LinkFailed, match=f"process {os.getpid()}"):
            PortLock("COM3", tmp_path)
    assert asked == [(1000, 2, 1), (1000, 2, 1)]


def test_the_switch_to_the_log_has_a_patience_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    class Busy:
        def __init__(self, *errors: str) -> None:
            self.errors = list(errors)

        def execute(self, statement: str) -> None:
            assert statement == "PRAGMA journal_mode = WAL"
            if self.errors:
                raise sqlite3.OperationalError(self.errors.pop(0))

    now = [0.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds

    clock = Instead(database.time, monotonic=lambda: now[0], sleep=sleep)
    monkeypatch.setattr(database, "time", clock)

    class Held:
        connection: Any = Busy("database is locked", "database is locked")

    database.Database._write_ahead(Held())  # type: ignore[arg-type]
    assert now[0] == pytest.approx(0.04)
    Held.connection = Busy("disk I/O error")
    with pytest.raises(sqlite3.OperationalError, match="disk"):
        database.Database._write_ahead(Held())  # type: ignore[arg-type]
    Held.connection = Busy(*["database is locked"] * 1000)
    with pytest.raises(sqlite3.OperationalError, match="locked"):
        database.Database._write_ahead(Held())  # type: ignore[arg-type]
    assert 9.9 < now[0] < 10.2
    assert database.PATIENCE == 10.0


def test_a_record_that_cannot_be_moved_aside_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "r.db"
    for suffix in ("", "-wal", "-shm"):
        (tmp_path / f"r.db{suffix}").write_text(suffix)
    aside = database.set_aside(path)
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted(
        (aside.name, f"{aside.name}-wal", f"{aside.name}-shm")
    )
    assert datetime.strptime(aside.name, "r.damaged-%Y%m%dT%H%M%S.db")
    path.write_text("")

    def fail(*_: object) -> None:
        raise OSError(errno.EACCES, "no")

    monkeypatch.setattr(Path, "rename", fail)
    with pytest.raises(Refused, match="could not be moved aside: permission denied"):
        database.set_aside(path)


def test_where_things_are_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    import platformdirs

    from agent.store.home import home as of_the_user

    monkeypatch.setenv("PLUMBELT_HOME", "~/somewhere")
    assert of_the_user() == Path("~/somewhere").expanduser()
    monkeypatch.delenv("PLUMBELT_HOME")
    assert of_the_user() == platformdirs.user_data_path("plumbelt", appauthor=False)


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ('{"more": ["' + "\udfff" + '"]}', "holds half a character (a lone surrogate)"),
        ('{"more": "\\ud800"}', "holds half a character (a lone surrogate)"),
        ('{"more": 1e999}', "expected a finite number"),
        ('{"more": -1E+400}', "expected a finite number"),
        ('{"more": ' + "[" * 39 + "]" * 39 + "}", ""),
        ('{"more": ' + "[" * 40 + "]" * 40 + "}", "is nested more than 40 levels deep"),
        ('{"more": [' + ", ".join(["{}"] * 60) + "]}", ""),
        ('{"more": [1, ' + '{"a": ' * 39 + "1" + "}" * 39 + "]}",
         "is nested more than 40 levels deep"),
        ('{"more": 1' + "0" * 400 + "}", ""),
    ],
)  # fmt: skip
def test_what_a_newer_one_says_besides_is_plain_as_well(body: str, why: str) -> None:
    assert body_misfit("begin", body) == why


def test_a_row_that_cannot_be_saved_is_passed_over(tmp_path: Path) -> None:
    with Record(tmp_path / "r.db") as record:
        assert record._salvaged("entry", (_id(1), _id(2), AT, "begin", "{}")) == 0  # no session
        row = (_id(2), AT, "heron", "", "", "", "1")
        assert record._salvaged("session", row) == 1
        assert record._salvaged("session", row) == 0
        assert record._salvaged("session", row[:3]) == 0


def test_a_folder_that_takes_no_new_file_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(**_: object) -> None:
        raise OSError(errno.EROFS, "no")

    monkeypatch.setattr(atomic, "tempfile", Instead(atomic.tempfile, mkstemp=fail))
    with pytest.raises(Refused, match="could not be written: read-only file system"):
        write_file(tmp_path / "a", "x")


def test_the_questions_of_a_fleet_are_kept_up_in_both_engines(pinned: Pinned) -> None:
    from agent.store import milestones

    said = [milestones.SQLITE, milestones.SQLITE_LATE, milestones.postgresql("shop", "readers")]
    said += [milestones.postgresql_late("shop")]
    pinned("store/milestones", "\n\n".join(said))
