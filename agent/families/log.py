"""Settings out of a captured log: the exchange is fed from a file instead of a port."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from agent.families.base import Family
from agent.families.evidence import family_of, identity_in
from agent.families.values import MOST_NOTES
from agent.model.settings import Event, Readback, Setting
from agent.wire import events as wire
from agent.wire.exchange import Exchange
from agent.wire.notices import SAID_TWICE, narrate
from agent.wire.words import refusal

#: A line that the capture marks as sent by the computer, or as received.  A controller's own
#: lines that start so (`>G54:ok`, `<Idle|...>`) have no blank there or an answer behind.
_SENT: Final = re.compile(r"\s*>+\s*(?P<line>(?!\S*:ok\b|\S*:error:)\S.*)")
_RECEIVED: Final = re.compile(r"\s*<+\s+")


#: With this line a boot is over; what follows is an answer again.
_BOOT_ENDS: Final = re.compile(r"(?:echo:)?\s*(?:sd |no sd)", re.IGNORECASE)

_MOST_EVENTS: Final = 10_000


@dataclass(slots=True, eq=False)
class _Reply:
    """Data lines up to an acknowledgement, or up to the next thing that cannot be part of them."""

    lines: list[str] = field(default_factory=list)
    answered: bool = False
    boot: bool = False
    junk: int = 0


class _Log:
    """What a log says, reply by reply."""

    def __init__(self) -> None:
        self.replies = [_Reply()]
        self.events: list[Event] = []
        self.notes: list[str] = []
        self._sent: set[str] = set()

    def send(self, line: str) -> None:
        self._sent.add(line)
        self._cut()

    def take(self, event: wire.Event) -> None:
        reply = self.replies[-1]
        match event:
            case wire.Received(text):
                if text.removeprefix("echo:") in self._sent:
                    return
                reply.lines.append(text)
            case wire.Stray(text):
                if text.startswith("error:"):
                    self.notes.append(f"a line was refused: {refusal(text)}")
                reply.answered = True
                self._cut()
            case wire.Idle():
                self._cut()
            case wire.Unsolicited(text) if reply.boot and _BOOT_ENDS.match(text):
                self._cut()
            case wire.Restarted():
                self._cut(boot=True)
            case wire.Junk(size):
                reply.junk += size
        told = narrate(event)
        if told is None or len(self.events) >= _MOST_EVENTS:
            return
        if not (told.kind in SAID_TWICE and self.events and told == self.events[-1]):
            self.events.append(told)

    def _cut(self, *, boot: bool = False) -> None:
        self.replies.append(_Reply(boot=boot))


def from_log(text: str, families: Sequence[Family]) -> Readback:
    """The reading in a captured log; the family is found from what is in it; never raises.

    The log may be all that a controller sent, or mark what was sent with `>` in front.  Where
    several replies hold settings, the last value of each key counts.  What a boot prints
    answers no question: it is shown if there is nothing else, as damaged.
    """
    log, exchange = _Log(), Exchange()
    received: list[str] = []
    for line in text.split("\n"):
        if sent := _SENT.match(line):
            log.send(sent["line"].strip())
            continue
        data = _RECEIVED.sub("", line, count=1).encode("utf-8", "surrogateescape") + b"\n"
        for event in exchange.receive(data, 0.0):
            log.take(event)
        received += (text for text in exchange.heard if isinstance(text, str))
    family = family_of(received, families)
    if family is None:
        junk = sum(reply.junk for reply in log.replies)
        spoiled = f"{junk} bytes that are no text: a wrong speed or a bad cable"
        return Readback(
            "unknown",
            {},
            identity=identity_in(received),
            events=tuple(log.events),
            damage=(spoiled,) if junk else (),
            notes=tuple(text for reply in log.replies for text in reply.lines)[:MOST_NOTES],
        )
    whole = _merged(log.replies, family)
    return replace(
        whole,
        identity=identity_in(received),
        events=tuple(log.events),
        notes=(*whole.notes, *log.notes),
    )


def _merged(replies: list[_Reply], family: Family) -> Readback:
    """One reading of all replies: later values count, keys that a later dump lacks are damage."""
    read = [(reply, family.parse(reply.lines)) for reply in replies if reply.lines or reply.junk]
    with_settings = [(reply, part) for reply, part in read if part.settings]
    answers = [(r, part) for r, part in with_settings if not (family.dumps_at_boot and r.boot)]
    settings: dict[str, Setting] = {}
    seen: dict[str, None] = {}
    other: list[str] = []
    damage: list[str] = []
    notes: list[str] = []
    for reply, part in answers or with_settings:
        if _is_dump(part):  # it stands for everything before it
            for kept in (settings, other, damage, notes):
                kept.clear()
        settings |= part.settings
        seen |= dict.fromkeys(part.settings)
        other += part.other
        damage += part.damage
        notes += part.notes
        if not answers:
            damage.append("this was printed by a boot, it answers no question: read again")
        elif not (reply.answered or family.ack_first):
            damage.append("the reply does not end with an acknowledgement: it may be cut")
        if reply.junk:
            damage.append(f"{reply.junk} bytes of junk in the reply")
    damage += (f"{key} is missing in the last reply" for key in seen if key not in settings)
    for _, part in read:
        if not part.settings:
            damage += part.damage
            notes += part.notes
    return Readback(
        family.name,
        settings,
        other=tuple(other),
        damage=tuple(damage[:MOST_NOTES]),
        notes=tuple(notes[:MOST_NOTES]),
    )


def _is_dump(part: Readback) -> bool:
    """True if a reply lists more than one kind of setting, so that it stands for all."""
    return len({key.partition(".")[0] for key in part.settings}) > 1
