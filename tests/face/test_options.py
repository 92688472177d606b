"""Numbers as people type them."""

import contextlib
import json
import math

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.face.main import run
from agent.face.options import Count, Number, number_from
from agent.model.exact import LEAST_OF_USE, MOST_OF_USE


@pytest.mark.parametrize(
    ("text", "value"),
    [("12.5", 12.5), ("12,5", 12.5), (" -0,2 ", -0.2), (".5", 0.5), ("3.", 3.0), ("1e-3", 1e-3)],
)
def test_point_and_comma_say_the_same(text: str, value: float) -> None:
    assert number_from(text) == value


@pytest.mark.parametrize(
    "text",
    ["", "nan", "inf", "-inf", "1e999", "1,000.5", "1.000,5", "12 mm", "0x10", "1_000", "--1", "²"],
)
def test_anything_else_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"expected a number|larger than"):
        number_from(text)


@pytest.mark.parametrize("text", ["5e-324", "2.2e-308", "-1e-200", "1e-13"])
def test_a_number_too_small_to_be_meant_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="smaller than any number of use"):
        number_from(text)


_OF_USE = st.floats(LEAST_OF_USE, MOST_OF_USE)


@given(st.just(0.0) | _OF_USE | _OF_USE.map(lambda value: -value))
def test_every_printed_number_is_read_back(value: float) -> None:
    assert number_from(repr(value)) == value


@given(st.text())
def test_no_text_gives_an_endless_or_undefined_number(text: str) -> None:
    with contextlib.suppress(ValueError):
        assert math.isfinite(number_from(text))


@pytest.mark.parametrize(
    ("kind", "text", "said"),
    [
        (Number("mm", above=0), "0", "must be more than 0, found 0"),
        (Number("mm", above=2), "2", "must be more than 2, found 2"),
        (Number("mm", above=2), "2.1", ""),
        (Number("mm", least=2), "2", ""),
        (Number("mm", least=2), "1.9", "must be at least 2, found 1.9"),
        (Number("mm"), "-7", ""),
        (Number("mm"), "seven", "expected a number such as 12.5, found 'seven'"),
        (Count(2), "2", ""),
        (Count(2), "1", "must be at least 2, found 1"),
        (Count(), "0", ""),
        (Count(), "-1", "must be at least 0, found -1"),
        (Count(), "1.0", "expected a whole number, found '1.0'"),
        (Count(), "9" * 18, ""),
        (Count(), "9" * 19, "expected a whole number"),
        (Count(), True, "expected a whole number, found True"),
    ],
)
def test_bounds_of_what_is_typed(kind: Number | Count, text: str | bool, said: str) -> None:
    if not said:
        assert float(kind.convert(text, None, None)) == float(text)
        return
    with pytest.raises(click.BadParameter) as refused:
        kind.convert(text, None, None)
    assert said in refused.value.message


def test_a_comma_is_told_as_it_was_read(capsys: pytest.CaptureFixture[str]) -> None:
    assert Number("mm").convert("12,50", None, None) == 12.5
    assert capsys.readouterr().err == "12,50 is read as 12.5\n"
    assert Number("mm").convert("12.50", None, None) == 12.5
    assert Number("mm").convert(3, None, None) == 3.0
    assert capsys.readouterr().err == ""
    assert (Number("mm").name, Number().name) == ("mm", "number")


@pytest.mark.parametrize(
    ("line", "problems"),
    [
        (
            "marks --turns 0 --every abc --count 2 --axis belte x y",
            [
                "--turns: must be more than 0, found 0",
                "--every: expected a number such as 12.5, found 'abc'",
                "--count: must be at least 3, found 2",
                "--axis: 'belte' is not one of 'across', 'gantry', 'belt'. Did you mean 'belt'?",
                "x y: nothing more was expected",
            ],
        ),
        ("marks --axis qqq", ["--axis: 'qqq' is not one of 'across', 'gantry', 'belt'."]),
        ("lay", [": choose one of strip, rail, post, block, stem"]),
        ("advance", ["MM: is missing; expected: mm"]),
        ("send \udcff", ["LINE: '\\udcff' is no text"]),
    ],
)
def test_every_mistake_of_a_line_is_told_at_once(
    line: str, problems: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """So that a wrong line is mended in one go."""
    assert run([*line.split(), "--json"]) == 2
    document = json.loads(capsys.readouterr().out)
    found = [f"{p['key']}: {p['what']}" for p in document["problems"]]
    assert found == problems
    count = "1 error" if len(problems) == 1 else f"{len(problems)} errors"
    assert document["error"].startswith(f"{count} in the line for '{line.split()[0]}'")
