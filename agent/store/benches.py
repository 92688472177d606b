"""Which computer a record is kept on: an identity made once, and a name for people.

Two computers of one name are told apart by it, and so are a computer and a copy of its record.
"""

from __future__ import annotations

import platform
import sqlite3

from agent.store.journal import utc_now
from agent.store.rows import INSERT, new_identity


def bench_name() -> str:
    """What this computer is called, fit for a list."""
    name = "".join(c for c in platform.node() if c.isprintable())
    return name[:64] or "unnamed"


def own_bench(db: sqlite3.Connection) -> str:
    """Identity of the bench that this record is kept on, made at the first asking.

    To be called within a transaction that writes.
    """
    found = db.execute("SELECT bench FROM own ORDER BY n DESC LIMIT 1").fetchone()
    return str(found[0]) if found else new_bench(db)


def new_bench(db: sqlite3.Connection) -> str:
    """From now on this record is kept under a new identity; what was noted stays of the old one."""
    identity = new_identity()
    db.execute(INSERT["bench"], (identity, bench_name(), utc_now()))
    db.execute("INSERT INTO own (bench) VALUES (?)", (identity,))
    return identity
