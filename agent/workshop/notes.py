"""What people note of a machine: parts that were changed, where it stands, when it is due."""

from __future__ import annotations

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
    entry = ""
    shape = {"id": new_identity(), "session": new_identity(), "at": utc_now(), "kind": "note"}
    wrong = misfit("entry", {**shape, "body": as_json(dict(body))})
    bare = {**dict.fromkeys(("port", "family", "identity", "agent"), ""), "at": utc_now()}
    wrong = wrong or misfit("session", {**bare, "id": new_identity(), "machine": machine})
    if wrong or not machine:
        raise BadInput(
            "that cannot be noted",
            problems=[Problem("command line", None, "", wrong or "expected the name of a machine")],
        )
    if body:
        entry = record.begin(machine).note("note", body)
    if facts:
        with record.writing() as db:
            known: dict[str, Any] = {}
            row = db.execute(
                "SELECT facts FROM document WHERE kind = 'card' AND machine = ? "
                "ORDER BY at DESC, id DESC LIMIT 1",
                (machine,),
            ).fetchone()
            if row is not None:
                known = plain_object(row[0]) or {}
            values = (
                *(new_identity(), utc_now(), own_bench(db), "card", machine, machine),
                as_json({**known, **facts}),
                "",
            )
            db.execute(ADD["document"], values)
    return entry
