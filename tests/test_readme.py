"""The README is true: its sessions print what it shows, its table holds every command."""

from __future__ import annotations

import re
from collections.abc import Iterator

import click
import pytest

from agent.face.main import plumbelt
from agent.face.topics import TOPICS
from tests.pinned import unlike
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
    """But for the last digit, which differs between processors where it is at the edge."""
    assert unlike(TEXT, rerun(TEXT)) == []


@pytest.mark.parametrize("name", ALL)
def test_every_command_has_help_with_an_example_and_a_row(name: str) -> None:
    text = ALL[name].help or ""
    assert re.search(rf"Example: plumbelt(>| .*)? ?.*{name.split()[-1]}", text), text
    assert re.search(rf"^\| `{re.escape(name)}\b", TEXT, re.MULTILINE), "no row in the README"


def test_the_short_word_is_explained_before_it_is_used_and_nothing_is_ended_by_a_pattern() -> None:
    lines = TEXT.splitlines()
    explained = next(i for i, line in enumerate(lines) if "stands for `.venv/bin/plumbelt`" in line)
    used = next(i for i, line in enumerate(lines) if re.search(r"^(?:\$|    )\s*plumbelt ", line))
    assert explained < used
    assert not re.search(r"\b(?:pkill|killall)\b", TEXT)


#: Words of the README that are plumbelt's own or the trade's.
_TERMS = (
    "reading", "read-back", "scale", "size offset", "shrink", "lean", "rail skew", "verdict",
    "stored", "verified", "plan", "digest", "tolerance", "across", "gantry", "belt", "yaw", "roll",
    "strip", "post", "stem", "block", "bead", "outside", "pitch", "marks", "lost motion", "run-out",
    "slip", "family", "profile", "record", "bench", "workshop", "command",
)  # fmt: skip


@pytest.mark.parametrize("term", _TERMS)
def test_a_term_of_the_readme_is_explained(term: str) -> None:
    assert term in TEXT.lower()
    assert term in TOPICS["words"][1] + TOPICS["terms"][1]


def test_the_table_holds_nothing_else() -> None:
    rows = re.findall(r"^\| `([a-z ]+)", TEXT, re.MULTILINE)
    assert {row.strip() for row in rows} == set(ALL)
