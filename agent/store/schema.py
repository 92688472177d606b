"""Tables of the record, and how an older record becomes one of this version.

Append-only: triggers refuse every update and every deletion, whoever asks for it.
"""

from __future__ import annotations

from typing import Final

#: Marks a SQLite file as a record of plumbelt ("plmb").
APPLICATION_ID: Final = 0x706C6D62

_TABLES: Final = """
CREATE TABLE session (
    id       TEXT PRIMARY KEY,
    at       TEXT NOT NULL,
    machine  TEXT NOT NULL,
    port     TEXT NOT NULL,
    family   TEXT NOT NULL,
    identity TEXT NOT NULL,
    agent    TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX session_machine ON session (machine, at);

CREATE TABLE entry (
    id      TEXT PRIMARY KEY,
    session TEXT NOT NULL REFERENCES session (id),
    at      TEXT NOT NULL,
    kind    TEXT NOT NULL,
    body    TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX entry_session ON entry (session, at);
CREATE INDEX entry_at ON entry (at);

CREATE TABLE figure (
    entry  TEXT NOT NULL REFERENCES entry (id),
    key    TEXT NOT NULL,
    value  REAL NOT NULL,
    u      REAL,
    PRIMARY KEY (entry, key)
) WITHOUT ROWID;

CREATE TABLE line (
    session TEXT NOT NULL REFERENCES session (id),
    n       INTEGER NOT NULL,
    at      REAL NOT NULL,
    way     TEXT NOT NULL CHECK (way IN ('>', '<')),
    text    TEXT NOT NULL,
    PRIMARY KEY (session, n)
) WITHOUT ROWID;
"""


def _append_only(table: str) -> str:
    return "".join(
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} BEGIN "
        f"SELECT RAISE(ABORT, 'the record is append-only'); END;\n"
        for verb in ("UPDATE", "DELETE")
    )


#: Step n takes a record of version n to version n + 1; version 0 is an empty file.
STEPS: Final[tuple[str, ...]] = (
    _TABLES + "".join(_append_only(table) for table in ("session", "entry", "figure", "line")),
)
