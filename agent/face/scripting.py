"""`run`: verbs from a file in one session; `completion`: verbs and options for the user's shell."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import Any, Final

import click

from agent.errors import AgentError, BadInput, Problem, Refused
from agent.face.cabling import port_options
from agent.face.desk import Desk
from agent.face.linking import one_shot
from agent.face.options import FILE, Verb
from agent.model.exact import several

SHELLS: Final = ("bash", "zsh", "fish")

#: Verbs that begin a session of their own.
_NOT_IN_A_SCRIPT: Final = ("run", "rehearse", "sim", "demo", "attach", "detach")


@click.command(cls=Verb)
@click.argument("script", type=FILE)
@click.option("--port", help="port of a machine that is not attached yet")
@port_options
@click.option("--profile", "profile_name", help="profile of the machine: a name or a file")
def run(desk: Desk, /, script: Path, port: str | None, profile_name: str | None) -> None:
    """Carry out the commands of SCRIPT, one a line, in one session; '#' begins a remark.

    The first line that fails ends it. A 'write' or 'store' in it needs '--approve DIGEST'.

    \b
    Example: plumbelt run evening.txt --port /dev/ttyUSB0 --json
    """
    steps = read_script(script)
    desk.use_profile(profile_name)
    results: list[dict[str, Any]] = []
    with one_shot(desk, port):
        for number, line in steps:
            code, answers = carried_out(desk, line)
            results.append({"line": line, "number": number, "exit": code, "answers": answers})
            if code:
                break
    failed = results[-1] if results and results[-1]["exit"] else None
    document = {"steps": results, "done": failed is None}
    good = len(results) - (failed is not None)
    done = f"{good} of {len(steps)} lines done"
    desk.screen.answer(document, f"{done}.")
    if failed is not None:
        left = len(steps) - len(results)
        behind = "1 line after it was" if left == 1 else f"{left} lines after it were"
        refusal = Refused(
            f"{script}:{failed['number']} '{failed['line']}' failed",
            remedy=f"{done}; {behind} not run" if left else done,
        )
        refusal.exit_code = failed["exit"]
        raise refusal


def read_script(path: Path) -> list[tuple[int, str]]:
    """Lines of a script with their numbers.  Raises BadInput with every line that cannot be."""
    from agent.face.main import plumbelt
    from agent.store.nodes import read_file

    lines, problems = [], []
    for number, text in enumerate(read_file(path).decode("utf-8", "replace").splitlines(), 1):
        try:
            words = shlex.split(text, comments=True)
        except ValueError as refusal:
            problems.append(Problem(str(path), number, text.strip()[:40], str(refusal).lower()))
            continue
        if not words:
            continue
        if words[0] not in plumbelt.commands:
            problems.append(Problem(str(path), number, words[0], "unknown command"))
        elif words[0] in _NOT_IN_A_SCRIPT:
            problems.append(Problem(str(path), number, words[0], "not in a script: use --port"))
        lines.append((number, shlex.join(words)))
    if problems:
        count = several(len(problems), "error")
        raise BadInput(f"{count} in {path}", problems=problems, remedy="Nothing was carried out")
    return lines


def carried_out(desk: Desk, line: str) -> tuple[int, list[dict[str, Any]]]:
    """Carry out one line; its exit code, and its documents where `run --json` wants them."""
    from agent.face.main import run as run_words

    screen, outer, was_in_shell = desk.screen, desk.screen.json, desk.in_shell
    screen.say(f"> {line}")
    answers: list[dict[str, Any]] = []
    try:
        screen.collected = answers if outer else None
        desk.in_shell = True  # verbs work on this session
        words = shlex.split(line)
        code = run_words([*words, "--json"] if outer and "--json" not in words else words, desk)
    finally:
        screen.collected, screen.json, desk.in_shell = None, outer, was_in_shell
        screen.answered = False
    return code, answers


@click.command(cls=Verb)
@click.argument("shell", type=click.Choice(SHELLS), metavar="bash|zsh|fish")
@click.option("--install", is_flag=True, help="write them where that shell looks for them")
def completion(desk: Desk, /, shell: str, install: bool) -> None:
    """The lines that make SHELL complete commands and options of plumbelt.

    \b
    Example: plumbelt completion bash --install
    """
    from click.shell_completion import get_completion_class

    from agent.face.main import plumbelt

    maker = get_completion_class(shell)
    assert maker is not None  # it knows all of `SHELLS`
    try:
        source = maker(plumbelt, {}, "plumbelt", "_PLUMBELT_COMPLETE").source()
    except RuntimeError as error:
        raise AgentError(str(error), remedy="Install that shell first") from error
    if not install:
        desk.screen.answer({"shell": shell, "source": source}, lambda: click.echo(source))
        return
    from agent.store.atomic import make_folder, write_file

    path, then = completion_place(shell)
    make_folder(path.parent)
    write_file(path, source)
    document = {"shell": shell, "file": str(path), "then": then}
    desk.screen.answer(document, f"Written to {path}. {then}")


def completion_place(shell: str) -> tuple[Path, str]:
    """Where a shell looks for a user's completions (XDG Base Directory), and what is left to do."""
    data = Path(os.environ.get("XDG_DATA_HOME") or "~/.local/share").expanduser()
    config = Path(os.environ.get("XDG_CONFIG_HOME") or "~/.config").expanduser()
    if shell == "bash":
        return data / "bash-completion/completions/plumbelt", "A new shell has it."
    if shell == "fish":
        return config / "fish/completions/plumbelt.fish", "A new shell has it."
    place = data / "zsh/site-functions"
    return place / "_plumbelt", (
        f"A new shell has it if ~/.zshrc says 'fpath+=({place})' before 'compinit'."
    )
