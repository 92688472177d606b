"""Milestones: one row of each entry that a machine's life is told by, with its figures beside it.

They hold nothing of their own.  Triggers derive them from entries and figures as these come in,
and `refill` derives them anew from all there are: both give the same rows, in whatever order the
entries came.  Questions of a fleet read them machine by machine, and no body of an entry with them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from agent.store.tables import Column, Engine, Table

#: Kinds of entries that are milestones.  An outcome of a write is a milestone of the kind
#: `written` (outcomes that were read back and no more are of a write, others of a proof), and a
#: note that may name a new part one of the kind `part`.
KINDS: Final = ("readback", "estimate", "outcome", "begin", "note", "proof")

#: Kinds whose newest entry `latest` tells; beside them `written`, and the newest of any kind under
#: an empty name: whoever had the machine last.
LATEST: Final = ("estimate", "outcome")

#: Errors of an estimate: each has its value and standard uncertainty (`..._u`).
ERRORS: Final = (
    *("x_scale", "y_scale", "z_scale"),
    *("gantry_angle_deg", "yaw_deg", "rail_deg", "roll_deg"),
)
#: Steps per mm of a read-back.
STEPS_OF: Final = ("x", "y", "z")


#: Columns that a figure fills: kind of the entry, key of the figure, column, which part of it.
_FILLED: Final = (
    *(("estimate", f"estimate.{name}", name, "value") for name in ERRORS),
    *(("estimate", f"estimate.{name}", f"{name}_u", "u") for name in ERRORS),
    *(("readback", f"steps_per_mm.{axis}", f"{axis}_steps", "value") for axis in STEPS_OF),
)

MILESTONE: Final = Table(
    "milestone",
    (
        *(Column(name) for name in ("machine", "at", "entry", "kind", "session", "bench")),
        *(Column(column, "real", may_lack=True) for _, _, column, _ in _FILLED),
    ),
    key=("machine", "at", "entry"),
)

#: How each engine finds a text within another.
_FIND: Final[Mapping[Engine, str]] = {"sqlite": "instr", "postgresql": "strpos"}

_WRITES: Final = ('"stages":["read back"]', '"stages":[]')
_PARTS: Final = ('"belt"', '"roller"', '"flash"')


def _holds(engine: Engine, entry: str, kind: str, texts: tuple[str, ...]) -> str:
    found = " OR ".join(f"{_FIND[engine]}({entry}.body, '{text}') > 0" for text in texts)
    return f"{entry}.kind = '{kind}' AND ({found})"


def writes(engine: Engine, entry: str) -> str:
    """The condition that an entry is the outcome of a write."""
    return _holds(engine, entry, "outcome", _WRITES)


def _kind(engine: Engine, entry: str) -> str:
    return (
        f"CASE WHEN {writes(engine, entry)} THEN 'written' "
        f"WHEN {_holds(engine, entry, 'note', _PARTS)} THEN 'part' ELSE {entry}.kind END"
    )


def _listed(texts: tuple[str, ...]) -> str:
    return ", ".join(f"'{text}'" for text in dict.fromkeys(texts))


def _keys(kind: str) -> tuple[str, ...]:
    return tuple(key for of, key, _, _ in _FILLED if of == kind)


_IS_ONE: Final = f"IN ({_listed(KINDS)})"

#: The head of each row; its figures follow.
_HEAD: Final = "INSERT INTO milestone (machine, at, entry, kind, session, bench"


def _gathered(figures: str) -> str:
    """Figures side by side, one row of an entry."""
    columns = ", ".join(
        f"max(CASE WHEN f.key = '{key}' THEN f.{part} END) AS {column}"
        for _, key, column, part in _FILLED
    )
    wanted = " OR ".join(  # the kind as a value made up: entries are found by their identity
        f"(e.kind || '') = '{kind}' AND f.key IN ({_listed(_keys(kind))})"
        for kind in ("estimate", "readback")
    )
    return (
        f"SELECT f.entry, {columns} FROM {figures} f JOIN entry e ON e.id = f.entry "
        f"WHERE {wanted} GROUP BY f.entry"
    )


def refill(engine: Engine) -> str:
    """The statements that derive everything anew from all entries and figures."""
    names = ", ".join(column for _, _, column, _ in _FILLED)
    return (
        "DELETE FROM milestone;\nDELETE FROM latest;\n"
        f"{_HEAD}, {names}) SELECT s.machine, e.at, e.id, {_kind(engine, 'e')}, e.session, "
        f"coalesce(o.bench, ''), {names} FROM entry e JOIN session s ON s.id = e.session "
        f"LEFT JOIN origin o ON o.session = s.id LEFT JOIN ({_gathered('figure')}) g "
        f"ON g.entry = e.id WHERE e.kind {_IS_ONE};\n"
        f"{_recount('true', 'true')};\n"
    )


def _recount(of_session: str, of_milestone: str) -> str:
    """The statement that tells the newest anew: of some sessions `s` and their milestones `m`.

    From milestones that are right already, and of entries no more than their times.
    """
    told = (
        "SELECT s.machine AS machine, '' AS kind, coalesce(o.bench, '') AS bench, e.at AS at, "
        "e.id AS id FROM session s JOIN entry e ON e.session = s.id "
        f"LEFT JOIN origin o ON o.session = s.id WHERE {of_session}",
        "SELECT m.machine, CASE WHEN m.kind = 'written' THEN 'outcome' ELSE m.kind END, m.bench, "
        f"m.at, m.entry FROM milestone m WHERE m.kind IN ({_listed((*LATEST, 'written'))}) "
        f"AND {of_milestone}",
        "SELECT m.machine, 'written', m.bench, m.at, m.entry FROM milestone m "
        f"WHERE m.kind = 'written' AND {of_milestone}",
    )
    return (
        "INSERT INTO latest (machine, kind, bench, at, entry) "
        "SELECT machine, kind, bench, at, id FROM (SELECT machine, kind, bench, at, id, "
        "row_number() OVER (PARTITION BY machine, kind, bench ORDER BY at DESC, id DESC) AS place "
        f"FROM ({' UNION ALL '.join(told)}) told) placed WHERE place = 1"
    )


#: What a later entry of the same machine, kind and bench does to `latest`, whichever came first.
NEWER: Final = (
    "ON CONFLICT (machine, kind, bench) DO UPDATE SET at = excluded.at, entry = excluded.entry "
    "WHERE (excluded.at, excluded.entry) > (latest.at, latest.entry)"
)

#: Notes of new parts are few among all milestones, and cards among all documents.
_INDEXES: Final = (
    "CREATE INDEX milestone_part ON milestone (machine, at) WHERE kind = 'part';\n"
    "CREATE INDEX document_kind ON document (kind, at);\n"
)


# --- SQLite --------------------------------------------------------------------------------------


def _figure_arrives(kind: str, key: str) -> str:
    filled = ", ".join(f"{column} = NEW.{part}" for _, k, column, part in _FILLED if k == key)
    of = "SELECT {} FROM entry e JOIN session s ON s.id = e.session WHERE e.id = NEW.entry"
    return (
        f"CREATE TRIGGER figure_{key.replace('.', '_')} AFTER INSERT ON figure "
        f"WHEN NEW.key = '{key}' BEGIN\n"
        f"    UPDATE milestone SET {filled} WHERE machine = ({of.format('s.machine')}) "
        f"AND at = ({of.format('e.at')}) AND entry = NEW.entry AND kind = '{kind}';\n"
        "END;\n"
    )


def _newest(kind: str) -> str:
    return (
        "    INSERT INTO latest (machine, kind, bench, at, entry) "
        f"SELECT s.machine, {kind}, coalesce(o.bench, ''), NEW.at, NEW.id "
        f"FROM session s LEFT JOIN origin o ON o.session = s.id WHERE s.id = NEW.session {NEWER};\n"
    )


#: Takes a record that had `latest` in the order of arrivals to one that has milestones.
SQLITE: Final = (
    MILESTONE.create("sqlite")
    + _INDEXES
    + "DROP TRIGGER entry_arrives;\nDROP TRIGGER write_arrives;\n"
    + refill("sqlite")
    + "CREATE TRIGGER entry_arrives AFTER INSERT ON entry BEGIN\n"
    + "    INSERT INTO arrival (what, id) VALUES ('entry', NEW.id);\n"
    + _newest("''")
    + "END;\n"
    + f"CREATE TRIGGER latest_arrives AFTER INSERT ON entry WHEN NEW.kind IN ({_listed(LATEST)}) "
    + f"BEGIN\n{_newest('NEW.kind')}END;\n"
    + f"CREATE TRIGGER milestone_arrives AFTER INSERT ON entry WHEN NEW.kind {_IS_ONE} BEGIN\n"
    + f"    {_HEAD}) SELECT s.machine, NEW.at, NEW.id, {_kind('sqlite', 'NEW')}, NEW.session, "
    + "coalesce(o.bench, '') FROM session s LEFT JOIN origin o ON o.session = s.id "
    + "WHERE s.id = NEW.session;\n"
    + "END;\n"
    + f"CREATE TRIGGER write_arrives AFTER INSERT ON entry WHEN {writes('sqlite', 'NEW')} BEGIN\n"
    + _newest("'written'")
    + "END;\n"
    + "".join(
        _figure_arrives(kind, key)
        for kind in ("estimate", "readback")
        for key in dict.fromkeys(_keys(kind))
    )
)


_MACHINE: Final = "(SELECT machine FROM session WHERE id = NEW.session)"

#: What was merged from a file came without its bench, which may come to be known: then the session
#: arrives anew, for those who have looked at it already.
SQLITE_LATE: Final = (
    "CREATE TRIGGER origin_late AFTER INSERT ON origin\n"
    "WHEN EXISTS (SELECT 1 FROM entry WHERE session = NEW.session)\n"
    "    OR EXISTS (SELECT 1 FROM line WHERE session = NEW.session)\n"
    "BEGIN\n"
    "    INSERT INTO arrival (what, id) VALUES ('session', NEW.session);\n"
    "    UPDATE milestone SET bench = NEW.bench "
    f"WHERE machine = {_MACHINE} AND session = NEW.session;\n"
    f"    DELETE FROM latest WHERE machine = {_MACHINE};\n"
    f"    {_recount(f's.machine = {_MACHINE}', f'm.machine = {_MACHINE}')};\n"
    "END;\n"
)


# --- PostgreSQL ----------------------------------------------------------------------------------

#: Rows come in by portions and find what they belong to by its key.  Statements are planned anew
#: for each portion (EXECUTE): a plan of the first, when the tables are empty, would stay.
_BY_KEY: Final = " ".join(
    f"SET enable_{way} = off" for way in ("hashjoin", "mergejoin", "seqscan", "bitmapscan")
)


def postgresql(schema: str, readers: str) -> str:
    """The same for the shared record in `schema`; the roles `readers` may read it."""
    head = (
        "RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER "
        f"SET search_path = {schema}, pg_temp {_BY_KEY} AS $$\n"
    )
    filled = ", ".join(f"{c} = coalesce(g.{c}, m.{c})" for _, _, c, _ in _FILLED)
    fresh = "FROM fresh e JOIN session s ON s.id = e.session LEFT JOIN origin o ON o.session = s.id"
    milestones = (
        f"{_HEAD}) SELECT s.machine, e.at, e.id, {_kind('postgresql', 'e')}, e.session, "
        f"coalesce(o.bench, '') {fresh} WHERE e.kind {_IS_ONE}"
    )
    told = (
        f"SELECT s.machine AS machine, {kind} AS kind, coalesce(o.bench, '') AS bench, "
        f"e.at AS at, e.id AS id {fresh} WHERE {condition}"
        for kind, condition in (
            ("''", "true"),
            ("e.kind", f"e.kind IN ({_listed(LATEST)})"),
            ("'written'", writes("postgresql", "e")),
        )
    )
    latest = (
        "INSERT INTO latest (machine, kind, bench, at, entry) "
        "SELECT DISTINCT ON (machine, kind, bench) machine, kind, bench, at, id "
        f"FROM ({' UNION ALL '.join(told)}) told "
        f"ORDER BY machine, kind, bench, at DESC, id DESC {NEWER}"
    )
    figures = (
        f"UPDATE milestone m SET {filled} FROM ({_gathered('fresh')}) g "
        "JOIN entry e ON e.id = g.entry JOIN session s ON s.id = e.session "
        "WHERE m.machine = s.machine AND m.at = e.at AND m.entry = e.id"
    )
    return (
        MILESTONE.create("postgresql")
        + _INDEXES
        + refill("postgresql")
        + f"CREATE OR REPLACE FUNCTION entries_arrive() {head}"
        + "BEGIN\n"
        + "    INSERT INTO arrival (what, id) SELECT 'entry', id FROM fresh;\n"
        + f"    EXECUTE $do${latest}$do$;\n"
        + f"    EXECUTE $do${milestones}$do$;\n"
        + "    RETURN NULL;\nEND $$;\n"
        + f"CREATE FUNCTION figures_arrive() {head}"
        + f"BEGIN\n    EXECUTE $do${figures}$do$;\n"
        + "    RETURN NULL;\nEND $$;\n"
        + "CREATE TRIGGER figure_arrives AFTER INSERT ON figure REFERENCING NEW TABLE AS fresh "
        + "FOR EACH STATEMENT EXECUTE FUNCTION figures_arrive();\n"
        + "REVOKE ALL ON milestone FROM PUBLIC;\n"
        + "REVOKE ALL ON FUNCTION figures_arrive() FROM PUBLIC;\n"
        + f"GRANT SELECT ON milestone TO {readers};\n"
    )


def postgresql_late(schema: str) -> str:
    """As `SQLITE_LATE`, for the shared record."""
    found = _recount("s.machine = ANY(machines)", "m.machine = ANY(machines)")
    return (
        "CREATE FUNCTION origins_arrive() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER "
        f"SET search_path = {schema}, pg_temp {_BY_KEY} AS $$\n"
        "DECLARE late text[]; machines text[];\n"
        "BEGIN\n"
        "    late := ARRAY(SELECT f.session FROM fresh f\n"
        "        WHERE EXISTS (SELECT 1 FROM entry e WHERE e.session = f.session)\n"
        "            OR EXISTS (SELECT 1 FROM line l WHERE l.session = f.session));\n"
        "    IF cardinality(late) = 0 THEN RETURN NULL; END IF;\n"
        "    machines := ARRAY(SELECT DISTINCT s.machine FROM session s WHERE s.id = ANY(late));\n"
        "    INSERT INTO arrival (what, id) SELECT 'session', unnest(late);\n"
        "    UPDATE milestone m SET bench = o.bench FROM session s JOIN origin o\n"
        "        ON o.session = s.id WHERE s.id = ANY(late) AND m.machine = s.machine\n"
        "        AND m.session = s.id;\n"
        "    DELETE FROM latest WHERE machine = ANY(machines);\n"
        f"    {found};\n"
        "    RETURN NULL;\nEND $$;\n"
        "CREATE TRIGGER origin_late AFTER INSERT ON origin REFERENCING NEW TABLE AS fresh "
        "FOR EACH STATEMENT EXECUTE FUNCTION origins_arrive();\n"
        "REVOKE ALL ON FUNCTION origins_arrive() FROM PUBLIC;\n"
    )
