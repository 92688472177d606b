"""`log`: entries in a few words, figures over time, what goes out and comes in."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from agent.estimate.drift import Dated, Drift
from agent.face.desk import Desk
from agent.face.history import MAIN_KINDS, summary, when
from agent.face.main import run
from agent.store.rows import EntryRow, LineRow, Point
from tests.pinned import Pinned


def entry(kind: str, **body: Any) -> EntryRow:
    return EntryRow("0001a2b3c4d", "s1", "2026-03-02T08:10:59+00:00", kind, body, "heron")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (entry("readback", settings={"a": 1, "b": 2}, family="replay"), "2 settings, replay"),
        (entry("readback", damaged=True), "0 settings, , DAMAGED"),
        (entry("estimate"), "no change warranted"),
        (entry("estimate", slicing_angle_deg=46.25), "slice at 46.25°"),
        (entry("estimate", slicing_angle_deg=0.0), "slice at 0°"),
        (
            entry("estimate", corrections=[{"setting": "steps_per_mm.x"}], slicing_angle_deg=46.0),
            "steps_per_mm.x, slice at 46°",
        ),
        (entry("plan", digest="12ab", lines=["M92 X80", "M92 Y80"]), "12ab: M92 X80; M92 Y80"),
        (entry("outcome", digest="12ab"), "no setting: verified nothing (12ab)"),
        (
            entry(
                "proof", digest="12ab", stages=["read back"], changes=[{"key": "x", "wanted": 80.5}]
            ),
            "x 80.5: verified read back (12ab)",
        ),
        (entry("attached", family="replay", port="", serial="A5"), "replay, A5"),
        (entry("reading", name="strip s1", mm=[20.1, 20.12]), "strip s1: 20.1 20.12 mm"),
        (entry("reading", feature="outside"), "outside:  mm"),
        (entry("journal", step="sent", why="so", line="M92"), "sent M92 so"),
        (entry("note", a="x", b=[1], c=2, d=3.5, e=True, f=5), "a x, c 2, d 3.5, e True"),
    ],
)
def test_an_entry_in_a_few_words(row: EntryRow, words: str) -> None:
    """Of an entry of another kind the first four that are short stand there."""
    assert summary(row) == words


def test_a_time_is_told_to_the_minute() -> None:
    assert when("2026-03-02T08:10:59+00:00") == "2026-03-02 08:10"
    assert when("long ago") == "long ago"


class Book:
    """Stands for the record: what it was asked for, and what it gives."""

    def __init__(self) -> None:
        self.told = ""
        self.asked: dict[str, Any] = {}
        self.rows: list[EntryRow] = []
        self.unreadable: Mapping[str, str] = {}
        self.points: list[Point] = []
        self.strange: list[dict[str, int]] = [{}]

    def __enter__(self) -> Book:
        return self

    def __exit__(self, *_: object) -> None:
        """Closed."""

    def entries(self, machine: str | None, **asked: Any) -> list[EntryRow]:
        self.asked = {"machine": machine, **asked}
        return self.rows

    def entry(self, name: str) -> EntryRow:
        return self.rows[0]

    def lines(self, session: str) -> tuple[LineRow, ...]:
        assert session == "s1"
        return (LineRow("s1", 1, 0.5, ">", "M503"),)

    def trend(self, machine: str, key: str) -> list[Point]:
        return self.points

    def export(self, machine: str | None) -> Iterator[str]:
        yield from ("head", f"of {machine}", "end")

    def merge(self, lines: list[str], *, source: str) -> int:
        assert lines == ["a", "b"]
        return 3

    def apart(self) -> dict[str, int]:
        return self.strange.pop(0)


@pytest.fixture
def book(monkeypatch: pytest.MonkeyPatch) -> Book:
    there = Book()
    monkeypatch.setattr("agent.store.record.open_record", lambda: (there, there.told))
    monkeypatch.setenv("COLUMNS", "80")
    return there


def said(capsys: pytest.CaptureFixture[str], *line: str, code: int = 0) -> str:
    capsys.readouterr()
    assert run(line) == code
    told = capsys.readouterr()
    return told.out + told.err


def test_entries_are_listed_as_they_are_asked_for(
    book: Book, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a word of it the newest forty, and of the kinds that do not bury the others."""
    assert said(capsys, "log", "list") == "No matching entries.\n"
    usual = {"machine": None, "kinds": MAIN_KINDS, "since": "", "until": "9999", "text": ""}
    assert book.asked == {**usual, "limit": 40}
    line = ["--machine", "heron", "--kind", "journal", "--since", "2026", "--until", "2027"]
    said(capsys, "log", "list", *line, "--text", "x", "--most", "1")
    wished = {"machine": "heron", "kinds": ("journal",), "since": "2026", "until": "2027"}
    assert book.asked == {**wished, "text": "x", "limit": 1}
    assert "unknown kind 'fly'" in said(capsys, "log", "list", "--kind", "fly", code=2).lower()


def test_what_cannot_be_read_of_the_record_is_told(
    book: Book, capsys: pytest.CaptureFixture[str], pinned: Pinned
) -> None:
    assert "Warning" not in said(capsys, "log", "list")
    book.told, book.unreadable = "The record is damaged", {"1a2b": "no body"}
    book.rows = [entry("note", text="hello")]
    told = said(capsys, "log", "list")
    assert "Warning: The record is damaged" in told
    assert "Left out, as it is no entry of its kind: 1a2b: no body" in told
    assert "1a2b3c4d  2026-03-02 08:10  heron    note  text hello" in told
    book.rows += [entry("readback", family="replay")]
    pinned("face/log", said(capsys, "log", "list"))


def test_an_entry_is_shown_whole_and_its_lines_on_demand(
    book: Book, capsys: pytest.CaptureFixture[str]
) -> None:
    book.rows = [entry("note", text="größer")]
    told = said(capsys, "log", "show", "1a2b3c4d")
    assert told == 'heron, 2026-03-02 08:10: note\n  {\n    "text": "größer"\n  }\n'
    assert said(capsys, "log", "show", "1a2b3c4d", "--wire") == f"{told}       0.500 > M503\n"


DAYS = [
    Point("2026-03-01T08:00:00+00:00", 0.0123456789, 0.0005, "a"),
    Point("2026-03-02T20:00:00+00:00", 80.0, None, "b"),
    Point("2026-03-03T08:00:00+00:00", 81.0, 0.25, "c"),
]


def test_figures_over_time_are_shown_with_their_uncertainty(
    book: Book, capsys: pytest.CaptureFixture[str], pinned: Pinned
) -> None:
    trend = ("log", "trend", "steps_per_mm.z", "--machine", "heron")
    assert said(capsys, *trend) == "The record holds no steps_per_mm.z of heron.\n"
    book.points = DAYS
    told = said(capsys, *trend)
    pinned("face/trend", told)
    assert "older" not in said(capsys, *trend, "--most", "3")
    told = said(capsys, *trend, "--most", "2")
    assert told.endswith("1 older not shown: '--most 3', '--json'.\n")
    assert "0.0123457" not in told


@pytest.mark.parametrize(
    ("key", "scale"),
    [
        ("estimate.z_scale", True),
        ("z_scale", False),
        ("estimate.yaw_deg", False),
        ("steps_per_mm.z", False),
    ],
)
@pytest.mark.parametrize("significant", [True, False])
def test_a_drift_is_told_with_its_verdict(
    key: str,
    scale: bool,
    significant: bool,
    book: Book,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Of a scale it is that of the machine, by the steps that stood there; else of what has a u."""
    held: list[list[Any]] = []

    def drift(dated: list[Any]) -> Drift:
        held.append(list(dated))
        return Drift(0.0012, 0.0004, 0.0008 if significant else 0.0024, True, 0.0)

    on_one = [Dated(1.0, 2.0, 3.0)]
    monkeypatch.setattr("agent.estimate.drift.drift", drift)
    monkeypatch.setattr("agent.bench.past.dated_results", lambda *_: {"z_scale": ["results"]})
    monkeypatch.setattr(
        "agent.bench.past.on_one_scale", lambda found: on_one if found == ["results"] else []
    )
    monkeypatch.setattr("agent.face.report.recorded.known_profile", lambda machine: None)
    book.points = DAYS
    told = said(capsys, "log", "trend", key, "--machine", "heron")
    verdict = "it drifts" if significant else "no drift beyond the noise"
    spread = "0.0008" if significant else "0.0024"
    assert told.endswith(f"Change per year: +0.0012 ± {spread}: {verdict}.\n")
    if scale:
        assert held == [on_one]
    else:
        # days since 1970-01-01: 2026-03-01 is day 20513 (56 years, 14 leap days, 59 days)
        assert [(d.day, d.value, d.u) for d in held[0]] == [
            (pytest.approx(20513 + 8 / 24), 0.0123456789, 0.0005),
            (pytest.approx(20515 + 8 / 24), 81.0, 0.25),
        ]
    document = json.loads(said(capsys, "log", "trend", key, "--machine", "heron", "--json"))
    assert document["drift_per_year"]["significant"] is significant


def test_rows_go_out_to_a_new_file_and_come_in(
    book: Book, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The head of the file is no row of it; what fits no record is told once it is there."""
    monkeypatch.chdir(tmp_path)
    out = ("log", "export", "a.jsonl", "--machine", "heron")
    assert said(capsys, *out) == "2 rows are in a.jsonl.\n"
    assert Path("a.jsonl").read_text() == "head\nof heron\nend\n"
    assert "a.jsonl" in said(capsys, *out, code=1)
    Path("b.jsonl").write_text("a\nb\n")
    book.strange = [{"old": 2, "older": 1}, {"old": 3, "older": 1, "new": 4}]
    assert said(capsys, "log", "merge", "b.jsonl").splitlines() == [
        "3 rows were new.",
        "Warning: 1 kept apart, as they fit no record: old",
        "Warning: 4 kept apart, as they fit no record: new",
    ]


@pytest.mark.parametrize(
    ("machine", "taken", "runs", "looked", "told"),
    [
        ((), 1, 0, [], "1 readings of heron are in r.yaml."),
        (("--machine", "heron"), 1, 0, [], "1 readings of heron are in r.yaml."),
        (("--machine", "twin"), 2, 0, ["twin", "closed"], "2 readings of twin are in r.yaml."),
        ((), 0, 1, [], "0 readings of heron are in r.yaml."),
        ((), 0, 0, [], ""),
    ],
    ids=["on the bench", "on the bench, by name", "another", "a run alone", "none"],
)
def test_readings_of_a_machine_go_to_a_file(
    machine: tuple[str, ...],
    taken: int,
    runs: int,
    looked: list[str],
    told: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Of one that is not on the bench the record is looked at."""
    done: list[str] = []
    written: list[str] = []

    def bench(name: str) -> Any:
        now = SimpleNamespace(taken=("",) * taken, runs=("",) * runs)
        return SimpleNamespace(machine=name, now=now, profile=SimpleNamespace(name=name))

    class Book:
        bench: Any = None

        def look_at(self, name: str) -> None:
            done.append(name)
            self.bench = bench(name)

        def close(self) -> None:
            done.append("closed")

    monkeypatch.setattr("agent.bench.book.RecordBook", Book)
    monkeypatch.setattr("agent.bench.sheet.readings_file", lambda bench: bench.machine)
    monkeypatch.setattr(
        "agent.store.readings.dump_readings", lambda file, sheet, *, expect: written.append(sheet)
    )
    desk = Desk()
    session: Any = SimpleNamespace(bench=bench("heron"), contact=SimpleNamespace(link=None))
    session.refuse = lambda *_: None
    desk._session = session
    code = run(["log", "readings", "--out", "r.yaml", *machine], desk)
    assert code == (0 if told else 1)
    assert done == looked
    assert written == ([looked[0] if looked else "heron"] if told else [])
    assert capsys.readouterr().out.strip() == told
