"""What technicians met with: each of these said something false, or lost something."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from agent.bench.book import Book
from agent.bench.value import BY_WORD
from agent.change.plan import make_plan
from agent.change.transaction import snapshot_plain
from agent.face.guide import step_now
from agent.face.main import run
from agent.families import FAMILIES
from agent.model.settings import Readback
from agent.store.database import set_aside
from agent.store.journal import journals_folder
from agent.store.record import Record, record_path
from agent.work.session import Session
from tests.bench.world import PORT, World, exact_live, written

X, Z = "steps_per_mm.x", "steps_per_mm.z"


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> World:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    found = World.new()
    found.save_profile()
    return found


# --- heaters -------------------------------------------------------------------------------------


def heat(world: World, nozzle: float = 215.0, bed: float = 60.0) -> None:
    """Somebody at the machine, or an agent that was killed, has left it hot."""
    controller = world.controller
    controller.hotend.set(nozzle, controller.now)
    controller.bed.set(bed, controller.now)


def test_a_hot_controller_is_told_first_at_an_attach(world: World) -> None:
    heat(world)
    told = world.run("attach", PORT, port=False)
    assert "THE HEATERS ARE ON (nozzle" in told.text
    assert world.bench.heater_state == "on"
    assert world.verb("status --json").json["heaters"] == "on"
    assert world.verb("next --json").json["line"] == "cool"
    assert world.verb("cool").text.count("heaters are off")
    assert world.controller.hotend.target == world.controller.bed.target == 0
    assert world.verb("status --json").json["heaters"] == "off"


def test_the_foot_knows_what_a_line_of_ones_own_has_brought(world: World) -> None:
    desk = world.desk()
    desk.session.contact.attach(desk.open(PORT))
    assert "HEATERS ON" not in desk.status(80)
    heat(world)
    assert run(["send", "M105"], desk) == 0
    assert desk.status(80).startswith("HEATERS ON")
    desk.close()


def test_nothing_is_said_to_be_off_that_nobody_asked(world: World) -> None:
    assert "heaters off" not in world.desk().status()
    assert "heaters unknown" in world.desk().status()
    heat(world)
    desk = world.desk()
    desk.session.contact.attach(desk.open(PORT))
    assert desk.status(80).startswith("HEATERS ON")
    desk.close()
    assert world.verb("status --json", port=False).json["heaters"] == "unknown"


def test_detaching_a_hot_machine_says_so(world: World) -> None:
    heat(world)
    told = world.verb("detach")
    assert "Heaters: ON" in told.text


def test_danger_is_never_cut_off(world: World) -> None:
    heat(world)
    written(world, {X: 80.61234})
    desk = world.desk()
    desk.session.contact.attach(desk.open(PORT))
    for width in (80, 60, 40, 24):
        foot = desk.status(width)
        assert len(foot) <= width
        assert "HEATERS ON" in foot or "HOT" in foot
        assert "NOT STORED" in foot or "UNSTORED" in foot
    desk.close()


# --- proof ---------------------------------------------------------------------------------------


def test_a_power_cycle_that_nobody_saw_is_only_said(world: World) -> None:
    digest = written(world, {X: 80.61234})
    world.verb(f"store --approve {digest}")
    told = world.run("prove", "power")
    assert told.code == 1
    assert "only said by the operator" in told.text
    assert "after a power cycle" not in world.bench.stages
    assert [p.evidence for p in world.bench.proofs][-1] == "said by the operator"


def test_a_power_cycle_that_the_link_saw_counts(world: World) -> None:
    digest = written(world, {X: 80.61234})
    world.verb(f"store --approve {digest}")

    def off_and_on(_question: str) -> str:
        world.controller.power_on(world.controller.now)
        return ""

    told = world.verb("prove power", switch_the_machine_off=off_and_on)
    assert "seen on the link" in told.text
    assert "after a power cycle" in world.bench.stages


@pytest.mark.parametrize("family", list(FAMILIES))
def test_a_power_cycle_is_seen_though_the_axes_stood_at_zero(family: str) -> None:
    """Every family shows a restart in some way: a word of its own, or lines counted anew."""
    world = World.new(family)
    desk = world.desk()
    session = desk.session = Session(book=Book())  # nothing of this is for the disk
    session.contact.attach(desk.open(PORT))
    mark, stood = len(session.contact.joined()[0].events), session.moves.places()
    assert not any(stood.values())
    assert session.storage.saw_power_cycle(mark, stood) == BY_WORD
    world.controller.power_on(world.controller.now)
    assert session.storage.saw_power_cycle(mark, stood).startswith("seen on the link")


def test_a_file_that_was_never_edited_proves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    world = World.new("script")
    world.save_profile()
    written(world, {X: 80.61234})
    told = world.run("prove", "power", Are_they_in_it="yes")
    assert told.code == 1
    assert "controller that keeps its settings in a file is not proved by that" in told.text
    assert "after a power cycle" not in world.bench.stages


# --- after a power loss --------------------------------------------------------------------------


def test_a_power_loss_between_write_and_store_is_told_and_mended(world: World) -> None:
    written(world, {X: 80.61234})
    world.power_cycle()
    told = world.run("attach", PORT, port=False)
    assert "NOT LIVE ANY MORE" in told.text
    assert "restarted before what was written was stored" in told.text
    assert world.verb("next --json").json["line"] == "resume finish"
    account = world.verb("resume --json").json["accounts"][0]
    assert account["fallen"]
    assert account["changes"][0]["state"] == "did not"
    shown = world.run("resume", "finish")  # nobody types the digest: nothing is sent
    assert shown.code == 1
    assert world.controller.live[X] == 80.0
    plan = world.bench.plan
    assert plan is not None
    world.verb(f"resume finish --approve {plan.digest}")
    assert world.controller.live[X] == 80.61234
    assert world.verb("next --json").json["line"] == "store"


def test_what_was_refused_is_not_offered_again(world: World) -> None:
    written(world, {X: 80.61234})
    world.controller.storage_fault = "fails"
    assert world.verb("next --json").json["line"] == "store"
    bench = world.bench
    assert bench.done is not None
    assert world.run("store", "--approve", bench.done.digest).code == 1
    assert world.verb("next --json").json["line"] != "store"


# --- a new process goes on -----------------------------------------------------------------------


def test_readings_typed_in_one_process_are_solved_in_another(world: World) -> None:
    world.measure_moves()
    world.lay("strip")
    world.measure("strip")
    assert len(world.bench.now.taken) == 3 + len(world.bench.now.laid[0].piece.features)
    assert "corrections" in world.verb("solve --json", port=False).json
    plan = world.verb("preview --json").json
    assert plan["lines"]
    retype = "Large change" if plan["retype"] else "nothing"
    world.verb(f"write --approve {plan['digest']}", **{retype.replace(" ", "_"): ""})
    assert world.bench.unstored
    assert world.verb("next --json").json["line"] == "store"
    world.verb(f"store --approve {plan['digest']}")
    assert not world.bench.unstored
    for change in plan["changes"]:
        assert world.controller.stored[change["key"]] == pytest.approx(change["new"], abs=1e-6)


def test_readings_of_a_file_are_solved_alone_and_taken_up_on_request(
    world: World, tmp_path: Path
) -> None:
    """`solve FILE` leaves the bench alone, and `preview` says how its readings come there."""
    file = tmp_path / "by-hand.yaml"
    file.write_text(
        "format: plumbelt-readings/1\n"
        "mechanics: {gantry_angle_deg: 45}\n"
        "settings: {steps_per_mm: {x: 80, y: 80, z: 105.37}}\n"
        "readings:\n"
        "  - {feature: travel, along: [200, 0, 0], mm: [201.4], u_mm: 0.05}\n"
        "  - {feature: travel, along: [100, 0, 0], mm: [100.7], u_mm: 0.05}\n"
    )
    [alone] = world.verb(f"solve {file} --json").json["corrections"]
    assert alone["setting"] == X
    told = world.run("preview")
    assert told.code == 1
    assert "'gauge --file FILE' takes those of a file" in told.text
    assert "2 readings" in world.verb(f"gauge --file {file}").text
    [taken] = world.verb("solve --json").json["corrections"]
    assert taken["new"] == pytest.approx(alone["new"], abs=0.01)
    assert world.verb("preview --json").json["lines"] == [taken["line"]]


def test_readings_that_contradict_each_other_are_no_success(world: World, tmp_path: Path) -> None:
    """A decimal point lost in one of five: 9.93 for 99.3."""
    file = tmp_path / "slip.yaml"
    file.write_text(
        "format: plumbelt-readings/1\n"
        "mechanics: {gantry_angle_deg: 45}\n"
        "settings: {steps_per_mm: {x: 80, y: 80, z: 105.37}}\n"
        "readings:\n"
        "  - {feature: outside, along: [0, 25, 0], mm: [24.91, 24.90, 24.92], between: edges}\n"
        "  - {feature: outside, along: [0, 200, 0], mm: [198.42, 198.41], between: edges}\n"
        "  - {feature: travel, along: [0, 300, 0], mm: [297.45], u_mm: 0.1}\n"
        "  - {feature: lean, along: [0, 0, 60], mm: [1.46, 1.44, 1.47]}\n"
        "  - {feature: outside, along: [0, 100, 0], mm: [9.93, 9.92, 9.93]}\n"
    )
    for line in (f"solve {file}", f"gauge --file {file}", "solve"):
        told = world.run(*line.split())
        assert told.code == (0 if "gauge" in line else 1), told.text
        assert "No change is warranted" not in told.text
    assert world.run("preview").code == 1


def test_a_kill_while_the_store_word_is_in_flight_leads_on(world: World) -> None:
    from tests.change.cuts import Killed

    digest = written(world, {X: 80.61234})
    desk = world.desk()
    session = desk.session
    session.contact.attach(desk.open(PORT))
    looked = session.storage.look()
    ask = session.contact.joined()[0].ask

    def killed(line: str, **how: object) -> object:
        if line == "M500":
            raise Killed
        return ask(line, **how)  # type: ignore[arg-type]

    session.contact.joined()[0].ask = killed  # type: ignore[method-assign,assignment]
    with pytest.raises(Killed):
        session.storage.store(looked, looked.digest)
    session.book.close()  # the process is gone; the record is what is left
    assert "BROKEN" in world.run("attach", PORT, port=False).text.upper()
    assert world.verb("next --json").json["line"] == "resume"
    account = world.verb("resume --json").json["accounts"][0]
    assert (account["phase"], account["storage"]) == ("storing", "unknown")
    world.verb("resume finish")
    assert world.verb("next --json").json["line"] == "store"
    world.verb(f"store --approve {digest}")
    assert world.controller.stored[X] == 80.61234


def test_a_restore_is_stored_even_if_it_was_written_before(world: World) -> None:
    world.controller.live[X] = 81.0
    shown = world.verb("profile restore heron --preview --json").json
    world.verb(f"profile restore heron --approve {shown['digest']}")
    assert world.controller.live[X] == 80.0
    again = world.verb("profile restore heron --preview --json").json
    told = world.verb(f"profile restore heron --approve {again['digest']} --store")
    assert "reloaded from storage" in told.text


# --- undo ----------------------------------------------------------------------------------------


def test_undo_goes_back_write_by_write_in_full_precision(world: World) -> None:
    written(world, {X: 80.61234})
    written(world, {X: 80.92345, Z: 106.02})
    for expected in ({X: 80.61234, Z: 105.37}, {X: 80.0, Z: 105.37}):
        world.run("undo")
        plan = world.bench.plan
        assert plan is not None
        world.verb(f"undo --approve {plan.digest}")
        assert exact_live(world, [X, Z]) == expected
    assert world.run("undo").code == 1


def test_undo_to_an_entry_brings_settings_and_angle_back(world: World) -> None:
    written(world, {X: 80.61234})
    desk = world.desk()
    desk.session.changes.take_angle(44.2)
    desk.close()
    written(world, {X: 80.92345})
    states = world.verb("undo --list --json").json["states"]
    assert [state["gantry_angle_deg"] for state in states] == [44.2, 45.0, 45.0]
    oldest = states[-1]["entry"]
    world.run("undo", "--to", oldest)
    plan = world.bench.plan
    assert plan is not None
    world.verb(f"undo --to {oldest} --approve {plan.digest}")
    assert exact_live(world, [X]) == {X: 80.0}
    assert world.bench.profile.mechanics.gantry_angle_deg == 45.0
    assert world.bench.past == ()


# --- full precision ------------------------------------------------------------------------------


def test_looking_at_what_is_stored_keeps_every_digit(world: World) -> None:
    written(world, {X: 80.61234})
    world.verb("readback --stored")
    assert world.controller.live[X] == 80.61234
    digest = written(world, {Z: 106.02})
    told = world.run("store", "--approve", digest)
    assert told.code == 0, told.text
    assert world.controller.live[X] == 80.61234
    assert world.controller.stored[X] == 80.61234


# --- no with exit 0 ------------------------------------------------------------------------------


def test_a_storage_that_lies_is_the_last_word_and_no_success(world: World) -> None:
    digest = written(world, {X: 80.61234})
    world.controller.storage_fault = "lies"
    told = world.run("store", "--approve", digest)
    assert told.code == 1
    assert "STORAGE HOLDS OTHER VALUES" in told.err
    told = world.run("--json", "store", "--approve", digest) if False else told
    assert world.bench.stored_otherwise
    foot = world.desk()
    foot.session.contact.attach(foot.open(PORT))
    assert "STORED OTHERWISE" in foot.status(120)
    foot.close()


def test_a_damaged_reading_is_no_success(world: World) -> None:
    world.controller.live[X] = 80.004  # printed as 80.00; then it changes between two readings
    desk_told = world.run("readback")
    assert desk_told.code == 0

    class Flaky:
        def __init__(self, inner: object) -> None:
            self.inner = inner
            self.count = 0

        def __getattr__(self, name: str) -> object:
            return getattr(self.inner, name)

        def read(self, until: float) -> bytes:
            data: bytes = self.inner.read(until)  # type: ignore[attr-defined]
            return data.replace(b"X80.", b"X8@.")

    world.wrap = lambda transport: Flaky(transport)  # type: ignore[assignment,return-value]
    told = world.run("readback")
    assert told.code != 0


def test_what_differs_from_what_was_last_seen_is_told(world: World) -> None:
    world.verb("readback")
    world.controller.live[Z] = 104.9
    told = world.run("attach", PORT, port=False)
    assert "Not as it was last seen: steps_per_mm.z was 105.37 and is 104.9" in told.text


def test_saving_over_keeps_what_was_edited_in_the_file(world: World) -> None:
    from agent.store.home import user_profiles

    world.verb("readback")
    path = user_profiles() / "heron.yaml"
    text = path.read_text()
    assert "zulu" not in text
    path.write_text(text.replace("format: plumbelt-profile/1\n", "format: plumbelt-profile/1\n", 1))
    import re

    edited = re.sub(r"(?m)^note: .*$", "note: zulu", text)
    path.write_text(edited if "zulu" in edited else text + "note: zulu\n")
    world.verb("profile save heron --over")
    assert "zulu" in path.read_text()


def test_halt_is_heard_at_a_question(world: World) -> None:
    told = world.run("gauge", "travel-belt", clear="halt")
    assert told.code == 1
    assert "emergency word was sent in answer to a question" in told.text
    assert world.controller.halted
    assert world.bench.halted


def test_an_axis_that_must_not_move_is_not_moved_by_send(world: World) -> None:
    world.controller.live[X] = 1280.0
    before = world.controller.motion.position if hasattr(world.controller.motion, "position") else 0
    told = world.run("send", "G28", "X")
    assert told.code == 1
    assert "must not move" in told.text
    assert before == (
        world.controller.motion.position if hasattr(world.controller.motion, "position") else 0
    )
    assert world.run("send", "G1", "X10").code == 1


# --- a damaged record ----------------------------------------------------------------------------


def test_a_record_cut_or_flipped_is_named_kept_and_used_as_far_as_it_goes(world: World) -> None:
    written(world, {X: 80.61234})
    place = record_path()
    with Record(place) as record:
        record.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    whole = place.read_bytes()
    size = len(whole)
    for cut in (40, 4096, size // 3, size // 2, size - 4096, size - 10):
        for side in ("-wal", "-shm"):
            place.with_name(place.name + side).unlink(missing_ok=True)
        place.write_bytes(whole[:cut])
        told = world.run("log", "list", port=False)
        assert told.code == 0, told.text
        assert "moved aside" in told.err, cut
        kept = sorted(place.parent.glob("record.damaged-*.db"))
        assert kept
        assert kept[-1].read_bytes()[:cut] == whole[:cut][: len(kept[-1].read_bytes())]
        for path in kept:
            path.unlink()
        assert world.run("readback").code == 0  # the bench works on with what is left


def test_a_flipped_bit_in_an_event_is_named_and_does_not_count(world: World) -> None:
    digest = written(world, {X: 80.61234})
    assert digest
    place = record_path()
    with Record(place) as record:
        record.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = place.read_bytes()
    place.write_bytes(data.replace(b"80.61234", b"80.61934"))
    told = world.run("attach", PORT, port=False)
    assert "cannot be read: its check sum is wrong" in told.text
    assert 80.61934 not in {v for values in world.bench.written.values() for v in values}
    assert set_aside is not None
    assert step_now is not None


# --- records of version 0.1.0 --------------------------------------------------------------------


def test_a_change_that_broke_in_a_journal_of_its_own_is_told_and_finished(world: World) -> None:
    plan = make_plan(
        world_readback(world), {X: 80.61234}, FAMILIES["replay"], machine="heron", why="measured"
    )
    snapshot = snapshot_plain(world_readback(world))
    entries: list[dict[str, object]] = [
        {"step": "begun", "plan": plan.to_plain(), "snapshot": snapshot},
        {"step": "sending", "index": 0, "line": plan.lines[0]},
    ]
    folder = journals_folder()
    folder.mkdir(parents=True)
    dated = [json.dumps({"at": "2026-03-01T10:00:00", **entry}) for entry in entries]
    (folder / "20260301-heron.jsonl").write_text("\n".join(dated) + "\n")
    told = world.run("--profile", "heron", "attach", PORT, port=False)
    told = world.run("--profile", "heron", "status", "--json")
    assert told.json["next"]["line"] == "resume"
    world.run("resume", "finish")
    waiting = world.bench.plan
    assert waiting is not None
    world.verb(f"resume finish --approve {waiting.digest}")
    assert world.controller.live[X] == 80.61234
    assert world.verb("next --json").json["line"] == "store"


def world_readback(world: World) -> Readback:
    desk = world.desk()
    found = desk.session.contact.attach(desk.open(PORT))
    desk.close()
    return found


# --- restores where writing stores, and where a file does ----------------------------------------


@pytest.mark.parametrize(
    ("family", "and_store", "code", "last"),
    [
        ("numbered", False, 0, "Verified: read back"),
        ("numbered", True, 0, "Verified: read back"),
        ("script", False, 0, "belong into the controller's own file"),
        ("script", True, 1, "Put into the controller's start-up script: M92 X80"),
    ],
)
def test_a_restore_ends_with_its_outcome(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    family: str,
    and_store: bool,
    code: int,
    last: str,
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    world = World.new(family)
    world.save_profile()
    world.controller.live[X] = 81.0
    shown = world.verb("profile restore heron --preview --json").json
    words = ["--approve", shown["digest"], *(["--store"] if and_store else [])]
    told = world.run("profile", "restore", "heron", *words)
    assert told.code == code, told.text
    assert "new value confirmed" in told.text
    assert last in told.last
    assert world.controller.live[X] == 80.0
    assert world.bench.unstored is (family == "script")
