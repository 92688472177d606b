"""Reading a controller: which family it is, what it holds, and whether that can be believed.

Replies carry no checksum, so a reading counts only if two read-backs agree.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from agent.errors import LinkFailed
from agent.families.base import Family, Query
from agent.families.evidence import family_of, identity_in
from agent.model.settings import Event, Readback, Setting
from agent.wire.exchange import State
from agent.wire.link import Link

#: Without these no reading of a machine is whole.
_EXPECTED: Final = ("steps_per_mm.x", "steps_per_mm.y", "steps_per_mm.z")


#: Asked one after the other, until the answers decide; none of them changes anything in any
#: family.  M205 alone lists the table of one family and reports or does nothing in the others.
_QUESTIONS: Final = (
    Query("M115", timeout=4.0),
    Query("M92", timeout=4.0),
    Query("M503", timeout=8.0),
    Query("M205", "quiet", timeout=8.0),
)

#: Questions whose answer is enough for a family.
_DECIDES: Final = {
    "numbered": ("M115", "M92", "M503", "M205"),
    "script": ("M92", "M503", "M205"),
    "replay": ("M503", "M205"),
    "override": ("M503", "M205"),
    "table": ("M115", "M92", "M503", "M205"),
}


def read_once(link: Link, family: Family) -> Readback:
    """One reading of all settings.

    Raises LinkFailed as `Link.ask` does.  May be called in DOUBT: it sends only what reads.
    """
    lines: list[str] = []
    events: list[Event] = []
    damage: list[str] = []
    for query in family.query_settings:
        reply = link.ask(query.line, end=query.end, timeout=query.timeout, reads=True)
        lines += reply.lines
        events += reply.events
        if not reply.ok:
            damage.append(f"{query.line} was refused: {reply.error}")
    parsed = family.parse(lines)
    for key in _EXPECTED:
        if key not in parsed.settings and not any(key in said for said in parsed.damage):
            damage.append(f"{key} is missing")
    told = (*parsed.events, *(event for event in events if event not in parsed.events))
    return replace(parsed, identity=link.identity, events=told, damage=(*damage, *parsed.damage))


def read_back(link: Link, family: Family) -> Readback:
    """Two readings that must agree; where they do not, the difference is damage.

    A reading without damage leaves DOUBT: the state of the controller is known again.
    Raises LinkFailed as `Link.ask` does.
    """
    first, second = read_once(link, family), read_once(link, family)
    both = agreed(first, second)
    if not both.damaged:
        link.resync()
    return both


def agreed(first: Readback, second: Readback) -> Readback:
    """The second of two readings, with every difference from the first as damage."""
    damage = [*first.damage, *(d for d in second.damage if d not in first.damage)]
    for key in sorted({*first.settings, *second.settings}):
        a, b = first.settings.get(key), second.settings.get(key)
        if not _same(a, b):
            damage.append(f"{key} read as {_shown(a)}, then as {_shown(b)}")
    if sorted(first.other) != sorted(second.other):
        changed = sorted(set(first.other) ^ set(second.other))
        damage.append(f"lines that differ between two readings: {'; '.join(changed)}")
    events = (*first.events, *(event for event in second.events if event not in first.events))
    return replace(second, damage=tuple(damage), events=events)


def _same(a: Setting | None, b: Setting | None) -> bool:
    return a is not None and b is not None and (a.value, a.digits) == (b.value, b.digits)


def _shown(setting: Setting | None) -> str:
    return "nothing" if setting is None else f"{setting.value:.{setting.digits}f}"


def identify(link: Link, families: Mapping[str, Family]) -> tuple[Family | None, str]:
    """The family of the controller by what it answers, and how it names itself.

    Sends only lines that read.  None for a controller that no family recognises: its replies
    can be shown, and nothing can be written to it.  A family that is found sets the habits of
    the link: line numbers, window, pause.  Raises LinkFailed if nothing answers.
    """
    lines = list(link.settle())
    found: str | None = None
    for question in _QUESTIONS:
        lines += _answer(link, question)
        found = family_of(lines)
        if found is not None and question.line in _DECIDES.get(found, ()):
            break
    family = families.get(found) if found is not None else None
    if family is not None:
        link.exchange.numbered = family.numbered_lines
        link.window, link.pause = family.window, family.pause
    link.identity = identity_in(lines)
    return family, link.identity


def _answer(link: Link, question: Query) -> list[str]:
    """All that came back for a question; a boot may swallow the first, so it is asked twice."""
    try:
        reply = link.ask(question.line, end=question.end, timeout=question.timeout, reads=True)
    except LinkFailed:
        if link.state is State.HALTED:
            raise
        link.settle()
        reply = link.ask(question.line, end=question.end, timeout=question.timeout, reads=True)
    told = [] if reply.ok else [f"error:{reply.error}"]
    return [*reply.lines, *told, *(e.detail.get("text", "") for e in reply.events)]
