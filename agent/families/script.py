"""`script`: settings in a start-up script, live values told in sentences.

A code without values is answered like `Steps/mm: X: 80.000, Y: 80.000, E: 420.000:420.000`, the
tools joined by colons.  Speeds are in mm/min unless the sentence says otherwise.  `M503` prints
the text of the script, which need not be what is live, and `M500` does not hold steps, speeds
or accelerations: those are kept by editing their line in the script.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

from agent.errors import Refused
from agent.families.base import Evidence, Family, Query, StoreWords
from agent.families.codes import code_line
from agent.families.dump import READS
from agent.families.values import (
    PER_MINUTE,
    Collection,
    check_writable,
)
from agent.model.exact import number
from agent.model.settings import Readback

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
#: Codes that set what no sentence tells; common practice.
_SETTING: Final = frozenset(
    """
    G10 M204 M205 M206 M207 M208 M301 M304 M305 M307 M308 M350 M552 M553 M555 M556 M557 M558 M563
    M567 M569 M570 M571 M572 M574 M578 M579 M584 M585 M586 M587 M588 M591 M592 M593 M665 M666
    M667 M669 M671 M851 M911 M913 M915 M917 M950 M951
    """.split()  # noqa: SIM905 - a list of words reads better than a row of quotes
)
_IN_MINUTES: Final = ("max_speed", "jerk")


class Script(Family):
    """See the head of this module."""

    name = "script"
    sends = "keeps its settings in a start-up script, whose lines are edited; answers in sentences"
    evidence = (
        Evidence(4, r"steps/mm:"),
        Evidence(3, r".*no\s+M501\s+.*executed"),
        Evidence(3, r"M(?:556|566|574|584)\b"),
        Evidence(3, r"M\d+ .*\bE[\d.]+:[\d.]"),
    )
    decided_by = frozenset({"M92", "M503", "M205"})
    words = StoreWords(
        store="M500", reload="M501", covers_steps=False, file="the controller's start-up script"
    )
    query_settings = tuple(Query(code) for code in _CODE.values())
    reads = READS | frozenset(_CODE.values())
    sets = frozenset(_CODE.values()) | _SETTING

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

    def file_line(self, key: str, value: float) -> str | None:
        kind, _, axis = key.partition(".")
        if kind not in _CODE:
            return None
        letter = "E" if axis.startswith("e") else axis.upper()
        return f"{_CODE[kind]} {letter}{_printed(kind, value)}"

    def edited(self, text: str, wanted: Mapping[str, float]) -> str:
        lines = text.splitlines(keepends=True)
        for key, value in wanted.items():
            line = self.file_line(key, value)
            if line is None:
                raise Refused(f"{key} has no line in {self.words.file}")
            _put(lines, line, tool=int(key.partition(".e")[2] or 0))
        return "".join(lines)

    def as_shown(self, letter: str, value: float) -> str:
        return f"Steps/mm: {letter.upper()}: {value:.3f}"


def _kind(words: str) -> str | None:
    return next((kind for kind, pattern in _KINDS if pattern.search(words)), None)


def _put(lines: list[str], line: str, *, tool: int) -> None:
    """Put the value of `line` into the last line that sets it, or behind the last of its code."""
    code, _, word = line.partition(" ")
    letter, value = word[0], word[1:]
    field = re.compile(rf"(?<![A-Za-z]){letter}(-?[\d.]+(?::-?[\d.]+)*)", re.I)
    behind = len(lines)
    for i in reversed(range(len(lines))):
        body, remark, rest = lines[i].partition(";")
        if re.match(rf"\s*{code}(?![\d.])", body, re.I) is None:
            continue
        behind = behind if behind < len(lines) else i + 1
        if (match := field.search(body)) and tool < len(values := match[1].split(":")):
            if _same(values[tool], value):
                return  # as it stands there: a person's digits stay
            values[tool] = value
            body = f"{body[: match.start(1)]}{':'.join(values)}{body[match.end(1) :]}"
            lines[i] = body + remark + rest
            return
    if tool:
        raise Refused(
            f"No line of {code} has a value for tool {tool}", remedy=f"Put it in by hand: {line}"
        )
    end = "\r\n" if any(one.endswith("\r\n") for one in lines) else "\n"  # as the file has them
    if behind and not lines[behind - 1].endswith("\n"):
        lines[behind - 1] += end
    lines.insert(behind, f"{line}{end}")


def _same(one: str, other: str) -> bool:
    """Whether two numbers of a file are the same; what is no number is none of another."""
    try:
        return float(one) == float(other)
    except ValueError:
        return False


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
