"""The record's file: opened, brought to the newest schema, written in turn; failures in words."""

from __future__ import annotations

import sqlite3
import threading
import time
import weakref
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Self

from agent.errors import Refused
from agent.store.atomic import make_folder, refusal
from agent.store.schema import APPLICATION_ID, STEPS

#: Seconds to wait for another agent that is writing.
PATIENCE: Final = 10.0

#: Most of the file that is kept in memory, KiB.  What a list of all machines looks at lies far
#: apart; SQLite's own 2,000 KiB would be read anew for each of its questions.
CACHE: Final = 32_000


class Damaged(Refused):
    """The record's file is no whole database any more."""


class Database:
    """One SQLite file with the schema of the record; use as a context manager."""

    def __init__(self, path: Path, *, steps: Sequence[str] = STEPS) -> None:
        """Open the record, or begin one.

        Raises Refused if the file is no record, is damaged, is newer than this plumbelt, or
        cannot be written.  The file is left as it is in each of these cases.
        """
        self.path = path
        self._synced = True
        self._writer = 0  #: thread that is within a transaction
        make_folder(self.path.parent)
        with in_words(self.path):
            self.connection = sqlite3.connect(
                self.path, timeout=PATIENCE, isolation_level=None, check_same_thread=False
            )
        # whoever forgets a record, or dies of something else, leaves no open file behind
        weakref.finalize(self, self.connection.close)
        try:
            with in_words(self.path):
                if cut_short(self.path):
                    raise sqlite3.DatabaseError("malformed: the file was cut short")
                self._prepare(steps)
        except BaseException:
            self.connection.close()
            raise

    def _prepare(self, steps: Sequence[str]) -> None:
        db = self.connection
        # one statement, so that another agent that is just beginning the record is not half seen
        mark, version, tables = db.execute(
            "SELECT a.application_id, v.user_version, (SELECT count(*) FROM sqlite_master) "
            "FROM pragma_application_id a, pragma_user_version v"
        ).fetchone()
        if mark != APPLICATION_ID and tables:
            raise Refused(f"{self.path} is a database of something else", remedy=_MOVE)
        if version > len(steps):
            raise Refused(
                f"{self.path} was written by a newer plumbelt (record version {version}, known "
                f"here up to {len(steps)})",
                remedy="Update plumbelt, or set PLUMBELT_HOME to another folder. "
                "The file was left as it is",
            )
        self._write_ahead()
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        db.execute(f"PRAGMA cache_size = -{CACHE}")
        if version < len(steps):
            self._migrate(version, steps)

    def _write_ahead(self) -> None:
        """Switch to write-ahead logging; SQLite's own patience does not cover this switch."""
        until = time.monotonic() + PATIENCE
        while True:
            try:
                self.connection.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() >= until:
                    raise
                time.sleep(0.02)

    def _migrate(self, version: int, steps: Sequence[str]) -> None:
        """Take the record to the newest version, step by step, wholly or not at all."""
        db = self.connection
        if version:
            copy = self.path.with_name(f"{self.path.stem}.v{version}{self.path.suffix}")
            if not copy.exists():
                db.execute("VACUUM INTO ?", (str(copy),))
        with self.writing():
            now = db.execute("PRAGMA user_version").fetchone()[0]  # another agent may be first
            for step in steps[now:]:
                for statement in statements(step):
                    db.execute(statement)
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {len(steps)}")

    def close(self) -> None:
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def writing(self, *, synced: bool = True) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it or nothing, in turn with other agents.

        synced: on the disk when this returns.  Otherwise it outlives this process, and the power
        once the next synced transaction has come: the log is flushed in its order.

        Within another one of the same thread it is part of that.
        """
        if self._writer == threading.get_ident():
            yield self.connection
            return
        with in_words(self.path):
            if synced is not self._synced:
                self.connection.execute(f"PRAGMA synchronous = {'FULL' if synced else 'NORMAL'}")
                self._synced = synced
            self.connection.execute("BEGIN IMMEDIATE")
            self._writer = threading.get_ident()
            try:
                yield self.connection
            except BaseException:
                if self.connection.in_transaction:  # a full disk rolls back by itself
                    self.connection.execute("ROLLBACK")
                raise
            finally:
                self._writer = 0
            self.connection.execute("COMMIT")

    def rows(self, query: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> list[Any]:
        """All rows of a query."""
        with in_words(self.path):
            return self.connection.execute(query, values).fetchall()

    def each(self, query: str, values: Sequence[Any] | Mapping[str, Any] = ()) -> Iterator[Any]:
        """Rows of a query one by one: however many there are, few are held at a time."""
        with in_words(self.path):
            yield from self.connection.execute(query, values)


#: First bytes of every SQLite file (database file format, 1.3.1).
_MAGIC: Final = b"SQLite format 3\x00"


def head_of(path: Path) -> bytes:
    """The first 100 bytes of a file; none where it cannot be read."""
    try:
        with path.open("rb") as file:
            return file.read(100)
    except OSError:
        return b""


def cut_short(path: Path) -> bool:
    """True if the file is shorter than its own header says (database file format, 1.3.7).

    Nothing else would notice before the missing pages are read.
    """
    header = head_of(path)
    if not header.startswith(_MAGIC):
        return False  # SQLite itself says what that is
    size = int.from_bytes(header[16:18], "big")
    pages = int.from_bytes(header[28:32], "big")
    return len(header) < 100 or path.stat().st_size < pages * (65536 if size == 1 else size)


def statements(script: str) -> Iterator[str]:
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


_DAMAGE: Final = ("not a database", "malformed")


@contextmanager
def in_words(path: Path) -> Iterator[None]:
    """Errors of the database in the words of the technician."""
    try:
        yield
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
        # bytes that are no text stand in the schema itself: no word of SQLite's fits them
        said = "malformed" if isinstance(error, UnicodeDecodeError) else str(error)
        for pattern, what, remedy in _WORDS:
            if pattern in said:
                ours = head_of(path).startswith(_MAGIC)  # what something else wrote is left alone
                kind = Damaged if ours and pattern in _DAMAGE else Refused
                raise kind(f"The record {path} {what}", remedy=remedy) from error
        raise Refused(f"The record {path} cannot be used: {said}", remedy=_MOVE) from error
    except OSError as error:
        raise refusal(error, path, "opened") from error


def set_aside(path: Path) -> Path:
    """Move a damaged record (with its side files) out of the way; where it is now.

    Nothing of it is deleted.  Raises Refused if it cannot be moved.
    """
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S")
    aside = path.with_name(f"{path.stem}.damaged-{stamp}{path.suffix}")
    try:
        for suffix in ("-wal", "-shm", ""):
            part = path.with_name(path.name + suffix)
            if part.exists():
                part.rename(aside.with_name(aside.name + suffix))
    except OSError as error:
        raise refusal(error, path, "moved aside") from error
    return aside
