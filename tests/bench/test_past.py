"""Results over time: what a machine that does not drift shows, and which sessions were solved."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from agent.bench.events import Event, in_order, number_of, reading_of, reading_plain, run_of
from agent.bench.past import (
    _results,
    against_first,
    bench_then,
    dated_results,
    on_one_scale,
    solved_sessions,
)
from agent.estimate.drift import Dated
from agent.model.feature import Reading
from agent.store.profiles import load_profile
from agent.store.record import open_record
from tests.face.stage import Staged, staged


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Staged]:
    with staged(tmp_path) as make:
        yield make


#: By hand: steps that would be right, 80 at first and 80.8 later, each within 0.08.
RIGHT = (Dated(1.0, 80.0, 0.08), Dated(3.0, 80.8, 0.08))


def test_settings_that_would_be_right_are_told_against_the_first() -> None:
    """80.8 / 80 - 1 = 1 %; 0.08 of 80 is 0.1 %."""
    first, later = against_first(RIGHT)
    assert (first.day, first.value, first.u) == pytest.approx((1.0, 0.0, 0.001))
    assert (later.day, later.value, later.u) == pytest.approx((3.0, 0.01, 0.001))


def test_errors_are_put_on_one_scale_by_the_first() -> None:
    """At 80 steps the later machine is off by 80 / 80.8 - 1; du = 80 u / 80.8^2."""
    first, later = on_one_scale(RIGHT)
    assert (first.value, first.u) == pytest.approx((0.0, 0.001))
    assert later.value == pytest.approx(80 / 80.8 - 1)
    assert later.u == pytest.approx(80 * 0.08 / 80.8**2)


TUNES = """
$ --profile heron profile save heron --port memory://heron
$ --port memory://heron gauge travel-belt 265.7 --u 0.05
$ --port memory://heron gauge travel-belt 199.28 --mm 204.99 --u 0.05
$ --port memory://heron solve
$ --port memory://heron solve
$ --port memory://heron begin
$ --port memory://heron gauge travel-belt 268.4 --u 0.05
$ --port memory://heron gauge travel-belt 201.3 --mm 204.99 --u 0.05
$ --port memory://heron solve
"""


def test_each_tune_gives_one_dated_result_however_often_it_was_solved(stage: Staged) -> None:
    """The belt travelled 265.7 for 273.32: 105.37 steps should have been about 108.4."""
    at = stage(at="port")
    at.play(TUNES)
    record, _ = open_record()
    with record:
        found = dated_results(record, "heron", load_profile("heron"))
        sessions = solved_sessions(record, "heron")
        assert solved_sessions(record, "nobody") == ()
        assert list(found) == ["z_scale"]
        first, second = found["z_scale"]
        assert first.value == pytest.approx(105.37 * 273.32 / 265.7, rel=1e-3)
        assert second.value == pytest.approx(105.37 * 273.32 / 268.4, rel=1e-3)
        assert 0.02 < first.u < 0.1
        # a minute passes with each command: the fifth ended at 8:05, the ninth at 8:09
        eight = datetime(2026, 3, 2, 8, tzinfo=UTC).timestamp()
        assert first.day == pytest.approx((eight + 5 * 60) / 86400, abs=1e-9)
        assert second.day == pytest.approx((eight + 9 * 60) / 86400, abs=1e-9)
        assert [row.at for row in sessions] == sorted((row.at for row in sessions), reverse=True)
        assert len(sessions) == 3
        newest = bench_then(record, sessions[0], load_profile("heron"))
        oldest = bench_then(record, sessions[-1], load_profile("heron"))
        assert len(newest.rounds) > len(oldest.rounds) or newest.begun_at > oldest.begun_at
        assert newest.now.taken[0].reading.mm == (268.4,)
        assert oldest.now.taken[0].reading.mm == (265.7,)
        assert oldest.machine == "heron"
        assert oldest.identity.startswith("FIRMWARE_NAME:replay")


def event(number: object, at: str, identity: str) -> Event:
    return Event(identity, "s", at, "note", {"n": number}, "heron")


def test_events_stand_by_their_number_then_by_their_time() -> None:
    events = [event(2, "a", "1"), event(1, "b", "4"), event(1, "a", "3"), event(1, "a", "2")]
    assert [e.id for e in in_order(events)] == ["2", "3", "4", "1"]
    assert number_of(Event("1", "s", "a", "note", {}, "heron")) == 0
    assert number_of(event("seven", "a", "1")) == 0
    assert number_of(event(7, "a", "1")) == 7


def test_a_reading_goes_into_its_event_and_back() -> None:
    reading = Reading("travel", (100.0, 0.0, 0.0), (100.1, 100.2), u_mm=0.05, name="travel across")
    plain = reading_plain(reading, "travel")
    assert plain["piece"] == "travel"
    assert plain["feature"] == "travel"
    assert plain["mm"] == [100.1, 100.2]
    assert reading_of(plain) == reading
    with pytest.raises(ValueError, match="no reading of the kind 'hole'"):
        reading_of({**plain, "feature": "hole"})


def test_a_run_of_an_axis_that_there_is_none_of_is_none() -> None:
    plain = {"commanded": [1, 2, 3], "measured": [1, 2, 3]}
    found = run_of(plain)
    assert (found.axis, found.approach, found.load, found.u_mm) == (
        "belt",
        "forward",
        "empty",
        None,
    )
    with pytest.raises(ValueError, match="no axis 'up'"):
        run_of({**plain, "axis": "up"})


def noted(kind: str, minute: int, tune: str = "new", session: str = "s", **body: object) -> Event:
    number = {} if tune == "old" else {"n": minute}
    at = f"2026-03-02T08:{minute:02}:00+00:00"
    return Event(f"{minute}", session, at, kind, {**body, **number}, "heron")


def steps(minute: int, z: float, **more: object) -> Event:
    settings = {"steps_per_mm.z": {"value": z, "unit": "step/mm", "digits": 2}}
    return noted("readback", minute, settings=settings, **more)  # type: ignore[arg-type]


def estimate(minute: int, z: float, *, determined: bool = True, **more: object) -> Event:
    parameters = {"z_scale": {"value": z, "u": 0.001, "determined": determined}}
    return noted("estimate", minute, parameters=parameters, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("events", "right"),
    [
        # the last estimate of each state: at 100 steps and 1 % too far, 100 / 1.01 would be right
        ([steps(1, 100.0), estimate(2, 0.02), estimate(3, 0.01)], [(3, 99.01)]),
        (
            [steps(1, 100.0), estimate(2, 0.01), noted("outcome", 3), noted("outcome", 4)],
            [(2, 99.01)],
        ),
        (
            [
                steps(1, 100.0),
                estimate(2, 0.01),
                noted("outcome", 3),
                steps(4, 99.0),
                estimate(5, 0.0),
            ],
            [(2, 99.01), (5, 99.0)],
        ),
        # nothing is known of the steps before they were read whole
        ([estimate(1, 0.01), steps(2, 100.0)], []),
        ([steps(1, 100.0, damaged=True), estimate(2, 0.01)], []),
        ([steps(1, 100.0), estimate(2, 0.01, determined=False)], []),
        # a new tune is another state
        ([steps(1, 100.0), estimate(2, 0.01), noted("begin", 3), estimate(4, 0.02)], [(2, 99.01)]),
        (
            [
                *(steps(1, 100.0), estimate(2, 0.01), noted("begin", 3), steps(4, 100.0)),
                estimate(5, 0.0),
            ],
            [(2, 99.01), (5, 100.0)],
        ),
        # version 0.1.0 began one with each session, and gave no numbers
        (
            [
                *(steps(1, 100.0, tune="old"), estimate(2, 0.01, tune="old")),
                *(
                    estimate(3, 0.0, tune="old", session="t"),
                    steps(4, 90.0, tune="old", session="t"),
                ),
                estimate(5, 0.0, tune="old", session="t"),
            ],
            [(2, 99.01), (5, 90.0)],
        ),
    ],
)
def test_each_state_has_one_result(events: list[Event], right: list[tuple[int, float]]) -> None:
    found = [(at, name, value) for at, name, value, _ in _results(events, load_profile("heron"))]
    assert [(int(at[14:16]), name) for at, name, _ in found] == [(n, "z_scale") for n, _ in right]
    assert [value for *_, value in found] == pytest.approx([value for _, value in right], abs=0.01)
