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
    assert len(found.damage) == 20


def test_a_refused_step_is_forgotten_as_soon_as_something_happens() -> None:
    refused = after(bench(), "refused", {"line": "store", "why": "no"})
    assert refused.refused is not None
    assert refused.refused.line == "store"
    assert after(refused, "heat", {"state": "off"}).refused in (None, refused.refused)
    assert after(refused, "begin", {}).refused is None


ATTACHED = {"port": "p", "family": "replay", "identity": "bench 1"}


def test_an_attach_keeps_what_it_does_not_tell_and_asks_for_the_rest_again() -> None:
    """A place is lost with a laying or a halt, and stays lost; a number stays known."""
    hot = bench(heater_state="on", lost="p", serial="77", greeted=True, halted=True)
    found = after(hot, "attached", ATTACHED)
    assert (found.serial, found.lost, found.heater_state) == ("77", "", "unknown")
    assert (found.attached, found.greeted, found.halted, found.place_lost) == (
        True, False, False, True,
    )  # fmt: skip
    assert after(hot, "attached", {**ATTACHED, "serial": "88"}).serial == "88"
    for more, lost in (({}, False), ({"laying": "stem"}, True), ({"place_lost": True}, True)):
        assert after(bench(**more), "attached", ATTACHED).place_lost is lost
    assert after(found, "detached", {}).attached is False
    assert after(found, "lost", {"port": "p"}).lost == "p"


def test_the_last_check_of_each_length_counts() -> None:
    """A check tells a deviation and how sure it is, or says nothing."""
    found, told = bench(), {"text": "", "mm": [25.0]}
    for known, deviation in ((25.0, 0.01), (100.0, 0.02), (25.0, 0.03)):
        body = {**told, "known_mm": known, "deviation_mm": deviation, "u_mm": 0.01}
        found = after(found, "check", body)
    assert [(c.known_mm, c.deviation_mm) for c in found.checks] == [(100.0, 0.02), (25.0, 0.03)]
    assert found.checks[0].on == "2026-03-02"
    for nothing in ({"u_mm": 0.0, "deviation_mm": 1.0}, {"u_mm": 0.01}, {"deviation_mm": 1.0}):
        seen = after(found, "check", {**told, "known_mm": 25.0, **nothing})
        assert (seen.checks, seen.damage) == (found.checks, ())


def test_of_runs_made_the_same_way_the_last_counts() -> None:
    run = {"commanded": [10.0, 20.0, 30.0], "measured": [10.0, 20.0, 30.0]}
    found = after(bench(), "run", run)
    again = after(found, "run", {**run, "measured": [10.0, 20.0, 30.5]})
    assert [one.measured[-1] for one in again.now.runs] == [30.5]
    ways = ({"approach": "both", "commanded": [10.0, 20.0, 30.0, 30.0, 20.0, 10.0],
             "measured": [10.0, 20.0, 30.0, 30.0, 20.0, 10.0]}, {"load": "part"})  # fmt: skip
    for way in ways:
        assert len(after(again, "run", {**run, **way}).now.runs) == 2
    other = after(again, "axis_run", {**run, "axis": "across"})
    assert [one.axis for one in other.now.runs] == ["belt", "across"]


def test_a_reading_taken_again_keeps_its_first_value_beside_it() -> None:
    """One that goes on is no second reading; one without values is taken back; those without a
    name are each their own."""
    reading = {
        "piece": "stem",
        "name": "stem l1",
        "feature": "outside",
        "along": [20.0, 0.0, 0.0],
        "mm": [20.1],
        "between": "edges",
        "u_mm": None,
    }
    one = after(bench(), "reading", reading)
    more = after(one, "reading", {**reading, "mm": [20.1, 20.2], "goes_on": True})
    assert dict(more.now.read_again) == {}
    again = after(more, "reading", {**reading, "mm": [20.3]})
    assert dict(again.now.read_again) == {"stem l1": (20.1, 20.2)}
    third = after(again, "reading", {**reading, "mm": [20.4]})
    assert dict(third.now.read_again) == {"stem l1": (20.1, 20.2)}
    assert [taken.reading.mm for taken in third.now.taken] == [(20.4,)]
    second = after(third, "reading", {**reading, "piece": "stem-2", "mm": [20.5]})
    assert [taken.piece for taken in second.now.taken] == ["stem", "stem-2"]
    replaced = after(second, "reading", {**reading, "mm": [20.6]})
    assert [taken.reading.mm for taken in replaced.now.taken] == [(20.6,), (20.5,)]
    gone = after(replaced, "reading", {**reading, "mm": []})
    assert [taken.piece for taken in gone.now.taken] == ["stem-2"]
    unnamed = {**reading, "name": ""}
    two = after(after(bench(), "reading", unnamed), "reading", unnamed)
    assert len(two.now.taken) == 2


def test_conditions_told_again_leave_what_was_solved() -> None:
    room = {"room_c": 21.0, "piece_c": None, "minutes_since_print": None}
    told = after(bench(), "conditions", room)
    rounds = (replace(told.now, solved="solved"),)  # type: ignore[arg-type]
    found = replace(told, rounds=rounds)
    assert after(found, "conditions", room).now.solved == "solved"
    assert after(found, "conditions", {**room, "room_c": 22.0}).now.solved is None


def test_feeds_are_kept_by_their_kind() -> None:
    cold = {"feed": "cold", "commanded_mm": 100, "mm": [98, 99]}
    found = after(bench(), "feed", cold)
    found = after(found, "feed", {**cold, "feed": "hot", "mm": [97]})
    assert dict(found.feeds) == {"cold": (100.0, (98.0, 99.0)), "hot": (100.0, (97.0,))}
    assert after(found, "begin", {}).feeds == {}
