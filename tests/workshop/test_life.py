"""The life of a machine in an order that holds, and versions of what was written of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.errors import BadInput
from agent.store.record import Record
from agent.workshop.asking import OwnRecord
from agent.workshop.clocks import Clocks
from agent.workshop.life import document_text, events, versions
from tests.workshop.shop import Writer, instant


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with Record(tmp_path / "record.db") as kept:
        yield kept


class Told:
    """A record in which only clocks were noted: bench, its own time, seconds that it was ahead."""

    def __init__(self, *rows: tuple[str, str, float]) -> None:
        self.rows = rows

    def ask(self, query: str, **values: Any) -> Any:
        return self.rows


def at(minute: int) -> str:
    return f"2026-03-02T{8 + minute // 60:02}:{minute % 60:02}:00.000+00:00"


@pytest.mark.parametrize(("ahead", "off"), [(60.0, []), (60.1, ["b"]), (-60.1, ["b"])])
def test_a_clock_is_right_within_a_minute(ahead: float, off: list[str]) -> None:
    clocks = Clocks(Told(("a", at(0), 0.0), ("b", at(0), ahead)))  # type: ignore[arg-type]
    assert clocks.off == off
    assert clocks.ahead("b", at(9)) == (ahead if off else 0.0)
    assert clocks.ahead("a", at(9)) == clocks.ahead("nobody", at(9)) == 0.0


def test_a_time_is_put_right_by_the_comparison_nearest_to_it() -> None:
    """An hour ahead when compared at minute 20 of its own clock, right before and after that."""
    clocks = Clocks(
        Told(("b", at(0), 0.0), ("b", at(20), 3600.0), ("b", at(90), 30.0))  # type: ignore[arg-type]
    )
    for minute, ahead in ((-0, 0.0), (9, 0.0), (11, 3600.0), (20, 3600.0), (54, 3600.0), (56, 0.0)):
        assert clocks.ahead("b", at(minute)) == ahead, minute
    assert clocks.ahead("b", at(10)) == 0.0, "of two as near the earlier one"
    assert clocks.right("b", "2026-03-02T08:20:00.000+00:00") == "2026-03-02T07:20:00.000+00:00"
    assert clocks.right("b", at(56)) == at(56)
    assert clocks.right("a", at(20)) == at(20)
    assert clocks.right("b", "no time") == "no time"
    assert clocks.right("b", "0001-01-01T00:10:00+00:00") == "0001-01-01T00:10:00+00:00"


def test_a_life_is_told_by_its_newest_and_a_name_that_is_near_one_is_asked_for(
    record: Record,
) -> None:
    w = Writer()
    w.tune("heron", 10)
    w.session("heron", 20, "bench 1.0")
    w.session("heron", 30, "bench 2.0")
    w.tune("kite", 40, check=False)
    w.session("gull", 50, "")
    w.keep(record)
    asked = OwnRecord(record)
    told = events(asked, "heron")
    assert [e.at for e in told] == sorted(e.at for e in told)
    assert [e.what for e in told].count("answers") == 2, "by another name"
    assert told[-1].text == "the controller answers as bench 2.0 (before: bench 1.0)"
    assert told[0].text == "the controller answers as bench 1.0"
    assert told[-1].ahead == 0.0
    assert (told[0].what, told[0].entry) == ("answers", None)
    for most in (1, 2, len(told)):
        assert events(asked, "heron", most) == told[-most:]
    assert events(asked, "heron", 99) == told
    assert events(asked, "gull") == (), "it is known, and nothing is told of it"
    with pytest.raises(BadInput, match=r"no machine is named 'herom'; did you mean 'heron'\?"):
        events(asked, "herom")
    with pytest.raises(BadInput, match=r"no machine is named 'x'\. 'workshop list'"):
        events(asked, "x")


def test_versions_of_a_machine_stand_newest_first_and_each_is_found_by_its_end(
    record: Record,
) -> None:
    """A card is what people note of a machine, and no version of anything."""
    w = Writer()
    w.tune("heron", 1)
    w.add("bench", "b", "bay 1", instant(0))
    ends = ("1111", "2111", "3222")
    for n, (kind, end) in enumerate(zip(("profile", "report", "card"), ends, strict=True)):
        identity = f"00000000-0000-4000-8000-00000000{end}"
        w.add("document", identity, instant(n), "b", kind, f"n{n}", "heron", "{}", f"text {n}")
    w.keep(record)
    asked = OwnRecord(record)
    assert [(v.kind, v.name, v.bench, v.short) for v in versions(asked, "heron")] == [
        ("report", "n1", "bay 1", "00002111"),
        ("profile", "n0", "bay 1", "00001111"),
    ]
    assert versions(asked, "kite") == ()
    version, text = document_text(asked, "2111")
    assert (version.name, text) == ("n1", "text 1")
    for tail, what in (("111", "several documents end in '111'"), ("9", "no document ends in '9'")):
        with pytest.raises(BadInput, match=what):
            document_text(asked, tail)
    with pytest.raises(BadInput, match="documents end in ''"):
        document_text(asked, "")
