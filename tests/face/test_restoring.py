"""`profile`: what of a restore is written, stored and told; on a bench that is put by hand."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from agent.change.compare import Difference
from agent.change.outcome import Fate, Outcome, State
from agent.change.plan import Change, Plan
from agent.change.restore import Restore, Sorted
from agent.errors import Refused
from agent.face import keeping
from agent.face.desk import Desk
from agent.face.keeping import show_restore
from agent.face.main import run
from agent.model.profile import Mechanics, Profile
from agent.store.profiles import load_profile, profile_path, save_profile
from tests.face.bench import carry_out, desk_at, forge
from tests.pinned import Pinned

CHANGE = Change("steps_per_mm.x", 80.0, 80.25, "step/mm", 2)
PLAN = Plan("heron", "replay", (CHANGE,), ("M92 X80.25",), "abc")
NOTHING = Plan("heron", "replay", (), (), "abc")


def restore_of(plan: Plan, **parts: Any) -> Restore:
    return Restore(plan, **{"cannot": (), "measure_again": (), "blocked": {}, **parts})


def outcome(*stages: Any, state: State = "took") -> Outcome:
    return Outcome(PLAN, (Fate(CHANGE.key, 80.0, 80.25, 80.25, state),), stages=stages)


@pytest.fixture
def desk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Iterator[Desk]:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    monkeypatch.setenv("COLUMNS", "80")
    there = desk_at()
    assert carry_out(there, ["attach"]) == [0]
    capsys.readouterr()
    yield there
    there.close()


# --- under a digest that was approved elsewhere --------------------------------------------------


class Bench:
    """What a restore does on the wire, noted instead of done."""

    def __init__(self, desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
        self.done: list[str] = []
        self.written = outcome("read back")
        self.others: tuple[Change, ...] = ()
        self.refuses = ""
        monkeypatch.setattr(desk.session.changes, "write", self._write)
        monkeypatch.setattr(desk.session.storage, "look", self._look)
        monkeypatch.setattr(desk.session.storage, "store", self._store)

    def _write(self, plan: Plan, digest: str, *, retyped: dict[str, float]) -> Outcome:
        assert retyped == {CHANGE.key: 80.25}
        self.done.append(f"write {digest}")
        return self.written

    def _look(self) -> Any:
        self.done.append("look")
        if self.refuses:
            raise Refused(self.refuses)
        return SimpleNamespace(others=self.others, digest="99")

    def _store(self, looked: Any, digest: str) -> Outcome:
        self.done.append(f"store {digest}")
        return outcome("read back", "reloaded from storage")


@pytest.fixture
def bench(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> Bench:
    return Bench(desk, monkeypatch)


@pytest.mark.parametrize(
    ("plan", "store", "done"),
    [
        (PLAN, False, ["write 12"]),
        (PLAN, True, ["write 12", "look", "store 99"]),
        (NOTHING, False, []),
        (NOTHING, True, ["look", "store 99"]),
    ],
    ids=["written", "written and stored", "live already", "live already, and stored"],
)
def test_what_is_live_is_not_written_again_and_stored_all_the_same(
    plan: Plan,
    store: bool,
    done: list[str],
    desk: Desk,
    bench: Bench,
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk.screen.json = True
    keeping._approved(desk, restore_of(plan), "12", store)
    assert bench.done == done
    document = json.loads(capsys.readouterr().out)
    assert ("stages" in document) is bool(done)
    assert document.get("stored", False) is store


def test_what_was_not_proved_is_not_stored(desk: Desk, bench: Bench) -> None:
    bench.written = outcome("read back", state="did not")
    with pytest.raises(Refused, match="not everything is proved"):
        keeping._approved(desk, restore_of(PLAN), "12", True)
    assert bench.done == ["write 12"]


def test_where_writing_stores_nothing_is_stored_after_it(
    desk: Desk, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    family = SimpleNamespace(words=SimpleNamespace(writing_stores=True))
    monkeypatch.setattr(desk.session.contact, "joined", lambda: (None, family))
    keeping._approved(desk, restore_of(PLAN), "12", True)
    assert bench.done == ["write 12"]


@pytest.mark.parametrize(
    ("plan", "what"),
    [
        (PLAN, "written, not stored: storing would also make permanent max_speed.x"),
        (NOTHING, "not stored: what is live and not stored was not written here: max_speed.x"),
    ],
)
def test_what_else_would_be_stored_is_named_and_nothing_is_stored(
    plan: Plan, what: str, desk: Desk, bench: Bench
) -> None:
    bench.others = (Change("max_speed.x", 100.0, 180.0, "mm/s", 2),)
    with pytest.raises(Refused) as refusal:
        keeping._approved(desk, restore_of(plan), "12", True)
    assert refusal.value.what == what
    assert refusal.value.remedy.startswith("'store --approve 99 --others too'")
    assert not any(step.startswith("store") for step in bench.done)


@pytest.mark.parametrize("plan", [PLAN, NOTHING])
def test_a_look_that_is_refused_is_told_with_what_was_done(
    plan: Plan, desk: Desk, bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.screen.json = True
    bench.refuses = "no storage"
    with pytest.raises(Refused, match="no storage"):
        keeping._approved(desk, restore_of(plan), "12", True)
    document = json.loads(capsys.readouterr().out)
    assert document["worst"] == "no storage"
    assert ("stages" in document) is (plan is PLAN)


# --- what is shown of it -------------------------------------------------------------------------


def test_what_is_not_in_a_restore_is_told_with_its_reason(
    desk: Desk, capsys: pytest.CaptureFixture[str], pinned: Pinned
) -> None:
    show_restore(desk, restore_of(NOTHING))
    told = capsys.readouterr().out
    assert "Nothing: everything that can be kept is live already." in told
    for title in ("Measure again", "Not restored", "must not move"):
        assert title not in told
    again = Sorted("mesh", "measure again", "it was of the old bed")
    never = Sorted("junction", "never replay", "unknown to it")
    found = restore_of(
        PLAN,
        measure_again=(again,),
        cannot=(never,),
        blocked={"belt": "38 times too far"},
        notes=("it was flashed",),
    )
    show_restore(desk, found)
    shown = capsys.readouterr().out
    pinned("face/restore", shown)
    told = " ".join(shown.split())
    assert "M92 X80.25" in told
    assert "Measure again ------------- setting reason" in told
    assert "mesh it was of the old bed" in told
    assert "junction unknown to it" in told
    assert "Warning: The belt axis must not move before this is written: 38 times" in told
    assert told.endswith("- it was flashed")


@pytest.mark.parametrize("in_shell", [True, False])
def test_a_preview_says_how_to_go_on(
    in_shell: bool, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the digest where nobody is asked; nothing where there is nothing to write."""
    desk.in_shell = in_shell
    keeping._only_shown(desk, restore_of(NOTHING), "heron")
    assert "writes exactly this" not in capsys.readouterr().out
    keeping._only_shown(desk, restore_of(PLAN), "heron")
    told = " ".join(capsys.readouterr().out.split())
    how = "" if in_shell else f" --approve {PLAN.digest} --store"
    assert f"Nothing was sent. 'profile restore heron{how}' writes exactly this." in told


@pytest.mark.parametrize(
    ("line", "in_shell", "steps"),
    [
        ("profile restore heron", True, ["shown", "asked"]),
        ("profile restore heron --preview", True, ["preview"]),
        ("profile restore heron", False, ["preview"]),
        ("profile restore heron --approve 12", False, ["shown", "approved"]),
        ("profile restore heron --approve 12 --json", False, ["approved"]),
        ("profile restore heron --approve 12 --store", False, ["shown", "approved and stored"]),
        ("profile restore heron --store", True, ["shown", "asked"]),
    ],
)
@pytest.mark.parametrize("empty", [False, True])
def test_each_restore_has_its_way(
    line: str,
    in_shell: bool,
    steps: list[str],
    empty: bool,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Only in the shell somebody is asked; elsewhere a digest approves, or it is a preview."""
    desk.in_shell = in_shell
    gone: list[str] = []
    found = restore_of(NOTHING if empty else PLAN)
    monkeypatch.setattr("agent.change.restore.restore", lambda *_, **__: found)
    monkeypatch.setattr(keeping, "_only_shown", lambda *_: gone.append("preview"))
    monkeypatch.setattr(keeping, "show_restore", lambda *_: gone.append("shown"))
    monkeypatch.setattr(keeping, "confirmed_write", lambda *_: gone.append("asked"))
    monkeypatch.setattr(keeping, "finish", lambda *_: None)
    monkeypatch.setattr(
        keeping,
        "_approved",
        lambda desk, found, digest, store: gone.append("approved" + " and stored" * store),
    )
    assert run(line.split(), desk) == 0
    assert gone == [step for step in steps if not (empty and step == "asked")]
    proposed = desk.session.bench.waiting
    assert (proposed is not None and proposed.purpose == "restore") is (steps != ["preview"])


def test_a_profile_without_a_family_goes_into_no_file(tmp_path: Path, desk: Desk) -> None:
    save_profile(replace(load_profile("heron"), name="bare", family=None))
    assert carry_out(desk, [f"profile restore bare --file {tmp_path / 'a.txt'}"]) == [1]


# --- what is saved -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bench_angle", "filed_angle", "file_angle", "kept"),
    [
        (46.0, 45.0, 45.0, 46.0),
        (46.0, 45.0, 44.0, 44.0),
        (45.0, 45.0, 45.0, 45.0),
    ],
    ids=["solved since", "somebody edited it", "as it was"],
)
def test_the_slicing_angle_in_use_is_saved_unless_somebody_edited_it(
    bench_angle: float, filed_angle: float, file_angle: float, kept: float, desk: Desk
) -> None:
    def at(angle: float) -> Profile:
        profile = load_profile("heron")
        return replace(profile, mechanics=replace(profile.mechanics, gantry_angle_deg=angle))

    save_profile(at(file_angle))
    forge(desk, machine="heron", profile=at(bench_angle), filed=at(filed_angle))
    assert carry_out(desk, ["profile save heron --over"]) == [0]
    assert load_profile("heron").mechanics.gantry_angle_deg == kept
    assert desk.session.profile.mechanics.gantry_angle_deg == kept


@pytest.mark.parametrize(("machine", "filed"), [("heron", False), ("other", True)])
def test_of_another_machine_the_file_alone_counts(machine: str, filed: bool, desk: Desk) -> None:
    profile = load_profile("heron")
    turned = replace(profile, mechanics=replace(profile.mechanics, gantry_angle_deg=46.0))
    save_profile(profile)
    forge(desk, machine=machine, profile=turned, filed=profile if filed else None)
    assert carry_out(desk, ["profile save heron --over"]) == [0]
    assert load_profile("heron").mechanics.gantry_angle_deg == 45.0


def test_a_profile_is_saved_as_another_or_as_it_is(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without mechanics it says so; one that comes with plumbelt is not replaced, but stands by."""
    assert carry_out(desk, ["profile save twin --like egret"]) == [0]
    assert load_profile("twin").mechanics == load_profile("egret").mechanics
    assert "Mechanics are unknown" not in capsys.readouterr().out
    forge(desk, profile=replace(desk.session.profile, mechanics=Mechanics()))
    assert carry_out(desk, ["profile save bare"]) == [0]
    assert "Mechanics are unknown" in capsys.readouterr().out
    desk.session.contact.use(load_profile("heron"))
    assert carry_out(desk, ["profile save heron", "profile save heron"]) == [0, 1]
    assert "is saved already" in capsys.readouterr().err
    assert profile_path("heron").is_file()


def test_a_profile_that_cannot_be_read_is_listed_with_the_reason(
    desk: Desk, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    carry_out(desk, ["profile save heron"])
    (tmp_path / "profiles" / "broken.yaml").write_text("name: [1]\n")
    capsys.readouterr()
    assert carry_out(desk, ["profile list"]) == [0]
    table = capsys.readouterr().out
    rows = {line.split()[0]: " ".join(line.split()[1:]) for line in table.splitlines()}
    assert rows["broken"].startswith("cannot be read: ")
    assert rows["heron"].startswith("saved 20")
    assert rows["egret"] == "comes with plumbelt never"
    assert carry_out(desk, ["profile list --json"]) == [0]
    of_name = {d["name"]: d for d in json.loads(capsys.readouterr().out)["profiles"]}
    assert "error" in of_name["broken"]
    assert [of_name[name]["ready"] for name in ("heron", "egret")] == [False, True]


def test_a_profile_is_held_against_another_or_against_what_is_live(
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    pinned: Pinned,
) -> None:
    assert carry_out(desk, ["profile compare heron heron"]) == [0]
    assert capsys.readouterr().out == "heron and heron do not differ.\n"
    found = (
        Difference("steps_per_mm.x", "80.00", "81.00", "step/mm", 1.25),
        Difference("steps_per_mm.y", None, "80.00", "step/mm"),
        Difference("max_speed.x", "180.00", None, "mm/s"),
    )
    monkeypatch.setattr("agent.change.compare.compare_with_live", lambda left, live: found)
    assert carry_out(desk, ["profile compare heron"]) == [0]
    pinned("face/compared", capsys.readouterr().out)


def test_a_machine_that_is_compared_at_its_port_is_the_one_of_that_profile(desk: Desk) -> None:
    assert carry_out(desk, ["detach"]) == [0]
    desk.in_shell = False
    assert run(["profile", "compare", "curlew", "--port", "memory://"], desk) == 0
    assert desk.session.profile.name == "curlew"


# --- mechanics -----------------------------------------------------------------------------------


def test_mechanics_are_held_against_what_is_live(
    desk: Desk, capsys: pytest.CaptureFixture[str], pinned: Pinned
) -> None:
    """Of live 81 against calculated 80 the difference is 1.25 %."""
    readback = desk.session.bench.readback
    assert readback is not None
    odd = replace(readback.settings["steps_per_mm.x"], value=81.0)
    forge(desk, readback=replace(readback, settings={**readback.settings, "steps_per_mm.x": odd}))
    assert carry_out(desk, ["mechanics --json"]) == [0]
    axes = json.loads(capsys.readouterr().out)["axes"]
    assert (axes["across"]["letter"], axes["across"]["live"]) == ("x", 81.0)
    assert axes["across"]["steps_per_mm"] == 80.0
    assert carry_out(desk, ["mechanics"]) == [0]
    pinned("face/mechanics", capsys.readouterr().out)
    desk.session.contact.detach()
    assert carry_out(desk, ["mechanics --json"]) == [0]
    axes = json.loads(capsys.readouterr().out)["axes"]
    assert axes["across"]["live"] is None
    assert carry_out(desk, ["mechanics"]) == [0]
    assert "81.00" not in capsys.readouterr().out


def test_mechanics_that_are_not_known_are_not_shown(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    forge(desk, profile=Profile("heron"))
    assert carry_out(desk, ["mechanics"]) == [1]
    assert "No mechanics are known" in capsys.readouterr().err
    drives = dict(load_profile("heron").mechanics.drives)
    drives.pop("belt")
    known = replace(load_profile("heron").mechanics, drives=drives, gantry_angle_deg=None)
    forge(desk, profile=replace(load_profile("heron"), mechanics=known))
    assert carry_out(desk, ["mechanics"]) == [0]
    told = capsys.readouterr().out
    assert "at an angle that is not known to the belt" in told
    rows = [" ".join(line.split()) for line in told.splitlines()]
    assert [row for row in rows if row.startswith("belt Z")] == ["belt Z - - 105.37"]
