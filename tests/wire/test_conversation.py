"""The engine under any order of sending, answers, silence and faults."""

from __future__ import annotations

from collections import Counter

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from agent.wire import events as wire
from agent.wire.exchange import Exchange, LocalFault, State, Window

ANSWERS = st.sampled_from(
    [
        b"ok\n",
        b"ok N3 P15 B3\n",
        b"okT:20 /0\r\n",
        b"ok - no\n",
        b"Resend: 3\n",
        b"rs N1\n",
        b"Resend: -4\nok\n",
        b"Error:checksum mismatch, Last Line: 2\nResend: 3\nok\n",
        b"error:8\r\n",
        b"!!\r\n",
        b"ALARM:1\r\n",
        b"start\n",
        b"\xfe\0Erstart\n",
        b"echo: External Reset\n",
        b"echo:busy: processing\n",
        b" T:20.1 /0.0 B:20 /0 @:0ok\n",
        b"@:65 @N3ok N3 P0 B3\n",
        b"wait\n",
        b"echo: M92 X80.00\n",
        b"echo:line 1\n",
        b"\xff\xfe\xfd\n",
        b"\n",
        b"ok",
        b"sta",
    ]
)


def ended(events: list[wire.Event]) -> list[str]:
    lines: list[str] = []
    for event in events:
        match event:
            case wire.Acknowledged(line=line) | wire.Rejected(line=line):
                lines.append(line)
            case (
                wire.Restarted(lost=lost)
                | wire.Halted(lost=lost)
                | wire.Silent(lost=lost)
                | wire.HopelessResend(lost=lost)
            ):
                lines += lost
    return lines


class Conversation(RuleBasedStateMachine):
    """Two exchanges hear the same; one gets its bytes one by one."""

    @initialize(lines=st.integers(1, 4), size=st.none() | st.integers(20, 60), number=st.booleans())
    def begin(self, lines: int, size: int | None, number: bool) -> None:
        self.now = 0.0
        self.opened: Counter[str] = Counter()
        self.ended: Counter[str] = Counter()
        self.pair = (Exchange(Window(lines, size)), Exchange(Window(lines, size)))
        if number:
            for exchange in self.pair:
                exchange.number_from(0, 0.0)
            self.opened["M110 N0"] += 1

    @rule(reads=st.booleans())
    def send(self, reads: bool) -> None:
        line = f"line {sum(self.opened.values())}"
        sent = []
        for exchange in self.pair:
            state, room = exchange.state, exchange.has_room(line)
            try:
                sent.append(exchange.send(line, self.now, reads=reads))
            except LocalFault:
                sent.append(b"")
                assert (
                    not room
                    or (state in (State.DOUBT, State.HALTED) and not reads)
                    or (exchange.numbered and exchange.next_number is None)
                )
        assert sent[0] == sent[1]
        if sent[0]:
            self.opened[line] += 1

    @rule(answer=ANSWERS)
    def hear(self, answer: bytes) -> None:
        whole = self.pair[0].receive(answer, self.now)
        bytewise = [
            event for byte in answer for event in self.pair[1].receive(bytes([byte]), self.now)
        ]
        assert bytewise == whole
        self.ended.update(ended(whole))

    @rule(seconds=st.sampled_from([0.1, 1.0, 2.0, 10.0]))
    def wait(self, seconds: float) -> None:
        self.now += seconds
        first, second = (exchange.tick(self.now) for exchange in self.pair)
        assert first == second
        self.ended.update(ended(first))

    @rule()
    def give_up(self) -> None:
        first, second = (exchange.abandon() for exchange in self.pair)
        assert first == second
        self.ended.update(first)

    @rule()
    def know_again(self) -> None:
        for exchange in self.pair:
            exchange.revive()
            if not exchange.in_flight and exchange.deadline is None:
                exchange.resync()

    @invariant()
    def every_line_ends_once(self) -> None:
        if not hasattr(self, "pair"):
            return
        for exchange in self.pair:
            assert self.opened - self.ended == Counter(exchange.in_flight)
            assert not self.ended - self.opened

    @invariant()
    def what_is_in_flight_is_waited_for(self) -> None:
        for exchange in getattr(self, "pair", ()):
            assert not exchange.in_flight or exchange.deadline is not None


TestConversation = Conversation.TestCase
TestConversation.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)


@given(st.binary(max_size=2000), st.data())
@settings(max_examples=60, deadline=None)
def test_no_bytes_break_the_engine(noise: bytes, data: st.DataObject) -> None:
    exchange = Exchange()
    exchange.send("M503", 0.0)
    got = exchange.receive(noise, 0.1)
    twin = Exchange()
    twin.send("M503", 0.0)
    cut = data.draw(st.integers(0, len(noise)))
    assert twin.receive(noise[:cut], 0.1) + twin.receive(noise[cut:], 0.1) == got
