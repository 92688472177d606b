"""The shell: the same verbs as one-shot, on one session, with history and completion."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Final

from agent import __version__
from agent.errors import BadInput
from agent.face.desk import Desk
from agent.work.signals import Ended

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem
    from prompt_toolkit import PromptSession
    from prompt_toolkit.completion import CompleteEvent, Completer, Completion
    from prompt_toolkit.document import Document
    from prompt_toolkit.formatted_text import FormattedText
    from prompt_toolkit.styles import Style

QUIT: Final = ("quit", "leave")

GREETING: Final = f"""\
plumbelt {__version__}. 'next' says what to do now, 'help' what there is, 'quit' leaves.
Ctrl-C stops what is going on; the power switch is the emergency stop."""


def split(line: str) -> list[str]:
    """Words of a typed line.  Raises BadInput for an open quote."""
    words = shlex.shlex(line, posix=True, punctuation_chars=False)
    words.whitespace_split, words.commenters = True, ""
    if sys.platform == "win32":
        words.escape = ""  # a backslash there is part of a path, or of \\.\COM12
    try:
        return list(words)
    except ValueError as refusal:
        raise BadInput(
            f"the line cannot be taken apart: {str(refusal).lower()}",
            remedy="Close the quote, or leave it out",
        ) from None


def run_line(desk: Desk, line: str) -> int:
    """Carry out one line of the shell; its exit code is kept for scripts."""
    from agent.face.main import run, show_error
    from agent.face.onward import LEADS_ON, name_next

    desk.screen.json = False
    desk.wake()
    desk.tell_news()
    try:
        if "\n" in line.strip():
            raise BadInput(
                "several lines were pasted at once",
                remedy="Nothing was done. Paste them one by one, or put them into a file and"
                " 'run FILE'",
            )
        words = split(line)
    except BadInput as error:
        show_error(error, desk)
        return error.exit_code
    entered = ""
    if not words:
        if not desk.offered:
            from agent.face.guide import step_now

            desk.offered = step_now(desk).line
            words = ["next"]
        else:
            entered = desk.offered
            words = split(entered)
            desk.screen.say(f"  {entered}")
            desk.offered = ""
    else:
        desk.offered = ""
    code = run(words, desk)
    desk.screen.json = False
    if code == 0:
        if entered:
            show_next(desk, entered)
        elif words[0] in LEADS_ON and "--json" not in words and sys.stdin.isatty():
            name_next(desk)
    return code


def show_next(desk: Desk, carried_out: str = "") -> None:
    """What comes next, so that one Enter does it: whoever follows the guide need not ask."""
    from agent.face.guide import step_now
    from agent.face.main import run

    step = step_now(desk)
    if not step.done or step.line != carried_out:
        desk.screen.say()
        run(["next"], desk)


def run_shell(desk: Desk, *, port: str | None = None) -> int:
    """Read lines and carry them out until the technician leaves.

    Returns an exit code: that of the attach to `port` if it failed, and then no line is read.
    Lines that come from a pipe or file are all carried out; the first failure of one is returned.
    """
    desk.in_shell = True
    desk.screen.say(GREETING)
    read = _reader(desk)
    typed, failed = sys.stdin.isatty(), 0
    try:
        if port is not None:
            from agent.face.main import run

            code = run(["attach", port], desk)
            if code:
                return code
            if typed:
                show_next(desk)
        while True:
            try:
                line = read()
            except Ended:  # a hang-up is no Ctrl-C at the prompt
                raise
            except KeyboardInterrupt:
                continue
            except EOFError:
                break
            if line.strip() in QUIT:
                if leaves(desk):
                    break
                continue
            code = run_line(desk, line)
            failed = failed or code
    except Ended:
        desk.end_safely()
        raise
    finally:
        desk.close()
    return 0 if typed else failed


def leaves(desk: Desk) -> bool:
    """True if the technician leaves; with something hot or not stored it is asked once."""
    session = desk.session
    if session.contact.link is None or not sys.stdin.isatty():
        return True
    bench = session.bench
    left = []
    if bench.heater_state in ("on", "unknown"):
        left.append(desk.heat_words())
    if bench.unstored:
        left.append("What was written is live and NOT STORED: it is lost with the power.")
    for words in left:
        desk.screen.say(f"! {words}")
    return not left or desk.screen.agrees("Leave all the same?")


def _reader(desk: Desk) -> Callable[[], str]:
    """How lines come in: an editor on a terminal, plain lines from a pipe or file."""
    if not sys.stdin.isatty():
        return plain_line
    session = editor(desk)
    desk.screen.ask_with(_questions(desk))
    return lambda: session.prompt()


def plain_line() -> str:
    """The next line of a pipe or file.  Raises EOFError at its end."""
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line


def _questions(desk: Desk) -> Callable[[str], str]:
    """Questions on a terminal: without history, so that no answer is offered again.

    While readings are taken the foot shows how near it is to enough.
    """
    from prompt_toolkit import PromptSession
    from prompt_toolkit.application import get_app
    from prompt_toolkit.output.color_depth import ColorDepth

    session: PromptSession[str] = PromptSession(
        style=_look(desk),
        color_depth=None if desk.screen.coloured else ColorDepth.DEPTH_1_BIT,
    )

    def foot() -> FormattedText:
        return desk.foot_bar(get_app().output.get_size().columns)

    def ask(question: str) -> str:
        try:
            return session.prompt(question, bottom_toolbar=foot if desk.foot else None)
        except EOFError:
            return ""

    return ask


def _look(desk: Desk) -> Style:
    """The foot as a bar in the terminal's own two colours; a danger stands out of it."""
    from prompt_toolkit.styles import Style

    danger = "reverse bold ansired" if desk.screen.coloured else "reverse bold"
    return Style.from_dict({"bottom-toolbar": "reverse", "danger": danger})


def editor(desk: Desk) -> PromptSession[str]:
    """A line editor with the history of earlier sessions, completion and a status line."""
    from prompt_toolkit import PromptSession
    from prompt_toolkit.application import get_app
    from prompt_toolkit.history import FileHistory, History, InMemoryHistory
    from prompt_toolkit.output.color_depth import ColorDepth

    from agent.store.home import home

    history: History = InMemoryHistory()
    try:
        home().mkdir(parents=True, exist_ok=True)
        history = FileHistory(str(home() / "history"))
    except OSError as error:
        desk.screen.say(f"No history is kept: {error}")
    return PromptSession(
        lambda: f"{desk.machine} : ",
        history=history,
        completer=_completer(desk),
        complete_while_typing=False,
        bottom_toolbar=lambda: desk.foot_bar(get_app().output.get_size().columns),
        style=_look(desk),
        color_depth=None if desk.screen.coloured else ColorDepth.DEPTH_1_BIT,
    )


def _completer(desk: Desk) -> Completer:
    from prompt_toolkit.completion import Completer, Completion, PathCompleter
    from prompt_toolkit.document import Document

    paths = PathCompleter(expanduser=True)

    class Completions(Completer):
        """Offers what the click tree offers, and files where it wants a file."""

        def get_completions(
            self, document: Document, complete_event: CompleteEvent
        ) -> Iterable[Completion]:
            *words, partial = document.text_before_cursor.split(" ")
            words = [word for word in words if word]
            for value, help_text in offers(desk, words, partial):
                yield Completion(value, -len(partial), display_meta=help_text)
            if wants_file(desk, words, partial):
                yield from paths.get_completions(Document(partial, len(partial)), complete_event)

    return Completions()


def _found(desk: Desk, words: list[str], partial: str) -> list[CompletionItem]:
    from click.shell_completion import ShellComplete

    from agent.face.main import plumbelt

    return ShellComplete(plumbelt, {"obj": desk}, "", "").get_completions(words, partial)


def offers(desk: Desk, words: list[str], partial: str) -> list[tuple[str, str]]:
    """What may stand in place of `partial` behind `words`: values and their short help."""
    found = _found(desk, words, partial)
    offered = [(item.value, item.help or "") for item in found if item.type == "plain"]
    if not words:
        offered += [(word, "end the session") for word in QUIT[:1] if word.startswith(partial)]
    return offered


def wants_file(desk: Desk, words: list[str], partial: str) -> bool:
    """True if the name of a file may stand behind `words`."""
    return any(item.type == "file" for item in _found(desk, words, partial))
