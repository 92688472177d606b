"""YAML as nodes that know their lines, without the parts in which a file can hide something.

Anchors, aliases, tags and second documents are refused: no file of ours needs them, and a few
hundred bytes of aliases can stand for gigabytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import yaml

from agent.errors import BadInput, Problem

#: Larger files are not what they claim to be.
MOST_BYTES: Final = 8_000_000
#: Deeper nesting has no meaning in any file of ours.
MOST_DEPTH: Final = 12


@dataclass(frozen=True, slots=True)
class Scalar:
    """One word, number or text."""

    text: str
    plain: bool  #: without quotes
    line: int


@dataclass(frozen=True, slots=True)
class Items:
    """A list."""

    items: tuple[Node, ...]
    line: int


@dataclass(frozen=True, slots=True)
class Pairs:
    """A table, in the order of the file, with keys as they stand there, perhaps twice."""

    pairs: tuple[tuple[Scalar, Node], ...]
    line: int


Node = Scalar | Items | Pairs


@dataclass(slots=True)
class Sheet:
    """One file while it is read: its name and the mistakes found so far."""

    source: str
    problems: list[Problem] = field(default_factory=list)

    def note(self, line: int | None, key: str, what: str) -> None:
        self.problems.append(Problem(self.source, line, key, what))

    def expected(self, shape: str, node: Node, key: str) -> None:
        self.note(node.line, key, f"expected {shape}, found {describe(node)}")


def describe(node: Node) -> str:
    """What a node is, in the words of an error."""
    if isinstance(node, Items):
        return "a list"
    if isinstance(node, Pairs):
        return "a table"
    if not node.text:
        return "nothing"
    shown = node.text if len(node.text) <= 40 else node.text[:37] + "..."
    return repr(shown) if node.plain else f"the text {shown!r} in quotes"


# --- files ---------------------------------------------------------------------------------------


def read_file(path: Path) -> bytes:
    """All bytes of `path`.  Raises BadInput if it cannot be read or is far too large."""
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise BadInput(f"'{path}' cannot be read: {why}", remedy="Nothing was done") from error
    if len(data) > MOST_BYTES:
        raise BadInput(f"{path} is larger than {MOST_BYTES // 1_000_000} MB")
    return data


def compose(data: bytes, sheet: Sheet) -> Node | None:
    """The one document of `data` as nodes; None with the mistake noted."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        sheet.note(line, "", "not a text file in UTF-8")
        return None
    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    try:
        return _Composer(yaml.parse(text, Loader=loader), sheet).document()
    except _TooDeep:
        pass
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        sheet.note(mark.line + 1 if mark else None, "", _syntax(error))
    except yaml.reader.ReaderError as error:
        sheet.note(None, "", f"not readable as YAML: {error.reason}")
    except yaml.YAMLError as error:
        sheet.note(None, "", f"not readable as YAML: {error}")
    return None


def _syntax(error: yaml.MarkedYAMLError) -> str:
    said = (error.problem or error.context or "not understood").replace("\t", "tab")
    return f"not readable as YAML: {' '.join(said.split())}"


def _line(event: Any) -> int:
    return int(event.start_mark.line) + 1


class _TooDeep(Exception):
    """Stops the walk; the mistake is noted already."""


class _Composer:
    """Events to nodes, without the parts of YAML in which a file can hide something."""

    def __init__(self, events: Iterator[Any], sheet: Sheet) -> None:
        self._events = events
        self._sheet = sheet

    def document(self) -> Node | None:
        node: Node | None = None
        documents = 0
        for event in self._events:
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._sheet.note(_line(event), "", "a second document begins here")
                    return None
                node = self._node(next(self._events), 0)
        if documents == 0:
            self._sheet.note(None, "", "the file is empty")
        return node

    def _node(self, event: Any, depth: int) -> Node | None:
        line = _line(event)
        if isinstance(event, yaml.AliasEvent):
            self._sheet.note(line, "", f"aliases (*{event.anchor}) are not used here: write it out")
            return Scalar("", False, line)
        if event.anchor or event.tag:
            self._sheet.note(line, "", "anchors (&) and tags (!) are not used here")
        if depth > MOST_DEPTH:
            # The rest is not walked: a depth of thousands would exhaust the stack.
            self._sheet.note(line, "", f"nested more than {MOST_DEPTH} levels deep")
            raise _TooDeep
        if isinstance(event, yaml.ScalarEvent):
            return Scalar(event.value, event.style in (None, ""), line)
        if isinstance(event, yaml.SequenceStartEvent):
            return Items(tuple(self._until(yaml.SequenceEndEvent, depth)), line)
        return self._pairs(line, depth)

    def _until(self, end: type, depth: int) -> Iterator[Node]:
        for event in self._events:
            if isinstance(event, end):
                return
            node = self._node(event, depth + 1)
            if node is not None:
                yield node

    def _pairs(self, line: int, depth: int) -> Pairs:
        flat = list(self._until(yaml.MappingEndEvent, depth))
        pairs: list[tuple[Scalar, Node]] = []
        for name, value in zip(flat[::2], flat[1::2], strict=True):
            if isinstance(name, Scalar):
                pairs.append((name, value))
            else:
                self._sheet.note(name.line, "", "a key must be a word, not a list or table")
        return Pairs(tuple(pairs), line)
