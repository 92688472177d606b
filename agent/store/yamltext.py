"""Plain values to YAML text that `agent.store.strict` reads back to equal values.

Short tables and lists stand on one line, as a person would write them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

WIDTH: Final = 100

#: Text that needs no quotes; words which YAML reads as something else are excluded below.
_PLAIN: Final = re.compile(r"[A-Za-z](?:[A-Za-z0-9_./()+@-]| (?! ))*(?<! )")
_NOT_PLAIN: Final = re.compile(r"(?:yes|no|on|off|true|false|null)", re.IGNORECASE)


class Bare(str):
    """Text that goes into the file as it is: a number with its own digits."""

    __slots__ = ()


def number(value: float) -> Bare:
    """Shortest text that reads back as exactly `value`; whole numbers without a point."""
    whole = value == int(value) and abs(value) < 1e15
    return Bare(int(value) if whole else repr(float(value)))


def fixed(value: float, digits: int) -> Bare:
    """`value` with `digits` decimals where that is exact, otherwise as `number` writes it."""
    text = f"{value:.{digits}f}"
    return Bare(text) if float(text) == value else number(value)


def dump(plain: Mapping[str, Any]) -> str:
    """The text of a table; keys in the order given."""
    return "\n".join(_block(plain, 0)) + "\n"


def _flow(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_text(k)}: {_flow(v)}" for k, v in value.items()) + "}"
    if isinstance(value, Bare):
        return str(value)
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, Sequence):
        return "[" + ", ".join(map(_flow, value)) + "]"
    if isinstance(value, bool) or value is None:
        raise TypeError(f"no file of ours holds {value!r}")
    return str(number(value))


def _text(value: str) -> str:
    if _PLAIN.fullmatch(value) and not _NOT_PLAIN.fullmatch(value):
        return value
    return json.dumps(value, ensure_ascii=False)


def _block(value: Any, indent: int) -> list[str]:
    """Lines of a table or list that is not written on one line."""
    pad = "  " * indent
    lines: list[str] = []
    if isinstance(value, Mapping):
        for key, item in value.items():
            lines += _entry(f"{pad}{_text(key)}:", item, indent)
    else:
        for item in value:
            lines += _entry(f"{pad}-", item, indent)
    return lines


def _entry(head: str, item: Any, indent: int) -> list[str]:
    line = f"{head} {_flow(item)}"
    container = isinstance(item, Mapping) or (
        isinstance(item, Sequence) and not isinstance(item, str)
    )
    if not container or not item or (len(line) <= WIDTH and not _is_long(item)):
        return [line]
    if head.endswith("-") and isinstance(item, Mapping):
        inner = _block(item, indent + 1)
        return [f"{head} {inner[0].lstrip()}", *inner[1:]]
    if isinstance(item, Sequence) and not any(isinstance(v, Mapping | list | tuple) for v in item):
        return _wrapped(head, item, indent)
    return [head, *_block(item, indent + 1)]


def _is_long(item: Any) -> bool:
    """A list of tables, or a table of tables, is easier to read with one to a line."""
    values = item.values() if isinstance(item, Mapping) else item
    return any(isinstance(v, Mapping) for v in values)


def _wrapped(head: str, items: Sequence[Any], indent: int) -> list[str]:
    """A long list of single values, filled to the width."""
    pad = "  " * (indent + 1)
    lines = [f"{head} ["]
    line = pad
    for item in items:
        word = f"{_flow(item)}, "
        if len(line) + len(word) > WIDTH and line != pad:
            lines.append(line.rstrip())
            line = pad
        line += word
    return [*lines, line.rstrip(), f"{pad}]"]
