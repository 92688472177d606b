"""The engine: what ends a line, what does not, and what is never known."""

from __future__ import annotations

import pytest

from agent.wire.events import (
    Acknowledged,
    Busy,
    Complaint,
    Echoed,
    Event,
    ForeignCommand,
    Halted,
    HopelessResend,
    Idle,
    Junk,
    Received,
    Rejected,
    ResendAsked,
    Resent,
    Restarted,
    Silent,
    Stray,
    Unsolicited,
)
from agent.wire.exchange import Exchange, LocalFault, State, Window
from agent.wire.words import ALARMS, REFUSALS, halt_reason, refusal


def waiting(line: str = "M503") -> Exchange:
    exchange = Exchange()
    exchange.send(line, 0.0)
    return exchange


def numbered(first: int = 41, lines: int = 1) -> Exchange:
    """An exchange that has agreed to count, with `first` as the next number."""
    exchange = Exchange(Window(lines))
    exchange.number_from(first - 1, 0.0)
    exchange.receive(b"ok\n", 0.0)
    return exchange


def test_data_then_acknowledgement() -> None:
    exchange = waiting()
    assert exchange.receive(b"echo: M92 X80.00\r\nok P15 B3\n", 0.1) == [
        Received("echo: M92 X80.00"),
        Acknowledged("M503", free=(15, 3)),
    ]
    assert exchange.state is State.READY


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("ok", ""),
        ("ok 11080", ""),
        ("ok N127", ""),
        ("ok N127 P15 B15", ""),
        ("ok T:21.3 /0.0", "T:21.3 /0.0"),
        ("okT:21.3 /0.0", "T:21.3 /0.0"),
    ],
)
def test_forms_of_acknowledgement(text: str, data: str) -> None:
    (event,) = waiting().receive(text.encode() + b"\n", 0.1)
    assert isinstance(event, Acknowledged)
    assert event.data == data


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("echo:busy: processing", Busy("processing")),
        ("echo:busy: paused for user", Busy("paused for user")),
        ("wait", Idle()),
        (" T:23.41 /0.00 B:22.10 /0.00 @:0", Unsolicited("T:23.41 /0.00 B:22.10 /0.00 @:0")),
        ("T:180.0 E:0 W:5", Unsolicited("T:180.0 E:0 W:5")),
        ("//action:poweroff", Unsolicited("//action:poweroff")),
        ("echo:SD card ok", Unsolicited("echo:SD card ok")),
        ("X:0.00 Y:0.00 Z:0.00 E:0.00 Count X:0", Unsolicited(
            "X:0.00 Y:0.00 Z:0.00 E:0.00 Count X:0")),
        ("<Run|MPos:0.000,0.000,0.000|FS:0,0>", Unsolicited("<Run|MPos:0.000,0.000,0.000|FS:0,0>")),
        (">G54G20:ok", Unsolicited(">G54G20:ok")),
        ('echo:enqueueing "M84 X Y"', ForeignCommand("M84 X Y")),
        ('echo:Enqueing to the front: "M600"', ForeignCommand("M600")),
        ("echo:M503", Echoed("echo:M503")),
        ("M503", Echoed("M503")),
        ("Error:Wrong checksum, Last Line: 4", Complaint("Error:Wrong checksum, Last Line: 4")),
        ("okay, a remark", Received("okay, a remark")),
        ("please restart", Received("please restart")),
        ("\x80\x90\xf0\x81\xe0", Junk(8)),
    ],
)  # fmt: skip
def test_what_is_no_answer_leaves_the_line_in_flight(text: str, event: Event) -> None:
    exchange = waiting()
    got = exchange.receive(text.encode("latin-1") + b"\n", 0.1)
    assert got == [Junk(5) if isinstance(event, Junk) else event]
    assert exchange.state is State.WAITING


def test_busy_starts_the_wait_anew_and_a_report_does_not() -> None:
    exchange = waiting()
    exchange.receive(b"echo:busy: processing\n", 8.0)
    exchange.receive(b" T:20.0 /0.0\n", 16.0)
    assert exchange.tick(17.9) == []
    assert exchange.tick(18.0) == [Silent(("M503",))]


def test_silence_leaves_doubt_in_which_only_reading_is_allowed() -> None:
    exchange = waiting("M92 X80.5")
    assert exchange.tick(10.0) == [Silent(("M92 X80.5",))]
    with pytest.raises(LocalFault, match="DOUBT"):
        exchange.send("M500", 10.0)
    exchange.send("M503", 10.0, reads=True)
    with pytest.raises(LocalFault, match="in flight"):
        exchange.resync()
    assert exchange.receive(b"ok\n", 10.1) == [Acknowledged("M503")]
    assert exchange.state is State.DOUBT
    exchange.resync()
    assert exchange.state is State.READY


def test_resend_with_acknowledgement_sends_the_line_once_more() -> None:
    exchange = numbered(41)
    data = exchange.send("M92 X80.47", 1.0)
    events = exchange.receive(b"Error:checksum mismatch, Last Line: 40\nResend: 41\nok\n", 1.1)
    assert events == [
        Complaint("Error:checksum mismatch, Last Line: 40"),
        ResendAsked(41),
        Resent(41, data),
    ]
    assert exchange.state is State.WAITING
    assert exchange.receive(b"ok\n", 1.2) == [Acknowledged("M92 X80.47", 41)]


@pytest.mark.parametrize("words", [b"Resend:41\n", b"rs 41\n", b"rs N41\n"])
def test_resend_without_acknowledgement_waits_for_quiet(words: bytes) -> None:
    exchange = numbered(41)
    data = exchange.send("M92 X80.47", 1.0)
    assert exchange.receive(words, 1.1) == [ResendAsked(41)]
    assert exchange.tick(2.0) == []
    assert exchange.tick(2.1) == [Resent(41, data)]
    assert exchange.receive(b"ok\n", 2.2) == [Acknowledged("M92 X80.47", 41)]


@pytest.mark.parametrize("number", [-7, 43, 99])
def test_resend_that_cannot_be_met_is_given_up(number: int) -> None:
    """A line that was refused each time is not taken, whatever number the controller wants."""
    exchange = numbered(41)
    exchange.send("M92 X80.47", 1.0)
    asked = b"Resend: %d\nok\n" % number
    for _ in range(3):
        assert isinstance(exchange.receive(asked, 1.1)[-1], Resent)
    assert exchange.receive(asked, 1.1) == [
        ResendAsked(number),
        HopelessResend(number, ("M92 X80.47",)),
        Stray("ok"),
    ]
    assert exchange.state is State.DOUBT


def test_resend_in_a_window_sends_everything_from_there_again() -> None:
    exchange = numbered(10, lines=4)
    data = [exchange.send(f"G1 X{i}", 1.0) for i in range(4)]
    assert exchange.receive(b"ok\n", 1.1) == [Acknowledged("G1 X0", 10)]
    events = exchange.receive(b"Resend: 11\nok\nResend: 11\nok\nResend: 11\nok\n", 1.2)
    assert events == [ResendAsked(11)] * 3 + [Resent(11, b"".join(data[1:]))]
    assert exchange.receive(b"ok\nok\nok\n", 1.3) == [
        Acknowledged("G1 X1", 11),
        Acknowledged("G1 X2", 12),
        Acknowledged("G1 X3", 13),
    ]
    assert exchange.state is State.READY


def test_lines_before_the_one_asked_for_still_get_their_own_acknowledgement() -> None:
    exchange = numbered(10, lines=3)
    for i in range(3):
        exchange.send(f"G1 X{i}", 1.0)
    events = exchange.receive(b"Resend: 11\nok\nResend: 11\nok\n", 1.2)
    assert events == [ResendAsked(11)] * 2
    assert exchange.tick(3.0) == []  # line 10 is still being worked on
    events = exchange.receive(b"ok\n", 5.0)
    assert events[0] == Acknowledged("G1 X0", 10)
    assert isinstance(events[1], Resent)
    assert [e.number for e in exchange.receive(b"ok\nok\n", 5.1)] == [11, 12]


def test_a_line_asked_for_after_its_acknowledgement_goes_out_again_and_ends_once() -> None:
    exchange = numbered(10, lines=2)
    exchange.send("G1 X0", 1.0)
    exchange.send("G1 X1", 1.0)
    assert exchange.receive(b"ok\n", 1.1) == [Acknowledged("G1 X0", 10)]
    exchange.receive(b"Resend: 10\nok\nResend: 10\nok\n", 1.2)
    exchange.tick(3.0)
    assert exchange.receive(b"ok\nok\n", 3.1) == [Acknowledged("G1 X1", 11)]
    assert exchange.state is State.READY


def test_an_acknowledgement_glued_behind_a_report_counts_with_the_number_just_sent() -> None:
    exchange = numbered(18)
    exchange.send("M92 Z1163.2", 1.0)
    text = "T:190.11 /190.00 B:59.90 /60.00 @:61 B@:17 @0:61 @N18ok N18 P15 B3"
    assert exchange.receive(text.encode() + b"\n", 1.1) == [
        Unsolicited(text),
        Acknowledged("M92 Z1163.2", 18, free=(15, 3)),
    ]


def test_a_glued_one_without_number_counts_only_after_silence() -> None:
    exchange = waiting("G28")
    assert exchange.receive(b"T:190.11 /190.00 @:61ok\n", 1.0) == [
        Unsolicited("T:190.11 /190.00 @:61ok")
    ]
    assert exchange.state is State.WAITING
    assert exchange.tick(3.0) == [Acknowledged("G28", suspect=True)]


def test_a_number_tells_that_earlier_acknowledgements_were_lost() -> None:
    exchange = numbered(10, lines=3)
    for i in range(3):
        exchange.send(f"G1 X{i}", 1.0)
    assert exchange.receive(b"ok N12 P15 B3\n", 1.1) == [
        Acknowledged("G1 X0", 10),
        Acknowledged("G1 X1", 11),
        Acknowledged("G1 X2", 12, free=(15, 3)),
    ]


def test_an_answer_lost_on_the_way_is_asked_for_by_sending_the_line_again() -> None:
    exchange = numbered(10, lines=3)
    data = [exchange.send(f"G1 X{i}", 1.0) for i in range(3)]
    assert exchange.tick(11.0) == [Resent(10, data[0])]
    wanted = b"Error:Line Number is not Last Line Number+1, Last Line: 12\nResend: 13\nok\n"
    assert exchange.receive(wanted, 11.1)[1:] == [
        ResendAsked(13),
        Acknowledged("G1 X0", 10, suspect=True),
        Acknowledged("G1 X1", 11, suspect=True),
        Acknowledged("G1 X2", 12, suspect=True),
    ]
    assert exchange.state is State.READY


def test_a_line_sent_again_after_silence_and_not_answered_either_is_in_doubt() -> None:
    exchange = numbered(10)
    exchange.send("M500", 1.0)
    exchange.tick(11.0)
    assert exchange.tick(21.0) == [Silent(("M500",))]
    assert exchange.state is State.DOUBT


def test_restart_in_flight_leaves_doubt_and_names_the_line() -> None:
    exchange = waiting("M500")
    assert exchange.receive(b"\xfe\0Erstart\necho: External Reset\n", 1.0) == [
        Restarted("start", ("M500",)),
        Received("echo: External Reset"),
    ]
    assert exchange.state is State.DOUBT


def test_a_boot_before_anything_was_sent_is_no_reason_for_doubt() -> None:
    exchange = Exchange()
    assert exchange.receive(b"start\n", 0.0) == [Restarted("start", ())]
    assert exchange.state is State.READY


def test_halt_takes_the_reason_from_the_line_before_and_allows_only_unlocking() -> None:
    exchange = waiting("M92 X80")
    assert exchange.receive(b"Error: axis not homed\r\nEntering Alarm/Halt state\r\n", 0.1) == [
        Received("Error: axis not homed"),
        Halted("axis not homed", ("M92 X80",)),
    ]
    assert exchange.receive(b"!!\r\n", 0.2) == [Stray("!!")]
    with pytest.raises(LocalFault, match="halted"):
        exchange.send("M500", 0.3)
    exchange.send("M999", 0.3)
    exchange.receive(b"ok\n", 0.4)
    exchange.revive()
    assert exchange.state is State.DOUBT


def test_refusals_and_an_alarm() -> None:
    exchange = waiting("$100=160")
    assert exchange.receive(b"error:8\r\n", 0.1) == [Rejected("$100=160", "8 (not idle)")]
    exchange.send("$120=500", 0.2)
    assert exchange.receive(b"ALARM:1\r\n[MSG:Reset to continue]\r\n", 0.3) == [
        Halted("alarm 1: hard limit", ("$120=500",)),
        Unsolicited("[MSG:Reset to continue]"),
    ]


def test_an_acknowledgement_that_means_halted() -> None:
    exchange = waiting("M112")
    assert exchange.receive(b"ok Emergency stop, reset needed\r\n", 0.1) == [
        Acknowledged("M112", data="Emergency stop, reset needed"),
        Halted("Emergency stop, reset needed", ()),
    ]


def test_window_by_bytes() -> None:
    exchange = Exchange(Window(lines=100, bytes=20))
    exchange.send("G1 X100", 0.0)  # 8 bytes with its end
    assert exchange.has_room("G1 X1234567")
    assert not exchange.has_room("G1 X12345678")


def test_an_acknowledgement_glued_behind_data_counts_with_the_number_just_sent() -> None:
    exchange = numbered()
    exchange.send("M503", 1.0)
    events = exchange.receive(b"echo: M92 X80.00ok N41 P15 B3\n", 1.1)
    assert [type(event) for event in events] == [Received, Acknowledged]
    assert exchange.state is State.READY


def test_every_refusal_and_alarm_has_its_number_and_words_of_its_own() -> None:
    assert list(ALARMS) == list(range(1, 10))
    assert len(set(ALARMS.values())) == len(ALARMS)
    assert halt_reason("ALARM:7") == "alarm 7: homing: door open"
    assert halt_reason("ALARM:10") == "alarm 10: unknown"
    assert list(REFUSALS) == [2, 3, 4, 5, 7, 8, 9, 10, 11, 12, 17]
    assert refusal("error:9") == "9 (locked by an alarm or a jog)"
    assert refusal("error:1") == "1"
    assert refusal("error:checksum") == "checksum"


@pytest.mark.parametrize("line", ["M999", "$X"])
def test_after_a_line_that_wakes_the_count_is_agreed_anew(line: str) -> None:
    """Some controllers count from the start again then, and would ask for line 1 for ever."""
    exchange = Exchange(numbered=True)
    exchange.number_from(0, 0.0)
    exchange.receive(b"ok\n", 0.0)
    exchange.send("M105", 0.0, reads=True)
    exchange.receive(b"ok\n", 0.0)
    assert exchange.next_number == 2
    exchange.send(line, 0.0, reads=True)
    exchange.receive(b"ok\n", 0.0)
    assert exchange.next_number is None


def test_a_line_that_wakes_goes_out_in_doubt_and_others_do_not() -> None:
    """After the emergency word nobody knows more than that; what wakes must still be sayable."""
    exchange = Exchange()
    exchange.revive()
    assert exchange.state is State.DOUBT
    with pytest.raises(LocalFault, match="in DOUBT"):
        exchange.send("M92 X80", 0.0)
    assert exchange.send("M999", 0.0) == b"M999\n"
