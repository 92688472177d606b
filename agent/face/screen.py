"""What the technician sees and is asked: text, tables, progress, questions.

Everything printed passes here, so that text from a controller cannot move the cursor, colours
never carry meaning alone, and a `--json` command keeps standard output for its one document.
"""

from __future__ import annotations

import os
import sys
import textwrap
import unicodedata
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any, Final

from agent.errors import Refused

if TYPE_CHECKING:
    from rich.console import Console

#: Widest line of running text; a wide window is no reason for long lines.
_TEXT_WIDTH = 80

#: The one word that is heard at every question.
HALT: Final = "halt"

#: A column: its heading, and whether its values stand flush right.
Column = tuple[str, bool]


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


def wrapped(text: str, width: int) -> list[str]:
    """Lines of `text`, cleaned, wrapped at words; what starts with a blank keeps its blanks."""
    lines: list[str] = []
    for line in clean(text).split("\n"):
        if line.startswith(" ") and len(line) <= width:
            lines.append(line)
        else:
            blanks = line[: len(line) - len(line.lstrip(" "))]
            lines += textwrap.wrap(
                line, width, break_on_hyphens=False, subsequent_indent=blanks
            ) or [""]
    return lines


def _text_width() -> int:
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
        self._ask = ask
        self._reading: Callable[[str, Callable[[str], str]], str] | None = None

    def reading_with(self, ask: Callable[[str, Callable[[str], str]], str] | None) -> None:
        """From now on questions for a reading go this way: (question, how else to ask)."""
        self._reading = ask

    def ask_with(self, ask: Callable[[str], str]) -> None:
        """From now on questions go this way."""
        self._ask = ask

    @property
    def console(self) -> Console:
        """Where text for people goes: standard error while a program reads standard output."""
        from rich.console import Console

        console = Console(stderr=self.json, highlight=False, markup=False, emoji=False)
        console.width = min(console.width, 100)
        return console

    @property
    def rows(self) -> int:
        """Rows of the window; plenty where there is none."""
        import shutil

        return shutil.get_terminal_size().lines if sys.stdout.isatty() else 1000

    def say(self, text: str = "") -> None:
        """Text for people, wrapped at words; lines that start with a blank are kept as they are."""
        stream = sys.stderr if self.json else sys.stdout
        stream.write("\n".join(wrapped(text, _text_width())) + "\n")
        stream.flush()

    def complain(self, text: str) -> None:
        """Text for people on standard error, wrapped like `say`."""
        sys.stderr.write("\n".join(wrapped(text, _text_width())) + "\n")

    def heading(self, text: str) -> None:
        """A heading: bold where there is bold, underlined by a row of dashes everywhere."""
        console = self.console
        console.print(f"\n{clean(text)}", style="bold", soft_wrap=True)
        console.print("-" * min(len(text), console.width))

    def table(self, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> None:
        """A table; the last column wraps where the window is narrow."""
        from rich import box
        from rich.table import Table

        table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
        for place, (name, right) in enumerate(columns):
            table.add_column(
                name,
                justify="right" if right else "left",
                no_wrap=place < len(columns) - 1,
                overflow="fold",
            )
        for row in rows:
            table.add_row(*map(clean, row))
        self.console.print(table)

    def answer(self, document: Mapping[str, Any], show: Callable[[], None]) -> None:
        """The result of a command: `document` for a program, or whatever `show` prints."""
        if self.json or self.collected is not None:
            self.document(document)
        else:
            show()

    def document(self, document: Mapping[str, Any]) -> None:
        """The one JSON document of a command; a second one is left out."""
        if self.collected is not None:
            self.collected.append(dict(document))
        elif not self.answered:
            self._write(document)
        self.answered = True

    def documents(self, documents: Sequence[Mapping[str, Any]]) -> None:
        """A list of documents as the answer of a command that was asked several things at once."""
        if self.collected is not None:
            self.collected.extend(dict(document) for document in documents)
        elif not self.answered:
            self._write(documents)
        self.answered = True

    def _write(self, answer: Mapping[str, Any] | Sequence[Mapping[str, Any]]) -> None:
        import json

        sys.stdout.write(json.dumps(answer, indent=2, allow_nan=False) + "\n")
        sys.stdout.flush()

    def ask(self, question: str, *, reading: bool = False) -> str:
        """The technician's answer to one question, without blanks around it.

        reading: a reading is asked for, which an instrument may give as well.
        """
        width = _text_width() - 8  # room for a short answer behind it
        text = "\n".join(wrapped(question, width)) + " "
        if reading and self._reading is not None:
            answer = self._reading(text, self._ask).strip()
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


def bar(share: float, width: int = 24) -> str:
    """A share from 0 to 1 as a row of marks."""
    filled = round(min(max(share, 0.0), 1.0) * width)
    return "#" * filled + "-" * (width - filled)
