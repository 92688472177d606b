"""The life of one machine: what happened to it, on whichever bench, in an order that holds.

The order is that of time, put right where the bench's clock is known to have been off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Final

from agent.errors import BadInput
from agent.store.checks import MOST_COUNT, Misfit
from agent.store.rows import EntryRow, entry_of
from agent.workshop.asking import Asked
from agent.workshop.clocks import Clocks

#: Milestones that a life is told by; read-backs are told where the controller names itself
#: otherwise.
KINDS: Final = ("estimate", "outcome", "written", "proof", "note", "part")


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


def events(asked: Asked, machine: str, most: int | None = None) -> tuple[Event, ...]:
    """What a machine's life is told by, oldest first; only the newest `most` where that is given.

    Raises BadInput for a machine that is not known.
    """
    clocks = Clocks(asked)
    names: dict[str, str] = dict(asked.ask("SELECT id, name FROM bench"))
    found = [(event.at, "", event) for event in _answers(asked, machine, clocks, names)]
    # By the word of benches whose clock was off nothing can be told to be among the newest.
    enough = most if most is not None and not clocks.off else MOST_COUNT
    for at, entry, bench in asked.ask(
        "SELECT m.at, m.entry, m.bench FROM milestone m "
        "WHERE m.machine = :machine AND m.kind AMONG :kinds "
        "ORDER BY m.machine DESC, m.at DESC, m.entry DESC LIMIT :most",
        machine=machine,
        kinds=KINDS,
        most=enough,
    ):
        right, ahead = clocks.right(bench, at), clocks.ahead(bench, at)
        found.append((right, entry, Event(right, "", names.get(bench, ""), None, ahead=ahead)))
    if not found and not asked.ask(
        "SELECT 1 FROM session WHERE machine = :machine LIMIT 1", machine=machine
    ):
        raise _unknown(asked, machine)
    found.sort(key=itemgetter(0, 1))
    newest = found if most is None else found[-most:]
    entries = _entries(asked, machine, [entry for _, entry, _ in newest if entry])
    told = []
    for _, identity, event in newest:
        if not identity:
            told.append(event)
        elif (entry := entries.get(identity)) is not None:
            told.append(replace(event, what=entry.kind, entry=entry))
    return tuple(told)


def _entries(asked: Asked, machine: str, ids: Sequence[str]) -> dict[str, EntryRow]:
    """Entries by identity; one that is none of its kind is left out."""
    found = {}
    for row in asked.ask(
        "SELECT e.id, e.session, e.at, e.kind, e.body FROM entry e WHERE e.id AMONG :ids", ids=ids
    ):
        with suppress(Misfit):
            found[row[0]] = entry_of((*row, machine))
    return found


def _unknown(asked: Asked, machine: str) -> BadInput:
    import difflib

    known = [name for (name,) in asked.ask("SELECT DISTINCT machine FROM latest")]
    near = difflib.get_close_matches(machine, known, 1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    return BadInput(f"no machine is named {machine!r}{hint}", remedy="'workshop list' shows all")


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
