"""`help` and `cautions`: pages for the technician, each on one screen."""

from __future__ import annotations

import re
import textwrap
from typing import Final

import click
from click.shell_completion import CompletionItem

from agent.errors import BadInput
from agent.face.cautions import cautions_text
from agent.face.desk import Desk
from agent.face.options import Verb
from agent.face.screen import hanging, text_width
from agent.face.topics import TOPICS
from agent.face.tree import GROUPS, meant


def complete_topic(
    ctx: click.Context, param: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Topics and verbs that begin like `incomplete`, for completion."""
    known = {**{name: title for name, (title, _) in TOPICS.items()}, **_verbs(ctx)}
    return [CompletionItem(k, help=v) for k, v in known.items() if k.startswith(incomplete)]


def _verbs(ctx: click.Context) -> dict[str, str]:
    """Verbs of the tree and their short help."""
    verbs = sorted(_tree(ctx).commands.items())
    return {name: verb.get_short_help_str() for name, verb in verbs}


def _tree(ctx: click.Context) -> click.Group:
    tree = ctx.find_root().command
    assert isinstance(tree, click.Group)
    return tree


def _families() -> str:
    """Every family with what it sends, as its card tells it."""
    from agent.families import FAMILIES

    return "\n".join(
        textwrap.fill(
            family.sends, 78, initial_indent=f"    {name:<11}", subsequent_indent=" " * 15
        )
        for name, family in sorted(FAMILIES.items())
    )


#: Width that the pages are written for; a line that ends a sentence early is no full line.
_PAGE: Final = 79
_FULL: Final = 60


def flowed(page: str) -> str:
    """A page for a narrower window: each paragraph one line, drawings and lists as they are."""
    lines: list[str] = []
    last, hung = "", 0
    for line in page.split("\n"):
        text = line.lstrip()
        prose = bool(text) and "  " not in text and not hanging(text) and not _DRAWN.search(text)
        if len(last) >= _FULL and prose and len(line) - len(text) == hung:
            lines[-1] += f" {text}"
        else:
            lines.append(line)
            hung = len(hanging(line))
        last = line
    return "\n".join(lines)


#: Signs that only drawings and formulas are made of.
_DRAWN: Final = re.compile(r"[|_=]|--")


@click.command("help", cls=Verb)
@click.argument("topic", required=False, shell_complete=complete_topic)
@click.option("--man", is_flag=True, help="everything as a manual page: '... --man | man -l -'")
@click.pass_context
def help_page(ctx: click.Context, desk: Desk, /, topic: str | None, man: bool) -> None:
    """A page on a TOPIC or a command; without one, what there is.

    \b
    Example: plumbelt> help lean
    """
    screen = desk.screen
    if man:
        from agent.face.manual import manual

        whole = manual(_tree(ctx))
        screen.answer({"page": whole}, lambda: click.echo(whole, nl=False))
        return
    verbs = _verbs(ctx)
    if topic is None:
        document = {
            "commands": verbs,
            "topics": {name: title for name, (title, _) in TOPICS.items()},
        }

        def show() -> None:
            screen.say("Commands ('COMMAND --help' tells more) and topics.")
            for title, names in GROUPS.items():
                screen.heading(title)
                for name in names:
                    screen.say(f"{name:<12}  {verbs[name]}")
            screen.heading("Topics ('help TOPIC')")
            for name, (title, _) in TOPICS.items():
                screen.say(f"{name:<12}  {title}")

        screen.answer(document, show)
    elif topic in TOPICS:
        title, page = TOPICS[topic]
        page = page.replace("{families}", _families() if "{families}" in page else "")

        def show_topic() -> None:
            screen.heading(f"{topic}: {title}")
            screen.say(page if text_width() > _PAGE else flowed(page))

        screen.answer({"topic": topic, "title": title, "page": page}, show_topic)
    elif topic in verbs:
        inner = click.Context(_tree(ctx).commands[topic], ctx.find_root(), info_name=topic)
        page = inner.get_help()
        screen.answer({"topic": topic, "page": page}, lambda: click.echo(page))
    else:
        line = meant(topic, [*TOPICS, *verbs])
        hint = f"Did you mean '{line}'? " if line else ""
        raise BadInput(
            f"there is no page on '{topic}'", remedy=f"{hint}'help' lists commands and topics"
        )


@click.command(cls=Verb)
def cautions(desk: Desk, /) -> None:
    """The cautions that are shown before the first motion or heating of a session.

    \b
    Example: plumbelt cautions
    """
    text = cautions_text(text_width())
    desk.screen.answer({"cautions": cautions_text()}, lambda: desk.screen.say(text))
