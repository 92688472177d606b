"""What a body may hold, whatever its text looks like: the fast look misses nothing."""

from __future__ import annotations

import random
import re

import pytest

from agent.store.checks import MOST_BODY, MOST_DEPTH, Misfit, _suspect, body_of, identity


@pytest.mark.parametrize(
    "body",
    [
        '{"a": 1e999}',
        '{"a": -1.5E+999}',
        '{"a": NaN}',
        '{"a": "\\ud800"}',
        '{"a": "\\uD800"}',
        '{"a": ["' + "\\udfff" + '"]}',
        '{"é": ["' + "\\udfff" + '"]}',
        '{"é": -1e999}',
        '{"a": ' + "[" * MOST_DEPTH + "]" * MOST_DEPTH + "}",
        "[1]",
        "",
    ],
)
def test_what_no_record_may_hold_is_refused(body: str) -> None:
    with pytest.raises(Misfit):
        body_of("of tomorrow", body)


def test_a_body_is_no_longer_than_it_may_be() -> None:
    longest = '{"a": "' + "b" * (MOST_BODY - 9) + '"}'
    assert len(longest) == MOST_BODY
    assert body_of("of tomorrow", longest)
    with pytest.raises(Misfit, match="longer"):
        body_of("of tomorrow", longest + " ")
    with pytest.raises(Misfit, match="object as JSON text"):
        body_of("of tomorrow", {"a": 1})


def test_many_shallow_lists_are_no_deep_ones() -> None:
    body = '{"a": [' + ",".join(["[1]"] * 3 * MOST_DEPTH) + "]}"
    assert len(body_of("of tomorrow", body)["a"]) == 3 * MOST_DEPTH


def test_the_fast_look_sees_what_the_expression_would() -> None:
    wanted = re.compile(r"\\u[dD]|\d[eE]\+?\d{3}|\d{200}")
    dice = random.Random(1)
    for _ in range(20_000):
        text = "".join(dice.choice("0129eEdDu\\+-. ") for _ in range(dice.randrange(12)))
        text += "7" * dice.choice((0, 199, 200, 201)) if dice.random() < 0.02 else ""
        assert _suspect(text) == bool(wanted.search(text)), text


@pytest.mark.parametrize(
    ("value", "fits"),
    [
        ("0190c5c0-0000-7000-8000-00000000000a", True),
        ("0000001f-0190c5c0-0000-7000-8000-00000000000a", True),
        ("1f-0190c5c0-0000-7000-8000-00000000000a", False),
        ("0190c5c0-0000-7000-8000-00000000000A", False),
        ("0190c5c0-0000-7000-8000-00000000000a\n", False),
    ],
)
def test_identities(value: str, fits: bool) -> None:
    assert (identity(value) == "") == fits
