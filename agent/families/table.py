"""`table`: answers M205 with lines `EPR:<type> <position> <value> <text>`.

Positions differ from build to build, so entries are found by their whole text; to write one,
type and position must be those just read.  The acknowledgement comes first, the table after it.
`M206` writes memory here: nothing of this module may ever be sent to another family.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from agent.errors import Refused
from agent.families.base import Evidence, Family, Query, StoreWords
from agent.families.values import (
    PER_MINUTE,
    Collection,
    check_writable,
    kind_of,
)
from agent.model.exact import on_line
from agent.model.settings import Readback
from agent.wire.exchange import Window

_LINE: Final = re.compile(
    r"EPR:(?P<type>[0-3]) (?P<position>\d+) (?P<value>\S+) "
    r"(?P<text>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?$"
)
_INTEGER: Final = re.compile(r"-?\d+")
_FLOAT: Final = "3"

#: Text without its unit -> key, with the axis, motor or tool taken out of it.
_AXIS: Final = re.compile(r"(?P<axis>[XYZ])(?P<motor>\d?)(?P<rest>(?:-axis)? .*)")
_TOOL: Final = re.compile(r"Extr(?:uder)?\.?\s*(?P<tool>\d+)(?P<rest> .*)")
_PER_AXIS: Final = {
    "-axis steps per mm": "steps_per_mm",
    "-axis max. feedrate": "max_speed",
    "-axis acceleration": "max_acceleration",
    " max length": "max_travel",
}
_PER_TOOL: Final = {
    " steps per mm": "steps_per_mm",
    " max. feedrate": "max_speed",
    " acceleration": "max_acceleration",
}
_LOOPS: Final = {" PID P-gain": "p", " PID I-gain": "i", " PID D-gain": "d"}

#: Codes that set something or write memory; common practice but for M92 and M206.
_SETTING: Final = frozenset(
    {"M92", "M201", "M202", "M203", "M204", "M206", "M207", "M209", "M231", "M232", "M233", "M251"}
)

#: Factor from the printed unit; a unit that is not here makes the entry text only.
_UNITS: Final = {
    "steps_per_mm": {"": 1.0},
    "max_speed": {"mm/s": 1.0, "mm/min": PER_MINUTE},
    "max_acceleration": {"mm/s^2": 1.0},
    "max_travel": {"mm": 1.0},
    "hotend_pid": {"": 1.0},
    "bed_pid": {"": 1.0},
    "jerk": {"mm/s": 1.0},
}


class Table(Family):
    """See the head of this module."""

    name = "table"
    sends = "prints a table of places; a value is written to its place"
    evidence = (
        Evidence(3, r"EPR:\d"),
        Evidence(2, r"info:.*configuration loaded"),
        Evidence(2, r"unknown command:\s*\"?N\d+ "),
        Evidence(1, r"ok \d+$"),
    )
    decided_by = frozenset({"M115", "M92", "M503", "M205"})
    words = StoreWords(store="M500", reload="M501", covers_steps=True)
    ack_first = True
    query_settings = (Query("M205", "quiet"),)
    window = Window(lines=1)  # acknowledged on reception: one more would be one unheard
    reads = frozenset({"M115", "M205", "M114", "M105", "M119"})
    sets = _SETTING

    def parse(self, lines: Sequence[str]) -> Readback:
        reading = Collection(self.name)
        for text in lines:
            match = _LINE.match(text)
            if match is not None:
                _take(match, reading)
            elif "EPR" in text:
                reading.spoil(f"the remains of a line: {text}")
            else:
                reading.say(text)
        reading.require_axes()
        return reading.readback()

    def write_line(self, key: str, value: float, readback: Readback) -> str:
        setting = check_writable(key, value, readback)
        match = _LINE.match(setting.raw)
        assert match is not None  # it was read from this line
        number = on_line(value, setting)
        if match["type"] == _FLOAT:
            return f"M206 T3 P{match['position']} X{number}"
        if not _INTEGER.fullmatch(number):
            raise Refused(f"{key} is kept as a whole number, {number} is none")
        return f"M206 T{match['type']} P{match['position']} S{number}"


def keys_of(text: str) -> tuple[str, ...]:
    """Keys of an entry by its whole text; empty if it is not modelled."""
    if text == "Max. jerk":
        return "jerk.x", "jerk.y"
    if text == "Max. Z-jerk":
        return ("jerk.z",)
    if text.startswith("Bed") and (part := _LOOPS.get(text[3:])):
        return (f"bed_pid.{part}",)
    if match := _TOOL.fullmatch(text):
        tool = int(match["tool"]) - 1
        if kind := _PER_TOOL.get(match["rest"]):
            return (f"{kind}.e{tool}",)
        part = _LOOPS.get(match["rest"])
        return (f"hotend_pid.{part}",) if part and tool == 0 else ()
    if (match := _AXIS.fullmatch(text)) and (kind := _PER_AXIS.get(match["rest"])):
        motor = f"_{match['motor']}" if match["motor"] else ""
        return (f"{kind}.{match['axis'].lower()}{motor}",)
    return ()


def _take(match: re.Match[str], reading: Collection) -> None:
    """One entry of the table."""
    printed, unit, text = match["value"], match["unit"] or "", match.string
    if not reading.is_first(f"position {match['position']}", text):
        return
    if match["type"] != _FLOAT and not _INTEGER.fullmatch(printed):
        reading.spoil(f"{printed} is no whole number: {text}")
        return
    keys = keys_of(match["text"])
    if keys and (factor := _UNITS[kind_of(keys[0])].get(unit)):
        for key in keys:
            reading.add(key, printed, text, factor)
        return
    if printed.lower() == "nan":
        reading.note(f"not a number, but no setting of the motion: {text}")
    reading.other.append(text)
