"""A nozzle that was switched off is watched until it is cooler, or is told as a danger."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from agent.bench.book import Book
from agent.model.heat import Heat, Heats
from agent.work import heaters
from agent.work.heaters import Heaters
from tests.face.bench import forge


class Contact:
    """A link on a clock of its own, which goes on by two seconds between questions."""

    def __init__(self) -> None:
        self.book = Book()
        self.clock = 0.0
        transport = SimpleNamespace(now=lambda: self.clock)
        self.link: Any = SimpleNamespace(transport=transport, settle=self.settle)

    def settle(self, *, quiet: float, limit: float) -> None:
        assert quiet == limit == 2.0
        self.clock += 2.0

    def joined(self) -> Any:
        return self.link, None


def off(celsius: float) -> Heats:
    return Heats(Heat(celsius, 0.0))


@pytest.mark.parametrize(
    ("reports", "asked", "danger"),
    [
        ([200.0, 199.5, 198.9], 2, ""),
        ([200.0, 199.0, 198.9], 2, ""),  # a whole degree is not yet cooler
        ([60.0], 0, ""),  # warm, and not hot
        ([60.1, 60.0], 1, ""),
        ([200.0] * 12, 10, "the nozzle is off and gets NO COOLER: 200 °C, and 200 °C 20 s before"),
    ],
)
def test_a_nozzle_is_asked_until_it_is_cooler(
    reports: list[float], asked: int, danger: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    contact = Contact()
    desk: Any = SimpleNamespace(session=SimpleNamespace(book=contact.book))
    forge(desk, heats=off(reports[0]), heater_state="off")
    later = [off(celsius) for celsius in reports[1:]]
    count = len(later)
    monkeypatch.setattr(heaters, "heats_now", lambda link: later.pop(0))
    told = Heaters(contact).watch_cooling()  # type: ignore[arg-type]
    assert told.startswith(danger)
    assert bool(told) is bool(danger)
    assert count - len(later) == asked
    assert contact.book.bench.heat_danger == told
    assert [event.kind for event in contact.book.events] == (["heat"] if danger else [])


def test_a_controller_that_reports_no_nozzle_is_not_watched() -> None:
    contact = Contact()
    assert Heaters(contact).watch_cooling() == ""  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("link", "state", "cooled"), [(True, "on", 1), (True, "off", 0), (False, "on", 0)]
)
def test_heaters_are_left_cold_where_they_may_be_hot(
    link: bool, state: str, cooled: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    contact = Contact()
    desk: Any = SimpleNamespace(session=SimpleNamespace(book=contact.book))
    forge(desk, heater_state=state)
    if not link:
        contact.link = None
    asked: list[Any] = []

    def switched(found: Any) -> Heats:
        asked.append(found)
        return off(190.0)

    monkeypatch.setattr(heaters, "heaters_off", switched)
    Heaters(contact).leave_cold()  # type: ignore[arg-type]
    assert len(asked) == cooled
    assert contact.book.bench.heater_state == ("off" if cooled else state)


def test_a_link_that_carries_nothing_leaves_the_heaters_unknown(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    contact = Contact()
    monkeypatch.setattr(heaters, "heaters_off", lambda link: None)
    assert Heaters(contact).cool() is None  # type: ignore[arg-type]
    assert contact.book.bench.heater_state == "unknown"
    assert "did not carry" in contact.book.events[-1].body["why"]
