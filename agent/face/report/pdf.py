"""The report as a PDF: the same page as the HTML one, laid out for print.

reportlab sets the type, breaks pages and repeats the heads of tables.  The letters are those that
come with matplotlib, so that a name may hold any sign; the same page gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape

from agent.face.parts import (
    Blanks,
    Facts,
    Items,
    Page,
    Part,
    Picture,
    Table,
    Wire,
    Words,
)
from agent.face.screen import clean

if TYPE_CHECKING:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Flowable

#: Family: files of its upright, bold and slanted letters.
_FONTS: Final = {
    "Text": ("DejaVuSerif", "DejaVuSerif-Bold", "DejaVuSerif-Italic"),
    "Data": ("DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique"),
    "Wire": ("DejaVuSansMono", "DejaVuSansMono-Bold", "DejaVuSansMono-Oblique"),
}

_MM: Final = 72 / 25.4

#: Width and height of A4 (ISO 216), and the margins, points.
_A4: Final = (210 * _MM, 297 * _MM)
_SIDE: Final = 15 * _MM
_WIDTH: Final = _A4[0] - 2 * _SIDE

#: Letters of a heading that is not broken.
_SHORT: Final = 9

#: Letters of one width that stand beside each other on a page.
_WIRE_LETTERS: Final = 118

#: A column of a table is never narrower than this, points.
_NARROWEST: Final = 16.0


def pdf(page: Page) -> bytes:
    """The page as a PDF file."""
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    _register()
    out = io.BytesIO()
    document = BaseDocTemplate(
        out,
        pagesize=_A4,
        invariant=1,
        title=clean(page.title),
        author="plumbelt",
        leftMargin=_SIDE,
        rightMargin=_SIDE,
    )
    frame = Frame(_SIDE, 16 * _MM, _WIDTH, _A4[1] - 32 * _MM, 0, 0, 0, 0)

    def margin(canvas: Any, _: object) -> None:
        canvas.setFont("Data", 7)
        canvas.drawString(_SIDE, 9 * _MM, clean(page.title))
        canvas.drawRightString(_A4[0] - _SIDE, 9 * _MM, f"page {canvas.getPageNumber()}")
        if page.simulated:
            canvas.drawRightString(
                _A4[0] - _SIDE, _A4[1] - 10 * _MM, "REHEARSAL on a simulated machine"
            )

    document.addPageTemplates(PageTemplate("page", frames=[frame], onPage=margin))
    document.build(list(_Layout().page(page)))
    return out.getvalue()


def _register() -> None:
    """The letters, once in a process."""
    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    known = set(pdfmetrics.getRegisteredFontNames())
    for family, files in _FONTS.items():
        for suffix, file in zip(("", "-Bold", "-Italic"), files, strict=True):
            if family + suffix not in known:
                pdfmetrics.registerFont(TTFont(family + suffix, folder / f"{file}.ttf"))


class _Layout:
    """Turns the parts of a page into what reportlab lays out."""

    def __init__(self) -> None:
        self.text = _paragraph("Text", 8.5)
        self.small = _paragraph("Text-Italic", 7.5)
        self.data = _paragraph("Data", 7.2)
        self.number = _paragraph("Data", 7.2, right=True)
        self.head = _paragraph("Data-Bold", 7.2)
        self.head_right = _paragraph("Data-Bold", 7.2, right=True)
        self.name = _paragraph("Text-Italic", 8)
        self.wire = _paragraph("Wire", 7)
        self.strong = _paragraph("Text-Bold", 8.8, borderWidth=1, borderPadding=4, spaceBefore=4)
        self.strong.spaceAfter = 8
        self.title = _paragraph("Text", 16)
        self.section = _paragraph("Text-Bold", 10.5, spaceBefore=10, keepWithNext=1)

    def page(self, page: Page) -> Iterator[Flowable]:
        from reportlab.platypus import PageBreak

        yield self._words(page.kind, self.small)
        yield self._words(page.title, self.title)
        if page.simulated:
            told = "REHEARSAL. The machine was simulated; nothing here is of a real one."
            yield self._words(told, self.strong)
        yield self._words(page.state, self.strong)
        yield self._facts(page.facts)
        for part in page.certificate:
            yield from self.part(part)
        yield PageBreak()
        for number, section in enumerate(page.annex, 1):
            yield self._words(f"A{number}  {section.title}", self.section)
            for part in section.parts:
                yield from self.part(part)

    def part(self, part: Part) -> Iterator[Flowable]:
        from reportlab.platypus import ListFlowable, Preformatted, Spacer

        match part:
            case Words():
                yield self._words(part.text, self.strong if part.strong else self.text)
            case Items():
                items = [self._words(text, self.text) for text in part.texts]
                yield ListFlowable(
                    items, bulletType="bullet", start="–", leftIndent=10, bulletFontName="Text",
                    bulletFontSize=8.5, bulletOffsetY=-1,
                )  # fmt: skip
            case Facts():
                yield self._facts(part.rows)
            case Table():
                if part.caption:
                    yield self._words(part.caption, self.small)
                yield self._table(part.on_page)
            case Wire():
                yield Preformatted(clean(part.text), self.wire, maxLineLength=_WIRE_LETTERS)
            case Picture():
                yield self._picture(part)
            case Blanks():
                yield self._blanks(part.labels)
        yield Spacer(1, 3)

    def _words(self, text: str, style: ParagraphStyle) -> Flowable:
        from reportlab.platypus import Paragraph

        return Paragraph(escape(clean(text)).replace("\n", "<br/>"), style)

    def _picture(self, picture: Picture) -> Flowable:
        from reportlab.platypus import Image, KeepTogether

        file, height = picture.drawn.png()
        image = Image(io.BytesIO(file), _WIDTH, _WIDTH * height)
        return KeepTogether([image, self._words(picture.words, self.small)])

    def _facts(self, rows: Sequence[tuple[str, str]]) -> Flowable:
        cells = [[self._words(n, self.name), self._words(v, self.text)] for n, v in rows]
        return _grid(cells, [46 * _MM, _WIDTH - 46 * _MM], [])

    def _blanks(self, labels: Sequence[str]) -> Flowable:
        cells = [[self._words(label, self.name), ""] for label in labels]
        lines = [("LINEBELOW", (1, 0), (1, -1), 0.4, _black()), ("TOPPADDING", (0, 0), (-1, -1), 9)]
        return _grid(cells, [46 * _MM, _WIDTH - 46 * _MM], lines)

    def _table(self, table: Table) -> Flowable:
        right = [stands == "right" for _, stands in table.columns]
        head = [
            self._words(name, self.head_right if flush else self.head)
            for (name, _), flush in zip(table.columns, right, strict=True)
        ]
        rows = [
            [
                self._words(cell, self.number if flush else self.data)
                for cell, flush in zip(row, right, strict=True)
            ]
            for row in table.rows
        ]
        lines = [
            ("LINEBELOW", (0, 0), (-1, 0), 0.6, _black()),
            ("LINEBELOW", (0, 1), (-1, -1), 0.2, _black()),
        ]
        return _grid([head, *rows], _widths(table), lines, head=1)


def _paragraph(font: str, size: float, *, right: bool = False, **more: Any) -> ParagraphStyle:
    from reportlab.lib.styles import ParagraphStyle

    return ParagraphStyle(
        f"{font} {size}", fontName=font, fontSize=size, leading=1.3 * size, spaceAfter=3,
        alignment=2 if right else 0, splitLongWords=1, **more,
    )  # fmt: skip


def _widths(table: Table) -> list[float]:
    """Widths of the columns: what their longest text takes, and the wide ones take the rest."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    pad = 7.0  # the room to the right of a cell, and a hair
    wanted = []
    for place, (name, _) in enumerate(table.columns):
        words = [name] if len(name) <= _SHORT else name.split()
        head = max(stringWidth(word, "Data-Bold", 7.2) for word in words)
        cells = (stringWidth(clean(row[place]), "Data", 7.2) for row in table.rows)
        wanted.append(max([head, _NARROWEST, *cells]) + pad)
    over = sum(wanted) - _WIDTH
    for place, (_, stands) in sorted(
        enumerate(table.columns), key=lambda item: (item[1][1] != "wide", item[1][1] == "right")
    ):
        if over <= 0:
            break
        least = 60.0 if stands != "right" else wanted[place]
        taken = min(over, max(wanted[place] - least, 0.0))
        wanted[place] -= taken
        over -= taken
    return wanted


def _black() -> Any:
    from reportlab.lib.colors import black

    return black


def _grid(cells: Any, widths: Sequence[float], lines: Sequence[Any], head: int = 0) -> Flowable:
    from reportlab.platypus import Table as Grid
    from reportlab.platypus import TableStyle

    tight = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 0),
    ]
    return Grid(
        cells, colWidths=list(widths), repeatRows=head, style=TableStyle([*tight, *lines]),
        hAlign="LEFT",
    )  # fmt: skip
