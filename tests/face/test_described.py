"""One description, two renderers: what the screen shows in rows stands on paper in the same."""

from __future__ import annotations

import re
from datetime import date
from html.parser import HTMLParser

import pytest

from agent.face.parts import Page, Table
from agent.face.report.content import page_of
from agent.face.report.page import html
from agent.face.report.service import service_of, service_page
from agent.face.report.tune import tune_of_bench
from agent.face.screen import Screen
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in

MADE = date(2026, 3, 1)

AGAIN = [line for line in TO_A_PLAN if line.startswith(("gauge", "lay"))]

#: A tune up to its report, and a change that no tune led to.
TUNE = [
    *TO_A_PLAN,
    "solve --readings --budget",
    "write",
    *AGAIN,
    "solve --readings --budget",
]


class Rows(HTMLParser):
    """Rows of the tables of a page that carry data, headings first."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables: list[list[list[str]]] = []
        self._inside = self._cell = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table" and (dict(attrs).get("class") or "").startswith("data"):
            self._inside = True
            self.tables.append([])
        elif self._inside and tag == "tr":
            self.tables[-1].append([])
        elif self._inside and tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self._cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag == "table":
            self._inside = False
        elif tag in ("td", "th"):
            self._cell = False

    def handle_data(self, data: str) -> None:
        if self._inside and self._cell:
            self.tables[-1][-1][-1] += data


def tables_of(page: Page) -> list[Table]:
    parts = [*page.certificate, *(part for section in page.annex for part in section.parts)]
    return [part for part in parts if isinstance(part, Table)]


@pytest.fixture(scope="module")
def worked() -> tuple[Page, list[Table]]:
    """The page of a whole tune, and every table that the screen showed on the way to it."""
    shown: list[Table] = []
    show = Screen.show

    def keeping(screen: Screen, table: Table) -> None:
        shown.append(table)
        show(screen, table)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Screen, "show", keeping)
        desk = desk_at(seed=4, answers={"To write": digest_in, "To store": digest_in})
        assert carry_out(desk, TUNE) == [0] * len(TUNE)
    return page_of(tune_of_bench(desk.session.bench, source="this session"), MADE), shown


def cells(table: Table, headings: set[str]) -> list[tuple[str, ...]]:
    places = [place for place, (name, _) in enumerate(table.columns) if name in headings]
    return [tuple(row[place] for place in places) for row in table.rows]


def test_what_the_screen_showed_stands_in_the_report(worked: tuple[Page, list[Table]]) -> None:
    page, shown = worked
    paper = [table for table in tables_of(page) if table.name]
    assert {table.name for table in paper} >= {
        "parameters",
        "readings",
        "residuals",
        "comparison",
    }
    for table in paper:
        on_paper, alike = table.on_page, []
        for other in shown:
            if other.name == table.name:
                here = other.on_screen
                both = {n for n, _ in on_paper.columns} & {n for n, _ in here.columns}
                assert len(both) >= 3
                alike.append(cells(on_paper, both) == cells(here, both))
        assert any(alike), f"no {table.name} of the report was on the screen"


def test_no_table_is_made_for_the_screen_beside_its_description(
    worked: tuple[Page, list[Table]],
) -> None:
    """Each description is one and the same on both sides: screen and paper only leave out."""
    page, shown = worked
    names = {table.name for table in shown}
    assert names >= {"parameters", "readings", "residuals", "comparison", "corrections", "outcome"}
    for table in [*shown, *tables_of(page)]:
        assert all(len(row) == len(table.columns) for row in table.rows)
        headings = {name for name, _ in table.columns}
        assert not set(table.page) & set(table.screen)
        assert {n for n, _ in table.on_page.columns} == headings - set(table.screen)
        assert {n for n, _ in table.on_screen.columns} == headings - set(table.page)


def test_both_renderers_give_every_row_of_every_table(
    worked: tuple[Page, list[Table]], capsys: pytest.CaptureFixture[str]
) -> None:
    page, shown = worked
    printed = Rows(html(page)).tables
    described = tables_of(page)
    assert len(printed) == len(described) > 8
    for found, table in zip(printed, described, strict=True):
        here = table.on_page
        assert found == [[name for name, _ in here.columns], *map(list, here.rows)]
    for table in (*described, *shown):
        _ = capsys.readouterr()
        Screen().show(table)
        out = re.sub(r"\s+", "", capsys.readouterr().out)
        for row in table.on_screen.rows:
            for cell in row:
                assert re.sub(r"\s+", "", cell) in out, cell


def test_the_page_of_a_change_holds_the_same_outcome_as_the_screen() -> None:
    desk = desk_at(seed=4, answers={"To write": digest_in, "Is the": "yes"})
    shown: list[Table] = []
    lines = ["attach", "drive belt --roller 34", "write"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Screen, "show", lambda _, table: shown.append(table))
        assert carry_out(desk, lines) == [0] * len(lines)
    [outcome] = [table for table in shown if table.name == "outcome"]
    page = service_page(service_of(desk.session.bench, source="this session"), MADE)
    written = next(t for t in tables_of(page) if ("read back", "right") in t.columns)
    headings = {name for name, _ in outcome.columns}
    assert cells(written, headings) == cells(outcome, headings)
