"""One key of a profile's text set anew, everything else left as the person wrote it."""

from __future__ import annotations

import re
from typing import Any, Final

from agent.store.yamltext import dump

_INDENT: Final = "  "

#: The remark at the end of a line; a `#` within quotes or a word is none.
_REMARK: Final = re.compile(
    r"""^(?:[^"'#]|(?<=\S)#|"(?:[^"\\]|\\.)*"|'[^']*')*?(?P<remark>\s+\#.*)$"""
)


def with_key(text: str, key: str, value: Any) -> str:
    """`text` with `section.name` (or a key of the top) set to `value`, plain data.

    Remarks, order and every other line stay; a remark that names the key as not known gives way.
    Raises ValueError for a key deeper than two levels (names of settings have dots of their own) or
    a section that is not a table.
    """
    section, dot, name = key.partition(".")
    if "." in name and section != "settings":
        raise ValueError(f"{key} lies too deep to be set alone; 'profile edit' changes it")
    lines = text.splitlines()
    start = _find(lines, rf"{re.escape(section)}\s*:", 0, len(lines))
    if not dot:
        block = dump({section: value}).splitlines()
        if start is None:
            return _join([*lines, *block])
        fresh = _remarked(block, lines[start])
        return _join([*lines[:start], *fresh, *lines[_end(lines, start) :]])
    if start is None:
        return _join([*lines, "", *dump({section: {name: value}}).splitlines()])
    end = _end(lines, start)
    head = lines[start]
    inline = head.partition(":")[2].split("#")[0].strip()
    if inline:
        lines[start:end] = _opened(lines[start:end], section)
        return with_key(_join(lines), key, value)
    fresh = [f"{_INDENT}{line}" for line in dump({name: value}).splitlines()]
    place = _find(lines, rf"{_INDENT}(?:# )?{re.escape(name)}\s*:", start + 1, end)
    if place is None:
        return _join([*lines[: start + 1], *fresh, *lines[start + 1 :]])
    stop = place + 1
    while stop < end and re.match(rf"{_INDENT}\s+\S", lines[stop]):
        stop += 1
    fresh = _remarked(fresh, lines[place].lstrip().removeprefix("# "))
    return _join([*lines[:place], *fresh, *lines[stop:]])


def _opened(lines: list[str], section: str) -> list[str]:
    """A table on one line (or wrapped in braces) as lines of its own."""
    import yaml

    table = yaml.safe_load("\n".join(lines))[section]
    if not isinstance(table, dict):
        raise ValueError(f"{section} is no table")
    inner = [line for name in table for line in dump({name: table[name]}).splitlines()]
    return [f"{section}:", *(f"{_INDENT}{line}" for line in inner)]


def _find(lines: list[str], pattern: str, start: int, end: int) -> int | None:
    return next((n for n in range(start, end) if re.match(pattern, lines[n])), None)


def _end(lines: list[str], start: int) -> int:
    """Line after the block that begins at `start`; remarks and blanks before the next stay out."""
    end = start + 1
    while end < len(lines) and not re.match(r"\S", lines[end]):
        end += 1
    while not lines[end - 1].strip():  # the line at `start` is none of them
        end -= 1
    return end


def _remarked(fresh: list[str], old: str) -> list[str]:
    """`fresh` with the remark that stood behind the old value, if it is one line again."""
    remark = _REMARK.match(old)
    return [fresh[0] + remark["remark"]] if remark and len(fresh) == 1 else fresh


def _join(lines: list[str]) -> str:
    return "\n".join(lines) + "\n"
