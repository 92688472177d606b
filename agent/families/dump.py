"""One dump of code lines, as the `replay` and `override` families print it.

What a line says by itself is a pure function of its text, and kept: a dump is read twice, and
again after every write, with most of its lines unchanged.  What depends on the lines before it
(headings, units, tools by name, keys given twice) is put together by `Dump`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from agent.families.codes import Code, CodeLine, code_line, entries, is_numbered
from agent.families.values import Collection, Said, inch_factor, read_all
from agent.model.settings import Readback, Setting
from agent.wire.notices import bare, notice

#: Note of a reading in inches, on which no write may rest.
INCH_NOTE: Final = "the dump is in inches: switch the controller to mm (G21) and read again"

#: Letter and whole number, as choosing letters need it.
_CHOICE: Final = re.compile(r"[A-Z]\d+")

#: A field of a line that is kept as text: a letter alone, or with a number.
_FIELD: Final = re.compile(r"[A-Z](?:-?\d+\.?\d*)?|[\"(].*")

#: Looks like a code, a code swallowed by other text, or values that have lost theirs.
_FRAGMENT: Final = re.compile(
    r"^[GM]\d|.echo:\s|[GM]\d+(?:\.\d+)? [A-Z]-?\d|\b[XYZE]-?\d+\.?\d*\s+[XYZE]-?\d"
)

_UNSET: Final = re.compile(r"-1(?:\.0*)?")
_WORD: Final = re.compile(r"[a-z]+", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class Dialect:
    """What a family of code lines understands."""

    family: str
    codes: Mapping[str, Code]
    kept: frozenset[str]  #: codes that are settings but stay text

    def parse(self, lines: Sequence[str]) -> Readback:
        return Dump(self).read(lines)


@lru_cache(maxsize=2048)
def said(text: str, dialect: Dialect, inches: bool) -> Said:
    """What a line says; `inches` is the unit in force."""
    line = code_line(text)
    if line is None:
        return _words(text)
    if line.echo:
        return Said(note=f"a command came back, no setting: {text}", event=notice(text))
    if line.code in ("G20", "G21"):
        return Said(inches=line.code == "G20")
    if code := dialect.codes.get(line.code):
        return _values(line, text, code, inches)
    if line.code in dialect.kept:
        return _kept(line, text)
    return Said(damage=(f"unknown code {line.code}: {text}",))


def _words(text: str) -> Said:
    """A heading, a remark, or the remains of a line."""
    bared = bare(text)
    if event := notice(text):
        return Said(event=event)
    if bared.startswith(("FIRMWARE_NAME:", "Cap:")):
        cannot_store = bared == "Cap:EEPROM:0"
        return Said(note="it says that it cannot store settings" if cannot_store else "")
    if is_numbered(text):
        return Said(note=f"a command came back, no setting: {text}")
    if _FRAGMENT.search(bared):
        return Said(damage=(f"the remains of a line: {text}",))
    if bared.startswith(";") or bared.endswith(":"):
        return Said(heading=bared)
    return Said(note="" if "=" in bared else text)


def _kept(line: CodeLine, text: str) -> Said:
    kept = bare(text).partition(";")[0].strip()
    bad = tuple(f for f in line.fields if not _FIELD.fullmatch(f))
    return Said(
        kept=kept, damage=tuple(f"{line.code} has {f}, which is no field: {text}" for f in bad)
    )


def _values(line: CodeLine, text: str, code: Code, inches: bool) -> Said:
    letters = line.letters
    damage = [
        f"{line.code} has {f}, which chooses nothing: {text}"
        for f in line.fields
        if f[0] in code.selectors and not _CHOICE.fullmatch(f)
    ]
    if damage:
        return Said(damage=tuple(damage))
    if any(letter in letters for letter in code.whole):
        damage += [f"{line.code} lacks {c}: {text}" for c in code.whole if c not in letters]
    found = [
        (key, printed)
        for _, key, printed in entries(line, code)
        if not (code.unset and _UNSET.fullmatch(printed))
    ]
    modelled = [(key, printed) for key, printed in found if key]
    values, wrong = read_all(modelled, text, inch_factor if inches else lambda key: 1.0)
    rest = Said() if len(modelled) == len(found) else _kept(line, text)
    return Said(values, (*damage, *wrong, *rest.damage), rest.kept)


class Dump(Collection):
    """Puts together what the lines of one dump say."""

    def __init__(self, dialect: Dialect) -> None:
        super().__init__(dialect.family)
        self._dialect = dialect
        self._tools: dict[str, int] = {}  #: by their names, in the order in which they come
        self._heading = ""
        self._headings: dict[str, str] = {}  #: under which heading each key stood
        self._inches: bool | None = None

    def read(self, lines: Sequence[str]) -> Readback:
        for text in lines:
            line = said(text, self._dialect, bool(self._inches))
            if line.heading:
                self._heading = line.heading
            elif line.inches is not None:
                self._inches = line.inches
            else:
                self.take(line, text)
        if self.settings and self._inches is None:
            self.note("unit not stated, mm assumed")
        if self._inches:
            self.note(INCH_NOTE)
        self.require_axes()
        return self.readback()

    def put(self, key: str, value: Setting) -> None:
        """Take a setting; under another heading of the same kind it is one of a second mode."""
        if "#" in key:
            general, _, name = key.partition("#")
            key = f"{general}{self._tools.setdefault(name, len(self._tools))}"
        if key in self.settings and (mode := _mode(self._headings[key], self._heading)):
            key = f"{key}@{mode}"
        self._headings.setdefault(key, self._heading)
        super().put(key, value)


def _mode(first: str, second: str) -> str:
    """Name of a second mode: what its heading says that the first mode's does not.

    Empty unless the two headings are otherwise alike, so that a value given twice stays one.
    """
    a, b = _WORD.findall(first.lower()), _WORD.findall(second.lower())
    new = [word for word in b if word not in a]
    gone = [word for word in a if word not in b]
    alike = len(b) - len(new)
    return "_".join(new) if new and len(new) <= alike and len(gone) <= alike else ""
