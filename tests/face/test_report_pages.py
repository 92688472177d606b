"""Reports word for word, and what their pictures show."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from agent.errors import BadInput
from agent.estimate.drift import Dated
from agent.face.desk import Desk
from agent.face.parts import Facts, Items, Page, Picture, Section, Table, Wire, Words
from agent.face.report import figures
from agent.face.report.content import page_of
from agent.face.report.page import html
from agent.face.report.pdf import _register, _widths
from agent.face.report.tune import Series, tune_of_bench, tune_of_file
from agent.face.report.verb import content_of, date_from, fleet_content, job_at
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in
from tests.face.paged import picture_of, text_of
from tests.face.test_report import READINGS
from tests.listing import inline
from tests.pinned import Pinned

MADE = date(2026, 3, 1)
SAYS = {"To write": digest_in, "To store": digest_in}
AGAIN = [line for line in TO_A_PLAN if line.startswith(("gauge", "lay"))]

TRUE = """\
format: plumbelt-readings/1
note: in order
mechanics: {gantry_angle_deg: 45}
settings: {steps_per_mm: {x: 80, y: 80, z: 154}}
tolerance: {scale_percent: 0.4, angle_deg: 0.5}
material: {name: clear, shrink_percent: 0.1, shrink_u_percent: 0.02}
readings:
  - {feature: outside, along: [0, 25, 0], mm: [24.98, 24.97, 24.98], between: edges}
  - {feature: outside, along: [0, 200, 0], mm: [199.82, 199.81, 199.83], between: edges}
  - {feature: outside, along: [30, 0, 0], mm: [29.98, 29.97, 29.98], between: edges}
  - {feature: outside, along: [150, 0, 0], mm: [149.86, 149.87, 149.85], between: edges}
  - {feature: travel, along: [0, 300, 0], mm: [300.02, 299.98], u_mm: 0.05}
  - {feature: travel, along: [200, 0, 0], mm: [200.01, 199.99], u_mm: 0.05}
  - {feature: travel, along: [0, 100, 100], mm: [141.43, 141.40], u_mm: 0.05}
  - {feature: lean, along: [0, 0, 90], mm: [0.05, 0.06, 0.04]}
  - {feature: lean, along: [0, 0, 90], mm: [0.02, 0.03, 0.02], side: opposite}
"""
OFF = TRUE.replace("[0.05, 0.06, 0.04]", "[1.96, 1.97, 1.95]").replace(
    "[0.02, 0.03, 0.02]", "[1.92, 1.93, 1.92]"
)
WRONG = TRUE.replace("199.82, 199.81, 199.83", "189.82, 189.81, 189.83")


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    made = {}
    for name, text in {"run": READINGS, "true": TRUE, "off": OFF, "wrong": WRONG}.items():
        made[name] = tmp_path / f"{name}.yaml"
        made[name].write_text(text, encoding="utf-8")
    return made


@pytest.mark.parametrize("name", ["run", "true", "off"])
def test_the_report_of_a_readings_file(name: str, files: dict[str, Path], pinned: Pinned) -> None:
    pinned(f"report/file-{name}", text_of(page_of(tune_of_file(files[name]), MADE)))


def test_the_report_of_several_files(files: dict[str, Path], pinned: Pinned) -> None:
    """Each machine in a row; files that cannot be solved are named with the reason."""
    broken = files["run"].with_name("broken.yaml")
    broken.write_text("format: plumbelt-readings/1\nreadings: []\n", encoding="utf-8")
    content, unread = fleet_content([*files.values(), broken], MADE)
    assert unread == 1
    titles = tuple(replace(section, parts=section.parts[:1]) for section in content.annex[-5:])
    text = text_of(replace(content, annex=titles))
    pinned("report/fleet", text.replace(str(broken.parent), "FOLDER"))
    with pytest.raises(BadInput, match="none of these files could be solved"):
        fleet_content([broken, broken], MADE)


@pytest.fixture(scope="module")
def stages() -> dict[str, Page]:
    """Reports of one bench at three times: with a plan, after the write, measured again."""
    desk = desk_at(seed=4, answers=SAYS)
    found = {}
    lines = {
        "planned": TO_A_PLAN,
        "written": ("write",),
        "again": ("store", "prove power", *AGAIN, "solve"),
    }
    for stage, some in lines.items():
        assert carry_out(desk, some) == [0] * len(some)
        history = (HISTORY,) if stage == "again" else ()
        made = tune_of_bench(
            desk.session.bench, source="this session", history=history, simulated=True
        )
        found[stage] = page_of(made, MADE)
    return found


HISTORY = Series(
    "belt axis, right steps/mm",
    "%",
    0.1,
    tuple(Dated(float(day), 0.001 * day - 0.05, 0.01) for day in (0, 40, 95, 150, 210)),
)


@pytest.mark.parametrize("stage", ["planned", "written", "again"])
def test_the_report_of_a_bench(stage: str, stages: dict[str, Page], pinned: Pinned) -> None:
    """The whole of the last one; of the others what differs by its kind."""
    page = stages[stage]
    if stage != "again":
        some = [s for s in page.annex if s.name in ("open", "changes", "lines", "proof", "advice")]
        page = replace(page, annex=tuple(some))
    pinned(f"report/bench-{stage}", text_of(page))


def _service(lines: list[str], live: dict[str, float], answers: dict[str, Any]) -> Desk:
    desk = desk_at(answers={**SAYS, **answers})
    assert carry_out(desk, lines[:1]) == [0]
    assert desk.rehearsal is not None
    desk.rehearsal.machine.controller.live.update(live)
    assert carry_out(desk, lines[1:]) == [0] * len(lines[1:])
    return desk


def test_the_report_of_a_replaced_part(pinned: Pinned) -> None:
    answers = {"To write": digest_in, "new value": "94.02246"}
    desk = _service(["attach", "drive belt --roller 31.5", "write"], {}, answers)
    pinned("report/replaced", text_of(content_of(job_at(desk), MADE)))


def _tags(page: Page) -> str:
    """The page as HTML, without its style and its pictures."""
    text = re.sub(r"<style>.*?</style>", "<style/>", html(page), flags=re.S)
    return re.sub(r"<svg.*?</svg>", "<svg/>", text, flags=re.S)


def test_each_kind_of_part_stands_on_the_page_in_its_tags(pinned: Pinned) -> None:
    """Every text is escaped, every column stands as it is told to."""
    table = Table(
        (("a", "left"), ("b", "right"), ("c", "wide"), ("d", "left")),
        (("1", "<2>", "three & more", "no"), ("4", "5", "6", "no")),
        "A caption",
        screen=("d",),
    )
    span = figures.Panel("%", (figures.Span("one", 0.1, 0.2),), {"one": 0.3})
    parts = (
        Words("plain <b>"),
        Words("strong", strong=True),
        Items(("one", "two")),
        Facts((("name", "value\x07"),)),
        table,
        Table((("a", "left"),), (("1",),) * 9),
        Wire("line 1\nline 2"),
        Wire("in columns", columns=3),
        Picture(figures.intervals("some", span), "what <it> shows"),
    )
    page = Page(
        "A & B", "state", True, (("Made by", "us"),), parts, (Section("s", "S", parts[:2]),)
    )
    pinned("report/tags", _tags(page))
    plain = Page("A", "state", False, (), (), (), "A kind")
    pinned("report/tags-plain", _tags(plain))


def test_columns_of_a_table_in_print_share_the_width(pinned: Pinned) -> None:
    _register()
    tables = {
        "narrow": Table((("a", "left"), ("b", "right")), (("1", "2"),)),
        "wide": Table((("a", "left"), ("b", "wide")), (("1", "many words " * 20),)),
        "long words": Table((("a", "left"), ("b", "left")), (("x" * 200, "y"),)),
        "many": Table(tuple((f"column {n}", "left") for n in range(9)), (("value",) * 9,)),
        "heads": Table((("a heading of many words", "left"), ("b", "right")), (("1", "23456"),)),
    }
    text = [f"{name}: {inline(_widths(table), 1)}" for name, table in tables.items()]
    pinned("report/widths", "\n".join(text))


def test_pictures_of_values(pinned: Pinned) -> None:
    """Bands, intervals and misfits with all marks that they may have."""
    share = figures.Share
    drawings = {
        "band": figures.band(
            "a", [share("one", 0.5, 0.2, "+0.05 %"), share("two", 4.0, 1.0, "+4")]
        ),
        "both": figures.band(
            "b",
            [
                share("one", -3.0, 0.2, "-3"),
                share("one", 0.1, 0.1, "0.1", later=True),
                share("two", -3.1, 0.2, "-3.1"),
            ],
        ),
        "intervals": figures.intervals(
            "c",
            figures.Panel(
                "%",
                (
                    figures.Span("one", 0.1, 0.2),
                    figures.Span("two", -0.1, 0.3),
                    figures.Span("one", 0.0, 0.1, later=True),
                ),
                {"one": 0.15},
            ),
            legend=True,
        ),
        "plain": figures.intervals("d", figures.Panel("mm", (figures.Span("one", 0.1, 0.2),), {})),
        "misfits": figures.misfits(
            "e",
            ["a", "b", "c"],
            [0.01, -0.05, 0.0],
            [0.02, 0.03, 0.02],
            [False, True, False],
            "left",
        ),
        "drift": figures.drift("f", HISTORY),
        "short": figures.drift("g", Series("h", "°", 0.1, HISTORY.results[:1])),
    }
    text = []
    for name, drawing in drawings.items():
        text += [name, *picture_of(drawing.figure)]
    pinned("report/pictures", "\n".join(text))


def test_a_picture_in_a_page_has_names_of_its_own_and_no_style() -> None:
    drawn = figures.intervals(
        "own", figures.Panel("mm", (figures.Span("one", 0.1, 0.2),), {})
    ).svg()
    assert drawn.startswith("<svg viewBox=")
    assert "<style" not in drawn
    assert "<metadata" not in drawn
    assert "xmlns" not in drawn
    assert all(name.startswith("own-") for name in re.findall(r'\bid="([^"]*)"', drawn))
    assert all(name.startswith("own-") for name in re.findall(r"url\(#([^)]*)\)", drawn))
    assert all(name.startswith("own-") for name in re.findall(r'href="#([^"]*)"', drawn))


def test_a_picture_for_print_has_its_own_share_of_height() -> None:
    panel = figures.Panel("mm", (figures.Span("one", 0.1, 0.2),), {})
    file, height = figures.intervals("own", panel, legend=True).png()
    assert file.startswith(b"\x89PNG")
    # 0.24 for the row, 0.5 for the axis, 0.2 for the legend, on 7 inches
    assert height == pytest.approx(0.94 / 7.0)
    assert int.from_bytes(file[16:20], "big") == 7 * 220


@pytest.mark.parametrize("words", ["2026-13-01", "1 March", ""])
def test_a_date_is_told_as_such(words: str) -> None:
    assert date_from("2026-03-01") == MADE
    with pytest.raises(BadInput, match="expected a date such as 2026-03-01"):
        date_from(words)
