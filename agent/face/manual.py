"""The manual page, made of the same texts as the help pages: roff for `man`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from inspect import cleandoc
from typing import Final

import click

from agent import __version__
from agent.face.cautions import cautions_text
from agent.face.topics import TOPICS

EXITS: Final = (
    ("0", "all that was asked was done, and proved where it can be"),
    ("1", "the tool ran and the answer is no"),
    ("2", "wrong use or unreadable input"),
    ("3", "the link failed"),
    ("130", "interrupted"),
)


def manual(tree: click.Group) -> str:
    """The whole page as roff (macros of man(7))."""
    head = [
        f'.TH PLUMBELT 1 "" "plumbelt {__version__}"',
        ".SH NAME",
        "plumbelt \\- " + _roff((tree.help or "").partition("\n")[0].rstrip(".")),
        ".SH SYNOPSIS",
        ".B plumbelt",
        "[\\fB\\-\\-port\\fR PORT] [\\fB\\-\\-profile\\fR NAME] [COMMAND ...]",
        ".SH DESCRIPTION",
        *_paragraphs(tree.help or ""),
        ".SH CAUTIONS",
        *_paragraphs(cautions_text()),
        ".SH COMMANDS",
    ]
    root = click.Context(tree, **tree.context_settings)  # options are named as it names them
    return "\n".join([*head, *_commands(tree, root, ""), *_rest()]) + "\n"


def _commands(group: click.Group, root: click.Context, before: str) -> Iterator[str]:
    for name, command in sorted(group.commands.items()):
        words = f"{before}{name}"
        if isinstance(command, click.Group):
            yield from _commands(command, root, f"{words} ")
            continue
        if command.hidden:
            continue
        context = click.Context(command, root, info_name=words)
        usage = " ".join(command.collect_usage_pieces(context))
        yield f".SS {_roff(f'{words} {usage}')}"
        yield from _paragraphs(command.help or "")
        for parameter in command.get_params(context):
            record = parameter.get_help_record(context)
            if record is not None:
                yield from (".TP", f".B {_roff(record[0])}", _roff(record[1]) or "\\&")


def _rest() -> Iterator[str]:
    yield ".SH TOPICS"
    for name, (title, page) in TOPICS.items():
        yield f".SS {_roff(f'{name}: {title}')}"
        yield from (".nf", *map(_roff, page.splitlines()), ".fi")
    yield ".SH EXIT STATUS"
    for code, words in EXITS:
        yield from (".TP", f".B {code}", _roff(words))


def _paragraphs(text: str) -> Iterator[str]:
    """Paragraphs of a help text; one behind click's mark keeps its lines."""
    for part in re.split(r"\n\s*\n", cleandoc(text)):
        kept = part.startswith("\b\n")
        lines = [line.strip() for line in part.removeprefix("\b\n").splitlines()]
        yield ".PP"
        if kept:
            yield from (".nf", *map(_roff, lines), ".fi")
        else:
            yield _roff(" ".join(lines))


def _roff(text: str) -> str:
    """`text` so that roff takes none of it for a request."""
    safe = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{safe}" if safe.startswith((".", "'")) else safe
