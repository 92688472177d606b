"""`script`: settings in a start-up script, live values told in sentences.

A code without values is answered like `Steps/mm: X: 80.000, Y: 80.000, E: 420.000:420.000`, the
tools joined by colons.  Speeds are in mm/min unless the sentence says otherwise.  `M503` prints
the text of the script, which need not be what is live, and `M500` does not hold steps, speeds
or accelerations: those are kept by editing their line in the script.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from agent.errors import Refused
from agent.families.base import Query, StoreWords, notices_in
from agent.families.codes import code_line
from agent.families.values import (
    PER_MINUTE,
    Collection,
    check_writable,
)
from agent.model.exact import number
from agent.model.settings import Event, Readback
from agent.wire.exchange import Window

_SENTENCE: Final = re.compile(
    r"(?P<words>[A-Za-z][^:(]*?)\s*(?:\((?P<unit>[^)]*)\))?\s*[:-]\s*(?P<items>[XYZ]:\s*\S.*)"
)
_ITEM: Final = re.compile(r"\b([A-Z]):\s*([^\s,]*)")

#: Kind by the words of a sentence, the first that fits.
_KINDS: Final = (
    ("steps_per_mm", re.compile(r"steps/mm", re.I)),
    ("max_acceleration", re.compile(r"accel", re.I)),
    ("jerk", re.compile(r"jerk", re.I)),
    ("motor_current", re.compile(r"current", re.I)),
    ("max_speed", re.compile(r"speed|feed|rate", re.I)),
)
_CODE: Final = {
    "steps_per_mm": "M92",
    "max_speed": "M203",
    "max_acceleration": "M201",
    "jerk": "M566",
    "motor_current": "M906",
}
_IN_MINUTES: Final = ("max_speed", "jerk")


class Script:
    """See the head of this module."""

    name = "script"
    words = StoreWords(store="M500", reload="M501", covers_steps=False)
    numbered_lines = True
    ack_first = False
    query_settings: tuple[Query, ...] = tuple(Query(code) for code in _CODE.values())
    names_itself: Query | None = None
    window = Window(lines=4)
    pause = 0.0

    def parse(self, lines: Sequence[str]) -> Readback:
        reading = Collection(self.name)
        for text in lines:
            match = _SENTENCE.fullmatch(text)
            kind = _kind(match["words"]) if match else None
            if match and kind:
                _take(kind, match, reading)
            elif code_line(text):
                reading.note(f"text of the script, not the live value: {text}")
            else:
                reading.say(text)
        return reading.readback()

    def write_line(self, key: str, value: float, readback: Readback) -> str:
        setting = check_writable(key, value, readback)
        kind, _, axis = key.partition(".")
        if kind not in _CODE:
            raise Refused(f"{key} cannot be set by one line")
        if not axis.startswith("e"):
            return f"{_CODE[kind]} {axis.upper()}{_printed(kind, value)}"
        tools = {k: s.value for k, s in readback.settings.items() if k.startswith(f"{kind}.e")}
        tools[key] = value
        joined = ":".join(_printed(kind, tools[k]) for k in sorted(tools))
        assert setting.raw
        return f"{_CODE[kind]} E{joined}"

    def reply_events(self, line: str, reply: Sequence[str]) -> tuple[Event, ...]:
        return notices_in(reply)

    def file_line(self, key: str, value: float) -> str | None:
        kind, _, axis = key.partition(".")
        if kind not in _CODE:
            return None
        letter = "E" if axis.startswith("e") else axis.upper()
        return f"{_CODE[kind]} {letter}{_printed(kind, value)}"


def _kind(words: str) -> str | None:
    return next((kind for kind, pattern in _KINDS if pattern.search(words)), None)


def _printed(kind: str, value: float) -> str:
    return number(value * 60 if kind in _IN_MINUTES else value)


def _take(kind: str, match: re.Match[str], reading: Collection) -> None:
    """The values of one sentence."""
    text = match.string
    per_minute = kind in _IN_MINUTES and "/s" not in (match["unit"] or "")
    factor = PER_MINUTE if per_minute else 1.0
    items = dict(_ITEM.findall(match["items"]))
    tools = items.pop("E", "").rstrip(":")
    for letter in "XYZ":
        if letter not in items:
            reading.spoil(f"{kind} lacks {letter}: {text}")
    for letter, printed in items.items():
        reading.add(f"{kind}.{letter.lower()}", printed, text, factor)
    for tool, printed in enumerate(tools.split(":") if tools else ()):
        reading.add(f"{kind}.e{tool}", printed, text, factor)
