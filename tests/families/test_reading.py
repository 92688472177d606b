"""Attach, read and write against the simulator, over good wires and bad ones."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from agent.errors import LinkFailed
from agent.families import FAMILIES, adopt, identify, read_back, read_once
from agent.families.base import Family
from agent.families.table import keys_of
from agent.families.values import inch_factor, setting
from agent.wire.exchange import State
from agent.wire.link import Link
from sim.machine import SimulatedMachine, build
from tests import fuzz
from tests.memory import MemoryTransport
from tests.wire.scripted import Scripted

HERON: dict[str, Any] = yaml.safe_load(
    (Path(__file__).parents[2] / "profiles" / "heron.yaml").read_text()
)


def bench(family: str, *faults: str, seed: int | None = None) -> tuple[SimulatedMachine, Link]:
    machine = build(HERON, seed=seed, family=family, faults=faults)
    return machine, Link(MemoryTransport(machine.controller))


def attached(link: Link) -> Family:
    family, _ = identify(link)
    assert family is not None
    return family


@pytest.mark.parametrize("name", FAMILIES)
def test_attach_read_write_store_and_prove(name: str) -> None:
    machine, link = bench(name)
    family = attached(link)
    assert family.name == name
    before = read_back(link, family)
    assert before.damage == ()
    assert before.settings["steps_per_mm.z"].value == 105.37
    line = family.write_line("steps_per_mm.z", 104.98765, before)
    assert link.ask(line).ok
    if family.words.store is not None:
        link.ask(family.words.store)
    if family.words.reload is not None and family.words.covers_steps:
        link.ask(family.words.reload)
    after = read_back(link, family)
    assert after.settings["steps_per_mm.z"].agrees_with(104.98765)
    assert machine.received.count(line) == 1
    changed = {k for k in after.settings if after.settings[k].value != before.settings[k].value}
    assert changed == {"steps_per_mm.z"}


@pytest.mark.parametrize("name", FAMILIES)
def test_identifying_and_reading_changes_nothing(name: str) -> None:
    machine, link = bench(name)
    read_back(link, attached(link))
    assert machine.controller.changes == []


def test_a_controller_of_no_family_is_unknown() -> None:
    family, identity = identify(Link(Scripted(lambda line: b"ok\n")))
    assert (family, identity) == (None, "")


@pytest.mark.parametrize(
    "fault", ["echo", "chatter:p=0.3", "no-resend-ok", "delay:seconds=0.5,p=0.2"]
)
@pytest.mark.parametrize("name", FAMILIES)
def test_what_is_only_noise_around_the_answers_does_no_harm(name: str, fault: str) -> None:
    _, link = bench(name, fault)
    reading = read_back(link, attached(link))
    assert reading.damage == ()
    assert reading.settings["steps_per_mm.z"].value == 105.37


@pytest.mark.parametrize(
    "fault", ["drop:p=0.004", "corrupt:p=0.004", "duplicate:p=0.1", "merge:p=0.2"]
)
@pytest.mark.parametrize("name", FAMILIES)
def test_a_bad_wire_is_never_believed(name: str, fault: str) -> None:
    truth = read_back(*(lambda link: (link, attached(link)))(bench(name)[1])).settings
    for seed in range(12):
        _, link = bench(name, f"{fault},way=received", seed=seed)
        adopt(link, FAMILIES[name])
        link.exchange.numbered = False
        try:
            reading = read_back(link, FAMILIES[name])
        except LinkFailed:
            continue
        assert reading.damaged or reading.settings.keys() == truth.keys()
        if not reading.damaged:
            assert [s.value for s in reading.settings.values()] == [s.value for s in truth.values()]


@pytest.mark.parametrize("fault", ["drop:p=0.002", "duplicate:p=0.02", "merge:p=0.02"])
@pytest.mark.parametrize("acknowledged", ["", "no-resend-ok"])
def test_a_stream_arrives_whole_and_in_order_over_a_bad_wire(fault: str, acknowledged: str) -> None:
    faults = [f"{fault},way=sent", *([acknowledged] if acknowledged else [])]
    machine, link = bench("replay", *faults, seed=3)
    adopt(link, FAMILIES["replay"])
    lines = ["G91", *(f"G1 X{0.1 if i % 2 else -0.1} F{600 + i}" for i in range(300))]
    assert link.stream(lines) == len(lines)
    resent = sum(event.kind == "resend" for event in link.events)
    assert resent > 0
    received = machine.received
    assert received[received.index("G91") :] == lines


def test_a_restart_during_a_write_is_told_and_leaves_doubt_until_read_back() -> None:
    _, link = bench("replay", "restart:after=M92 Z104")
    family = attached(link)
    before = read_back(link, family)
    with pytest.raises(LinkFailed, match="restarted during M92 Z104"):
        link.ask(family.write_line("steps_per_mm.z", 104.5, before))
    assert link.state is State.DOUBT
    with pytest.raises(LinkFailed, match="DOUBT"):
        link.ask("M500")
    link.settle()
    after = read_back(link, family)
    assert after.settings["steps_per_mm.z"].value == 105.37
    assert link.state is State.READY


def test_a_halt_is_told_with_its_reason() -> None:
    _, link = bench("override", "halt:before=M92 Z104")
    family = attached(link)
    before = read_back(link, family)
    with pytest.raises(LinkFailed, match="halted"):
        link.ask(family.write_line("steps_per_mm.z", 104.5, before))
    assert link.state is State.HALTED
    with pytest.raises(LinkFailed, match="halted"):
        link.ask("M500")
    assert link.ask("M999").ok
    link.revive()
    assert read_back(link, family).damage == ()
    assert link.state is State.READY


def test_a_board_that_boots_while_it_is_asked_is_asked_again() -> None:
    machine, link = bench("replay")
    machine.controller.set_options(boot_dump=True)
    machine.controller.power_on(0.0)
    family = attached(link)
    assert [event.kind for event in link.events].count("restarted") == 1
    reading = read_back(link, family)
    assert (reading.damage, link.state) == ((), State.READY)


#: Places of the speed limits in the table of a simulated machine.
_FEEDRATES = ((15, "X"), (19, "Y"), (23, "Z"))


def test_a_missing_key_is_damage() -> None:
    link = Link(Scripted(lambda line: b"echo: M92 X80.00 Y80.00 Z400.00\nok\n"))
    assert read_once(link, FAMILIES["replay"]).damage == ()
    link = Link(Scripted(lambda line: b"echo:  M204 P80.00\nok\n"))
    assert read_once(link, FAMILIES["replay"]).damage == (
        "steps_per_mm.x is missing",
        "steps_per_mm.y is missing",
        "steps_per_mm.z is missing",
    )


@pytest.mark.parametrize(
    ("family", "lines"),
    [
        ("replay", ["echo:  M203 X200.00 Y200.00 Z40.00 E50.00"]),
        ("table", [f"EPR:3 {n} 200.000 {a}-axis max. feedrate [mm/s]" for n, a in _FEEDRATES]),
        ("numbered", ["$110=12000.000", "$111=12000.000", "$112=2400.000"]),
    ],
)
def test_speeds_without_steps_are_the_rest_of_a_reading(family: str, lines: list[str]) -> None:
    reading = FAMILIES[family].parse(lines)
    assert reading.settings
    assert reading.damage == tuple(f"steps_per_mm.{axis} is missing" for axis in "xyz")


def test_two_readings_that_differ_are_damage() -> None:
    said = iter([b"echo: M92 X80.00 Y80.00 Z400.00\nok\n", b"echo: M92 X80.00 Y80.00 Z40.00\nok\n"])
    reading = read_back(Link(Scripted(lambda line: next(said))), FAMILIES["replay"])
    assert reading.damage == ("steps_per_mm.z read as 400.00, then as 40.00",)


def test_a_short_fuzz_campaign_accepts_nothing_wrong() -> None:
    outcomes = fuzz.campaign(1500)
    assert any(outcome.accepted for outcome in outcomes)
    assert [outcome for outcome in outcomes if outcome.wrong] == []


def test_a_name_that_is_spoiled_alike_in_both_readings_is_missed() -> None:
    lines = [
        f"EPR:3 {n} 500.000 {axis}-axis acceleration [mm/s^2]"
        for n, axis in ((51, "XX"), (55, "Y"), (59, "Z"))
    ]
    lines += [
        f"EPR:3 {n} 80.0000 {axis}-axis steps per mm" for n, axis in ((3, "X"), (7, "Y"), (11, "Z"))
    ]
    damage = FAMILIES["table"].parse(lines).damage
    assert damage == ("max_acceleration.x is missing, and both other axes have one",)


@pytest.mark.parametrize(
    ("key", "factor"),
    [
        ("steps_per_mm.x", 1 / 25.4),
        ("jerk.x", 25.4),
        ("max_speed.x", 25.4),
        ("home_offset.x", 25.4),
        ("pid.p", 1.0),
    ],
)
def test_inches_are_of_25_4_mm(key, factor):
    """Exact since 1959 (international yard and pound agreement)."""
    assert inch_factor(key) == pytest.approx(factor)


@pytest.mark.parametrize(
    ("key", "printed", "fits"),
    [
        ("skew.xy", "-0.01", True),
        ("skew.xy", "0.01", True),
        ("skew.xy", "-1.5", False),
        ("skew.xy", "1.5", False),
        ("home_offset.x", "-120.5", True),
        ("home_offset.x", "-100001", False),
        ("probe_offset.z", "-1.25", True),
        ("probe_offset.z", "-1001", False),
        ("jerk.x", "0", True),
        ("jerk.x", "-0.1", False),
        ("steps_per_mm.x", "0", False),
        ("steps_per_mm.x", "-80", False),
        ("steps_per_mm.x", "100001", False),
        ("max_travel.x", "0.001", True),
        ("motor_current.x", "20001", False),
    ],
)
def test_a_value_that_no_machine_has_is_damage(key: str, printed: str, fits: bool) -> None:
    if fits:
        assert setting(key, printed, "raw").value == float(printed)
    else:
        with pytest.raises(ValueError, match="impossible"):
            setting(key, printed, "raw")


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("Bed PID P-gain", ("bed_pid.p",)),
        ("Bed PID I-gain", ("bed_pid.i",)),
        ("Bed PID D-gain", ("bed_pid.d",)),
        ("Bed PID drive max", ()),
        ("Bed", ()),
        ("Hot PID P-gain", ()),
        ("Extr.1 PID P-gain", ("hotend_pid.p",)),
        ("Extr.2 PID P-gain", ()),
        ("Extr.2 steps per mm", ("steps_per_mm.e1",)),
        ("Max. jerk", ("jerk.x", "jerk.y")),
        ("Max. Z-jerk", ("jerk.z",)),
    ],
)
def test_entries_of_a_table_go_by_their_whole_text(text: str, keys: tuple[str, ...]) -> None:
    assert keys_of(text) == keys
