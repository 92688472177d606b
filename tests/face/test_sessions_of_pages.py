"""Pages and screens in windows of several widths, with and without colours."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.face.topics import TOPICS
from agent.face.tree import PLACES
from tests.face.stage import Staged, staged
from tests.pinned import Pinned


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Staged]:
    with staged(tmp_path) as make:
        yield make


#: Verbs of the groups, whose pages are asked for one by one.
_OF_GROUPS = {
    "log": ("list", "show", "trend", "export", "readings", "merge"),
    "profile": (
        *("list", "show", "use", "save", "compare", "restore", "new", "check", "edit", "set"),
    ),
}


def digest(text: str) -> str:
    """A long page in a line: how many lines, the longest of them, and what stands for the text."""
    lines = text.splitlines()
    longest = max(map(len, lines))
    return (
        f"{len(lines):3} lines, {longest:3} wide, {hashlib.sha256(text.encode()).hexdigest()[:12]}"
    )


@pytest.mark.parametrize("width", [60, 80, 120])
def test_pages_of_topics_and_commands(width: int, stage: Staged, pinned: Pinned) -> None:
    at = stage(width=width)
    told = [f"help {topic:14} {digest(at.play(f'help {topic}'))}" for topic in TOPICS]
    if width == 80:
        lines = [f"{verb} --help" for verb in PLACES if verb != "workshop"]
        lines += [f"{group} {verb} --help" for group, of in _OF_GROUPS.items() for verb in of]
        lines += ["help --man", "help --json", "help words --json", "help gauge --json", "help"]
        told += [f"{line:22} {digest(at.play(line))}" for line in lines]
    pinned(f"sessions/pages-{width}", "\n".join(told))


SCREENS = """
attach
gauge travel
gauge travel-belt --mm 150
gauge travel-across --mm 90
status
solve --readings
solve
preview
write --approve 00000000
readback --stored
profile compare heron curlew
outlook
mechanics
next
write
  {digest}
store
  {digest}
undo --list
prove power
gauge travel-belt --mm 150
solve
drive belt --roller 29
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --heights --screws egret
cautions
advance x y
"""


#: The tables among them, the widest and those with the most colours.
FEW = """
attach
gauge travel
gauge travel-belt --mm 150
status
solve --readings
preview
readback --stored
write
  {digest}
undo --list
cautions
"""


@pytest.mark.parametrize(("width", "colour"), [(60, False), (120, False), (80, True)])
def test_the_same_screens_in_other_windows(
    width: int, colour: bool, stage: Staged, pinned: Pinned
) -> None:
    at = stage(seed=11, width=width, colour=colour)
    name = f"sessions/screens-{width}{'-coloured' if colour else ''}"
    pinned(name, at.play(SCREENS if width == 60 else FEW))


def test_examples_stand_in_lines_of_their_own_in_the_manual(stage: Staged) -> None:
    """Whether or not Python takes the indentation of a help text away."""
    page = stage().play("help --man").splitlines()
    place = page.index("Example: plumbelt> advance 250")
    assert (page[place - 1], page[place + 1]) == (".nf", ".fi")
    assert not [line for line in page if not line.isprintable()]
