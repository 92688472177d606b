"""The picture of a control chart can be read: nothing lies upon anything, all is on the paper."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence
from xml.etree import ElementTree

import pytest

from agent.face.shop.sheets import Drifts
from agent.workshop.charts import chart
from agent.workshop.picture import _round_values, svg
from agent.workshop.series import Charted, Point
from tests.workshop.shop import instant

#: Height of a letter, and how wide one is at most on average, in the size of the type (9).
SIZE, WIDE = 9.0, 0.56


def charted(values: Sequence[float], u: float = 0.02) -> Charted:
    points = tuple(Point(instant(7.0 * i), v, u, f"{i}") for i, v in enumerate(values))
    us = tuple(u for _ in values)
    return Charted("heron", "z_scale", "%", points, us, chart(values, us), None)


def boxes(root: ElementTree.Element) -> list[tuple[float, float, float, float, str]]:
    """Left, top, right, bottom of each text."""
    found = []
    for text in root.iter("text"):
        words = text.text or ""
        wide, x, y = WIDE * SIZE * len(words), float(text.get("x", 0)), float(text.get("y", 0))
        left = x - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[text.get("text-anchor", "")]
        found.append((left, y - 0.8 * SIZE, left + wide, y, words))
    return found


def series(kind: str) -> list[float]:
    dice = random.Random(kind)
    count = {"one": 1, "two": 2, "few": 5}.get(kind, 40)
    values = [dice.gauss(0.0, 0.02) for _ in range(count)]
    if kind == "step":
        return [v + 0.4 * (i >= 20) for i, v in enumerate(values)]
    if kind == "creep":
        return [v + 0.01 * i for i, v in enumerate(values)]
    if kind == "outlier":  # limits that lie close together on the scale of one wild value
        return [*values[:-1], 250.0]
    if kind == "same":
        return [0.1] * count
    return values


@pytest.mark.parametrize("kind", ["calm", "step", "creep", "outlier", "same", "one", "two", "few"])
def test_no_text_lies_upon_another_and_all_are_on_the_paper(kind: str) -> None:
    shown = charted(series(kind))
    root = ElementTree.fromstring(svg(shown))
    _, _, wide, high = map(float, root.get("viewBox", "").split())
    found = boxes(root)
    for left, top, right, bottom, words in found:
        assert left >= 0, words
        assert top >= 0, words
        assert right <= wide, words
        assert bottom <= high, words
    for one, other in itertools.combinations(found, 2):
        apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
        assert apart, (one[4], other[4])
    for line in root.iter("polyline"):
        for pair in line.get("points", "").split():
            x, y = map(float, pair.split(","))
            assert 0 <= x <= wide
            assert 0 <= y <= high


def test_every_rule_that_fired_has_a_mark_under_each_of_its_values() -> None:
    shown = charted(series("step"))
    root = ElementTree.fromstring(svg(shown))
    texts = {text.text for text in root.iter("text")}
    rules = {s.rule for s in shown.chart.signals}
    assert {"beyond", "ewma", "range", "side"} <= rules
    for rule in rules:
        count = sum(s.rule == rule for s in shown.chart.signals)
        assert f"{rule}: {count}" in texts
    marks = [r for r in root.iter("rect") if r.get("width") == "4.0"]
    assert len(marks) == len(shown.chart.signals)
    assert "%" in texts  # the unit of the axis


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (-0.0155, 0.115, [0.0, 0.05, 0.1]),
        (0.0, 1.0, [0.0, 0.5, 1.0]),
        (-3.0, 9.0, [0.0, 5.0]),
        (5.0, 5.0, [5.0]),
    ],
)
def test_an_axis_has_round_values(low: float, high: float, expected: list[float]) -> None:
    assert list(_round_values(low, high, 4)) == pytest.approx(expected)


def test_a_rule_that_fired_often_is_one_row() -> None:
    drifts = Drifts()
    drifts.see(charted(series("step")))
    rules = {s.rule for s in drifts.pictured[0].chart.signals}
    assert len(drifts.sheet.rows) == len(rules)
    assert len(drifts.pictured[0].chart.signals) == len(drifts.rows)
    [beyond] = [row for row in drifts.sheet.rows if row[2].startswith("a value beyond three")]
    count = sum(s.rule == "beyond" for s in drifts.pictured[0].chart.signals)
    assert beyond[3] == f"2026-01-05 to 2026-10-05, {count} times"
