"""What the technician sees and is asked: text, tables, progress, questions.

Everything printed passes here, so that text from a controller cannot move the cursor, colours
never carry meaning alone, and a `--json` command keeps standard output for its one document.
"""

from __future__ import annotations

import os
import re
import sys
import textwrap
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from functools import partial
from io import StringIO
from typing import TYPE_CHECKING, Any, Final

from agent.errors import Refused
from agent.face.columns import Columns, headed

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from agent.face.parts import Table

#: Widest line of running text; a wide window is no reason for long lines.
_TEXT_WIDTH = 80

#: The one word that is heard at every question.
HALT: Final = "halt"

#: Space between two columns of a table.
_GAP: Final = 2

#: Least width that is left to a last column that wraps.
_LEAST_LAST: Final = 16

#: Styles of the three ranks, in colours that are read on white and on black
#: (yellow and cyan are not read on white, blue not on black); no background.
_RANKS: Final = {"Stop": "bold red", "Warning": "bold magenta", "Note": "bold"}

#: Words of tables that are seen by colour as well: what wants a hand, what is wrong, what is well.
_STATES: Final = {
    **dict.fromkeys(("set steps/mm", "set slicing angle", "by hand", "see notes"), "magenta"),
    **dict.fromkeys(
        ("old value, not written", "unexpected value", "not known until read back"), "red"
    ),
    **dict.fromkeys(("read again", "disagrees"), "bold red"),
    **dict.fromkeys(("in tolerance", "within uncertainty", "agrees"), "green"),
    "new value confirmed": "green",
}


def clean(text: str) -> str:
    """`text` with every control and format character but line ends made visible as `\\x1b`.

    A controller's text may hold anything; printed like this it cannot do anything.
    """
    return "".join(
        c if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co") else _visible(c)
        for c in text
    )


def _visible(character: str) -> str:
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


#: Blanks at which no line is broken: between a figure and its unit or its `±`, and inside a short
#: line to type that stands in quotes.
_UNIT: Final = re.compile(r"(?<=[\d)]) (?=(?:%|°C?|mm/s|mm|step/mm|min|s)(?![\w/]))|(?<=±) (?=\d)")
_QUOTED: Final = re.compile(r"(?<!\w)'[^'\n]{1,30}'(?!\w)")
#: What the further lines of a paragraph stand behind: blanks, a dash, or a word of a list with two
#: blanks behind it.
_HANGING: Final = re.compile(r"( *(?:- |\d\. |\S+(?: \S+)* {2,})?).*", re.DOTALL)
_JOINED: Final = "\x00"  # `clean` leaves none of these


def wrapped(text: str, width: int) -> list[str]:
    """Lines of `text`, cleaned, wrapped at words; what starts with a blank keeps its blanks.

    A paragraph that begins with `! ` is a warning.
    """
    lines: list[str] = []
    for line in clean(text).split("\n"):
        if line.startswith(" ") and len(line) <= width:
            lines.append(line)
        else:
            if line.startswith("! "):
                line = f"Warning: {line[2:]}"
            head = hanging(line)
            head = head if len(head) <= width // 2 else ""
            hung = len(head)
            lines += broken(line[hung:], width, head=head, under=" " * hung) or [""]
    return lines


def hanging(line: str) -> str:
    """The beginning of a line that its further lines do not stand under."""
    return _HANGING.sub(r"\1", line)


def broken(text: str, width: int, *, head: str = "", under: str = "") -> list[str]:
    """One paragraph in lines, broken where it may be: `head` before the first, `under` the rest."""
    held = _QUOTED.sub(lambda found: found[0].replace(" ", _JOINED), text)
    lines = textwrap.wrap(
        _UNIT.sub(_JOINED, held),
        width,
        break_on_hyphens=False,
        initial_indent=head,
        subsequent_indent=under,
    )
    return [line.replace(_JOINED, " ") for line in lines]


def text_width() -> int:
    """Columns for running text: the window's, but no more than reads well."""
    with suppress(KeyError, ValueError):
        return min(int(os.environ["COLUMNS"]), _TEXT_WIDTH)
    with suppress(OSError, ValueError):  # no terminal; shutil would ask the same, but load 2 ms
        return min(os.get_terminal_size(sys.stdout.fileno()).columns or _TEXT_WIDTH, _TEXT_WIDTH)
    return _TEXT_WIDTH


def typed_line(question: str) -> str:
    """One answer from standard input; its end counts as an empty answer."""
    sys.stderr.write(question)
    sys.stderr.flush()
    return sys.stdin.readline().strip()


class Screen:
    """Prints for people and for programs, and asks people."""

    def __init__(self, ask: Callable[[str], str] = typed_line) -> None:
        self.json = False  #: True while a command that was given `--json` runs
        self.answered = False  #: the command has given its document
        self.collected: list[dict[str, Any]] | None = None  #: where `run --json` gathers answers
        self.on_halt: Callable[[], bool] | None = None  #: 'halt' typed in answer to a question
        self.coloured = True  #: False after `--no-color`; the terminal and NO_COLOR have a word too
        self.pages = True  #: False after `--no-pager`
        self._held: StringIO | None = None  #: where a long answer is gathered
        self._ask = ask
        #: where questions for a reading go, if elsewhere: (question, how else to ask)
        self.reading: Callable[[str, Callable[[str], str]], str] | None = None

    def ask_with(self, ask: Callable[[str], str]) -> None:
        """From now on questions go this way."""
        self._ask = ask

    @property
    def console(self) -> Console:
        """Where text for people goes: standard error while a program reads standard output."""
        from rich.console import Console

        as_it_is = partial(
            Console,
            highlight=False,
            markup=False,
            emoji=False,
            no_color=None if self.coloured else True,
        )
        console = as_it_is(stderr=self.json)
        width = min(console.width, 100)
        if self._held is not None:  # told to a page as it would be told to the terminal
            console = as_it_is(
                file=self._held,
                force_terminal=console.is_terminal,
                color_system="standard" if console.color_system else None,
            )
        console.width = width
        return console

    @property
    def colours(self) -> bool:
        """True where what is said may be coloured."""
        stream = sys.stderr if self.json else sys.stdout
        plain = os.environ.get("NO_COLOR") or os.environ.get("TERM", "") in ("", "dumb")
        return self.coloured and not plain and stream.isatty()

    @property
    def rows(self) -> int:
        """Rows of the window; plenty where there is none."""
        import shutil

        return shutil.get_terminal_size().lines if sys.stdout.isatty() else 1000

    def say(self, text: str = "") -> None:
        """Text for people, wrapped at words; lines that start with a blank are kept as they are."""
        self._write_out(ranked(wrapped(text, text_width()), self.colours) + "\n")

    def quote(self, text: str) -> None:
        """Lines of a file as they stand in it, moved in by two blanks and never wrapped."""
        self._write_out("".join(f"  {line}".rstrip() + "\n" for line in clean(text).split("\n")))

    def _write_out(self, text: str) -> None:
        stream = self._held or (sys.stderr if self.json else sys.stdout)
        stream.write(text)
        stream.flush()

    def complain(self, text: str) -> None:
        """Text for people on standard error, wrapped like `say`."""
        coloured = self.colours and sys.stderr.isatty()
        sys.stderr.write(ranked(wrapped(text, text_width()), coloured) + "\n")

    def heading(self, text: str) -> None:
        """A heading: bold where there is bold, underlined by a row of dashes everywhere."""
        console = self.console
        lines = textwrap.wrap(clean(text), console.width) or [""]
        console.print("\n" + "\n".join(lines), style="bold", soft_wrap=True)
        console.print("-" * max(map(len, lines)))

    def show(self, table: Table) -> None:
        """A table that the report may show as well; its caption is for paper."""
        here = table.on_screen
        self._table(here.columns, here.rows)

    def table(self, headings: Iterable[str], rows: Sequence[Sequence[str]]) -> None:
        """A table of columns as `headed` has them."""
        self._table(headed(*headings), rows)

    def _table(self, columns: Columns, rows: Sequence[Sequence[str]]) -> None:
        """A table; where the window is narrow its rows become two lines or more.

        No figure and no unit is cut: the last column alone wraps, at words.
        """
        from rich.cells import cell_len

        console = self.console
        cells = [[clean(cell).replace("\n", " ") for cell in row] for row in rows]
        widths = [
            max(map(cell_len, (name, *(row[place] for row in cells))))
            for place, (name, _) in enumerate(columns)
        ]
        lines = _broken_up(widths, console.width)
        heads = [name for name, _ in columns]
        for style, row in (("bold", heads), *(("", row) for row in cells)):
            for number, places in enumerate(lines):
                if (style or number) and not any(row[place] for place in places):
                    continue  # columns that have no heading, or nothing further in a row
                console.print(_row(columns, row, widths, places, number, console.width, style))
            if style:
                wide = max(sum(widths[p] + _GAP for p in places) for places in lines)
                console.print("-" * min(wide - _GAP, console.width), style="")

    def answer(self, document: Mapping[str, Any], show: Callable[[], None] | str) -> None:
        """The result of a command: `document` for a program, or what `show` prints or is."""
        if self.json or self.collected is not None:
            self.document(document)
        elif isinstance(show, str):
            self.answer(document, partial(self.say, show))
        elif not self._may_page or self._held is not None:
            show()
        else:
            self._held = StringIO()
            try:
                show()
            finally:
                self._turn_pages()

    @property
    def _may_page(self) -> bool:
        """True at a terminal where somebody sits; never in pipes."""
        return (
            self.pages
            and os.environ.get("TERM") != "dumb"
            and sys.stdin.isatty()
            and sys.stdout.isatty()
        )

    def _turn_pages(self) -> None:
        """Show what was gathered; more than a window page by page, its end always."""
        held, self._held = self._held, None
        lines = [] if held is None else held.getvalue().splitlines()
        page = self.rows - 2
        while lines:
            show, lines = lines[:page], lines[page:]
            sys.stdout.write("\n".join(show) + "\n")
            sys.stdout.flush()
            if (
                lines
                and self._ask(
                    f"-- {len(lines)} more lines: Enter goes on, 'e' shows the end --"
                ).strip()
            ):
                if len(lines) > page:
                    sys.stdout.write(f"-- {len(lines) - page} lines passed over --\n")
                lines = lines[-page:]

    def document(self, document: Mapping[str, Any]) -> None:
        """The one JSON document of a command; a second one is left out."""
        if self.collected is not None:
            self.collected.append(dict(document))
        else:
            self._write(document)
        self.answered = True

    def documents(self, documents: Sequence[Mapping[str, Any]]) -> None:
        """A list of documents as the answer of a command that was asked several things at once."""
        if self.collected is not None:
            self.collected.extend(dict(document) for document in documents)
        else:
            self._write(documents)
        self.answered = True

    def _write(self, answer: Mapping[str, Any] | Sequence[Mapping[str, Any]]) -> None:
        import json

        if not self.answered:
            sys.stdout.write(json.dumps(answer, indent=2, allow_nan=False) + "\n")
            sys.stdout.flush()

    def ask(self, question: str, *, reading: bool = False) -> str:
        """The technician's answer to one question, without blanks around it.

        reading: a reading is asked for, which an instrument may give as well.
        """
        if self._held is not None:
            self._turn_pages()
        width = text_width() - 8  # room for a short answer behind it
        text = "\n".join(wrapped(question, width)) + " "
        if reading and self.reading is not None:
            answer = self.reading(text, self._ask).strip()
        else:
            answer = self._ask(text).strip()
        if answer.lower() == HALT and self.on_halt is not None and self.on_halt():
            raise Refused(
                "halted: the emergency word was sent in answer to a question",
                remedy="If anything still moves or heats, use the power switch now. Reset the"
                " controller, then 'attach --again'",
            )
        return answer

    def agrees(self, question: str, word: str = "yes") -> bool:
        """True if the answer is exactly `word`; anything else means no."""
        return self.ask(f"{question} Type '{word}' to go on:").lower() == word

    def keeps(self, what: str) -> bool:
        """True if a reading that looks odd is kept all the same; Enter discards it."""
        wish = "Keep this reading? Type 'yes' to keep it, Enter to discard it:"
        return self.ask(f"{what} {wish}").lower() == "yes"

    @contextmanager
    def progress(self, what: str, total: int) -> Iterator[Callable[[int], None]]:
        """A bar with the time left; the value passed on is how much of `total` is done."""
        from rich.progress import Progress, TextColumn, TimeRemainingColumn

        columns = (
            TextColumn("{task.description}  {task.fields[bar]}", markup=False),
            TextColumn("{task.completed:.0f} of {task.total:.0f} lines,", markup=False),
            TimeRemainingColumn(compact=True),
            TextColumn("left", markup=False),
        )
        with Progress(*columns, console=self.console, transient=False) as bars:
            task = bars.add_task(clean(what), total=total, bar=bar(0.0))

            def done(count: int) -> None:
                bars.update(task, completed=count, bar=bar(count / total))

            yield done


def ranked(lines: Sequence[str], coloured: bool) -> str:
    """Wrapped lines as one text; where wished, the word that tells a line's rank is coloured."""
    return "\n".join(_coloured(line) if coloured else line for line in lines)


def _coloured(line: str) -> str:
    rank, colon, rest = line.partition(":")
    style = _RANKS.get(rank.removeprefix("- "))
    if not (colon and style):
        return line
    from rich.style import Style

    return Style.parse(style).render(f"{rank}:") + rest


def _broken_up(widths: Sequence[int], room: int) -> list[list[int]]:
    """Columns of a table by the line of a row that they stand on, as few lines as hold all."""
    lines, used = [[0]], widths[0]
    for place, width in enumerate(widths[1:], start=1):
        last = place == len(widths) - 1
        least = min(width, _LEAST_LAST) if last else width
        if used + _GAP + least > room:
            lines.append([])
            used = _GAP
        else:
            used += _GAP
        lines[-1].append(place)
        used += width
    return lines


def _row(
    columns: Columns,
    row: Sequence[str],
    widths: Sequence[int],
    places: Sequence[int],
    number: int,
    room: int,
    style: str,
) -> Text:
    """One line of a row; the last column wraps under itself where it must."""
    from rich.cells import cell_len
    from rich.text import Text

    indent = _GAP if number else 0
    line = Text(" " * indent, no_wrap=True, overflow="ignore")
    for place in places:
        if place != places[0]:
            line.append(" " * _GAP)
        cell, left = row[place], max(room - line.cell_len, 1)
        kind = style or _STATES.get(cell, "red" if cell.startswith("(!)") else "")
        if place == len(columns) - 1 and widths[place] > left:
            under = "\n" + " " * line.cell_len
            line.append(under.join(broken(cell, left)), kind)
            continue
        blanks, right = " " * (widths[place] - cell_len(cell)), columns[place][1] == "right"
        line.append(blanks + cell if right else cell, kind)
        if not right:
            line.append(blanks)
    line.rstrip()
    return line


def bar(share: float, width: int = 24) -> str:
    """A share from 0 to 1 as a row of marks."""
    filled = round(min(max(share, 0.0), 1.0) * width)
    return "#" * filled + "-" * (width - filled)
