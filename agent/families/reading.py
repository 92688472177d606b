"""Reading a controller: which family it is, what it holds, and whether that can be believed.

Replies carry no checksum, so a reading counts only if two read-backs agree.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Final

from agent.errors import BrokenByRestart, LinkFailed
from agent.families.base import Family, Query
from agent.families.evidence import family_of, identity_in
from agent.model.exact import as_printed
from agent.model.settings import Readback, Setting
from agent.wire.exchange import State
from agent.wire.link import Direction, Link, Reply

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

#: Weight of evidence on which settings may be read, and later written.
_ENOUGH: Final = 2


def read_once(link: Link, family: Family) -> Readback:
    """One reading of all settings.

    Raises LinkFailed as `Link.ask` does.  May be called in DOUBT: it sends only what reads.
    """
    return _parsed(_replies(link, family), link, family)


def read_back(link: Link, family: Family) -> Readback:
    """Two readings that must agree to the letter; where they do not, that is damage.

    A reading without damage leaves DOUBT: the state of the controller is known again.
    Raises LinkFailed as `Link.ask` does.
    """
    one, two = _replies(link, family), _replies(link, family)
    both = agreed(_parsed(one, link, family), _parsed(two, link, family))
    if not both.damaged:
        both = replace(both, damage=_unlike(one, two))
    if not both.damaged:
        link.resync()
    return both


def read_back_once_up(link: Link, family: Family) -> Readback:
    """As `read_back`; a restart in the middle of it (a board that boots late) is waited for.

    Only for an attach or a look, where nothing was written that a restart could have undone.
    """
    try:
        return read_back(link, family)
    except BrokenByRestart:
        link.settle()
        return read_back(link, family)


def _replies(link: Link, family: Family) -> list[Reply]:
    return [
        link.ask(query.line, end=query.end, timeout=query.timeout, reads=True)
        for query in family.query_settings
    ]


def _parsed(replies: Sequence[Reply], link: Link, family: Family) -> Readback:
    parsed = family.parse([line for reply in replies for line in reply.lines])
    damage = [f"{r.line} was refused: {r.error}" for r in replies if not (r.ok or parsed.settings)]
    for key in _EXPECTED:
        if key not in parsed.settings and not any(key in said for said in parsed.damage):
            damage.append(f"{key} is missing")
    told = [event for reply in replies for event in reply.events]
    return replace(
        parsed,
        identity=link.identity,
        events=(*parsed.events, *(event for event in told if event not in parsed.events)),
        damage=(*damage, *parsed.damage),
    )


def _unlike(one: Sequence[Reply], two: Sequence[Reply]) -> tuple[str, ...]:
    """Lines that differ: a value that was lost in both readings shows in its remains."""
    first, second = ([line for reply in read for line in reply.lines] for read in (one, two))
    if first == second:
        return ()
    changed = [line for line in (*first, *second) if (line in first) != (line in second)]
    return (f"two readings differ: {'; '.join(changed[:4]) or 'lines repeated'}",)


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
    return "nothing" if setting is None else as_printed(setting)


def identify(link: Link, families: Sequence[Family]) -> tuple[Family | None, str]:
    """The family of the controller by what it answers, and how it names itself.

    Sends only lines that read.  None for a controller that no family recognises: its replies
    can be shown, and nothing can be written to it.  A family that is found sets the habits of
    the link: line numbers, window, pause.  Raises LinkFailed if nothing answers.
    """
    with _listening(link) as lines:
        link.settle()
        family: Family | None = None
        for question in _QUESTIONS:
            _ask(link, question)
            family = family_of(lines, families, _ENOUGH)
            if family is not None and question.line in family.decided_by:
                break
        if family is not None:
            adopt(link, family)
            if family.names_itself is not None:
                _ask(link, family.names_itself)
    link.identity = identity_in(lines)
    return family, link.identity


@contextmanager
def _listening(link: Link) -> Iterator[list[str]]:
    """Every line that is received meanwhile, whether or not it belongs to an answer."""
    lines: list[str] = []
    record = link.on_traffic

    def listen(at: float, way: Direction, *together: str) -> None:
        if way == "<":
            lines.extend(together)
        if record is not None:
            record(at, way, *together)

    link.on_traffic = listen
    try:
        yield lines
    finally:
        link.on_traffic = record


def _ask(link: Link, question: Query) -> None:
    """Ask; a boot may have swallowed the question, so it is asked twice before giving up."""
    try:
        link.ask(question.line, end=question.end, timeout=question.timeout, reads=True)
    except LinkFailed:
        if link.state is State.HALTED:
            raise
        link.settle()
        link.ask(question.line, end=question.end, timeout=question.timeout, reads=True)


def adopt(link: Link, family: Family) -> None:
    """Give the link the habits of a family: line numbers, window, pause, order of answers."""
    link.exchange.numbered = family.numbered_lines
    link.ack_first = family.ack_first
    link.window, link.pause = family.window, family.pause
