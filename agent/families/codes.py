"""Settings replayed as code lines: what a letter of a code means, both ways.

A line is `<code> <letter><number> ...`.  Some letters choose (tool, motor), the others carry
values; which is which, and what each value means, a table of the family says.  The same table
turns a line into keys and a key back into its line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

#: A code, perhaps behind `echo:` prefixes, up to a comment.
_LINE: Final = re.compile(
    r"(?P<prefix>(?:echo:)*)(?P<blank>\s*)(?P<code>[GM]\d+(?:\.\d+)?)(?![^\s;])\s*(?P<rest>[^;]*)"
)
_NUMBERED: Final = re.compile(r"(?:echo:)*\s*N\d+\s+[GM]\d")
_EXTRUDER: Final = re.compile(r"(?<=\.e)\S+$")


@dataclass(frozen=True)
class Code:
    """What the letters of one code mean."""

    keys: Mapping[str, str]  #: letter -> key; a key ending in `.e` gets the tool appended
    tool: str = ""  #: letter that chooses the tool by its number
    tool_id: str = ""  #: letter that chooses the tool by a name of the controller's own
    motor: str = ""  #: letter that chooses the motor of an axis; 0 is the first
    whole: str = ""  #: letters that only come together, with equally many decimals
    x_for_y: bool = False  #: X without Y stands for both
    unset: bool = False  #: -1 stands for a value that is not in force
    with_s: Mapping[str, str] = field(default_factory=dict)  #: `keys` of an old form with S, no P

    def keys_of(self, letters: str) -> Mapping[str, str]:
        return self.with_s if self.with_s and "S" in letters and "P" not in letters else self.keys

    @cached_property
    def selectors(self) -> str:
        return self.tool + self.tool_id + self.motor


def code_line(text: str) -> tuple[str, list[str], bool] | None:
    """Code, fields (letter and printed number together), and whether it is an echo.

    None for a text that is no code line.
    """
    match = _LINE.match(text)
    if match is None:
        return None
    prefix, blank, code, rest = match.groups()
    return code, rest.split(), bool(prefix) and not blank


def letters_of(fields: Sequence[str]) -> str:
    return "".join([f[0] for f in fields])


def is_numbered(text: str) -> bool:
    """True for a line with a line number: a command that came back."""
    return _NUMBERED.match(text) is not None


def per_axis(kind: str, letters: str = "XYZE") -> dict[str, str]:
    """Keys of `kind` for each axis letter."""
    return {letter: f"{kind}.{letter.lower()}" for letter in letters}


def entries(fields: Sequence[str], code: Code) -> list[tuple[str, str, str]]:
    """(letter, key, printed number) of each value of a line; key empty if it is not modelled.

    A key that is not kept per tool is modelled for the first tool only.  A tool with a name of
    the controller's own appears in the key as `#name`.
    """
    letters = letters_of(fields)
    keys = code.keys_of(letters)
    chosen = {f[0]: f[1:] for f in fields if f[0] in code.selectors}
    tool = int(chosen.get(code.tool, 0))
    named = f"#{chosen[code.tool_id]}" if code.tool_id in chosen else ""
    motor = f"_{int(chosen[code.motor]) + 1}" if chosen.get(code.motor, "0") != "0" else ""
    found = []
    for f in fields:
        letter, printed = f[0], f[1:]
        if letter in chosen:
            continue
        key = keys.get(letter, "")
        if key.endswith(".e"):
            key = f"{key}{named or tool}"
            tool += 1  # the letter again on the same line is the next tool
        elif tool:
            key = ""
        found.append((letter, key + motor if key else "", printed))
        if letter == "X" and code.x_for_y and "Y" not in letters:
            found.append((letter, keys["Y"], printed))
    return found


def line_for(key: str, number: str, raw: str, codes: Mapping[str, Code]) -> str | None:
    """The line that sets `key`, made after the line `raw` on which it was read; None if none."""
    name, fields, _ = code_line(raw) or ("", [], False)
    code = codes.get(name)
    if code is None:
        return None
    general = _EXTRUDER.sub("", key)
    for letter, found, _ in entries(fields, code):
        if _EXTRUDER.sub("", found) == general:
            chosen = [f for f in fields if f[0] in code.selectors]
            if letters_of(fields).count(letter) > 1:
                chosen = [f"T{key.rpartition('.e')[2]}"]
            return " ".join([name, *chosen, f"{letter}{number}"])
    return None
