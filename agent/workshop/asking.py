"""One way to ask both engines: the same text of a query, with values by their names.

A query is plain SQL with `:name` for a value and `AMONG :name` for a list of them.  psycopg with
this small layer, and not a library over both: COPY is psycopg's own, SQLite is in use already
through the standard library, and every query here is the same text on both.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any, Final, Protocol

from agent.store.database import Database

_NAMED: Final = re.compile(r"(?<!:):([a-z_]+)")
_AMONG: Final = re.compile(r"\bAMONG :([a-z_]+)")

Row = tuple[Any, ...]


class Asked(Protocol):
    """Whatever can be asked: a bench's own record, or the shared one."""

    def ask(self, query: str, **values: Any) -> list[Row]:
        """All rows of a query; see the head of this module."""
        ...

    def each(self, query: str, **values: Any) -> Iterator[Row]:
        """The same, but one by one: however many there are, few are held at a time."""
        ...


class OwnRecord:
    """The record of this bench, asked in the common way."""

    def __init__(self, record: Database) -> None:
        self.record = record

    def ask(self, query: str, **values: Any) -> list[Row]:
        return self.record.rows(for_sqlite(query), _listed(values))

    def each(self, query: str, **values: Any) -> Iterator[Row]:
        return self.record.each(for_sqlite(query), _listed(values))


def _listed(values: Mapping[str, Any]) -> dict[str, Any]:
    return {
        name: json.dumps(list(value)) if isinstance(value, list | tuple | set) else value
        for name, value in values.items()
    }


@lru_cache(maxsize=256)
def for_sqlite(query: str) -> str:
    return _AMONG.sub(r"IN (SELECT value FROM json_each(:\1))", query)


@lru_cache(maxsize=256)
def for_postgresql(query: str) -> str:
    among = _AMONG.sub(r"= ANY(:\1)", query.replace("%", "%%"))
    return _NAMED.sub(r"%(\1)s", among)
