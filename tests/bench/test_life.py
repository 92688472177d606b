"""What each event of a whole session makes of a bench, told field by field."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import pytest

from agent.bench.events import Event
from agent.bench.fold import fold
from agent.bench.rounds import Round
from agent.bench.standing import progress_of, standing_of
from agent.bench.value import Bench
from tests.face import test_sessions, test_sessions_at_a_port
from tests.face.stage import Staged, staged
from tests.pinned import Pinned


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Staged]:
    with staged(tmp_path) as make:
        yield make


#: Longer values stand as the first signs of their digest.
_SHORT = 150

#: What follows from the fields of a bench.
_FOLLOWING = (
    *("hot", "stages", "fallen", "kept", "unstored", "half_done", "broken", "behind"),
    "conditions",
)


def plain(value: Any) -> str:
    """A value in a few signs: numbers to six digits, parts that say nothing left out."""
    match value:
        case Round():
            return told_round(value)
        case float():
            return f"{value + 0.0:.6g}"
        case str() | bool() | int() | None:
            return str(value)
        case Mapping():
            return "{" + ", ".join(f"{k}: {plain(v)}" for k, v in value.items()) + "}"
        case frozenset():
            return "{" + ", ".join(sorted(map(plain, value))) + "}"
        case Sequence():
            return "[" + ", ".join(map(plain, value)) + "]"
    if is_dataclass(value):
        parts = ((field.name, getattr(value, field.name)) for field in fields(value))
        told = ", ".join(f"{k} {plain(v)}" for k, v in parts if v not in (None, "", (), {}))
        return f"{type(value).__name__}({told})"
    return str(value)


def told_round(found: Round) -> str:
    """A round without what was computed from it."""
    parts = {
        "angle": found.gantry_angle_deg,
        "laid": [(one.name, one.kind, dict(one.sizes), one.number, one.at) for one in found.laid],
        "taken": [(t.piece, t.reading.name, t.reading.mm, t.reading.u_mm) for t in found.taken],
        "again": found.read_again,
        "runs": [(r.axis, r.approach, r.load, len(r.measured), r.u_mm) for r in found.runs],
        "conditions": found.conditions,
        "asked": found.asked,
        "solved": found.solved is not None and [r.name for r in found.solved.survey.readings],
        "follows": found.follows is not None and len(found.follows.taken),
    }
    return ", ".join(f"{name} {plain(part)}" for name, part in parts.items() if part)


def shortly(text: str) -> str:
    if len(text) <= _SHORT:
        return text
    return f"{text[:60]} ... {hashlib.sha256(text.encode()).hexdigest()[:8]}"


def state_of(bench: Bench) -> dict[str, str]:
    """Everything that a bench holds, and what follows from it."""
    told = {field.name: plain(getattr(bench, field.name)) for field in fields(Bench)}
    for name in _FOLLOWING:
        told[name] = plain(getattr(bench.now if name == "conditions" else bench, name))
    told |= {f"round {n}": plain(r) for n, r in enumerate(bench.rounds, 1)}
    told["transactions"] = plain([(t.closed, t.settled, t.open) for t in bench.transactions])
    told["compared"] = plain([(row.name, row.verdict) for row in bench.compare()])
    told["standing"] = plain(standing_of(bench))
    told["progress"] = plain([name for name, done in progress_of(bench) if done])
    for bulky in ("rounds", "number", "warmth"):
        told.pop(bulky)
    return told


def life(events: Sequence[Event]) -> str:
    """Event by event what it changes; lines of the journal without a change are left out."""
    lines: list[str] = []
    bench, before = Bench(machine=events[0].machine), state_of(Bench(machine=events[0].machine))
    for event in events:
        bench = fold((event,), bench)
        now = state_of(bench)
        changed = [(name, now.get(name, "gone")) for name in now if now[name] != before.get(name)]
        if changed:
            step = event.body.get("step", "")
            lines.append(f"{event.kind} {step}".rstrip())
            lines += [f"    {name}: {shortly(value)}" for name, value in changed]
        before = now
    return "\n".join(lines)


#: Sessions whose lives are told; each by where it is written down.
LIVES = {
    "broken off while writing": test_sessions_at_a_port.SESSIONS,
    "the shell at a real machine": test_sessions_at_a_port.SESSIONS,
    "a board that loses what it stores": test_sessions_at_a_port.SESSIONS,
    "flashed, and brought back": test_sessions_at_a_port.SESSIONS,
    "a machine whose settings are numbered": test_sessions_at_a_port.SESSIONS,
    "a machine that keeps its settings in a file": test_sessions_at_a_port.SESSIONS,
    "a change declined, approved, stored, undone": test_sessions.SESSIONS,
    "filament": test_sessions.SESSIONS,
    "at the wire": test_sessions.SESSIONS,
}


@pytest.mark.parametrize("name", LIVES)
def test_each_event_changes_what_it_says_and_nothing_else(
    name: str, stage: Staged, pinned: Pinned
) -> None:
    how, script = LIVES[name][name]
    at_port = LIVES[name] is test_sessions_at_a_port.SESSIONS
    for file, text in test_sessions_at_a_port.FILES.items():
        Path(file).write_text(text)
    at = stage(at="port" if at_port else "rehearsal", **how)
    at.play(script)
    told = life(at.desk.session.book.events)
    pinned(f"lives/{name.replace(',', '').replace(' ', '-')}", told)
