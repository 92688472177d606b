"""Milestones are no second truth: whatever came in which order, they are what the events say."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest

from agent.store import schema
from agent.store.database import statements
from agent.store.milestones import ERRORS, STEPS_OF, refill
from agent.store.record import Record
from agent.store.rows import ADD
from agent.workshop import server as serving
from agent.workshop.asking import Asked, OwnRecord
from agent.workshop.clocks import Clocks
from agent.workshop.exchange import exchange
from agent.workshop.fleet import UNDETERMINED, machines
from agent.workshop.life import events
from agent.workshop.series import Life, lives
from agent.workshop.server import Shared, make_workshop
from agent.workshop.sides import Bench, Workshop
from tests.workshop.postgres import Server
from tests.workshop.shop import Rows, Writer, identity, instant
from tests.workshop.truth import all_entries, derived, is_what_events_say

KINDS = ("readback", "estimate", "outcome", "note", "begin", "proof", "plan", "attached")
STAGES = ([], ["read back"], ["reloaded from storage"], ["read back", "tried"])


def random_rows(dice: random.Random) -> tuple[Rows, list[tuple[Any, ...]]]:
    """Rows of three machines on three benches, and their entries, each with its figures.

    Two of the benches had a clock that was off at times.
    """
    w = Writer(dice)
    names = [identity(dice) for _ in range(3)]
    for name, ahead in zip(names, (0.0, 400.0, -400.0), strict=True):
        w.add("bench", name, f"bench {ahead}", instant(0))
        for day, off in ((0.0, 0.0), (ahead + 20, ahead), (60.0, 0.0)):
            w.add("clock", identity(dice), name, instant(day), off * 86_400)
    sessions = []
    for _ in range(12):
        w.bench = dice.choice(["", *names])
        sessions.append(w.session(dice.choice(("heron", "egret", "stork")), dice.uniform(0, 80)))
    heads = {kind: w.rows.pop(kind) for kind in ("bench", "clock", "session", "origin")}
    entries = []
    for _ in range(150):
        kind = dice.choice(KINDS)
        day = float(dice.randrange(80)) + dice.choice((0.0, 0.0, 400.0, -400.0))
        figures: dict[str, tuple[float, float | None]] = {"estimate.jaw": (0.1, 0.1)}
        for name in ERRORS:
            if dice.random() < 0.7:
                u = None if dice.random() < 0.1 else dice.choice((1e-4, 1.0))
                figures[f"estimate.{name}"] = (dice.gauss(0, 1e-3), u)
        for axis in STEPS_OF:
            if dice.random() < 0.7:
                figures[f"steps_per_mm.{axis}"] = (dice.uniform(80, 81), None)
        w.entry(dice.choice(sessions), day, kind, body(dice, kind), figures)
        [entry] = w.rows.pop("entry")
        entries.append((entry, w.rows.pop("figure")))
    dice.shuffle(entries)
    return heads, entries


def body(dice: random.Random, kind: str) -> dict[str, Any]:
    """A body of a kind, with more or less in it that milestones are told apart by."""
    found: dict[str, dict[str, Any]] = {
        "readback": {"settings": {}},
        "estimate": {"parameters": {}},
        "outcome": outcome(dice),
        "proof": outcome(dice),
        "note": {dice.choice(("text", "belt", "roller", "place")): '"stages":[] "belt"'},
        "plan": {"digest": "0"},
        "attached": {"port": "", "family": "", "identity": ""},
    }
    return found.get(kind, {})


def outcome(dice: random.Random) -> dict[str, Any]:
    lists: dict[str, Any] = {k: [] for k in ("changes", "moved", "notes", "hand_over")}
    return {"digest": "0", "verified": dice.random() < 0.7, **lists, "stages": dice.choice(STAGES)}


def add(
    record: Record,
    heads: Rows,
    entries: list[tuple[Any, ...]],
    portion: int,
    *,
    origins_last: bool = False,
) -> None:
    """Add rows in portions; the benches of sessions before their entries, or after them."""
    with record.writing() as db:
        for table in ("bench", "session", "clock"):
            db.executemany(ADD[table], heads[table])
        if not origins_last:
            db.executemany(ADD["origin"], heads["origin"])
    for n in range(0, len(entries), portion):
        with record.writing() as db:
            for entry, figures in entries[n : n + portion]:
                db.execute(ADD["entry"], entry)
                db.executemany(ADD["figure"], figures)
    if origins_last:
        with record.writing() as db:
            db.executemany(ADD["origin"], heads["origin"])


@contextmanager
def both(folder: Path, url: str, seed: int) -> Iterator[list[Asked]]:
    """The same rows as four sides hold them: as they came, otherwise, shared, and received."""
    dice = random.Random(seed)
    heads, entries = random_rows(dice)
    with (
        Record(folder / "a.db") as a,
        Record(folder / "b.db") as b,
        Record(folder / "c.db") as c,
        Shared(url) as shared,
    ):
        add(a, heads, entries, 150)
        dice.shuffle(entries)
        add(b, heads, entries, 7, origins_last=True)
        half = len(entries) // 2
        add(c, {**heads, "origin": []}, entries[half:], 31)  # as from a file
        for record in (c, a, c):
            exchange(Bench(record), Workshop(shared))
        yield [OwnRecord(a), OwnRecord(b), shared, OwnRecord(c)]


@pytest.mark.parametrize("seed", range(3))
def test_milestones_are_what_the_events_say_in_whatever_order_they_came(
    tmp_path: Path, url: str, seed: int
) -> None:
    with both(tmp_path, url, seed) as sides:
        found = [derived(side) for side in sides]
        for side in sides:
            is_what_events_say(side)
        assert found[1:] == found[:-1]


def test_derived_anew_they_are_the_same(tmp_path: Path, url: str) -> None:
    with both(tmp_path, url, 5) as (own, _, shared, _):
        assert isinstance(own, OwnRecord)
        assert isinstance(shared, Shared)
        for side, engine in ((own, "sqlite"), (shared, "postgresql")):
            before = derived(side)
            with side.record.writing() if isinstance(side, OwnRecord) else side.writing() as db:
                for statement in statements(refill(engine)):  # type: ignore[arg-type]
                    db.execute(statement)
            assert derived(side) == before


def test_an_older_record_has_its_milestones_after_the_update(tmp_path: Path) -> None:
    heads, entries = random_rows(random.Random(7))
    place = tmp_path / "record.db"
    with Record(place, steps=schema.STEPS[:2]) as old:
        add(old, heads, entries, 20)
    with Record(place) as record:
        is_what_events_say(OwnRecord(record))


def test_an_older_workshop_has_its_milestones_after_the_update(
    tmp_path: Path, server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    from agent.errors import Refused

    url = server.database()
    heads, entries = random_rows(random.Random(8))
    with monkeypatch.context() as older, Record(tmp_path / "record.db") as record:
        older.setattr(serving, "STEPS", serving.STEPS[:1])
        make_workshop(url)
        add(record, heads, entries, 20)
        with Shared(url) as shared:
            exchange(Bench(record), Workshop(shared))
    with pytest.raises(Refused, match="older plumbelt"):
        Shared(url)
    assert make_workshop(url, readers=["carl"])
    with Shared(server.url(url.partition("@/")[2].partition("?")[0], "carl")) as shared:
        is_what_events_say(shared)


# --- the answers ---------------------------------------------------------------------------------


def fold(entries: list[dict[str, Any]], clocks: Clocks) -> dict[str, dict[str, list[Any]]]:
    """Right steps/mm and angles of each machine by error, from its entries one after the other."""
    for e in entries:
        e["right"] = clocks.right(e["bench"], e["at"])
    entries.sort(key=lambda e: (e["machine"], e["right"], e["entry"]))
    found: dict[str, dict[str, list[Any]]] = {}
    for machine, some in groupby(entries, key=lambda e: e["machine"]):
        steps: dict[str, float] = {}
        pending: tuple[dict[str, Any], dict[str, float]] | None = None
        kept = []
        for e in some:
            if e["of"] == "readback":
                read = {a: e["figures"].get(f"steps_per_mm.{a}") for a in STEPS_OF}
                steps = {a: v[0] for a, v in read.items() if v is not None}
            elif e["of"] == "estimate":
                if pending is not None and another_sitting(pending[0], e):
                    kept.append(pending)
                pending = (e, steps)
            elif e["of"] in ("outcome", "begin") and pending is not None:
                kept.append(pending)
                pending = None
        kept += [pending] if pending is not None else []
        for e, steps in kept:
            for name in ERRORS:
                value, u = e["figures"].get(f"estimate.{name}", (0.0, None))
                if u is None or u >= UNDETERMINED[name]:
                    continue
                if not name.endswith("_scale"):
                    right = value
                elif name[0] not in steps:
                    continue
                else:
                    right = steps[name[0]] / (1 + value)
                found.setdefault(machine, {}).setdefault(name, []).append((e["entry"], right))
    return found


def another_sitting(one: dict[str, Any], other: dict[str, Any]) -> bool:
    apart = datetime.fromisoformat(other["right"]) - datetime.fromisoformat(one["right"])
    return bool(one["session"] != other["session"] and apart > timedelta(hours=12))


@pytest.mark.parametrize("seed", [11, 12])
def test_answers_are_those_of_all_events_folded(tmp_path: Path, url: str, seed: int) -> None:
    with both(tmp_path, url, seed) as sides:
        for side in sides:
            entries, clocks = all_entries(side), Clocks(side)
            wanted = fold(entries, clocks)
            found = {life.machine: life for life in lives(side)}
            assert found.keys() == wanted.keys()
            for name, life in found.items():
                assert values(life) == {
                    error: [(entry, pytest.approx(v)) for entry, v in some]
                    for error, some in wanted[name].items()
                }
            assert answers(side) == answers(sides[0])
            for machine in machines(side):
                of = [e for e in entries if e["machine"] == machine.name]
                newest = max(
                    (e for e in of if e["of"] == "estimate"), key=lambda e: (e["right"], e["entry"])
                )
                assert machine.tuned == newest["right"]
                written = max((e["right"] for e in of if e["kind"] == "written"), default="")
                assert machine.measured_since == (written < newest["right"])
                assert {k: v.value for k, v in machine.left.items()} == {
                    name: newest["figures"][f"estimate.{name}"][0]
                    for name in ERRORS
                    if (newest["figures"].get(f"estimate.{name}") or (0, None))[1] == 1e-4
                }


def values(life: Life) -> dict[str, list[tuple[str, float]]]:
    return {error: [(p.entry, p.value) for p in some] for error, some in life.points.items()}


def answers(asked: Asked) -> list[Any]:
    told: Callable[[str], list[Any]] = lambda name: [  # noqa: E731
        (e.at, e.what, e.entry and e.entry.id) for e in events(asked, name)
    ]
    names = [m.name for m in machines(asked)]
    for name in names:
        assert told(name)[-5:] == [
            (e.at, e.what, e.entry and e.entry.id) for e in events(asked, name, 5)
        ]
    return [machines(asked), list(lives(asked)), [told(name) for name in names]]


@pytest.mark.parametrize("after", [1, 2, 3, 4])
def test_rows_are_found_by_key_whatever_the_tables_looked_like_at_first(
    tmp_path: Path, server: Server, url: str, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    """Rows that the server reads grow with the rows that come: no plan made for small tables stays.

    The server is told the sizes of its tables (ANALYZE, as it does by itself at some moment) when
    nearly nothing has come yet.
    """
    taken = [0]
    take = Workshop.take

    def watched(self: Workshop, *arguments: Any) -> int:
        new = take(self, *arguments)
        taken[0] += 1
        if taken[0] == after:
            self.shared.connection.execute("ANALYZE")
        return new

    monkeypatch.setattr(Workshop, "take", watched)
    monkeypatch.setattr("agent.workshop.exchange.BATCH", 40)
    w = Writer()
    for machine in ("heron", "egret", "stork", "crane"):
        for day in range(40):
            w.tune(machine, 1.0 + day)
    with Record(tmp_path / "record.db") as record, Shared(url) as shared:
        w.keep(record)
        new = exchange(Bench(record), Workshop(shared)).sent.new
        shared.connection.execute("SELECT pg_stat_force_next_flush()")
        shared.connection.execute("SELECT 1")
    assert new > 3000
    for table in ("session", "origin", "entry", "figure", "milestone", "latest"):
        [(read,)] = server.rows(
            url,
            "SELECT coalesce(seq_tup_read, 0) + coalesce(idx_tup_fetch, 0) "
            "FROM pg_stat_user_tables WHERE relname = %s",
            [table],
        )
        assert read < 12 * new, table
