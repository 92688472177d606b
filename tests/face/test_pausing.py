"""A laying that is shown, paused and ended; with a stub in place of the lines on the wire."""

from __future__ import annotations

import io
import signal
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from types import SimpleNamespace
from typing import Any

import click
import pytest
from rich.console import Console

from agent.errors import Declined, LinkFailed, Refused
from agent.face import laying as laying_module
from agent.face.desk import Desk
from agent.face.laying import (
    end,
    goes_on,
    minutes,
    progress_shown,
    progress_text,
    seat_and_heat,
    show_reach,
    stoppable,
    stops,
    targets,
)
from agent.model.heat import Heat, Heats
from agent.model.roles import ROLES
from agent.work.laying import Progress
from agent.work.signals import Ended
from tests.face.bench import Technician, carry_out, desk_at, forge
from tests.memory import in_memory
from tests.pinned import Pinned

STRIP: Any = SimpleNamespace(name="strip")


class StubLaying:
    """A laying of which nothing is sent."""

    def __init__(self) -> None:
        self.done, self.lines = 7, [""] * 20
        self.lifts = True
        self.heating = (215.0, 60.0)
        self.wording = SimpleNamespace(heats=True)
        self.clear_feed_mm: float | None = 84.0
        self.fed = 0
        self.breaks: BaseException | None = None
        self.progress = Progress(0, 20, 90.0, "", Heats())

    def hold(self) -> bool:
        if self.breaks is not None:
            raise self.breaks
        return self.lifts

    def feed_clear(self) -> None:
        self.fed += 1
        if self.breaks is not None:
            raise self.breaks


@pytest.fixture
def laying() -> Any:
    return StubLaying()


@pytest.fixture
def desk(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Iterator[Desk]:
    """Attached; `stopped` tells how often a laying was ended in order."""
    there = desk_at()
    assert carry_out(there, ["attach"]) == [0]
    stopped: list[object] = []

    def stop(laying: object) -> str:
        stopped.append(laying)
        return "The heaters are off"

    monkeypatch.setattr(there.session.pieces, "stop", stop)
    monkeypatch.setattr(there, "stopped", stopped, raising=False)
    capsys.readouterr()
    yield there
    there.close()


def stopped(desk: Desk) -> int:
    return len(desk.stopped)  # type: ignore[attr-defined]


# --- the pause -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "on", "asked"),
    [
        (["on"], True, 1),
        (["ON"], True, 1),
        (["stop"], False, 1),
        (["what", "on"], True, 2),
        (["what", "", "on"], True, 3),
        (["what", "", "hm", "on"], False, 3),
    ],
)
def test_a_pause_ends_with_a_word_or_after_three_unclear_ones(
    answers: list[str], on: bool, asked: int, desk: Desk, laying: Any
) -> None:
    left = list(answers)
    desk.screen.ask_with(lambda question: left.pop(0))
    assert goes_on(desk, STRIP, laying) is on
    assert len(answers) - len(left) == asked
    assert stopped(desk) == 0, "ending it is for whoever asked"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {},
            "; the nozzle is raised off the piece, and is STILL HEATED (nozzle 215 °C, bed 60 °C).",
        ),
        ({"lifts": False}, "stands still, and is STILL HEATED (nozzle 215 °C, bed 60 °C)."),
        ({"heating": (0.0, 60.0)}, "and is STILL HEATED (bed 60 °C)."),
        ({"heating": (0.0, 0.0)}, "and is cold."),
        ({"wording": SimpleNamespace(heats=False)}, "STILL HEATED by controllers of its own."),
    ],
)
def test_a_pause_says_what_is_hot(
    changes: dict[str, Any], said: str, desk: Desk, laying: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    vars(laying).update(changes)
    desk.screen.ask_with(Technician({"Type 'on'": "stop"}))
    assert not goes_on(desk, STRIP, laying)
    told = " ".join(capsys.readouterr().out.split())
    assert told.startswith("Paused after 7 of 20 lines of strip. The machine")
    assert told.endswith(said)


@pytest.mark.parametrize(
    ("breaks", "ended", "raised"),
    [
        (KeyboardInterrupt(), None, None),
        (click.Abort(), None, None),
        (KeyboardInterrupt(), Ended(15), KeyboardInterrupt),
        (LinkFailed("gone"), None, LinkFailed),
    ],
    ids=["interrupt", "end of input", "the process ends", "the link fails"],
)
def test_a_pause_that_breaks_ends_the_laying(
    breaks: BaseException,
    ended: Ended | None,
    raised: type[BaseException] | None,
    desk: Desk,
    laying: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where nobody can be asked any more the heaters go off at once; else the end asks."""
    monkeypatch.setattr(laying_module, "ended_by", lambda interrupt: ended)
    laying.breaks = breaks
    if raised is None:
        assert not goes_on(desk, STRIP, laying)
    else:
        with pytest.raises(raised):
            goes_on(desk, STRIP, laying)
    assert stopped(desk) == (raised is not None)


# --- the end -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("feed", "hot", "answer", "fed", "words"),
    [
        (84.0, "off", "yes", 1, "The belt was fed forward by 84 mm"),
        (84.0, "off", "no", 0, "The belt was not fed"),
        (84.0, "on", "yes", 0, "The belt was not fed"),
        (None, "off", "yes", 0, "The belt was not fed"),
    ],
    ids=["fed", "declined", "hot", "nothing to feed"],
)
def test_at_the_end_the_belt_is_fed_if_all_is_cold_and_somebody_wants_it(
    feed: float | None, hot: Any, answer: str, fed: int, words: str, desk: Desk, laying: Any
) -> None:
    laying.clear_feed_mm = feed
    forge(desk, heater_state=hot)
    technician = Technician({"Feed the belt forward by 84 mm": answer})
    desk.screen.ask_with(technician)
    with pytest.raises(Refused, match="stopped after 7 of 20 lines of strip") as refusal:
        end(desk, STRIP, laying)
    assert laying.fed == fed
    assert f"The heaters are off. {words}." in refusal.value.remedy
    assert len(technician.asked) == (feed is not None and hot == "off")
    assert stopped(desk) == 1


@pytest.mark.parametrize("ended", [None, Ended(15)])
def test_a_feed_that_is_broken_off_may_have_moved_the_belt(
    ended: Ended | None, desk: Desk, laying: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(laying_module, "ended_by", lambda interrupt: ended)
    forge(desk, heater_state="off")
    laying.breaks = KeyboardInterrupt()
    desk.screen.ask_with(Technician({"Feed the belt": "yes"}))
    with pytest.raises(KeyboardInterrupt if ended else Refused) as raised:
        end(desk, STRIP, laying)
    if not ended:
        assert "The belt may have been fed" in str(raised.value)


# --- an interrupt --------------------------------------------------------------------------------


def test_the_first_interrupt_asks_and_the_second_breaks_off() -> None:
    before = signal.getsignal(signal.SIGINT)
    with stoppable() as asked:
        assert not asked()
        signal.raise_signal(signal.SIGINT)
        assert asked()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before


def test_outside_the_main_thread_nobody_asks() -> None:
    found: list[bool] = []

    def work() -> None:
        with stoppable() as asked:
            found.append(asked())

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert found == [False]


@pytest.mark.parametrize(
    ("asked", "slept", "stop"), [(False, 0.0, False), (True, 0.0, True), (False, 0.5, True)]
)
def test_somebody_or_a_sleep_pauses(asked: bool, slept: float, stop: bool) -> None:
    sleep: Any = SimpleNamespace(seconds=lambda: slept)
    assert stops(lambda: asked, sleep) is stop


# --- what is shown meanwhile ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0:00"), (59.4, "0:59"), (59.6, "1:00"), (725, "12:05"), (6000, "100:00")],
)
def test_minutes_and_seconds(seconds: float, text: str) -> None:
    assert minutes(seconds) == text


@pytest.mark.parametrize(
    ("heats", "found"),
    [
        (Heats(), ()),
        (Heats(Heat(20.0, 215.0), None), (215.0,)),
        (Heats(Heat(20.0, 215.0), Heat(21.0, 60.0)), (215.0, 60.0)),
    ],
)
def test_targets_are_those_that_are_reported(heats: Heats, found: tuple[float, ...]) -> None:
    assert targets(heats) == found


@pytest.mark.parametrize(
    ("columns", "heating", "lines"),
    [
        (
            80,
            None,
            [
                "laying strip  ############------------  10 of 20 lines, 1:30 left",
                "nozzle 215 of 215 °C, bed 60 °C (off). Ctrl-C pauses, a second one breaks off.",
                "last line acknowledged: nothing yet",
            ],
        ),
        (
            79,
            0.0,
            [
                "laying strip  ####----  10 of 20 lines, 1:30 left",
                "nozzle 215 of 215 °C, bed 60 °C (off). Ctrl-C pauses.",
                "last line acknowledged: nothing yet",
            ],
        ),
        (
            80,
            61.0,
            [
                "laying strip  ############------------  10 of 20 lines, 1:30 left",
                "nozzle 215 of 215 °C, bed 60 °C (off). heating, about 1:01 left.",
                "last line acknowledged: nothing yet",
            ],
        ),
    ],
)
def test_how_far_and_how_hot(columns: int, heating: float | None, lines: list[str]) -> None:
    """The lines stay as long as there is something to say, and as wide as the window."""
    progress = Progress(10, 20, 90.0, "", Heats(Heat(214.6, 215.0), Heat(60.2, 0.0)))
    assert progress_text("strip", progress, heating, columns).splitlines() == lines


def test_a_laying_without_lines_is_not_begun_and_a_heater_may_not_report() -> None:
    text = progress_text("strip", Progress(0, 0, 0.0, "x" * 90, Heats()), None, 60)
    first, second, third = text.splitlines()
    assert "--------  0 of 0 lines" in first
    assert second.startswith("nozzle not reported, bed not reported.")
    assert third == f"last line acknowledged: {'x' * 34}"  # of 60 columns 26 are taken


@pytest.mark.parametrize("terminal", [True, False])
def test_what_follows_the_progress_begins_a_line_of_its_own(terminal: bool, laying: Any) -> None:
    said = io.StringIO()
    console = Console(file=said, force_terminal=terminal, width=80, color_system=None)
    with progress_shown(console, "strip", laying):
        laying.progress = Progress(20, 20, 0.0, "M84", Heats())
    told = said.getvalue()
    assert "20 of 20 lines" in told
    assert "last line acknowledged: M84" in told
    assert told.endswith("M84\n") or terminal


def test_the_time_left_for_heating_begins_anew_with_new_targets(
    laying: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From 20 to 120 of 220 °C in 100 s: 100 s more; 10 s after another target begins its own."""
    now = [0.0]
    monkeypatch.setattr(laying_module, "time", SimpleNamespace(monotonic=lambda: now[0]))
    asked: list[tuple[Heats, Heats, float]] = []
    answers = [100.0, None, 0.0, None]

    def left(first: Heats, heats: Heats, seconds: float) -> float | None:
        asked.append((first, heats, seconds))
        return answers[len(asked) - 1]

    monkeypatch.setattr(laying_module, "heating_left", left)
    shown: list[Any] = []

    class Live:
        def __init__(self, *, get_renderable: Any, console: Any, refresh_per_second: int) -> None:
            assert refresh_per_second > 0
            shown.append(get_renderable)

        def __enter__(self) -> None:
            """Nothing is drawn."""

        def __exit__(self, *_: object) -> None:
            """Nothing is drawn."""

    monkeypatch.setattr("rich.live.Live", Live)
    cold, warm, hotter = (Heats(Heat(t, g)) for t, g in ((20, 220), (120, 220), (130, 240)))
    laying.progress = replace(laying.progress, heats=cold)
    console = Console(file=io.StringIO(), width=80)
    with progress_shown(console, "strip", laying):
        for instant, heats in ((100.0, warm), (110.0, hotter), (120.0, hotter), (130.0, hotter)):
            now[0] = instant
            laying.progress = replace(laying.progress, heats=heats)
            text = shown[0]()
            assert ("heating, about 1:40 left" in text.plain) is (instant == 100.0)
            assert text.no_wrap, "a line that is too long is cut, and moves nothing"
    assert asked == [
        (cold, warm, 100.0),
        (cold, hotter, 110.0),
        (hotter, hotter, 10.0),  # since the new target was seen, at 110 s
        (hotter, hotter, 10.0),  # since it was reached, at 120 s
    ]


# --- what is shown and asked before --------------------------------------------------------------


def test_how_far_each_axis_goes_is_shown(
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    pinned: Pinned,
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("agent.change.guards.worst_shares", lambda *_: None)
    worst = {ROLES[0]: 101.25, ROLES[1]: float("inf"), ROLES[2]: 205.0}
    takes: Any = SimpleNamespace(
        low=(0.0, 1.5, -2.0), high=(100.0, 20.0, 200.4), worst_travel=lambda shares: worst
    )
    travel = {ROLES[0]: 250.0, ROLES[1]: 180.5}
    mechanics = replace(desk.session.profile.mechanics, travel_mm=travel)
    forge(desk, profile=replace(desk.session.profile, mechanics=mechanics))
    show_reach(desk, takes)
    told = capsys.readouterr().out
    pinned("face/reach", told)
    words = " ".join(told.split())
    assert "Across and gantry are homed first, the belt never." in words
    assert "off the next 202 mm of belt." in words


def test_where_nothing_is_homed_alone_the_axes_are_set_by_hand(
    capsys: pytest.CaptureFixture[str],
) -> None:
    there = desk_at(answers={"clear": "no"})
    there.rehearsal = in_memory(seed=3, family="numbered")
    assert carry_out(there, ["attach", "lay strip"]) == [0, 1]
    assert "gantry are set by hand first" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("answers", "seated", "remedy"),
    [
        ({}, 0, "Nothing was heated, and no piece begun"),
        ({"Does the paper drag": "yes"}, 1, "No piece was begun. "),
        ({"Does the paper drag": "yes", "Do both stand": "yes"}, 1, "No piece was begun. "),
        ({"Does the paper drag": "yes", "Do both stand": "hot"}, 1, ""),
    ],
)
def test_nothing_is_heated_before_the_nozzle_is_clear(
    answers: dict[str, Any],
    seated: int,
    remedy: str,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    seats: list[int] = []
    monkeypatch.setattr(desk.session.moves, "seat", lambda: seats.append(1))
    desk.screen.ask_with(Technician(answers))
    if remedy:
        with pytest.raises(Declined) as refusal:
            seat_and_heat(desk)
        assert refusal.value.remedy.startswith(remedy)
    else:
        seat_and_heat(desk)
    assert len(seats) == seated
    told = " ".join(capsys.readouterr().out.split())
    assert ("nozzle 215 °C and bed 60 °C" in told) is bool(seated)


def test_a_piece_is_ready_to_be_read_when_it_is_cool(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """After 3.2 minutes of cooling the clock shows three minutes and a begun one more."""

    class Noon(datetime):
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return datetime(2026, 3, 2, 11, 58)

    monkeypatch.setattr(laying_module, "datetime", Noon)
    monkeypatch.setattr(laying_module, "timedelta", timedelta)
    monkeypatch.setattr(laying_module, "cooling_minutes", lambda *_: 3.2)
    drawn = desk.session.pieces.draw("strip")
    monkeypatch.setattr(
        laying_module, "lay_to_the_end", lambda *_: desk.session.pieces.laid_whole(drawn)
    )
    for state, off in (("off", "reports its heaters off."), ("on", "use the power switch.")):
        forge(desk, heater_state=state)
        capsys.readouterr()
        assert carry_out(desk, ["lay strip"]) == [0]
        told = " ".join(capsys.readouterr().out.split())
        assert "in about 4 min, at 12:02." in told
        assert off in told
