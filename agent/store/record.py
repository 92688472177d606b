"""The record: what was read, measured, estimated, planned, sent, answered and proved, and when.

One SQLite file in the data folder, only ever added to.  Every row has an identity of its own, so
that records of several laptops can be merged in any order, and merging twice changes nothing.
Several agents may write at once; one that is killed leaves everything that it had noted.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
import time
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Literal

from agent import __version__
from agent.errors import Refused
from agent.model.settings import Readback
from agent.store.atomic import make_folder, refusal
from agent.store.home import home
from agent.store.journal import JournalFile, utc_now
from agent.store.merging import EXPORT_FORMAT, checked_rows
from agent.store.schema import APPLICATION_ID, STEPS

#: Seconds to wait for another agent that is writing.
PATIENCE: Final = 10.0
#: Lines of traffic that are kept together, and for how long at most, in seconds.
BATCH_LINES: Final = 256
BATCH_SECONDS: Final = 0.5

Kind = Literal[
    "readback", "readings", "estimate", "plan", "outcome", "look", "proof", "journal", "note"
]


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One attach of one agent to one machine."""

    id: str
    at: str
    machine: str
    port: str
    family: str
    identity: str
    agent: str


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One thing that was noted."""

    id: str
    session: str
    at: str
    kind: str
    body: Mapping[str, Any]
    machine: str

    @property
    def short(self) -> str:
        """The end of its identity: enough to name it by."""
        return self.id[-8:]


@dataclass(frozen=True, slots=True)
class LineRow:
    """One line on the wire; `at` counts seconds on the link's clock."""

    session: str
    n: int
    at: float
    way: str
    text: str


@dataclass(frozen=True, slots=True)
class Point:
    """A figure at a time: a setting as read back, or a parameter as estimated."""

    at: str
    value: float
    u: float | None
    entry: str


# --- opening -------------------------------------------------------------------------------------


def record_path() -> Path:
    return home() / "record.db"


class Record:
    """The record in one file; use as a context manager."""

    def __init__(self, path: Path | None = None, *, steps: Sequence[str] = STEPS) -> None:
        """Open the record, or begin one.

        Raises Refused if the file is no record, is damaged, is newer than this plumbelt, or
        cannot be written.  The file is left as it is in each of these cases.
        """
        self.path = path or record_path()
        make_folder(self.path.parent)
        with _words(self.path):
            self._db = sqlite3.connect(
                self.path, timeout=PATIENCE, isolation_level=None, check_same_thread=False
            )
        try:
            with _words(self.path):
                self._prepare(steps)
        except BaseException:
            self._db.close()
            raise

    def _prepare(self, steps: Sequence[str]) -> None:
        db = self._db
        mark, version = (
            db.execute("PRAGMA application_id").fetchone()[0],
            db.execute("PRAGMA user_version").fetchone()[0],
        )
        empty = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
        if mark != APPLICATION_ID and not empty:
            raise Refused(f"{self.path} is a database of something else", remedy=_MOVE)
        if version > len(steps):
            raise Refused(
                f"{self.path} was written by a newer plumbelt (record version {version}, known "
                f"here up to {len(steps)})",
                remedy="Update plumbelt, or set PLUMBELT_HOME to another folder. "
                "The file was left as it is",
            )
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        if version < len(steps):
            self._migrate(version, steps)

    def _migrate(self, version: int, steps: Sequence[str]) -> None:
        """Take the record to the newest version, step by step, wholly or not at all."""
        db = self._db
        if version:
            copy = self.path.with_name(f"{self.path.stem}.v{version}{self.path.suffix}")
            if not copy.exists():
                db.execute("VACUUM INTO ?", (str(copy),))
        with self._writing():
            now = db.execute("PRAGMA user_version").fetchone()[0]  # another agent may be first
            for step in steps[now:]:
                for statement in _statements(step):
                    db.execute(statement)
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {len(steps)}")

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> Record:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it or nothing, in turn with other agents."""
        with _words(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                if self._db.in_transaction:  # a full disk rolls back by itself
                    self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    def _rows(self, query: str, values: Sequence[Any] = ()) -> list[Any]:
        with _words(self.path):
            return self._db.execute(query, values).fetchall()

    # --- adding ----------------------------------------------------------------------------------

    def begin(
        self, machine: str, *, port: str = "", family: str = "", identity: str = ""
    ) -> Session:
        """Begin a session; what is noted in it is safe when the call returns."""
        row = SessionRow(new_identity(), utc_now(), machine, port, family, identity, __version__)
        with self._writing() as db:
            db.execute(_INSERT["session"], _session_values(row))
        return Session(self, row)

    def take_over(self, journal: JournalFile) -> int:
        """Add what a journal holds, under identities made from its name; how much was new.

        Taking the same journal over again adds what has come to it since, and nothing twice.
        """
        if not journal.entries:
            return 0
        head = journal.entries[0]
        plan = head.get("plan", {})
        session = SessionRow(
            str(uuid.uuid5(_JOURNALS, journal.path.name)),
            str(head.get("at", "")),
            journal.machine,
            "",
            str(plan.get("family", "")),
            str(plan.get("identity", "")),
            __version__,
        )
        rows = [
            (
                str(uuid.uuid5(_JOURNALS, f"{journal.path.name}#{number}")),
                session.id,
                str(entry.get("at", "")),
                "journal",
                _json(entry),
            )
            for number, entry in enumerate(journal.entries)
        ]
        with self._writing() as db:
            db.execute(_ADD["session"], _session_values(session))
            before = db.total_changes
            db.executemany(_ADD["entry"], rows)
            return db.total_changes - before

    # --- asking ----------------------------------------------------------------------------------

    def machines(self) -> tuple[str, ...]:
        """All machines of the record, by name."""
        return tuple(
            name for (name,) in self._rows("SELECT DISTINCT machine FROM session ORDER BY machine")
        )

    def sessions(self, machine: str | None = None, *, limit: int = 1000) -> tuple[SessionRow, ...]:
        """Sessions, newest first."""
        rows = self._rows(
            "SELECT id, at, machine, port, family, identity, agent FROM session "
            "WHERE ?1 IS NULL OR machine = ?1 ORDER BY at DESC, id DESC LIMIT ?2",
            (machine, limit),
        )
        return tuple(SessionRow(*row) for row in rows)

    def entries(
        self,
        machine: str | None = None,
        *,
        kinds: Sequence[str] = (),
        since: str = "",
        until: str = "9999",
        text: str = "",
        limit: int = 1000,
    ) -> tuple[EntryRow, ...]:
        """Entries, newest first: of a machine, of some kinds, in a time, holding a text."""
        marks = ", ".join("?" * len(kinds))
        where = ["e.at >= ?", "e.at < ?"]
        values: list[Any] = [since, until]
        if machine is not None:
            where.append("s.machine = ?")
            values.append(machine)
        if kinds:
            where.append(f"e.kind IN ({marks})")
            values += kinds
        if text:
            where.append("instr(e.body, ?) > 0")
            values.append(text)
        rows = self._rows(
            "SELECT e.id, e.session, e.at, e.kind, e.body, s.machine "
            "FROM session s CROSS JOIN entry e ON e.session = s.id "
            f"WHERE {' AND '.join(where)} ORDER BY e.at DESC, e.id DESC LIMIT ?",
            (*values, limit),
        )
        return tuple(_entry(row) for row in rows)

    def entry(self, tail: str) -> EntryRow:
        """The entry whose identity ends in `tail` (see `EntryRow.short`).

        Raises Refused for none or several.
        """
        rows = self._rows(
            "SELECT e.id, e.session, e.at, e.kind, e.body, s.machine "
            "FROM entry e JOIN session s ON s.id = e.session "
            "WHERE substr(e.id, -length(?1)) = ?1 LIMIT 2",
            (tail,),
        )
        if len(rows) != 1:
            what = "several entries end" if rows else "no entry ends"
            raise Refused(f"{what} in {tail!r}", remedy="'log list' shows them")
        return _entry(rows[0])

    def lines(self, session: str) -> tuple[LineRow, ...]:
        """All lines of a session, in order."""
        rows = self._rows(
            "SELECT session, n, at, way, text FROM line WHERE session = ? ORDER BY n", (session,)
        )
        return tuple(LineRow(*row) for row in rows)

    def trend(self, machine: str, key: str) -> tuple[Point, ...]:
        """A figure over time, oldest first: `steps_per_mm.z`, or `estimate.z_scale`."""
        rows = self._rows(
            "SELECT e.at, f.value, f.u, e.id FROM session s "
            "CROSS JOIN entry e ON e.session = s.id "
            "CROSS JOIN figure f ON f.entry = e.id AND f.key = ?2 "
            "WHERE s.machine = ?1 ORDER BY e.at, e.id",
            (machine, key),
        )
        return tuple(Point(*row) for row in rows)

    # --- export and merge ------------------------------------------------------------------------

    def export(self, machine: str | None = None) -> Iterator[str]:
        """The record (of one machine) as JSON lines, parents before children."""
        yield _json({"format": EXPORT_FORMAT})
        for table, columns in _COLUMNS.items():
            query = f"SELECT {', '.join(f't.{c}' for c in columns)} FROM {table} t {_OF[table]}"
            with _words(self.path):
                for row in self._db.execute(query, {"machine": machine}):
                    yield _json({"table": table, **dict(zip(columns, row, strict=True))})

    def merge(self, lines: Iterable[str], source: str = "merged file") -> int:
        """Add what another record exported, all of it or nothing; how many rows were new.

        Raises BadInput for lines that are no export, Refused for a row that is here already
        with another content.
        """
        new = 0
        with self._writing() as db:
            for table, values in checked_rows(lines, source, _COLUMNS):
                added = db.execute(_ADD[table], values).rowcount
                new += added
                if not added:
                    self._refuse_other(table, values, source)
        return new

    def _refuse_other(self, table: str, values: tuple[Any, ...], source: str) -> None:
        columns = _COLUMNS[table]
        same = " AND ".join(f"{column} IS ?" for column in columns)
        if not self._db.execute(f"SELECT 1 FROM {table} WHERE {same}", values).fetchone():
            raise Refused(
                f"{source} holds a {table} with the identity of one here and another content "
                f"({values[0]})",
                remedy="One of the two was changed by hand. Nothing was merged",
            )


class Session:
    """One session while it lasts: notes at once, traffic in batches."""

    def __init__(self, record: Record, row: SessionRow) -> None:
        self.row = row
        self._record = record
        self._lines: list[tuple[str, int, float, str, str]] = []
        self._count = 0
        self.trouble = ""  #: why traffic could not be kept so far
        self._kept_at = time.monotonic()

    def note(
        self,
        kind: Kind,
        body: Mapping[str, Any],
        figures: Mapping[str, tuple[float, float | None]] | None = None,
    ) -> str:
        """Keep one thing; `figures` maps keys to values and their standard uncertainties.

        Returns the identity of the entry.  Traffic so far is kept along with it.
        """
        identity = new_identity()
        with self._record._writing() as db:
            self._keep_lines(db)
            db.execute(_INSERT["entry"], (identity, self.row.id, utc_now(), kind, _json(body)))
            db.executemany(
                _INSERT["figure"],
                [(identity, key, value, u) for key, (value, u) in (figures or {}).items()],
            )
        self._lines_kept()
        return identity

    def readback(self, readback: Readback) -> str:
        """Keep a reading; its settings become figures, unless it is damaged."""
        figures = {} if readback.damaged else readback.settings
        return self.note(
            "readback",
            readback.to_plain(),
            {key: (s.value, None) for key, s in figures.items()},
        )

    def estimate(self, plain: Mapping[str, Any]) -> str:
        """Keep an estimate (as `solve --json` gives it); its parameters become figures."""
        parameters: Mapping[str, Any] = plain.get("parameters", {})
        return self.note(
            "estimate",
            plain,
            {f"estimate.{key}": (p["value"], p["u"]) for key, p in parameters.items()},
        )

    def traffic(self, at: float, way: Literal[">", "<"], text: str) -> None:
        """Keep one line on the wire; fits `Link.on_traffic`.

        Never raises: a record that cannot be written must not break what is on the wire.  The
        lines wait, `trouble` says why, and the next `note` or `flush` raises.
        """
        self._count += 1
        self._lines.append((self.row.id, self._count, at, way, text))
        if len(self._lines) >= BATCH_LINES or time.monotonic() - self._kept_at >= BATCH_SECONDS:
            try:
                self.flush()
            except Refused as refusal:
                self.trouble = refusal.what
                self._kept_at = time.monotonic()

    def flush(self) -> None:
        """Keep all traffic so far."""
        if self._lines:
            with self._record._writing() as db:
                self._keep_lines(db)
            self._lines_kept()

    def _lines_kept(self) -> None:
        self._lines.clear()
        self._kept_at = time.monotonic()
        self.trouble = ""

    def _keep_lines(self, db: sqlite3.Connection) -> None:
        db.executemany(_INSERT["line"], self._lines)


# --- rows ----------------------------------------------------------------------------------------

_JOURNALS: Final = uuid.UUID("6f0c3f6e-0d0e-5a40-9b52-7c1d2a6f1b10")

_COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "session": ("id", "at", "machine", "port", "family", "identity", "agent"),
    "entry": ("id", "session", "at", "kind", "body"),
    "figure": ("entry", "key", "value", "u"),
    "line": ("session", "n", "at", "way", "text"),
}

#: Rows of one machine, or all.
_OF: Final = {
    "session": "WHERE :machine IS NULL OR t.machine = :machine",
    "entry": "JOIN session s ON s.id = t.session WHERE :machine IS NULL OR s.machine = :machine",
    "figure": "JOIN entry e ON e.id = t.entry JOIN session s ON s.id = e.session "
    "WHERE :machine IS NULL OR s.machine = :machine",
    "line": "JOIN session s ON s.id = t.session WHERE :machine IS NULL OR s.machine = :machine",
}


_last_instant = 0


def new_identity() -> str:
    """An identity that no other row has, later ones sorting behind earlier ones.

    A UUID of version 8 (RFC 9562, 5.8): 60 bits of time in units of 16 ns, the rest at random.
    """
    global _last_instant
    _last_instant = instant = max(time.time_ns() >> 4, _last_instant + 1)
    high, low = instant >> 12, instant & 0xFFF
    tail = secrets.randbits(62)
    return str(uuid.UUID(int=high << 80 | 8 << 76 | low << 64 | 2 << 62 | tail))


def _insert(table: str, verb: str) -> str:
    columns = _COLUMNS[table]
    return f"{verb} INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"


_INSERT: Final = {table: _insert(table, "INSERT") for table in _COLUMNS}
_ADD: Final = {table: _insert(table, "INSERT OR IGNORE") for table in _COLUMNS}


def _session_values(row: SessionRow) -> tuple[str, ...]:
    return (row.id, row.at, row.machine, row.port, row.family, row.identity, row.agent)


def _entry(row: Sequence[Any]) -> EntryRow:
    return EntryRow(row[0], row[1], row[2], row[3], json.loads(row[4]), row[5])


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _statements(script: str) -> Iterator[str]:
    """Statements of a script one by one: as a whole it would commit what went before."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


# --- what can go wrong ---------------------------------------------------------------------------

_MOVE: Final = "Set PLUMBELT_HOME to another folder, or move the file. It was left as it is"

_WORDS: Final[tuple[tuple[str, str, str], ...]] = (
    ("not a database", "is no record: something else wrote it", _MOVE),
    (
        "malformed",
        "is damaged",
        "Move it aside (keep it): a new record will be begun. Journals and profiles are not "
        "affected",
    ),
    ("disk is full", "could not be written: the disk is full", "Make room and try again"),
    ("readonly", "can only be read", "Choose another folder with PLUMBELT_HOME"),
    ("unable to open", "could not be opened", "Choose another folder with PLUMBELT_HOME"),
    ("locked", "is held by another agent for too long", "Try again when it is done"),
)


@contextmanager
def _words(path: Path) -> Iterator[None]:
    """Errors of the database in the words of the technician."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        said = str(error)
        for pattern, what, remedy in _WORDS:
            if pattern in said:
                raise Refused(f"The record {path} {what}", remedy=remedy) from error
        if isinstance(error, sqlite3.OperationalError):
            raise Refused(f"The record {path} cannot be used: {said}", remedy=_MOVE) from error
        raise
    except OSError as error:
        raise refusal(error, path, "opened") from error


def set_aside(path: Path | None = None) -> Path:
    """Move a damaged record (with its side files) out of the way; where it is now.

    Nothing of it is deleted.  Raises Refused if it cannot be moved.
    """
    place = path or record_path()
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
    aside = place.with_name(f"{place.stem}.damaged-{stamp}{place.suffix}")
    try:
        for suffix in ("-wal", "-shm", ""):
            part = place.with_name(place.name + suffix)
            if part.exists():
                part.rename(aside.with_name(aside.name + suffix))
    except OSError as error:
        raise refusal(error, place, "moved aside") from error
    return aside
