"""The reader on a port: however the bytes come, a press is one reading or none."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import BadInput, LinkFailed
from agent.instruments.lines import KINDS, Damaged, Measured
from agent.instruments.reader import SAME_PRESS, Doubled, Instrument
from agent.wire.port import open_port
from sim.instrument import PocketCaliper, line_faults
from tests.patience import PATIENCE


class Scripted:
    """Bytes by the piece, with a clock that the test moves."""

    name = "scripted"

    def __init__(self, pieces):
        self.pieces = list(pieces)
        self.clock = 0.0
        self.written = b""

    def now(self):
        return self.clock

    def write(self, data):
        self.written += data

    def read(self, until):
        if not self.pieces:
            return b""
        after, data = self.pieces.pop(0)
        self.clock += after
        return data

    def close(self):
        pass


def events(pieces, kind="number-unit"):
    instrument = Instrument(Scripted(pieces), KINDS[kind])
    found = []
    while instrument.transport.pieces:
        found += instrument.poll(0.0)
    return found


@given(st.lists(st.integers(1, 30), min_size=1, max_size=8))
def test_a_line_may_be_cut_anywhere_on_its_way(cuts):
    data = b"+00019.98 mm\r\n+00020.01 mm\r\n"
    pieces, at = [], 0
    for size in cuts:
        pieces.append((1.0, data[at : at + size]))
        at += size
    found = events([*pieces, (1.0, data[at:])])
    assert [event.mm for event in found if isinstance(event, Measured)] == [19.98, 20.01]
    assert not any(isinstance(event, Damaged) for event in found)


def test_the_same_line_at_once_is_one_press_and_later_is_another():
    line = b"+00019.98 mm\r\n"
    kinds = [type(event) for event in events([(0.0, line + line), (3.0, line)])]
    assert kinds == [Measured, Doubled, Measured]


def test_a_carriage_return_alone_ends_a_line_where_it_should():
    found = events([(0.0, b"A1+000019.98\r"), (2.0, b"A1-000000.10\r")], "identifier-digits")
    assert [event.mm for event in found] == [19.98, -0.1]


def test_the_rest_of_a_cut_line_spoils_the_next_and_no_more():
    found = events([(0.0, b"+0001"), (5.0, b"+00020.01 mm\r\n"), (5.0, b"+00020.02 mm\r\n")])
    assert [type(event) for event in found] == [Damaged, Measured]
    assert found[1].mm == 20.02


def test_junk_without_an_end_is_bounded():
    found = events([(0.0, b"x" * 5000), (1.0, b"\r\n+00020.02 mm\r\n")])
    assert [type(event) for event in found] == [Damaged, Measured]


def joined(caliper, kind):
    """The reader of a caliper, once its port has been taken up."""
    instrument = Instrument(open_port(caliper.address, 9600), KINDS[kind])
    assert caliper.attended.wait(PATIENCE)
    return instrument


def heard(instrument, presses=1):
    """Events of one or more presses over a real port."""
    found = []
    for _ in range(200):
        found += instrument.poll(0.05)
        if len(found) >= presses:
            break
    return found


@pytest.mark.parametrize("listen", ["pty", "tcp:0"])
@pytest.mark.parametrize("form", ["number-unit", "identifier-digits"])
def test_a_press_comes_over_a_real_port(listen, form):
    caliper = PocketCaliper(listen, form=form)
    instrument = joined(caliper, form)
    try:
        caliper.press(-19.98)
        (event,) = heard(instrument)
        assert event.mm == -19.98
    finally:
        instrument.close()
        caliper.close()


def test_one_that_answers_is_asked():
    caliper = PocketCaliper("tcp:0", form="request")
    caliper.shown = 20.03
    instrument = joined(caliper, "request")
    try:
        instrument.ask()
        (event,) = heard(instrument)
        assert event.mm == 20.03
    finally:
        instrument.close()
        caliper.close()


def test_a_pulled_cable_is_a_failed_link():
    caliper = PocketCaliper("tcp:0", faults=line_faults(["unplug:1"]))
    instrument = joined(caliper, "number-unit")
    try:
        caliper.press(20.0)
        with pytest.raises(LinkFailed):
            heard(instrument)
    finally:
        instrument.close()
        caliper.close()


def test_faults_are_named():
    with pytest.raises(BadInput, match="the line comes twice"):
        line_faults(["doubel"])
    with pytest.raises(BadInput):
        PocketCaliper("com:3")


class Noted(Scripted):
    """Notes until when it was asked to read, and that it was closed."""

    def __init__(self, pieces):
        super().__init__(pieces)
        self.until, self.closed = [], False

    def read(self, until):
        self.until.append(until)
        return super().read(until)

    def close(self):
        self.closed = True


LINE = b"+00019.98 mm\r\n"


def test_the_same_line_counts_again_after_the_time_of_a_press():
    """0.4 s later it is another press; another line is one at once."""
    for after, kind in ((0.39, Doubled), (SAME_PRESS, Measured), (0.41, Measured)):
        found = events([(0.0, LINE), (after, LINE)])
        assert [type(event) for event in found] == [Measured, kind], after
    other = events([(1.0, LINE), (0.0, b"+00019.99 mm\r\n"), (0.0, LINE)])
    assert [event.mm for event in other] == [19.98, 19.99, 19.98]
    # one that was no reading hides none
    assert [type(e) for e in events([(0.0, b"junk\r\n"), (0.0, b"junk\r\n")])] == [Damaged, Damaged]
    assert [event.text for event in events([(0.0, LINE + LINE)])][1] == "+00019.98 mm"


def test_a_doubled_line_does_not_make_the_press_longer():
    found = events([(1.0, LINE), (0.3, LINE), (0.2, LINE)])
    assert [type(event) for event in found] == [Measured, Doubled, Measured]


def test_what_was_pressed_before_is_left_out_and_counted():
    instrument = Instrument(
        Noted([(0.0, LINE + b"junk\r\n+00020.01 mm\r\n")]), KINDS["number-unit"]
    )
    assert instrument.discard() == 2
    assert instrument.transport.until == [0.0]
    assert instrument.poll(1.5) == []
    assert instrument.transport.until == [0.0, 1.5]
    instrument.close()
    assert instrument.transport.closed


def test_only_what_answers_is_asked_and_the_same_answer_counts():
    asked = Instrument(Noted([(0.0, LINE), (0.0, LINE)]), KINDS["request"])
    for _ in range(2):
        asked.ask()
        assert [type(event) for event in asked.poll(0.0)] == [Measured]
    assert asked.transport.written == b"\x05\x05"
    pressed = Instrument(Noted([(0.0, LINE), (0.0, LINE)]), KINDS["number-unit"])
    kinds = []
    for _ in range(2):
        pressed.ask()
        kinds += [type(event) for event in pressed.poll(0.0)]
    assert kinds == [Measured, Doubled]
    assert pressed.transport.written == b""


def test_empty_lines_are_nothing_and_a_long_one_is_counted():
    assert events([(0.0, b"\r\n\r\n")]) == []
    (long, _) = events([(0.0, b"x" * 81), (0.0, b"\r\n" + LINE)])
    assert long == Damaged("81 bytes without an end")
    (short,) = events([(0.0, b"x" * 80 + b"\r\n")])
    assert short == Damaged("x" * 80)
