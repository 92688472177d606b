"""Reports word for word, and what their pictures show."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from agent.bench.value import BY_WORD
from agent.change.outcome import STAGES
from agent.errors import BadInput
from agent.estimate.drift import Dated
from agent.face.desk import Desk
from agent.face.parts import Facts, Items, Page, Picture, Section, Table, Wire, Words
from agent.face.report import figures
from agent.face.report.certificate import certificate
from agent.face.report.changes import state
from agent.face.report.content import page_of
from agent.face.report.machine import _train, conditions, settings
from agent.face.report.page import html
from agent.face.report.pdf import _register, _widths
from agent.face.report.service import KINDS, Service
from agent.face.report.story import transactions_of
from agent.face.report.tune import Series, Tune, tune_of_bench, tune_of_file
from agent.face.report.verb import content_of, date_from, fleet_content, job_at
from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.profile import Material
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in
from tests.face.paged import DIGEST, part_of, picture_of, text_of
from tests.face.test_report import READINGS
from tests.listing import inline, listing
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
def tunes() -> dict[str, Tune]:
    """One bench at three times: with a plan, after the write, measured again."""
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
        found[stage] = tune_of_bench(
            desk.session.bench, source="this session", history=history, simulated=True
        )
    return found


HISTORY = Series(
    "belt axis, right steps/mm",
    "%",
    0.1,
    tuple(Dated(float(day), 0.001 * day - 0.05, 0.01) for day in (0, 40, 95, 150, 210)),
)


@pytest.mark.parametrize("stage", ["planned", "written", "again"])
def test_the_report_of_a_bench(stage: str, tunes: dict[str, Tune], pinned: Pinned) -> None:
    """The whole of the last one; of the others what differs by its kind."""
    page = page_of(tunes[stage], MADE)
    if stage != "again":
        some = [s for s in page.annex if s.name in ("open", "changes", "lines", "proof", "advice")]
        page = replace(page, annex=tuple(some))
    pinned(f"report/bench-{stage}", text_of(page))


RUNS = """\
format: plumbelt-readings/1
mechanics:
  gantry_angle_deg: 45
  belt_loop_mm: 1400
  travel_mm: {across: 200, gantry: 150}
  coupling: motors
  drives:
    across: {full_steps: 200, microsteps: 16, ratio: 1, teeth: 20, pitch_mm: 2}
    gantry: {full_steps: 400, microsteps: 8, ratio: 1, lead_mm: 8}
    belt: {full_steps: 200, microsteps: 16, ratio: 5, roller_mm: 30.0, belt_mm: 1.0}
axes: {across: x, gantry: y, belt: -z}
settings: {steps_per_mm: {x: 80, z: 160.5}}
instrument: {resolution_mm: 0.02, mpe_mm: 0.04}
material: {name: clear, shrink_percent: 0.2, nozzle_c: 210, bed_c: 0}
conditions: {room_c: 20.5, piece_c: 22, minutes_since_print: 75}
belt_run:
  - commanded: [40, 80, 120, 160, 200, 240, 280, 240, 200, 160, 120, 80, 40]
    measured: [40.3, 80.5, 120.4, 160.2, 200.6, 240.8, 280.7, 240.6, 200.4, 160.0, 120.3,
      80.3, 40.1]
    approach: both
    load: part
  - commanded: [50, 100, 150, 200, 250, 300]
    measured: [50.2, 100.4, 150.1, 200.5, 250.6, 300.7]
readings:
  - {feature: outside, along: [0, 200, 0], mm: [200.44, 200.42, 200.46]}
  - {feature: outside, along: [150, 0, 0], mm: [150.04, 150.02]}
"""


def test_the_report_of_runs_there_and_back(tmp_path: Path, pinned: Pinned) -> None:
    """Two runs, one of them both ways under load; every fact of machine and conditions."""
    path = tmp_path / "runs.yaml"
    path.write_text(RUNS, encoding="utf-8")
    page = page_of(tune_of_file(path), MADE)
    told = ("machine", "conditions", "readings", "results", "budget", "belt", "kept", "advice")
    page = replace(page, annex=tuple(s for s in page.annex if s.name in told))
    pinned("report/file-runs", text_of(page))


def _variants(tunes: dict[str, Tune]) -> dict[str, Tune]:
    again = tunes["again"]
    outcome, first, last = again.outcome, again.first, again.last
    assert outcome is not None
    assert first is not None
    assert last is not None
    [a, b, c] = outcome.fates
    other = {**last.settings, "max_speed.x": first.settings["max_speed.y"]}
    lacking = {k: v for k, v in last.settings.items() if k != "max_speed.y"}
    surer = replace(again.compared[0], agrees=False)
    wild = replace(again.compared[1], agrees=False)
    before = again.before
    apart = replace(before.solution, residuals=tuple(
        replace(r, outlier=n in (2, 5)) for n, r in enumerate(before.solution.residuals)
    ))  # fmt: skip
    return {
        "again": again,
        "put back": replace(again, last=first),
        "not verified": replace(again, outcome=replace(outcome, stages=())),
        "one did not take": replace(
            again,
            outcome=replace(
                outcome, fates=(replace(a, state="did not"), b, replace(c, found=None))
            ),
        ),
        "moved besides": replace(
            again, outcome=replace(outcome, notes=("a note",), hand_over=("a line",))
        ),
        "no outcome": replace(again, outcome=None),
        "nothing proved": replace(again, stages=frozenset(), evidence={}),
        "all proved": replace(
            again,
            stages=frozenset(STAGES),
            evidence={"after a power cycle": BY_WORD, "after homing": "seen"},
        ),
        "by word": replace(again, stages=frozenset({"read back"}),
                           evidence={"after a power cycle": BY_WORD}),
        "not compared": replace(again, compared=()),
        "not read again": replace(again, compared=(), rounds=again.rounds[:1]),
        "nothing read after": replace(again, read_after=False),
        "one apart": replace(again, compared=(surer, *again.compared[1:])),
        "two apart": replace(again, compared=(surer, wild, *again.compared[2:])),
        "no history": replace(again, history=()),
        "short history": replace(again, history=(replace(HISTORY, results=HISTORY.results[:1]),)),
        "two days": replace(again, history=(replace(HISTORY, results=HISTORY.results[:2]),)),
        "moved settings": replace(again, last=replace(last, settings=other, damage=("cut",))),
        "a setting lacks": replace(again, last=replace(last, settings=lacking)),
        "text kept": replace(again, first=replace(first, other=("M900 K0",))),
        "no journal": replace(again, journal=()),
        "no readback": replace(again, first=None, last=None, identity="", port=""),
        "replaced": replace(again, rounds=(
            replace(before, solution=apart, replaced={"strip s1": (19.5, 19.6), "post h1": ()}),
            *again.rounds[1:],
        )),
        "three rounds": replace(again, rounds=(*again.rounds, again.rounds[-1])),
        "own angle": replace(again, slicing_angle_deg=45.5),
    }  # fmt: skip


def test_what_a_report_says_of_each_state_that_a_tune_may_be_in(
    tunes: dict[str, Tune], pinned: Pinned
) -> None:
    """First page and sections of each, as far as they are not those of the plain tune."""
    plain = text_of(page_of(tunes["again"], MADE), pictures=False).splitlines()
    text = []
    for name, tune in _variants(tunes).items():
        page = page_of(tune, MADE)
        text.append(f"\n##### {name}: {page.state}")
        text.append(f"when {[when for when, _ in tune.times]}, stored {tune.stored}")
        text.append(f"put back {tune.put_back}")
        some = [s for s in page.annex if s.name not in ("readings", "results", "after", "budget")]
        said = text_of(replace(page, annex=tuple(some)), pictures=False).splitlines()
        known = set(plain)
        text += [line for line in said if line not in known]
    pinned("report/states", "\n".join(text))


def test_a_plan_is_proposed_where_it_was_previewed_or_is_worked_out(
    tunes: dict[str, Tune],
) -> None:
    """Without either another angle may be the whole change, or there is none."""
    planned = replace(tunes["planned"], previewed=False)
    assert state(planned) == "Measured. A change is proposed and was NOT written."
    [measured] = planned.rounds
    bare = replace(measured, solution=replace(measured.solution, corrections=()))
    angle = replace(planned, rounds=(bare,))
    assert state(angle) == "Measured. No setting needs a change; another slicing angle does."
    assert state(replace(angle, previewed=True)).startswith("Measured. A change is proposed")
    none = replace(bare, solution=replace(bare.solution, slicing_angle_deg=None))
    assert state(replace(angle, rounds=(none,))) == "Measured. No change is warranted."


def test_the_story_of_a_journal(pinned: Pinned) -> None:
    """Every kind of entry, answered, unanswered, broken and repeated."""
    plan = {"plan": {"digest": "01234567"}}
    took = {"state": "took"}
    outcome = {"digest": "01234567", "changes": [took, {"state": "kept"}], "stages": ["read back"]}
    journal: list[dict[str, Any]] = [
        {"step": "answered", "reply": ["before anything"], "ok": True},
        {"step": "begun", "at": "day 1", **plan},
        {"step": "sending", "line": "M92 X80"},
        {"step": "answered", "reply": ["ok"], "ok": True},
        {"step": "sending", "line": "M92 Y80"},
        {"step": "answered", "reply": [], "ok": True, "error": ""},
        {"step": "sending", "line": "M503"},
        {"step": "answered", "reply": ["1", "2", "3", "4"], "ok": True},
        {"step": "sending", "line": "M503"},
        {"step": "answered", "reply": ["1", "2", "3", "4", "5"], "ok": True},
        {"step": "sending", "line": "M92 Z1"},
        {"step": "answered", "reply": ["no"], "ok": False, "error": "unknown"},
        {"step": "read back", "outcome": outcome},
        {"step": "looking", "at": "day 2"},
        {"step": "closed", "look": {"others": []}},
        {"step": "looking", "at": "day 3"},
        {"step": "closed", "look": {"others": []}},
        {"step": "looking", "at": "day 4"},
        {"step": "closed", "look": {"others": ["a", "b"]}},
        {"step": "closed"},
        {"step": "storing", "at": "day 5", **plan},
        {"step": "sending", "line": "M500"},
        {"step": "broken", "why": "no answer"},
        {"step": "of tomorrow"},
        {"step": "storing", "at": "day 6", **plan},
        {"step": "stored", "outcome": {**outcome, "moved": [1, 2], "stages": []}},
        {"step": "proved", "at": "day 7", "stage": "after homing", "outcome": outcome},
        {"step": "begun", "at": "day 8"},
    ]
    pinned("report/story", listing(transactions_of(journal)))


def test_what_is_said_of_a_change_without_a_tune(pinned: Pinned) -> None:
    answers = {"To write": digest_in, "new value": "94.02246"}
    desk = _service(["attach", "drive belt --roller 31.5", "write"], {}, answers)
    plain = job_at(desk)
    assert isinstance(plain, Service)
    assert plain.outcome is not None
    assert carry_out(desk, ["gauge travel-belt"]) == [0]
    read = job_at(desk)
    assert isinstance(read, Service)
    assert read.after is not None
    wrong = replace(read.after, solution=replace(read.after.solution, contradictory=True))
    kept = replace(plain.outcome.fates[0], state="did not", found=105.37)
    text = []
    for name, service in {
        "plain": plain,
        "stored": replace(plain, stages=frozenset({"read back", "reloaded from storage"})),
        "not proved": replace(plain, outcome=replace(plain.outcome, stages=())),
        "no outcome": replace(plain, outcome=None),
        "kept": replace(plain, outcome=replace(plain.outcome, fates=(kept,))),
        "put back": replace(plain, kind=KINDS["undo"], last=plain.first),
        "undo elsewhere": replace(plain, kind=KINDS["undo"]),
        "no name": replace(plain, identity="", family="", note=""),
        "read": read,
        "odd": replace(read, after=wrong),
    }.items():
        page = content_of(service, MADE)
        text.append(f"##### {name}: {page.title}, {page.state}, {[s.name for s in page.annex]}")
        text += [line for part in page.certificate for line in part_of(part)]
    pinned("report/services", DIGEST.sub("DIGEST", "\n".join(text)))


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
    share = figures.Span
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


def test_pictures_are_drawn_in_our_style_whatever_the_users_own_is() -> None:
    import matplotlib

    with matplotlib.rc_context({"font.size": 30, "lines.linewidth": 9, "svg.fonttype": "path"}):
        with figures._style():
            found = {name: matplotlib.rcParams[name] for name in figures._STYLE}
        assert matplotlib.rcParams["font.size"] == 30
    assert {k: v for k, v in found.items() if not isinstance(v, list)} == {
        "text.parse_math": False,
        "svg.fonttype": "none",
        "svg.hashsalt": "plumbelt",
        "font.size": 8,
        "axes.linewidth": 0.6,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.edgecolor": "black",
        "lines.linewidth": 0.9,
        "xtick.direction": "out",
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "legend.frameon": False,
        "legend.fontsize": 8,
        "hatch.linewidth": 0.4,
    }


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


@pytest.mark.parametrize(("count", "rest"), [(1, ()), (5, ()), (6, ("1 more: see the annex.",))])
def test_the_first_page_has_room_for_five_open_points(
    count: int, rest: tuple[str, ...], tunes: dict[str, Tune], monkeypatch: pytest.MonkeyPatch
) -> None:
    points = [f"point {n}" for n in range(count)]
    monkeypatch.setattr("agent.face.report.certificate.open_points", lambda tune: points)
    [items] = [part for part in certificate(tunes["again"], MADE) if isinstance(part, Items)]
    assert items.texts == (*points[:5], *rest)


def test_settings_are_compared_only_where_both_were_read(tunes: dict[str, Tune]) -> None:
    again = tunes["again"]
    assert settings(again)
    assert settings(replace(again, first=None)) == ()
    assert settings(replace(again, last=None)) == ()


@pytest.mark.parametrize(
    ("material", "told"),
    [
        (Material("clear", nozzle_c=210.0, bed_c=0.0), "210 and 0 °C"),
        (Material("clear", nozzle_c=210.0, bed_c=None), None),
        (Material("clear", nozzle_c=None, bed_c=60.0), None),
        (Material(nozzle_c=210.0, bed_c=60.0), None),  # of no plastic by name
    ],
)
def test_temperatures_are_told_of_a_plastic_that_has_a_name(
    material: Material, told: str | None, tunes: dict[str, Tune]
) -> None:
    before = tunes["again"].before
    survey = replace(before.survey, material=material)
    tune = replace(tunes["again"], rounds=(replace(before, survey=survey),))
    [facts] = [part for part in conditions(tune) if isinstance(part, Facts)]
    rows = dict(facts.rows)
    assert rows.get("Nozzle and bed") == told
    assert rows["Plastic"].startswith("clear," if material.name == "clear" else "not named,")


@pytest.mark.parametrize(
    ("drive", "words"),
    [
        (Drive(200, 16, 1, Toothed(20, 2.0)), "200 steps x 16, 20 teeth of 2 mm"),
        (Drive(400, 8, 2.5, Screw(8.0)), "400 steps x 8 x 2.5, screw of 8 mm lead"),
        (Drive(200, 16, 3, Roller(28, 1)), "200 steps x 16 x 3, roller 28 mm, belt 1 mm"),
    ],
)
def test_a_drive_train_in_words(drive: Drive, words: str) -> None:
    assert _train(drive) == words


def test_letters_of_a_picture_are_those_of_the_page() -> None:
    """Of a style the kind of letters is left out, its size and everything else stays."""
    svg = figures.drift("d", HISTORY).svg()
    assert "font-family" not in svg
    styles = re.findall(r'<text[^>]*style="([^"]*)"', svg)
    assert styles
    assert all("font-size" in style or "font:" in style for style in styles)
