"""Text for people: cleaned, and wrapped at words."""

from __future__ import annotations

import io
import re

import pytest

from agent.change.outcome import STATE_WORDS
from agent.face.screen import _RANKS, _STATES, Screen, ranked, wrapped


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        ("one two three", ["one two", "three"]),
        ("  a b", ["  a b"]),
        ("  one two three", ["  one two", "  three"]),
        ("", [""]),
        ("a\n\nb", ["a", "", "b"]),
        ("a\x1b[2J", ["a\\x1b[2J"]),
        ("abcde 12 mm", ["abcde", "12 mm"]),
        ("abcdef ± 5 s", ["abcdef", "± 5 s"]),
        ("do 'a b c' now", ["do", "'a b c'", "now"]),
        ("! ab", ["Warning:", "ab"]),
        ("- one two three", ["- one two", "  three"]),
        ("a  one two", ["a  one", "   two"]),
        ("one two  three four", ["one two", "three", "four"]),
    ],
)
def test_lines_keep_their_blanks_and_break_at_words(text: str, lines: list[str]) -> None:
    assert wrapped(text, 9) == lines


@pytest.mark.parametrize("columns", [60, 80, 120, 200])
def test_a_table_loses_no_figure_and_no_unit_at_any_width(
    columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    heads = [(f"column {n}, mm", n % 2 == 0) for n in range(9)]
    rows = [[f"{10 * n + k}.12345 mm" for n in range(9)] for k in (1, 2)]
    Screen().table(heads, rows)
    lines = capsys.readouterr().out.splitlines()
    shown = "\n".join(lines)
    assert [line for line in lines if line != line.rstrip()] == []
    assert max(map(len, lines)) <= columns
    for cell in [*(head for head, _ in heads), *rows[0], *rows[1]]:
        assert cell in shown


def test_a_column_without_a_heading_makes_no_empty_line_in_a_narrow_window(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    Screen().table([("wanted", False), ("", False)], [["scale, across " * 2, "not determined"]])
    assert "" not in capsys.readouterr().out.splitlines()


def test_a_warning_has_its_word_where_nothing_is_coloured(
    capsys: pytest.CaptureFixture[str],
) -> None:
    Screen().say("! the belt slips")
    assert capsys.readouterr().out == "Warning: the belt slips\n"
    lines = wrapped("All is well.\n! it slips", 40)
    assert ranked(lines, coloured=True) == "All is well.\n\x1b[1;35mWarning:\x1b[0m it slips"


def test_every_result_of_a_write_has_its_colour() -> None:
    assert set(STATE_WORDS.values()) <= set(_STATES)


def test_no_colour_is_used_that_is_not_read_on_white_or_on_black() -> None:
    used = {word for style in [*_RANKS.values(), *_STATES.values()] for word in style.split()}
    assert used <= {"bold", "red", "magenta", "green"}


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("typed", "wanted"), [("", list(range(40))), ("e", [*range(8), *range(32, 40)])]
)
def test_a_long_answer_goes_page_by_page_and_its_end_is_shown(
    typed: str, wanted: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = _Terminal()
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stdin", _Terminal())
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("LINES", "10")
    screen = Screen(lambda question: typed)

    def show() -> None:
        for number in range(40):
            screen.say(f"line {number}.")

    screen.answer({}, show)
    assert [int(n) for n in re.findall(r"line (\d+)\.", out.getvalue())] == wanted


def test_what_a_file_holds_is_quoted_line_by_line(capsys: pytest.CaptureFixture[str]) -> None:
    """A wrapped line of YAML would be another file, and so would a wrapped line of a diff."""
    long = "  key: {" + "a: 1, " * 30 + "b: 2}"
    Screen().quote(f"# one\n\n{long}\x07")
    assert capsys.readouterr().out == f"  # one\n\n  {long}\\x07\n"


def test_a_row_without_a_last_word_takes_no_line_more(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    columns = [("reading", False), ("measured, mm", True), ("expected, mm", True), ("", False)]
    rows = [("a" * 30, "1.0", "1.0", "read again"), ("b" * 30, "1.0", "1.0", "")]
    Screen().table(columns, rows)
    shown = capsys.readouterr().out.splitlines()
    assert [line for line in shown if not line.strip()] == []
    assert shown[-2].strip() == "read again"
    assert shown[-1].startswith("b" * 30)


class Window(io.StringIO):
    """Standard output at which somebody sits."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("lines", "answers", "shown", "asked"),
    [
        (8, [], list(range(8)), []),
        (9, [""], list(range(9)), [1]),
        (20, ["", ""], list(range(20)), [12, 4]),
        (20, ["e"], [*range(8), "passed over 4", *range(12, 20)], [12]),
        (14, ["e"], [*range(8), *range(8, 14)], [6]),
        (17, ["e"], [*range(8), "passed over 1", *range(9, 17)], [9]),
    ],
)
def test_a_long_answer_is_shown_page_by_page_and_its_end_always(
    lines: int,
    answers: list[str],
    shown: list[object],
    asked: list[int],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Ten rows: two are left for the question."""
    questions: list[str] = []

    def ask(question: str) -> str:
        questions.append(question)
        return answers[len(questions) - 1]

    screen = Screen(ask)
    out = Window()
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stdin", Window())
    monkeypatch.setattr(Screen, "rows", 10)
    monkeypatch.setenv("TERM", "xterm")
    screen.answer({}, lambda: [screen.say(f"{n}") for n in range(lines)] and None)
    told = [f"-- {n} lines passed over --" if (n := _passed(row)) else str(row) for row in shown]
    assert out.getvalue().splitlines() == told
    words = "more lines: Enter goes on, 'e' shows the end --"
    assert questions == [f"-- {left} {words}" for left in asked]


def _passed(row: object) -> int:
    return int(str(row).rpartition(" ")[2]) if "passed" in str(row) else 0


@pytest.mark.parametrize(
    ("term", "pages", "rows"), [("dumb", True, 1), ("xterm", False, 1), ("xterm", True, 1000)]
)
def test_where_nobody_turns_pages_all_is_shown_at_once(
    term: str, pages: bool, rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def ask(question: str) -> str:
        raise AssertionError(question)

    screen = Screen(ask)
    screen.pages = pages
    out = Window()
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stdin", Window())
    monkeypatch.setattr(Screen, "rows", rows)
    monkeypatch.setenv("TERM", term)
    screen.answer({}, lambda: [screen.say(f"{n}") for n in range(9)] and None)
    assert out.getvalue().splitlines() == [str(n) for n in range(9)]


def test_a_question_in_the_middle_shows_what_was_gathered_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    out = Window()
    seen: list[str] = []

    def ask(question: str) -> str:
        seen.append(out.getvalue())
        return "no"

    screen = Screen(ask)
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stdin", Window())
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(Screen, "rows", 30)

    def show() -> None:
        screen.say("gathered")
        assert not screen.agrees("Really?")
        screen.say("behind it")

    screen.answer({}, show)
    assert seen == ["gathered\n"]
    assert out.getvalue() == "gathered\nbehind it\n"
