"""The gate: what may reach the machine.

A line goes out freely only if the family's card lists it among those that read, or if it makes
the machine safer (heaters off, waiting for standstill).  Any other line must be named: by the plan
that was confirmed, by the storing that was approved, or by a guarded move or a piece whose cautions
were given.  And even a named line must be of the kind that whoever names it may send: a move is no
way to set anything, a plan no way to move.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Final, Literal

from agent.errors import Refused
from agent.families.base import ASKED, HEATERS_OFF, Family
from agent.wire.link import Link

#: What a line does.  `safe`: heaters off and waiting; `sets` holds what stores and wipes, too.
Effect = Literal["reads", "safe", "wakes", "moves", "heats", "sets", "stores", "unknown"]

#: What each way of naming lines may send.
WAYS: Final[dict[str, frozenset[Effect]]] = {
    "plan": frozenset({"sets"}),
    "store": frozenset({"sets", "stores"}),
    "move": frozenset({"moves", "heats"}),
    "home": frozenset({"moves"}),
    "wake": frozenset({"wakes"}),
}
Way = Literal["plan", "store", "move", "home", "wake"]

#: One command in its normal form: code without idle noughts, words with plain numbers behind it,
#: no letter that begins a second command or a line number.
_NORMAL: Final = re.compile(
    r"(?P<code>[GM](?:0|[1-9]\d{0,3})(?:\.\d)?)"
    r"(?: [A-FH-LO-SU-Z](?:-?\d++(?:\.\d++)?+(?::\d++(?:\.\d++)?+)*+)?+| T\d++)*+"
)
_ASSIGNMENT: Final = re.compile(r"\$(?:\d+|[A-Za-z]\w*(?:/\w+)+)=-?\d+(?:\.\d+)?")

#: Every code in a text, however it is spelt.
_CODES: Final = re.compile(r"([GMT])\s*0*(\d+(?:\.\d+)?)", re.IGNORECASE)

#: M-codes in general use.
_STORES: Final = frozenset({"M500", "M501", "M502", "M504"})
_HEATS: Final = frozenset({"M104", "M109", "M140", "M141", "M190", "M191", "M303", "M568"})
_MOVES: Final = frozenset({"M17", "M18", "M80", "M81", "M82", "M83", "M84", "M106", "M107", "M280"})

#: Codes of a piece or a guarded move; of the G-codes those of NIST RS274/NGC.
_OF_MOVES: Final = frozenset(
    {"G0", "G1", "G4", "G21", "G28", "G90", "G91", "G92", "M82", "M83", "M106", "M107"}
)
_OF_HEATING: Final = frozenset({"M104", "M109", "M140", "M190"})

_REMEDY: Final[dict[Effect, str]] = {
    "moves": "'gauge travel', 'marks' and 'lay' move the machine, with their checks and cautions",
    "heats": "'lay' and 'feed' heat, with their cautions, and switch off again",
    "sets": "'preview' and 'write' do that with a check, a proof and a way back",
    "stores": "'store' does that after a look, with a proof; 'profile restore' brings saved values"
    " back",
}
_SAID: Final[dict[Effect, str]] = {
    "moves": "moves the machine or changes how it moves",
    "heats": "heats",
    "sets": "changes settings",
    "stores": "stores, loads or wipes settings",
}


def normal(line: str) -> str:
    """`line` as it would go out: capitals, single blanks."""
    return " ".join(line.split()).upper()


def effect_of(line: str, family: Family) -> Effect:
    """What `line` does on a controller of `family`; the worst of it where it holds several."""
    if line in family.reads or line in ASKED:
        return "reads"
    if line == family.standstill or line in HEATERS_OFF:
        return "safe"
    if line in family.unlocks:
        return "wakes"
    return _worst(line, family)


def _worst(line: str, family: Family) -> Effect:
    text = line.upper().strip()
    codes = {f"{letter}{number}" for letter, number in _CODES.findall(text)}
    if codes & _STORES or "$RST" in text or text.startswith("$N"):
        return "stores"
    if codes & family.sets or "=" in text or text.startswith(tuple(family.sets)):
        return "sets"
    if codes & _HEATS:
        return "heats"
    if codes & _MOVES or text.startswith("$") or any(code[0] in "GT" for code in codes):
        return "moves"
    return "unknown"


def fits(line: str, family: Family, way: Way) -> bool:
    """True if whoever names lines in this way may name `line`: one command, in its normal form."""
    match = _NORMAL.fullmatch(line)
    code = match["code"] if match else ""
    if way == "move" and code in _OF_MOVES:
        return True
    if (effect := effect_of(line, family)) not in WAYS[way]:
        return effect in ("reads", "safe")
    match way:
        case "plan":
            return code in family.sets or _ASSIGNMENT.fullmatch(line) is not None
        case "store":
            words = (family.words.store, family.words.reload)
            return line in words or fits(line, family, "plan")
        case "move":
            return family.heats and code in _OF_HEATING
        case "home":
            return code == "G28" and " " in line
        case "wake":
            return line in family.unlocks


class Gate:
    """Stands before one controller; a link asks it about every line."""

    def __init__(self, family: Family) -> None:
        self.family = family
        self._named: list[frozenset[str]] = []

    def __call__(self, line: str) -> None:
        """Raise Refused, with the way that does it properly, unless `line` may go out now."""
        for named in self._named:
            if line in named:
                return
        if effect_of(line, self.family) in ("reads", "safe"):
            return
        raise refusal(line, self.family)

    @contextmanager
    def naming(self, lines: Iterable[str], way: Way) -> Iterator[None]:
        """Let these lines out for a while; comments are none of them.

        Raises Refused for a line that is not of the kind.
        """
        named = frozenset(filter(None, (line.partition(";")[0].strip() for line in lines)))
        for line in named:
            if not fits(line, self.family, way):
                raise Refused(
                    f"'{line}' has no place in a {way}", remedy="This is a fault of ours; report it"
                )
        self._named.append(named)
        try:
            yield
        finally:
            self._named.remove(named)


@contextmanager
def named(link: Link, lines: Iterable[str], way: Way) -> Iterator[None]:
    """Let what a confirmed plan, an approved storing or a guarded move names out over `link`."""
    if isinstance(link.gate, Gate):
        with link.gate.naming(lines, way):
            yield
    else:
        yield


def refusal(line: str, family: Family) -> Refused:
    """Why `line` may not go out, and what does it properly."""
    effect = effect_of(normal(line), family)
    if effect in _REMEDY:
        return Refused(f"'{line}' {_SAID[effect]}", remedy=f"{_REMEDY[effect]}. Nothing was sent")
    listed = ", ".join(sorted(family.reads))
    return Refused(
        f"'{line}' is not among the lines that only read",
        remedy=f"On this controller these are: {listed}. Nothing was sent",
    )
