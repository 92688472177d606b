"""Asking, streaming and settling against a clock: what goes out when, and what comes of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pytest

from agent.errors import AgentError
from agent.wire.exchange import State, Window
from agent.wire.link import AFTER_BOOT, Link
from tests.pinned import Pinned

#: What comes after a line, and how long after it: (seconds, bytes).
Said = list[tuple[float, bytes]]


class Timed:
    """A transport that answers each line in its time; the clock jumps to what comes next."""

    name = "timed"

    def __init__(self, answers: Mapping[str, Said], first: Said = []) -> None:  # noqa: B006
        self._answers = {line: list(said) for line, said in answers.items()}
        self._coming = list(first)
        self._now = 0.0
        self.log: list[str] = []

    def now(self) -> float:
        return self._now

    def write(self, data: bytes) -> None:
        for line in data.decode("ascii").splitlines():
            self.log.append(f"{self._now:.3f} > {line}")
            plain = line.partition("*")[0].partition(" ")[2] if line.startswith("N") else line
            for after, said in self._answers.get(plain, self._answers.get("*", [])):
                self._coming.append((self._now + after, said))
        self._coming.sort(key=lambda one: one[0])

    def read(self, until: float) -> bytes:
        if self._coming and self._coming[0][0] <= until:
            at, data = self._coming.pop(0)
            self._now = max(self._now, at)
            self.log.append(f"{self._now:.3f} < {data!r}")
            return data
        if until > 1e6:
            raise AssertionError("waits for ever")
        self._now = max(self._now, until)
        return b""

    def close(self) -> None:
        self.log.append(f"{self._now:.3f} closed")


def _account(link: Link, act: Callable[[Link], Any]) -> Iterator[str]:
    """What an act at a link gave or raised, and how the link then stands."""
    transport = link.transport
    assert isinstance(transport, Timed)
    begun = len(transport.log)
    try:
        result = [f"= {act(link)!r}"]
    except AgentError as error:
        result = [f"! {type(error).__name__}: {error}", *(f"!   {line}" for line in error.wire)]
    yield from transport.log[begun:]
    yield from result
    told = ", ".join(f"{event.kind} {dict(event.detail)}" for event in link.events)
    yield f"at {transport.now():.3f} {link.state.value}; junk {link.junk}; told {told or 'nothing'}"


def ask(line: str, **how: Any) -> Callable[[Link], Any]:
    return lambda link: link.ask(line, **how)


def stream(*lines: str, **how: Any) -> Callable[[Link], Any]:
    def streamed(link: Link) -> Any:
        progress: list[int] = []
        done = link.stream(lines, on_progress=progress.append, **how)
        return done, progress

    return streamed


OK: Said = [(0.1, b"ok\n")]

#: Name, answers, what comes first, how the link is made, and what is done with it.
TALKS: dict[str, tuple[Mapping[str, Said], Said, dict[str, Any], list[Callable[[Link], Any]]]] = {
    "an answer of several lines": (
        {"M503": [(0.1, b"echo: M92 X80\n"), (0.2, b"T:20 /0\nbusy: so\n"), (0.3, b"ok P3 B4\n")]},
        [],
        {},
        [ask("M503")],
    ),
    "an answer with its data behind the word": ({"M105": [(0.1, b"ok T:20 /0\n")]}, [], {}, [
        ask("M105")]),
    "an error in words, and a refusal": (
        {"M1": [(0.1, b"Error: no such thing \nok\n")], "M2": [(0.1, b"error:8\n")]},
        [],
        {},
        [ask("M1"), ask("M2")],
    ),
    "acknowledged first, the data after it": (
        {"M205": [(0.1, b"ok\n"), (0.4, b"EPR:3 3 80 a\n"), (0.8, b"EPR:3 7 80 b\n")]},
        [],
        {},
        [ask("M205", end="quiet"), ask("M205", end="ack")],
    ),
    "an idle word ends the data, but not before there is any": (
        {"M205": [(0.1, b"ok\nwait\n"), (0.3, b"EPR:3 3 80 a\nwait\n"), (0.45, b"EPR:3 7 9 b\n")]},
        [],
        {},
        [ask("M205", end="quiet")],
    ),
    "no answer at all": ({}, [], {}, [ask("M115", timeout=4.0), ask("M500")]),
    "no answer, and chatter": ({"M115": [(0.5, b"T:20 /0\n")]}, [], {}, [
        ask("M115", timeout=4.0)]),
    "no answer any more": ({"M105": OK}, [], {}, [ask("M105"), ask("M115", timeout=4.0)]),
    "junk": ({"M115": [(0.5, b"\xfe\xff\xfe\n")]}, [], {}, [ask("M115", timeout=4.0)]),
    "data without an end of the answer": (
        {"M115": [(0.5 * n, b"echo: hm\n") for n in range(1, 20)]},
        [],
        {},
        [ask("M115", timeout=0.6)],
    ),
    "a restart in the middle": ({"M92 X80": [(0.5, b"start\n")]}, [], {}, [
        ask("M92 X80"), ask("M92 X80"), ask("M503", timeout=1.0, reads=True)]),
    "a halt in the middle": (
        {"M92 X80": [(0.5, b"Error:hot\nEntering alarm\n")], "M999": OK, "*": OK},
        [],
        {},
        [ask("M92 X80"), ask("M92 X80"), ask("M999"), Link.revive, ask("M503", reads=True),
         Link.resync, ask("M92 X80")],
    ),
    "asked for again and again": (
        {"*": [(0.1, b"Resend: 99\nok\n")], "M110 N0": OK, "M105": OK},
        [],
        {"numbered": True},
        [ask("M503"), ask("M503", reads=True)],
    ),
    "numbers are agreed first, and anew after a boot": (
        {"*": OK, "M500": [(0.1, b"ok\n"), (0.2, b"start\n")]},
        [],
        {"numbered": True},
        [ask("M503"), ask("M500"), ask("M503", reads=True), Link.resync, ask("M503")],
    ),
    "a pause is left after an answer": (
        {"*": OK, "$1": [(0.1, b"error:3\n")]},
        [],
        {"pause": 0.25},
        [ask("$$"), ask("$1"), ask("$$")],
    ),
    "what came before is no answer": (
        {"M115": [(0.1, b"ok\n")]},
        [(0.0, b"echo: old\nok\n")],
        {},
        [ask("M115")],
    ),
    "settled after half a second": ({}, [(0.2, b"echo: a\n"), (0.6, b"echo: b\n")], {}, [
        Link.settle]),
    "settled later after a boot": ({}, [(0.2, b"start\n"), (1.9, b"echo: b\n")], {}, [
        Link.settle]),
    "settled whatever idles": ({}, [(0.1 * n, b"wait\n") for n in range(1, 30)], {}, [
        Link.settle]),
    "settled at last": ({}, [(0.4 * n, b"echo: a\n") for n in range(1, 60)], {}, [
        lambda link: len(link.settle())]),
    "settled sooner if wanted": ({}, [(0.1 * n, b"echo: a\n") for n in range(1, 60)], {}, [
        lambda link: link.settle(0.2, limit=0.5)]),
    "shouted": ({"*": [(0.1, b"ok\n")]}, [], {"numbered": True}, [
        lambda link: link.shout(["M108", "M112"]), ask("M503", reads=True)]),
    "streamed through a window": (
        {"*": [(1.0, b"ok\n")]},
        [],
        {},
        [stream("G1 X1", "; no", "", "G1 X2 ; so", "G1 X3", "G1 X4", "G1 X5", "G1 X6")],
    ),
    "streamed one by one": ({"*": [(1.0, b"ok\n")]}, [], {}, [
        stream("G1 X1", "G1 X2", window=1), ask("M114"), stream("G1 X3", "G1 X4", "G1 X5")]),
    "streamed through a window of its own": ({"*": [(1.0, b"ok\n")]}, [], {
        "window": Window(9, 14)}, [stream("G1 X1", "G1 X2", "G1 X3", window=None)]),
    "streamed with numbers and one line asked for": (
        {"G1 X2": [(0.1, b"rs 3\nok\n")], "*": OK},
        [],
        {"numbered": True},
        [stream("G1 X1", "G1 X2")],
    ),
    "a stream that is refused": ({"G1 X2": [(0.1, b"error:2\n")], "*": OK}, [], {}, [
        stream("G1 X1", "G1 X2", "G1 X3", window=1), ask("M105", reads=True)]),
    "a stream that is not answered": ({"G1 X1": OK}, [], {}, [
        stream("G1 X1", "G1 X2", timeout=7.0)]),
    "a stream that waits for heat": ({"*": OK, "M109": [(1700.0, b"ok\n")]}, [], {}, [
        stream("M109 S200", "G1 X1", timeout=7.0), stream("M109", timeout=7.0)]),
    "a stream that is stopped": ({"*": OK}, [], {}, [
        stream(*(f"G1 X{n}" for n in range(30)), window=2, stop=lambda: True)]),
    "a stream without a line": ({}, [], {}, [stream("; nothing")]),
    "numbers that nobody agrees to": ({}, [], {"numbered": True}, [ask("M503")]),
    "numbers that are worked on for ever": (
        {"M110 N0": [(float(n), b"busy: so\n") for n in range(1, 70)]},
        [],
        {"numbered": True},
        [ask("M503")],
    ),
    "a line that is none": ({}, [], {}, [ask("M117 \n"), stream("M117 *")]),
}  # fmt: skip


@pytest.mark.parametrize("name", TALKS)
def test_a_talk_over_a_link_goes_as_it_should(name: str, pinned: Pinned) -> None:
    answers, first, how, acts = TALKS[name]
    transport = Timed(answers, first)
    link = Link(transport, **how)
    said = [f"made: {how}" if how else "made as usual"]
    for act in acts:
        said += ["", *_account(link, act)]
    pinned(f"wire/link-{name.replace(' ', '-').replace(',', '')}", "\n".join(said))


def test_words_that_need_their_time_get_it_and_no_others() -> None:
    """Half an hour; common practice for heating, homing, probing and waiting."""
    long = {"G4", "G28", "G29", "M0", "M1", "M109", "M116", "M190", "M226", "M400"}
    for word in (*long, "G1", "M104", "M105", "G280", "M10"):
        link = Link(Timed({}))
        with pytest.raises(AgentError, match="no answer"):
            link.stream([f"{word} X1"], timeout=3.0)
        assert link.transport.now() == pytest.approx(1800.0 if word in long else 3.0)


def test_twenty_thousand_words_of_chatter_are_borne_and_one_more_is_not() -> None:
    for count, borne in ((20_000, True), (20_001, False)):
        link = Link(Timed({"G1 X1": [(0.1, b"T:20 /0\n" * count), (0.2, b"ok\n")]}))
        if borne:
            assert link.stream(["G1 X1"]) == 1
            continue
        with pytest.raises(AgentError) as caught:
            link.stream(["G1 X1"])
        assert caught.value.what == ("the controller talks without end and does not answer G1 X1")


def test_an_answer_ends_the_count_of_chatter() -> None:
    chatter = b"T:20 /0\n" * 10_001
    link = Link(Timed({"*": [(0.1, chatter), (0.2, b"ok\n")]}))
    assert link.stream([f"G1 X{n}" for n in range(2)], window=1) == 2


@pytest.mark.parametrize(("count", "borne"), [(5000, True), (5001, False)])
def test_five_thousand_lines_are_an_answer_and_more_are_none(count: int, borne: bool) -> None:
    link = Link(Timed({"$$": [(0.1, b"$1=1\n" * count), (0.2, b"ok\n")]}))
    if borne:
        assert len(link.ask("$$").lines) == count
    else:
        with pytest.raises(AgentError, match="the reply to \\$\\$ does not end"):
            link.ask("$$")


def test_of_each_kind_of_event_the_first_five_thousand_are_kept() -> None:
    link = Link(Timed({"*": [(0.1, b"T:20 /0\n" * 5001 + b"busy: so\n"), (0.2, b"ok\n")]}))
    reply = link.ask("G28")
    kinds = [event.kind for event in link.events]
    assert (kinds.count("unsolicited"), kinds.count("busy")) == (5000, 1)
    assert len(reply.events) == 5000
    assert len(link.ask("G28").events) == 5000  # of a new question anew
    assert len(link.events) == 5002


def test_what_is_said_twice_is_told_once_and_what_happens_twice_twice() -> None:
    link = Link(Timed({"M500": [(0.1, b"Settings Stored\nSettings Stored\nbusy: so\nbusy: so\n"),
                                (0.2, b"Settings Stored\nok\n")]}))  # fmt: skip
    link.ask("M500")
    assert [event.kind for event in link.events] == ["stored", "busy", "busy", "stored"]


def test_the_last_twelve_lines_are_kept_for_messages_and_no_more_of_each_than_a_screen() -> None:
    link = Link(Timed({"M503": [(0.1, b"".join(b"%03d\n" % n for n in range(9)) + b"x" * 250)]}))
    with pytest.raises(AgentError) as caught:
        link.ask("M503", timeout=1.0)
    assert caught.value.wire == ("> M503", *(f"< {n:03d}" for n in range(9)))
    link = Link(Timed({"M503": [(0.1, b"".join(b"%03d\n" % n for n in range(20))),
                                (0.2, b"x" * 250 + b"\n")]}))  # fmt: skip
    with pytest.raises(AgentError) as caught:
        link.ask("M503", timeout=1.0)
    assert caught.value.wire == (*(f"< {n:03d}" for n in range(9, 20)), f"< {'x' * 200}")


def test_traffic_is_told_while_the_controller_works_and_at_the_end() -> None:
    """Lines of one read together, those of a line without an end as their size."""
    link = Link(Timed({"M503": [(0.25, b"a\n\nb\n"), (0.5, b"x" * 5000 + b"\nok\n")]}))
    record: list[tuple[float, str, tuple[str, ...]]] = []
    link.on_traffic = lambda at, way, *lines: record.append((at, way, lines))
    link.ask("M503")
    assert record == [
        (0.0, ">", ("M503",)),
        (0.25, "<", ("a", "b")),
        (0.5, "<", ("(5000 bytes without an end)", "ok")),
    ]
    assert link.junk == 5000


def test_what_was_heard_is_told_before_more_is_waited_for() -> None:
    """What is told while the controller works costs no time of the wire."""
    transport = Timed({"M503": [(0.25, b"a\n"), (0.5, b"b\nok\n")]})
    link = Link(transport)
    link.on_traffic = lambda at, way, *lines: transport.log.append(f"told {way} {lines}")
    link.ask("M503")
    assert transport.log == [
        "0.000 > M503",
        "told > ('M503',)",
        "0.250 < b'a\\n'",
        "told < ('a',)",
        "0.500 < b'b\\nok\\n'",
        "told < ('b', 'ok')",
    ]


def test_a_gate_is_asked_about_every_line_before_any_of_it_goes_out() -> None:
    transport = Timed({"*": OK})
    link = Link(transport)
    asked: list[str] = []

    def gate(line: str) -> None:
        asked.append(line)
        if line == "G1 X3":
            raise AgentError("not this one")

    link.gate = gate
    link.ask("M105")
    with pytest.raises(AgentError, match="not this one"):
        link.stream(["G1 X1", "G1 X2 ; so", "G1 X3"])
    with pytest.raises(AgentError, match="not this one"):
        link.shout(["M108", "G1 X3"])
    assert asked == ["M105", "G1 X1", "G1 X2", "G1 X3", "M108", "G1 X3"]
    assert [line for line in transport.log if ">" in line] == ["0.000 > M105"]


def test_a_boot_is_given_two_seconds_of_quiet() -> None:
    assert AFTER_BOOT == 2.0
    link = Link(Timed({}, [(0.3, b"start\n")]))
    link.settle()
    assert link.transport.now() == pytest.approx(2.3)
    link = Link(Timed({}, [(0.3, b"start\n")]))
    link.settle(quiet=3.0)
    assert link.transport.now() == pytest.approx(3.3)


def test_eight_lines_of_a_stream_are_looked_at_before_there_is_room() -> None:
    transport = Timed({"*": OK})
    link = Link(transport)
    link.gate = lambda line: transport.log.append(f"asked {line}")
    assert link.stream((f"G1 X{n}" for n in range(12)), window=2) == 12
    first = next(n for n, line in enumerate(transport.log) if ">" in line)
    assert transport.log[:first] == [f"asked G1 X{n}" for n in range(8)]
    assert [line for line in transport.log[first:] if "<" not in line][:6] == [
        "0.000 > G1 X0",
        "0.000 > G1 X1",
        "asked G1 X8",
        "asked G1 X9",
        "0.100 > G1 X2",
        "asked G1 X10",
    ]


def test_what_was_in_flight_when_shouted_is_in_doubt() -> None:
    transport = Timed({})
    link = Link(transport)
    link._send("G1 X1", 10.0)
    link.shout(["M108", "M112"])
    assert (link.state, link.exchange.in_flight) == (State.DOUBT, ())
    assert transport.log == ["0.000 > G1 X1", "0.000 > M108", "0.000 > M112"]


def test_of_a_boot_only_lines_are_given_no_sizes_of_junk() -> None:
    link = Link(Timed({}, [(0.1, b"x" * 5000 + b"\n\nhello\n")]))
    assert link.settle() == ("hello",)
    assert link.junk == 5000
