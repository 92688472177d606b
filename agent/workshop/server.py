"""The shared database: PostgreSQL, made by `workshop init`, reached by `postgresql://...`.

Nothing in it is ever changed or deleted: technicians may add and read, readers may read, and
triggers refuse the rest even to the owner.  Writers take turns (an advisory lock for the length of
a transaction), so that rows become visible in the order of their arrival numbers and nobody who
asks for what lies behind a number can miss one.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import lru_cache
from itertools import count
from typing import TYPE_CHECKING, Any, Final, LiteralString, Self

from agent.errors import AgentError, BadInput, LinkFailed, Refused
from agent.store import milestones
from agent.store.rows import new_identity
from agent.store.tables import TABLES, UNITS
from agent.workshop.asking import Row, for_postgresql

if TYPE_CHECKING:
    import psycopg

SCHEMA: Final = "plumbelt"
OWNER, TECHNICIAN, READER = "plumbelt_owner", "plumbelt_technician", "plumbelt_reader"

#: Number of the lock under which writers take turns ("plmb").
_TURN: Final = 0x706C6D62

#: Channel on which those who are at a machine hear of who comes to it.
_CAME: Final = "plumbelt_presence"

#: Rows that travel together where they are asked for one by one.
_AT_ONCE: Final = 5_000

#: What a connection does where the address does not say otherwise, in seconds: a cut cable is
#: noticed, and a server that is not there holds nobody up for long.
_DEFAULTS: Final[Mapping[str, int]] = {
    "connect_timeout": 10,
    "keepalives_idle": 10,
    "keepalives_interval": 5,
    "keepalives_count": 3,
    "tcp_user_timeout": 20_000,  # ms
}

_FUNCTIONS: Final = f"""
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'the record is append-only'; END $$;

CREATE FUNCTION take_turn() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN PERFORM pg_advisory_xact_lock({_TURN}); RETURN NULL; END $$;

CREATE FUNCTION rows_arrive() RETURNS trigger LANGUAGE plpgsql
SECURITY DEFINER SET search_path = {SCHEMA}, pg_temp AS $$
BEGIN
    INSERT INTO arrival (what, id) SELECT TG_TABLE_NAME, id FROM fresh;
    RETURN NULL;
END $$;

CREATE FUNCTION entries_arrive() RETURNS trigger LANGUAGE plpgsql
SECURITY DEFINER SET search_path = {SCHEMA}, pg_temp AS $$
BEGIN
    WITH came AS (INSERT INTO arrival (what, id) SELECT 'entry', id FROM fresh RETURNING n, id),
    told AS (
        SELECT came.n, e.id, e.at, e.session, e.kind FROM came JOIN fresh e ON e.id = came.id
        UNION ALL
        SELECT came.n, e.id, e.at, e.session, 'written' FROM came JOIN fresh e ON e.id = came.id
        WHERE e.kind = 'outcome' AND (e.body LIKE '%"stages":["read back"]%'
            OR e.body LIKE '%"stages":[]%')
    )
    INSERT INTO latest (machine, kind, bench, at, entry)
        SELECT DISTINCT ON (s.machine, e.kind, coalesce(o.bench, ''))
            s.machine, e.kind, coalesce(o.bench, ''), e.at, e.id
        FROM told e JOIN session s ON s.id = e.session
        LEFT JOIN origin o ON o.session = s.id
        ORDER BY s.machine, e.kind, coalesce(o.bench, ''), e.n DESC
        ON CONFLICT (machine, kind, bench) DO UPDATE SET at = excluded.at, entry = excluded.entry;
    RETURN NULL;
END $$;

CREATE FUNCTION lines_arrive() RETURNS trigger LANGUAGE plpgsql
SECURITY DEFINER SET search_path = {SCHEMA}, pg_temp AS $$
BEGIN
    DELETE FROM arrival WHERE what = 'line' AND id IN (SELECT session FROM fresh);
    INSERT INTO arrival (what, id) SELECT DISTINCT 'line', session FROM fresh;
    RETURN NULL;
END $$;

CREATE FUNCTION hold_machine(wanted text, holder text) RETURNS text LANGUAGE plpgsql
SECURITY DEFINER SET search_path = {SCHEMA}, pg_temp AS $$
DECLARE who text;
BEGIN
    IF pg_try_advisory_lock({_TURN}, hashtext(wanted)) THEN
        INSERT INTO presence VALUES (wanted, holder, now())
            ON CONFLICT (machine) DO UPDATE SET holder = excluded.holder, since = excluded.since;
        RETURN NULL;
    END IF;
    SELECT p.holder || ' since ' || to_char(p.since AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI "UTC"')
        INTO who FROM presence p WHERE p.machine = wanted;
    RETURN coalesce(who, 'somebody');
END $$;
"""

#: Whoever is at a machine holds its lock together with the others there, for as long as its
#: connection lasts.  Who comes signs first, in a transaction before, so that nobody is seen without
#: a name; then it takes the lock, tells those who are there, and sees them.
_PRESENCE: Final = f"""
DROP FUNCTION hold_machine(text, text);
DROP TABLE presence;
CREATE TABLE presence (
    machine text COLLATE "C" NOT NULL,
    pid     integer NOT NULL,
    holder  text NOT NULL,
    since   timestamptz NOT NULL,
    PRIMARY KEY (machine, pid)
);

CREATE FUNCTION sign_for(wanted text, holder text) RETURNS void LANGUAGE sql
SECURITY DEFINER SET search_path = {SCHEMA}, pg_temp AS $$
    DELETE FROM presence WHERE machine = wanted AND pid NOT IN (SELECT pid FROM pg_stat_activity);
    INSERT INTO presence VALUES (wanted, pg_backend_pid(), holder, now())
        ON CONFLICT (machine, pid) DO UPDATE SET holder = excluded.holder, since = excluded.since;
$$;

CREATE FUNCTION hold_machine(wanted text) RETURNS text LANGUAGE plpgsql
SECURITY DEFINER SET search_path = {SCHEMA}, pg_temp AS $$
BEGIN
    PERFORM pg_advisory_lock_shared({_TURN}, hashtext(wanted));
    PERFORM pg_notify('{_CAME}', json_build_array(left(wanted, 500), left(p.holder, 500))::text)
        FROM presence p WHERE p.machine = wanted AND p.pid = pg_backend_pid();
    RETURN (
        SELECT string_agg(p.holder || ' since '
            || to_char(p.since AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI "UTC"'),
            ', ' ORDER BY p.since, p.pid)
        FROM pg_locks l JOIN presence p ON p.machine = wanted AND p.pid = l.pid
        WHERE l.locktype = 'advisory' AND l.granted AND l.objsubid = 2
            AND l.classid = {_TURN} AND l.objid = hashtext(wanted)::oid
            AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database())
            AND l.pid <> pg_backend_pid()
    );
END $$;

REVOKE ALL ON presence FROM PUBLIC;
REVOKE ALL ON FUNCTION sign_for(text, text), hold_machine(text) FROM PUBLIC;
GRANT SELECT ON presence TO {TECHNICIAN}, {READER};
GRANT EXECUTE ON FUNCTION sign_for(text, text), hold_machine(text) TO {TECHNICIAN};
"""

_OWN_TABLES: Final = """
CREATE TABLE about (key text PRIMARY KEY, value text NOT NULL);
CREATE TABLE arrival (
    n    bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    what text COLLATE "C" NOT NULL,
    id   text COLLATE "C" NOT NULL
);
CREATE UNIQUE INDEX arrival_line ON arrival (id) WHERE what = 'line';
CREATE TABLE latest (
    machine text COLLATE "C" NOT NULL,
    kind    text COLLATE "C" NOT NULL,
    bench   text COLLATE "C" NOT NULL,
    at      text COLLATE "C" NOT NULL,
    entry   text COLLATE "C" NOT NULL,
    PRIMARY KEY (machine, kind, bench)
);
CREATE TABLE mark (
    row   bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    bench text COLLATE "C" NOT NULL,
    n     bigint NOT NULL,
    what  text NOT NULL,
    id    text NOT NULL,
    at    timestamptz NOT NULL DEFAULT now(),
    by    text NOT NULL DEFAULT session_user
);
CREATE INDEX mark_bench ON mark (bench, row);
CREATE TABLE presence (machine text PRIMARY KEY, holder text NOT NULL, since timestamptz NOT NULL);
"""


def _triggers(table: str) -> str:
    arrives = {"entry": "entries_arrive", "line": "lines_arrive"}.get(table, "rows_arrive")
    made = [
        f"CREATE TRIGGER {table}_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();",
        f"CREATE TRIGGER {table}_turn BEFORE INSERT ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION take_turn();",
    ]
    if table in UNITS or table == "line":
        made.append(
            f"CREATE TRIGGER {table}_arrives AFTER INSERT ON {table} "
            f"REFERENCING NEW TABLE AS fresh FOR EACH STATEMENT EXECUTE FUNCTION {arrives}();"
        )
    return "\n".join(made) + "\n"


def _grants() -> str:
    added = ", ".join([*TABLES, "mark"])
    return f"""
CREATE TRIGGER mark_append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON mark
    FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();
REVOKE ALL ON ALL TABLES IN SCHEMA {SCHEMA} FROM PUBLIC;
REVOKE ALL ON ALL FUNCTIONS IN SCHEMA {SCHEMA} FROM PUBLIC;
GRANT USAGE ON SCHEMA {SCHEMA} TO {TECHNICIAN}, {READER};
GRANT SELECT ON ALL TABLES IN SCHEMA {SCHEMA} TO {TECHNICIAN}, {READER};
GRANT INSERT ON {added} TO {TECHNICIAN};
GRANT EXECUTE ON FUNCTION hold_machine(text, text) TO {TECHNICIAN};
"""


#: Step n takes the shared tables of version n to version n + 1; version 0 is no schema yet.
STEPS: Final[tuple[str, ...]] = (
    "".join(table.create("postgresql") for table in TABLES.values())
    + _OWN_TABLES
    + _FUNCTIONS
    + "".join(map(_triggers, TABLES))
    + _grants(),
    milestones.postgresql(SCHEMA, f"{TECHNICIAN}, {READER}"),
    milestones.postgresql_late(SCHEMA),
    _PRESENCE,
)


# --- connecting ----------------------------------------------------------------------------------


def _driver() -> Any:
    try:
        import psycopg
    except ImportError:
        raise Refused(
            "the driver for PostgreSQL is not installed",
            remedy="pip install 'plumbelt[workshop]'",
        ) from None
    return psycopg


def _own(query: str) -> LiteralString:
    """A query of our own text: values go beside it, never into it."""
    return query


class TakenAlready(Refused):
    """A row is there already that was to be added."""


def checked_address(url: str) -> dict[str, Any]:
    """The parts of an address.  Raises BadInput for none, or one that holds a password."""
    driver = _driver()
    if not url.startswith(("postgresql://", "postgres://")):
        raise BadInput(
            "that is no address of a workshop",
            remedy="Expected postgresql://USER@HOST/DATABASE. Nothing was changed",
        )
    try:
        parts: dict[str, Any] = driver.conninfo.conninfo_to_dict(url)
    except driver.Error:
        # What is wrong is not repeated: it may hold a password.
        raise BadInput(
            "that address cannot be read",
            remedy="Expected postgresql://USER@HOST/DATABASE. Nothing was changed",
        ) from None
    if {"password", "sslpassword"} & set(parts):
        raise BadInput(
            "the address holds a password, and addresses are kept and shown",
            remedy="Leave it out: the password file (~/.pgpass), PGPASSWORD or a service file "
            "hold it. Nothing was changed",
        )
    return parts


def shown_address(url: str) -> str:
    """An address for people: where and what, without parameters."""
    try:
        parts = checked_address(url)
    except AgentError:
        return "the workshop"
    place = parts.get("host") or parts.get("service") or "this computer"
    return f"{parts.get('dbname') or parts.get('user') or 'plumbelt'} on {place}"


class Shared:
    """A connection to the shared record; use as a context manager."""

    def __init__(self, url: str, *, bench: str = "", must_hold: bool = True) -> None:
        """Connect, and see that there is a workshop of a version known here.

        TLS (`sslmode`, `sslrootcert`, ...) is as the address says.  Raises BadInput for an
        address that is none, LinkFailed if nobody answers, Refused for a database that is no
        workshop (unless `must_hold` is False), or a newer one.
        """
        driver = _driver()
        parts = checked_address(url)
        self.shown = shown_address(url)
        self.may_add = False  #: a user who may only read cannot
        self._cursors = count()
        settings = {**_DEFAULTS, **parts}
        settings.setdefault("application_name", f"plumbelt {bench}".strip()[:63])
        with self.in_words():
            self.connection: psycopg.Connection[Row] = driver.connect(
                **settings, autocommit=True, prepare_threshold=3
            )
        try:
            with self.in_words():
                self._open(must_hold)
        except BaseException:
            self.connection.close()
            raise

    def _open(self, must_hold: bool) -> None:
        self.connection.execute(
            "SELECT set_config('search_path', %s, false), "
            "set_config('client_min_messages', 'warning', false)",
            (f"{SCHEMA}, pg_temp",),
        )
        self.version, self.identity = self._about()
        if self.version > len(STEPS):
            raise Refused(
                f"{self.shown} belongs to a newer plumbelt (version {self.version}, known here up "
                f"to {len(STEPS)})",
                remedy="Update plumbelt. Nothing was exchanged",
            )
        if must_hold and not self.version and self._hidden():
            raise Refused(
                f"your user may not look into {self.shown}",
                remedy=f"The owner grants {TECHNICIAN} (adds and reads) or {READER} (reads) to it: "
                "'workshop init URL --technician USER'",
            )
        if must_hold and self.version < len(STEPS):
            raise Refused(
                f"{self.shown} is no workshop yet"
                if not self.version
                else f"{self.shown} is of an older plumbelt (version {self.version})",
                remedy="Its owner makes it one with 'workshop init URL'",
            )

    def _hidden(self) -> bool:
        """There is a workshop, but not for this user."""
        found = self.connection.execute("SELECT 1 FROM pg_namespace WHERE nspname = %s", (SCHEMA,))
        return found.fetchone() is not None

    def _about(self) -> tuple[int, str]:
        there = self.connection.execute("SELECT to_regclass('about')").fetchone()
        if there is None or there[0] is None:
            return 0, ""
        rows: list[Row] = self.connection.execute(
            "SELECT key, value FROM about "
            "UNION ALL SELECT 'may add', has_table_privilege('entry', 'INSERT')::text"
        ).fetchall()
        found: dict[str, str] = dict(rows)
        self.may_add = found["may add"] == "true"
        return int(found.get("version", 0)), str(found.get("workshop", ""))

    def close(self) -> None:
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def ask(self, query: str, **values: Any) -> list[Row]:
        with self.in_words():
            found: list[Row] = self.connection.execute(
                _own(for_postgresql(query)), _listed(values)
            ).fetchall()
        return found

    def each(self, query: str, **values: Any) -> Iterator[Row]:
        with (
            self.in_words(),
            self.connection.transaction(),
            self.connection.cursor(name=f"each_{next(self._cursors)}") as cursor,
        ):
            cursor.itersize = _AT_ONCE
            yield from cursor.execute(_own(for_postgresql(query)), _listed(values))

    @contextmanager
    def writing(self) -> Iterator[psycopg.Connection[Row]]:
        """One transaction: all of it or nothing, in turn with other benches."""
        with self.in_words(), self.connection.transaction():
            # What a row refers to is looked up by its key from the first row on: a plan that was
            # made while the tables were empty would read them whole for each row later.
            self.connection.execute(
                "SELECT set_config('enable_seqscan', 'off', true), pg_advisory_xact_lock(%s)",
                (_TURN,),
            )
            yield self.connection

    def copy(self, table: str, rows: Sequence[Sequence[Any]]) -> int:
        """Add rows that are not there yet, with COPY; how many.  To be called within `writing`.

        Raises TakenAlready if one of them is there: then nothing of the transaction remains.
        """
        self._copy(table, table, rows)
        return len(rows)

    def add(self, table: str, rows: Sequence[Sequence[Any]]) -> int:
        """The same, but rows that are there already stay; how many were new."""
        sql = _driver().sql
        waiting = f"waiting_{table}"
        self.connection.execute(
            sql.SQL("CREATE TEMP TABLE IF NOT EXISTS {} (LIKE {}) ON COMMIT DELETE ROWS").format(
                sql.Identifier(waiting), sql.Identifier(table)
            )
        )
        self._copy(waiting, table, rows)
        columns = _columns(table)
        added: int = self.connection.execute(
            sql.SQL("INSERT INTO {} ({}) SELECT {} FROM {} ON CONFLICT DO NOTHING").format(
                sql.Identifier(table), columns, columns, sql.Identifier(waiting)
            )
        ).rowcount
        return added

    def _copy(self, to: str, table: str, rows: Sequence[Sequence[Any]]) -> None:
        sql = _driver().sql
        into = sql.SQL("COPY {} ({}) FROM STDIN").format(sql.Identifier(to), _columns(table))
        with self.connection.cursor() as cursor, cursor.copy(into) as copy:
            for row in rows:
                copy.write_row(row)

    # --- who is at a machine ---------------------------------------------------------------------

    def hold(self, machine: str, holder: str) -> str:
        """Be at a machine for as long as this connection lasts; empty, or who else is, since when.

        Who comes later is told by `came`.
        """
        with self.in_words():
            self.connection.execute(_own(f"LISTEN {_CAME}"))
        self.ask("SELECT sign_for(:machine, :holder)", machine=machine, holder=holder)
        [(who,)] = self.ask("SELECT hold_machine(:machine)", machine=machine)
        return _one_line(who or "")

    def came(self, machine: str) -> list[str]:
        """Who has come to a machine that is held, since this was asked last; does not wait."""
        found = []
        with self.in_words():
            for told in self.connection.notifies(timeout=0):
                if told.pid == self.connection.info.backend_pid:
                    continue
                try:
                    where, who = json.loads(told.payload)
                except (ValueError, TypeError):  # not from a plumbelt
                    continue
                if where == machine[:500]:
                    found.append(_one_line(who))
        return found

    # --- failures --------------------------------------------------------------------------------

    @contextmanager
    def in_words(self) -> Iterator[None]:
        """Failures of the server in the words of the technician; no password is in any of them."""
        driver = _driver()
        errors = driver.errors
        try:
            yield
        except errors.DiskFull as error:
            raise Refused(
                f"The disk of {self.shown} is full",
                remedy="Make room on the server; what is here stays and goes with the next sync",
            ) from error
        except errors.InsufficientPrivilege as error:
            raise Refused(
                f"{self.shown}: {_first_line(error)}",
                remedy=f"The owner grants {TECHNICIAN} (adds and reads) or {READER} (reads) to "
                "your user",
            ) from error
        except errors.UniqueViolation as error:
            raise TakenAlready(f"{self.shown}: {_first_line(error)}") from error
        except errors.RaiseException as error:
            raise Refused(
                f"{self.shown}: {_first_line(error)}", remedy="Nothing changed"
            ) from error
        except driver.OperationalError as error:
            raise LinkFailed(
                f"{self.shown} cannot be reached: {_first_line(error)}",
                remedy="Work goes on without it; 'workshop sync' carries on when it answers",
            ) from error
        except driver.Error as error:
            raise Refused(
                f"{self.shown} refused: {_first_line(error)}", remedy="Nothing was changed"
            ) from error


@lru_cache
def _columns(table: str) -> Any:
    sql = _driver().sql
    return sql.SQL(", ").join(map(sql.Identifier, TABLES[table].names))


def _listed(values: Mapping[str, Any]) -> dict[str, Any]:
    return {k: list(v) if isinstance(v, set | tuple) else v for k, v in values.items()}


def _one_line(told: object) -> str:
    """What another bench says of itself, whatever it says."""
    return " ".join(str(told).split())[:200]


def _first_line(error: BaseException) -> str:
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return lines[0] if lines else type(error).__name__


# --- making one ----------------------------------------------------------------------------------


def make_workshop(
    url: str, *, technicians: Iterable[str] = (), readers: Iterable[str] = ()
) -> tuple[str, ...]:
    """Make the shared tables and roles, or bring them to this version; what was done, in words.

    Users who are named are made (without a password: the administrator sets it) and given their
    role.  Errors as of `Shared`.
    """
    done: list[str] = []
    with Shared(url, must_hold=False) as shared:
        driver = _driver()
        sql = driver.sql
        db = shared.connection
        with shared.in_words(), db.transaction():
            db.execute("SELECT pg_advisory_xact_lock(%s)", (_TURN,))
            shared.version, _ = shared._about()  # another owner may have been first
            for role in (OWNER, TECHNICIAN, READER):
                if _missing(db, role):
                    db.execute(sql.SQL("CREATE ROLE {} NOLOGIN").format(sql.Identifier(role)))
                    done.append(f"role {role} made")
            if shared.version < len(STEPS):
                _migrate(shared, done)
            for names, role in ((technicians, TECHNICIAN), (readers, READER)):
                for name in names:
                    user = sql.Identifier(name)
                    if _missing(db, name):
                        db.execute(sql.SQL("CREATE ROLE {} LOGIN").format(user))
                        done.append(f"user {name} made, without a password")
                    db.execute(sql.SQL("GRANT {} TO {}").format(sql.Identifier(role), user))
                    done.append(f"{name} has the role {role}")
    return tuple(done)


def _missing(db: psycopg.Connection[Row], role: str) -> bool:
    return db.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", (role,)).fetchone() is None


def _migrate(shared: Shared, done: list[str]) -> None:
    db = shared.connection
    sql = _driver().sql
    database = sql.Identifier(db.info.dbname)
    owner = sql.Identifier(OWNER)
    db.execute(sql.SQL("GRANT {} TO CURRENT_USER").format(owner))
    if not shared.version:
        db.execute(sql.SQL("GRANT CREATE ON DATABASE {} TO {}").format(database, owner))
    db.execute(sql.SQL("SET LOCAL ROLE {}").format(owner))
    if not shared.version:
        db.execute(f"CREATE SCHEMA {SCHEMA}")
    for step in STEPS[shared.version :]:
        db.execute(_own(step))
    db.execute(
        "INSERT INTO about VALUES ('version', %s) "
        "ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        (str(len(STEPS)),),
    )
    db.execute(
        "INSERT INTO about VALUES ('workshop', %s) ON CONFLICT (key) DO NOTHING", (new_identity(),)
    )
    db.execute("RESET ROLE")
    done.append(f"tables of version {len(STEPS)} in the schema {SCHEMA}")
