"""Lengths as people and calipers type them: with a unit, with a comma, several in one line."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from agent.face.options import number_from
from agent.model.exact import MM_PER_INCH

_UNITS: Final = {"mm": 1.0, "in": MM_PER_INCH, "inch": MM_PER_INCH, '"': MM_PER_INCH, "cm": 10.0}

#: A number and what stands behind it.
_LENGTH: Final = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(mm|cm|inch|in|\")?\s*")


@dataclass(frozen=True, slots=True)
class Typed:
    """A length as it was typed, and as it was understood."""

    text: str
    mm: float

    @property
    def reworded(self) -> bool:
        """True if it was not typed as plain millimetres with a point."""
        return not re.fullmatch(r"[+-]?[\d.]+(?:\s*mm)?", self.text)

    @property
    def echo(self) -> str:
        return f"{self.text} is understood as {self.mm:.6g} mm"


def typed_length(text: str) -> Typed:
    """One length with or without its unit.  Raises ValueError, with words for the user."""
    found = typed_lengths(text)
    if len(found) != 1:
        raise ValueError(f"expected one length, found {len(found)} in {text!r}")
    return found[0]


def typed_lengths(text: str) -> tuple[Typed, ...]:
    """Lengths with blanks or `;` between them: `19.98 20,01 0.787 in`.

    Raises ValueError, with words for the user, for anything else and for an empty text.
    """
    rest, found = text.replace(";", " ").strip(), []
    while rest:
        match = _LENGTH.match(rest)
        behind = rest[match.end() :] if match else ""
        glued = match is not None and behind and match.end() == len(match[0].rstrip())
        if match is None or glued:
            raise ValueError(f"expected a number such as 19.98 or 0.787 in, found {text!r}")
        value = round(number_from(match[1]) * _UNITS[match[2] or "mm"], 9)
        found.append(Typed(match[0].strip(), value))
        rest = behind
    if not found:
        raise ValueError("expected a length, found nothing")
    return tuple(found)
