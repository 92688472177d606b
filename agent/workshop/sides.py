"""Two sides of an exchange that look alike: a bench's own record, and the shared one.

Each side numbers what arrives at it, in order.  A mark says up to which arrival of the other side
one has looked; it is kept together with what was taken, in one transaction, so that a cut at any
moment leaves both or neither.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from agent.store.benches import new_bench, own_bench
from agent.store.merging import keep_apart
from agent.store.record import Record
from agent.store.rows import ADD
from agent.store.tables import LINES, TABLES, UNITS
from agent.workshop.asking import Asked, OwnRecord, Row
from agent.workshop.server import Shared, TakenAlready


@dataclass(frozen=True, slots=True)
class Mark:
    """An arrival at a side: its number, and what arrived."""

    n: int
    what: str
    id: str


#: Tables whose last column may be long.
_LONG: Final = ("entry", "document", LINES)


@dataclass
class Load:
    """Rows on their way, by table; and such that fit no record: (table, row, why)."""

    rows: dict[str, list[Row]] = field(default_factory=dict)
    apart: list[tuple[str, Row, str]] = field(default_factory=list)

    def __len__(self) -> int:
        return sum(map(len, self.rows.values())) + len(self.apart)

    @property
    def size(self) -> int:
        """Characters of bodies, documents and lines: what is long of a load."""
        return sum(len(row[-1]) for table in _LONG for row in self.rows.get(table, ()))

    def join(self, other: Load) -> None:
        """Let the rows of `other` travel with these."""
        for table, rows in other.rows.items():
            self.rows.setdefault(table, []).extend(rows)
        self.apart += other.apart


def heads(side: Asked, after: int, most: int) -> list[Mark]:
    """Arrivals at a side from number `after` on, in order."""
    query = "SELECT n, what, id FROM arrival WHERE n >= :after ORDER BY n LIMIT :most"
    return [Mark(*row) for row in side.ask(query, after=after, most=most)]


def holds(side: Asked, mark: Mark) -> bool:
    """Whether `mark` is an arrival of this side: False once it was restored from a backup.

    The lines of a session may have arrived anew since; then a later arrival is of them.
    """
    found = side.ask("SELECT what, id FROM arrival WHERE n = :n", n=mark.n)
    if found:
        return found[0] == (mark.what, mark.id)
    return mark.what == LINES and bool(
        side.ask(
            "SELECT 1 FROM arrival WHERE what = 'line' AND id = :id AND n > :n",
            id=mark.id,
            n=mark.n,
        )
    )


def lacking(side: Asked, table: str, ids: Sequence[str], key: str = "id") -> list[str]:
    """Which of these rows, named by `key`, a side does not have, in their order."""
    if not ids:
        return []
    there = {
        row[0]
        for row in side.ask(f"SELECT {key} FROM {table} WHERE {key} AMONG :ids", ids=list(ids))
    }
    return [identity for identity in ids if identity not in there]


def line_counts(side: Asked, sessions: Sequence[str]) -> dict[str, int]:
    """Number of the last line that a side has of each session; 0 where it has none."""
    found = side.ask(
        "SELECT session, max(n) FROM line WHERE session AMONG :ids GROUP BY session",
        ids=list(sessions),
    )
    return dict.fromkeys(sessions, 0) | dict(found)


def lines_beyond(side: Side, session: str, n: int, most: int) -> list[Row]:
    where = "session = :session AND n > :n ORDER BY n LIMIT :most"
    return side.fetch(LINES, where, session=session, n=n, most=most)


def in_portions(side: Asked, table: str, ids: Sequence[str], most: int) -> Iterator[list[str]]:
    """`ids` in portions whose bodies are together no longer than `most` characters, or one."""
    long = {"entry": "body", "document": "text"}.get(table)
    if long is None:
        yield list(ids)
        return
    sizes: dict[str, int] = dict(
        side.ask(f"SELECT id, length({long}) FROM {table} WHERE id AMONG :ids", ids=list(ids))
    )
    portion: list[str] = []
    size = 0
    for identity in ids:
        size += sizes.get(identity, 0)
        if portion and size > most:
            yield portion
            portion, size = [], sizes.get(identity, 0)
        portion.append(identity)
    if portion:
        yield portion


def rows_of(side: Side, table: str, ids: Sequence[str]) -> dict[str, list[Row]]:
    """Rows with these identities and what belongs to them, by table, in the order of `ids`."""
    place = {identity: n for n, identity in enumerate(ids)}
    found: dict[str, list[Row]] = {}
    for name, key in ((table, "id"), *((child, table) for child in UNITS[table])):
        at = TABLES[name].names.index(key)
        rows = side.fetch(name, f"{key} AMONG :ids", ids=list(ids))
        found[name] = sorted(rows, key=lambda row: place[row[at]])
    return found


def _fetch(side: Asked, table: str, where: str, values: Mapping[str, Any]) -> list[Row]:
    return side.ask(f"SELECT {', '.join(TABLES[table].names)} FROM {table} WHERE {where}", **values)


# --- the two -------------------------------------------------------------------------------------


class Bench(OwnRecord):
    """The record of this bench as a side; the other one keeps its mark under `identity`."""

    record: Record

    def __init__(self, record: Record) -> None:
        super().__init__(record)
        # Each row has triggers, and SQLite keeps what a statement changes until it is done: as a
        # file that is ten times what is taken.
        record.rows("PRAGMA temp_store = MEMORY")
        with record.writing() as db:
            self.identity = own_bench(db)

    def renew(self) -> None:
        """Go on under a new identity: the other side knows another course of events as ours."""
        with self.record.writing() as db:
            self.identity = new_bench(db)

    def fetch(self, table: str, where: str, **values: Any) -> list[Row]:
        """All columns of the rows of a table for which `where` holds, as they were noted."""
        return _fetch(self, table, where, values)

    def mark_of(self, other: str) -> Mark | None:
        """How far this side has looked at what arrived at `other`."""
        found = self.ask("SELECT n, what, id FROM mark WHERE other = :other", other=other)
        return Mark(*found[0]) if found else None

    def take(self, load: Load, other: str, mark: Mark | None) -> int:
        """Add rows and keep the mark (None: it stays), both or neither; how many were new."""
        new = 0
        # A mark that is lost with the power is looked for anew: it alone need not be synced.
        with self.record.writing(synced=bool(load)) as db:
            for table in TABLES:
                rows = load.rows.get(table)
                if rows:
                    new += db.executemany(ADD[table], rows).rowcount
            for table, row, why in load.apart:
                keep_apart(db, table, row, f"workshop {other}", why)
            if mark is not None:
                db.execute(
                    "INSERT INTO mark VALUES (?, ?, ?, ?) ON CONFLICT (other) DO UPDATE SET "
                    "n = excluded.n, what = excluded.what, id = excluded.id",
                    (other, mark.n, mark.what, mark.id),
                )
        return new

    def add(self, rows: Mapping[str, Iterable[Row]]) -> None:
        """Add rows of this bench's own."""
        with self.record.writing() as db:
            for table, some in rows.items():
                db.executemany(ADD[table], list(some))


class Workshop:
    """The shared record as a side, with the methods of `Bench`."""

    def __init__(self, shared: Shared) -> None:
        self.shared = shared
        self.identity = shared.identity

    def ask(self, query: str, **values: Any) -> list[Row]:
        return self.shared.ask(query, **values)

    def each(self, query: str, **values: Any) -> Iterator[Row]:
        return self.shared.each(query, **values)

    def fetch(self, table: str, where: str, **values: Any) -> list[Row]:
        return _each_raw(table, _fetch(self, table, where, values), _with_nul)

    def mark_of(self, other: str) -> Mark | None:
        found = self.ask(
            "SELECT n, what, id FROM mark WHERE bench = :other ORDER BY row DESC LIMIT 1",
            other=other,
        )
        return Mark(*found[0]) if found else None

    def take(self, load: Load, other: str, mark: Mark | None) -> int:
        try:
            return self._take(load, other, mark, self.shared.copy)
        except TakenAlready:  # another bench brought the same since we asked
            return self._take(load, other, mark, self.shared.add)

    def _take(
        self, load: Load, other: str, mark: Mark | None, add: Callable[[str, list[Row]], int]
    ) -> int:
        new = 0
        with self.shared.writing() as db:
            for table in TABLES:
                if rows := load.rows.get(table):
                    new += add(table, _each_raw(table, rows, _without_nul))
            if mark is not None:
                db.execute(
                    "INSERT INTO mark (bench, n, what, id) VALUES (%s, %s, %s, %s)",
                    (other, mark.n, mark.what, mark.id),
                )
        return new


Side = Bench | Workshop


def _each_raw(table: str, rows: list[Row], change: Callable[[str], str]) -> list[Row]:
    """Rows with `change` made to what came over a wire."""
    raw = [column.raw for column in TABLES[table].columns]
    if not any(raw):
        return rows
    return [
        tuple(change(v) if is_raw else v for v, is_raw in zip(row, raw, strict=True))
        for row in rows
    ]


def _without_nul(text: str) -> str:
    """PostgreSQL keeps no NUL in a text, and a wire may carry one: two characters stand for it."""
    if "\\" not in text and "\x00" not in text:
        return text
    return text.replace("\\", "\\\\").replace("\x00", "\\0")


def _with_nul(text: str) -> str:
    if "\\" not in text:
        return text
    return "\\".join(part.replace("\\0", "\x00") for part in text.split("\\\\"))
