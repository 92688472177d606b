"""What is written rests on nothing that is half done, and what is gone back to was there."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.bench.value import Past, Transaction, Waiting
from agent.change.plan import Plan, make_plan
from agent.errors import Refused
from agent.face.desk import Desk
from tests.face.bench import carry_out, desk_at, forge

OPEN = Transaction("1", "2026-03-02", ({"step": "begun"},))


@pytest.fixture
def desk() -> Desk:
    made = desk_at()
    assert carry_out(made, ["attach"]) == [0]
    return made


def plan_of(desk: Desk, value: float) -> Plan:
    bench = desk.session.bench
    family = desk.session.contact.family
    assert family is not None
    return make_plan(
        bench.clean_readback, {"steps_per_mm.z": value}, family, machine="heron", why="measured"
    )


def test_nothing_is_sent_while_a_change_is_broken(desk: Desk) -> None:
    """Whether the plan waits for it or comes anew; what settles the break is let through."""
    assert desk.rehearsal is not None
    changes, plan = desk.session.changes, plan_of(desk, 105.5)
    forge(desk, transactions=(OPEN,))
    before = len(desk.rehearsal.received)
    for waiting in (None, Waiting(plan, "tune")):
        forge(desk, waiting=waiting)
        with pytest.raises(Refused, match="a change of this machine was broken off"):
            changes.write(plan, plan.digest)
    assert len(desk.rehearsal.received) == before
    forge(desk, waiting=Waiting(plan, "undo"))
    assert changes.write(plan, plan.digest, retyped=plan.wanted).verified
    forge(desk, transactions=(replace(OPEN, settled="leave"),))
    changes.refuse_broken()


def test_a_state_to_go_back_to_is_named_by_its_end_or_is_any_entry(desk: Desk) -> None:
    changes, book = desk.session.changes, desk.session.book
    with pytest.raises(Refused, match="nothing was written that could be undone"):
        changes.state_to()
    older, newer = (Past(f"id-{n}", "2026-03-02", {}, 45.0, "") for n in (1, 2))
    forge(desk, past=(older, newer))
    assert changes.state_to() == (newer, True)
    assert changes.state_to("id-1") == (older, True)
    first = next(e for e in book.events if e.kind == "attached")
    with pytest.raises(Refused, match="nothing had been read yet"):
        changes.state_to(first.id)
    read = next(e for e in book.events if e.kind == "readback")
    state, back = changes.state_to(read.id)
    assert (state.id, state.at, back) == (read.id, read.at, False)
    assert state.settings["steps_per_mm.z"] == 105.37
    assert state.gantry_angle_deg == 45.0


def test_going_back_sets_what_differs_and_no_more(desk: Desk) -> None:
    """Settings that are gone, that agree, or that the controller would not take are left."""
    bench = desk.session.bench
    live = bench.exact
    past = Past(
        "id", "2026-03-02T08:15:30", {**live, "steps_per_mm.z": 106.0, "other.q": 1.0}, 44.0, ""
    )
    plan = desk.session.changes.undoing(past)
    assert plan.wanted == {"steps_per_mm.z": 106.0}
    assert plan.changes[0].why == "as it was on 2026-03-02 08:15"
    waiting = desk.session.bench.waiting
    assert waiting is not None
    assert (waiting.purpose, waiting.angle_deg, waiting.to) == ("undo", 44.0, "id")
