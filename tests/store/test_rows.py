"""The check sum of a body: whatever is changed on the disk is seen, whatever is not passes."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.store import rows
from agent.store.checks import Misfit
from agent.store.rows import CHECK, check_of, checked_json, entry_of

PLAIN = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-9, 9)
    | st.floats(-9, 9)
    | st.text("é,:\"'{}crc0", max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("acr", max_size=3), inner),
    max_leaves=6,
)
BODIES = st.dictionaries(st.text("abc", max_size=2), PLAIN, max_size=3)


def body_in(text: str) -> Any:
    return entry_of(("id", "session", "at", "of tomorrow", text, "heron")).body


@given(BODIES)
def test_a_body_comes_back_whole(body: dict[str, Any]) -> None:
    assert body_in(checked_json(body)) == body


@given(BODIES, st.data())
def test_a_changed_character_is_seen_or_means_the_same(
    body: dict[str, Any], data: st.DataObject
) -> None:
    text = checked_json(body)
    place = data.draw(st.integers(0, len(text) - 1))
    spoiled = text[:place] + data.draw(st.sampled_from("07aé,}\"' ")) + text[place + 1 :]
    try:
        found = body_in(spoiled)
    except Misfit:
        return
    # a body that has lost its check sum is one of a version that wrote none
    assert found == body or CHECK not in json.loads(spoiled)


def test_a_body_that_is_spelled_otherwise_is_the_same() -> None:
    body = {"a": 1.5, "b": [1, 2]}
    spread = json.dumps({CHECK: check_of(body), **body}, indent=1)
    assert body_in(spread) == body


def test_the_sum_of_another_text_does_not_pass() -> None:
    inner = checked_json({"a": 1})
    with pytest.raises(Misfit, match="check sum"):
        body_in(checked_json({"a": 2}).replace(check_of({"a": 2}), check_of({"a": 1})))
    # the end of a text that an inner table has in common with a whole body
    assert body_in(f'{{"x":{inner}}}') == {"x": json.loads(inner)}


def test_a_body_as_it_was_written_is_not_spelled_again(monkeypatch: pytest.MonkeyPatch) -> None:
    text = checked_json({"a": [1, 2.5, "é"]})
    monkeypatch.setattr(rows, "check_of", lambda _body: pytest.fail("spelled again"))
    assert body_in(text) == {"a": [1, 2.5, "é"]}
