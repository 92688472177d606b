"""The README is true: its sessions print what it shows, its table holds every command."""

from __future__ import annotations

import re
from collections.abc import Iterator

import click
import pytest

from agent.face.main import plumbelt
from tests.readme import README, rerun

TEXT = README.read_text(encoding="utf-8")


def commands(group: click.Group, path: tuple[str, ...] = ()) -> Iterator[tuple[str, click.Command]]:
    """Every command of the tree by its words."""
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from commands(command, (*path, name))
        elif not command.hidden:
            yield " ".join((*path, name)), command


ALL = dict(commands(plumbelt))


def test_sessions_print_what_the_readme_shows() -> None:
    assert rerun(TEXT) == TEXT


@pytest.mark.parametrize("name", ALL)
def test_every_command_has_help_with_an_example_and_a_row(name: str) -> None:
    text = ALL[name].help or ""
    assert re.search(rf"Example: plumbelt(>| .*)? ?.*{name.split()[-1]}", text), text
    assert re.search(rf"^\| `{re.escape(name)}\b", TEXT, re.MULTILINE), "no row in the README"


def test_the_table_holds_nothing_else() -> None:
    rows = re.findall(r"^\| `([a-z ]+)", TEXT, re.MULTILINE)
    assert {row.strip() for row in rows} == set(ALL)
