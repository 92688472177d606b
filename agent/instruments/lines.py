"""Lines of instruments, by tables of data.  Pure.

A line has no checksum, so its form has to be strict: a number of one width, with its sign and all
its digits.  Then a line that lost or doubled a character, or two lines run together, has another
form and is no reading.
"""

from __future__ import annotations

import re
from dataclasses import KW_ONLY, dataclass, replace
from functools import cache
from typing import Final

from agent.errors import BadInput
from agent.model.exact import MM_PER_INCH

#: Enquiry, the control character by which one end asks the other for an answer (ISO 646).
_ENQUIRY: Final = b"\x05"


@dataclass(frozen=True, slots=True)
class LineKind:
    """What an instrument sends; lengths in characters."""

    name: str
    what: str  #: described by what it sends
    _: KW_ONLY
    identifier: int  #: letters or digits before the sign
    width: int  #: of the number from its sign on, blanks or zeros filling it up
    decimals: int = 2  #: behind the point, in mm
    decimals_inch: int = 4  #: the same in inches
    unit: bool  #: `mm` or `in` stands behind; without it the number is mm
    terminator: bytes
    request: bytes = b""  #: what asks it for a reading; empty: only its button does
    low_battery: str = ""  #: stands last on a line while the battery is low
    errors: tuple[str, ...] = ()  #: stand in place of a number


#: A sign, a number and a unit.
_NUMBER_UNIT: Final = LineKind(
    "number-unit",
    "a sign, a number and a unit per line, by its button",
    identifier=0,
    width=9,
    unit=True,
    terminator=b"\r\n",
    low_battery="B",
    errors=("ERR", "OVER"),
)

#: Kinds of lines that are known by name.
KINDS: Final = {
    kind.name: kind
    for kind in (
        _NUMBER_UNIT,
        LineKind(
            "identifier-digits",
            "an identifier of two characters, a sign and digits per line, by its button",
            identifier=2,
            width=10,
            unit=False,
            terminator=b"\r",
            low_battery="L",
            errors=("E1", "E2"),
        ),
        replace(
            _NUMBER_UNIT,
            name="request",
            what="a number and a unit in answer to an enquiry character",
            request=_ENQUIRY,
        ),
    )
}


def kind_named(name: str) -> LineKind:
    """A kind by its name.  Raises BadInput, which lists them all."""
    if name in KINDS:
        return KINDS[name]
    listed = "; ".join(f"{kind.name} ({kind.what})" for kind in KINDS.values())
    raise BadInput(f"no kind of line is named '{name}'", remedy=f"There are {listed}")


@dataclass(frozen=True, slots=True)
class Measured:
    """A whole line with a number."""

    mm: float
    text: str  #: the number and its unit as sent
    inch: bool
    low_battery: bool


@dataclass(frozen=True, slots=True)
class Failed:
    """The instrument says that it has no reading."""

    text: str


@dataclass(frozen=True, slots=True)
class Damaged:
    """Something that is no line of this kind."""

    text: str


def understand(kind: LineKind, line: str) -> Measured | Failed | Damaged:
    """What one line, its terminator taken off, means."""
    found = _form(kind).fullmatch(line)
    if found is None:
        bare = line[kind.identifier :].strip() if kind.identifier else line.strip()
        return Failed(line) if bare in kind.errors or line.strip() in kind.errors else Damaged(line)
    number = _NUMBER.fullmatch(found["digits"])
    inch = found["unit"] == "in"
    if number is None or len(number[2]) != (kind.decimals_inch if inch else kind.decimals):
        return Damaged(line)
    value = float(f"{found['sign']}{number[0].strip()}")
    return Measured(
        round(value * (MM_PER_INCH if inch else 1.0), 6),
        f"{found['sign']}{number[1].lstrip('0') or '0'}.{number[2]} {'in' if inch else 'mm'}",
        inch,
        found["low"] is not None,
    )


@cache
def _form(kind: LineKind) -> re.Pattern[str]:
    """The form of a line; its fields are of fixed width."""
    identifier = f"[A-Za-z0-9]{{{kind.identifier}}}" if kind.identifier else ""
    number = rf"(?P<sign>[+-])(?P<digits>[ 0-9.]{{{kind.width - 1}}})"
    unit = " (?P<unit>mm|in)" if kind.unit else "(?P<unit>)"
    low = f"(?P<low> {re.escape(kind.low_battery)})?" if kind.low_battery else "(?P<low>(?!))?"
    return re.compile(identifier + number + unit + low)


#: A number that fills its field from the right.
_NUMBER: Final = re.compile(r" *([0-9]+)\.([0-9]+)")
