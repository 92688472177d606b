"""The tables that records share, described once: SQLite and PostgreSQL are made from this.

`session`, `entry`, `figure` and `line` hold what happened; `bench`, `origin` and `clock` say on
which computer, and how far its clock was off; `document` keeps every version of a profile or
report.  Rows are only ever added, and each has an identity of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

Type = Literal["text", "real", "count"]
Engine = Literal["sqlite", "postgresql"]

_TYPES: Final[Mapping[Engine, Mapping[Type, str]]] = {
    "sqlite": {"text": "TEXT", "real": "REAL", "count": "INTEGER"},
    "postgresql": {"text": "text", "real": "double precision", "count": "integer"},
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column; never empty unless it `may_lack`."""

    name: str
    type: Type = "text"
    of: str = ""  #: the table whose `id` it holds
    may_lack: bool = False
    raw: bool = False  #: as it came over a wire: may hold any character, NUL too


@dataclass(frozen=True, slots=True)
class Table:
    """One table; `key` names a row."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ("id",)
    indexes: tuple[tuple[str, ...], ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)

    def create(self, engine: Engine) -> str:
        """The statements that make the table and its indexes, without triggers."""
        # Texts are ordered by their bytes on both sides, whatever the server's language.
        plain = ' COLLATE "C"' if engine == "postgresql" else ""
        lines = [
            f"    {c.name} {_TYPES[engine][c.type]}"
            + (plain if c.type == "text" else "")
            + ("" if c.may_lack else " NOT NULL")
            + (f" REFERENCES {c.of} (id)" if c.of else "")
            for c in self.columns
        ]
        lines.append(f"    PRIMARY KEY ({', '.join(self.key)})")
        end = " WITHOUT ROWID" if engine == "sqlite" else ""
        made = [f"CREATE TABLE {self.name} (\n" + ",\n".join(lines) + f"\n){end};"]
        made += [
            f"CREATE INDEX {self.name}_{columns[0]} ON {self.name} ({', '.join(columns)});"
            for columns in self.indexes
        ]
        return "\n".join(made) + "\n"


def _table(
    name: str,
    *columns: Column | str,
    key: tuple[str, ...] = ("id",),
    indexes: tuple[tuple[str, ...], ...] = (),
) -> Table:
    whole = tuple(c if isinstance(c, Column) else Column(c) for c in columns)
    return Table(name, whole, key, indexes)


#: Parents before children: the order in which rows can be added.
TABLES: Final[dict[str, Table]] = {
    table.name: table
    for table in (
        _table("bench", "id", "name", "at"),
        _table(
            "session",
            "id",
            "at",
            "machine",
            "port",
            "family",
            Column("identity", raw=True),
            "agent",
            indexes=(("machine", "at"),),
        ),
        # No reference to `bench`: the session of a bench that is not known yet is welcome, too.
        _table("origin", Column("session", of="session"), "bench", key=("session",)),
        _table(
            "entry",
            "id",
            Column("session", of="session"),
            "at",
            "kind",
            "body",
            indexes=(("session", "at"), ("at",), ("kind", "at", "session", "id")),
        ),
        _table(
            "figure",
            Column("entry", of="entry"),
            "key",
            Column("value", "real"),
            Column("u", "real", may_lack=True),
            key=("entry", "key"),
        ),
        _table(
            "line",
            Column("session", of="session"),
            Column("n", "count"),
            Column("at", "real"),
            "way",
            Column("text", raw=True),
            key=("session", "n"),
        ),
        _table("clock", "id", "bench", "at", Column("ahead", "real")),
        _table(
            "document",
            "id",
            "at",
            "bench",
            "kind",
            "name",
            "machine",
            "facts",
            "text",
            indexes=(("machine", "kind", "at"),),
        ),
    )
}

#: What travels as one: a table of rows with an `id`, and the tables whose rows belong to them.
#: Lines travel by themselves, as a session goes on while some of them are under way already.
UNITS: Final[dict[str, tuple[str, ...]]] = {
    "bench": (),
    "session": ("origin",),
    "entry": ("figure",),
    "clock": (),
    "document": (),
}
LINES: Final = "line"
