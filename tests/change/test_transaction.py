"""The safe write: nothing without approval, nothing on moved ground, and the truth at the end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from agent.change.outcome import Broken
from agent.change.plan import Plan
from agent.change.resume import account, finish, undo
from agent.change.transaction import read_clean, write
from agent.errors import LinkFailed, Refused
from agent.families import read_back
from agent.wire.link import Reply
from tests.change.bench import HERON, WANTED, Bench, heron
from tests.change.cuts import CutTransport, FullJournal, Killed, KilledJournal


@pytest.fixture
def bench() -> Bench:
    return heron()


def approve(bench: Bench, plan: Plan) -> None:
    write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)


def settings_lines(bench: Bench) -> list[str]:
    """Lines that the controller accepted and that do more than read."""
    reading = ("M503", "M105", "M110", "M115")
    return [line for line in bench.machine.received if not line.startswith(reading)]


def test_a_write_sends_the_previewed_lines_and_proves_them(bench: Bench) -> None:
    plan = bench.plan()
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert settings_lines(bench) == list(plan.lines) == ["M92 X80.61234", "M92 Z106.02"]
    assert {key: bench.live[key] for key in WANTED} == WANTED
    assert [(f.key, f.state, f.found) for f in outcome.fates] == [
        ("steps_per_mm.x", "took", 80.61),
        ("steps_per_mm.z", "took", 106.02),
    ]
    assert outcome.verified
    assert outcome.stages == ("read back",)
    assert not outcome.stored
    assert bench.stored is not None
    assert bench.stored["steps_per_mm.x"] == 80.0


def test_every_line_is_in_the_journal_before_and_after_it_is_sent(bench: Bench) -> None:
    plan = bench.plan()
    seen: list[tuple[str, int]] = []
    note = bench.journal.note

    def watched(step: str, **data: object) -> None:
        seen.append((step, len(settings_lines(bench))))
        note(step, **data)

    bench.journal.note = watched  # type: ignore[method-assign]
    approve(bench, plan)
    # how many lines the controller had taken when each step was noted
    assert seen == [
        ("begun", 0),
        ("sending", 0),
        ("answered", 1),
        ("sending", 1),
        ("answered", 2),
        ("read back", 2),
        ("closed", 2),
    ]
    head = bench.journal.entries[0]
    assert Plan.from_plain(head["plan"]) == plan
    assert head["snapshot"]["settings"]["steps_per_mm.z"] == [105.37, 2, None]


@pytest.mark.parametrize("approved", ["", "yes", "00000000", "ABCDEF01"])
def test_a_wrong_approval_sends_nothing(bench: Bench, approved: str) -> None:
    plan = bench.plan()
    before = list(bench.machine.received)
    with pytest.raises(Refused, match=f"digest is {plan.digest}.*Nothing was sent"):
        write(bench.link, bench.family, plan, approved, journal=bench.journal)
    assert bench.machine.received == before
    assert bench.journal.entries == []


def test_a_plan_that_was_changed_after_its_approval_is_another_plan(bench: Bench) -> None:
    plan = bench.plan()
    smuggled = replace(plan, lines=(plan.lines[0], "M500"))
    with pytest.raises(Refused, match="was approved"):
        write(bench.link, bench.family, smuggled, plan.digest, journal=bench.journal)
    assert settings_lines(bench) == []


def test_a_large_change_wants_its_value_typed_again(bench: Bench) -> None:
    plan = bench.plan({"steps_per_mm.x": 88.0, "steps_per_mm.y": 80.1})
    for typed in ({}, {"steps_per_mm.x": 8.8}, {"steps_per_mm.y": 80.1}):
        with pytest.raises(Refused, match=r"typing the new value: steps_per_mm\.x 88"):
            write(
                bench.link,
                bench.family,
                plan,
                plan.digest,
                journal=bench.journal,
                retyped=typed,
            )
    assert settings_lines(bench) == []
    typed = {"steps_per_mm.x": 88.0}
    outcome = write(
        bench.link, bench.family, plan, plan.digest, journal=bench.journal, retyped=typed
    )
    assert outcome.verified


@pytest.mark.parametrize(
    ("key", "value", "moves"),
    [
        ("steps_per_mm.x", 80.5, True),  # to be changed
        ("max_speed.x", 400.0, True),  # the pulse rate was judged by it
        ("max_speed.y", 100.0, False),  # nothing rests on it
    ],
)
def test_ground_that_moved_since_the_preview_stops_the_write(
    bench: Bench, key: str, value: float, moves: bool
) -> None:
    plan = bench.plan()
    bench.live[key] = value  # a colleague, a job, another program
    if moves:
        with pytest.raises(Refused, match=f"something else has changed.*{key} was"):
            approve(bench, plan)
        assert settings_lines(bench) == []
    else:
        approve(bench, plan)
        assert bench.live["steps_per_mm.x"] == WANTED["steps_per_mm.x"]


def test_a_plan_for_one_controller_is_not_written_to_another(bench: Bench) -> None:
    plan = replace(bench.plan(), family="numbered")
    with pytest.raises(Refused, match="Is it the right machine"):
        approve(bench, plan)
    assert settings_lines(bench) == []


def test_a_line_without_effect_is_found_out_although_it_was_acknowledged(bench: Bench) -> None:
    plan = bench.plan()
    controller = bench.machine.controller
    take = controller.set

    def deaf(key: str, value: float) -> bool | None:
        return None if key == "steps_per_mm.z" else take(key, value)

    controller.set = deaf  # type: ignore[method-assign, assignment]
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert [(f.key, f.state) for f in outcome.fates] == [
        ("steps_per_mm.x", "took"),
        ("steps_per_mm.z", "did not"),
    ]
    assert not outcome.verified


def test_a_setting_that_moves_without_a_line_takes_the_proof_away(bench: Bench) -> None:
    plan = bench.plan({"steps_per_mm.e0": 420.0})
    controller = bench.machine.controller
    take = controller.set

    def with_side_effect(key: str, value: float) -> object:
        controller.live["max_speed.e0"] = 175.0
        return take(key, value)

    controller.set = with_side_effect  # type: ignore[method-assign, assignment]
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert [(c.key, c.old, c.new) for c in outcome.moved] == [("max_speed.e0", 50.0, 175.0)]
    assert not outcome.verified


def test_an_empty_plan_is_not_written(bench: Bench) -> None:
    plan = bench.plan({"steps_per_mm.x": 80.0})
    with pytest.raises(Refused, match="nothing to write"):
        approve(bench, plan)


def test_a_damaged_reading_before_the_write_stops_it(bench: Bench) -> None:
    plan = bench.plan()
    bench.live["steps_per_mm.y"] = float("nan")
    with pytest.raises(Refused, match="cannot be read cleanly"):
        approve(bench, plan)
    assert settings_lines(bench) == []


def test_a_journal_that_cannot_be_kept_stops_before_a_byte_of_the_plan(bench: Bench) -> None:
    plan = bench.plan()
    with pytest.raises(Refused, match="the disk is full"):
        write(bench.link, bench.family, plan, plan.digest, journal=FullJournal())
    assert settings_lines(bench) == []


def test_a_disk_that_fills_up_in_between_stops_the_lines_and_not_the_truth(bench: Bench) -> None:
    plan = bench.plan()
    journal = FullJournal(full_from=4)  # the second line could not be noted, so it is not sent
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=journal)
    assert [fate.state for fate in outcome.fates] == ["took", "did not"]
    assert outcome.notes == (
        "the disk is full",
        "the journal could not be kept to its end: the disk is full",
    )
    assert settings_lines(bench) == [plan.lines[0]]


def test_a_line_that_is_refused_stops_the_rest_and_is_named() -> None:
    bench = heron("numbered")
    bench.machine.controller.max_step_rate = 10_000.0  # type: ignore[attr-defined]
    plan = bench.plan()
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert [fate.state for fate in outcome.fates] == ["did not", "did not"]
    [note] = outcome.notes
    assert note.startswith("the controller refused $100=80.61234")


def test_an_interrupt_leaves_an_open_journal_that_tells_all(bench: Bench) -> None:
    plan = bench.plan()
    ask = bench.link.ask

    def interrupted(line: str, **how: object) -> Reply:
        reply = ask(line, **how)  # type: ignore[arg-type]
        if line == plan.lines[0]:
            raise KeyboardInterrupt
        return reply

    bench.link.ask = interrupted  # type: ignore[method-assign, assignment]
    with pytest.raises(KeyboardInterrupt):
        write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert bench.steps() == ["begun", "sending"]
    found = account(bench.journal.entries, read_clean(bench.link, bench.family))
    assert found is not None
    assert [fate.state for fate in found.fates] == ["took", "did not"]


@pytest.mark.parametrize("broken", [{"plan": {}}, {"plan": 7}, {"snapshot": {"settings": 1}}])
def test_a_journal_that_something_else_wrote_is_refused(
    bench: Bench, broken: dict[str, object]
) -> None:
    approve(bench, bench.plan())
    entries = [{**bench.journal.entries[0], **broken}]
    with pytest.raises(Refused, match="that no transaction wrote"):
        account(entries)


def test_what_storing_does_not_cover_is_handed_over_with_the_write() -> None:
    bench = heron("script")
    plan = bench.plan()
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert outcome.verified
    assert outcome.hand_over == ("M92 X80.61234", "M92 Z106.02")
    assert "start-up script: M92 X80.61234 | M92 Z106.02" in plan.warnings[0]


def cut_write(bench: Bench, plan: Plan, where: Callable[[CutTransport], None]) -> None:
    cable = CutTransport(bench.link.transport)
    bench.link.transport = cable
    where(cable)
    with pytest.raises(Broken) as caught:
        write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert caught.value.exit_code == LinkFailed.exit_code


def test_a_cable_out_in_the_second_line_leaves_the_first_unknown_until_it_is_read(
    bench: Bench,
) -> None:
    plan = bench.plan()
    before = len(bench.machine.received)

    def in_second_line(cable: CutTransport) -> None:
        read_bytes = len("N9 M503*99\n") * 2  # the read-back before the write
        cable.after_sent = read_bytes + len("N11 M92 X80.61234*99\n") + 8

    cut_write(bench, plan, in_second_line)
    broken = account(bench.journal.entries)
    assert broken is not None
    assert [fate.state for fate in broken.fates] == ["unknown", "unknown"]
    bench.attach_again()
    found = account(bench.journal.entries, read_clean(bench.link, bench.family))
    assert found is not None
    assert [(f.state, f.found) for f in found.fates] == [("took", 80.61), ("did not", 105.37)]
    assert (found.finished, found.undone, found.storage) == (False, False, "untouched")
    assert bench.machine.received[before:].count("M92 Z106.02") == 0


@pytest.mark.parametrize("way", ["finish", "undo"])
def test_after_a_break_the_plan_is_finished_or_undone_exactly(bench: Bench, way: str) -> None:
    plan = bench.plan()
    journal = KilledJournal(at=4)  # the second line is noted, and not sent
    with pytest.raises(Killed):
        write(bench.link, bench.family, plan, plan.digest, journal=journal)
    bench.attach_again()
    readback = read_clean(bench.link, bench.family)
    found = account(journal.entries, readback)
    assert found is not None
    assert [fate.state for fate in found.fates] == ["took", "did not"]
    onward = (finish if way == "finish" else undo)([found], readback, bench.family, HERON)
    outcome = write(
        bench.link,
        bench.family,
        onward,
        onward.digest,
        journal=bench.journal,
        retyped=onward.wanted,
    )
    assert outcome.verified
    before = {"steps_per_mm.x": 80.0, "steps_per_mm.z": 105.37}
    assert {key: bench.live[key] for key in WANTED} == (WANTED if way == "finish" else before)


def test_what_broke_before_it_began_needs_no_account(bench: Bench) -> None:
    plan = bench.plan()
    journal = KilledJournal(at=1, kept=False)
    with pytest.raises(Killed):
        write(bench.link, bench.family, plan, plan.digest, journal=journal)
    assert account(journal.entries) is None
    assert settings_lines(bench) == []


def test_a_restart_in_the_middle_is_told_from_the_values(bench: Bench) -> None:
    plan = bench.plan()
    note = bench.journal.note

    def restarting(step: str, **data: object) -> None:
        note(step, **data)
        if step == "sending" and data["index"] == 1:
            bench.machine.controller.power_on(bench.link.transport.now())

    bench.journal.note = restarting  # type: ignore[method-assign]
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert [fate.state for fate in outcome.fates] == ["did not", "did not"]
    assert not outcome.verified


def test_no_account_rests_on_a_damaged_reading(bench: Bench) -> None:
    plan = bench.plan()
    approve(bench, plan)
    damaged = replace(read_back(bench.link, bench.family), damage=("two readings differ",))
    with pytest.raises(Refused, match="two readings differ"):
        account(bench.journal.entries, damaged)
