"""Numbers as people type them."""

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.face.options import number_from
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
