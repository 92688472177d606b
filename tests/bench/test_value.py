"""What follows from a bench: plans as one, states to go back to, values as exactly as known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from agent.bench.fold import _back_at_last, _surprise
from agent.bench.rounds import MOVES, Round, Taken
from agent.bench.value import Bench, Past, Transaction, Waiting, merged, moved_since
from agent.change.plan import Change, Plan
from agent.errors import Refused
from agent.model.feature import Reading
from agent.model.profile import SavedSetting
from agent.model.settings import Event, Readback, Setting
from agent.store.profiles import load_profile

HERON = replace(load_profile("heron"), settings={})


def change(key: str, old: float, new: float, digits: int = 2) -> Change:
    return Change(f"steps_per_mm.{key}", old, new, "step/mm", digits)


def plan(*changes: Change, **rests_on: float) -> Plan:
    lines = tuple(f"M92 {c.key[-1].upper()}{c.new:g}" for c in changes)
    return Plan("heron", "replay", changes, lines, "snap", rests_on=rests_on)


def read(damage: tuple[str, ...] = (), identity: str = "bench 1", **steps: float) -> Readback:
    settings = {f"steps_per_mm.{key}": Setting(v, "step/mm", 2) for key, v in steps.items()}
    return Readback("replay", settings, identity=identity, damage=damage)


def bench(**more: Any) -> Bench:
    return replace(Bench(machine="heron", family="replay", profile=HERON), **more)


# -- plans as one ------------------------------------------------------------------------------


def test_one_plan_alone_stays_as_it_is() -> None:
    one = plan(change("z", 100.0, 101.0))
    assert merged(None, one) is one
    assert merged(plan(), one) is one


def test_two_plans_are_one_from_the_first_value_to_the_last() -> None:
    first = plan(change("z", 100.0, 101.0), change("x", 80.0, 81.0), a=1.0, b=2.0)
    then = plan(change("z", 101.0, 102.0), change("y", 80.0, 79.0), b=3.0)
    found = merged(first, then)
    assert [(c.key[-1], c.old, c.new) for c in found.changes] == [
        ("z", 100.0, 102.0), ("x", 80.0, 81.0), ("y", 80.0, 79.0),
    ]  # fmt: skip
    assert found.lines == ("M92 Z102", "M92 X81", "M92 Y79")
    assert found.rests_on == {"a": 1.0, "b": 3.0}


def test_what_came_back_to_where_it_was_is_no_change() -> None:
    first = plan(change("z", 100.0, 101.0), change("x", 80.0, 81.0))
    back = merged(first, plan(change("z", 101.0, 100.0)))
    assert [c.key[-1] for c in back.changes] == ["x"]
    assert back.lines == ("M92 X81",)
    # what storage holds is another matter: it would come back with the power
    stored = merged(first, plan(change("z", 101.0, 100.0)), stored=True)
    assert [(c.key[-1], c.old, c.new) for c in stored.changes] == [
        ("z", 101.0, 100.0), ("x", 80.0, 81.0),
    ]  # fmt: skip


@pytest.mark.parametrize(("new", "kept"), [(100.5, False), (100.51, True), (99.5, False)])
def test_half_a_printed_digit_is_no_change(new: float, kept: bool) -> None:
    first = plan(change("z", 100.0, 103.0, digits=0))
    found = merged(first, plan(change("z", 103.0, new, digits=0)))
    assert bool(found.changes) is kept


# -- states and transactions -------------------------------------------------------------------

BEFORE = Past("0" * 30 + "12345678", "2026-03-02", {}, 45.0, "digest")


def written(id: str, *steps: str, **more: Any) -> Transaction:
    entries = tuple({"step": step} for step in steps)
    return replace(Transaction(id, "2026-03-02", entries, before=BEFORE), **more)


def test_a_write_is_half_done_until_it_was_read_back() -> None:
    assert BEFORE.short == "12345678"
    for transaction, open_, half in (
        (written("1", "begun"), True, True),
        (written("1", "begun", "read back"), True, False),
        (written("1", "begun", closed=True), False, False),
        (written("1", "begun", settled="leave"), False, False),
        (written("1", "begun", before=None), True, False),  # a look, a store
    ):
        assert (transaction.open, transaction.half_done) == (open_, half)


def test_states_to_go_back_to_end_with_the_one_that_the_first_break_left() -> None:
    older = replace(BEFORE, id="older")
    broken = written("1", "begun"), written("2", "begun", before=replace(BEFORE, id="later"))
    found = bench(past=(older,), transactions=(*broken, written("3", "begun", closed=True)))
    assert [state.id for state in found.behind] == ["older", BEFORE.id]
    assert [t.id for t in found.broken] == [t.id for t in found.half_done] == ["1", "2"]
    assert bench(past=(older,)).behind == (older,)


def test_the_journal_is_that_of_this_tune() -> None:
    early = written("1", "begun", at="2026-03-01")
    late = written("2", "begun", "read back")
    found = bench(transactions=(early, late), begun_at="2026-03-02")
    assert [entry["step"] for entry in found.journal] == ["begun", "read back"]


def test_what_fell_fell_to_the_state_before_the_last_change() -> None:
    done = plan(change("z", 100.0, 101.0), change("x", 80.0, 81.0))
    last = replace(BEFORE, settings={"steps_per_mm.z": 100.0, "steps_per_mm.x": 80.0})
    assert _back_at_last(bench(done=done, past=(last,)))
    assert not _back_at_last(bench(done=done))
    assert not _back_at_last(bench(past=(last,)))
    for other in ({"steps_per_mm.z": 100.0}, {**last.settings, "steps_per_mm.z": 100.1}):
        assert not _back_at_last(bench(done=done, past=(last, replace(last, settings=other))))


# -- what is live ------------------------------------------------------------------------------


def test_live_values_are_as_exact_as_they_were_written() -> None:
    """Where the print agrees with what was written; the print alone where it does not."""
    steps = {"steps_per_mm.z": (105.3742,), "steps_per_mm.x": (79.123,)}
    found = bench(readback=read(z=105.37, x=80.0), written=steps)
    assert found.exact == {"steps_per_mm.z": 105.3742, "steps_per_mm.x": 80.0}
    assert found.known("steps_per_mm") == found.live("steps_per_mm") == {"z": 105.3742, "x": 80.0}
    assert found.known("max_speed") == {}
    assert bench().exact == {}


@pytest.mark.parametrize("readback", [None, read(("cut",), z=1.0)])
def test_without_a_whole_reading_the_profiles_values_are_known_and_none_are_live(
    readback: Readback | None,
) -> None:
    saved = {"steps_per_mm.z": SavedSetting(Setting(105.4, "step/mm", 1))}
    found = bench(readback=readback, profile=replace(HERON, settings=saved))
    assert found.known("steps_per_mm") == {"z": 105.4}
    with pytest.raises(Refused):
        found.live("steps_per_mm")
    with pytest.raises(Refused):
        found.findings()


def test_heaters_are_hot_unless_they_are_known_not_to_be() -> None:
    told = {state: bench(heater_state=state).hot for state in ("on", "unknown", "off")}
    assert told == {"on": True, "unknown": True, "off": False}
    assert not bench(heater_state="not reported").hot


def test_a_family_whose_every_line_stores_keeps_what_is_written() -> None:
    done = plan(change("z", 100.0, 101.0))
    live = {"done": done, "readback": read(z=101.0)}
    assert bench(**live).unstored
    assert not bench(**live, family="numbered").unstored
    assert not bench(**{**live, "done": replace(done, changes=())}).unstored
    fallen = bench(done=done, readback=read(z=100.0))
    assert fallen.fallen
    assert not fallen.unstored
    assert not bench(done=done).fallen, "nothing was read that could say so"
    assert bench(waiting=Waiting(done)).plan is done
    assert bench().plan is None


def test_readings_are_compared_with_the_round_before() -> None:
    taken = Taken(Reading("travel", (100.0, 0.0, 0.0), (100.1,), name="travel across"), MOVES)
    for rounds in (
        (Round(taken=(taken,)),),
        (Round(taken=(taken,), follows=Round(taken=(taken,))),),
        (Round(follows=Round()),),
    ):
        assert bench(rounds=rounds).compare() == ()


# -- what is not as it was last seen -----------------------------------------------------------


def test_moved_settings_are_those_that_print_otherwise() -> None:
    found = moved_since(read(x=80.0, y=80.0, z=105.37), read(x=80.0, z=105.38, e=412.0))
    assert [(m.key, m.was, m.now) for m in found] == [("steps_per_mm.z", 105.37, 105.38)]
    assert str(found[0]) == "steps_per_mm.z was 105.37 and is 105.38 step/mm"
    assert str(replace(found[0], unit="")) == "steps_per_mm.z was 105.37 and is 105.38"


def speed(mm_s: float) -> Readback:
    return replace(read(), settings={"max_speed.z": Setting(mm_s, "mm/s", 2)})


SAVED = {"steps_per_mm.z": SavedSetting(Setting(105.37, "step/mm", 2))}
DONE = plan(change("z", 105.37, 106.0))
OPEN = Transaction("1", "2026-03-02", ({"step": "begun"},))


@pytest.mark.parametrize(
    ("more", "found", "cause"),
    [
        ({}, read(z=106.0), None),
        ({}, replace(read(z=106.0), family="numbered"), "other firmware was flashed"),
        ({}, read(z=105.37, identity="bench 2"), "other firmware was flashed"),
        ({}, read(z=105.37, identity=""), "other firmware was flashed"),
        ({"readback": read(z=106.0, identity="")}, read(z=105.37), "this looks like a tune"),
        *(
            ({}, replace(read(z=105.37), events=(Event(kind, {}),)), "factory values are live")
            for kind in ("layout_mismatch", "checksum_of_storage", "defaults_live")
        ),
        ({"done": DONE}, read(z=105.37), "the controller restarted before what was written"),
        ({"done": DONE}, read(z=105.9), "this looks like a tune"),
        ({"transactions": (OPEN,)}, read(z=105.37), "a change broke off"),
        ({"profile": replace(HERON, settings=SAVED)}, read(z=105.37), "they are as the profile"),
        ({"profile": replace(HERON, settings=SAVED)}, read(z=105.9), "this looks like a tune"),
        ({"readback": speed(60.0)}, speed(70.0), "somebody or a job set them at the machine"),
    ],
)
def test_what_most_likely_moved_a_setting(
    more: dict[str, Any], found: Readback, cause: str | None
) -> None:
    """From 106.00 as last seen; the first that fits is told."""
    surprise = _surprise(bench(**{"readback": read(z=106.0), **more}), found)
    if cause is None:
        assert surprise is None
    else:
        assert surprise is not None
        assert surprise.cause.startswith(cause)


def test_nothing_surprises_where_nothing_was_seen_whole() -> None:
    for before in (None, read(("cut",), z=106.0)):
        assert _surprise(bench(readback=before), read(z=105.37)) is None
