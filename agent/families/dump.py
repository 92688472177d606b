"""One dump of code lines, as the `replay` and `override` families print it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from agent.errors import Refused
from agent.families.base import Family, Query
from agent.families.codes import Code, code_line, entries, is_numbered, line_for
from agent.families.values import Collection, check_writable, inch_factor
from agent.model.exact import on_line
from agent.model.settings import Readback, Setting
from agent.wire.notices import bare, notice

#: Note of a reading in inches, on which no write may rest.
INCH_NOTE: Final = "the dump is in inches: switch the controller to mm (G21) and read again"

#: Lines that only read in every family of code lines: name, settings, place, temperatures, ends.
READS: Final = frozenset({"M115", "M503", "M92", "M203", "M114", "M105", "M119"})

#: Letter and whole number, as choosing letters need it.
_CHOICE: Final = re.compile(r"[A-Z]\d+")

#: Fields of a line that is kept as text: letters alone or with a number.
_FIELDS: Final = re.compile(r"[A-Z](?:-?\d+\.?\d*)?(?: [A-Z](?:-?\d+\.?\d*)?)*")

#: Looks like a code, a code swallowed by other text, or values that have lost theirs.
_FRAGMENT: Final = re.compile(
    r"^[GM]\d|.echo:\s|[GM]\d+(?:\.\d+)? [A-Z]-?\d|\b[XYZE]-?\d+\.?\d*\s+[XYZE]-?\d"
)

#: Nothing that looks like a code or a value; most headings.
_NO_FIELD: Final = re.compile(r"(?:[^A-Z]|[A-Z](?!-?\d))*")

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
        codes, kept = self._dialect.codes, self._dialect.kept
        for text in lines:
            name, fields, echo = code_line(text) or ("", [], False)
            if not name:
                self._words(text)
            elif echo:
                self.note(f"a command came back, no setting: {text}")
            elif name in codes:
                self._values(name, fields, text)
            elif name in kept:
                self._keep(name, fields, text)
            elif name in ("G20", "G21"):
                self._inches = name == "G20"
            else:
                self.spoil(f"unknown code {name}: {text}")
        if self.settings and self._inches is None:
            self.note("unit not stated, mm assumed")
        if self._inches:
            self.note(INCH_NOTE)
        self.require_axes()
        return self.readback()

    def _words(self, text: str) -> None:
        """A heading, a remark, or the remains of a line."""
        if is_numbered(text):
            self.note(f"a command came back, no setting: {text}")
            return
        said = bare(text)
        if said.startswith(("FIRMWARE_NAME:", "Cap:")):
            if said == "Cap:EEPROM:0":
                self.note("it says that it cannot store settings")
        elif not _NO_FIELD.fullmatch(said) and _FRAGMENT.search(said) and not notice(text):
            self.spoil(f"the remains of a line: {text}")
        elif said.endswith(":") or (said.startswith(";") and not notice(text)):
            self._heading = said
        elif "=" not in said or notice(text):
            self.say(text)

    def _keep(self, name: str, fields: list[str], text: str) -> None:
        joined = " ".join(fields)
        if not _FIELDS.fullmatch(joined):
            for f in fields:
                if not (_FIELDS.fullmatch(f) or f.startswith(('"', "("))):
                    self.spoil(f"{name} has {f}, which is no field: {text}")
        self.other.append(f"{name} {joined}" if fields else name)

    def _values(self, name: str, fields: list[str], text: str) -> None:
        code = self._dialect.codes[name]
        for f in fields:
            if f[0] in code.selectors and not _CHOICE.fullmatch(f):
                self.spoil(f"{name} has {f}, which chooses nothing: {text}")
                return
        if code.whole:
            self._check_whole(code.whole, name, fields, text)
        modelled = True
        for _, key, printed in entries(fields, code):
            if code.unset and _UNSET.fullmatch(printed):
                continue
            if key:
                self.add(key, printed, text, inch_factor(key) if self._inches else 1.0)
            else:
                modelled = False
        if not modelled:
            self._keep(name, fields, text)

    def _check_whole(self, whole: str, name: str, fields: list[str], text: str) -> None:
        """Letters that come together must all be there, printed alike."""
        printed = {f[0]: f for f in fields if f[0] in whole}
        if not printed:
            return
        for letter in whole:
            if letter not in printed:
                self.spoil(f"{name} lacks {letter}: {text}")
        if len({len(f.partition(".")[2]) for f in printed.values() if f[-1].isdecimal()}) > 1:
            self.spoil(f"{name} has unequal numbers of decimals: {text}")

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


class DumpFamily(Family):
    """A family that lists its settings as code lines and takes them back in the same words."""

    dialect: Dialect
    decided_by = frozenset({"M503", "M205"})
    query_settings = (Query("M503"),)

    def parse(self, lines: Sequence[str]) -> Readback:
        return self.dialect.parse(lines)

    def write_line(self, key: str, value: float, readback: Readback) -> str:
        setting = check_writable(key, value, readback)
        if INCH_NOTE in readback.notes:
            raise Refused("the controller is in inches, nothing is written", remedy=INCH_NOTE)
        line = line_for(key, on_line(value, setting), setting.raw, self.dialect.codes)
        if line is None:
            raise Refused(
                f"{key} cannot be set by one line",
                remedy="Set it by hand with `send`, then read back",
            )
        return line

    def as_shown(self, letter: str, value: float) -> str:
        return f"M92 {letter.upper()}{value:.5f}"
