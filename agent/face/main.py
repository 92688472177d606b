"""The command `plumbelt`: one tree of verbs, one-shot and in the shell, and the exit codes."""

from __future__ import annotations

import errno
import io
import os
import re
import shlex
import sys
import textwrap
from collections.abc import Sequence
from contextlib import AbstractContextManager, closing, nullcontext
from itertools import zip_longest
from typing import Final

import click

from agent import __version__
from agent.errors import AgentError, BadInput, Declined, LinkFailed, Refused, Unknown
from agent.face.cabling import port_options
from agent.face.desk import Desk
from agent.face.onward import tell_noted
from agent.face.screen import clean
from agent.face.shop.afterwards import synced_afterwards
from agent.face.tree import Tree, Verbs, brought_in
from agent.work.signals import Ended, end_in_order, ended_by

WIRE_SHOWN = 3  #: last lines on the wire that are shown with a failure of the link

INTERRUPTED = 130  #: exit code, by the usage of shells: 128 + the number of the interrupt signal


@click.group(
    cls=Tree,
    commands=Verbs(),
    invoke_without_command=True,
    context_settings={"help_option_names": ["--help", "-h"], "max_content_width": 80},
)
@click.option("--port", help="port of a machine: attach, then the shell or the command behind it")
@port_options
@click.option("--profile", "profile_name", help="profile of that machine: a name or a file")
@click.option("--no-color", is_flag=True, help="no colours (also: NO_COLOR in the environment)")
@click.option("--no-pager", is_flag=True, help="long answers at once, not page by page")
@click.version_option(__version__, prog_name="plumbelt")
@click.pass_context
def plumbelt(
    ctx: click.Context, port: str | None, profile_name: str | None, no_color: bool, no_pager: bool
) -> None:
    """Tune a tilted-gantry belt printer over its serial port, with proof.

    Without a command: the shell.  'plumbelt demo' shows the whole job on a simulated machine.
    """
    desk = ctx.ensure_object(Desk)
    desk.screen.coloured &= not no_color
    desk.screen.pages &= not no_pager
    if ctx.invoked_subcommand is not None:
        if port is None and profile_name is None:
            return
        if desk.in_shell:
            raise click.UsageError("--port and --profile are for one-shot use", ctx)
        ctx.with_resource(attached_for(desk, ctx.invoked_subcommand, port, profile_name))
        return
    if desk.in_shell:
        raise click.UsageError("this is a shell already", ctx)
    desk.use_profile(profile_name)
    ctx.exit(brought_in("shell:run_shell")(desk, port=port))


#: Verbs that open their port themselves, or that need none.
_OWN_PORT: Final = ("attach", "sim", "demo", "rehearse", "ports", "completion", "help", "cautions")


def attached_for(
    desk: Desk, verb: str, port: str | None, profile_name: str | None
) -> AbstractContextManager[None]:
    """Attached to `port` for one verb: the same as that verb on a bench that is attached."""
    from agent.face.linking import one_shot

    if verb in _OWN_PORT:
        raise BadInput(f"--port before '{verb}' has no meaning", remedy=f"'{verb} --help'")
    desk.use_profile(profile_name)
    return nullcontext() if port is None else one_shot(desk, port)


def run(arguments: Sequence[str], desk: Desk | None = None) -> int:
    """Carry out one command line and return its exit code; prints what went wrong.

    desk: where it is carried out; without one at a desk of its own, which is left tidy.
    """
    with synced_afterwards():
        if desk is not None:
            return _run(arguments, desk)
        with closing(Desk()) as own:
            return _run(arguments, own)


def _run(arguments: Sequence[str], desk: Desk) -> int:
    # A line may be refused before its options are known: look for the wish itself.
    desk.screen.json = "--json" in arguments
    desk.screen.answered = False
    try:
        _refuse_no_text(arguments)
        result = plumbelt.main(
            list(arguments), prog_name="plumbelt", standalone_mode=False, obj=desk
        )
        return result if isinstance(result, int) else 0
    except Unknown as missing:
        name, is_kept = profile_given(arguments)
        if desk.may_ask and is_kept:
            from agent.face.profiling import told_now

            if told_now(desk, missing, name):
                return run(arguments, desk)
        show_error(missing, desk)
        return missing.exit_code
    except AgentError as error:
        if isinstance(error, LinkFailed):
            desk.note_lost()
        if isinstance(error, Refused) and not isinstance(error, Declined):
            desk.note_refused(step_of(arguments), error.what)
        show_error(error, desk)
        return error.exit_code
    except Ended:
        desk.end_safely()
        raise
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        show_error(_wrong_use(error, desk), desk)
        return BadInput.exit_code
    except (click.Abort, KeyboardInterrupt) as interrupt:
        ended = ended_by(interrupt)
        if ended is not None:
            desk.end_safely()
            raise ended from None
        desk.screen.complain(f"\nInterrupted. {desk.standing()}")
        return INTERRUPTED


def profile_given(arguments: Sequence[str]) -> tuple[str | None, bool]:
    """Name of the profile that a line gives, and whether an answer can be kept in it.

    A file that is named by its path is its owner's.
    """
    from agent.store.profiles import profile_names

    for word, behind in zip_longest(arguments, arguments[1:]):
        option, given, value = word.partition("=")
        name = value if given else behind
        if option == "--profile" and name is not None:
            return name, name in profile_names()
    return None, True


def step_of(arguments: Sequence[str]) -> str:
    """The verb and what it was given, as the guide would offer it."""
    words, rest = [], list(arguments)
    while rest:
        word = rest.pop(0)
        if word in ("--port", "--baud", "--profile", "--approve"):
            rest = rest[1:]
        elif word != "--json":
            words.append(word)
    return shlex.join(words)


def _refuse_no_text(arguments: Sequence[str]) -> None:
    """Raise BadInput for a word that no file, port or record could have as its name."""
    for word in arguments:
        try:
            os.fsencode(word)
        except UnicodeEncodeError:
            pass
        else:
            if "\0" not in word:
                continue
        raise BadInput(f"{word[:40]!a} is no text", remedy="Type it again. Nothing was done")


def _wrong_use(error: click.ClickException, desk: Desk) -> BadInput:
    """A mistake that click found, in the words of every other mistake."""
    what = error.format_message().rstrip(".").replace("No such command", "unknown command")
    what = re.sub(r"\.? \(?(Did you mean .*\?)\)?$", lambda found: f" ({found[1]})", what)
    remedy = ""
    if isinstance(error, click.UsageError) and error.ctx is not None:
        path = error.ctx.command_path
        if desk.in_shell:
            path = path.removeprefix("plumbelt").strip()
        page = f"'{path} --help' shows what it takes" if path else "'help' lists all commands"
        remedy = f"{page}. Nothing was done"
        if isinstance(error, click.NoSuchOption) and path:
            typed = " ".join(error.ctx.command.collect_usage_pieces(error.ctx))
            remedy = f"It is typed as '{path} {typed}'; {remedy}"
    return BadInput(what, remedy=remedy)


def _show_problem(line: str) -> None:
    """One mistake: one line for a program, wrapped where a person reads it."""
    if sys.stderr.isatty():
        line = "\n".join(textwrap.wrap(line, 79, subsequent_indent="    ", break_on_hyphens=False))
    sys.stderr.write(line + "\n")


def sentence(text: str) -> str:
    """`text` with a capital and a full stop; a name of a file, port or setting stays as it is."""
    head = re.match(r"[a-z]+(?= |\. |$)|(?:cancelled|halted)(?=:)", text)
    if head is not None:
        text = text[0].upper() + text[1:]
    return text if text.endswith((".", "!", "?", ":")) else f"{text}."


def show_error(error: AgentError, desk: Desk) -> None:
    """What happened and what to do, on standard error; as JSON on standard output if asked."""
    problems = error.problems if isinstance(error, BadInput) else ()
    for problem in problems:
        _show_problem(clean(str(problem)).replace("\n", " "))
    stopped = isinstance(error, Refused | LinkFailed) and not isinstance(error, Declined)
    rank = "Stop: " if stopped else ""
    desk.screen.complain(f"{rank}{sentence(AgentError.__str__(error))}")
    if error.wire:
        desk.screen.complain("last on the wire:")
    for line in error.wire[-WIRE_SHOWN:]:
        desk.screen.complain(f"  {line}")
    if desk.screen.json and not desk.screen.answered:
        desk.screen.document(error.to_plain())


def main() -> None:
    """Entry of the installed command."""
    end_in_order()
    desk = Desk()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a console may lack signs that tables have
            stream.reconfigure(errors="replace")
    try:
        code = run(sys.argv[1:], desk)
        if code == 0:
            tell_noted(desk)
        desk.close()
        sys.stdout.flush()
    except Ended as ended:
        desk.end_safely()
        code = 128 + ended.number  # by the usage of shells
    except OSError as error:
        if not (isinstance(error, BrokenPipeError) or _is_broken_pipe_elsewhere(error)):
            raise
        # The reader of our output has gone (as with `| head`): say nothing, and keep the
        # interpreter from complaining when it closes standard output.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 1
    sys.exit(code)


def _is_broken_pipe_elsewhere(error: OSError) -> bool:
    """Windows tells a reader that has gone as a bad argument, without a file."""
    return sys.platform == "win32" and error.errno == errno.EINVAL and error.filename is None


if __name__ == "__main__":
    main()
