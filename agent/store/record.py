"""The record: what was read, measured, estimated, planned, sent, answered and proved, and when.

One SQLite file in the data folder, only ever added to.  Every row has an identity of its own, so
that records of several laptops can be merged in any order, and merging twice changes nothing.
Several agents may write at once; one that is killed leaves everything that it had noted.
"""

from __future__ import annotations

import json
import sqlite3
import time
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import astuple
from pathlib import Path
from typing import Any, Final, Literal
from urllib.parse import quote

from agent import __version__
from agent.errors import Refused
from agent.store.benches import own_bench
from agent.store.checks import Misfit
from agent.store.database import Damaged, Database, set_aside
from agent.store.home import home
from agent.store.journal import JournalFile, utc_now
from agent.store.merging import EXPORT_FORMAT, checked_rows, keep_apart
from agent.store.rows import (
    ADD,
    COLUMNS,
    INSERT,
    JOURNALS,
    OF_MACHINE,
    EntryRow,
    LineRow,
    Point,
    SessionRow,
    as_json,
    checked_json,
    entry_of,
    figures_of,
    new_identity,
)
from agent.store.schema import STEPS
from agent.store.tables import TABLES

#: Rows of traffic that are kept together, and for how long at most, in seconds.
BATCH_LINES: Final = 4096
BATCH_SECONDS: Final = 0.5


def record_path() -> Path:
    """The user's record; the file may not exist yet."""
    return home() / "record.db"


def open_record(path: Path | None = None) -> tuple[Record, str]:
    """The user's record, and what is to be said of it; the latter is empty as a rule.

    A damaged one is moved aside (nothing of it is deleted), and what can be read of it is taken
    over into a new one.  Raises Refused as `Record` does for everything else.
    """
    place = path or record_path()
    try:
        return Record(place), ""
    except Damaged as damaged:
        what = damaged.what
    return renewed(place, what)


def renewed(place: Path, what: str) -> tuple[Record, str]:
    """A new record with what can be read of the damaged one, which is moved aside."""
    aside = set_aside(place)
    record = Record(place)
    taken = record.salvage(aside)
    return record, (
        f"{what}. It was moved aside to {aside}, and {taken} rows that could be read were taken"
        " over into a new one"
    )


class Record(Database):
    """The record in one file; use as a context manager."""

    def __init__(self, path: Path | None = None, *, steps: Sequence[str] = STEPS) -> None:
        """Open the record, or begin one; errors as of `agent.store.database.Database`."""
        #: entries that were left out as they fit no kind or were damaged, and why
        self.unreadable: dict[str, str] = {}
        super().__init__(path or record_path(), steps=steps)

    # --- adding ----------------------------------------------------------------------------------

    def begin(
        self, machine: str, *, port: str = "", family: str = "", identity: str = ""
    ) -> Session:
        """Begin a session; what is noted in it is safe when the call returns."""
        row = SessionRow(new_identity(), utc_now(), machine, port, family, identity, __version__)
        with self.writing() as db:
            db.execute(INSERT["session"], astuple(row))
            db.execute(INSERT["origin"], (row.id, own_bench(db)))
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
            str(uuid.uuid5(JOURNALS, journal.path.name)),
            str(head.get("at", "")),
            journal.machine,
            "",
            str(plan.get("family", "")),
            str(plan.get("identity", "")),
            __version__,
        )
        rows = [
            (
                # The number first: entries of one instant keep their order.
                f"{number:08x}-{uuid.uuid5(JOURNALS, f'{journal.path.name}#{number}')}",
                session.id,
                str(entry.get("at", "")),
                "journal",
                checked_json(entry),
            )
            for number, entry in enumerate(journal.entries)
        ]
        with self.writing() as db:
            db.execute(ADD["session"], astuple(session))
            db.execute(ADD["origin"], (session.id, own_bench(db)))
            return db.executemany(ADD["entry"], rows).rowcount

    # --- asking ----------------------------------------------------------------------------------

    def machines(self) -> tuple[str, ...]:
        """All machines of the record, by name."""
        return tuple(
            name for (name,) in self.rows("SELECT DISTINCT machine FROM session ORDER BY machine")
        )

    def sessions(self, machine: str | None = None, *, limit: int = 1000) -> tuple[SessionRow, ...]:
        """Sessions, newest first."""
        rows = self.rows(
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
            # Of several kinds the newest are found by time alone, not by collecting each kind: the
            # kind as a value made up is no reason to take its index.
            by_time = machine is None and len(kinds) > 1
            where.append(f"{'(e.kind || ?)' if by_time else 'e.kind'} IN ({marks})")
            values += [""] * by_time
            values += kinds
        if text:
            where.append("instr(e.body, ?) > 0")
            values.append(text)
        # A machine's entries are found by its sessions; those of all machines by their time.
        tables = ("entry e", "session s") if machine is None else ("session s", "entry e")
        rows = self.rows(
            "SELECT e.id, e.session, e.at, e.kind, e.body, s.machine "
            f"FROM {' CROSS JOIN '.join(tables)} ON e.session = s.id "
            f"WHERE {' AND '.join(where)} ORDER BY e.at DESC, e.id DESC LIMIT ?",
            (*values, limit),
        )
        return tuple(self._readable(rows))

    def _readable(self, rows: Iterable[Sequence[Any]]) -> Iterator[EntryRow]:
        """Entries whose body is one of their kind; the others are counted in `unreadable`."""
        for row in rows:
            try:
                yield entry_of(row)
            except Misfit as wrong:
                self.unreadable[str(row[0])] = f"the {row[3]} of {row[2]} cannot be read: {wrong}"

    def events(self, machine: str) -> tuple[EntryRow, ...]:
        """Everything that was noted of a machine; damaged entries are named in `unreadable`."""
        rows = self.rows(
            "SELECT e.id, e.session, e.at, e.kind, e.body, s.machine "
            "FROM session s CROSS JOIN entry e ON e.session = s.id WHERE s.machine = ?",
            (machine,),
        )
        return tuple(self._readable(rows))

    def last_machine(self) -> str:
        """The machine that was on the bench last; empty in a new record."""
        rows = self.rows("SELECT machine FROM session ORDER BY at DESC, id DESC LIMIT 1")
        return str(rows[0][0]) if rows else ""

    def machine_of(self, family: str, identity: str, serial: str, port: str) -> str:
        """Name of the machine whose controller names itself so; empty where that is not certain.

        A USB serial number tells alone.  Without one, several machines may run the same firmware:
        then it is the one that was last on this port, if it is one of them.
        """
        rows = self.rows(
            "SELECT s.machine, s.port, e.body FROM entry e JOIN session s ON s.id = e.session "
            "WHERE e.kind = 'attached' AND s.family = ? AND s.identity = ? "
            "ORDER BY e.at DESC, e.id DESC LIMIT 500",
            (family, identity),
        )
        known = []
        for machine, at_port, text in rows:
            with suppress(ValueError):
                known.append((machine, at_port, str(json.loads(text).get("serial") or "")))
        if serial:
            # some makers give every piece the same serial number
            known = [one for one in known if one[2] == serial] or [o for o in known if not o[2]]
        names = list(dict.fromkeys(machine for machine, _, _ in known))
        if len(names) == 1:
            return str(names[0])
        there = [machine for machine, at_port, _ in known if at_port == port]
        return str(there[0]) if there else ""

    def entry(self, tail: str) -> EntryRow:
        """The entry whose identity ends in `tail` (see `EntryRow.short`).

        Raises Refused for none or several.
        """
        rows = self.rows(
            "SELECT e.id, e.session, e.at, e.kind, e.body, s.machine "
            "FROM entry e JOIN session s ON s.id = e.session "
            "WHERE substr(e.id, -length(?1)) = ?1 LIMIT 2",
            (tail,),
        )
        if len(rows) != 1:
            what = "several entries end" if rows else "no entry ends"
            raise Refused(f"{what} in {tail!r}", remedy="'log list' shows them")
        try:
            return entry_of(rows[0])
        except Misfit as wrong:
            raise Refused(
                f"the entry {rows[0][0]} is none of its kind: {wrong}",
                remedy="Something else wrote it. It was left as it is",
            ) from wrong

    def lines(self, session: str) -> tuple[LineRow, ...]:
        """All lines of a session, in order."""
        rows = self.rows(
            "SELECT session, n, at, way, text FROM line WHERE session = ? ORDER BY n", (session,)
        )
        return tuple(
            LineRow(session, n + after, at, way, text)
            for session, n, at, way, together in rows
            for after, text in enumerate(together.split("\n"))
        )

    def trend(self, machine: str, key: str) -> tuple[Point, ...]:
        """A figure over time, oldest first: `steps_per_mm.z`, or `estimate.z_scale`."""
        rows = self.rows(
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
        yield as_json({"format": EXPORT_FORMAT})
        for table, columns in COLUMNS.items():
            query = (
                f"SELECT {', '.join(f't.{c}' for c in columns)} FROM {table} t {OF_MACHINE[table]}"
            )
            for row in self.each(query, {"machine": machine}):
                yield as_json({"table": table, **dict(zip(columns, row, strict=True))})

    def merge(self, lines: Iterable[str], source: str = "merged file") -> int:
        """Add what another record exported, all of it or nothing; how many rows were new.

        Entries that are none of their kind are kept apart (`apart` counts them), with their
        figures.  Raises BadInput for lines that are no export, Refused for a row that is here
        already with another content.
        """
        new = 0
        misfits: set[str] = set()
        with self.writing() as db:
            for table, values, wrong in checked_rows(lines, source, COLUMNS):
                if wrong or (table == "figure" and values[0] in misfits):
                    misfits.add(str(values[0]))
                    keep_apart(db, table, values, source, wrong or "its entry is kept apart")
                    continue
                added = db.execute(ADD[table], values).rowcount
                new += added
                if not added:
                    self._refuse_other(table, values, source)
        return new

    def salvage(self, path: Path) -> int:
        """Take over what can be read of a damaged record at `path`; how many rows that was."""
        taken = 0
        try:
            old = sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True)
        except sqlite3.Error:
            return 0
        try:
            for table, columns in COLUMNS.items():
                names = ", ".join(columns)
                for order in ("", " DESC"):  # up to the damage from either end
                    ordered = ", ".join(f"{part}{order}" for part in TABLES[table].key)
                    with suppress(sqlite3.Error, UnicodeDecodeError):
                        for row in old.execute(f"SELECT {names} FROM {table} ORDER BY {ordered}"):
                            taken += self._salvaged(table, row)
        finally:
            old.close()
        return taken

    def _salvaged(self, table: str, row: tuple[Any, ...]) -> int:
        """1 if a row could be added; a row that hangs on a lost one cannot."""
        try:
            with self.writing() as db:
                return db.execute(ADD[table], row).rowcount
        except (Refused, sqlite3.Error):
            return 0

    def apart(self) -> dict[str, int]:
        """Foreign rows that fit no record and were kept apart: how many, by why."""
        return dict(self.rows("SELECT why, count(*) FROM apart GROUP BY why ORDER BY why"))

    def _refuse_other(self, table: str, values: tuple[Any, ...], source: str) -> None:
        columns = COLUMNS[table]
        same = " AND ".join(f"{column} IS ?" for column in columns)
        if not self.connection.execute(f"SELECT 1 FROM {table} WHERE {same}", values).fetchone():
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

    def note(self, kind: str, body: Mapping[str, Any]) -> str:
        """Keep one thing, as `keep` does; returns the identity of the entry."""
        entry = EntryRow(new_identity(), self.row.id, utc_now(), kind, body, self.row.machine)
        self.keep(entry)
        return entry.id

    def keep(self, entry: EntryRow) -> None:
        """Keep an entry with its figures, and traffic so far; on the disk when this returns.

        Raises Refused if it cannot be.
        """
        with self._record.writing() as db:
            self._keep_lines(db)
            db.execute(
                INSERT["entry"],
                (entry.id, self.row.id, entry.at, entry.kind, checked_json(entry.body)),
            )
            db.executemany(INSERT["figure"], figures_of(entry))
        self._lines_kept()

    def traffic(self, at: float, way: Literal[">", "<"], *lines: str) -> None:
        """Keep lines that went over the wire together; fits `Link.on_traffic`.

        Never raises: a record that cannot be written must not break what is on the wire.  The
        lines wait, `trouble` says why, and the next `note` or `flush` raises.
        """
        self._lines.append((self.row.id, self._count + 1, at, way, "\n".join(lines)))
        self._count += len(lines)
        if len(self._lines) >= BATCH_LINES or time.monotonic() - self._kept_at >= BATCH_SECONDS:
            try:
                self.flush()
            except Refused as refusal:
                self.trouble = refusal.what
                self._kept_at = time.monotonic()

    def flush(self) -> None:
        """Keep all traffic so far: safe if this process ends, on the disk with the next `note`."""
        if self._lines:
            with self._record.writing(synced=False) as db:
                self._keep_lines(db)
            self._lines_kept()

    def _lines_kept(self) -> None:
        self._lines.clear()
        self._kept_at = time.monotonic()
        self.trouble = ""

    def _keep_lines(self, db: sqlite3.Connection) -> None:
        db.executemany(INSERT["line"], self._lines)
