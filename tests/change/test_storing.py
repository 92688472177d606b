"""Storing: a step of its own, after a look at everything that it would make permanent."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.change.outcome import Broken
from agent.change.plan import Change, Plan
from agent.change.resume import account, finish, undo
from agent.change.storing import Look, Others, look, prove, store
from agent.change.transaction import read_clean, write
from agent.errors import Refused
from agent.model.profile import SavedSetting
from sim.controller import ANSWERED, Hold
from sim.table import Table
from tests.change.bench import HERON, WANTED, Bench, heron
from tests.change.cuts import CutTransport, FullJournal, Killed, KilledJournal

BEFORE = {"steps_per_mm.x": 80.0, "steps_per_mm.z": 105.37}


@pytest.fixture
def bench() -> Bench:
    return heron()


def written(bench: Bench) -> Plan:
    plan = bench.plan()
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert outcome.verified
    return plan


def stored(bench: Bench) -> dict[str, float]:
    assert bench.stored is not None
    return {key: bench.stored[key] for key in WANTED}


def test_looking_shows_what_is_live_and_not_stored_and_changes_nothing(bench: Bench) -> None:
    plan = written(bench)
    bench.live["max_acceleration.x"] = 900.0  # a job did that
    before = dict(bench.live)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    assert looked.own == (
        Change("steps_per_mm.x", 80.0, 80.61234, "step/mm", 2),
        Change("steps_per_mm.z", 105.37, 106.02, "step/mm", 2),
    )
    assert looked.others == (Change("max_acceleration.x", 1200.0, 900.0, "mm/s2", 2),)
    assert looked.line == "M500"
    assert bench.live == before
    assert stored(bench) == BEFORE


def test_storing_is_proved_by_what_comes_back(bench: Bench) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    outcome = store(bench.link, bench.family, plan, looked, plan.digest, journal=bench.journal)
    assert outcome.stages == ("read back", "reloaded from storage")
    assert outcome.stored
    assert stored(bench) == WANTED
    bench.machine.controller.power_on(bench.link.transport.now())
    bench.attach_again()
    proved = prove(bench.link, bench.family, plan, "after a power cycle", journal=bench.journal)
    assert proved.stages == ("read back", "after a power cycle")
    assert proved.stored


@pytest.mark.parametrize(
    ("others", "kept"), [("store them too", 900.0), ("leave them out", 1200.0)]
)
def test_the_technician_chooses_what_becomes_of_the_rest(
    bench: Bench, others: Others, kept: float
) -> None:
    plan = written(bench)
    bench.live["max_acceleration.x"] = 900.0
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    for approved, choice in ((looked.digest, None), (plan.digest, others)):
        with pytest.raises(Refused, match="Nothing was stored"):
            store(
                bench.link,
                bench.family,
                plan,
                looked,
                approved,
                journal=bench.journal,
                others=choice,
            )
    assert stored(bench) == BEFORE
    outcome = store(
        bench.link,
        bench.family,
        plan,
        looked,
        looked.digest,
        journal=bench.journal,
        others=others,
    )
    assert outcome.stored
    assert stored(bench) == WANTED
    assert bench.stored is not None
    assert bench.stored["max_acceleration.x"] == kept


def test_what_moved_since_the_look_is_not_stored(bench: Bench) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    bench.live["steps_per_mm.x"] = 81.0
    with pytest.raises(Refused, match=r"not live.*Nothing was stored"):
        store(bench.link, bench.family, plan, looked, plan.digest, journal=bench.journal)
    assert stored(bench) == BEFORE


def test_what_appeared_since_the_look_is_not_stored(bench: Bench) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    bench.live["max_speed.y"] = 99.0  # unknown to the look
    with pytest.raises(Refused, match=r"max_speed\.y.*Nothing was stored"):
        store(bench.link, bench.family, plan, looked, plan.digest, journal=bench.journal)
    assert stored(bench) == BEFORE


def test_a_plan_that_is_not_live_is_not_stored(bench: Bench) -> None:
    with pytest.raises(Refused, match="not live"):
        look(bench.link, bench.family, bench.plan(), journal=bench.journal)


@pytest.mark.parametrize("fault", ["lies", "fails", "none"])
def test_a_notice_of_saving_proves_nothing(bench: Bench, fault: str) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    bench.machine.controller.storage_fault = fault  # type: ignore[assignment]
    outcome = store(bench.link, bench.family, plan, looked, plan.digest, journal=bench.journal)
    assert not outcome.stored
    assert any("nothing is proved to be stored" in note for note in outcome.notes)
    # the tried values stay live until the power goes
    assert {key: bench.live[key] for key in WANTED} == WANTED
    assert {fate.key: fate.state for fate in outcome.fates} == dict.fromkeys(WANTED, "took")


def test_a_storage_that_must_be_initialised_first_leaves_every_live_value_as_it_was(
    bench: Bench,
) -> None:
    plan = written(bench)
    controller = bench.machine.controller
    controller.storage_fault = "unreadable"
    controller._handlers["M500"] = lambda words: None  # acknowledged, and nothing is kept
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    before = dict(bench.live)
    outcome = store(
        bench.link,
        bench.family,
        plan,
        looked,
        looked.digest,
        journal=bench.journal,
        others="store them too",
    )
    assert not outcome.stored
    assert bench.live == before
    assert any("initialised first" in note for note in outcome.notes)


def test_a_look_at_an_unreadable_storage_puts_everything_back(bench: Bench) -> None:
    plan = written(bench)
    before = dict(bench.live)
    bench.machine.controller.storage_fault = "unreadable"
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    assert bench.live == before
    assert looked.own
    assert looked.others  # what the defaults differ in: storing would keep the live values
    assert any("could not be read" in note for note in looked.notes)


@pytest.mark.parametrize("step", range(1, 12))
def test_a_look_that_broke_is_mended_from_its_journal(bench: Bench, step: int) -> None:
    plan = written(bench)
    bench.live["max_acceleration.x"] = 900.0
    before = dict(bench.live)
    journal = KilledJournal(at=step)
    try:
        look(bench.link, bench.family, plan, journal=journal)
    except Killed:
        bench.attach_again()
    readback = read_clean(bench.link, bench.family)
    found = account(journal.entries, readback)
    assert found is not None
    assert found.storage == "untouched"
    onward = finish([found], readback, bench.family, HERON)
    if not onward.empty:
        write(bench.link, bench.family, onward, onward.digest, journal=bench.journal)
    assert bench.live == before
    assert stored(bench) == BEFORE


def test_what_a_broken_look_displaced_comes_back_in_full_precision(bench: Bench) -> None:
    tried = bench.plan({"steps_per_mm.y": 80.12345})
    write(bench.link, bench.family, tried, tried.digest, journal=bench.journal)
    plan = bench.plan({"steps_per_mm.z": 106.02})
    write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    earlier = {"steps_per_mm.y": 80.12345, "steps_per_mm.z": 106.02}
    journal = KilledJournal(at=3)  # reloaded, and nothing put back
    with pytest.raises(Killed):
        look(bench.link, bench.family, plan, journal=journal)
    bench.attach_again()
    readback = read_clean(bench.link, bench.family)
    found = account(journal.entries, readback)
    assert found is not None
    assert [(c.key, c.old, c.new) for c in found.displaced] == [("steps_per_mm.y", 80.0, 80.12)]
    onward = finish([found], readback, bench.family, HERON, exactly=lambda key, _: earlier[key])
    assert onward.wanted == {"steps_per_mm.y": 80.12345, "steps_per_mm.z": 106.02}
    # what was written is known from the profile too, and without either from the print alone
    kept = {"steps_per_mm.y": SavedSetting(readback.settings["steps_per_mm.y"], 80.12345)}
    for profile, y in ((replace(HERON, settings=kept), 80.12345), (HERON, 80.12), (None, 80.12)):
        again = finish([found], readback, bench.family, profile)
        assert again.wanted == {"steps_per_mm.y": y, "steps_per_mm.z": 106.02}


@pytest.mark.parametrize("step", range(1, 8))
def test_a_store_that_broke_is_looked_at_again(bench: Bench, step: int) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    journal = KilledJournal(at=step)
    with pytest.raises(Killed):
        store(bench.link, bench.family, plan, looked, plan.digest, journal=journal)
    bench.attach_again()
    readback = read_clean(bench.link, bench.family)
    found = account(journal.entries, readback)
    assert found is not None
    assert found.finished  # live; whether stored, only looking tells
    assert found.storage == ("untouched" if step == 1 else "unknown")
    again = look(bench.link, bench.family, plan, journal=bench.journal)
    assert bool(again.own) == (stored(bench) != WANTED)


def test_undoing_a_stored_plan_is_a_plan_like_any_other(bench: Bench) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    store(bench.link, bench.family, plan, looked, plan.digest, journal=bench.journal)
    readback = read_clean(bench.link, bench.family)
    found = account(bench.journal.entries, readback)
    assert found is not None
    back = undo([found], readback, bench.family, HERON)
    write(bench.link, bench.family, back, back.digest, journal=bench.journal)
    looked = look(bench.link, bench.family, back, journal=bench.journal)
    store(bench.link, bench.family, back, looked, looked.digest, journal=bench.journal)
    assert stored(bench) == BEFORE


@pytest.mark.parametrize("full_from", range(2, 9))
def test_a_disk_that_fills_up_during_a_look_leaves_nothing_displaced(
    bench: Bench, full_from: int
) -> None:
    plan = written(bench)
    bench.live["max_acceleration.x"] = 900.0
    before = dict(bench.live)
    look(bench.link, bench.family, plan, journal=FullJournal(full_from=full_from))
    assert bench.live == before


def test_a_disk_that_fills_up_after_the_store_word_does_not_hide_its_proof(bench: Bench) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    journal = FullJournal(full_from=3)
    outcome = store(bench.link, bench.family, plan, looked, plan.digest, journal=journal)
    assert outcome.stored
    assert outcome.notes == ("the journal could not be kept to its end: the disk is full",)
    assert stored(bench) == WANTED


@pytest.mark.parametrize("full_from", [1, 2])
def test_a_disk_that_is_full_before_the_store_word_stores_nothing(
    bench: Bench, full_from: int
) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    with pytest.raises(Refused, match="disk is full"):
        store(
            bench.link,
            bench.family,
            plan,
            looked,
            plan.digest,
            journal=FullJournal(full_from=full_from),
        )
    assert stored(bench) == BEFORE


@pytest.mark.parametrize("family", ["table", "override"])
def test_other_families_store_and_prove_alike(family: str) -> None:
    bench = heron(family)
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    outcome = store(bench.link, bench.family, plan, looked, looked.digest, journal=bench.journal)
    assert outcome.stored
    assert stored(bench) == WANTED


@pytest.mark.parametrize(
    ("family", "what"),
    [("numbered", "stores as it writes"), ("script", r"start-up script: M92 X80\.61234")],
)
def test_where_storing_is_no_step_the_reason_is_given(family: str, what: str) -> None:
    bench = heron(family)
    plan = written(bench)
    with pytest.raises(Refused, match=what):
        look(bench.link, bench.family, plan, journal=bench.journal)


def test_what_is_written_to_a_controller_without_trial_stage_survives_the_power() -> None:
    bench = heron("numbered")
    plan = written(bench)
    bench.machine.controller.power_on(bench.link.transport.now())
    bench.attach_again()
    proved = prove(bench.link, bench.family, plan, "after a power cycle", journal=bench.journal)
    assert proved.stored


def test_a_cable_out_while_storing_is_told_as_such(bench: Bench) -> None:
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    cable = CutTransport(bench.link.transport, after_sent=2 * len("N22 M503*19\n") + 4)
    bench.link.transport = cable
    journal = KilledJournal()
    with pytest.raises(Broken, match="cable is out"):
        store(bench.link, bench.family, plan, looked, plan.digest, journal=journal)
    assert [entry["step"] for entry in journal.entries] == ["storing", "sending", "broken"]
    assert stored(bench) == BEFORE


def test_a_look_survives_being_shown_as_plain_data(bench: Bench) -> None:
    looked = Look("heron", "replay", "M500", (Change("steps_per_mm.x", 80, 81, "step/mm", 2),))
    assert looked.to_plain()["digest"] == looked.digest
    assert looked.to_plain()["own"][0]["new"] == 81


def test_a_reload_that_does_nothing_proves_nothing(bench: Bench) -> None:
    plan = written(bench)
    controller = bench.machine.controller
    controller._handlers["M501"] = lambda words: None  # acknowledged, without any effect
    controller._handlers["M500"] = lambda words: None
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    assert looked.own == ()
    outcome = store(bench.link, bench.family, plan, looked, plan.digest, journal=bench.journal)
    assert outcome.verified
    assert not outcome.stored
    assert any("only a power cycle proves" in note for note in outcome.notes)


@pytest.mark.parametrize("family", ["replay", "override"])
def test_a_store_word_that_is_refused_stores_nothing_and_says_so(family: str) -> None:
    bench = heron(family)
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    controller = bench.machine.controller
    word, before = str(looked.line), len(controller.received)
    kept = None if bench.stored is None else dict(bench.stored)

    def refuse(words: dict[str, float]) -> Hold:
        controller.say("error:8")
        return ANSWERED

    sound = controller._handlers[word]
    controller._handlers[word] = refuse
    journal = KilledJournal()
    with pytest.raises(Refused, match=rf"refused {word}: .*8.*Read back to see"):
        store(bench.link, bench.family, plan, looked, looked.digest, journal=journal)
    assert [entry["step"] for entry in journal.entries] == [
        "storing",
        "sending",
        "answered",
        "broken",
    ]
    assert journal.entries[2]["ok"] is False
    after = controller.received[before:]
    assert bench.family.words.reload not in after[after.index(word) :]
    assert bench.stored == kept
    # what was tried stays live, and where the word is taken again it can be stored
    assert {key: bench.live[key] for key in WANTED} == WANTED
    controller._handlers[word] = sound
    again = look(bench.link, bench.family, plan, journal=bench.journal)
    done = store(bench.link, bench.family, plan, again, again.digest, journal=bench.journal)
    assert done.stored


def test_a_complaint_after_the_acknowledgement_of_the_store_word_is_no_storing() -> None:
    bench = heron("table")  # acknowledges first and works then
    controller = bench.machine.controller
    assert isinstance(controller, Table)
    controller.writing_stores = False  # or the store word would be needed for nothing
    plan = written(bench)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    controller._handlers[str(looked.line)] = lambda words: controller.say("error:8")
    outcome = store(bench.link, bench.family, plan, looked, looked.digest, journal=bench.journal)
    assert not outcome.stored
    assert any("nothing is proved to be stored" in note for note in outcome.notes)
    assert stored(bench) == BEFORE
    assert {key: bench.live[key] for key in WANTED} == WANTED
