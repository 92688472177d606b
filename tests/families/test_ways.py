"""Every way a line may take to a machine, and every way a reading may come from one."""

from __future__ import annotations

import pytest

from agent.errors import AgentError, Refused
from agent.families import FAMILIES, from_log, identify, read_back, read_back_once_up, read_once
from agent.families.base import Evidence, Family, notices_in
from agent.families.evidence import family_of, identity_in
from agent.families.gate import WAYS, Gate, fits, named, refusal
from agent.families.replay import Replay
from agent.model.settings import Readback, Setting
from agent.wire.link import Link
from tests.families.test_gate import TRAPS
from tests.families.test_reading import bench
from tests.families.test_whole_dumps import DUMPS
from tests.families.told import of_reading
from tests.pinned import Pinned
from tests.wire.scripted import Scripted

#: Besides traps: what each way is for, and what comes near it.
LINES = [
    *("M92 X80.5", "M92 X80.5 Y3", "M92 X-80.5", "M92 X.5", "M92 X80.", "M92 x80", "M92  X80"),
    *("M092 X80", "M92.1 X80", "M92 E420:421", "M92 E420:", "M92 N5 X80", "M92 T1 E5", "M92 T E5"),
    *("M206 T3 P3 X80.25", "$100=80.5", "$100=80.5.1", "$X/MaxRate=5", "$X/=5", "$100 =5", "$N0=1"),
    *("M500", "M501", "M502", "M504", "M500 S1", "M50", "$RST=$", "$NG", "$N0", "M17", "M18"),
    *("G0 X1", "G1 X1 Y2.5 F600", "G1 X1 E0.5", "G4 P100", "G21", "G28", "G28 X", "G28 X Y", "G29"),
    *("G90", "G91", "G92 X0", "G2 X1", "M82", "M83", "M106 S0", "M107", "M104 S0", "M104 S200"),
    *("M140 S0", "M140 S60", "M109 S200", "M190 S60", "M303 S200", "M568 S1", "M141 S1", "M191 S1"),
    *("M400", "G4 P0", "M999", "$X", "$H", "$C", "$J=X1", "$", "$$", "$I", "$G", "$#", "$N", "?"),
    *("M105", "M114", "M115", "M503", "M503 S0", "M503 S1", "M205", "M31", "M119", "M851", "M566"),
    *(
        "T0",
        "T1",
        "M280 P0",
        "M81",
        "M84",
        "hello",
        "",
        "M5000",
        "M12345",
        "G10 P0",
        "$SLP",
        "M204",
    ),
    *TRAPS,
]


@pytest.mark.parametrize("name", FAMILIES)
def test_what_a_line_is_to_a_family_and_who_may_name_it(name: str, pinned: Pinned) -> None:
    family, gate, said = FAMILIES[name], Gate(FAMILIES[name]), []
    for line in dict.fromkeys(LINES):
        ways = [way for way in WAYS if fits(line, family, way)]
        try:
            gate(line)
            free = "goes freely"
        except Refused as refused:
            free = refused.what.removeprefix(f"'{line}' ")
        said.append(f"{line!r}: {free}; {', '.join(ways) or 'no way'}")
    pinned(f"families/ways-{name}", "\n".join(said))


def test_every_refusal_says_what_does_it_properly(pinned: Pinned) -> None:
    lines = ("G1 X1", "M104 S200", "M92 X80", "M500", "hello", "$X", "  g1   x1 ")
    said = [str(refusal(line, family)) for family in FAMILIES.values() for line in lines]
    pinned("families/refusals", "\n".join(dict.fromkeys(said)))


def test_a_line_that_has_no_place_is_a_fault_of_ours() -> None:
    gate = Gate(FAMILIES["replay"])
    with pytest.raises(Refused) as caught, gate.naming(["M92 X80 ; so", "G1 X1"], "plan"):
        pass
    assert caught.value.what == "'G1 X1' has no place in a plan"
    assert caught.value.remedy == "This is a fault of ours; report it"
    with gate.naming(["M92 X80 ; so", "; nothing"], "plan"):
        gate("M92 X80")
        with gate.naming(["M92 Y80"], "plan"):
            gate("M92 X80")
            gate("M92 Y80")
        with pytest.raises(Refused):
            gate("M92 Y80")


# --- recognising ---------------------------------------------------------------------------------


class Quiet(Replay):
    name = "quiet"
    evidence = (Evidence(1, "hm"), Evidence(1, "hm!"), Evidence(2, "aha"))


class Loud(Replay):
    name = "loud"
    evidence = (Evidence(3, "AHA!"), Evidence(2, "oh"))


@pytest.mark.parametrize(
    ("lines", "least", "found"),
    [
        (["hm"], 1, "quiet"),
        (["hm"], 2, None),
        (["hm", "hm", "hm"], 2, None),  # a pattern counts once
        (["hm!"], 2, "quiet"),  # of both patterns
        (["aha"], 2, "quiet"),
        (["aha!"], 1, "loud"),  # 3 against 2, whatever the case
        (["aha", "hm", "oh"], 1, "quiet"),
        (["aha", "oh"], 1, "quiet"),  # alike: the first that was met
        (["oh", "aha"], 1, "loud"),
        (["say hm"], 1, None),  # at the start of a line alone
        ([], 1, None),
    ],
)
def test_evidence_is_weighed(lines: list[str], least: int, found: str | None) -> None:
    family = family_of(lines, (Quiet(), Loud()), least)
    assert (family.name if family else None) == found


def test_how_a_controller_names_itself() -> None:
    assert identity_in(["hm", "echo:FIRMWARE_NAME:crane 1 X:2"]) == "FIRMWARE_NAME:crane 1 X:2"
    assert identity_in(["crane 1.1 ['$' for help]"]) == "crane 1.1"
    assert identity_in(["[VER:1.1:a]", "FIRMWARE_NAME:b"]) == "[VER:1.1:a]"
    assert identity_in(["a board"]) == ""


@pytest.mark.parametrize("name", FAMILIES)
def test_an_attach_asks_and_reads_what_it_asked_and_read(name: str, pinned: Pinned) -> None:
    machine, link = bench(name)
    family, identity = identify(link)
    assert family is FAMILIES[name]
    said = [f"named {identity!r}; numbered {link.exchange.numbered}; window {link.window}"]
    said += [f"first {link.ack_first}; pause {link.pause:.2f}; at {link.transport.now():.2f}"]
    said += [f"taken: {line}" for line in machine.received]
    before = len(machine.received)
    said += of_reading(read_back(link, family))
    said += [f"taken: {line}" for line in machine.received[before:]]
    said += [f"at {link.transport.now():.2f}"]
    said += [f"told: {event.kind} {dict(event.detail)}" for event in link.events]
    pinned(f"families/attach-{name}", "\n".join(said))


def test_who_answers_nothing_is_asked_twice_and_given_up() -> None:
    transport = Scripted(lambda line: b"")
    with pytest.raises(AgentError, match="no answer to M115"):
        identify(Link(transport))
    assert transport.received == ["M115", "M115"]
    assert transport.now() == pytest.approx(0.5 + 4.0 + 0.5 + 4.0)


def test_all_four_questions_are_asked_of_who_says_nothing_of_use() -> None:
    transport = Scripted(lambda line: b"ok\n")
    link = Link(transport)
    record: list[tuple[str, str]] = []
    link.on_traffic = lambda at, way, *lines: record.extend((way, line) for line in lines)
    assert identify(link) == (None, "")
    assert transport.received == ["M115", "M92", "M503", "M205"]
    assert [line for way, line in record if way == ">"] == transport.received  # told as before
    assert [line for way, line in record if way == "<"] == ["ok"] * 4


def test_a_halted_controller_is_asked_once() -> None:
    transport = Scripted(lambda line: b"Entering alarm\n")
    with pytest.raises(AgentError, match="has halted"):
        identify(Link(transport))
    assert transport.received == ["M115"]


# --- reading -------------------------------------------------------------------------------------

WHOLE = b"echo:  G21\necho: M92 X80.00 Y80.00 Z400.00\necho:  M203 X9.00 Y9.00 Z9.00\nok\n"


def _link(*answers: bytes) -> Link:
    left = list(answers)
    return Link(Scripted(lambda line: left.pop(0) if len(left) > 1 else left[0]))


@pytest.mark.parametrize(
    ("first", "second", "damage"),
    [
        (WHOLE, WHOLE, ()),
        (
            WHOLE,
            WHOLE.replace(b"Z400.00", b"Z401.00"),
            ("steps_per_mm.z read as 400.00, then as 401.00",),
        ),
        (
            WHOLE,
            WHOLE.replace(b" Z9.00", b""),
            (
                "M203 lacks Z: echo:  M203 X9.00 Y9.00",
                "max_speed.z is missing, and both other axes have one",
                "max_speed.z read as 9.00, then as nothing",
            ),
        ),
        (
            WHOLE.replace(b"X9.00 Y9.00 Z9.00", b"X9.0 Y9.0 Z9.0"),
            WHOLE,
            (
                "max_speed.x read as 9.0, then as 9.00",
                "max_speed.y read as 9.0, then as 9.00",
                "max_speed.z read as 9.0, then as 9.00",
            ),
        ),
        (
            WHOLE,
            WHOLE.replace(b"ok", b"echo:  M200 D1\nok"),
            ("lines that differ between two readings: M200 D1",),
        ),
        (
            WHOLE,
            WHOLE.replace(b"ok", b"echo:a\necho:b\necho:c\necho:d\necho:e\nok"),
            ("two readings differ: echo:a; echo:b; echo:c; echo:d",),
        ),
        (
            WHOLE.replace(b"ok", b"echo:a\nok"),
            WHOLE.replace(b"ok", b"echo:b\nok"),
            ("two readings differ: echo:a; echo:b",),
        ),
        (
            WHOLE.replace(b"ok", b"echo:a\necho:a\nok"),
            WHOLE.replace(b"ok", b"echo:a\nok"),
            ("two readings differ: lines repeated",),
        ),
        (b"error:3\n", b"error:3\n", (
            "M503 was refused: 3 (unknown command)", *(f"steps_per_mm.{a} is missing"
                                                       for a in "xyz"))),
    ],
)  # fmt: skip
def test_two_readings_are_held_against_each_other(
    first: bytes, second: bytes, damage: tuple[str, ...]
) -> None:
    link = _link(first, second)
    link.exchange._doubt = True
    found = read_back(link, FAMILIES["replay"])
    assert found.damage == damage
    assert link.state.value == ("doubt" if damage else "ready")


def test_what_is_told_in_a_reading_is_told_once() -> None:
    said = WHOLE.replace(b"ok", b"echo:Error writing it\nok")
    found = read_back(_link(said, said), FAMILIES["replay"])
    assert [event.kind for event in found.events] == ["storage_write_failed"]
    link = _link(said)
    link.identity = "a board"
    assert read_once(link, FAMILIES["replay"]).identity == "a board"


def test_a_restart_in_a_reading_is_waited_for_once() -> None:
    link = _link(b"start\n", WHOLE)
    assert read_back_once_up(link, FAMILIES["replay"]).damage == ()
    assert link.transport.now() == pytest.approx(0.5)  # it was let boot
    link = _link(b"start\n", b"start\n", WHOLE)
    with pytest.raises(AgentError, match="restarted during M503"):
        read_back_once_up(link, FAMILIES["replay"])
    with pytest.raises(AgentError, match="no answer"):
        read_back_once_up(_link(b""), FAMILIES["replay"])


def test_notices_of_a_reply_come_once_each() -> None:
    lines = ["Settings Stored", "hello", "Error writing it", "Settings Stored"]
    assert [event.kind for event in notices_in(lines)] == ["stored", "storage_write_failed"]


def test_no_more_than_two_hundred_remarks_of_a_reading_are_kept() -> None:
    family: Family = FAMILIES["replay"]
    found = family.parse([f"remark {n} of a kind" for n in range(300)])
    assert found.notes == tuple(f"remark {n} of a kind" for n in range(200))
    found = family.parse([f"M92 X{n}.a" for n in range(300)])
    assert len(found.damage) == 200


# --- logs ----------------------------------------------------------------------------------------

DUMP = DUMPS["replay-old"].partition("\necho:  M205 E1")[0] + "\n"
BOOT = "start\necho: External Reset\n"

LOGS = {
    "whole": DUMP + "ok\n",
    "twice, the second cut": DUMP + "ok\n" + DUMP,
    "twice, the second shorter": DUMP + "ok\n" + DUMP.replace("echo:  M204 S1100.00 T2600.00\n", "")
    + "ok\n",
    "one key set between": DUMP + "ok\necho:  M92 X81.00 Y80.00 Z2560.00\nok\n",
    "printed by a boot": BOOT + DUMP + "echo:SD init fail\n",
    "printed by a boot and then answered": BOOT + DUMP + "echo:SD card ok\n" + DUMP + "ok\n",
    "a boot, and not the end of it": BOOT + DUMP + "ok\n" + DUMP.replace("78.74", "79.74") + "ok\n",
    "with junk inside": DUMP.replace("echo:  M204", "\udcff\udcfe\udcfd\necho:  M204") + "ok\n",
    "with what was sent": "> M503\n>> N5 M92 X1\n" + DUMP + "ok\n> $X\n>G54:ok\nerror:9\n",
    "an echo of what was sent": "> M92 X81\necho:M92 X81\nM92 X81\nok\n" + DUMP + "ok\n",
    "marked both ways": "> M503\n" + "".join(f"< {line}\n" for line in (DUMP + "ok").splitlines()),
    "idle in between": DUMP.replace("echo:  M204", "wait\necho:  M204") + "ok\n",
    "refused": "error:8\nerror:8\nALARM:1\n$100=80.000\n$101=80.000\n$102=80.000\nok\n",
    "a table": DUMPS["table"] + "\nwait\n",
    "numbers": DUMPS["numbered-old"] + "\nok\n",
    "an override file": DUMPS["override"] + "\nok\n",
    "sentences": DUMPS["script"].replace("\n", "\nok\n") + "\nok\n",
    "of nobody": "hello\nworld\n[VER:1]\n",
    "junk alone": "\udcff\udcfe\udcfd\n\udcff\udcfe\udcfd\n",
    "told twice": "Settings Stored\nSettings Stored\nok\n" + DUMP + "Settings Stored\nok\n",
}  # fmt: skip


@pytest.mark.parametrize("name", LOGS)
def test_a_log_says_what_it_said(name: str, pinned: Pinned) -> None:
    said = "\n".join(of_reading(from_log(LOGS[name])))
    pinned(f"families/log-{name.replace(' ', '-').replace(',', '')}", said)


def test_of_a_log_without_end_ten_thousand_events_are_kept() -> None:
    text = "T:20.1 /0\nT:20.2 /0\n" * 5_001 + DUMP + "ok\n"
    assert len(from_log(text).events) == 10_000


def test_a_setting_that_agrees_in_value_and_digits_is_the_same() -> None:
    from agent.families import agreed

    def once(value: float, digits: int, damage: tuple[str, ...] = ()) -> Readback:
        return Readback("replay", {"jerk.x": Setting(value, "mm/s", digits)}, damage=damage)

    assert agreed(once(1.0, 2), once(1.0, 2)).damage == ()
    assert agreed(once(1.0, 2), once(1.0, 1)).damage == ("jerk.x read as 1.00, then as 1.0",)
    assert agreed(once(1.0, 2, ("a", "b")), once(1.0, 2, ("b", "c"))).damage == ("a", "b", "c")
    assert agreed(once(1.0, 2), Readback("replay", {})).damage == (
        "jerk.x read as 1.00, then as nothing",
    )


def test_the_next_tool_of_a_line_is_chosen_by_its_number() -> None:
    family = FAMILIES["replay"]
    found = family.parse(["G21", "M92 X80.00 Y80.00 Z400.00 E866.00 E1800.00"])
    assert family.write_line("steps_per_mm.e0", 867.0, found) == "M92 T0 E867"
    assert family.write_line("steps_per_mm.e1", 1801.0, found) == "M92 T1 E1801"
    sentences = FAMILIES["script"].parse(DUMPS["script"].splitlines())
    odd = Readback("script", {**sentences.settings, "skew.i": Setting(0.1, "1", 2)})
    with pytest.raises(Refused, match=r"skew\.i cannot be set by one line"):
        FAMILIES["script"].write_line("skew.i", 0.1, odd)


def test_lines_are_named_at_a_link_that_has_a_gate_and_at_one_that_has_none() -> None:
    link = Link(Scripted(lambda line: b"ok\n"))
    with named(link, ["M92 X80"], "plan"):
        link.ask("M92 X80")
    link.gate = Gate(FAMILIES["replay"])
    with named(link, ["M92 X81"], "plan"):
        link.ask("M92 X81")
    with pytest.raises(Refused):
        link.ask("M92 X81")


def test_of_what_is_said_again_and_again_only_news_are_kept() -> None:
    """Some controllers say a thing up to four times, with others in between."""
    from agent.families.values import Collection

    said = {
        "stored": "Settings Stored",
        "loaded": "Stored settings retrieved",
        "defaults_live": "Hardcoded Default Settings Loaded",
        "no_storage": "No EEPROM",
        "storage_write_failed": "Error writing it",
        "override_present": "; config override present",
    }
    for count, again in ((3, False), (4, True)):
        reading = Collection("replay")
        words = list(said.values())
        for text in ("Settings Stored", *words[1 : count + 1], "Settings Stored"):
            reading.say(text)
        kinds = [event.kind for event in reading.events]
        assert kinds == [*list(said)[: count + 1], *(["stored"] if again else [])]


def test_a_question_that_a_boot_swallowed_is_asked_again() -> None:
    """After silence the link is in doubt, where only what reads may be asked."""
    transport = Scripted(lambda line: b"" if len(transport.received) == 1 else b"ok\n")
    assert identify(Link(transport)) == (None, "")
    assert transport.received == ["M115", "M115", "M92", "M503", "M205"]


def test_a_printed_number_is_in_the_unit_of_its_key_unless_said() -> None:
    from agent.families.values import Collection, setting

    assert setting("jerk.x", "8.50", "raw") == Setting(8.5, "mm/s", 2, "raw", None)
    assert setting("jerk.x", "60.0", "raw", 1 / 60) == Setting(1.0, "mm/s", 1, "raw", 0.05 / 60)
    reading = Collection("replay")
    reading.add("jerk.x", "8.50", "raw")
    assert reading.settings["jerk.x"] == Setting(8.5, "mm/s", 2, "raw", None)
