"""What a page is made of: sections of words, lists, tables, pictures, and room to write by hand."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph; `strong` ones stand in a box."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Items:
    """A list."""

    texts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and what stands for them, two columns."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Columns and rows of texts.

    A column is a heading and how its values stand: `left`, `right`, or `wide`, which is flush left
    and broken wherever the room ends.
    """

    columns: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Wire:
    """Text exactly as it is, in letters of one width; short lines in several columns."""

    text: str
    columns: int = 1


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG element of ours, and what it shows in words."""

    svg: str
    words: str


@dataclass(frozen=True, slots=True)
class Blanks:
    """Lines to fill in by hand."""

    labels: tuple[str, ...]


Part = Words | Items | Facts | Table | Wire | Picture | Blanks


@dataclass(frozen=True, slots=True)
class Section:
    name: str  #: short, for links and tests
    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """The whole page."""

    title: str
    state: str  #: the outcome in one line
    simulated: bool
    facts: tuple[tuple[str, str], ...]  #: what stands at the head
    sections: tuple[Section, ...]
