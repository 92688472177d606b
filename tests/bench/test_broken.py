"""A change that broke half-way: finishing makes it whole, taking it back leaves no trace."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from agent.change.plan import make_plan
from tests.bench.world import PORT, World, exact_live, written
from tests.change.cuts import Killed

X, Z, LIMIT = "steps_per_mm.x", "steps_per_mm.z", "max_acceleration.x"

BEFORE = {X: 80.0, Z: 105.37}
WANTED = {X: 80.61234, Z: 106.02}


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> World:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    found = World.new()
    found.save_profile()
    return found


def killed_while_writing(world: World, values: Mapping[str, float], lines: int) -> None:
    """A process that writes is killed once so many of its lines are acknowledged."""
    desk = world.desk()
    session = desk.session
    session.contact.attach(desk.open(PORT))
    link, family = session.contact.joined()
    plan = make_plan(
        session.bench.clean_readback,
        values,
        family,
        machine="heron",
        profile=session.profile,
        why="trial",
    )
    session.changes.propose(plan, "tune")
    ask, last = link.ask, plan.lines[lines] if lines < len(plan.lines) else None

    def killed(line: str, **how: object) -> object:
        if line == last or (last is None and line not in plan.lines and plan.lines[-1] in asked):
            raise Killed
        asked.append(line)
        return ask(line, **how)  # type: ignore[arg-type]

    asked: list[str] = []
    link.ask = killed  # type: ignore[method-assign,assignment]
    with pytest.raises(Killed):
        session.changes.write(plan, plan.digest, retyped=plan.wanted)
    session.book.close()
    world.desks.clear()


def settled(world: World, way: str) -> None:
    told = world.run("resume", way)
    plan = world.bench.plan
    if plan is not None:
        told = world.run("resume", way, "--approve", plan.digest)
    assert told.code == 0, told.text


@pytest.mark.parametrize("lines", [0, 1, 2])
def test_a_finished_write_is_one_change(world: World, lines: int) -> None:
    killed_while_writing(world, WANTED, lines)
    settled(world, "finish")
    bench = world.bench
    assert exact_live(world, [X, Z]) == WANTED
    assert bench.done is not None
    assert bench.done.wanted == WANTED
    assert bench.unstored
    assert len(bench.past) == 1
    world.run("undo")
    plan = world.bench.plan
    assert plan is not None
    world.verb(f"undo --approve {plan.digest}")
    assert exact_live(world, [X, Z]) == BEFORE
    assert world.bench.past == ()


@pytest.mark.parametrize("lines", [0, 1, 2])
def test_a_write_that_is_taken_back_leaves_readings_and_no_trace(world: World, lines: int) -> None:
    world.verb("gauge travel-belt 275.9 --u 0.05", Keep="yes")
    killed_while_writing(world, WANTED, lines)
    settled(world, "undo")
    bench = world.bench
    assert exact_live(world, [X, Z]) == BEFORE
    assert [t.reading.name for t in bench.now.taken] == ["travel belt"]
    assert (bench.done, bench.past, bench.broken, bench.unstored) == (None, (), (), False)


def test_what_took_of_a_write_that_is_left_is_not_stored(world: World) -> None:
    killed_while_writing(world, WANTED, 1)
    settled(world, "leave")
    bench = world.bench
    assert bench.done is not None
    assert bench.done.wanted == {X: WANTED[X]}
    assert bench.unstored
    assert len(bench.past) == 1


def test_nothing_is_built_on_half_a_change(world: World) -> None:
    killed_while_writing(world, WANTED, 1)
    for words in (("store",), ("readback", "--stored")):
        told = world.run(*words)
        assert told.code == 1
        assert "resume" in told.err
    shown = world.verb("profile restore heron --preview --json").json
    told = world.run("profile", "restore", "heron", "--approve", shown["digest"])
    assert told.code == 1
    assert exact_live(world, [X, Z]) == {X: WANTED[X], Z: BEFORE[Z]}


def test_what_a_look_displaced_is_put_back_and_not_stored_as_ones_own(world: World) -> None:
    world.controller.live[LIMIT] = 900.0
    written(world, {X: WANTED[X]})
    desk = world.desk()
    session = desk.session
    session.contact.attach(desk.open(PORT))
    link, _ = session.contact.joined()
    ask = link.ask

    def killed(line: str, **how: object) -> object:
        if line.startswith("M201"):
            raise Killed
        return ask(line, **how)  # type: ignore[arg-type]

    link.ask = killed  # type: ignore[method-assign,assignment]
    with pytest.raises(Killed):
        session.storage.look()
    session.book.close()
    world.desks.clear()
    settled(world, "finish")
    assert world.controller.live[LIMIT] == 900.0
    bench = world.bench
    assert bench.done is not None
    assert bench.done.wanted == {X: WANTED[X]}


def test_what_is_stored_never_fell(world: World) -> None:
    digest = written(world, {X: WANTED[X]})
    world.verb(f"store --approve {digest}")
    for values in (world.controller.live, world.controller.stored):
        values[X] = 80.0  # a flash, or somebody else
    told = world.run("attach", PORT, port=False)
    assert "NOT LIVE ANY MORE" not in told.text
    assert "Not as it was last seen: steps_per_mm.x was 80.61 and is 80" in told.text


def test_an_undo_of_what_is_stored_is_not_stored_itself(world: World) -> None:
    digest = written(world, {X: WANTED[X]})
    world.verb(f"store --approve {digest}")
    assert not world.bench.unstored
    world.run("undo")
    plan = world.bench.plan
    assert plan is not None
    world.verb(f"undo --approve {plan.digest}")
    assert world.bench.unstored
    done = world.bench.done
    assert done is not None
    world.verb(f"store --approve {done.digest}")
    assert world.controller.stored[X] == 80.0


def test_what_fell_and_was_written_again_is_undone_once(world: World) -> None:
    written(world, {X: WANTED[X]})
    world.power_cycle()
    settled(world, "finish")
    assert exact_live(world, [X]) == {X: WANTED[X]}
    assert len(world.bench.past) == 1
    world.power_cycle()
    settled(world, "leave")
    assert world.bench.past == ()
    assert not world.bench.fallen


def test_writing_again_what_fell_may_break_and_is_still_no_change_of_its_own(world: World) -> None:
    written(world, {X: WANTED[X]})
    world.power_cycle()
    desk = world.desk()
    session = desk.session
    session.contact.attach(desk.open(PORT))
    plan = session.mending.plan(session.mending.accounts(), "finish")
    link, _ = session.contact.joined()
    ask = link.ask

    def killed(line: str, **how: object) -> object:
        if line in plan.lines:
            raise Killed
        return ask(line, **how)  # type: ignore[arg-type]

    link.ask = killed  # type: ignore[method-assign,assignment]
    with pytest.raises(Killed):
        session.changes.write(plan, plan.digest, retyped=plan.wanted)
    session.book.close()
    world.desks.clear()
    settled(world, "finish")
    assert exact_live(world, [X]) == {X: WANTED[X]}
    assert len(world.bench.past) == 1


def test_a_new_tune_forgets_the_steps_of_changes_that_are_done_and_no_others(world: World) -> None:
    """What was made years ago costs nothing any more; what broke off stays to be settled."""
    written(world, WANTED)
    done = {t.id for t in world.bench.transactions}
    assert done
    assert world.run("begin").code == 0
    assert world.bench.transactions == ()
    assert world.bench.done is not None  # still to be stored
    killed_while_writing(world, {X: 80.9}, 0)
    broken = world.bench.broken
    assert len(broken) == 1
    assert world.run("begin").code == 0
    assert world.bench.transactions == broken
    settled(world, "finish")
    assert world.bench.broken == ()
    assert exact_live(world, [X]) == {X: 80.9}
