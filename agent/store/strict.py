"""Strict reading of YAML: every mistake of a file at once, each with its line and key.

A file is described by shapes (`Number`, `Text`, `ListOf`, `Table`, ...), each of which turns one
node into one value or notes what is wrong with it.  Numbers are read from the text itself, not by
YAML's own rules, under which `010` is 8, `1:30` is 90, `1e3` is a word and `no` is false.

A shape returns None for what it could not read; the mistake then stands in the sheet, and
`read_sheet` raises them all together as one BadInput.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, Generic, Protocol, TypeVar

from agent.errors import BadInput
from agent.model.exact import LEAST_OF_USE, several
from agent.store.nodes import Items, Node, Pairs, Scalar, Sheet, compose, describe

#: A file with more mistakes than these is of another kind; the rest is counted, not listed.
MOST_PROBLEMS: Final = 50

_NUMBER: Final = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_LEADING_ZERO: Final = re.compile(r"[+-]?0[0-9]")
_BASE_SIXTY: Final = re.compile(r"[+-]?\d+(?::\d+)+(?:\.\d*)?")
_ENDLESS: Final = re.compile(r"[+-]?\.?(?:nan|inf|infinity)", re.IGNORECASE)

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)


class Shape(Protocol[T_co]):
    """What a node should be; `read` gives its value, or None with the mistake noted."""

    @property
    def expected(self) -> str:
        """What is expected, in words."""
        ...

    def read(self, node: Node, key: str, sheet: Sheet) -> T_co | None: ...


# --- single values -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number; `above` excludes its bound, `least` and `most` include theirs.

    More than 0 is not what is so small that a quotient by it overflows.
    """

    unit: str = ""
    above: float | None = None
    least: float | None = None
    most: float | None = None

    @property
    def expected(self) -> str:
        unit = f" of {self.unit}" if self.unit else ""
        return f"a number{unit}{self._bounds()}"

    def _bounds(self) -> str:
        parts = []
        if self.above is not None:
            parts.append(f"more than {self.above:g}")
        if self.least is not None:
            parts.append(f"at least {self.least:g}")
        if self.most is not None:
            parts.append(f"at most {self.most:g}")
        return (", " + " and ".join(parts)) if parts else ""

    def read(self, node: Node, key: str, sheet: Sheet) -> float | None:
        if not isinstance(node, Scalar) or not node.plain or not node.text:
            sheet.expected(self.expected, node, key)
            return None
        trap = _number_trap(node.text)
        if trap or not _NUMBER.fullmatch(node.text):
            hint = f" ({trap})" if trap else ""
            sheet.note(node.line, key, f"expected {self.expected}, found {describe(node)}{hint}")
            return None
        value = float(node.text)
        if not (math.isfinite(value) and self._inside(value)):
            sheet.expected(self.expected, node, key)
            return None
        return value

    def _inside(self, value: float) -> bool:
        return (
            (self.above is None or value > (self.above or LEAST_OF_USE))
            and (self.least is None or value >= self.least)
            and (self.most is None or value <= self.most)
        )


def _number_trap(text: str) -> str:
    """Why a text that looks like a number is none, or one that can be read in two ways."""
    if re.fullmatch(r"[+-]?\d+,\d+", text):
        return f"write a point: {text.replace(',', '.')}"
    if _LEADING_ZERO.match(text):
        return f"a leading zero has two meanings: write {text.lstrip('+-').lstrip('0') or '0'}"
    if _BASE_SIXTY.fullmatch(text):
        return "colons have two meanings here: write one plain number"
    if _ENDLESS.fullmatch(text):
        return "it must be finite"
    if "_" in text and re.fullmatch(r"[+-]?[\d_.]+", text):
        return "write it without underscores"
    return ""


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number within bounds."""

    least: int = 0
    most: int = 1_000_000

    @property
    def expected(self) -> str:
        return f"a whole number from {self.least} to {self.most}"

    def read(self, node: Node, key: str, sheet: Sheet) -> int | None:
        if isinstance(node, Scalar) and node.plain and re.fullmatch(r"[+-]?\d{1,15}", node.text):
            if trap := _number_trap(node.text):
                sheet.note(node.line, key, f"expected {self.expected}, found {node.text} ({trap})")
                return None
            if self.least <= int(node.text) <= self.most:
                return int(node.text)
        sheet.expected(self.expected, node, key)
        return None


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text without control characters; `pattern` narrows it, `expected` says how."""

    most: int = 200
    empty: bool = True
    pattern: str = ""
    expected: str = "a line of text"

    def read(self, node: Node, key: str, sheet: Sheet) -> str | None:
        if not isinstance(node, Scalar) or (node.plain and node.text in ("", "~", "null")):
            sheet.expected(self.expected, node, key)
            return None
        if not node.text.isprintable():
            sheet.note(
                node.line, key, "expected one line of text, found line breaks or control characters"
            )
            return None
        if len(node.text) > self.most:
            sheet.note(
                node.line,
                key,
                f"expected at most {self.most} characters, found {len(node.text)}",
            )
            return None
        fits = not self.pattern or re.fullmatch(self.pattern, node.text)
        if not fits or (not node.text.strip() and not self.empty):
            sheet.expected(self.expected, node, key)
            return None
        return node.text


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words."""

    words: Collection[str]

    @property
    def expected(self) -> str:
        return "one of " + ", ".join(self.words)

    def read(self, node: Node, key: str, sheet: Sheet) -> Any:
        if isinstance(node, Scalar) and node.text in self.words:
            return node.text
        near = nearest(node.text, self.words) if isinstance(node, Scalar) else ""
        sheet.note(node.line, key, f"expected {self.expected}, found {describe(node)}{near}")
        return None


# --- lists and tables ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ListOf(Generic[T]):
    """A list of like values, `least` to `most` of them."""

    shape: Shape[T]
    least: int = 0
    most: int = 100_000

    @property
    def expected(self) -> str:
        if self.least == self.most:
            count = f" of exactly {self.least}"
        else:
            count = f" of at least {self.least}" if self.least else ""
        return f"a list{count}, each {self.shape.expected}"

    def read(self, node: Node, key: str, sheet: Sheet) -> tuple[T, ...] | None:
        if not isinstance(node, Items) or not self.least <= len(node.items) <= self.most:
            found = f"{len(node.items) or 'none'}" if isinstance(node, Items) else describe(node)
            sheet.note(node.line, key, f"expected {self.expected}, found {found}")
            return None
        values = [
            self.shape.read(item, f"{key}[{n}]", sheet) for n, item in enumerate(node.items, 1)
        ]
        read = tuple(value for value in values if value is not None)
        return read if len(read) == len(values) else None


@dataclass(frozen=True, slots=True)
class TableOf(Generic[T]):
    """A table with keys of the user's choosing and like values.

    `known` says why a key is wrong, `check` why a value is wrong for its key; empty if it is not.
    """

    shape: Shape[T]
    known: Callable[[str], str] = lambda _key: ""
    check: Callable[[str, T], str] = lambda _key, _value: ""
    expected: str = "a table"

    def read(self, node: Node, key: str, sheet: Sheet) -> dict[str, T] | None:
        if not isinstance(node, Pairs):
            sheet.expected(self.expected, node, key)
            return None
        before = len(sheet.problems)
        values: dict[str, T] = {}
        for name, item, path in _entries(node, key, sheet):
            wrong = self.known(name)
            if wrong:
                sheet.note(_line_of(node, name), path, wrong)
            value = self.shape.read(item, path, sheet)
            if value is None or wrong:
                continue
            values[name] = value
            wrong = self.check(name, value)
            if wrong:
                sheet.note(item.line, path, wrong)
        return values if len(sheet.problems) == before else None


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a table: its shape and the field it fills (by default of the same name)."""

    shape: Shape[Any]
    into: str = ""
    required: bool = False


@dataclass(frozen=True, slots=True)
class Table(Generic[T]):
    """A table with known keys, made into a value by `make(**fields)`.

    A ValueError of `make` is a mistake of the table as a whole.
    """

    make: Callable[..., T]
    keys: Mapping[str, Key]
    expected: str = "a table"

    def read(self, node: Node, key: str, sheet: Sheet) -> T | None:
        if not isinstance(node, Pairs):
            sheet.expected(self.expected, node, key)
            return None
        found: dict[str, Any] = {}
        right = True
        for name, item, path in _entries(node, key, sheet):
            entry = self.keys.get(name)
            if entry is None:
                sheet.note(_line_of(node, name), path, "unknown key" + self._hint(name))
                right = False
                continue
            value = entry.shape.read(item, path, sheet)
            right &= value is not None
            found[entry.into or name] = value
        for name, entry in self.keys.items():
            if entry.required and (entry.into or name) not in found:
                sheet.note(node.line, _join(key, name), f"missing; expected {entry.shape.expected}")
                right = False
        if not right:
            return None
        try:
            return self.make(**found)
        except ValueError as error:
            sheet.note(node.line, key, str(error))
            return None

    def _hint(self, name: str) -> str:
        if name.isdigit():  # the rest of `0,01` between braces
            return "; if a decimal comma was meant, write a point"
        return nearest(name, self.keys)


def _entries(node: Pairs, key: str, sheet: Sheet) -> Iterator[tuple[str, Node, str]]:
    """Name, value and path of each key; one that stands twice is noted and skipped."""
    seen: dict[str, int] = {}
    for name, item in node.pairs:
        path = _join(key, name.text)
        if name.text in seen:
            sheet.note(name.line, path, f"given twice; the first stands on line {seen[name.text]}")
            continue
        seen[name.text] = name.line
        yield name.text, item, path


def _line_of(node: Pairs, name: str) -> int:
    return next(scalar.line for scalar, _ in node.pairs if scalar.text == name)


def _join(key: str, name: str) -> str:
    shown = name if name.isprintable() and len(name) <= 60 else repr(name[:60])
    return f"{key}.{shown}" if key else shown


def nearest(word: str, known: Collection[str]) -> str:
    """`; did you mean 'x'?`, or what there is to choose from."""
    close = difflib.get_close_matches(word[:60], list(known), n=1, cutoff=0.6)
    if close:
        return f"; did you mean '{close[0]}'?"
    return f"; there are: {', '.join(known)}" if len(known) <= 12 else ""


# --- files ---------------------------------------------------------------------------------------


def read_sheet(data: bytes, source: str, shape: Shape[T]) -> T:
    """The value that `data` holds.  Raises BadInput with all its mistakes."""
    sheet = Sheet(source)
    node = compose(data, sheet)
    value = shape.read(node, "", sheet) if node is not None else None
    if value is not None and not sheet.problems:
        return value
    count = len(sheet.problems)
    found = sorted(sheet.problems, key=lambda problem: problem.line or 0)
    more = f", of which the first {MOST_PROBLEMS} are listed" if count > MOST_PROBLEMS else ""
    raise BadInput(
        f"{several(count, 'error')} in {source}{more}",
        problems=found[:MOST_PROBLEMS],
        remedy="Correct the file. Nothing was done",
    )
