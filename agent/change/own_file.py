"""Lines put into a copy of the controller's own file, every other line as it stands there."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

#: A line that sets something: its code and the rest; what follows a `;` is a remark.
_CODE: Final = re.compile(r"\s*([GM]\d+(?:\.\d+)?)\b([^;]*)", re.I)
_WORD: Final = re.compile(r"([A-Z])(-?[\d.]+(?::-?[\d.]+)*)", re.I)


@dataclass(frozen=True, slots=True)
class Edited:
    """A file with lines put into it."""

    text: str
    changed: tuple[str, ...]  #: lines whose value was replaced
    added: tuple[str, ...]  #: lines that had no place and stand at the end now
    kept: tuple[str, ...]  #: lines that were there already

    def difference(self, before: str, name: str) -> str:
        """What differs from `before`, as a unified difference."""
        lines = difflib.unified_diff(
            before.splitlines(), self.text.splitlines(), name, f"{name} (new)", lineterm="", n=1
        )
        return "\n".join(lines)


def with_lines(text: str, wanted: Sequence[str]) -> Edited:
    """`text` with the value of each line of `wanted` (such as `M92 X79.75`) in its place.

    The last line of the file that sets the same letter of the same code counts, since it is the
    one that holds at the end of the script; a line with several letters keeps the others.  A line
    that has no place is added at the end.  Remarks and line ends stay.
    """
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.split(end)
    changed: list[str] = []
    added: list[str] = []
    kept: list[str] = []
    for line in wanted:
        code, rest = _split(line)
        for letter, value in _WORD.findall(rest):
            place = _place(lines, code, letter)
            if place is None:
                added.append(line)
                continue
            fresh = _replaced(lines[place], letter, value)
            (kept if fresh == lines[place] else changed).append(line)
            lines[place] = fresh
    while added and lines and not lines[-1].strip():
        lines.pop()
    result = [*lines, *added, ""] if added else lines
    return Edited(end.join(result), tuple(changed), tuple(added), tuple(kept))


def _split(line: str) -> tuple[str, str]:
    found = _CODE.match(line)
    if found is None:
        raise ValueError(f"{line!r} is no line with a code")
    return found[1].upper(), found[2]


def _place(lines: Sequence[str], code: str, letter: str) -> int | None:
    """Where the letter of the code is set last."""
    for number in range(len(lines) - 1, -1, -1):
        found = _CODE.match(lines[number])
        if found is not None and found[1].upper() == code:
            letters = [word.upper() for word, _ in _WORD.findall(found[2])]
            if letter.upper() in letters:
                return number
    return None


def _replaced(line: str, letter: str, value: str) -> str:
    """`line` with the letter's value; of several tools joined by colons the first is meant."""
    head, mark, remark = line.partition(";")

    def fresh(found: re.Match[str]) -> str:
        old = found[2]
        if _same(old.split(":")[0], value.split(":")[0]) and ":" not in value:
            return found[0]
        return found[1] + ":".join([value, *old.split(":")[1:]])

    code = _CODE.match(head)
    assert code is not None
    words = re.sub(rf"({letter})(-?[\d.]+(?::-?[\d.]+)*)", fresh, head[code.end(1) :], flags=re.I)
    return head[: code.end(1)] + words + mark + remark


def _same(one: str, other: str) -> bool:
    try:
        return float(one) == float(other)
    except ValueError:
        return one == other
