"""`numbered`: lists `$n=value`, and a `$n=value` sent back is stored at once.

Speeds are in mm/min here.  What a number means has changed over the years, so the text in
brackets decides where there is one, and numbers alone count only from 100 on, where they have
always meant the same.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from agent.families.base import Evidence, Family, Query, Stop, StoreWords
from agent.families.values import (
    PER_MINUTE,
    Collection,
    check_writable,
)
from agent.model.exact import on_line
from agent.model.settings import Readback
from agent.model.wording import Wording
from agent.wire.exchange import Window

_LINE: Final = re.compile(
    r"\$(?P<name>0|[1-9]\d*|N\d|[A-Za-z]\w*(?:/\w+)*)\s*=\s*(?P<value>[^\s(]*)"
    r"(?:\s+\((?P<text>[^)]*)\))?\s*$"
)
#: Start-up lines and names hold text, in which a blank or a bracket means nothing.
_TEXT: Final = re.compile(
    r"\$(?P<name>N\d|[A-Za-z]\w*(?:/\w+)*)\s*=\s*(?P<value>.*?)\s*(?P<text>)$"
)
_PLAIN_NUMBER: Final = re.compile(r"-?\d+\.?\d{0,9}")

#: Hundreds of numbers: kind, with the axis counted by the ones.
_BY_NUMBER: Final = {10: "steps_per_mm", 11: "max_speed", 12: "max_acceleration", 13: "max_travel"}

#: Axes by count; from the fourth on they drive extruders in a printer.
_AXES: Final = ("x", "y", "z", "e0", "e1", "e2")

#: Kind by the words in brackets, the first that fits.
_BY_TEXT: Final = (
    ("steps_per_mm", re.compile(r"steps?/mm", re.I)),
    ("max_acceleration", re.compile(r"accel", re.I)),
    ("max_travel", re.compile(r"max\w*\.? travel", re.I)),
    ("max_speed", re.compile(r"max\w*\.? rate", re.I)),
    ("junction_deviation", re.compile(r"junc\w* deviation", re.I)),
)
_AXIS: Final = re.compile(r"\b([xyzabc])(?:-axis)?\b", re.I)

#: Kind by the second part of a name.
_BY_NAME: Final = {
    "stepspermm": "steps_per_mm",
    "maxrate": "max_speed",
    "acceleration": "max_acceleration",
    "maxtravel": "max_travel",
}

#: Junction deviation, where the numbers from 100 on are in use.
_JUNCTION: Final = "11"


class Numbered(Family):
    """See the head of this module."""

    name = "numbered"
    sends = "lists $n=value; writing is storing, there is no trial stage"
    evidence = (
        Evidence(3, r"\$\w+(?:/\w+)?\s*="),
        Evidence(3, r".*\['\$' for help\]"),
        Evidence(3, r"<(?:idle|run|hold|jog|alarm|door|check|home|sleep)\b"),
        Evidence(3, r"ALARM:\d"),
        Evidence(3, r"\[(?:VER|OPT|MSG|GC):"),
        Evidence(2, r"error:\s*\d+(?: \(|$)"),
    )
    decided_by = frozenset({"M115", "M92", "M503", "M205"})
    words = StoreWords(store=None, reload=None, covers_steps=True, writing_stores=True)
    numbered_lines = False
    query_settings = (Query("$$"),)
    names_itself = Query("$I")
    window = Window(lines=64, bytes=127)  # its receive buffer holds 128
    pause = 0.05  # while it writes its memory, what is sent to it is lost
    reads = frozenset({"$$", "$I", "$G", "$#", "$N", "?"})
    sets = frozenset({"G10", "$RST", "$SLP", "$C"})
    wording = Wording(plastic="A", relative=False, heats=False, homes=False)
    standstill = "G4 P0"  # dwell of NIST RS274/NGC; common practice: it ends the queue
    unlocks = frozenset({"$X"})
    stop = Stop("Ctrl-X", b"\x18")  # a reset at once

    def parse(self, lines: Sequence[str]) -> Readback:
        reading = Collection(self.name)
        modern = any(line.startswith("$100") for line in lines)
        for text in lines:
            named = _TEXT.match(text)
            if named is not None and key_of(named["name"], "", modern=modern) is not None:
                named = None  # a setting that is modelled, by its name
            match = named or _LINE.match(text)
            if match is not None:
                _take(match, modern, reading)
            elif text.startswith("$"):
                reading.spoil(f"the remains of a line: {text}")
            elif text.startswith("[VER:"):
                reading.identity = text
            elif not text.startswith("["):
                reading.say(text)
        reading.require_axes()
        return reading.readback()

    def write_line(self, key: str, value: float, readback: Readback) -> str:
        setting = check_writable(key, value, readback)
        match = _LINE.match(setting.raw)
        assert match is not None  # it was read from this line
        return f"${match['name']}={on_line(value, setting)}"

    def as_shown(self, letter: str, value: float) -> str:
        return f"$10{'xyz'.index(letter.lower())}={value:.3f}"

    def homes(self, letters: Sequence[str]) -> str | None:
        return None  # `$H` homes every axis that has a switch


def _take(match: re.Match[str], modern: bool, reading: Collection) -> None:
    """One setting of the list; `modern`: the list has numbers from 100 on."""
    name, printed, text = match["name"], match["value"], match.string
    if not reading.is_first(f"${name}", text):
        return
    key = key_of(name, match["text"] or "", modern=modern)
    if key is not None:
        reading.add(key, printed, text, _factor(key))
    elif _plain(name, printed):
        reading.other.append(text)
    else:
        reading.spoil(f"${name} is {printed or 'empty'}, which is impossible: {text}")


def _factor(key: str) -> float:
    return PER_MINUTE if key.startswith("max_speed") else 1.0


def key_of(name: str, text: str, *, modern: bool) -> str | None:
    """Key of a setting by its number or name and the text in brackets; None if not modelled."""
    if "/" in name:
        axis, _, what = name.partition("/")
        kind = _BY_NAME.get(what.lower())
        return f"{kind}.{_axis(axis)}" if kind else None
    if not name.isdecimal():
        return None
    if text:
        kind = next((kind for kind, words in _BY_TEXT if words.search(text)), None)
        axis_word = _AXIS.search(text)
        if kind == "junction_deviation":
            return kind
        return f"{kind}.{_axis(axis_word[1])}" if kind and axis_word else None
    if name == _JUNCTION and modern:
        return "junction_deviation"
    kind = _BY_NUMBER.get(int(name) // 10)
    axis_count = int(name) % 10
    return f"{kind}.{_AXES[axis_count]}" if kind and axis_count < len(_AXES) else None


def _axis(letter: str) -> str:
    """Axis of a letter; the ones behind z drive extruders in a printer."""
    letter = letter.lower()
    return letter if letter in "xyz" else _AXES[3 + "abc".index(letter)] if letter in "abc" else ""


def _plain(name: str, value: str) -> bool:
    """True for a value that a healthy memory could hold; start-up lines and names are text."""
    if name.isdecimal():
        return _PLAIN_NUMBER.fullmatch(value) is not None
    return name.startswith("N") or bool(value)
