"""The command `plumbelt`: one tree of verbs, one-shot and in the shell, and the exit codes."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Sequence

import click

from agent import __version__
from agent.errors import AgentError, BadInput, LinkFailed
from agent.face.desk import Desk
from agent.face.screen import clean
from agent.face.tree import Tree, Verbs

WIRE_SHOWN = 3  #: last lines on the wire that are shown with a failure of the link

INTERRUPTED = 130  #: exit code, by the usage of shells: 128 + the number of the interrupt signal


@click.group(
    cls=Tree,
    commands=Verbs(),
    invoke_without_command=True,
    context_settings={"help_option_names": ["--help", "-h"], "max_content_width": 80},
)
@click.option("--port", help="port of a machine: attach and open the shell")
@click.option("--profile", "profile_name", help="profile of that machine: a name or a file")
@click.version_option(__version__, prog_name="plumbelt")
@click.pass_context
def plumbelt(ctx: click.Context, port: str | None, profile_name: str | None) -> None:
    """Tune a tilted-gantry belt printer over its serial port, with proof.

    Without a verb: the shell.  'plumbelt demo' shows the whole job on a simulated machine.
    """
    if ctx.invoked_subcommand is not None:
        return
    desk = ctx.ensure_object(Desk)
    if desk.in_shell:
        raise click.UsageError("this is a shell already", ctx)
    from agent.face.shell import run_shell

    if profile_name is not None:
        from agent.store.profiles import load_profile

        desk.session.use(load_profile(profile_name))
    ctx.exit(run_shell(desk, port=port))


def run(arguments: Sequence[str], desk: Desk | None = None) -> int:
    """Carry out one command line and return its exit code; prints what went wrong."""
    desk = desk or Desk()
    # A line may be refused before its options are known: look for the wish itself.
    desk.screen.json = "--json" in arguments
    desk.screen.answered = False
    try:
        result = plumbelt.main(
            list(arguments), prog_name="plumbelt", standalone_mode=False, obj=desk
        )
        return result if isinstance(result, int) else 0
    except AgentError as error:
        if isinstance(error, LinkFailed):
            desk.note_lost()
        show_error(error, desk)
        return error.exit_code
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        show_error(_wrong_use(error, desk), desk)
        return BadInput.exit_code
    except (click.Abort, KeyboardInterrupt):
        desk.screen.complain(f"\nInterrupted. {desk.standing()}")
        return INTERRUPTED


def _wrong_use(error: click.ClickException, desk: Desk) -> BadInput:
    """A mistake that click found, in the words of every other mistake."""
    what = error.format_message().rstrip(".")
    what = re.sub(r"\.? \(?(Did you mean .*\?)\)?$", lambda found: f" ({found[1]})", what)
    remedy = ""
    if isinstance(error, click.UsageError) and error.ctx is not None:
        path = error.ctx.command_path
        if desk.in_shell:
            path = path.removeprefix("plumbelt").strip()
        page = f"'{path} --help' shows what it takes" if path else "'help' lists all verbs"
        remedy = f"{page}. Nothing was done"
        if isinstance(error, click.NoSuchOption) and path:
            typed = " ".join(error.ctx.command.collect_usage_pieces(error.ctx))
            remedy = f"It is typed as '{path} {typed}'; {remedy}"
    return BadInput(what, remedy=remedy)


def _show_problem(line: str) -> None:
    """One mistake: one line for a program, wrapped where a person reads it."""
    if sys.stderr.isatty():
        import textwrap

        line = "\n".join(textwrap.wrap(line, 79, subsequent_indent="    ", break_on_hyphens=False))
    sys.stderr.write(line + "\n")


def sentence(text: str) -> str:
    """`text` with a capital and a full stop; a name of a file, port or setting stays as it is."""
    head = re.match(r"[a-z]+(?= )", text)
    if head is not None:
        text = text[0].upper() + text[1:]
    return text if text.endswith((".", "!", "?", ":")) else f"{text}."


def show_error(error: AgentError, desk: Desk) -> None:
    """What happened and what to do, on standard error; as JSON on standard output if asked."""
    problems = error.problems if isinstance(error, BadInput) else ()
    for problem in problems:
        _show_problem(clean(str(problem)).replace("\n", " "))
    desk.screen.complain(sentence(AgentError.__str__(error)))
    if error.wire:
        desk.screen.complain("last on the wire:")
    for line in error.wire[-WIRE_SHOWN:]:
        desk.screen.complain(f"  {line}")
    if desk.screen.json and not desk.screen.answered:
        desk.screen.document(error.to_plain())


def main() -> None:
    """Entry of the installed command."""
    try:
        code = run(sys.argv[1:])
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our output has gone (as with `| head`): say nothing, and keep the
        # interpreter from complaining when it closes standard output.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 1
    sys.exit(code)


if __name__ == "__main__":
    main()
