"""What a verb of the link says, on a bench that is put by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import pytest

from agent.change.plan import Change, Plan
from agent.errors import BrokenByRestart, LinkFailed, Refused
from agent.face.desk import Desk
from agent.face.linking import (
    attach,
    beside_live,
    complete_port,
    event_words,
    plausible_notes,
    reset_rehearsed,
    serial_of,
    show_damage,
    tell_change,
    tell_standing,
    warn_at_leaving,
)
from agent.face.main import run
from agent.model.profile import SavedSetting
from agent.model.settings import Event, Readback
from agent.wire.exchange import State
from agent.wire.identity import PortInfo
from agent.wire.listing import PortState
from tests.face.bench import carry_out, forge, told
from tests.pinned import Pinned

PLAN = Plan(
    "heron", "replay", (Change("max_speed.x", 1.0, 180.0, "mm/s", 2),), ("M203 X180",), "abc"
)


PORTS = (
    PortState(PortInfo("/dev/tty1", "a bridge", "A5", None, 0x403, 0x6001, None, "/dev/by-id/a")),
    PortState(PortInfo("/dev/tty2", "n/a", None, None, None, None), "a program", "the group modem"),
)


def test_ports_and_what_stands_in_their_way(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], pinned: Pinned
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("agent.wire.listing.states", lambda: PORTS)
    assert run(["ports"]) == 0
    monkeypatch.setattr("agent.store.locks.holder_of_lock", lambda device: f"the agent at {device}")
    assert run(["ports"]) == 0

    def no_place(device: str) -> str:
        raise Refused("no place for locks")

    monkeypatch.setattr("agent.store.locks.holder_of_lock", no_place)
    assert run(["ports"]) == 0
    pinned("face/ports", capsys.readouterr().out)


def test_a_port_is_completed_by_its_beginning(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """In a rehearsal its own port stands among them."""
    monkeypatch.setattr("agent.wire.listing.list_ports", lambda: tuple(s.port for s in PORTS))
    context = click.Context(attach, obj=desk)
    parameter = attach.params[0]
    found = complete_port(context, parameter, "")
    assert [(item.value, item.help) for item in found] == [
        ("/dev/tty1", "a bridge"),
        ("/dev/tty2", "n/a"),
        ("memory://", "the simulated machine"),
    ]
    assert [i.value for i in complete_port(context, parameter, "/dev/tty2")] == ["/dev/tty2"]
    desk.rehearsal = None
    assert len(complete_port(context, parameter, "")) == 2
    assert len(complete_port(click.Context(attach), parameter, "")) == 2


def test_a_serial_number_is_that_of_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("agent.wire.listing.list_ports", lambda: tuple(s.port for s in PORTS))
    assert [serial_of(port) for port in ("/dev/tty1", "/dev/tty2", "/dev/tty3")] == ["A5", "", ""]

    def never() -> None:
        raise AssertionError("a port of the network is not listed")

    monkeypatch.setattr("agent.wire.listing.list_ports", never)
    assert serial_of("socket://10.0.0.9:23") == ""


@pytest.mark.parametrize(
    ("state", "words"),
    [("on", "THE HEATERS ARE ON"), ("unknown", "Nobody knows"), ("off", ""), ("not reported", "")],
)
@pytest.mark.parametrize("unstored", [True, False])
def test_what_is_left_hot_or_not_stored_is_told_at_leaving(
    unstored: bool, state: str, words: str, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    forge(desk, heater_state=state, done=PLAN if unstored else None)
    warn_at_leaving(desk)
    said = told(capsys)
    assert ("live and NOT STORED" in said) is unstored
    assert words in said
    assert bool(said) is bool(words or unstored)
    assert carry_out(desk, ["detach"]) == [0]
    said = told(capsys)
    assert words in said
    assert ("the heaters are OFF" in said) is (state == "off")
    warn_at_leaving(desk)  # nothing is on the link any more
    assert told(capsys) == ""


def a_readback(desk: Desk, **changes: Any) -> Readback:
    found = desk.session.bench.readback
    assert found is not None
    return replace(found, **changes)


@pytest.mark.parametrize(
    ("damage", "notes", "left"), [(0, 6, 0), (0, 7, 1), (7, 6, 1), (8, 9, 5), (6, 0, 0)]
)
def test_of_many_lines_of_damage_the_first_are_shown(
    damage: int, notes: int, left: int, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    """Six of each fit beside the rest on a screen; of the others it says how many there are."""
    readback = a_readback(
        desk,
        damage=tuple(f"cut {n}" for n in range(damage)),
        notes=tuple(f"odd {n}" for n in range(notes)),
    )
    show_damage(desk, readback)
    said = told(capsys)
    assert said.count("damaged: cut") == min(damage, 6)
    assert said.count("- odd") == min(notes, 6)
    assert (f"and {left} more;" in said) is bool(left)
    assert ("writes nothing until a clean read-back" in said) is bool(damage)


def test_a_damaged_reading_is_an_error_and_nothing_is_judged_by_it(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = a_readback(desk, damage=("a line was cut",), other=("M1", "M2"))
    monkeypatch.setattr(desk.session.contact, "read_back", lambda: bad)
    assert carry_out(desk, ["readback"]) == [1]
    said = told(capsys)
    assert "plausible" not in said
    assert "2 more lines ('--all' shows them)." in said
    assert "nothing may rest on such a reading" in said
    monkeypatch.setattr(desk.session.contact, "attach", lambda *_, **__: bad)
    assert carry_out(desk, ["attach"]) == [1]
    assert "Stop: The settings were not read cleanly" in told(capsys)


def test_what_is_not_modelled_and_what_it_said_is_shown_where_it_is_asked_for(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    events = (Event("defaults_live", {"why": ("a", "b"), "told": "", "not_known": None}),)
    found = a_readback(desk, other=("M851 Z1",), events=events)
    monkeypatch.setattr(desk.session.contact, "read_back", lambda: found)
    assert carry_out(desk, ["readback"]) == [0]
    said = told(capsys)
    assert "M851 Z1" not in said
    assert "1 more line ('--all' shows them)." in said
    assert "- defaults live: why a | b" in said
    assert carry_out(desk, ["readback --all"]) == [0]
    said = told(capsys)
    assert "M851 Z1" in said
    assert "more line" not in said


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (Event("restarted"), "restarted"),
        (Event("stored", {"line": "M500", "n": 0}), "stored: line M500, n 0"),
        (Event("cut_off", {"a_b": [1, 2], "empty": []}), "cut off: a b 1 | 2"),
    ],
)
def test_an_event_in_words(event: Event, words: str) -> None:
    """What is empty is left out; a nought is not empty."""
    assert event_words(event) == words


@pytest.mark.parametrize(
    ("error", "lost"), [(BrokenByRestart("again"), False), (LinkFailed("silence"), True)]
)
def test_a_link_that_fails_at_a_reading_is_lost_unless_the_controller_speaks(
    error: LinkFailed, lost: bool, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails() -> Readback:
        raise error

    monkeypatch.setattr(desk.session.contact, "read_back", fails)
    assert carry_out(desk, ["readback"]) == [3]
    assert bool(desk.lost) is lost


def test_live_values_stand_beside_the_saved_ones(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each that the mechanics bear on is judged; one in a file of somebody else is not."""
    found = a_readback(desk)
    assert beside_live(desk, attached=False) == {}
    saved = beside_live(desk, attached=True)["saved"]
    assert saved["steps_per_mm.x"] == 80.0
    assert plausible_notes(desk, found, attached=False) == {}
    assert plausible_notes(desk, replace(found, damage=("cut",)), attached=True) == {}
    notes = plausible_notes(desk, found, attached=True)
    assert notes == {f"steps_per_mm.{letter}": "plausible" for letter in "xyz"}
    forge(desk, profile=replace(desk.session.profile, settings={}))
    assert beside_live(desk, attached=True) == {}
    odd = replace(found.settings["steps_per_mm.x"], value=800.0)
    forge(desk, readback=replace(found, settings={**found.settings, "steps_per_mm.x": odd}))
    assert plausible_notes(desk, found, attached=True)["steps_per_mm.x"] == "CANNOT BE RIGHT"
    mechanics = replace(desk.session.profile.mechanics, drives={})
    forge(desk, profile=replace(desk.session.profile, mechanics=mechanics))
    assert plausible_notes(desk, found, attached=True) == {}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("readback --port memory:// --from a.txt", "--port and --from given together"),
        ("readback --from a.txt --stored", "A log file has no storage"),
        ("readback --port memory://", "--port is for one-shot use"),
        ("attach --profile heron", ""),
    ],
)
def test_wrong_use_of_a_link_is_told(
    line: str, said: str, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    assert carry_out(desk, [line]) == [2 if said else 0]
    assert said in told(capsys)


def test_one_verb_attaches_where_nothing_is_attached(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    """And lets go again; without a port what is attached stays."""
    desk.in_shell = False
    assert run(["readback", "--port", "memory://"], desk) == 2
    assert "A machine is attached already" in told(capsys)
    assert run(["readback"], desk) == 0
    assert desk.session.contact.link is not None
    assert run(["detach"], desk) == 0
    told(capsys)
    assert run(["readback"], desk) == 1
    assert "'attach PORT' comes first" in told(capsys)
    assert run(["readback", "--port", "memory://"], desk) == 0
    assert desk.session.contact.link is None


def test_who_else_is_at_the_machine_is_told(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Desk, "at_machine", lambda self: "the bench at the door has it, too")
    assert carry_out(desk, ["attach"]) == [0]
    assert "the bench at the door has it, too." in told(capsys)
    desk.in_shell = False
    assert run(["detach"], desk) == 0
    assert run(["readback", "--port", "memory://"], desk) == 0
    assert "the bench at the door has it, too." in told(capsys)


def test_what_is_wrong_with_the_record_is_told_at_the_attach(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    tell_standing(desk)
    assert "record" not in told(capsys)
    desk.session.book.trouble = "the disk is full"
    forge(desk, damage=("an event of tomorrow",))
    tell_standing(desk)
    assert "The record cannot be kept: the disk is full" in told(capsys)


def test_a_halted_machine_of_a_rehearsal_is_switched_off_and_on(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another is not: attaching again is not what the switch is for."""
    assert carry_out(desk, ["attach --again"]) == [0]
    assert "switched off and on" not in told(capsys)
    assert carry_out(desk, ["halt", "attach --again"]) == [0, 0]
    assert "The simulated machine was switched off and on." in told(capsys)
    monkeypatch.setattr(type(desk.session.contact.link), "state", State.HALTED)
    reset_rehearsed(desk)
    assert "The simulated machine was switched off and on." in told(capsys)
    desk.rehearsal = None
    forge(desk, halted=True)
    reset_rehearsed(desk)
    assert told(capsys) == ""


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("M92 X80.00 Y80.00 Z105.37 E412.00\nok\n", 0),
        ("a letter to a friend\n", 2),
        ("", 2),
    ],
)
def test_a_file_without_settings_is_no_log(text: str, code: int, tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text(text)
    assert run(["readback", "--from", str(path)]) == code


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, ""),
        ({"profile": 90.0}, "Against the profile: "),
        ({"profile": 90.0, "done": True}, ""),
        ({"profile": 800.0, "live": 800.0}, ""),
        ({"live": 800.0}, "'profile restore heron --preview' sorts what to bring back"),
    ],
    ids=["the same", "another value", "told otherwise", "kept so", "cannot be right"],
)
def test_settings_that_are_not_as_the_profile_keeps_them(
    changes: dict[str, Any], said: str, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    key = "steps_per_mm.x"
    found = a_readback(desk)
    if "live" in changes:
        odd = replace(found.settings[key], value=changes["live"])
        found = replace(found, settings={**found.settings, key: odd})
        forge(desk, readback=found)
    if "profile" in changes:
        profile = desk.session.profile
        kept = profile.settings[key]
        odd = replace(kept.setting, value=changes["profile"])
        forge(desk, profile=replace(profile, settings={**profile.settings, key: SavedSetting(odd)}))
    if "done" in changes:
        forge(desk, done=PLAN)
    tell_change(desk, found)
    said_now = told(capsys)
    assert said in said_now
    assert bool(said) is bool(said_now)
