"""Text for people: cleaned, and wrapped at words."""

from __future__ import annotations

import io
import json
import os
import re
from types import SimpleNamespace

import pytest

from agent.change.outcome import STATE_WORDS
from agent.errors import Refused
from agent.face.screen import (
    _RANKS,
    _STATES,
    Screen,
    _broken_up,
    bar,
    ranked,
    text_width,
    typed_line,
    wrapped,
)


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
        ("ab  one two", ["ab  one", "    two"]),  # four of nine: the rest stands under it
        ("abc  one two", ["abc  one", "two"]),  # more than half the width would be lost
        (" abcdefg ", [" abcdefg "]),
        ("1. one two", ["1. one", "   two"]),
        ("12 % of", ["12 % of"]),
        ("abcd 12 °C", ["abcd", "12 °C"]),
        ("a 'b c' d e", ["a 'b c' d", "e"]),
    ],
)
def test_lines_keep_their_blanks_and_break_at_words(text: str, lines: list[str]) -> None:
    assert wrapped(text, 9) == lines


@pytest.mark.parametrize("columns", [60, 80, 120, 200])
def test_a_table_loses_no_figure_and_no_unit_at_any_width(
    columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    heads = [f"{'' if n % 2 else '>'}column {n}, mm" for n in range(9)]
    rows = [[f"{10 * n + k}.12345 mm" for n in range(9)] for k in (1, 2)]
    Screen().table(heads, rows)
    lines = capsys.readouterr().out.splitlines()
    shown = "\n".join(lines)
    assert [line for line in lines if line != line.rstrip()] == []
    assert max(map(len, lines)) <= columns
    for cell in [*(head.lstrip(">") for head in heads), *rows[0], *rows[1]]:
        assert cell in shown


def test_a_column_without_a_heading_makes_no_empty_line_in_a_narrow_window(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    Screen().table(["wanted", ""], [["scale, across " * 2, "not determined"]])
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


class Window(io.StringIO):
    """Standard output at which somebody sits."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("typed", "wanted"), [("", list(range(40))), ("e", [*range(8), *range(32, 40)])]
)
def test_a_long_answer_goes_page_by_page_and_its_end_is_shown(
    typed: str, wanted: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = Window()
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stdin", Window())
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
    columns = ["reading", ">measured, mm", ">expected, mm", ""]
    rows = [("a" * 30, "1.0", "1.0", "read again"), ("b" * 30, "1.0", "1.0", "")]
    Screen().table(columns, rows)
    shown = capsys.readouterr().out.splitlines()
    assert [line for line in shown if not line.strip()] == []
    assert shown[-2].strip() == "read again"
    assert shown[-1].startswith("b" * 30)


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


def at_window(monkeypatch: pytest.MonkeyPatch) -> Window:
    """A terminal of 80 columns that takes colours, with somebody at it."""
    out = Window()
    monkeypatch.setattr("sys.stdout", out)
    monkeypatch.setattr("sys.stdin", Window())
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    for name in ("NO_COLOR", "COLORTERM", "LINES", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    return out


def coloured_things(screen: Screen) -> None:
    """Words that a library of terminals would take for its own signs, and what has a colour."""
    screen.heading("[b]12[/b] :smile:")
    screen.table(["a [b]1[/b]", ""], [(":smile: 3", "agrees"), ("4", "(!) 5")])


@pytest.mark.parametrize("pages", [True, False])
@pytest.mark.parametrize("coloured", [True, False])
def test_what_is_shown_page_by_page_looks_as_it_does_at_once(
    pages: bool, coloured: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bold is kept without colours, signs of others stay as they are, numbers have no colour."""
    window = at_window(monkeypatch)
    window = at_window(monkeypatch)
    screen = Screen()
    screen.pages, screen.coloured = pages, coloured
    screen.answer({}, lambda: coloured_things(screen))
    green, red = (
        ("\x1b[32magrees\x1b[0m", "\x1b[31m(!) 5\x1b[0m") if coloured else ("agrees", "(!) 5")
    )
    assert window.getvalue().splitlines() == [
        "",
        "\x1b[1m[b]12[/b] :smile:\x1b[0m",
        "-----------------",
        "\x1b[1ma [b]1[/b]\x1b[0m",
        "------------------",
        f":smile: 3   {green}",
        f"4           {red}",
    ]


@pytest.mark.parametrize(
    ("json", "coloured", "environment", "tty", "wanted"),
    [
        (False, True, {}, (True, False), True),
        (True, True, {}, (True, False), False),  # beside a document people read standard error
        (True, True, {}, (False, True), True),
        (False, False, {}, (True, True), False),
        (False, True, {"NO_COLOR": "1"}, (True, True), False),
        (False, True, {"NO_COLOR": ""}, (True, True), True),
        (False, True, {"TERM": "dumb"}, (True, True), False),
        (False, True, {"TERM": ""}, (True, True), False),
    ],
)
def test_where_colours_may_be(
    json: bool,
    coloured: bool,
    environment: dict[str, str],
    tty: tuple[bool, bool],
    wanted: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    at_window(monkeypatch)
    for name, at in zip(("sys.stdout", "sys.stderr"), tty, strict=True):
        monkeypatch.setattr(name, Window() if at else io.StringIO())
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    screen = Screen()
    screen.json, screen.coloured = json, coloured
    assert screen.colours is wanted


def test_a_complaint_is_coloured_only_where_it_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Standard error may go into a file while somebody sits at standard output."""
    window = at_window(monkeypatch)
    for err, rank in ((Window(), "\x1b[1;31mStop:\x1b[0m"), (io.StringIO(), "Stop:")):
        monkeypatch.setattr("sys.stderr", err)
        Screen().complain("Stop: it burns")
        assert err.getvalue() == f"{rank} it burns\n"
    assert window.getvalue() == ""


@pytest.mark.parametrize(
    ("line", "shown"),
    [
        ("Note: a: b", "\x1b[1mNote:\x1b[0m a: b"),
        ("- Warning: a", "\x1b[1;35m- Warning:\x1b[0m a"),
        ("Stop", "Stop"),
        ("a Stop: b", "a Stop: b"),
        ("Next: Stop", "Next: Stop"),
    ],
)
def test_the_word_of_a_rank_is_coloured_at_the_head_of_a_line(line: str, shown: str) -> None:
    assert ranked([line], coloured=True) == shown
    assert ranked([line, "b"], coloured=False) == f"{line}\nb"


@pytest.mark.parametrize(
    ("environment", "terminal", "width"),
    [
        ("50", None, 50),
        ("200", None, 80),  # a wide window is no reason for long lines
        ("", 60, 60),
        ("wide", 120, 80),
        ("wide", 0, 80),  # a terminal that does not know
        ("wide", None, 80),
    ],
)
def test_running_text_is_as_wide_as_the_window_up_to_80(
    environment: str, terminal: int | None, width: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def size(_file: int) -> os.terminal_size:
        if terminal is None:
            raise OSError("no terminal")
        return os.terminal_size((terminal, 24))

    monkeypatch.setenv("COLUMNS", environment)
    monkeypatch.setattr("os.get_terminal_size", size)
    monkeypatch.setattr("sys.stdout", SimpleNamespace(fileno=lambda: 1))
    assert text_width() == width


def test_a_window_has_its_rows_and_a_pipe_plenty(monkeypatch: pytest.MonkeyPatch) -> None:
    at_window(monkeypatch)
    monkeypatch.setenv("LINES", "17")
    assert Screen().rows == 17
    monkeypatch.setattr("sys.stdout", io.StringIO())
    assert Screen().rows == 1000


def test_a_heading_is_underlined_as_far_as_it_goes(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "20")
    Screen().heading("a heading of two lines")
    Screen().heading("")
    assert capsys.readouterr().out == f"\na heading of two\nlines\n{'-' * 16}\n\n\n\n"
    monkeypatch.setenv("COLUMNS", "300")
    Screen().heading("x " * 99)
    assert capsys.readouterr().out.splitlines()[-1] == "-" * 99, "no wider than 100"


def test_beside_a_document_people_read_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen()
    screen.json = True
    screen.say("words")
    screen.heading("head")
    screen.table(["a"], [("1",)])
    screen.answer({"a": 1}, lambda: screen.say("not this"))
    screen.document({"a": 2})  # a second one is left out
    screen.documents([{"a": 3}])
    said = capsys.readouterr()
    assert said.out == '{\n  "a": 1\n}\n'
    assert said.err == "words\n\nhead\n----\na\n-\n1\n"


def test_a_list_of_documents_is_one_answer(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen()
    screen.json = True
    screen.documents([{"a": 1}, {"b": 2}])
    screen.document({"a": 2})
    assert json.loads(capsys.readouterr().out) == [{"a": 1}, {"b": 2}]
    with pytest.raises(ValueError, match="JSON"):  # RFC 8259 knows no such number
        Screen().document({"a": float("nan")})


def test_what_a_script_answers_is_gathered(capsys: pytest.CaptureFixture[str]) -> None:
    screen = Screen()
    screen.collected = []
    screen.answer({"a": 1}, lambda: screen.say("not this"))
    screen.documents([{"b": 2}, {"c": 3}])
    assert screen.collected == [{"a": 1}, {"b": 2}, {"c": 3}]
    assert screen.answered
    assert capsys.readouterr().out == ""


def test_an_answer_within_an_answer_is_part_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    window = at_window(monkeypatch)
    screen = Screen()

    def outer() -> None:
        screen.say("one")
        screen.answer({}, lambda: screen.say("two"))
        assert window.getvalue() == ""  # all of it is shown at the end

    screen.answer({}, outer)
    assert window.getvalue() == "one\ntwo\n"


def test_what_broke_off_is_shown_as_far_as_it_went(monkeypatch: pytest.MonkeyPatch) -> None:
    window = at_window(monkeypatch)
    screen = Screen()

    def broken() -> None:
        screen.say("one")
        raise Refused("no further")

    with pytest.raises(Refused):
        screen.answer({}, broken)
    assert window.getvalue() == "one\n"


def test_the_end_of_standard_input_is_an_empty_answer(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("  yes \n"))
    assert [typed_line("Really? "), typed_line("Truly? ")] == ["yes", ""]
    assert capsys.readouterr().err == "Really? Truly? ", "standard output is for the answer"


def test_a_question_leaves_room_for_its_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight columns of the window stay free behind its last line."""
    asked: list[str] = []
    monkeypatch.setenv("COLUMNS", "20")
    screen = Screen(lambda question: (asked.append(question), " yes ")[1])
    assert screen.ask("one two three four") == "yes"
    assert asked == ["one two\nthree four "]
    heard: list[str] = []
    screen.reading = lambda question, ask: (heard.append(question), " 7 ")[1]
    assert screen.ask("how long?", reading=True) == "7"
    assert screen.ask("how long?") == "yes"
    assert heard == ["how long? "]


@pytest.mark.parametrize(
    ("typed", "agrees", "keeps"),
    [("yes", True, True), ("YES", True, True), ("y", False, False), ("", False, False)],
)
def test_only_the_whole_word_agrees(typed: str, agrees: bool, keeps: bool) -> None:
    screen = Screen(lambda question: typed)
    assert screen.agrees("Go on?") is agrees
    assert screen.keeps("It is odd.") is keeps
    assert not screen.agrees("Go on?", "understood")


@pytest.mark.parametrize("typed", ["halt", "HALT"])
def test_halt_is_heard_at_every_question_where_a_machine_listens(typed: str) -> None:
    screen = Screen(lambda question: typed)
    assert screen.ask("How long?") == typed  # nobody could send it
    screen.on_halt = lambda: False
    assert screen.ask("How long?") == typed  # no machine is attached
    screen.on_halt = lambda: True
    with pytest.raises(Refused, match="the emergency word was sent"):
        screen.ask("How long?")
    assert Screen(lambda question: "").ask("How long?") == ""


@pytest.mark.parametrize(
    ("done", "shown"),
    [
        (None, f"laying [b]  {'-' * 24} 0 of 20 lines,"),
        (5, f"laying [b]  {'#' * 6}{'-' * 18} 5 of 20 lines,"),
        (20, f"laying [b]  {'#' * 24} 20 of 20 lines,"),
    ],
)
def test_how_far_it_is_stands_as_a_bar_and_in_lines(
    done: int | None, shown: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with Screen().progress("laying [b]", 20) as tell:
        if done is not None:
            tell(done)
    said = capsys.readouterr().out.rstrip()
    assert said.startswith(shown)
    assert said.endswith(" left")


@pytest.mark.parametrize(
    ("share", "marks"), [(-1.0, "----"), (0.0, "----"), (0.3, "#---"), (1.0, "####"), (2.0, "####")]
)
def test_a_bar_shows_a_share(share: float, marks: str) -> None:
    assert bar(share, 4) == marks


@pytest.mark.parametrize(
    ("widths", "room", "lines"),
    [
        ([5, 5, 5], 19, [[0, 1, 2]]),  # 5 + 2 + 5 + 2 + 5
        ([5, 5, 5], 18, [[0, 1], [2]]),
        ([5, 5, 40], 30, [[0, 1, 2]]),  # 16 are enough for a last column, which wraps
        ([5, 5, 40], 29, [[0, 1], [2]]),
        ([5, 5, 16], 30, [[0, 1, 2]]),
        ([9, 9, 9], 11, [[0], [1], [2]]),
        ([9, 4, 3], 15, [[0, 1], [2]]),
        ([9, 9, 2, 3], 18, [[0], [1, 2], [3]]),  # further lines are moved in by 2: 2 + 9 + 2 + 2
        ([9, 9, 2, 1], 18, [[0], [1, 2, 3]]),
        ([40], 30, [[0]]),
    ],
)
def test_columns_stand_on_as_few_lines_as_hold_them(
    widths: list[int], room: int, lines: list[list[int]]
) -> None:
    """Two blanks stand between columns, and before the further lines of a row."""
    assert _broken_up(widths, room) == lines


def test_a_narrow_table_stands_as_it_is_drawn_here(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "24")
    columns = ["name", ">old, mm", ">new, mm", "why it is so"]
    rows = [("x", "1.0", "12.25", "it was measured\nanew today"), ("longer", "-", "7", "")]
    Screen().table(columns, rows)
    assert capsys.readouterr().out.splitlines() == [
        "name    old, mm  new, mm",
        "  why it is so",
        "------------------------",
        "x           1.0    12.25",
        "  it was measured anew",
        "  today",
        "longer        -        7",
    ]
