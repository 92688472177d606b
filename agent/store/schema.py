"""Tables of the record, and how an older record becomes one of this version.

Append-only: triggers refuse every update and every deletion, whoever asks for it.
"""

from __future__ import annotations

from typing import Final

from agent.store import milestones
from agent.store.tables import TABLES

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


#: Tables of this computer alone: in what order rows arrived (what a workshop has not seen yet lies
#: behind its mark), the newest entry of each kind (so that a list of machines reads no history),
#: which bench this is, and foreign rows that fit no record.
_ARRIVALS: Final = """
CREATE TABLE arrival (
    n    INTEGER PRIMARY KEY AUTOINCREMENT,
    what TEXT NOT NULL,
    id   TEXT NOT NULL
);
CREATE UNIQUE INDEX arrival_line ON arrival (id) WHERE what = 'line';
CREATE TABLE latest (
    machine TEXT NOT NULL,
    kind    TEXT NOT NULL,
    bench   TEXT NOT NULL,
    at      TEXT NOT NULL,
    entry   TEXT NOT NULL,
    PRIMARY KEY (machine, kind, bench)
) WITHOUT ROWID;
CREATE TABLE own (
    n     INTEGER PRIMARY KEY AUTOINCREMENT,
    bench TEXT NOT NULL REFERENCES bench (id)
);
CREATE TABLE mark (
    other TEXT PRIMARY KEY,
    n     INTEGER NOT NULL,
    what  TEXT NOT NULL,
    id    TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE apart (
    id     TEXT PRIMARY KEY,
    at     TEXT NOT NULL,
    source TEXT NOT NULL,
    why    TEXT NOT NULL,
    row    TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX entry_kind ON entry (kind, at, session, id);
"""

#: Beside the newest outcome the newest one of a write: a proof is an outcome, too, and changes
#: nothing.  Outcomes that were read back and no more are of a write.
_ENTRY_ARRIVES: Final = """
CREATE TRIGGER entry_arrives AFTER INSERT ON entry BEGIN
    INSERT INTO arrival (what, id) VALUES ('entry', NEW.id);
    INSERT INTO latest (machine, kind, bench, at, entry)
        SELECT s.machine, NEW.kind, coalesce(o.bench, ''), NEW.at, NEW.id
        FROM session s LEFT JOIN origin o ON o.session = s.id WHERE s.id = NEW.session
        ON CONFLICT (machine, kind, bench) DO UPDATE SET at = excluded.at, entry = excluded.entry;
END;
CREATE TRIGGER write_arrives AFTER INSERT ON entry
WHEN NEW.kind = 'outcome' AND NEW.body LIKE '%"stages":["read back"]%'
    OR NEW.kind = 'outcome' AND NEW.body LIKE '%"stages":[]%' BEGIN
    INSERT INTO latest (machine, kind, bench, at, entry)
        SELECT s.machine, 'written', coalesce(o.bench, ''), NEW.at, NEW.id
        FROM session s LEFT JOIN origin o ON o.session = s.id WHERE s.id = NEW.session
        ON CONFLICT (machine, kind, bench) DO UPDATE SET at = excluded.at, entry = excluded.entry;
END;
"""

#: A session's lines arrive anew with each line that comes to them, but not for every one of them:
#: those at the end of all arrivals are looked at again anyway.
_LINE_ARRIVES: Final = """
CREATE TRIGGER line_arrives AFTER INSERT ON line
WHEN (SELECT what || id FROM arrival ORDER BY n DESC LIMIT 1) IS NOT 'line' || NEW.session
BEGIN
    DELETE FROM arrival WHERE what = 'line' AND id = NEW.session;
    INSERT INTO arrival (what, id) VALUES ('line', NEW.session);
END;
"""

#: The same, told by one look less: laying adds lines by the thousand.
_LINE_ARRIVES_LIGHTLY: Final = """
DROP TRIGGER line_arrives;
CREATE TRIGGER line_arrives AFTER INSERT ON line
WHEN (SELECT id FROM arrival WHERE n = (SELECT max(n) FROM arrival) AND what = 'line')
    IS NOT NEW.session
BEGIN
    DELETE FROM arrival WHERE what = 'line' AND id = NEW.session;
    INSERT INTO arrival (what, id) VALUES ('line', NEW.session);
END;
"""

_BEFORE: Final = """
INSERT INTO arrival (what, id) SELECT 'session', id FROM session ORDER BY at, id;
INSERT INTO arrival (what, id) SELECT 'entry', id FROM entry ORDER BY at, id;
INSERT INTO arrival (what, id)
    SELECT 'line', l.session FROM (SELECT DISTINCT session FROM line) l
    JOIN session s ON s.id = l.session ORDER BY s.at, s.id;
INSERT INTO latest (machine, kind, bench, at, entry)
    SELECT s.machine, e.kind, '', e.at, e.id FROM entry e JOIN session s ON s.id = e.session
    WHERE true ORDER BY e.at, e.id
    ON CONFLICT (machine, kind, bench) DO UPDATE SET at = excluded.at, entry = excluded.entry;
INSERT INTO latest (machine, kind, bench, at, entry)
    SELECT s.machine, 'written', '', e.at, e.id FROM entry e JOIN session s ON s.id = e.session
    WHERE e.kind = 'outcome' AND (e.body LIKE '%"stages":["read back"]%'
        OR e.body LIKE '%"stages":[]%') ORDER BY e.at, e.id
    ON CONFLICT (machine, kind, bench) DO UPDATE SET at = excluded.at, entry = excluded.entry;
"""


def _arrives(table: str) -> str:
    return (
        f"CREATE TRIGGER {table}_arrives AFTER INSERT ON {table} BEGIN "
        f"INSERT INTO arrival (what, id) VALUES ('{table}', NEW.id); END;\n"
    )


_SHARED: Final = ("bench", "origin", "clock", "document")

#: Step n takes a record of version n to version n + 1; version 0 is an empty file.
STEPS: Final[tuple[str, ...]] = (
    _TABLES + "".join(_append_only(table) for table in ("session", "entry", "figure", "line")),
    "".join(TABLES[table].create("sqlite") + _append_only(table) for table in _SHARED)
    + _ARRIVALS
    + _BEFORE
    + "".join(_arrives(table) for table in ("session", "bench", "clock", "document"))
    + _ENTRY_ARRIVES
    + _LINE_ARRIVES,
    _LINE_ARRIVES_LIGHTLY,
    milestones.SQLITE,
    milestones.SQLITE_LATE,
)
