"""The link: whole replies, and an honest state after every failure."""

from __future__ import annotations

import pytest

from agent.errors import LinkFailed, Refused, Unanswered
from agent.model.settings import Event
from agent.wire.exchange import State, Window
from agent.wire.link import Link, Reply
from tests.wire.scripted import Scripted


def always(said: bytes) -> Scripted:
    return Scripted(lambda line: said)


def test_ask_gives_data_without_acknowledgement() -> None:
    link = Link(always(b"echo: M92 X80.00\n T:20 /0\nok\n"))
    assert link.ask("M503") == Reply(
        "M503",
        ("echo: M92 X80.00",),
        ok=True,
        events=(Event("unsolicited", {"text": "T:20 /0"}),),
    )


def test_ask_of_a_family_that_acknowledges_first() -> None:
    link = Link(always(b"ok 5\nEPR:3 3 81.4000 X-axis steps per mm\nwait\n"))
    assert link.ask("M205", end="quiet").lines == ("EPR:3 3 81.4000 X-axis steps per mm",)
    assert link.transport.now() == pytest.approx(0.1)


@pytest.mark.parametrize("said", [b"ok\n", b"ok\n$1=2\n"])
def test_who_says_again_and_again_that_it_waits_delays_no_answer(said: bytes) -> None:
    transport = always(said)
    read = transport.read
    transport.read = lambda until: read(min(until, transport.now() + 0.05)) or b"wait\n"  # type: ignore[method-assign]
    link = Link(transport)
    assert link.ask("M105", end="quiet").ok
    assert link.transport.now() < 1.0
    began = link.transport.now()
    link.settle()
    assert link.transport.now() - began < 1.0


def test_silence_fails_and_leaves_doubt() -> None:
    link = Link(always(b""))
    with pytest.raises(LinkFailed, match="no answer to M500"):
        link.ask("M500", timeout=5.0)
    assert link.state is State.DOUBT
    assert link.transport.now() == pytest.approx(5.0)
    with pytest.raises(LinkFailed, match="DOUBT"):
        link.ask("M92 X80")


def test_endless_chatter_does_not_hold_an_answer_up_for_ever() -> None:
    transport = always(b"")
    read = transport.read
    transport.read = lambda until: read(min(until, transport.now() + 1)) or b" T:20 /0\n"  # type: ignore[method-assign]
    with pytest.raises(LinkFailed, match="no answer"):
        Link(transport).ask("M92 X80", timeout=5.0)


def test_endless_busy_and_endless_lists_end() -> None:
    transport = always(b"")
    read = transport.read
    transport.read = lambda until: read(min(until, transport.now() + 1)) or b"busy: so\n"  # type: ignore[method-assign]
    with pytest.raises(LinkFailed, match="does not end"):
        Link(transport).ask("G28", timeout=5.0)
    transport.read = lambda until: b"$151=\n" * 100  # type: ignore[method-assign]
    with pytest.raises(LinkFailed, match="does not end"):
        Link(transport).ask("$$")


def test_restart_during_a_line_fails_and_names_it() -> None:
    link = Link(always(b"start\n"))
    with pytest.raises(LinkFailed, match="restarted during M92 X80"):
        link.ask("M92 X80")
    assert link.state is State.DOUBT


def test_the_port_lost_in_mid_line_leaves_doubt() -> None:
    link = Link(Scripted(lambda line: None))
    with pytest.raises(LinkFailed, match="gone"):
        link.ask("M92 X80")
    assert link.state is State.DOUBT


def test_an_interrupt_leaves_doubt() -> None:
    transport = always(b"")

    def interrupted(until: float) -> bytes:
        if transport.received:
            raise KeyboardInterrupt
        return b""

    transport.read = interrupted  # type: ignore[method-assign]
    link = Link(transport)
    with pytest.raises(KeyboardInterrupt):
        link.ask("M92 X80")
    assert link.state is State.DOUBT


def test_what_is_not_a_line_is_refused_and_nothing_sent() -> None:
    transport = always(b"ok\n")
    with pytest.raises(Refused, match="not a line"):
        Link(transport).ask("M92 X80\nM500")
    assert transport.received == []


def test_a_refusal_is_no_exception() -> None:
    reply = Link(always(b"error:8\n")).ask("$100=160")
    assert (reply.ok, reply.error) == (False, "8 (not idle)")


def test_a_numbered_link_agrees_on_the_count_first() -> None:
    transport = always(b"ok\n")
    Link(transport, numbered=True).ask("M503")
    assert transport.received == ["N0 M110 N0*125", "N1 M105*38", "N2 M503*39"]


def test_stream_fills_the_window_and_leaves_out_comments() -> None:
    link = Link(always(b"ok\n"))
    progress: list[int] = []
    lines = ["; a comment", "G1 X1 ; along", "", "G1 X2", "G1 X3"]
    assert link.stream(lines, window=2, on_progress=progress.append) == 3
    assert progress == [1, 2, 3]


def test_stream_never_has_more_in_flight_than_the_window() -> None:
    held = 0

    def answer(line: str) -> bytes:
        nonlocal held
        held += 1
        assert held <= 3
        return b""

    transport = Scripted(answer)
    read = transport.read

    def acknowledge(until: float) -> bytes:
        nonlocal held
        if not held:
            return read(until)
        held -= 1
        return b"ok\n"

    transport.read = acknowledge  # type: ignore[method-assign]
    assert Link(transport, window=Window(3)).stream(f"G1 X{i}" for i in range(50)) == 50


def test_stop_ends_a_stream_after_what_is_in_flight() -> None:
    transport = always(b"ok\n")
    sent: list[int] = []

    def stop() -> bool:
        sent.append(len(transport.received))
        return sent[-1] >= 7

    done = Link(transport).stream((f"G1 X{i}" for i in range(100)), stop=stop)
    assert done == len(transport.received) == sent[-1] < 100


def test_stream_stops_at_a_refused_line() -> None:
    link = Link(Scripted(lambda line: b"error:2\n" if line == "G1 X" else b"ok\n"))
    with pytest.raises(LinkFailed, match="refused: G1 X: 2"):
        link.stream(["G1 X1", "G1 X", "G1 X3"], window=1)


def test_settle_gives_the_boot_chatter_and_answers_nothing() -> None:
    transport = always(b"ok\n")
    transport.say(b"start\necho: M92 X80.00\n")
    link = Link(transport)
    assert link.settle() == ("start", "echo: M92 X80.00")
    assert [e.kind for e in link.events] == ["restarted"]
    assert link.ask("M503").lines == ()


def test_traffic_is_recorded_line_by_line() -> None:
    link = Link(always(b"ok\r\n"))
    record: list[tuple[str, str]] = []
    link.on_traffic = lambda at, way, *lines: record.extend((way, line) for line in lines)
    link.ask("M503")
    assert record == [(">", "M503"), ("<", "ok")]


def test_a_restart_that_lay_before_is_no_failure_of_the_next_question() -> None:
    """What came while nobody asked is noted as an event."""
    transport = always(b"ok\n")
    link = Link(transport)
    assert link.ask("M115").ok
    transport.say(b"start\n")
    assert link.ask("M115", reads=True).ok
    assert [event.kind for event in link.events] == ["restarted"]


def test_silence_from_the_first_byte_on_is_told_from_silence_later() -> None:
    link = Link(always(b""))
    with pytest.raises(Unanswered):
        link.ask("M115")
    talks = Link(Scripted(lambda line: b"echo: hm\n"))
    with pytest.raises(LinkFailed) as caught:
        talks.ask("M115")
    assert not isinstance(caught.value, Unanswered)


@pytest.mark.parametrize(
    ("line", "seconds", "given_up"),
    [
        ("G1 X1", 299, False),
        ("G1 X1", 301, True),
        ("M190 S60", 1799, False),
        ("M190 S60", 1801, True),
    ],
)
def test_a_stream_waits_five_minutes_and_half_an_hour_for_what_takes_long(
    line: str, seconds: float, given_up: bool
) -> None:
    transport = Scripted(lambda sent: b"")
    read = transport.read

    def late(until: float) -> bytes:
        if transport.received and until >= seconds:
            read(seconds)
            return b"ok\n"
        return read(until)

    transport.read = late  # type: ignore[method-assign]
    if given_up:
        transport.read = read  # type: ignore[method-assign]
        with pytest.raises(LinkFailed, match="no answer"):
            Link(transport).stream([line])
        assert seconds - 2 <= transport.now() < seconds
    else:
        assert Link(transport).stream([line]) == 1


def test_what_was_heard_last_is_told_when_the_link_is_closed() -> None:
    transport = always(b"ok\n")
    link = Link(transport)
    record: list[str] = []
    link.on_traffic = lambda at, way, *lines: record.extend(lines)
    transport.say(b"a last word\n")
    link._pump(transport.now())
    link.close()
    assert record == ["a last word"]
