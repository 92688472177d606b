"""Single events on a bench: what each changes, and what one that cannot be leaves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from agent.bench.events import Event
from agent.bench.fold import fold
from agent.bench.value import Bench
from agent.model.heat import Heat
from agent.store.profiles import load_profile

HERON = load_profile("heron")


def bench(**more: Any) -> Bench:
    return replace(Bench(machine="heron", profile=HERON), **more)


def after(before: Bench, kind: str, body: Mapping[str, Any], minute: int = 0) -> Bench:
    at = f"2026-03-02T08:{minute:02}:00.000+00:00"
    numbered = {**body, "n": before.number + 1}
    return fold((Event(f"{before.number:08}", "s", at, kind, numbered, "heron"),), before)


def test_where_the_axes_stand_is_lost_and_found() -> None:
    halted = after(bench(), "halted", {"word": "M112"})
    assert (halted.halted, halted.place_lost) == (True, True)
    found = after(halted, "place", {"lost": False, "why": ""})
    assert (found.halted, found.place_lost) == (True, False)
    laying = after(found, "laying", {"piece": "stem"})
    assert laying.laying == "stem"
    for told, lost in ((None, True), (True, True), (False, False)):
        body = {"lines": 3} if told is None else {"lines": 3, "place_lost": told}
        stopped = after(laying, "stopped", body)
        assert (stopped.laying, stopped.place_lost) == ("", lost)


def test_an_axis_that_moved_is_tried() -> None:
    some = bench(untried=frozenset({"across", "belt"}))
    assert after(some, "tried", {"role": "belt"}).untried == {"across"}
    wrong = after(some, "tried", {"role": "up"})
    assert wrong.untried == {"across", "belt"}
    assert "no axis 'up'" in wrong.damage[0]


def test_a_piece_is_dated_where_it_was_laid_here() -> None:
    body = {"name": "stem", "piece": "stem", "size": {"height": 40.0}, "number": 1}
    seen = after(bench(laying="stem"), "piece", body, minute=7)
    (laid,) = seen.now.laid
    assert (laid.name, laid.number, laid.at) == ("stem", 1, "2026-03-02T08:07:00.000+00:00")
    assert seen.laying == ""
    otherwise = after(bench(), "piece", body)
    assert otherwise.now.laid[0].at == ""
    again = after(seen, "piece", {**body, "size": {"height": 50.0}})
    assert [dict(one.sizes) for one in again.now.laid] == [{"height": 50.0}]
    wrong = after(bench(), "piece", {**body, "piece": "cube"})
    assert wrong.now.laid == ()
    assert "no piece 'cube'" in wrong.damage[0]


def test_a_new_tune_keeps_the_room_and_sets_aside_what_was_read() -> None:
    room = {"room_c": 21.0, "piece_c": 25.0, "minutes_since_print": 30.0}
    told = after(bench(), "conditions", room)
    assert told.now.conditions.room_c == 21.0
    assert told.now.asked
    begun = after(told, "begin", {})
    assert len(begun.rounds) == 1, "nothing happened in the first"
    assert begun.now.conditions.room_c == 21.0
    assert begun.now.conditions.minutes_since_print is None
    reading = {
        "piece": "travel",
        "name": "travel across",
        "feature": "travel",
        "along": [160.0, 0.0, 0.0],
        "mm": [160.5],
        "between": None,
        "u_mm": 0.05,
    }
    read = after(begun, "reading", reading)
    assert [taken.reading.mm for taken in read.now.taken] == [(160.5,)]
    anew = after(read, "begin", {})
    assert (len(anew.rounds), anew.now.taken, anew.now.conditions.room_c) == (1, (), 21.0)


def test_heat_is_kept_as_it_was_told() -> None:
    hot = after(bench(), "heat", {"state": "on", "nozzle": [201.0, 215.0], "bed": [60.0, 60.0]})
    assert hot.heater_state == "on"
    assert (hot.heats.nozzle, hot.heats.bed) == (Heat(201.0, 215.0), Heat(60.0, 60.0))
    assert hot.hot
    off = after(hot, "heat", {"state": "off"}, minute=1)
    assert off.heater_state == "off"
    assert not off.hot


@pytest.mark.parametrize("kind", ["nonsense", "reading", "plan", "attached"])
def test_an_event_that_cannot_be_changes_nothing_and_is_told(kind: str) -> None:
    before = bench(halted=True)
    found = after(before, kind, {})
    assert found.halted
    assert len(found.damage) == 1
    assert found.now == before.now


def test_of_many_events_that_cannot_be_the_first_are_told() -> None:
    found = bench()
    for _ in range(40):
        found = after(found, "nonsense", {})
    assert 3 <= len(found.damage) < 40


def test_a_refused_step_is_forgotten_as_soon_as_something_happens() -> None:
    refused = after(bench(), "refused", {"line": "store", "why": "no"})
    assert refused.refused is not None
    assert refused.refused.line == "store"
    assert after(refused, "heat", {"state": "off"}).refused in (None, refused.refused)
    assert after(refused, "begin", {}).refused is None
