"""Figures of comparisons, capability and covers, each to its last digit, and lives of machines."""

from __future__ import annotations

import csv
import random
import re
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from agent.errors import Refused
from agent.face.desk import Desk
from agent.face.main import run
from agent.face.screen import Screen
from agent.face.shop import page, sheets
from agent.face.shop.row import (
    Place,
    Result,
    Row,
    cover,
    lines_of,
    refuse_existing,
    results,
    save_cover,
    show_row,
    sit,
    stage_of,
    yield_words,
)
from agent.face.shop.sheets import MOST_PICTURES, Drifts
from agent.store.profiles import load_profile
from agent.store.record import Record
from agent.work.session import Session
from agent.work.signals import Ended
from agent.workshop.asking import OwnRecord
from agent.workshop.capability import capability, indices
from agent.workshop.charts import chart
from agent.workshop.comparison import Fit, Verdict, fit, holm, standing_out
from agent.workshop.fleet import ANGLES, SCALES, Left, Machine
from agent.workshop.series import Charted, Point, lives
from tests.face.bench import WILLING, Technician
from tests.listing import inline, listing, number
from tests.memory import in_memory
from tests.pinned import Pinned
from tests.workshop.shop import STEPS, Writer, instant

DAY = date(2026, 3, 1)


def _values(counts: list[int], shift: dict[int, float]) -> dict[str, list[float]]:
    dice = random.Random(8)
    return {
        f"m{n}": [dice.gauss(shift.get(n, 0.0), 0.02) + 0.01 * (n % 3) for _ in range(count)]
        for n, count in enumerate(counts)
    }


def _told(found: Fit | None) -> str:
    if found is None:
        return "none"
    rest = {
        "batches": found.batches,
        "machines": found.machines,
        "p batches": found.batch_p,
        "p machines": found.machine_p,
    }
    return (
        f"within {number(found.within, 7)}, between {number(found.between, 7)},"
        f" f {number(found.f, 4)} {found.f_dof}, p {number(found.p, 5)}\n"
        + "\n".join(f"  {name}: {inline(some, 5)}" for name, some in rest.items())
    )


def test_fits_of_machines_and_batches(pinned: Pinned) -> None:
    """Even and uneven counts, one value each, batches of one, and too little to tell."""
    ab = {f"m{n}": "A" if n < 4 else "B" for n in range(8)}
    cases: dict[str, tuple[list[int], dict[int, float], dict[str, str]]] = {
        "even": ([4] * 8, {}, ab),
        "a batch off": ([3] * 8, {4: 0.2, 5: 0.21, 6: 0.19, 7: 0.2}, ab),
        "a machine off": ([5, 4, 3, 5, 4, 3, 5, 4], {2: 0.3}, ab),
        "one value each": ([1] * 8, {}, ab),
        "no batches": ([3, 2, 4, 1], {1: 0.1}, {}),
        "a batch of one": ([3, 3, 3, 3], {3: 0.1}, {"m3": "C"}),
        "one to spare": ([3, 3, 3], {2: 0.1}, {"m2": "C"}),
        "three": ([2, 2, 2], {}, {}),
        "two": ([9, 9], {}, {}),
        "an empty one": ([3, 0, 3], {}, {}),
        "each its own": ([1, 1, 1], {}, {"m0": "A", "m1": "B", "m2": "C"}),
        "each its own, twice": ([2, 2, 2], {}, {"m0": "A", "m1": "B", "m2": "C"}),
    }
    text, fits = [], {}
    for name, (counts, shift, batches) in cases.items():
        found = fit(_values(counts, shift), batches)
        text.append(f"{name}: {_told(found)}")
        if found is not None:
            fits[name] = found
    same = fit({"a": [1.0, 1.0], "b": [1.0], "c": [1.0]}, {})
    text.append(f"all equal: {_told(same)}")
    alike = fit({"a": [1.0, 1.0], "b": [1.0], "c": [2.0], "d": [2.0]}, {"c": "C", "d": "C"})
    text.append(f"equal within batches: {_told(alike)}")
    text.append(listing(standing_out(fits), 5))
    pinned("workshop/fits", "\n".join(text))


def test_machines_that_are_a_batch_each_do_not_tell_how_far_apart_machines_lie() -> None:
    own = {"m0": "A", "m1": "B", "m2": "C"}
    found = fit({"m0": [1.0, 2.0], "m1": [3.0, 4.0], "m2": [7.0, 8.0]}, own)
    assert found is not None
    assert (found.within, found.between, found.p) == (pytest.approx(0.5), 0.0, 1.0)
    assert found.batch_p == found.machine_p == {}


def test_holm_holds_all_tests_together() -> None:
    assert holm([]) == []
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([0.5, 0.9]) == [1.0, 1.0]


def test_indices_of_capability(pinned: Pinned) -> None:
    dice = random.Random(3)
    values = [dice.gauss(0.1, 0.3) for _ in range(12)]
    text = [
        inline(capability(values, -1.0, 1.0), 5),
        inline(capability(values, -0.2, 1.0, confidence=0.9), 5),
        inline(indices(30, 0.2, 0.25, -1.0, 0.9), 5),
        inline(capability([0.0, 1.0, -1.0, 1.1], -1.0, 1.0), 5),
    ]
    found = capability(values, -1.0, 1.0)
    assert found is not None
    text.append(inline(found.to_plain(), 5))
    pinned("workshop/capability", "\n".join(text))
    assert found.share_within == 1.0
    assert capability([1.0], 0.0, 2.0) is None
    assert capability([1.0, 1.0], 0.0, 2.0) is None
    for low, high in ((1.0, 1.0), (2.0, 1.0)):
        with pytest.raises(ValueError, match="in order"):
            capability([0.0, 1.0], low, high)


# -- pages -------------------------------------------------------------------------------------


def _results() -> list[Result]:
    def left(*values: float) -> dict[str, Left]:
        names = ("x_scale", "z_scale", "gantry_angle_deg")
        limits = (0.001, 0.001, 0.1)
        return {n: Left(v, 0.0001, m) for n, v, m in zip(names, values, limits, strict=False)}

    return [
        Result("heron-1", left(0.0002, -0.0005, 0.02), "within", "report-1.html"),
        Result("heron-2", left(0.0009, 0.0003, -0.05), "open", "report-2.html"),
        Result("heron-3", left(0.0021, 0.0001), "beyond", "report-3.html"),
        Result("heron <4>", {}, "unknown", "", "no answer"),
    ]


def test_the_cover_of_a_row(tmp_path: Path, pinned: Pinned) -> None:
    found = _results()
    sheet, capable, made = cover(found)
    text = [
        sheets.csv_of(sheet),
        sheets.csv_of(capable),
        yield_words(found),
        yield_words(found[:1]),
    ]
    text += [inline({name: one.to_plain() for name, one in made.items()}, 4)]
    text += [inline(result.to_plain(), 4) for result in found]
    place = save_cover(found, DAY, tmp_path)
    assert place == tmp_path / "row-2026-03-01.html"
    html = re.sub(r"<style>.*?</style>", "<style/>", place.read_text(encoding="utf-8"), flags=re.S)
    pinned("workshop/cover", "\n".join([*text, html]))
    with pytest.raises(Refused, match="is there already"):
        refuse_existing(tmp_path, DAY)
    refuse_existing(tmp_path, date(2026, 3, 2))
    with pytest.raises(Refused, match="no folder that can be written to"):
        refuse_existing(tmp_path / "none", DAY)


def test_a_page_of_nothing_and_the_words_of_a_few(pinned: Pinned) -> None:
    text = [page.page([], Drifts(), [], [], made=DAY, source="from nowhere")]
    one = Machine("m", "hall", instant(0), DAY, {}, unstored=True)
    text += [page.summary([], DAY), page.summary([one], DAY), page.summary([one, one], DAY)]
    text += [page.false_alarms(Drifts()), page.false_alarms(Drifts(charts=2, watched=1000))]
    kept = re.sub(r"<style>.*?</style>", "<style/>", "\n".join(text), flags=re.S)
    pinned("workshop/page-empty", kept)


def _charted(name: str, values: list[float]) -> Charted:
    points = tuple(Point(instant(9.0 * n), v, 0.02, str(n)) for n, v in enumerate(values))
    us = tuple(0.02 for _ in values)
    return Charted(name, "yaw_deg", "deg", points, us, chart(values, us), None)


def test_a_fleet_is_gathered_chart_by_chart() -> None:
    """Values in charts with limits are counted, and no more charts are drawn than a page holds."""
    drifts = Drifts()
    for n in range(MOST_PICTURES + 3):
        drifts.see(_charted(f"m{n}", [0.0, 0.5]))
    drifts.see(_charted("quiet", [0.0, 0.01] * 4))
    drifts.see(_charted("short", [0.0, 0.01] * 3))
    assert (drifts.charts, drifts.watched) == (MOST_PICTURES + 5, 8)
    assert len(drifts.pictured) == MOST_PICTURES
    assert len(drifts.rows) == MOST_PICTURES + 3
    assert drifts.rows[0][:4] == ("m0", "gantry yaw", "2026-01-14", "+0.500 ± 0.040 deg")
    assert len(drifts.sheet.rows) == MOST_PICTURES + 3
    rows = list(sheets.points(_charted("m", [0.0, 0.5, 0.5])))
    assert [row[5:8] for row in rows] == [
        ("0", "0.02", ""), ("0.5", "0.02", "0.5"), ("0.5", "0.02", "0"),
    ]  # fmt: skip
    assert [row[-1] for row in rows] == ["", "step", ""]
    assert {row[8:11] for row in rows} == {("", "", "")}


# -- the sitting -------------------------------------------------------------------------------


def _row(count: int) -> Row:
    places = [Place(f"heron-{n}", f"memory{n}", "heron") for n in range(1, count + 1)]
    row = Row.set_up(places, Screen(Technician(WILLING)))
    for n, desk in enumerate(row.desks.values(), 3):
        desk.rehearsal = in_memory(seed=n)
        desk.session = Session(desk.session.profile)
    return row


def test_a_line_goes_to_the_machine_that_it_names() -> None:
    row = _row(2)
    assert row.here == "heron-1"
    assert row.taken_apart("heron-2: attach") == ("heron-2", "attach")
    assert row.taken_apart(" heron-2 :  attach ") == ("heron-2", "attach")
    assert row.taken_apart("attach") == ("heron-1", "attach")
    assert row.taken_apart("other: attach") == ("heron-1", "other: attach")
    assert row.carry_out("heron-2:") == 0
    assert row.here == "heron-2"
    row.close()


def test_the_one_that_is_furthest_behind_is_next(capsys: pytest.CaptureFixture[str]) -> None:
    """Among equals the one at hand; one that failed is left out until it is named."""
    row = _row(3)
    row.here = "heron-2"
    found = row.behind()
    assert found is not None
    assert found[0] == "heron-2"
    row.here = ""
    found = row.behind()
    assert found is not None
    assert found[0] == "heron-1"
    assert row.carry_out("heron-1: attach") == 0
    assert stage_of(row.desks["heron-1"])[0] > stage_of(row.desks["heron-2"])[0]
    row.failed = {"heron-2"}
    found = row.behind()
    assert found is not None
    assert found[0] == "heron-3"
    row.failed = set(row.desks)
    assert row.behind() is None
    capsys.readouterr()
    show_row(row, Screen())
    told = capsys.readouterr().out
    assert re.findall(r"^heron-\d", told, flags=re.M) == ["heron-1", "heron-2", "heron-3"]
    row.close()


def test_a_machine_without_a_link_is_attached_first() -> None:
    row = _row(1)
    for desk in row.desks.values():
        desk.rehearsal = None
    found = row.behind()
    assert found is not None
    assert (found[1].line, found[1].why) == ("attach memory1", "It is not attached yet.")


def test_a_sitting_ends_with_a_word_or_where_nothing_more_comes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for word in ("done", "exit", "quit", None):
        row = _row(1)
        asked: list[str] = []

        def read(prompt: str, word: str | None = word, asked: list[str] = asked) -> str:
            asked.append(prompt)
            if len(asked) == 1:
                raise KeyboardInterrupt
            if word is None:
                raise EOFError
            return f" {word} "

        assert sit(row, Screen(), read) == 0
        assert asked == ["heron-1> "] * 2
        row.close()
    told = capsys.readouterr().out
    assert "At heron-1 (1 of 1):" in told


def test_lines_come_from_a_pipe_until_it_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("one\n\n"))
    read = lines_of(Screen())
    assert [read("> "), read("> ")] == ["one\n", "\n"]
    with pytest.raises(EOFError):
        read("> ")


# -- lives -------------------------------------------------------------------------------------


def _points(record: Record, machine: str) -> dict[str, list[tuple[str, float]]]:
    [life] = lives(OwnRecord(record), machine)
    return {
        error: [(point.at[:10], round(point.value, 3)) for point in points]
        for error, points in life.points.items()
    }


def test_one_state_is_one_point_whatever_it_was_solved_by(tmp_path: Path) -> None:
    """Solved again in a sitting counts once, the last of it; half a day later it counts anew."""
    with Record(tmp_path / "lives.db") as record:
        w = Writer(random.Random(1))
        errors: list[dict[str, float]] = [
            {"x_scale": 0.001 * n, "yaw_deg": 0.1 * n} for n in range(6)
        ]
        first = w.session("heron", 1.0)
        w.readback(first, 1.0, STEPS)
        w.estimate(first, 1.1, errors[0])
        w.estimate(first, 1.2, errors[1])  # the same session: the last of it
        second = w.session("heron", 1.3)
        w.estimate(second, 1.3, errors[2])  # within a sitting
        third = w.session("heron", 1.9)
        w.estimate(third, 1.9, errors[3])  # half a day later and more
        w.outcome(third, 2.0, "read back")
        w.estimate(third, 2.1, errors[4])  # after a change
        w.readback(third, 2.2, {**STEPS, "x": 81.0})
        w.estimate(third, 2.3, errors[5])  # a read-back alone is no change
        w.keep(record)
        found = _points(record, "heron")
        assert found["yaw_deg"] == [
            (instant(1.3)[:10], 0.2), (instant(1.9)[:10], 0.3), (instant(2.3)[:10], 0.5),
        ]  # fmt: skip
        right = [80 / 1.002, 80 / 1.003, 81 / 1.005]
        assert [value for _, value in found["x_scale"]] == pytest.approx(right, abs=6e-4)
        assert list(lives(OwnRecord(record), "egret")) == []


def test_what_no_reading_determined_is_no_point(tmp_path: Path) -> None:
    """Without a read-back there is no right setting, with a wide interval no result."""
    with Record(tmp_path / "lives.db") as record:
        w = Writer(random.Random(1))
        session = w.session("heron", 1.0)
        w.estimate(session, 1.1, {"x_scale": 0.001, "yaw_deg": 0.3})
        w.keep(record)
        assert list(_points(record, "heron")) == ["yaw_deg"]
        session = w.session("egret", 1.0)
        w.readback(session, 1.0, STEPS)
        w.estimate(session, 1.1, {"x_scale": 0.001}, u=0.015)
        w.estimate(session, 1.2, {"y_scale": -1.0})
        w.keep(record)
        assert list(lives(OwnRecord(record), "egret")) == []


def test_a_sitting_ends_with_the_last_failure(capsys: pytest.CaptureFixture[str]) -> None:
    """What fails is told by its code though later lines succeed; without any it is nought."""
    row = _row(1)
    typed = ["heron-1: gauge nothing", "heron-1: readback", "done"]
    code = sit(row, Screen(), lambda _: typed.pop(0))
    assert code != 0
    typed = ["row", "row", "done"]
    assert sit(row, Screen(), lambda _: typed.pop(0)) == 0
    row.close()


def test_an_attach_that_fails_leaves_its_machine_out_until_one_succeeds(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    places = [Place("gone", str(tmp_path / "nothing"), "heron"), Place("other", "memory", "heron")]
    row = Row.set_up(places, Screen(Technician(WILLING)))
    row.desks["other"].rehearsal = in_memory(seed=3)
    row.desks["other"].session = Session(row.desks["other"].session.profile)
    typed = ["", "done"]
    assert sit(row, Screen(), lambda _: typed.pop(0)) != 0
    assert row.failed == {"gone"}
    told = "".join(capsys.readouterr().out.split())  # a long path is broken anywhere
    assert f"goneisleftoutfornow;'gone:attach{tmp_path}/nothing'triesagain." in told
    assert "Atother(2of2):" in told
    row.failed.add("other")
    typed = ["other: attach", "done"]
    row.failed.discard("gone")
    assert sit(row, Screen(), lambda _: typed.pop(0)) == 0
    assert row.failed == set()
    row.close()


@pytest.mark.parametrize("lacks", ["format", "machines", "name", "port"])
def test_a_row_wants_each_of_its_keys_but_the_profile(lacks: str, tmp_path: Path) -> None:
    from agent.errors import BadInput
    from agent.face.shop.row import read_row

    text = "format: plumbelt-row/1\nmachines:\n  - name: a\n    port: b\n    profile: c\n"
    file = tmp_path / "row.yaml"
    file.write_text(text)
    assert read_row(file) == (Place("a", "b", "c"),)
    file.write_text(text.replace("    profile: c\n", ""))
    assert read_row(file) == (Place("a", "b"),)
    lines = text.splitlines(keepends=True)
    cut = {"format": lines[1:], "machines": lines[:1], "name": [*lines[:2], "  - port: b\n"]}
    file.write_text("".join(cut.get(lacks, [*lines[:2], "  - name: a\n"])))
    with pytest.raises(BadInput) as caught:
        read_row(file)
    assert lacks in str(caught.value)
    file.write_text("format: plumbelt-row/1\nmachines: []\n")
    with pytest.raises(BadInput):
        read_row(file)


def test_at_a_terminal_lines_and_answers_come_from_an_editor(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True))
    screen = Screen(Technician())
    with create_pipe_input() as keys, create_app_session(input=keys, output=DummyOutput()):
        read = lines_of(screen)
        keys.send_text("row\ryes\rdone\r")
        assert read("heron> ") == "row"
        assert screen.ask("Go on?") == "yes"
        assert read("heron> ") == "done"


def test_all_machines_are_let_go_of_at_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    closed: list[Desk] = []
    row = _row(2)
    monkeypatch.setattr(Desk, "close", lambda self: closed.append(self))
    row.close()
    assert closed == list(row.desks.values())


def test_a_machine_whose_link_was_lost_says_what_to_do_about_that(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It was attached: to attach it as if it had not been would forget what was going on."""
    row = _row(1)
    [desk] = row.desks.values()
    desk.rehearsal = None
    monkeypatch.setattr(type(desk), "lost", "memory1", raising=False)
    found = row.behind()
    assert found is not None
    assert found[1].why != "It is not attached yet."


def test_a_hang_up_in_a_sitting_leaves_every_machine_cold(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unlike Ctrl-C, which only drops the line: nobody sits there any more."""

    def hung_up(_prompt: str) -> str:
        raise Ended(1)

    ended: list[str] = []
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    monkeypatch.setattr("agent.face.shop.row.lines_of", lambda screen: hung_up)
    monkeypatch.setattr(Desk, "end_safely", lambda self: ended.append(self.session.profile.name))
    file = tmp_path / "row.yaml"
    file.write_text(
        "format: plumbelt-row/1\nmachines:\n"
        "  - {name: a, port: b, profile: heron}\n  - {name: c, port: d, profile: heron}\n"
    )
    with pytest.raises(Ended):
        run(["workshop", "tune", "--machines", str(file), "--out", str(tmp_path)])
    assert ended[:2] == ["a", "c"]  # then the desk that the sitting was called from


class _Found:
    """A bench of which only what was found is asked."""

    def __init__(self, *, determined: bool = True, solved: bool = True, taken: bool = True) -> None:
        names = (*SCALES, *ANGLES)
        parameter = SimpleNamespace(value=0.0002, u=0.0001, determined=True)
        parameters = dict.fromkeys(names, parameter)
        parameters["yaw_deg"] = SimpleNamespace(value=0.3, u=0.01, determined=determined)
        self.solution = SimpleNamespace(parameters=parameters)
        self.now = SimpleNamespace(
            solution=self.solution if solved else None, taken=(1,) if taken else ()
        )
        self.profile = load_profile("heron")
        self.readings = self

    def solve(self) -> None:
        self.now.solution = self.solution


@pytest.mark.parametrize(
    ("how", "standing", "errors"),
    [
        ({}, "beyond", 7),
        ({"determined": False}, "within", 6),
        ({"solved": False}, "beyond", 7),  # the readings after the change are solved at the end
        ({"solved": False, "taken": False}, "unknown", 0),
    ],
)
def test_what_came_of_a_machine_at_the_end_of_the_sitting(
    how: dict[str, bool],
    standing: str,
    errors: int,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What no reading determined counts for nothing; a certificate that cannot be is told why."""
    written: list[Path] = []

    def write(job: object, made: date, place: Path) -> None:
        if job == "none":
            raise Refused("nothing was solved")
        written.append(place)

    bench = SimpleNamespace(session=_Found(**how), name="whole")
    none = SimpleNamespace(session=_Found(**how), name="none")
    monkeypatch.setattr("agent.face.report.verb.job_at", lambda desk: desk.name)
    monkeypatch.setattr("agent.face.report.verb.written", write)
    row: Any = SimpleNamespace(desks={"heron-1": bench, "heron-2": none})
    first, second = results(row, DAY, tmp_path)
    place = tmp_path / "report-heron-1-2026-03-01.html"
    assert written == [place]
    assert (first.certificate, first.why) == (str(place), "")
    assert (second.certificate, second.why) == ("", "nothing was solved")
    assert {first.standing, second.standing} == {standing}
    assert len(first.left) == errors
    if errors:
        tolerance = load_profile("heron").tolerance
        assert first.left["x_scale"].limit == tolerance.scale_percent / 100
        assert first.left["roll_deg"].limit == tolerance.angle_deg


# -- tables ------------------------------------------------------------------------------------


def test_the_error_that_fills_most_of_its_tolerance_is_told() -> None:
    """0.03 of 0.1 degrees are 30 %, half a thousandth of a thousandth 50 %; its interval is 2 u."""
    found = {
        "yaw_deg": Left(0.03, 0.01, 0.1),
        "z_scale": Left(-0.0005, 0.0001, 0.001),
        "x_scale": Left(0.0004, 0.0001, 0.001),
    }
    assert sheets.largest(found) == "scale, belt 50% ± 20%"
    assert sheets.largest({}) == ""


def test_machines_in_a_table_and_in_a_file() -> None:
    """A chart of yesterday is no reason to call somebody; who was never tuned is due now."""
    left = {"z_scale": Left(-0.0005, 0.0001, 0.001)}
    found = [
        Machine("a", "hall", "2026-01-05T08:00:00", date(2026, 2, 28), left),
        Machine("b", "hall", "2026-01-05T08:00:00", DAY, left, clock_off=True),
        Machine("c", "", "", None, clock_off=True),
        Machine("d", "hall", "2026-01-05T08:00:00", DAY, left, measured_since=False),
    ]
    rows = sheets.machines(found, DAY).rows
    assert [row[2] for row in rows] == [
        "2026-01-05", "2026-01-05 (clock put right)", "never", "2026-01-05",
    ]  # fmt: skip
    assert [row[3:6] for row in rows] == [
        ("within", "scale, belt 50% ± 20%", "2026-02-28, 1 days over"),
        ("within", "scale, belt 50% ± 20%", "2026-03-01"),
        ("unknown", "", "now: never tuned"),
        ("unknown", "", "2026-03-01"),
    ]
    first, _, _, last = csv.DictReader(sheets.machines_csv(found, DAY).splitlines())
    cells = ("z_scale", "z_scale_u", "z_scale_tolerance", "x_scale")
    assert [first[cell] for cell in cells] == ["-0.0005", "0.0001", "0.001", ""]
    assert {last[cell] for cell in cells} == {""}  # not measured since the change


@pytest.mark.parametrize(
    ("p", "told"), [(0.0012, "0.0012"), (0.001, "0.001"), (0.0009, "< 0.001"), (0.5, "0.5")]
)
def test_what_stands_out_is_told_with_its_chance(p: float, told: str) -> None:
    found = [
        Verdict("z_scale", "machine", "a", 0.1234, 0.1, p),
        Verdict("yaw_deg", "batch", "", -0.05, 0.1, p),
    ]
    assert sheets.verdicts(found).rows == (
        ("scale, belt", "machine", "a", "+0.123 %", told),
        ("gantry yaw", "batch", "(not noted)", "-0.050 °", told),
    )
