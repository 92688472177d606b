"""Strict reading: every mistake at once, each at its line; no trap of YAML gets through."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import BadInput
from agent.store.strict import (
    Choice,
    Key,
    ListOf,
    Number,
    Shape,
    Table,
    TableOf,
    Text,
    Whole,
    read_sheet,
)


def read(text: str | bytes, shape: Shape[object]) -> object:
    data = text.encode() if isinstance(text, str) else text
    return read_sheet(data, "file.yaml", shape)


def problems(text: str | bytes, shape: Shape[object]) -> list[tuple[int | None, str, str]]:
    with pytest.raises(BadInput) as caught:
        read(text, shape)
    return [(p.line, p.key, p.what) for p in caught.value.problems]


NUMBER = Table(dict, {"value": Key(Number("mm", above=0, most=100))})
FILE = Table(
    dict,
    {
        "name": Key(Text(), required=True),
        "speed": Key(Number("mm/s", above=0)),
        "count": Key(Whole(1, 9)),
        "kind": Key(Choice(("outside", "inside"))),
        "mm": Key(ListOf(Number("mm"), least=1)),
        "settings": Key(TableOf(Number())),
    },
)


def test_all_mistakes_of_a_file_come_at_once_with_line_and_key() -> None:
    text = """\
nam: heron
speed: fast
count: 12
kind: outsde
speed: 3
mm: []
settings: {a: .inf, b: [1]}
"""
    assert problems(text, FILE) == [
        (1, "nam", "unknown key; did you mean 'name'?"),
        (1, "name", "missing; expected a line of text"),
        (2, "speed", "expected a number of mm/s, more than 0, found 'fast'"),
        (3, "count", "expected a whole number from 1 to 9, found '12'"),
        (
            4,
            "kind",
            "expected one of outside, inside, found 'outsde'; did you mean 'outside'?",
        ),
        (5, "speed", "given twice; the first stands on line 2"),
        (6, "mm", "expected a list of at least 1, each a number of mm, found none"),
        (7, "settings.a", "expected a number, found '.inf' (it must be finite)"),
        (7, "settings.b", "expected a number, found a list"),
    ]


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("010", "a leading zero has two meanings: write 10"),
        ("1:30", "colons have two meanings here"),
        ("5,0", "write a point: 5.0"),
        ("1_000", "write it without underscores"),
        (".nan", "it must be finite"),
        ("-.inf", "it must be finite"),
        ("inf", "it must be finite"),
        ("0x1F", "found '0x1F'"),
        ("yes", "found 'yes'"),
        ("'5'", "the text '5' in quotes"),
        ("~", "found '~'"),
        ("", "found nothing"),
        ("1e999", "at most 100, found '1e999'"),
        ("0", "more than 0"),
        ("-3", "more than 0"),
        ("101", "at most 100"),
        ("1 M500", "found '1 M500'"),
        ('"1\\nM500"', "in quotes"),
    ],
)
def test_what_is_no_number_of_mm_is_refused_with_a_hint(text: str, hint: str) -> None:
    [(line, key, what)] = problems(f"value: {text}", NUMBER)
    assert (line, key) == (1, "value")
    assert hint in what


@pytest.mark.parametrize(
    ("text", "value"), [("1e1", 10.0), ("5.", 5.0), (".5", 0.5), ("+2", 2.0), ("1E-2", 0.01)]
)
def test_numbers_are_read_as_people_write_them(text: str, value: float) -> None:
    assert read(f"value: {text}", NUMBER) == {"value": value}


def test_a_decimal_comma_between_braces_is_guessed() -> None:
    assert problems("{value: 0,01}", NUMBER) == [
        (1, "value", "expected a number of mm, more than 0 and at most 100, found '0'"),
        (1, "01", "unknown key; if a decimal comma was meant, write a point"),
    ]


@pytest.mark.parametrize("text", ["no", "1e3", "010", "12:30:45"])
def test_a_text_stays_the_text_it_is(text: str) -> None:
    assert read(f"name: {text}", FILE) == {"name": text}


@pytest.mark.parametrize("text", ['"a\\nM500"', '"a\\e[2J"', "'a\n\n  b'", '"\\u202eabc"'])
def test_text_with_line_breaks_or_control_characters_is_refused(text: str) -> None:
    [(_, key, what)] = problems(f"name: {text}", FILE)
    assert key == "name"
    assert what == "expected one line of text, found line breaks or control characters"


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (b"", "the file is empty"),
        (b"# nothing\n", "the file is empty"),
        (b"name: a\n---\nname: b\n", "a second document begins here"),
        (b"name: [a\n", "not readable as YAML"),
        (b"name: a: b\n", "not readable as YAML"),
        (b"name: \x07\n", "not readable as YAML"),
        (b"\xff\xfe", "not a text file in UTF-8"),
        (b"name: &a x\n", "anchors (&) and tags (!) are not used here"),
        (b"name: !!python/object:os.system x\n", "anchors (&) and tags (!) are not used here"),
        (b"- name\n", "expected a table, found a list"),
        (b"[" * 50, "nested more than 12 levels deep"),
        (b"[" * 200_000, "not readable as YAML"),
        (b"? [a, b]\n: c\n", "a key must be a word, not a list or table"),
    ],
)
def test_a_file_of_another_kind_is_refused_with_a_word(text: bytes, what: str) -> None:
    assert any(found.startswith(what) for _, _, found in problems(text, FILE))


def test_aliases_are_refused_so_that_no_file_can_grow_while_it_is_read() -> None:
    text = "name: &a [x, x]\nmm: [*a, *a]\n"
    assert (2, "", "aliases (*a) are not used here: write it out") in problems(text, FILE)


def test_a_hopeless_file_lists_the_first_mistakes_and_counts_the_rest() -> None:
    text = "name: x\n" + "".join(f"key{n}: 1\n" for n in range(80))
    with pytest.raises(BadInput, match=r"80 errors in file.yaml.* 50") as caught:
        read(text, FILE)
    assert len(caught.value.problems) == 50


@given(st.binary(max_size=200))
def test_no_bytes_do_more_than_name_mistakes(data: bytes) -> None:
    try:
        read(data, FILE)
    except BadInput as error:
        assert error.problems  # noqa: PT017 - any text may also happen to be right


@given(st.floats(min_value=1e-6, max_value=100))
def test_every_finite_number_in_bounds_reads_back_exactly(value: float) -> None:
    assert read(f"value: {value!r}", NUMBER) == {"value": value}


@pytest.mark.parametrize(
    ("text", "line"),
    [("value: 1\nvalue: [1, 2\n", 3), ("value: 1\n\n  - x: : y\n", 3), ("\tvalue: 1\n", 1)],
)
def test_what_is_no_yaml_is_named_at_its_line(text: str, line: int) -> None:
    [(found, _, _)] = problems(text, NUMBER)
    assert found == line


def test_what_is_no_text_is_named_at_its_line() -> None:
    [(found, _, what)] = problems(b"value: 1\n# \xff\n", NUMBER)
    assert (found, what) == (2, "not a text file in UTF-8")
