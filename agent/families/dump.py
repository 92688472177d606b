"""One dump of code lines, as the `replay` and `override` families print it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final

from agent.families.codes import Code, CodeLine, code_line, entries, is_numbered
from agent.families.values import Collection, inch_factor
from agent.wire.notices import bare, notice

#: Note of a reading in inches, on which no write may rest.
INCH_NOTE: Final = "the dump is in inches: switch the controller to mm (G21) and read again"

#: Letter and whole number, as choosing letters need it.
_CHOICE: Final = re.compile(r"[A-Z]\d+")

#: A field of a line that is kept as text: a letter alone, or with a number.
_FIELD: Final = re.compile(r"[A-Z](?:-?\d+\.?\d*)?")

#: Looks like a code, a code swallowed by other text, or values that have lost theirs.
_FRAGMENT: Final = re.compile(
    r"^[GM]\d|[GM]\d+(?:\.\d+)? [A-Z]-?\d|\b[XYZE]-?\d+\.?\d*\s+[XYZE]-?\d"
)

_UNSET: Final = re.compile(r"-1(?:\.0*)?")

_WORD: Final = re.compile(r"[a-z]+", re.IGNORECASE)


class Dump(Collection):
    """Collects the settings of a dump, line by line.

    codes: what is understood.  kept: what is a setting but stays text.
    """

    def __init__(self, family: str, codes: Mapping[str, Code], kept: frozenset[str]) -> None:
        super().__init__(family)
        self._codes = codes
        self._kept = kept
        self._tools: dict[str, int] = {}
        self._heading = ""
        self._headings: dict[str, str] = {}  #: under which heading each key stood
        self._inches: bool | None = None

    def read(self, lines: Sequence[str]) -> None:
        for text in lines:
            line = code_line(text)
            if line is None:
                self._words(text)
            elif line.echo:
                self.note(f"a command came back, no setting: {text}")
            elif line.code in ("G20", "G21"):
                self._inches = line.code == "G20"
            elif line.code in self._codes:
                self._values(line, text, self._codes[line.code])
            elif line.code in self._kept:
                self._keep(line, text)
            else:
                self.damage.append(f"unknown code {line.code}: {text}")
        if self.settings and self._inches is None:
            self.note("unit not stated, mm assumed")
        if self._inches:
            self.note(INCH_NOTE)
        self.require_axes()

    def _words(self, text: str) -> None:
        """A heading, a remark, or the remains of a line."""
        said = bare(text)
        if said.startswith(("FIRMWARE_NAME:", "Cap:")):
            if said == "Cap:EEPROM:0":
                self.note("it says that it cannot store settings (Cap:EEPROM:0)")
        elif is_numbered(text):
            self.note(f"a command came back, no setting: {text}")
        elif notice(text) is not None:
            return
        elif _FRAGMENT.search(said):
            self.damage.append(f"the remains of a line: {text}")
        elif said.startswith(";") or said.endswith(":"):
            self._heading = said
        elif "=" not in said:
            self.note(text)

    def _keep(self, line: CodeLine, text: str) -> None:
        bad = next((f for f in line.fields if not _FIELD.fullmatch(f)), None)
        if bad is not None and not bad.startswith(('"', "(")):
            self.damage.append(f"{line.code} has {bad}, which is no field: {text}")
        self.other.append(bare(text).partition(";")[0].strip())

    def _values(self, line: CodeLine, text: str, code: Code) -> None:
        for f in line.fields:
            if f[0] in code.selectors and not _CHOICE.fullmatch(f):
                self.damage.append(f"{line.code} has {f}, which chooses nothing: {text}")
                return
        for letter in code.whole if code.whole != "XY?" else "":
            if any(c in line.letters for c in code.whole) and letter not in line.letters:
                self.damage.append(f"{line.code} lacks {letter}: {text}")
        modelled = True
        for _, key, printed in entries(line, code, self._tools):
            if code.unset and _UNSET.fullmatch(printed):
                continue
            if not key:
                modelled = False
            else:
                self._value(key, printed, text)
        if not modelled:
            self._keep(line, text)

    def _value(self, key: str, printed: str, text: str) -> None:
        if key in self.settings:
            mode = _mode(self._headings.get(key, ""), self._heading)
            if mode:
                key = f"{key}@{mode}"
        else:
            self._headings[key] = self._heading
        self.add(key, printed, text, inch_factor(key) if self._inches else 1.0)


def _mode(first: str, second: str) -> str:
    """Name of a second mode: what its heading says that the first mode's does not.

    Empty unless the two headings are otherwise alike, so that a value given twice stays one.
    """
    a, b = _WORD.findall(first.lower()), _WORD.findall(second.lower())
    new = [word for word in b if word not in a]
    gone = [word for word in a if word not in b]
    alike = len(b) - len(new)
    return "_".join(new) if new and len(new) <= alike and len(gone) <= alike else ""
