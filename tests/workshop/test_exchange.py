"""Whatever two sides hold, both hold all of it afterwards, once."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from agent.errors import Refused
from agent.store.record import Record
from agent.store.rows import ADD, new_identity
from agent.store.tables import TABLES
from agent.workshop import exchange as exchanging
from agent.workshop.asking import Asked, OwnRecord
from agent.workshop.exchange import Exchanged, exchange
from agent.workshop.fleet import machines
from agent.workshop.server import Shared
from agent.workshop.sides import Bench, Workshop, _with_nul, _without_nul
from tests.workshop.postgres import Server
from tests.workshop.truth import is_what_events_say


def content(record: Record) -> dict[str, set[tuple[object, ...]]]:
    """All rows that records share."""
    return {
        name: set(record.rows(f"SELECT {', '.join(table.names)} FROM {name}"))
        for name, table in TABLES.items()
    }


def meet(record: Record, url: str) -> Exchanged:
    with Shared(url) as shared:
        return exchange(Bench(record), Workshop(shared))


def work(record: Record, machine: str = "heron", notes: int = 3) -> None:
    session = record.begin(machine, port="memory://", identity="bench \x00 \\0")
    session.traffic(0.5, ">", "M503 ; ü \x1b \x00 \\0 \\")
    for n in range(notes):
        session.note("estimate", {"parameters": {"z_scale": {"value": n / 1000, "u": 0.001}}})
    session.flush()


@contextmanager
def benches(folder: Path, count: int = 3) -> Iterator[list[Record]]:
    records = [Record(folder / f"bench{n}" / "record.db") for n in range(count)]
    try:
        yield records
    finally:
        for record in records:
            record.close()


@pytest.mark.parametrize("text", ["", "\\", "\x00", "\\0", "\x00\\0\x00\\\\0", "a\\\x00b"])
def test_what_no_text_of_the_server_can_hold_comes_back_as_it_was(text: str) -> None:
    assert "\x00" not in _without_nul(text)
    assert _with_nul(_without_nul(text)) == text


def test_three_benches_end_with_the_same_record(tmp_path: Path, url: str) -> None:
    with benches(tmp_path) as (a, b, c):
        work(a), work(b, "heron"), work(c, "egret", notes=1)
        for record in (a, b, c, a, b):
            meet(record, url)
        assert content(a) == content(b) == content(c)
        assert len(content(a)["entry"]) == 7
        assert {m for (m,) in c.rows("SELECT machine FROM latest")} == {"heron", "egret"}
        again = meet(a, url)
        assert (again.sent.new, again.received.new, again.renewed) == (0, 0, False)


def test_what_travelled_as_a_file_before_is_known_by_its_bench_everywhere_afterwards(
    tmp_path: Path, url: str
) -> None:
    """An export does not say which bench it is of; the bench itself does, whoever came first."""
    with benches(tmp_path) as (a, b, c):
        work(a), work(b, "egret")
        b.merge(list(a.export()))
        c.merge(list(b.export()))
        for record in (c, b, c, a, b, c, a):
            meet(record, url)
        assert content(a) == content(b) == content(c)
        assert len(content(c)["origin"]) == 2
        with Shared(url) as shared:
            sides = [OwnRecord(a), OwnRecord(b), OwnRecord(c), shared]
            for side in sides:
                is_what_events_say(side)
            assert len({str(machines(side)) for side in sides}) == 1


def test_lines_that_come_to_a_session_later_travel_too(tmp_path: Path, url: str) -> None:
    with benches(tmp_path, 2) as (a, b):
        session = a.begin("heron")
        for n in range(5):
            session.traffic(n, ">", f"G1 X{n}")
            session.flush()
            meet(a, url)
            meet(b, url)
            assert len(b.lines(session.row.id)) == n + 1
        a.begin("heron")
        session.traffic(9, "<", "ok")
        session.flush()
        meet(a, url)
        meet(b, url)
        assert b.lines(session.row.id) == a.lines(session.row.id)


def test_many_rows_travel_in_portions(
    tmp_path: Path, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("agent.workshop.exchange.BATCH", 7)
    monkeypatch.setattr("agent.workshop.exchange.BATCH_LINES", 5)
    monkeypatch.setattr("agent.workshop.exchange.BATCH_CHARACTERS", 40)
    with benches(tmp_path, 2) as (a, b):
        for machine in ("heron", "egret", "stork"):
            work(a, machine, notes=9)
            session = a.begin(machine)
            for n in range(13):
                session.traffic(n, ">", f"G1 X{n}")
            session.flush()
        meet(a, url), meet(b, url), meet(a, url)
        assert content(a) == content(b)


def test_what_is_noted_together_arrives_in_one_transaction(
    tmp_path: Path, server: Server, url: str
) -> None:
    with benches(tmp_path, 1) as (a,):
        work(a), work(a, "egret")
        meet(a, url)
    tables = ("bench", "session", "origin", "entry", "figure", "line", "mark")
    ids = " UNION ".join(f"SELECT xmin::text FROM {table}" for table in tables)
    assert len(server.rows(url, f"SELECT DISTINCT * FROM ({ids}) t")) == 1


def test_what_another_bench_brings_at_the_same_instant_is_there_once(
    tmp_path: Path, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both had asked what the workshop lacks before either of them brought it."""
    real = exchanging.lacking

    def before(side: Asked, table: str, ids: Sequence[str], key: str = "id") -> list[str]:
        return list(ids) if isinstance(side, Workshop) else real(side, table, ids, key)

    with benches(tmp_path, 2) as (a, b):
        work(a)
        b.merge(list(a.export()))
        work(b, "egret")
        meet(a, url)
        monkeypatch.setattr(exchanging, "lacking", before)
        assert meet(b, url).sent.new
        monkeypatch.undo()
        meet(a, url), meet(b, url)
        assert content(a) == content(b)
        assert len(content(a)["entry"]) == 6


def test_a_record_restored_from_a_backup_loses_and_doubles_nothing(
    tmp_path: Path, url: str
) -> None:
    folder = tmp_path / "bench0"
    with benches(tmp_path, 1) as (a,):
        work(a)
        meet(a, url)
        backup = tmp_path / "backup.db"
        a.rows("VACUUM INTO ?", (str(backup),))
        work(a, "egret")
        meet(a, url)
        before = content(a)
    shutil.rmtree(folder)
    folder.mkdir()
    shutil.copy(backup, folder / "record.db")
    with benches(tmp_path, 2) as (a, b):
        work(a, "stork", notes=20)  # more than it had: its numbers are another course of events
        met = meet(a, url)
        assert met.renewed
        after = content(a)
        assert all(before[table] <= after[table] for table in before)
        assert not meet(a, url).renewed
        meet(b, url), meet(a, url)
        assert content(b) == content(a)


def test_a_copied_record_goes_on_under_an_identity_of_its_own(tmp_path: Path, url: str) -> None:
    with benches(tmp_path, 1) as (a,):
        work(a)
        meet(a, url)
    shutil.copytree(tmp_path / "bench0", tmp_path / "bench1")
    with benches(tmp_path, 2) as (a, b):
        work(a, "egret"), work(b, "stork")
        assert not meet(a, url).renewed
        assert meet(b, url).renewed
        assert not meet(a, url).renewed
        assert content(a) == content(b)
        assert len(content(a)["entry"]) == 9


def test_a_workshop_restored_from_a_backup_gets_all_back(
    tmp_path: Path, server: Server, url: str
) -> None:
    name = url.partition("@/")[2].partition("?")[0]
    with benches(tmp_path, 2) as (a, b):
        work(a)
        meet(a, url), meet(b, url)
        server.execute("postgres", f"CREATE DATABASE {name}_backup TEMPLATE {name}")
        work(a, "egret"), work(b, "stork")
        meet(a, url), meet(b, url), meet(a, url)
        whole = content(a)
        server.execute(
            "postgres",
            f"DROP DATABASE {name}",
            f"CREATE DATABASE {name} TEMPLATE {name}_backup",
        )
        work(b, "crane")
        meet(b, url)
        assert meet(a, url).received.anew
        meet(b, url)
        assert content(a) == content(b)
        assert all(whole[table] <= content(a)[table] for table in whole)


def forge(url: str, server: Server, table: str, **columns: object) -> None:
    names = ", ".join(columns)
    marks = ", ".join(["%s"] * len(columns))
    query = f"INSERT INTO {table} ({names}) VALUES ({marks}) RETURNING 1"
    server.rows(url, query, list(columns.values()))


def test_hostile_events_are_kept_apart_with_a_word_and_hinder_nothing(
    tmp_path: Path, server: Server, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("agent.store.checks.MOST_BODY", 100_000)
    at = "2026-03-01T12:00:00.000+00:00"
    good = new_identity()
    session = {"at": at, "port": "", "family": "", "identity": "", "agent": "0"}
    forge(url, server, "session", id=good, machine="heron", **session)
    bad = new_identity()
    forge(url, server, "session", id=bad, machine="he\x1b[2Jron", **session)
    forge(url, server, "line", session=bad, n=1, at=0.0, way=">", text="M503")
    forge(url, server, "session", id="no identity", machine="heron", **session)
    bodies = [
        ("note", '{"text": "good"}'),
        ("note", "not JSON"),
        ("note", '{"text": NaN}'),
        ("note", '{"text": 7}'),
        ("estimate", '{"parameters": {"z_scale": "large"}}'),
        ("novelty", "{}"),
        ("note", "[" * 3000 + "]" * 3000),
        ("note", json.dumps({"text": "\ud800"})),
        ("note", json.dumps({"text": "huge " * 30_000})),
    ]
    for kind, body in bodies:
        entry = new_identity()
        forge(url, server, "entry", id=entry, session=good, at=at, kind=kind, body=body)
        forge(url, server, "figure", entry=entry, key="estimate.z_scale", value=0.1, u=None)
    nan = new_identity()
    forge(url, server, "entry", id=nan, session=good, at=at, kind="note", body="{}")
    forge(url, server, "figure", entry=nan, key="k", value=float("nan"), u=None)
    forge(url, server, "line", session=good, n=1, at=0.0, way="!", text="M500")
    forge(url, server, "line", session=good, n=2, at=0.0, way=">", text="M503")
    with benches(tmp_path, 1) as (a,):
        met = meet(a, url)
        assert met.received.apart == 2 + 2 * 8 + 1 + 2
        assert [e.body for e in a.entries("heron", text="good")] == [{"text": "good"}]
        assert len(content(a)["entry"]) == 2
        assert [line.n for line in a.lines(good)] == [2]
        words = a.apart()
        assert "machine: holds control characters" in words
        assert words["its session is not here"] == 1
        assert "body: is longer than 100000 characters" in words
        assert "body: the kind 'novelty' is not known here" in words
        assert sum(words.values()) == met.received.apart
        assert meet(a, url).received.new == 0


def test_what_was_kept_apart_comes_in_once_its_kind_is_known(
    tmp_path: Path, server: Server, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    from agent.store.checks import SHAPES, anything
    from agent.store.merging import fitting_now

    with benches(tmp_path, 2) as (a, b):
        monkeypatch.setitem(SHAPES, "novelty", anything)
        noted = a.begin("heron").note("novelty", {"text": "new"})
        with a.writing() as db:
            db.execute(ADD["figure"], (noted, "new", 1.0, None))
        meet(a, url)
        monkeypatch.delitem(SHAPES, "novelty")
        assert meet(b, url).received.apart == 2
        monkeypatch.setitem(SHAPES, "novelty", anything)
        with b.writing() as db:
            assert fitting_now(db) == 1
        meet(a, url)
        assert content(a) == content(b)
        assert b.apart() == {}


def test_a_newer_workshop_is_refused(tmp_path: Path, server: Server, url: str) -> None:
    server.rows(url, "UPDATE about SET value = '99' WHERE key = 'version' RETURNING 1")
    with benches(tmp_path, 1) as (a,), pytest.raises(Refused, match="newer plumbelt"):
        meet(a, url)


def test_an_older_record_is_shared_whole(tmp_path: Path, url: str) -> None:
    """What was noted before there were arrivals arrives with the update."""
    from agent.store.schema import STEPS

    place = tmp_path / "bench0" / "record.db"
    place.parent.mkdir()
    db = sqlite3.connect(place)
    db.executescript(STEPS[0])
    at = "2026-03-01T12:00:00.000+00:00"
    session, entry = new_identity(), new_identity()
    db.execute("INSERT INTO session VALUES (?,?,'heron','','','','0')", (session, at))
    db.execute("INSERT INTO entry VALUES (?,?,?,'note','{}')", (entry, session, at))
    db.execute("INSERT INTO line VALUES (?,1,0.0,'>','M503')", (session,))
    db.execute("PRAGMA application_id = 1886154082")
    db.execute("PRAGMA user_version = 1")
    db.commit()
    db.close()
    with benches(tmp_path, 2) as (a, b):
        meet(a, url)
        meet(b, url)
        assert [e.id for e in b.entries("heron")] == [entry]
        assert len(b.lines(session)) == 1
        assert b.rows("SELECT kind, bench FROM latest") == [("", "")]
        assert b.rows("SELECT machine, kind, entry FROM milestone") == [("heron", "note", entry)]
