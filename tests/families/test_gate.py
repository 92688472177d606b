"""What may reach the machine: lines that read, and what a plan or a guarded move names."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.errors import Refused
from agent.families import FAMILIES
from agent.families.base import ASKED, Family
from agent.families.gate import Gate, Way, effect_of, fits, named, normal
from agent.wire.link import Link
from sim.machine import SimulatedMachine
from tests.families.test_reading import bench
from tests.memory import MemoryTransport

#: Lines that were once let through as reading ones, or might be.
TRAPS = (
    """\
M0500|M0206 T3 P3 X80.2|M092 X500|M0104 S280|G01 Z300|M105 M104 S280|M114 M500|M503 M502
G4 P0 $100=5|G90 G1 X500|M566 X9|M303 S200|M84|M18|M999 M500|M105M104S280|M114;M500|N5 M500
M503 S0 M502|m500|M500*36|$100=5|$RST=*|$N0=G91|$J=G91 X10 F100|M155 S1|M302 P1|M569 S1|M906 X800
M92 X80|M206|M205 X5|M201 X9|M204 S9|G92 X0|G28|G28 Z|T1|M140 S60|M190 S60|M109 S200|M504|M502
M701|M81|M80|M112|M0|M1|M220 S50|M221 S50|M106 S255|G10 P0|M42 P4 S255|M117 M500|M118 M500
M115 P2|M105 T0 S200|M113 S0|M20|M23 a.g|M24|M32 a.g|M98 P"x"|M111 S1|M260|M350 X16|$SLP|$X=1
?$100=5|$$ $100=5|$I=1|M503\tM502|M114 G1 X5|M105 G28|ok|%|(M105)|M105 (M500)|/M105|M105.1|G0
""".replace("\n", "|")
    .strip("|")
    .split("|")
)


def passes(family: Family, line: str) -> bool:
    try:
        Gate(family)(line)
    except Refused:
        return False
    return True


@pytest.mark.parametrize("family", FAMILIES.values(), ids=FAMILIES)
@pytest.mark.parametrize("trap", TRAPS)
def test_nothing_that_might_change_something_goes_out_freely(family: Family, trap: str) -> None:
    assert not passes(family, trap) or trap in family.reads
    assert not passes(family, normal(trap)) or normal(trap) in family.reads


@pytest.mark.parametrize("family", FAMILIES.values(), ids=FAMILIES)
def test_every_setting_code_of_the_card_is_refused_with_a_value(family: Family) -> None:
    for code in family.sets:
        assert not passes(family, f"{code} X9")
        assert effect_of(f"{code} X9", family) in ("sets", "stores")


@cache
def machine_of(name: str) -> SimulatedMachine:
    machine, link = bench(name)
    link.settle()
    return machine


@cache
def moved_machine_of(name: str) -> SimulatedMachine:
    machine, link = bench(name)
    link.settle()
    return machine


def state(machine: SimulatedMachine) -> dict[str, Any]:
    """All that a line could change, but for the time and the heaters that cool."""
    c = machine.controller
    kept = ("live", "stored", "defaults", "other", "halted", "options", "busy_seconds", "fan")
    own = ("plain", "file", "alarm", "needs_reset", "_report_every", "_held")
    found = {name: repr(getattr(c, name)) for name in (*kept, *own) if hasattr(c, name)}
    motion = c.motion
    found |= {
        name: repr(getattr(motion, name))
        for name in ("position", "absolute", "absolute_e", "unit", "feed_factor", "flow_factor")
    }
    found["heat"] = f"{c.hotend.target} {c.bed.target}"
    found["changes"] = repr(len(c.changes))
    return found


CODES = [
    *(f"M{n}" for n in (20, 84, 92, 104, 105, 106, 109, 113, 114, 115, 119, 140, 155, 190, 201)),
    *(f"M{n}" for n in (203, 204, 205, 206, 220, 221, 301, 302, 303, 304, 400, 420, 500, 501, 502)),
    *(f"M{n}" for n in (503, 566, 851, 900, 906, 999, 112, 117)),
    *("G0", "G1", "G4", "G20", "G28", "G90", "G91", "G92", "T0", "T1", "$$", "$I", "$H", "$X", "?"),
    *("$100=5", "$RST=$", "$G", "$N", "$", "~", "!"),
]
WORDS = ["X80.2", "Y5", "Z300", "E9", "S0", "S1", "S280", "P3", "T3", "P0", "R1", "F100", "M500"]


@st.composite
def lines(draw: st.DrawFn) -> str:
    """One to three commands with words, in a spelling that a controller may still take."""
    parts = []
    for code in draw(st.lists(st.sampled_from(CODES), min_size=1, max_size=3)):
        if code[0] in "GM" and draw(st.booleans()):
            code = code[0] + "0" * draw(st.integers(0, 2)) + code[1:]
        parts.append(code)
        parts += draw(st.lists(st.sampled_from(WORDS), max_size=2))
    text = draw(st.sampled_from([" ", " ", " ", "", "  ", "\t"])).join(parts)
    text = draw(st.sampled_from(["", "", "", "N7 ", " ", "/"])) + text
    text += draw(st.sampled_from(["", "", "", " ", ";M500", "*33", " (x)"]))
    return text.lower() if draw(st.integers(0, 5)) == 0 else text


def tell(machine: SimulatedMachine, line: str) -> None:
    controller = machine.controller
    controller.receive(line.encode() + b"\n", controller.now)
    controller.run(controller.now + 30.0)
    controller.take()


@pytest.mark.parametrize("name", FAMILIES)
@given(data=st.data())
def test_no_line_that_goes_out_freely_changes_anything(name: str, data: st.DataObject) -> None:
    family = FAMILIES[name]
    free = st.sampled_from(sorted(family.reads | ASKED))
    line = data.draw(st.one_of(lines(), lines().map(normal), free))
    if not passes(family, line):
        return
    machine = machine_of(name)
    before = state(machine)
    tell(machine, line)
    assert state(machine) == before, line


@pytest.mark.parametrize("name", FAMILIES)
@given(data=st.data())
def test_a_move_that_is_named_sets_and_stores_nothing(name: str, data: st.DataObject) -> None:
    family = FAMILIES[name]
    line = data.draw(lines())
    if not fits(line, family, "move"):
        return
    machine = moved_machine_of(name)
    before = {key: state(machine)[key] for key in ("live", "stored", "other", "changes")}
    tell(machine, line)
    assert {key: state(machine)[key] for key in before} == before, line


@pytest.mark.parametrize("way", ["plan", "store", "move", "home", "wake"])
@pytest.mark.parametrize("name", FAMILIES)
@settings(max_examples=40)  # of each way, of each family
@given(data=st.data())
def test_a_named_line_goes_out_to_the_letter_and_only_while_it_is_named(
    name: str, way: Way, data: st.DataObject
) -> None:
    family = FAMILIES[name]
    gate = Gate(family)
    one, other = (data.draw(lines()).partition(";")[0].strip() for _ in range(2))
    if not fits(one, family, way):
        with pytest.raises(Refused), gate.naming([one], way):
            pass
        return
    with gate.naming([one], way):
        gate(one)
        if other != one and not passes(family, other):
            with pytest.raises(Refused):
                gate(other)
    if not passes(family, one):
        with pytest.raises(Refused):
            gate(one)


@pytest.mark.parametrize("name", FAMILIES)
def test_every_line_that_a_card_writes_fits_a_plan(name: str) -> None:
    _, link = bench(name)
    from agent.families import adopt, read_back

    family = FAMILIES[name]
    adopt(link, family)
    link.settle()
    readback = read_back(link, family)
    for key, setting in readback.settings.items():
        try:
            line = family.write_line(key, setting.value, readback)
        except Refused:
            continue
        assert fits(line, family, "plan"), line
        assert not passes(family, line)


def test_a_link_asks_its_gate_for_questions_and_for_streams() -> None:
    machine, link = bench("replay")
    link.settle()
    link.gate = Gate(FAMILIES["replay"])
    before = len(machine.received)
    with pytest.raises(Refused, match="changes settings"):
        link.ask("M92 X80")
    with pytest.raises(Refused, match="moves the machine"):
        link.stream(["G1 X10"])
    assert machine.received[before:] == []
    with named(link, ["G21", "G1 X10 ; a remark"], "move"):
        link.stream(["; head", "G21", "G1 X10 ; a remark"])
    assert machine.received[before:] == ["G21", "G1 X10"]


def test_a_refusal_names_the_verb_that_does_it() -> None:
    gate = Gate(FAMILIES["table"])
    for line, verb in (
        ("M206 T3 P3 X80.2", "'preview' and 'write'"),
        ("M0500", "'store'"),
        ("M105 M104 S280", "'lay' and 'feed'"),
        ("G01 Z300", "'gauge travel'"),
        ("M42 P4 S255", "M105, M114, M115, M119, M205"),
    ):
        with pytest.raises(Refused) as refused:
            gate(line)
        assert verb in refused.value.remedy


def test_only_a_link_without_a_family_has_no_gate() -> None:
    from agent.work.session import Session

    machine, _ = bench("replay")
    attached = Session()
    attached.contact.attach(MemoryTransport(machine.controller))
    assert isinstance(attached.contact.link, Link)
    assert isinstance(attached.contact.link.gate, Gate)


@pytest.mark.parametrize("name", FAMILIES)
def test_each_way_lets_out_what_it_is_for_and_nothing_of_the_others(name: str) -> None:
    family = FAMILIES[name]
    of_way: dict[Way, list[str]] = {
        "store": [word for word in (family.words.store, family.words.reload) if word],
        "wake": list(family.unlocks),
        "home": ["G28 X"] if family.heats else [],
    }
    for way, lines in of_way.items():
        for line in lines:
            assert fits(line, family, way), (way, line)
            others = {"store", "wake", "home"} - {way}
            assert not any(fits(line, family, other) for other in others), line
    assert not fits("G28", family, "home")  # every axis at once: no axis was named
    for way in ("store", "wake", "home"):
        assert not fits("M104 S200", family, way)
        assert not fits("G1 X5", family, way)
