"""The report of a tune: whole, self-contained, escaped, and honest about what was not done."""

import dataclasses
import io
import json
import re
from datetime import date, datetime
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest

from agent.bench.book import RecordBook
from agent.bench.surveyed import Surveyed, surveyed
from agent.change.outcome import failed_stages
from agent.errors import Refused
from agent.estimate import solve
from agent.estimate.drift import Dated
from agent.face.desk import Desk
from agent.face.digits import as_read, nominal
from agent.face.main import run
from agent.face.parts import Picture, Table
from agent.face.report import figures
from agent.face.report.certificate import overall
from agent.face.report.changes import state
from agent.face.report.content import page_of
from agent.face.report.page import html
from agent.face.report.pdf import pdf
from agent.face.report.reasons import kept
from agent.face.report.recorded import (
    chosen_session,
    history_of,
    tune_of_record,
)
from agent.face.report.story import Sent, transactions_of
from agent.face.report.tune import (
    Series,
    Tune,
    recheck_date,
    tune_of_bench,
    tune_of_file,
)
from agent.face.words import shown
from agent.model.feature import Reading
from agent.model.profile import Profile
from agent.model.roles import WANTED
from agent.model.settings import Readback, Setting
from agent.model.survey import Survey
from agent.store.profiles import load_profile
from agent.store.readings import ReadingsFile, readings_text
from agent.store.record import Record
from agent.work.session import Session
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in

MADE = date(2026, 3, 1)

AGAIN = [line for line in TO_A_PLAN if line.startswith(("gauge", "lay"))]

#: An invented machine, measured by hand, with a run of its belt.
READINGS = """\
format: plumbelt-readings/1
note: an invented machine
mechanics:
  gantry_angle_deg: 45
  drives:
    belt: {full_steps: 200, microsteps: 16, ratio: 5, roller_mm: 30.0, belt_mm: 1.0}
instrument: {resolution_mm: 0.01, mpe_mm: 0.03}
conditions: {room_c: 21, minutes_since_print: 60}
belt_run:
  commanded: [25, 50, 75, 100, 125, 150, 175, 200, 225, 250, 275, 300]
  measured: [25.1, 49.9, 74.9, 100.2, 125.3, 150.2, 175.1, 200.1, 225.5, 250.6, 275.5, 300.7]
readings:
  - {feature: outside, along: [20, 0, 0], mm: [20.10, 20.12, 20.11], name: "short $x$ <i>"}
  - {feature: outside, along: [120, 0, 0], mm: [120.10, 120.12, 120.11]}
  - {feature: travel, along: [0, 200, 0], mm: [200.5], u_mm: 0.1}
"""


@pytest.fixture(scope="module")
def whole():
    """The tune of a whole session: measured, written, stored, proved, measured again."""
    desk = desk_at(seed=4, answers={"To write": digest_in, "To store": digest_in})
    lines = [*TO_A_PLAN, "write", "store", "prove power", *AGAIN, "solve"]
    assert carry_out(desk, lines) == [0] * len(lines)
    return tune_of_bench(desk.session.bench, source="this session", simulated=True)


def page(tune, made):
    return html(page_of(tune, made))


def printed(tune, made):
    return pdf(page_of(tune, made))


@pytest.fixture(scope="module")
def text(whole) -> str:
    return page(whole, MADE)


@pytest.fixture
def readings_file(tmp_path: Path) -> Path:
    path = tmp_path / "bench 7.yaml"
    path.write_text(READINGS)
    return path


class Outline(HTMLParser):
    """Tags that are open, ids and section headings; fails where a wrong one is closed."""

    VOID = frozenset({"meta", "br", "hr", "img", "link"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.tags: set[str] = set()
        self.links: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        if tag not in self.VOID:
            self.open.append(tag)
        self._seen(tag, attrs)

    def handle_startendtag(self, tag, attrs):
        self._seen(tag, attrs)

    def _seen(self, tag, attrs):
        self.tags.add(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value)
            if name in ("href", "xlink:href", "src", "srcset", "data", "action", "poster"):
                self.links.append(value)

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag


#: Content made before, beside its tune: pictures take their time.
_MADE_BEFORE = {}


def content(tune):
    if id(tune) not in _MADE_BEFORE:
        _MADE_BEFORE[id(tune)] = tune, page_of(tune, MADE)
    return _MADE_BEFORE[id(tune)][1]


def section(tune, name):
    """The table rows of a section."""
    found = next(s for s in content(tune).annex if s.name == name)
    return [row for part in found.parts if isinstance(part, Table) for row in part.on_page.rows]


def columns(tune, name):
    """Headings of the first table of a section."""
    found = next(s for s in content(tune).annex if s.name == name)
    table = next(p for p in found.parts if isinstance(p, Table)).on_page
    return [heading for heading, _ in table.columns]


def words(tune, name):
    """Everything that a section says, pictures too."""
    found = next(s for s in content(tune).annex if s.name == name)
    return " ".join(str(part) for part in found.parts)


def certificate_rows(tune):
    """The table of the main errors on the first page."""
    return next(part for part in content(tune).certificate if isinstance(part, Table)).rows


def first_page(tune):
    """Everything that the certificate says."""
    return " ".join(str(part) for part in content(tune).certificate)


def test_the_first_page_is_the_certificate(whole):
    rows = certificate_rows(whole)
    assert [row[0] for row in rows] == [shown(name).words for name in WANTED]
    for row, name in zip(rows, WANTED, strict=True):
        for cell, state_of in ((row[1], whole.before), (row[3], whole.after)):
            assert cell == shown(name).value(state_of.solution.parameters[name].value)
    told = first_page(whole)
    for change in whole.plan.changes:
        assert f"{change.key} {change.old:g} to {change.new:.10g}" in told
    assert "Verified: read back; reloaded from storage; after a power cycle (" in told
    assert "Measure again by 2026-08-30" in told
    assert "signature" in told


def test_evidence_stands_beside_the_stage_that_rests_on_it(whole):
    tune = dataclasses.replace(whole, evidence={"after a power cycle": "the port was gone"})
    assert "after a power cycle (the port was gone)." in first_page(tune)


def test_a_changed_machine_that_was_not_measured_has_no_verdict(whole):
    tune = dataclasses.replace(whole, rounds=whole.rounds[:1], compared=())
    assert overall(tune) == "not known: the machine was changed and not measured since."
    assert {row[-1] for row in certificate_rows(tune)} == {"not measured since"}


@pytest.mark.parametrize(
    ("value", "half", "said"),
    [
        (0.0001, 0.0002, "in tolerance (as left): every interval lies inside its tolerance."),
        (0.0004, 0.0002, "in tolerance, but not with certainty for: scale, across (as left)."),
        (0.0008, 0.0002, "OUT OF TOLERANCE: scale, across (as left)."),
        (
            0.0008,
            0.0009,
            "not certain: beyond the tolerance, though not told from zero: scale, across"
            " (as left).",
        ),
    ],
)
def test_the_verdict_follows_the_worst_error(whole, value, half, said):
    last = whole.rounds[-1]
    good = {
        name: dataclasses.replace(
            last.solution.parameters[name], value=0.0, expanded95=1e-4, determined=True
        )
        for name in WANTED
    }
    good["x_scale"] = dataclasses.replace(
        good["x_scale"], value=value, expanded95=half, significant=value > half
    )
    solution = dataclasses.replace(last.solution, parameters={**last.solution.parameters, **good})
    tune = dataclasses.replace(
        whole, rounds=(*whole.rounds[:-1], dataclasses.replace(last, solution=solution))
    )
    assert overall(tune) == said


def test_the_pdf_says_what_the_page_says(whole):
    from pypdf import PdfReader

    made = printed(whole, MADE)
    assert printed(whole, MADE) == made  # the same tune and date, the same bytes
    pages = [" ".join(p.extract_text().split()) for p in PdfReader(io.BytesIO(made)).pages]
    for row in certificate_rows(whole):
        assert " ".join(row[:3]) in pages[0]
    assert " ".join(f"Verdict: {overall(whole)}".split()) in pages[0]
    assert "A1 Open points" in pages[1]  # the certificate is one page
    assert "A1 " not in pages[0]
    rest = " ".join(pages)
    for found in content(whole).annex:
        assert found.title in rest
    for line in whole.plan.lines:
        assert line in rest


def test_the_pdf_survives_hostile_text_and_long_words(whole):
    hostile = "<b>&\x1b[2J\u202e" + "x" * 900
    assert printed(dataclasses.replace(whole, identity=hostile, note=hostile), MADE)


def test_a_whole_session_gives_every_section(whole):
    names = [s.name for s in content(whole).annex]
    assert " ".join(names) == (
        "open machine settings conditions readings results budget misfits changes lines proof"
        " kept foretold after advice cautions"
    )


def test_page_is_well_formed_and_every_name_stands_once(text):
    outline = Outline(text)
    assert outline.open == []
    assert len(outline.ids) == len(set(outline.ids))
    assert "section" in outline.tags
    assert outline.tags.isdisjoint({"script", "iframe", "link", "img", "object", "form"})


def test_page_needs_no_network(text):
    outline = Outline(text)
    assert [link for link in outline.links if not link.startswith("#")] == []
    assert {link[1:] for link in outline.links} <= set(outline.ids)
    assert "http" not in text
    assert re.findall(r"url\((?!#)", text) == []
    assert "@import" not in text


def test_same_tune_and_date_give_the_same_bytes(whole, text):
    assert page(whole, MADE) == text
    sent = {entry["at"][:10] for entry in whole.journal}
    assert set(re.findall(r"20\d\d-\d\d-\d\d", text)) == {"2026-03-01", "2026-08-30", *sent}


def test_what_the_controller_says_is_text_and_nothing_else(whole):
    hostile = "<script>alert(1)</script>\x1b[2J\u202e{{ 7*7 }}&amp;" + "x" * 300
    shown = page(dataclasses.replace(whole, identity=hostile, machine="<b>x"), MADE)
    outline = Outline(shown)
    assert outline.open == []
    assert "script" not in outline.tags
    assert "&lt;script&gt;alert(1)&lt;/script&gt;\\x1b[2J\\u202e{{ 7*7 }}&amp;amp;xxx" in shown
    assert "\x1b" not in shown
    assert "Tune of &lt;b&gt;x" in shown


def test_every_line_of_the_plan_stands_with_its_answer(whole):
    rows = section(whole, "lines")
    written = [row[1:] for row in rows[: len(whole.plan.lines)]]
    assert written == [(line, "acknowledged") for line in whole.plan.lines]
    assert [row[1] for row in rows].count("M500") == 1
    assert "proved: read back, after a power cycle" in words(whole, "lines")


def test_stages_of_proof_passed_and_not(whole):
    assert [row[:2] for row in section(whole, "proof")] == [
        ("read back", "PASSED"),
        ("reloaded from storage", "PASSED"),
        ("after a power cycle", "PASSED"),
        ("after homing", "not done"),
        ("after a job's start", "not done"),
    ]
    assert "Not proved: after homing, after a job's start." in words(whole, "open")


def test_what_was_not_changed_stands_with_its_reason(whole):
    rows = {row[0]: row[2] for row in section(whole, "kept")}
    assert rows["shrink of the plastic"].startswith("of the plastic, not of the axes")
    assert "never steps" in rows["size offset of all faces"]
    assert rows["13 other settings of the controller"].endswith("all read as before")
    assert {"gantry yaw", "rail skew", "gantry roll"} <= rows.keys()
    assert "scale, across" not in rows


def test_settings_before_and_now(whole):
    rows = section(whole, "settings")
    assert [row[:2] for row in rows] == [
        ("steps_per_mm.x", "80.00"),
        ("steps_per_mm.y", "80.00"),
        ("steps_per_mm.z", "105.37"),
    ]
    assert all(row[1] != row[2] for row in rows)
    assert "max_speed.z 60.00 mm/s" in words(whole, "settings")


def test_readings_are_there_as_they_were_read(whole):
    rows = section(whole, "readings")
    assert len(rows) == len(whole.before.survey.readings)
    for row, reading in zip(rows, whole.before.survey.readings, strict=True):
        assert [float(value) for value in row[6].split()] == list(reading.mm)


def test_foretold_against_read_again(whole):
    rows = section(whole, "foretold")
    assert [row[1] for row in rows] == [c.name for c in whole.compared]
    assert {row[-1] for row in rows} == {"agrees"}
    wrong = dataclasses.replace(whole.compared[4], agrees=False)
    worse = dataclasses.replace(whole, compared=(*whole.compared[:4], wrong, *whole.compared[5:]))
    assert section(worse, "foretold")[4][-1] == "DISAGREES"
    assert "1 reading is NOT as expected" in state(worse)


def test_table_headline_and_open_points_judge_by_the_same_limit(whole):
    assert columns(whole, "foretold")[-3:] == ["difference", "allowed", ""]
    for beyond in (0.99, 1.01):
        row = whole.compared[1]
        read = row.foretold + row.growth + beyond * row.limit
        moved = dataclasses.replace(row, read=read, agrees=beyond < 1)
        tune = dataclasses.replace(whole, compared=(whole.compared[0], moved, *whole.compared[2:]))
        apart, limit, verdict = section(tune, "foretold")[1][-3:]
        shown_within = float(apart) <= float(limit.removeprefix("± "))
        assert shown_within is (beyond < 1)
        assert (verdict == "agrees") is shown_within
        assert ("every reading is as expected" in state(tune)) is shown_within
        assert (f"{row.name} was read {apart} mm off" in words(tune, "open")) is not shown_within


def test_an_error_that_remains_outside_is_said_at_the_head_and_is_an_open_point(whole):
    last = whole.rounds[-1]
    left = dataclasses.replace(
        last.solution.parameters["y_scale"], value=0.0007, expanded95=0.0004, significant=True
    )
    solution = dataclasses.replace(
        last.solution, parameters={**last.solution.parameters, "y_scale": left}
    )
    tune = dataclasses.replace(
        whole, rounds=(*whole.rounds[:-1], dataclasses.replace(last, solution=solution))
    )
    assert certificate_rows(tune)[1][-1] == "OUTSIDE"
    assert state(tune).endswith(
        "every reading is as expected; still OUTSIDE the tolerance: scale, gantry."
    )
    said = "OUTSIDE the tolerance: scale, gantry +0.070 % ± 0.040 (95 %)."
    assert said in words(tune, "open")
    assert "OUTSIDE" not in words(whole, "open")


def test_a_picture_speaks_of_a_tolerance_only_where_there_is_one(whole):
    told = words(whole, "after")
    assert "Errors in ° as found and as left, with their 95 % intervals; hatched: the to" in told
    assert "Errors in mm as found and as left, with their 95 % intervals." in told


def test_steps_and_slicing_angle_say_of_which_time_they_are(whole):
    assert columns(whole, "machine")[4:6] == ["step/mm at first", "step/mm now"]
    settings = {row[0]: row[1:3] for row in section(whole, "settings")}
    for row in section(whole, "machine"):
        assert row[4:6] == settings[f"steps_per_mm.{row[1].lower()}"]
    angle = whole.before.solution.slicing_angle_deg
    told = words(whole, "machine")
    assert "('Slicing angle of the pieces read before the change', '45°')" in told
    assert f"('Slicing angle of the pieces read after the change', '{angle:.3f}°')" in told
    assert f"Slicing angle: {angle:.3f}° instead of 45°." in words(whole, "changes")

    once = dataclasses.replace(whole, rounds=whole.rounds[:1], last=whole.first)
    assert columns(once, "machine")[4:] == ["step/mm in use", "travel, mm"]
    assert "('Slicing angle of the pieces read', '45°')" in words(once, "machine")


def test_readings_taken_again_are_told(whole):
    first = whole.before
    for earlier, told in (
        ((), "strip s2: the first values were not kept"),
        ((58.3, 58.31), "strip s2: at first 58.30 58.31"),
    ):
        marked = dataclasses.replace(first, replaced={"strip s2": earlier})
        tune = dataclasses.replace(whole, rounds=(marked, *whole.rounds[1:]))
        assert told in words(tune, "readings")
    assert "Taken again" not in words(whole, "readings")


def test_a_session_tells_which_readings_were_taken_again():
    desk = desk_at()
    assert carry_out(desk, ["attach", "gauge travel", "solve"]) == [0] * 3
    session = desk.session
    taken = session.now.taken[1]
    for value in (160.2, 160.3):
        session.readings.keep(dataclasses.replace(taken.reading, mm=(value,)), taken.piece)
    tune = tune_of_bench(session.bench, source="this session")
    assert tune.before.replaced == {taken.reading.name: taken.reading.mm}


def test_a_reading_that_sets_the_estimate_alone_is_not_shown_as_a_perfect_fit(whole):
    rows = section(whole, "misfits")
    lonely = [row for row in rows if row[-1] == "only one of its kind"]
    alone = {row[1] for row in lonely}
    assert alone == {"post sway"}  # it stands for the rail
    assert {row[4:6] for row in lonely} == {("", "")}
    assert all("0.000" not in row[5] for row in rows)
    assert not any("-0.000" in cell for row in rows for cell in row)
    without = dataclasses.replace(
        whole.before, solution=dataclasses.replace(whole.before.solution, examined=None)
    )
    tune = dataclasses.replace(whole, rounds=(without,))
    assert all("0.000" not in row[5] for row in section(tune, "misfits"))


@pytest.mark.parametrize(
    ("value", "step", "text"),
    [
        (180.3, 0.01, "180.30"),
        (20.0, 0.01, "20.00"),
        (20.0, 0.05, "20.00"),
        (20.1, 0.1, "20.1"),
        (20.15, 0.1, "20.15"),  # more digits than the display has: kept
        (1234.567, 0.001, "1234.567"),
        (20.0, 1.0, "20"),
        (20.0, 10.0, "20"),
        (31.4 - 0.7, 0.01, "30.70"),  # jaws taken off
        (-0.0, 0.01, "0.00"),
    ],
)
def test_a_value_is_printed_to_the_step_of_its_display(value, step, text):
    assert as_read(value, step) == text


def test_raw_readings_keep_the_digits_of_the_display(whole):
    for row in section(whole, "readings"):
        assert all(re.fullmatch(r"-?\d+\.\d\d", value) for value in row[6].split())


@pytest.mark.parametrize(
    ("kind", "along", "text"),
    [
        ("outside", (100.0, 80.0, 0.0), "128.06"),
        ("lean", (0.0, 0.0, 91.11), "0.00"),
        ("sway", (3.0, 0.0, 4.0), "3.00"),
        ("gap", (160.0, 0.0, 0.0), "0.00"),
    ],
)
def test_nominal_is_what_a_true_part_would_read(kind, along, text):
    assert nominal(Reading(kind, along, (1.0,))) == text


def test_the_state_is_told_in_one_line(whole):
    outcome = dataclasses.replace(whole.outcome, stages=())
    first = dataclasses.replace
    assert [
        state(tune)
        for tune in (
            whole,
            first(whole, compared=()),
            first(whole, stages=frozenset({"read back"}), compared=(), rounds=whole.rounds[:1]),
            first(whole, outcome=outcome),
            first(whole, last=whole.first),
            first(whole, plan=None),
        )
    ] == [
        "Changed, stored, and measured again: every reading is as expected.",
        "Changed and stored; measured again, not compared.",
        "Changed and read back, NOT PROVED TO BE STORED; not measured again.",
        "Changed, and NOT PROVED: see below before the machine is used.",
        "Put back: every setting is as it was before the tune.",
        "Measured. A change is proposed and was NOT written.",
    ]


def test_a_rehearsal_says_so(whole, text):
    assert text.count("REHEARSAL") == 2  # at the head, and in the margin of every page
    assert "REHEARSAL" not in page(dataclasses.replace(whole, simulated=False), MADE)


def test_a_plan_that_was_not_written_is_no_change(whole):
    tune = dataclasses.replace(
        whole,
        rounds=whole.rounds[:1],
        plan=None,
        outcome=None,
        stages=frozenset(),
        compared=(),
        journal=(),
    )
    found = {k.what: k.why for k in kept(tune)}
    assert found["scale, belt"] == (
        "a new steps_per_mm.z is proposed (see the changes), and was not written"
    )
    assert "Nothing was written. The readings propose" in words(tune, "changes")
    assert "Not measured again" in words(tune, "foretold")
    assert "nothing to prove" in words(tune, "proof")


def test_report_of_a_session_without_readings_says_what_is_missing():
    desk = desk_at()
    carry_out(desk, ["attach"])
    with pytest.raises(Refused, match="nothing was solved"):
        tune_of_bench(desk.session.bench, source="this session")


# --- a readings file -----------------------------------------------------------------------------


def test_readings_file_with_a_belt_run(readings_file):
    tune = tune_of_file(readings_file)
    shown = page(tune, MADE)
    assert Outline(shown).open == []
    assert "short $x$ &lt;i&gt;" in shown
    rows = {row[0].split(",")[0]: row for row in section(tune, "belt")}
    assert {"slope", "sine of the roller", "scatter of single marks"} <= rows.keys()
    assert "100: 100.2" in words(tune, "belt")
    assert "21 °C" in words(tune, "conditions")
    assert "not noted" in words(tune, "conditions")


def test_verb_writes_the_page_once(readings_file, capsys, tmp_path):
    out = tmp_path / "made" / "report.html"
    line = ["report", str(readings_file), "--out", str(out), "--date", "2026-03-01"]
    assert run([*line, "--json"]) != 0  # a folder that is mistyped is named, not made
    assert not out.parent.exists()
    capsys.readouterr()
    out.parent.mkdir()
    assert run([*line, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["file"] == str(out)
    assert answer["machine"] == "bench 7"
    made = out.read_bytes()
    assert made.startswith(b"<!DOCTYPE html>")

    out.write_text("mine")
    assert run(line) == 1
    assert "is there already" in " ".join(capsys.readouterr().err.split())
    assert out.read_text() == "mine"
    assert run([*line, "--force"]) == 0
    assert out.read_bytes() == made


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["nowhere.yaml"], 2, "nowhere.yaml"),
        (["--date", "1.3.2026"], 2, "expected a date such as 2026-03-01"),
        (["--session", "0"], 2, "must be at least 1"),
        (["FILE", "--session", "1"], 2, "two things"),
        ([], 1, "othing was solved on the bench"),
    ],
)
def test_wrong_lines_write_nothing(words, code, said, readings_file, capsys, tmp_path, monkeypatch):
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    line = ["report", *(str(readings_file) if w == "FILE" else w for w in words)]
    assert run(line, Desk()) == code
    assert said in capsys.readouterr().err
    assert list(tmp_path.glob("*.html")) == []


# --- the story -----------------------------------------------------------------------------------


def outcome(*stages, verified=True, stored=False):
    changes = [{"state": "took" if verified else "other"}]
    return {
        "digest": "ab",
        "verified": verified,
        "stored": stored,
        "changes": changes,
        "stages": list(stages),
    }


def test_story_of_a_broken_write():
    journal = [
        {"step": "begun", "at": "2026-03-01", "plan": {"digest": "ab"}},
        {"step": "sending", "line": "M92 X80"},
        {"step": "answered", "ok": True, "reply": ["one", "two"], "error": None},
        {"step": "sending", "line": "M92 Y80"},
        {"step": "broken", "why": "the port is gone"},
        {"step": "something newer"},
    ]
    (part,) = transactions_of(journal)
    assert (part.title, part.digest, part.end) == ("Written", "ab", "broke: the port is gone")
    assert part.sent == [
        Sent("M92 X80", "acknowledged: one | two", True),
        Sent("M92 Y80", "no answer is in the journal", False),
    ]


def test_a_look_that_was_repeated_is_told_once(whole):
    def look(at, reply):
        return [
            {"step": "looking", "at": at, "plan": {"digest": "ab"}},
            {"step": "sending", "line": "M501"},
            {"step": "answered", "ok": True, "reply": [reply], "error": None},
            {"step": "closed", "look": {"others": []}},
        ]

    journal = (*look("9:00", "x"), *look("9:05", "x"), *look("9:10", "y"))
    assert [(p.at, p.again_at) for p in transactions_of(journal)] == [
        ("9:00", ["9:05"]),
        ("9:10", []),
    ]
    told = words(dataclasses.replace(whole, journal=journal), "lines")
    assert told.count("Looked at what is stored, 2 times alike at 9:00 and at 9:05, digest ab") == 1
    assert told.count("Looked at what is stored") == 2


def test_a_stage_that_was_tried_and_not_passed_has_failed():
    stored = {"step": "stored", "outcome": outcome("read back", verified=False)}
    lost = {
        "step": "proved",
        "stage": "after a power cycle",
        "outcome": outcome("read back", verified=False),
    }
    held = {
        "step": "proved",
        "stage": "after a power cycle",
        "outcome": outcome("read back", "after a power cycle", stored=True),
    }
    assert failed_stages([stored, lost]) == {"reloaded from storage", "after a power cycle"}
    assert failed_stages([lost, held]) == frozenset()


# --- the record ----------------------------------------------------------------------------------


def series(*values, u=0.01):
    return Series("x", "%", 0.1, tuple(Dated(30.0 * i, v, u) for i, v in enumerate(values)))


@pytest.mark.parametrize(
    ("history", "due", "why"),
    [
        ((), date(2026, 8, 30), "twice a year"),
        ((series(0.0, 0.001, -0.001, 0.0),), date(2026, 8, 30), "twice a year"),
        # 0.1 in 30 days uses up half of a tolerance of 0.1 in 15
        ((series(0.0, 0.1, 0.2, 0.3),), date(2026, 3, 16), "half of the tolerance"),
        ((series(0.0, 1.0, 2.0, 3.0),), date(2026, 3, 8), "half of the tolerance"),
    ],
)
def test_recheck_comes_before_a_drift_matters(whole, history, due, why):
    found, reason = recheck_date(MADE, dataclasses.replace(whole, history=history))
    assert found == due
    assert why in reason


def a_survey(length: float = 120.6) -> Survey:
    return Survey(
        (
            Reading("outside", (0.0, 20.0, 0.0), (20.10, 20.12, 20.11), name="short"),
            Reading("outside", (0.0, 120.0, 0.0), (length, length + 0.01), name="long"),
            Reading("travel", (0.0, 200.0, 0.0), (201.0,), u_mm=0.02, name="run"),
        ),
        steps_per_mm={"z": 105.0},
    )


def keep(record: Record, survey: Survey, *, with_survey: bool, steps: float = 105.0):
    """Note a session as an attached one does: read back, readings, estimate."""
    noted = record.begin("heron", port="/dev/x", family="replay", identity="bench <1>")
    noted.note(
        "readback", Readback("replay", {"steps_per_mm.z": Setting(steps, "step/mm", 2)}).to_plain()
    )
    note(noted, survey, with_survey=with_survey)
    return noted


def note(noted, survey: Survey, *, with_survey: bool) -> None:
    """Note readings and their estimate."""
    body = {
        "readings": [
            {
                "piece": "strip",
                "name": r.name,
                "feature": r.kind,
                "along": list(r.along),
                "mm": list(r.mm),
                "u_mm": r.u_mm,
            }
            for r in survey.readings
        ]
    }
    if with_survey:
        body["survey"] = readings_text(ReadingsFile(survey, {"max_speed.z": 60.0}))
    noted.note("readings", body)
    noted.note("estimate", solve(survey).to_plain())


@pytest.mark.parametrize("with_survey", [True, False])
def test_a_recorded_session_becomes_a_page(tmp_path, with_survey):
    survey = a_survey()
    with Record(tmp_path / "record.db") as record:
        keep(record, survey, with_survey=with_survey)
        row = chosen_session(record)
        tune = tune_of_record(record, row, Profile("heron"))
    assert tune.before.survey.readings == survey.readings
    assert tune.before.solution.parameters == solve(survey).parameters
    shown = page(tune, MADE)
    assert "bench &lt;1&gt;" in shown
    assert "the record, session of" in shown
    assert ("are those of the profile of today" in shown) is not with_survey


def test_the_record_tells_what_was_read_again_and_its_earlier_values(tmp_path):
    with Record(tmp_path / "record.db") as record:
        noted = keep(record, a_survey(120.6), with_survey=True)
        note(noted, a_survey(120.8), with_survey=True)
        tune = tune_of_record(record, chosen_session(record), Profile("heron"))
    assert tune.before.replaced == {"long": (120.6, 120.61)}
    assert "long: at first 120.60 120.61" in words(tune, "readings")


def test_a_session_kept_on_the_disk_becomes_its_tune_again(tmp_path, monkeypatch):
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    desk = desk_at(seed=5, answers={"To write": digest_in, "To store": digest_in})
    desk.session = Session(load_profile("heron"), book=RecordBook())
    lines = [*TO_A_PLAN, "write", "store", *AGAIN, "solve", "detach"]
    assert carry_out(desk, lines) == [0] * len(lines)
    live = tune_of_bench(desk.session.bench, source="this session")
    with Record() as record:
        tune = tune_of_record(record, chosen_session(record), load_profile("heron"))
    assert [row[1:] for row in section(tune, "lines")] == [
        row[1:] for row in section(live, "lines")
    ]
    assert [m.solution.parameters for m in tune.rounds] == [
        m.solution.parameters for m in live.rounds
    ]
    assert (tune.plan, tune.stages, tune.outcome.fates) == (
        live.plan,
        live.stages,
        live.outcome.fates,
    )
    assert tune.first.settings.keys() == live.first.settings.keys()
    assert state(tune) == state(live)


def test_readings_that_stand_for_belt_runs_are_no_raw_readings(readings_file):
    tune = tune_of_file(readings_file)
    joined = dataclasses.replace(tune.before.survey, readings=tune.before.readings)
    assert len(joined.readings) == 5
    assert surveyed(joined, tune.before.solution).survey == tune.before.survey


def test_sessions_are_numbered_from_the_newest(tmp_path):
    with Record(tmp_path / "record.db") as record:
        record.begin("heron")
        with pytest.raises(Refused, match="holds no solved session of heron"):
            chosen_session(record, machine="heron")
        keep(record, a_survey(120.6), with_survey=False)
        keep(record, a_survey(121.6), with_survey=False)
        newest, older = (chosen_session(record, n) for n in (1, 2))
        assert newest.at >= older.at
        tunes = [tune_of_record(record, row, Profile("heron")) for row in (newest, older)]
        with pytest.raises(Refused, match="there is no session 3"):
            chosen_session(record, 3)
    assert [t.before.survey.readings[1].mm[0] for t in tunes] == [121.6, 120.6]


def test_history_is_of_the_right_setting_not_of_the_error(tmp_path):
    """After a correction the error is gone, and the right setting is the same."""
    survey = a_survey()
    e = solve(survey).parameters["z_scale"].value
    nothing_left = dataclasses.replace(
        survey,
        readings=tuple(
            dataclasses.replace(r, mm=tuple(x / (1 + e) for x in r.mm)) for r in survey.readings
        ),
    )
    with Record(tmp_path / "record.db") as record:
        keep(record, survey, with_survey=False)
        keep(record, nothing_left, with_survey=False, steps=round(105 / (1 + e), 2))
        (of_belt,) = [
            s for s in history_of(record, "heron", Profile("heron")) if "belt" in s.heading
        ]
    assert of_belt.unit == "%"
    assert [r.value for r in of_belt.results] == pytest.approx([0.0, 0.0], abs=0.02)
    assert of_belt.results[0].day == pytest.approx(datetime.now().timestamp() / 86400, abs=1)


def test_drift_is_drawn_from_the_record(whole):
    drifting = dataclasses.replace(whole, history=(series(0.0, 0.1, 0.2, 0.3),))
    (row,) = section(drifting, "drift")
    assert row[0:2] == ("x", "4")
    assert row[-1] == "drifts"
    assert Outline(page(drifting, MADE)).open == []


def test_nothing_is_drawn_before_it_is_rendered(whole, monkeypatch):
    monkeypatch.setattr(figures, "Figure", lambda *_, **__: pytest.fail("drawn"))
    made = page_of(whole, MADE)
    pictures = [p for section in made.annex for p in section.parts if isinstance(p, Picture)]
    assert len(pictures) > 3
    with pytest.raises(pytest.fail.Exception, match="drawn"):
        pictures[0].drawn.svg()


def test_reasons_without_the_fit_are_general():
    solution = dataclasses.replace(solve(a_survey()), examined=None)
    tune = Tune(machine="x", rounds=(Surveyed(a_survey(), solution),))
    assert page(tune, MADE)


def test_a_trend_over_corrections_is_on_one_scale(tmp_path, monkeypatch, capsys):
    """0.5 % off, corrected, exact twice: the errors as read would drift, the machine does not."""
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    survey = a_survey()
    e = solve(survey).parameters["z_scale"].value
    assert e > 0.004

    def off_by(left: float) -> Survey:
        readings = (
            dataclasses.replace(r, mm=tuple(x * (1 + left) / (1 + e) for x in r.mm))
            for r in survey.readings
        )
        return dataclasses.replace(survey, readings=tuple(readings))

    right = 105 / (1 + e)

    def trend(*rounds: tuple[float, float]) -> dict:
        with Record(tmp_path / "record.db") as record:
            for month, (left, steps) in enumerate(rounds, 1):
                monkeypatch.setattr(
                    "agent.store.record.utc_now", lambda m=month: f"2026-{m:02d}-01T10:00:00+00:00"
                )
                keep(record, off_by(left), with_survey=False, steps=steps)
        assert run(["log", "trend", "estimate.z_scale", "--machine", "heron", "--json"]) == 0
        (tmp_path / "record.db").unlink()
        return json.loads(capsys.readouterr().out)

    corrected = trend((e, 105.0), (e, 105.0), (0.0, right), (0.0, right), (0.0, right))
    assert [p["value"] > 0.004 for p in corrected["points"]] == [True, True, False, False, False]
    assert not corrected["drift_per_year"]["significant"]
    assert abs(corrected["drift_per_year"]["value"]) < 5e-4
    worn = trend(*((0.002 * k, 105.0) for k in range(5)))
    assert worn["drift_per_year"]["significant"]
    assert worn["drift_per_year"]["value"] == pytest.approx(0.002 * 365.25 / 30.2, rel=0.1)


def test_the_report_says_what_each_uncertainty_comes_from(whole):
    rows = section(whole, "budget")
    heads = [place for place, row in enumerate(rows) if not row[1]]
    assert [rows[place][0].rpartition(", ±")[0] for place in heads] == [
        "scale, across",
        "scale, gantry",
        "scale, belt",
        "gantry angle",
    ]
    for begin, end in pairwise((*heads, len(rows))):
        head, parts = rows[begin], rows[begin + 1 : end]
        shares = [int(row[1].removesuffix(" %")) for row in parts]
        assert sum(shares) == pytest.approx(100, abs=len(shares))
        assert shares[0] == max(shares[:-1] or shares)
        assert parts[0][2]
        assert int(head[3]) >= 2
        assert float(re.sub(r" ?[%°]$| mm$", "", head[4])) > 0
