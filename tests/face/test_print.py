"""The report in print: what the type-setter is given, part by part."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.errors import Refused
from agent.face.parts import Blanks, Facts, Items, Page, Picture, Section, Table, Wire, Words
from agent.face.report import figures
from agent.face.report.pdf import _Layout, _register, pdf
from agent.face.report.verb import save
from tests.listing import inline
from tests.pinned import Pinned

_PANEL = figures.Panel("mm", (figures.Span("one", 0.1, 0.2),), {})
PARTS = (
    Words("plain <words>\nin two lines"),
    Words("strong", strong=True),
    Items(("one", "two")),
    Facts((("name", "value\x07"),)),
    Table((("a", "left"), ("b", "right")), (("1", "2"), ("3", "4")), "A caption"),
    Table((("a", "wide"), ("b", "right")), (("many words " * 30, "2"),)),
    Wire("line <1>\n" + "x" * 130),
    Picture(figures.intervals("some", _PANEL), "what it shows"),
    Blanks(("Signature", "Date")),
)
PAGE = Page(
    "A & B",
    "the state",
    True,
    (("Made by", "us"),),
    PARTS,
    (Section("s", "First", PARTS[:1]), Section("t", "Second", PARTS[1:2])),
)

_STYLE = (
    *("fontName", "fontSize", "leading", "spaceBefore", "spaceAfter", "alignment"),
    *("splitLongWords", "borderWidth", "borderPadding", "keepWithNext"),
)


def _set(flowable: Any) -> Iterator[str]:
    """What stands in a piece of the text that is set."""
    kind = type(flowable).__name__
    if kind == "Paragraph":
        style = " ".join(inline(getattr(flowable.style, name, 0), 2) for name in _STYLE)
        yield f"{kind} [{style}] {flowable.text!r}"
    elif kind == "Table":
        yield f"{kind} {inline(flowable._colWidths, 1)} head {flowable.repeatRows}"
        yield f"  {flowable.hAlign} {inline([list(c) for c in _commands(flowable)], 2)}"
        for row in flowable._cellvalues:
            yield "  | " + " | ".join(
                cell
                if isinstance(cell, str)
                else f"{cell.text} ({cell.style.name} {cell.style.alignment})"
                for cell in row
            )
    elif kind == "ListFlowable":
        options = ("_bulletType", "_leftIndent", "_bulletFontName", "_bulletFontSize")
        yield f"{kind} {[inline(getattr(flowable, name, None), 2) for name in options]}"
        for item in flowable._flowables:
            yield from (f"  {line}" for line in _set(item))
    elif kind == "Preformatted":
        yield f"{kind} {flowable.style.name} {flowable.lines}"
    elif kind == "KeepTogether":
        for item in flowable._content:
            yield from (f"  {line}" for line in _set(item))
    elif kind == "Image":
        yield f"{kind} {inline((flowable.drawWidth, flowable.drawHeight), 1)}"
    elif kind == "Spacer":
        yield f"{kind} {inline((float(flowable.width), float(flowable.height)), 1)}"
    else:
        yield kind


def _commands(table: Any) -> Iterator[tuple[Any, ...]]:
    """Lines and paddings as they were asked for."""
    for command in table._linecmds:
        yield command[:5]
    style = table._cellStyles[0][0]
    yield (style.valign, style.leftPadding, style.rightPadding, style.topPadding)
    yield (style.bottomPadding,)


def test_every_part_is_set_as_it_was_looked_at(pinned: Pinned) -> None:
    _register()
    lines = [line for flowable in _Layout().page(PAGE) for line in _set(flowable)]
    plain = Page("A", "state", False, PAGE.facts, (), (), "A kind")
    lines += ["", *(line for flowable in _Layout().page(plain) for line in _set(flowable))]
    pinned("report/set", "\n".join(lines))


def test_a_page_has_its_margins_and_what_stands_in_them(
    pinned: Pinned, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A4 of ISO 216, 210 by 297 mm at 72 points an inch."""
    told: list[str] = []

    class Canvas:
        def setFont(self, name: str, size: float) -> None:
            told.append(f"font {name} {size}")

        def drawString(self, x: float, y: float, words: str) -> None:
            told.append(f"left {x:.1f} {y:.1f} {words}")

        def drawRightString(self, x: float, y: float, words: str) -> None:
            told.append(f"right {x:.1f} {y:.1f} {words}")

        def getPageNumber(self) -> int:
            return 7

    class Document:
        def __init__(self, out: Any, **options: Any) -> None:
            told.append(f"document {inline(options, 1)}")

        def addPageTemplates(self, template: Any) -> None:
            [frame] = template.frames
            told.append(f"frame {inline((frame._x1, frame._y1, frame._width, frame._height), 1)}")
            paddings = (frame._leftPadding, frame._bottomPadding, frame._rightPadding)
            told.append(f"{inline((*paddings, frame._topPadding), 1)}")
            template.onPage(Canvas(), None)

        def build(self, flowables: list[Any]) -> None:
            told.append(f"{len(flowables)} parts")

    monkeypatch.setattr("reportlab.platypus.BaseDocTemplate", Document)
    for page in (PAGE, Page("B\x07", "", False, PAGE.facts, (), ())):
        pdf(page)
    pinned("report/sheet", "\n".join(told))


def test_a_file_that_is_there_is_told_of_before_anything_is_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def drawn(_: Page) -> str:
        raise AssertionError("it was drawn")

    place = tmp_path / "report.html"
    place.write_text("mine")
    monkeypatch.setattr("agent.face.report.page.html", drawn)
    monkeypatch.setattr("agent.face.report.pdf.pdf", drawn)
    for printed in (False, True):
        with pytest.raises(Refused, match="is there already"):
            save(PAGE, place, pdf=printed)
    assert place.read_text() == "mine"
    monkeypatch.setattr("agent.face.report.page.html", lambda _: "the page")
    monkeypatch.setattr("agent.face.report.pdf.pdf", lambda _: b"the print")
    assert save(PAGE, place, force=True) == "the page"
    assert place.read_text() == "the page"
    assert save(PAGE, place, pdf=True, force=True) == ""
    assert place.read_bytes() == b"the print"
    assert save(PAGE, tmp_path / "other.html") == "the page"
