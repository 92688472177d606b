"""Requests to end: each is heard, once what must not be broken is done."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator

import pytest

from agent.work.signals import ENDING, Ended, end_in_order, ended_by, unbroken


@pytest.fixture(autouse=True)
def _handlers() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in ENDING}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


def test_a_request_to_end_stops_what_is_going_on_and_is_known_as_one() -> None:
    """All but Ctrl-C, which says so by itself."""
    interrupt = signal.getsignal(signal.SIGINT)
    end_in_order()
    assert signal.getsignal(signal.SIGINT) is interrupt
    for number in set(ENDING) - {signal.SIGINT}:
        with pytest.raises(Ended) as caught:
            signal.raise_signal(number)
        assert caught.value.number == number
        assert ended_by(caught.value) is caught.value


def test_a_request_to_end_is_found_behind_what_came_of_it() -> None:
    ended = Ended(15)
    later = ValueError("closed")
    later.__context__ = KeyboardInterrupt()
    later.__context__.__context__ = ended
    assert ended_by(later) is ended
    assert ended_by(KeyboardInterrupt()) is None


def test_what_must_not_be_broken_is_done_first_and_the_first_request_is_heard_then() -> None:
    heard: list[int] = []
    for number in ENDING:
        signal.signal(number, lambda n, _frame: heard.append(n))
    own = {number: signal.getsignal(number) for number in ENDING}
    with unbroken():
        signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)
        assert heard == []
    assert heard == [signal.SIGTERM]
    with pytest.raises(ValueError, match="in the middle"), unbroken():
        raise ValueError("in the middle")
    assert {number: signal.getsignal(number) for number in ENDING} == own
    assert heard == [signal.SIGTERM]


def test_another_thread_is_asked_nothing() -> None:
    done: list[bool] = []

    def work() -> None:
        end_in_order()
        with unbroken():
            done.append(True)

    before = {number: signal.getsignal(number) for number in ENDING}
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert done == [True]
    assert {number: signal.getsignal(number) for number in ENDING} == before
