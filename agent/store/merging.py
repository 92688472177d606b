"""Exports of another record, checked row by row before any of them counts."""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final

from agent.errors import BadInput, Problem

#: First line of an export.
EXPORT_FORMAT: Final = "plumbelt-record/1"

_TEXTS: Final = ("at", "machine", "port", "family", "identity", "agent", "kind", "key", "text")
_IDENTITIES: Final = ("id", "session", "entry")


def checked_rows(
    lines: Iterable[str], source: str, columns: Mapping[str, tuple[str, ...]]
) -> Iterator[tuple[str, tuple[Any, ...]]]:
    """(table, values) of each row.  Raises BadInput, with its line, for the first wrong one."""
    known: dict[str, set[str]] = {"session": set(), "entry": set()}
    number = 0
    for number, line in enumerate(lines, 1):
        if number == 1:
            _check_header(line, source)
            continue
        row = _row(line, source, number)
        table = row.pop("table", None)
        if table not in columns or set(row) != set(columns[table]):
            raise _bad(source, number, "", "is no row of a record")
        for column, value in row.items():
            wrong = _wrong(table, column, value)
            if wrong:
                raise _bad(source, number, f"{table}.{column}", wrong)
        _check_parent(known, table, row, source, number)
        yield table, tuple(row[column] for column in columns[table])
    if number == 0:
        raise _bad(source, 1, "", "the file is empty")


def _check_header(line: str, source: str) -> None:
    if _row(line, source, 1) != {"format": EXPORT_FORMAT}:
        raise _bad(source, 1, "format", f"expected {EXPORT_FORMAT}")


def _row(line: str, source: str, number: int) -> dict[str, Any]:
    try:
        row = json.loads(line)
    except ValueError:
        raise _bad(source, number, "", "is not JSON; was the file cut short?") from None
    if not isinstance(row, dict):
        raise _bad(source, number, "", "is no row of a record")
    return row


def _wrong(table: str, column: str, value: Any) -> str:
    """What is wrong with one value; empty if nothing is."""
    if column in _IDENTITIES:
        try:
            uuid.UUID(value)
        except (ValueError, AttributeError, TypeError):
            return f"expected an identity, found {value!r:.40}"
        return ""
    if column == "body":
        return _wrong_body(value)
    if column == "way":
        return "" if value in (">", "<") else "expected > or <"
    if column == "n":
        return "" if type(value) is int and value > 0 else "expected a count"
    if column == "u" and value is None:
        return ""
    if column in ("value", "u") or (table, column) == ("line", "at"):
        finite = isinstance(value, int | float) and not isinstance(value, bool)
        return "" if finite and math.isfinite(value) else "expected a finite number"
    if column in _TEXTS:
        return "" if isinstance(value, str) and len(value) <= 10_000 else "expected a text"
    return "is not known"


def _wrong_body(value: Any) -> str:
    try:
        body = json.loads(value)
    except (ValueError, TypeError):
        body = None
    return "" if isinstance(body, dict) else "expected an object as JSON text"


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
