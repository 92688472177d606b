"""The shared record without a server: what is said of failures, versions, rows and who came."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

import psycopg
import pytest

from agent.errors import AgentError, LinkFailed, Refused
from agent.workshop import server
from agent.workshop.server import (
    READER,
    STEPS,
    TECHNICIAN,
    Shared,
    TakenAlready,
    _first_line,
    _listed,
    _one_line,
)
from agent.workshop.sides import Load, Mark, Workshop


class Answers:
    """A connection that answers each query with what stands beside a part of its words."""

    def __init__(self, **answers: list[tuple[Any, ...]]) -> None:
        self.answers, self.asked = answers, []  # type: ignore[var-annotated]
        self.told: list[Any] = []
        self.info = SimpleNamespace(backend_pid=7)

    def execute(self, query: Any, values: Any = ()) -> Any:
        self.asked.append((str(query), values))
        rows = next((r for part, r in self.answers.items() if part in str(query)), [])
        return SimpleNamespace(
            fetchall=lambda: rows, fetchone=lambda: rows[0] if rows else None, rowcount=len(rows)
        )

    def notifies(self, timeout: float) -> Iterator[Any]:
        assert timeout == 0
        yield from self.told


def _shared(connection: Any) -> Shared:
    shared = Shared.__new__(Shared)
    shared.shown, shared.may_add, shared.connection = "db on shop", False, connection
    return shared


@pytest.mark.parametrize(
    ("error", "kind", "said", "remedy"),
    [
        (psycopg.errors.DiskFull("x"), Refused, "disk of db on shop is full", "Make room"),
        (
            psycopg.errors.InsufficientPrivilege("\n no right \nmore"),
            Refused,
            "db on shop: no right",
            f"grants {TECHNICIAN}",
        ),
        (psycopg.errors.UniqueViolation("there"), TakenAlready, "db on shop: there", ""),
        (psycopg.errors.RaiseException("append-only"), Refused, "append-only", "Nothing changed"),
        (
            psycopg.OperationalError("gone"),
            LinkFailed,
            "db on shop cannot be reached: gone",
            "Work goes on",
        ),
        (
            psycopg.errors.UndefinedTable(""),
            Refused,
            "db on shop refused: UndefinedTable",
            "Nothing was changed",
        ),
    ],
)
def test_failures_of_the_server_are_told_in_words(
    error: Exception, kind: type[AgentError], said: str, remedy: str
) -> None:
    with pytest.raises(kind) as caught, _shared(None).in_words():
        raise error
    assert type(caught.value) is kind
    assert said in caught.value.what
    assert remedy in (caught.value.remedy or "")
    assert caught.value.__cause__ is error


def test_what_is_no_failure_of_the_server_passes() -> None:
    with pytest.raises(ValueError, match="mine"), _shared(None).in_words():
        raise ValueError("mine")


def _about(version: int, add: str = "true") -> dict[str, list[tuple[Any, ...]]]:
    about = [("version", str(version)), ("workshop", "w-1"), ("may add", add)]
    return {"to_regclass": [("about",)], "FROM about": about}  # type: ignore[dict-item]


def test_a_workshop_of_this_version_is_opened_with_what_the_user_may() -> None:
    for add in ("true", "false"):
        connection = Answers(**_about(len(STEPS), add))
        shared = _shared(connection)
        shared._open(must_hold=True)
        assert (shared.version, shared.identity) == (len(STEPS), "w-1")
        assert shared.may_add is (add == "true")
        assert "search_path" in connection.asked[0][0]
        assert connection.asked[0][1] == ("plumbelt, pg_temp",)


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        (_about(len(STEPS) + 1), f"belongs to a newer plumbelt (version {len(STEPS) + 1}"),
        (_about(len(STEPS) - 1), f"is of an older plumbelt (version {len(STEPS) - 1})"),
        ({}, "is no workshop yet"),
        ({"to_regclass": [(None,)]}, "is no workshop yet"),
        ({"pg_namespace": [(1,)]}, "your user may not look into db on shop"),
    ],
)
def test_what_is_no_workshop_of_ours_is_refused(answers: dict[str, Any], said: str) -> None:
    with pytest.raises(Refused) as caught:
        _shared(Answers(**answers))._open(must_hold=True)
    assert said in caught.value.what
    assert caught.value.remedy


def test_what_is_to_become_one_may_be_none_or_older_but_not_newer() -> None:
    for answers in ({}, {"pg_namespace": [(1,)]}, _about(1)):
        _shared(Answers(**answers))._open(must_hold=False)
    with pytest.raises(Refused, match="newer plumbelt"):
        _shared(Answers(**_about(len(STEPS) + 1)))._open(must_hold=False)


def test_who_came_is_told_but_not_ourselves_nor_what_is_no_word_of_ours() -> None:
    connection = Answers()

    def word(pid: int, payload: str) -> None:
        connection.told.append(SimpleNamespace(pid=pid, payload=payload))

    word(7, json.dumps(["heron", "we ourselves"]))
    word(8, json.dumps(["heron", "anna \n at  shop"]))
    word(9, json.dumps(["egret", "bob"]))
    word(9, "no json")
    word(9, "[1, 2, 3]")
    word(9, "5")
    assert _shared(connection).came("heron") == ["anna at shop"]
    long = "h" * 600
    word(8, json.dumps([long[:500], "anna"]))
    assert _shared(connection).came(long) == ["anna"]


def test_whoever_holds_a_machine_listens_signs_and_hears_who_else_is_there() -> None:
    connection = Answers(hold_machine=[("anna at shop\nsince",)])
    assert _shared(connection).hold("heron", "bob at desk") == "anna at shop since"
    asked = [query for query, _ in connection.asked]
    assert asked[0] == "LISTEN plumbelt_presence"
    assert connection.asked[1][1] == {"machine": "heron", "holder": "bob at desk"}
    alone = Answers(hold_machine=[(None,)])
    assert _shared(alone).hold("heron", "bob") == ""


def test_words_of_others_are_one_line_of_two_hundred_letters() -> None:
    assert _one_line(" a\n b\t c ") == "a b c"
    assert len(_one_line("x" * 300)) == 200
    assert _one_line(5) == "5"
    assert _first_line(ValueError("\n\n  first \nsecond")) == "first"
    assert _first_line(ValueError("")) == "ValueError"
    assert _listed({"a": {1}, "b": (1, 2), "c": [3], "d": "x"}) == {
        "a": [1], "b": [1, 2], "c": [3], "d": "x",
    }  # fmt: skip


def test_settings_of_a_connection_are_ours_where_the_address_says_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given: list[dict[str, Any]] = []
    closed: list[str] = []

    def connect(**settings: Any) -> Any:
        given.append(settings)
        found = Answers(**(_about(len(STEPS)) if len(given) < 3 else {}))
        found.close = lambda: closed.append("x")  # type: ignore[attr-defined]
        return found

    monkeypatch.setattr(psycopg, "connect", connect)
    with Shared("postgresql://anna@shop/db", bench="b" * 80) as shared:
        assert shared.shown == "db on shop"
    Shared("postgresql://shop/db?connect_timeout=3&application_name=mine")
    with pytest.raises(Refused, match="no workshop yet"):
        Shared("postgresql://shop/db")
    assert closed == ["x", "x"]  # the first at its end, the third as it was refused
    first, second, _ = given
    assert first["application_name"] == f"plumbelt {'b' * 80}"[:63]
    assert {k: first[k] for k in server._DEFAULTS} == dict(server._DEFAULTS)
    assert dict(server._DEFAULTS) == {
        "connect_timeout": 10,
        "keepalives_idle": 10,
        "keepalives_interval": 5,
        "keepalives_count": 3,
        "tcp_user_timeout": 20_000,
    }
    assert (first["autocommit"], first["prepare_threshold"]) == (True, 3)
    assert (second["connect_timeout"], second["application_name"]) == ("3", "mine")


# -- the shared record as a side ---------------------------------------------------------------


class Taking:
    """A shared record that notes what is added, and may have some of it already."""

    identity = "w-1"

    def __init__(self, there: bool = False) -> None:
        self.there = there
        self.added: list[tuple[str, str, list[Any]]] = []
        self.marks: list[Any] = []
        self.rows: list[tuple[Any, ...]] = []

    @contextmanager
    def writing(self) -> Iterator[Any]:
        yield SimpleNamespace(execute=lambda _, values: self.marks.append(values))

    def copy(self, table: str, rows: list[Any]) -> int:
        if self.there:
            raise TakenAlready("there")
        self.added.append(("copied", table, rows))
        return len(rows)

    def add(self, table: str, rows: list[Any]) -> int:
        self.added.append(("added", table, rows))
        return len(rows) - 1

    def ask(self, query: str, **values: Any) -> list[tuple[Any, ...]]:
        self.marks.append((query, values))
        return self.rows


def test_rows_are_copied_or_added_where_another_brought_some_meanwhile() -> None:
    """Parents first; a wire's NUL is written as two characters, other texts stay as they are."""
    load = Load(
        {
            "line": [("s", 1, 0.5, ">", "a\x00\\")],
            "session": [("s", "at", "m", "p\\", "f", "id\x00", "v")],
        }
    )
    for there, way, new in ((False, "copied", 2), (True, "added", 0)):
        shared = Taking(there)
        side = Workshop(shared)  # type: ignore[arg-type]
        assert side.take(load, "bench", Mark(5, "entry", "e")) == new
        assert shared.added == [
            (way, "session", [("s", "at", "m", "p\\", "f", "id\\0", "v")]),
            (way, "line", [("s", 1, 0.5, ">", "a\\0\\\\")]),
        ]
        assert shared.marks == [("bench", 5, "entry", "e")]
    shared = Taking()
    assert Workshop(shared).take(Load(), "bench", None) == 0  # type: ignore[arg-type]
    assert shared.marks == []


def test_rows_come_back_as_they_were_noted() -> None:
    shared = Taking()
    shared.rows = [("s", 1, 0.5, ">", "a\\0\\\\")]
    side = Workshop(shared)  # type: ignore[arg-type]
    assert side.fetch("line", "session = :s", s="s") == [("s", 1, 0.5, ">", "a\x00\\")]
    shared.rows = [(5, "entry", "e")]
    assert side.mark_of("bench") == Mark(5, "entry", "e")
    shared.rows = []
    assert side.mark_of("bench") is None
    assert side.identity == "w-1"


def test_roles_are_named_in_what_the_tables_grant() -> None:
    """Technicians add to every table of the record, readers only read."""
    text = STEPS[0]
    granted = next(line for line in text.splitlines() if line.startswith("GRANT INSERT"))
    for table in ("session", "entry", "figure", "line", "clock", "document", "mark"):
        assert table in granted
    assert granted.endswith(f"TO {TECHNICIAN};")
    assert f"GRANT SELECT ON ALL TABLES IN SCHEMA plumbelt TO {TECHNICIAN}, {READER};" in text
    assert text.count("EXECUTE FUNCTION take_turn()") == 8
    assert text.count("EXECUTE FUNCTION refuse_change()") == 9
    assert text.count("EXECUTE FUNCTION lines_arrive()") == 1
    assert text.count("EXECUTE FUNCTION entries_arrive()") == 1


def test_a_driver_that_is_not_installed_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "psycopg", None)
    with pytest.raises(Refused, match="driver for PostgreSQL is not installed"):
        server.checked_address("postgresql://shop/db")
