"""The life of one machine: what happened to it, on whichever bench, in an order that holds.

Entries that count their own order (`n`, one more than whatever the bench knew of the machine) come
in it; others by their time, put right where the bench's clock is known to have been off.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from agent.errors import BadInput
from agent.store.checks import Misfit
from agent.store.rows import EntryRow, entry_of
from agent.workshop.asking import Asked
from agent.workshop.clocks import Clocks

#: What a life is told by; read-backs are told where the controller names itself otherwise.
KINDS: Final = ("estimate", "outcome", "proof", "note")


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened to a machine."""

    at: str  #: by the workshop's clock
    what: str  #: kind of the entry, or `answers` for a controller that names itself otherwise
    bench: str  #: name of the bench it was noted on; empty if not known
    entry: EntryRow | None
    text: str = ""  #: in words, where there is no entry
    ahead: float = 0.0  #: seconds that the bench's clock was ahead


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a profile or report."""

    at: str
    kind: str
    name: str
    id: str
    bench: str

    @property
    def short(self) -> str:
        return self.id[-8:]


def events(asked: Asked, machine: str) -> tuple[Event, ...]:
    """Everything of a machine's life, oldest first.  Raises BadInput for one that is not known."""
    clocks = Clocks(asked)
    names: dict[str, str] = dict(asked.ask("SELECT id, name FROM bench"))
    found: list[tuple[tuple[float, str, str], Event]] = []
    rows = asked.ask(
        "SELECT e.id, e.session, e.at, e.kind, e.body, s.machine, coalesce(o.bench, '') "
        "FROM session s JOIN entry e ON e.session = s.id LEFT JOIN origin o ON o.session = s.id "
        # the kind as a value made up: the entries are found by their session
        "WHERE s.machine = :machine AND (e.kind || '') AMONG :kinds",
        machine=machine,
        kinds=list(KINDS),
    )
    sessions = _answers(asked, machine, clocks, names)
    if not rows and not sessions:
        known = [name for (name,) in asked.ask("SELECT DISTINCT machine FROM latest")]
        import difflib

        near = difflib.get_close_matches(machine, known, 1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise BadInput(f"no machine is named {machine!r}{hint}", remedy="'workshop list' shows all")
    entries = []
    for row in rows:
        try:
            entries.append((entry_of(row[:6]), str(row[6])))
        except Misfit:
            continue
    counted = all(_count(entry.body) is not None for entry, _ in entries)
    for entry, bench in entries:
        right = clocks.right(bench, entry.at)
        event = Event(
            right, entry.kind, names.get(bench, ""), entry, ahead=clocks.ahead(bench, entry.at)
        )
        n = _count(entry.body) if counted and not sessions else None
        found.append(((n or 0.0, right, entry.id), event))
    found += [((0.0, event.at, ""), event) for event in sessions]
    return tuple(event for _, event in sorted(found, key=lambda pair: pair[0]))


def _count(body: Mapping[str, Any]) -> float | None:
    n = body.get("n")
    return float(n) if isinstance(n, int) and not isinstance(n, bool) else None


def _answers(asked: Asked, machine: str, clocks: Clocks, names: Mapping[str, str]) -> list[Event]:
    """Sessions in which the controller named itself otherwise than in the one before."""
    rows = asked.ask(
        "SELECT s.at, s.identity, coalesce(o.bench, '') FROM session s "
        "LEFT JOIN origin o ON o.session = s.id WHERE s.machine = :machine AND s.identity <> ''",
        machine=machine,
    )
    ordered = sorted((clocks.right(bench, at), identity, bench, at) for at, identity, bench in rows)
    found = []
    before = ""
    for right, identity, bench, at in ordered:
        if identity != before:
            text = f"the controller answers as {identity}"
            text += f" (before: {before})" if before else ""
            ahead = clocks.ahead(bench, at)
            found.append(Event(right, "answers", names.get(bench, ""), None, text, ahead))
        before = identity
    return found


def versions(asked: Asked, machine: str) -> tuple[Version, ...]:
    """Versions of the machine's profiles and reports, newest first."""
    rows = asked.ask(
        "SELECT d.at, d.kind, d.name, d.id, coalesce(b.name, '') FROM document d "
        "LEFT JOIN bench b ON b.id = d.bench WHERE d.machine = :machine AND d.kind <> 'card' "
        "ORDER BY d.at DESC, d.id DESC",
        machine=machine,
    )
    return tuple(Version(*row) for row in rows)


def document_text(asked: Asked, tail: str) -> tuple[Version, str]:
    """The version whose identity ends in `tail`, and its text.  Raises BadInput for none."""
    rows = asked.ask(
        "SELECT d.at, d.kind, d.name, d.id, '', d.text FROM document d "
        "WHERE substr(d.id, 37 - length(:tail)) = :tail",
        tail=tail,
    )
    if len(rows) != 1 or not tail:
        what = "several documents end" if len(rows) > 1 else "no document ends"
        raise BadInput(f"{what} in {tail!r}", remedy="'workshop show MACHINE' lists them")
    return Version(*rows[0][:5]), str(rows[0][5])
