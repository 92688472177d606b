"""What the events of a record say of its milestones, worked out from bodies, for tests."""

from __future__ import annotations

import json
from typing import Any

from agent.store.milestones import ERRORS, MILESTONE, STEPS_OF
from agent.workshop.asking import Asked


def all_entries(asked: Asked) -> list[dict[str, Any]]:
    """Every entry with its machine, bench, figures, and the kind of its milestone."""
    found = []
    figures: dict[str, dict[str, tuple[float, float | None]]] = {}
    for entry, key, value, u in asked.ask("SELECT entry, key, value, u FROM figure"):
        figures.setdefault(entry, {})[key] = (value, u)
    for entry, session, at, kind, text, machine, bench in asked.ask(
        "SELECT e.id, e.session, e.at, e.kind, e.body, s.machine, coalesce(o.bench, '') "
        "FROM entry e JOIN session s ON s.id = e.session LEFT JOIN origin o ON o.session = s.id"
    ):
        plain = json.loads(text)
        as_told = kind
        if kind == "outcome" and plain["stages"] in ([], ["read back"]):
            as_told = "written"
        if kind == "note" and plain.keys() & {"belt", "roller", "flash"}:
            as_told = "part"
        found.append(
            {"entry": entry, "session": session, "at": at, "of": kind, "kind": as_told}
            | {"machine": machine, "bench": bench, "figures": figures.get(entry, {})}
        )
    return found


def expected_milestones(entries: list[dict[str, Any]]) -> set[tuple[Any, ...]]:
    rows = set()
    for e in entries:
        if e["of"] not in ("readback", "estimate", "outcome", "begin", "note", "proof"):
            continue
        errors = [e["figures"].get(f"estimate.{n}", (None, None)) for n in ERRORS]
        steps = [e["figures"].get(f"steps_per_mm.{a}", (None, None))[0] for a in STEPS_OF]
        of = e["of"]
        values = {name: None for column in MILESTONE.columns[6:] for name in (column.name,)}
        if of == "estimate":
            values |= {n: v for n, (v, _) in zip(ERRORS, errors, strict=True)}
            values |= {f"{n}_u": u for n, (_, u) in zip(ERRORS, errors, strict=True)}
        if of == "readback":
            values |= {f"{a}_steps": v for a, v in zip(STEPS_OF, steps, strict=True)}
        head = (e[k] for k in ("machine", "at", "entry", "kind", "session", "bench"))
        rows.add((*head, *values.values()))
    return rows


def expected_latest(entries: list[dict[str, Any]]) -> set[tuple[str, ...]]:
    newest: dict[tuple[str, str, str], tuple[str, str]] = {}
    for e in entries:
        kinds = {"", e["of"] if e["of"] in ("estimate", "outcome") else "", e["kind"]}
        for kind in kinds & {"", "estimate", "outcome", "written"}:
            key = (e["machine"], kind, e["bench"])
            newest[key] = max(newest.get(key, ("", "")), (e["at"], e["entry"]))
    return {(*key, *value) for key, value in newest.items()}


def derived(asked: Asked) -> tuple[set[Any], set[Any]]:
    names = ", ".join(MILESTONE.names)
    return (
        set(asked.ask(f"SELECT {names} FROM milestone")),
        set(asked.ask("SELECT machine, kind, bench, at, entry FROM latest")),
    )


def is_what_events_say(asked: Asked) -> None:
    entries = all_entries(asked)
    assert derived(asked) == (expected_milestones(entries), expected_latest(entries))
