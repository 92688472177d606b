"""Exports of another record, checked row by row before any of them counts."""

from __future__ import annotations

import json
import sqlite3
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final

from agent.errors import BadInput, Problem
from agent.store.checks import body_misfit, column_misfit, misfit
from agent.store.journal import utc_now
from agent.store.rows import ADD
from agent.store.tables import TABLES

#: First line of an export.
EXPORT_FORMAT: Final = "plumbelt-record/1"


def checked_rows(
    lines: Iterable[str], source: str, columns: Mapping[str, tuple[str, ...]]
) -> Iterator[tuple[str, tuple[Any, ...], str]]:
    """(table, values, why it fits no kind of entry) of each row.

    Raises BadInput, with its line, for the first that is no row of a record at all.
    """
    known: dict[str, set[str]] = {"session": set(), "entry": set()}
    number = 0
    for number, line in enumerate(lines, 1):
        if number == 1:
            if _row(line, source, 1) != {"format": EXPORT_FORMAT}:
                raise _bad(source, 1, "format", f"expected {EXPORT_FORMAT}")
            continue
        row = _row(line, source, number)
        table = row.pop("table", None)
        if not isinstance(table, str) or table not in columns or set(row) != set(columns[table]):
            raise _bad(source, number, "", "is no row of a record")
        if wrong := column_misfit(table, row):
            column, _, what = wrong.partition(": ")
            raise _bad(source, number, f"{table}.{column}", what)
        _check_parent(known, table, row, source, number)
        why = body_misfit(row["kind"], row["body"]) if table == "entry" else ""
        yield table, tuple(row[column] for column in columns[table]), why
    if number == 0:
        raise _bad(source, 1, "", "the file is empty")


def _row(line: str, source: str, number: int) -> dict[str, Any]:
    try:
        row = json.loads(line)
    except (ValueError, RecursionError):
        raise _bad(source, number, "", "is not JSON; was the file cut short?") from None
    if not isinstance(row, dict):
        raise _bad(source, number, "", "is no row of a record")
    return row


def _check_parent(
    known: dict[str, set[str]], table: str, row: Mapping[str, Any], source: str, number: int
) -> None:
    """An export stands on its own: what a row belongs to comes before it in the same file."""
    parent = {"entry": "session", "line": "session", "figure": "entry"}.get(table)
    if parent and row[parent] not in known[parent]:
        raise _bad(source, number, f"{table}.{parent}", f"its {parent} is not in the file")
    if table in known:
        known[table].add(row["id"])


def _bad(source: str, number: int, key: str, what: str) -> BadInput:
    problem = Problem(source, number, key, what)
    return BadInput(f"{source} cannot be merged", problems=[problem])


# --- what fits no record -------------------------------------------------------------------------

#: Space of the identities of rows that are kept apart: the same row is kept once.
_APART: Final = uuid.UUID("2f5e1c1a-6c53-5c0e-9a53-2d1f5b8f6b1e")


def keep_apart(
    db: sqlite3.Connection, table: str, values: Sequence[Any], source: str, why: str
) -> None:
    """Keep a row that fits no record where nothing reads it but `fitting_now`."""
    row = json.dumps([table, *values])  # ASCII: half characters cannot be kept otherwise
    identity = str(uuid.uuid5(_APART, row))
    db.execute(
        "INSERT OR IGNORE INTO apart VALUES (?, ?, ?, ?, ?)",
        (identity, utc_now(), source, why, row),
    )


def fitting_now(db: sqlite3.Connection) -> int:
    """Bring in what was kept apart and fits by now, after an update say; how many rows."""
    taken = 0
    for identity, row in db.execute("SELECT id, row FROM apart ORDER BY id").fetchall():
        table, *values = json.loads(row)
        if table != "entry" or misfit(table, dict(zip(TABLES[table].names, values, strict=True))):
            continue
        if not db.execute("SELECT 1 FROM session WHERE id = ?", (values[1],)).fetchone():
            continue
        taken += db.execute(ADD["entry"], values).rowcount
        db.execute("DELETE FROM apart WHERE id = ?", (identity,))
        for other, held in db.execute(
            "SELECT id, row FROM apart WHERE instr(row, ?) = 1", (f'["figure", "{values[0]}"',)
        ).fetchall():
            db.execute(ADD["figure"], json.loads(held)[1:])
            db.execute("DELETE FROM apart WHERE id = ?", (other,))
    return taken
