"""Everything that the page says, section by section, as plain rows and words.

A section is a heading and parts; a part is words, a list, a table, lines as they were sent, a
picture, or room to write by hand.  What is not known is said to be so, not left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

from agent import __version__
from agent.face.report.tune import Tune


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


def page_of(tune: Tune, made: date) -> Page:
    """The content of the report of `tune`, dated `made`."""
    from agent.face.report import changes, machine, measured

    again = _again(tune, made)
    first = "Readings" if tune.plan is None else "Readings before the change"
    parts: Iterator[tuple[str, str, Sequence[Part]]] = iter(
        (
            ("brief", "In brief", measured.brief(tune)),
            ("machine", "The machine", machine.machine(tune)),
            ("settings", "Its settings", machine.settings(tune)),
            ("conditions", "Instrument, plastic and conditions", machine.conditions(tune)),
            ("readings", first, measured.readings(tune.before)),
            ("results", "What the readings say", measured.results(tune.before)),
            ("misfits", "How well the readings fit", measured.misfits(tune.before)),
            ("belt", "Belt run", measured.belt(tune.before)),
            ("changes", "What was changed", changes.changed(tune)),
            ("lines", "Lines sent, and their answers", changes.lines(tune)),
            ("proof", "How far it is proved", changes.proof(tune)),
            ("kept", "What was not changed, and why", changes.kept_back(tune)),
            ("foretold", "Read again, against what was foretold", measured.foretold(tune)),
            ("after", "Before and after", measured.after(tune)),
            ("drift", "Drift over the record", measured.drift(tune)),
            ("advice", "What remains to be done", measured.advice(tune)),
            ("cautions", "Cautions", machine.cautions(tune)),
            ("again", "Next check and signature", again),
        )
    )
    return Page(
        title=f"Tune of {tune.machine}",
        state=changes.state(tune),
        simulated=tune.simulated,
        facts=(
            ("Machine", tune.machine),
            ("Date of this report", made.isoformat()),
            ("Made from", tune.source),
            ("Made by", f"plumbelt {__version__}"),
            ("Intervals", "95 % intervals, after the guide JCGM 100:2008"),
        ),
        sections=tuple(Section(name, title, tuple(of)) for name, title, of in parts if of),
    )


def _again(tune: Tune, made: date) -> Sequence[Part]:
    from agent.face.report.tune import recheck_date

    due, why = recheck_date(made, tune)
    return (
        Words(f"Measure again by {due.isoformat()} at the latest: {why}."),
        Items(
            (
                "At once after a new belt, roller, pulley or motor, after a bump or a move to "
                "another place, and after new firmware.",
                "After another plastic: its shrink and bead growth are not the ones found here.",
                "Who signs has read the cautions, and the open points at the head of this report.",
            )
        ),
        Blanks(
            (
                "Fit for use within these figures (yes or no)",
                "Name",
                "Place and date",
                "Signature",
                "Remarks",
            )
        ),
    )
