"""What a page is made of: sections of words, lists, tables, pictures, and room to write by hand."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Protocol

from agent import __version__
from agent.face.columns import Columns


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
    """Columns and rows of texts."""

    columns: Columns
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    name: str = ""  #: of a description that screen and report share
    page: tuple[str, ...] = ()  #: headings of columns that stand on paper alone
    screen: tuple[str, ...] = ()  #: and of those that stand on the screen alone

    @property
    def on_page(self) -> Table:
        return self._keeping(lambda place: self.columns[place][0] not in self.screen)

    @property
    def on_screen(self) -> Table:
        return self._keeping(lambda place: self.columns[place][0] not in self.page)

    def without_empty(self, *kept: str) -> Table:
        """Without columns in which nothing stands, but those with these headings."""
        return self._keeping(
            lambda place: self.columns[place][0] in kept or any(row[place] for row in self.rows)
        )

    def _keeping(self, keeps: Callable[[int], bool]) -> Table:
        places = [place for place in range(len(self.columns)) if keeps(place)]
        return replace(
            self,
            columns=tuple(self.columns[place] for place in places),
            rows=tuple(tuple(row[place] for place in places) for row in self.rows),
        )


@dataclass(frozen=True, slots=True)
class Wire:
    """Text exactly as it is, in letters of one width; short lines in several columns."""

    text: str
    columns: int = 1


class Drawn(Protocol):
    """A drawing that has not been rendered yet."""

    def svg(self) -> str:
        """As an SVG element that may stand inside a page."""

    def png(self) -> tuple[bytes, float]:
        """As a PNG file, and its height as a share of its width."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing of ours, and what it shows in words."""

    drawn: Drawn
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
    """A certificate of one page, and the annex that it rests on."""

    title: str
    state: str  #: the outcome in one line
    simulated: bool
    facts: tuple[tuple[str, str], ...]  #: what stands at the head
    certificate: tuple[Part, ...]
    annex: tuple[Section, ...]
    kind: str = "Certificate and report of a tune"


def sections(annex: Iterable[tuple[str, str, Sequence[Part]]]) -> tuple[Section, ...]:
    """Sections from (name, title, parts); those that have nothing to say are left out."""
    return tuple(Section(name, title, tuple(parts)) for name, title, parts in annex if parts)


def made_of(source: str, made: date) -> tuple[tuple[str, str], ...]:
    """What stands at the head of every report."""
    return (
        ("Date of this report", made.isoformat()),
        ("Made from", source),
        ("Made by", f"plumbelt {__version__}"),
    )
