"""What people note of a machine: parts that were changed, where it stands, when it is due."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Any

from agent.errors import BadInput, Problem
from agent.store.benches import own_bench
from agent.store.checks import misfit
from agent.store.journal import utc_now
from agent.store.record import Record
from agent.store.rows import ADD, as_json, new_identity
from agent.workshop.fleet import plain_object


def note(record: Record, machine: str, body: Mapping[str, Any], facts: Mapping[str, Any]) -> str:
    """Note of a machine; `facts` (place, due_days) stand on its card until noted anew.

    Returns the identity of the entry, empty for facts alone.  Raises BadInput for texts that fit
    no record.
    """
    shape = {"id": new_identity(), "session": new_identity(), "at": utc_now(), "kind": "note"}
    wrong = misfit("entry", {**shape, "body": as_json(dict(body))})
    bare = {**dict.fromkeys(("port", "family", "identity", "agent"), ""), "at": utc_now()}
    wrong = wrong or misfit("session", {**bare, "id": new_identity(), "machine": machine})
    if wrong or not machine:
        raise BadInput(
            "that cannot be noted",
            problems=[Problem("command line", None, "", wrong or "expected the name of a machine")],
        )
    with record.writing() as db:  # all of it or nothing
        if facts:
            kept = {**_card(db, machine), **facts}
            values = (new_identity(), utc_now(), own_bench(db), "card", machine, machine)
            db.execute(ADD["document"], (*values, as_json(kept), ""))
        return record.begin(machine).note("note", body) if body else ""


def _card(db: sqlite3.Connection, machine: str) -> dict[str, Any]:
    """What stands on the card of a machine so far."""
    row = db.execute(
        "SELECT facts FROM document WHERE kind = 'card' AND machine = ? "
        "ORDER BY at DESC, id DESC LIMIT 1",
        (machine,),
    ).fetchone()
    return {} if row is None else plain_object(row[0]) or {}
