"""Every kind of line that controllers send, heard idle, within an answer, and numbered."""

from __future__ import annotations

import pytest

from agent.wire.events import Junk, Received, Rejected, Restarted, Stray, Unsolicited
from agent.wire.exchange import Exchange, State, Window
from agent.wire.notices import bare, narrate, notice
from agent.wire.words import ALARMS, REFUSALS, halt_reason, recognised, refusal
from tests.pinned import Pinned
from tests.wire.told import standing, told

#: What a line is by its words alone; "" for data.
KINDS = [
    ("ok", "acknowledged"),
    ("ok 12", "acknowledged"),
    ("okT:20", "acknowledged"),
    ("ok.", "acknowledged"),
    ("okay", ""),
    ("OK", ""),
    ("Ok", ""),
    ("resend: 12", "resend"),
    ("Resend:N12", "resend"),
    ("rs 12", "resend"),
    ("RS N-3", "resend"),
    ("rs", ""),
    ("resends: 12", ""),
    ("Error:Line Number is not Last Line Number+1, Last Line: 12", "complaint"),
    ("error: checksum, last line: -1", "complaint"),
    ("Error:Printer halted. kill() called!", "halted"),
    ("Error:Printer stopped due to errors", "halted"),
    ("Error:Heating failed, system killed", "halted"),
    ("Error:Heating failed", ""),
    ("Entering Alarm/Halt state", "halted"),
    ("ALARM:1", "halted"),
    ("alarm: 12", "halted"),
    ("ALARM", ""),
    ("error:8", "rejected"),
    ("error:Alarm lock", "rejected"),
    ("error:crc mismatch", ""),
    ("error: size error", ""),
    ("error writing storage", ""),
    ("error:while writing", ""),
    ("!!", "rejected"),
    ("busy: processing", "busy"),
    ("echo:busy: paused for input", "busy"),
    ("echo: busy:x", "busy"),
    ("wait", "idle"),
    ("WAIT", "idle"),
    ("waiting", ""),
    ('echo:enqueueing "G28"', "foreign"),
    ('enqueing to the front: "M600"', "foreign"),
    ("echo:enqueueing", ""),
    ("echo: External Reset", "restarted"),
    ("PowerUp Reset", "restarted"),
    ("PowerUp", ""),
    ("power-up reset", "restarted"),
    ("power up reset", "restarted"),
    ("echo:brown-out reset", "restarted"),
    ("brownout reset", "restarted"),
    ("watchdog reset", "restarted"),
    ("software reset", "restarted"),
    ("software reset soon", ""),
    ("A board 1.1 ['$' for help]", "restarted"),
    ("T:20.1 /0.0", "unsolicited"),
    ("T0:20 /0", "unsolicited"),
    ("T: -14.9 /0", "unsolicited"),
    ("T:hot", ""),
    ("B:20.1 /0.0", "unsolicited"),
    ("C:20.10 /0", "unsolicited"),
    ("B:20 /0", ""),
    ("// action", "unsolicited"),
    ("X:0.00 Y:0.00", "unsolicited"),
    ("X:0.00 Q:0.00", ""),
    ("sd init fail", "unsolicited"),
    ("echo:SD card ok", "unsolicited"),
    ("no sd card", "unsolicited"),
    ("Not SD printing", "unsolicited"),
    ("SD printing byte 1/2", "unsolicited"),
    ("<Idle|MPos:0,0,0>", "unsolicited"),
    ("<Hold:0|MPos:0,0,0>", "unsolicited"),
    ("<7|x>", ""),
    ("[MSG:hello]", "unsolicited"),
    ("[echo:G0]", "unsolicited"),
    ("[VER:1]", ""),
    (">G54:ok", "unsolicited"),
    (">G54:error:2", "unsolicited"),
    (">G54", ""),
    ("echo: M92 X80", ""),
    ("$100=80.000", ""),
]


@pytest.mark.parametrize(("text", "kind"), KINDS)
def test_the_words_of_a_line_tell_its_kind(text: str, kind: str) -> None:
    match = recognised(text)
    assert (match.lastgroup if match and match.lastgroup else "") == kind


#: Besides: data, junk, lines in which something hides, and lines with NULs and blanks around.
HEARD = [text.encode() for text, _ in KINDS] + [
    b"",
    b"  ok  ",
    b"ok N7 P15 B3",
    b"ok 7 P0 B4",
    b"ok P1 B2 T:20.0 /0.0",
    b"ok - bad number",
    b"ok -12",
    b"ok 12.5",
    b"ok Emergency stop, M999 wakes it",
    b"ok the machine was killed",
    b"echo: M92 X80.00 Y80.00 Z105.37",
    b"echo:M503",
    b"M503",
    b"N7 M503*19",
    b"echo:N7 M503*19",
    b"echo: M92 X80.00ok",
    b"echo: M92 X80.00ok N7 P3 B4",
    b"echo: M92 X80.00N7ok",
    b"T:20.0 /0.0ok",
    b"T:20.0 /0.0 @:0ok 7",
    b"T:20.0 /0.0 @:0ok 8",
    b"T:20.0 /0.0ok P3 B4",
    b"T:20.0 /0.0 echo:  M203 X180",
    b"T:20.0 /0.0 M92 X80.00",
    b"T:20.0 /0.0 $100=80",
    b"T:20.0 /0.0 EPR:3 3 80",
    b"Error: axis not homed",
    b"start",
    b"restart",
    b"a new start",
    b"xstart",
    b"Restart",
    b"\xfe\0Erstart",
    b"echo: M92 X80.0start",
    b"\xfe\xfd\xfc",
    b"ab\xfe",
    b"abcdef\xfe",
    b"a\x07b",
    b"back\\slash",
    b"strange but plain",
    b"kok",
    b"k.ok",
    b"\0M92 X80.00\0",
    b"\t$100=80.000 (x, step/mm)\r",
]


def _in_state(name: str) -> Exchange:
    exchange = Exchange(Window(3))
    if name == "numbered":
        exchange.number_from(5, 0.0)
        exchange.receive(b"ok\n", 0.0)
        exchange.send("G28", 0.0)
        exchange.send("M503", 0.0)
    elif name != "idle":
        exchange.send({"asked": "M503", "heats": "M109 S200"}[name], 0.0)
    return exchange


@pytest.mark.parametrize("name", ["idle", "asked", "heats", "numbered"])
def test_what_a_line_does_to_the_exchange(name: str, pinned: Pinned) -> None:
    said = []
    for data in HEARD:
        if name == "heats" and data[:1] not in b"TBCX<[>":
            continue  # only a report may be the answer here and is none elsewhere
        exchange = _in_state(name)
        said.append(repr(data))
        said += [f"    {told(event)}" for event in exchange.receive(data + b"\n", 0.5)]
        said.append(f"    = {standing(exchange)}")
    pinned(f"wire/lines-{name}", "\n".join(said))


@pytest.mark.parametrize(
    ("text", "kind", "detail"),
    [
        ("echo:Settings Stored (702 bytes; crc 41877)", "stored", {"size": 702, "crc": 41877}),
        ("Settings storing", "stored", {}),
        ("settings stored to /sd/override", "stored", {"path": "/sd/override"}),
        ("//action Settings Stored", None, {}),
        (
            "echo:V71 stored settings retrieved (702 bytes; crc 4)",
            "loaded",
            {"version": 71, "size": 702, "crc": 4},
        ),
        ("echo:Stored settings retreived", "loaded", {}),
        ("Info: the configuration loaded", "loaded", {}),
        ("loading config override file: /sd/o...", "loaded", {"path": "/sd/o"}),
        ("loading config override file: /sd/o", "loaded", {"path": "/sd/o"}),
        ("Hardcoded Default Settings Loaded", "defaults_live", {}),
        ("default settings loaded", "defaults_live", {}),
        ("[MSG:Restoring defaults]", "defaults_live", {}),
        ("error:7", "defaults_live", {"reason": "stored settings could not be read"}),
        ("error:77", None, {}),
        (
            "EEPROM version mismatch (EEPROM=V71 Board=V88)",
            "layout_mismatch",
            {"stored": 71, "running": 88},
        ),
        (
            "version mismatch (a=? b=88)",
            "layout_mismatch",
            {"stored": None, "running": 88},
        ),
        (
            "Error:EEPROM CRC mismatch - (stored) 12 != 34 (calculated)",
            "checksum_of_storage",
            {"stored": 12, "computed": 34},
        ),
        ("Error:EEPROM datasize error", "layout_mismatch", {"text": "Error:EEPROM datasize error"}),
        ("Error: size error", "layout_mismatch", {"text": "Error: size error"}),
        ("index: 5 size: 702", "layout_mismatch", {"index": 5, "size": 702}),
        ("Error writing it", "storage_write_failed", {"text": "Error writing it"}),
        ("No EEPROM here", "no_storage", {"text": "No EEPROM here"}),
        ("no persistent memory", "no_storage", {"text": "no persistent memory"}),
        ("no non-volatile memory", "no_storage", {"text": "no non-volatile memory"}),
        ("EEPROM disabled", "no_storage", {"text": "EEPROM disabled"}),
        ("the storage is disabled", "no_storage", {"text": "the storage is disabled"}),
        ('echo:Unknown command: "M999"', "unknown_command", {"text": "M999"}),
        ("unknown command M999", "unknown_command", {"text": "M999"}),
        ("error: unsupported command - M999", "unknown_command", {"text": "M999"}),
        ("error:3", "unknown_command", {"text": "error:3"}),
        ("error:33", None, {}),
        ("; config override present: /sd/o", "override_present", {"path": "/sd/o"}),
        ("; config override present", "override_present", {}),
        (
            "config override file deleted /sd/o, reboot needed",
            "override_deleted",
            {"path": "/sd/o"},
        ),
        ("override file deleted", None, {}),
        ("echo:M92 X80", "foreign_command", {"text": "M92 X80"}),
        ("echo:N5 M92 X80*33", "foreign_command", {"text": "M92 X80"}),
        ("echo:M203.1 X80", "foreign_command", {"text": "M203.1 X80"}),
        ("echo:M92", None, {}),
        ("echo: M92 X80", None, {}),
        ("M92 X80 ; default settings loaded", None, {}),
        ("a line of no news", None, {}),
    ],
)
def test_what_a_line_tells_of_the_controller(
    text: str, kind: str | None, detail: dict[str, object]
) -> None:
    told_of = notice(text)
    assert (told_of and told_of.kind) == kind
    assert kind is None or (told_of is not None and told_of.detail == detail)


def test_a_notice_inside_an_event_is_told_once_and_its_copies_are_not() -> None:
    stored = narrate(Received("Settings Stored"))
    assert stored is not None
    assert stored.kind == "stored"
    assert narrate(Unsolicited("// Settings Stored")) is None  # a copy, for other hosts
    assert narrate(Unsolicited("Settings Stored")) == stored
    chatter = narrate(Unsolicited("// hello"))
    assert chatter is not None
    assert (chatter.kind, chatter.detail) == ("unsolicited", {"text": "// hello"})
    assert narrate(Stray("error:7")) == notice("error:7")
    assert narrate(Stray("ok")) is None
    assert narrate(Rejected("$100=80", "7")) == notice("error:7")
    restarted = narrate(Restarted("start", ("M92 X80",)))
    assert restarted is not None
    assert restarted.detail == {"cause": "start", "lost": ["M92 X80"]}


def test_any_number_of_prefixes_is_taken_off() -> None:
    assert bare("echo:echo: \techo:M92") == "M92"
    assert bare("  M92 echo:") == "M92 echo:"
    assert bare("ECHO: a") == "a"


def test_every_reason_of_a_refusal_and_a_halt(pinned: Pinned) -> None:
    said = [f"error:{n} = {refusal(f'error:{n}')}" for n in range(20)]
    said += [f"ALARM:{n} = {halt_reason(f'ALARM:{n}')}" for n in range(12)]
    others = ["!!", "error: no number ", "error:", "error:1.5"]
    said += [f"{text!r} = {refusal(text)!r}" for text in others]
    texts = ["Error: it burns", "Entering Alarm/Halt state", "alarm: hot", "ALARM", "ok halted", ""]
    said += [f"{text!r} = {halt_reason(text)!r}" for text in texts]
    pinned("wire/reasons", "\n".join(said))
    assert set(REFUSALS) <= set(range(20))
    assert set(ALARMS) <= set(range(12))


def test_a_halted_exchange_stays_so_until_it_boots_or_is_unlocked() -> None:
    exchange = Exchange()
    exchange.receive(b"ALARM:1\n", 0.0)
    assert exchange.state is State.HALTED
    assert exchange.receive(b"ALARM:2\n", 0.1) == []  # told once
    exchange.receive(b"start\n", 0.2)
    assert exchange.state is State.READY  # nothing was sent yet: no doubt


@pytest.mark.parametrize("size", range(1, 13))
def test_a_line_is_junk_where_a_third_of_its_bytes_or_more_is_no_text(size: int) -> None:
    for wrong in range(1, size + 1):
        data = b"q" * (size - wrong) + b"\xfe" * wrong
        [event] = Exchange().receive(data + b"\n", 0.0)
        if 3 * wrong >= size:
            assert event == Junk(size)
        else:
            assert event == Received("q" * (size - wrong) + "\\xfe" * wrong)
