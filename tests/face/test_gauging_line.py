"""What one line of `gauge` asks for, and what it asks beforehand; on a bench that is put by hand.

A machine that counts as a real one, so that nothing is offered and nothing is laid.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from agent.bench.rounds import Laid
from agent.errors import BadInput
from agent.face import gauging, short
from agent.face.desk import Desk
from agent.face.gauging import ask_conditions, asked_number, minutes_since, seats_meant, seats_of
from agent.face.seating import Seat, Step, Values
from agent.face.short import Wish
from tests.face.bench import answering, carry_out, desk_at, forge_round

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


class Today(datetime):
    @classmethod
    def now(cls, tz: Any = None) -> Any:
        return NOW


@pytest.fixture
def desk(monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    """At a machine with a strip laid an hour ago."""
    monkeypatch.setattr(gauging, "datetime", Today)
    there = desk_at()
    assert carry_out(there, ["attach"]) == [0]
    there.rehearsal = None
    lay(there, "strip", 60.0)
    yield there
    there.close()


def lay(desk: Desk, kind: str, minutes: float | None) -> Laid:
    """Put a piece on the belt that was laid so many minutes ago."""
    drawn = desk.session.pieces.draw(kind)
    laid = desk.session.pieces.laid_whole(drawn)
    at = "" if minutes is None else (NOW - timedelta(minutes=minutes)).isoformat()
    laid = replace(laid, at=at)
    forge_round(desk, laid=(*desk.session.now.laid[:-1], laid))
    return laid


READINGS = """\
format: plumbelt-readings/1
readings:
  - {feature: travel, along: [0, 200, 0], mm: [200.1], u_mm: 0.05}
"""


# --- which of its ways a line takes --------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "way"),
    [
        ("gauge", ["features"]),
        ("gauge strip", ["features"]),
        ("gauge strip-s1", ["features"]),
        ("gauge strip-s1 20.3", ["given"]),
        ("gauge travel", ["moves"]),
        ("gauge gap", ["moves"]),
        ("gauge bed", ["bed"]),
        ("gauge check 50 50.01", ["check"]),
        ("gauge strip --toolpath a.gcode", ["toolpath", "features"]),
        ("gauge strip --enough", ["enough"]),
        ("gauge --enough", ["enough"]),
        ("gauge travel --enough", ["enough"]),
        ("gauge strip --scan a.png", ["scan"]),
        ("gauge --file {file}", []),
        ("gauge strip --file {file}", ["features"]),
        ("gauge --enough --file {file}", ["enough"]),
    ],
)
def test_each_line_has_its_way(
    line: str, way: list[str], desk: Desk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone: list[str] = []

    def note(what: str) -> Any:
        return lambda *_: gone.append(what)

    for name, what in (
        ("gauge_moves", "moves"),
        ("check_instrument", "check"),
        ("check_slicing", "toolpath"),
        ("take_enough", "enough"),
        ("take_scan", "scan"),
        ("take_given", "given"),
        ("read_features", "features"),
    ):
        monkeypatch.setattr(gauging, name, note(what))
    monkeypatch.setattr("agent.face.levelling.gauge_bed", note("bed"))
    file = tmp_path / "readings.yaml"
    file.write_text(READINGS)
    answering(desk)
    assert carry_out(desk, [line.format(file=file)]) == [0]
    assert gone == way
    assert len(desk.session.now.taken) == ("--file" in line)


def test_a_file_that_brings_nothing_new_says_so(
    desk: Desk, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "r.yaml"
    file.write_text(READINGS)
    capsys.readouterr()
    assert carry_out(desk, [f"gauge --file {file}"] * 2) == [0, 0]
    said = " ".join(capsys.readouterr().out.split())
    assert "1 reading of" in said
    assert said.count("200.10") == 2, "what is at hand is shown each time"
    assert "Nothing in" in said


def test_the_drawing_is_shown_for_several_features(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    answering(desk)
    for line, drawn in (("gauge strip", True), ("gauge strip-s1", False)):
        capsys.readouterr()
        assert carry_out(desk, [line]) == [0]
        said = capsys.readouterr().out
        assert ("The raised arrow points to +s" in said) is drawn
        assert "Type what the display shows" in said


@pytest.mark.parametrize(("told", "link"), [("", None), ("--instrument /dev/x", "/dev/x")])
@pytest.mark.parametrize("of_profile", [None, "/dev/p"])
def test_an_instrument_on_a_port_is_listened_to(
    told: str, link: str | None, of_profile: str | None, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The one on the line comes before the profile's; without either readings are typed."""
    listened: list[str] = []

    class Listening:
        def __init__(self, _: Desk, where: str) -> None:
            listened.append(where)

        def __enter__(self) -> None:
            """Nothing is pressed."""

        def __exit__(self, *_: object) -> None:
            """It is let go of."""

    monkeypatch.setattr(gauging, "pressed", Listening)
    instrument = replace(desk.session.profile.instrument, link=of_profile)
    desk.session.contact.detach()
    desk.session.contact.use(replace(desk.session.profile, instrument=instrument))
    answering(desk)
    lay(desk, "strip", 60.0)
    monkeypatch.setattr(short, "wishes", lambda desk: ())
    assert carry_out(desk, [f"gauge strip {told}", f"gauge strip --enough {told}"]) == [0, 0]
    wanted = link or of_profile
    assert listened == ([wanted, wanted] if wanted else [])


def test_the_foot_tells_how_near_it_is_while_readings_are_taken(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    feet: list[bool] = []
    for name in ("take_enough", "gauge_moves", "read_features"):
        monkeypatch.setattr(gauging, name, lambda desk, *_: feet.append(desk.foot is not None))
    answering(desk)
    carry_out(desk, ["gauge --enough", "gauge travel", "gauge strip"])
    assert feet == [True, True, True]
    assert desk.foot is None


def test_a_profile_is_for_a_bench_without_a_machine(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    assert carry_out(desk, ["gauge check 50 50.01 --profile egret"]) == [2]
    assert "A machine is attached and has its profile" in capsys.readouterr().err
    assert carry_out(desk, ["detach", "gauge check 50 50.01 --profile egret"]) == [0, 0]
    assert desk.session.profile.name == "egret"


# --- which features ------------------------------------------------------------------------------


def names(seats: Sequence[Seat]) -> list[str]:
    return [seat.feature.name for seat in seats]


def test_the_newest_piece_is_meant_unless_one_is_named(desk: Desk) -> None:
    every = names(seats_of(desk.session, desk.session.now.laid[0]))
    assert names(seats_meant(desk, None, (), 3)) == every
    forge_round(
        desk, laid=(*desk.session.now.laid, Laid("stem", "stem", {}, 1, desk.session.profile))
    )
    assert names(seats_meant(desk, "strip", (), 3)) == every
    assert names(seats_meant(desk, None, (), 3))[0].startswith("stem")
    for typed in ("strip s2", "strip-s2"):
        assert names(seats_meant(desk, typed, (), 3)) == ["strip s2"]
    assert [(s.number, s.of) for s in seats_meant(desk, "strip", (), 3)] == [
        (n, len(every)) for n in range(1, len(every) + 1)
    ]


@pytest.mark.parametrize(
    ("what", "numbers", "said"),
    [
        ("nothing", (), "nothing is named 'nothing'"),
        ("strip", (20.3,), "readings were given, but 'strip' has 12 features"),
        ("strip-s9", (), "nothing is named 'strip-s9'"),
    ],
)
def test_what_is_not_there_is_answered_with_what_is(
    what: str, numbers: tuple[float, ...], said: str, desk: Desk
) -> None:
    with pytest.raises(BadInput, match=said) as refusal:
        seats_meant(desk, what, numbers, 3)
    assert "strip-s1" in refusal.value.remedy


def take(desk: Desk, name: str, *values: float) -> None:
    feature = next(
        s.feature
        for s in seats_of(desk.session, desk.session.now.laid[0])
        if s.feature.name == name
    )
    desk.session.readings.take(feature, values, "strip")


@pytest.mark.parametrize(
    ("read", "said"),
    [
        ({}, ""),
        ({"strip s1": 2}, ""),
        ({"strip s1": 3}, "1 of 12 features is read; the rest:"),
        ({"strip s1": 3, "strip s2": 4}, "2 of 12 features are read; the rest:"),
    ],
)
def test_what_is_wholly_read_is_not_asked_again(
    read: dict[str, int], said: str, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, count in read.items():
        take(desk, name, *[20.3] * count)
    capsys.readouterr()
    left = seats_meant(desk, "strip", (), 3)
    assert len(left) == 12 - sum(count >= 3 for count in read.values())
    told = capsys.readouterr().out
    assert said in told
    assert bool(said) is bool(told)


@pytest.mark.parametrize("again", ["yes", "no"])
def test_a_piece_that_is_wholly_read_is_read_again_if_that_is_wanted(
    again: str, desk: Desk
) -> None:
    for seat in seats_of(desk.session, desk.session.now.laid[0]):
        take(desk, seat.feature.name, 20.3)
    answering(desk, Read_them_again=again)
    seats = seats_meant(desk, None, (), 1)
    assert len(seats) == (12 if again == "yes" else 0)
    assert not any(seat.values for seat in seats)
    assert carry_out(desk, ["gauge strip --repeats 1"]) == [0]


# --- what the tune still needs -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("what", "code", "said"),
    [
        ("cube", 2, "Nothing is named 'cube' of which enough could be read"),
        ("post", 1, "Stop: No post has been laid"),
    ],
)
def test_enough_is_read_of_a_piece_that_is_there(
    what: str, code: int, said: str, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    answering(desk, Is_there_one="no")
    assert carry_out(desk, [f"gauge {what} --enough"]) == [code]
    assert said in " ".join(capsys.readouterr().err.split())
    answering(desk, Is_there_one="yes")
    if what == "post":
        assert carry_out(desk, ["gauge post --enough"]) == [0]
        assert [laid.name for laid in desk.session.now.laid] == ["strip", "post"]


class Wishes:
    """Wishes of a strip: each is fulfilled once as many values are there."""

    def __init__(self, desk: Desk, monkeypatch: pytest.MonkeyPatch, **wanted: int) -> None:
        self.wanted = wanted
        monkeypatch.setattr(short, "wishes", self)
        monkeypatch.setattr(short, "course_now", lambda desk: None)

    def __call__(self, desk: Desk) -> tuple[Wish, ...]:
        read = {t.reading.name: len(t.reading.mm) for t in desk.session.now.taken}
        return tuple(
            Wish(f"strip {name}", "strip", 20.0, count)
            for name, count in self.wanted.items()
            if read.get(f"strip {name}", 0) < count
        )


@pytest.mark.parametrize(
    ("steps", "asked", "said"),
    [
        (["20.3", "60.1"], ["s1", "s2"], ""),
        (["20.3", ""], ["s1", "s2"], "Left out: strip s2."),
        (["", ""], ["s1", "s2"], "Left out: strip s1, strip s2."),
        (["stop"], ["s1"], "Stopped; 'gauge strip --enough' goes on."),
        (["20.3", "stop"], ["s1", "s2"], "Stopped; 'gauge strip --enough' goes on."),
    ],
)
def test_each_wish_is_asked_once(
    steps: list[str],
    asked: list[str],
    said: str,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    Wishes(desk, monkeypatch, s1=1, s2=1)
    seen: list[tuple[str, int, bool]] = []

    def read_one(
        _: Desk, seat: Seat, repeats: int, values: Values, *, many: bool, offer_more: bool
    ) -> Step:
        seen.append((seat.feature.name, repeats, many))
        assert offer_more
        step = steps[len(seen) - 1]
        if step not in ("", "stop"):
            values.put((*values.now, float(step)))
        return Step.STOP if step == "stop" else Step.ON

    monkeypatch.setattr(gauging, "read_one", read_one)
    capsys.readouterr()
    gauging.read_enough(desk, desk.session.now.laid[0], 0.02)
    assert seen == [(f"strip {name}", 1, n == 0) for n, name in enumerate(asked)]
    told = capsys.readouterr().out
    assert said in told
    assert bool(said) is bool(told)
    assert all(t.reading.u_mm == 0.02 for t in desk.session.now.taken)


def test_the_rest_is_read_by_the_simulated_caliper(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    Wishes(desk, monkeypatch, s1=3, s2=2)
    take(desk, "strip s1", 20.3)
    monkeypatch.setattr(
        gauging, "offered_by_bench", lambda desk, seat, count: (seat.feature.along[1],) * count
    )
    gauging.read_rest(desk, desk.session.now.laid[0], None)
    read = {t.reading.name: t.reading.mm for t in desk.session.now.taken}
    assert read == {"strip s1": (20.3, 20.0, 20.0), "strip s2": (60.0, 60.0)}


# --- conditions ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at", "minutes"),
    [
        ("2026-03-02T07:30:00+00:00", 30.0),
        ("2026-03-02T08:00:00+00:00", 0.0),
        ("2026-03-02T09:00:00+00:00", None),
        ("", None),
        ("yesterday", None),
        ("2026-03-02T07:30:00", None),
    ],
)
def test_how_long_ago_it_was(
    at: str, minutes: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An instant without its zone, or one that is still to come, tells nothing."""
    monkeypatch.setattr(gauging, "datetime", Today)
    assert minutes_since(at) == minutes


@pytest.mark.parametrize(
    ("typed", "value", "asked"),
    [
        ("21.5", 21.5, 1),
        ("21,5 C", 21.5, 1),
        ("21°", 21.0, 1),
        ("0", 0.0, 1),
        ("60", 60.0, 1),
        ("60.1", None, 2),
        ("-0.1", None, 2),
        ("warm", None, 2),
        ("", None, 1),
    ],
)
def test_a_number_within_bounds(
    typed: str,
    value: float | None,
    asked: int,
    desk: Desk,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What lies outside is asked for again; Enter alone leaves it unknown."""
    answers = [typed, ""]
    questions: list[str] = []

    def answer(question: str) -> str:
        questions.append(question)
        return answers.pop(0)

    desk.screen.ask_with(answer)
    assert asked_number(desk, "How warm?", 0.0, 60.0) == value
    assert len(questions) == asked
    said = capsys.readouterr().out
    assert ("Expected 0 to 60, found" in said) is typed.endswith("0.1")
    assert bool(said) is (asked == 2)


@pytest.mark.parametrize(
    ("age", "told", "better"),
    [
        (60.0, "", None),
        (2.0, "", 2),
        (2.0, "60", None),
        (None, "", None),
        (None, "1", 3),
        (60.0, "1", 3),
    ],
)
def test_a_piece_that_may_be_warm_is_told(
    age: float | None,
    told: str,
    better: int | None,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What is told of its age comes before what the clock says; 4 minutes are enough here."""
    monkeypatch.setattr(gauging, "cooling_of", lambda laid: 4.0)
    answering(desk, Minutes_since=told)
    ask_conditions(desk, lay(desk, "strip", age))
    said = " ".join(capsys.readouterr().out.split())
    assert ("may be warm" in said) is (better is not None)
    if better is not None:
        assert f"let it cool for {better} min more" in said


def test_without_a_piece_ten_minutes_are_fresh(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    for told, warm in (("9.5", True), ("10", False)):
        forge_round(desk, asked=False)
        answering(desk, Minutes_since=told)
        capsys.readouterr()
        ask_conditions(desk)
        assert ("for 1 min more" in capsys.readouterr().out) is warm


@pytest.mark.parametrize(
    ("known", "age", "asked"),
    [(False, 60.0, 2), (True, 60.0, 0), (True, None, 2)],
)
def test_what_the_tool_knows_of_a_piece_is_not_asked(
    known: bool, age: float | None, asked: int, desk: Desk
) -> None:
    technician = answering(desk, Room="21.5")
    ask_conditions(desk, lay(desk, "strip", age), known=known)
    assert len(technician.asked) == asked
    ask_conditions(desk, desk.session.now.laid[0], known=known)  # once for each state
    assert len(technician.asked) == asked
    if asked:
        forge_round(desk, asked=False)
        technician = answering(desk)
        ask_conditions(desk, desk.session.now.laid[0])
        assert "Room temperature, °C (Enter: 21.5)?" in technician.asked
        assert desk.session.now.conditions.room_c == 21.5


def test_conditions_are_asked_for_within_what_can_be(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A room where somebody works is between frost and 60 °C; a million minutes are two years."""
    bounds: list[tuple[float, float]] = []
    monkeypatch.setattr(gauging, "asked_number", lambda desk, _, *within: bounds.append(within))
    ask_conditions(desk)
    assert bounds == [(0.0, 60.0), (0.0, 1e6)]


def test_a_simulated_piece_is_let_cool(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """It waits as long as that piece needs, and its age on our clock counts for nothing."""
    waited: list[float] = []
    rehearsal = SimpleNamespace(wait=waited.append, close=lambda: None)
    desk.rehearsal = rehearsal  # type: ignore[assignment]
    monkeypatch.setattr(gauging, "cooling_of", lambda laid: 4.0)
    technician = answering(desk)
    ask_conditions(desk, lay(desk, "strip", 1.0))
    assert waited == [4.0]
    assert len(technician.asked) == 2
    assert "may be warm" not in " ".join(technician.asked)
