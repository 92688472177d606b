"""`handover`: what was written, put into a copy of the file that a controller starts from."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.errors import BadInput, Refused
from agent.face.desk import Desk
from agent.face.options import Verb

if TYPE_CHECKING:
    from agent.families.base import Family


@click.command(cls=Verb)
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="the copy; usual: NAME.new beside it")
def handover(desk: Desk, /, file: Path, out: Path | None) -> None:
    """Put what was written into a copy of the controller's own FILE, and show the difference.

    For a controller whose store word does not keep steps and limits: take its start-up file off
    its card, hand it over, look at the difference, and put the copy in its place. FILE itself is
    not changed.

    \b
    Example: plumbelt> handover start.txt
    """
    _, family = desk.session.contact.joined()
    done = desk.session.bench.done
    if done is None or not done.wanted:
        raise Refused("nothing was written in this session", remedy="'write' comes first")
    into_copy(desk, family, file, done.wanted, out)


def into_copy(
    desk: Desk, family: Family, file: Path, wanted: Mapping[str, float], out: Path | None = None
) -> None:
    """Put values into a copy of the controller's own file and show the difference.

    Raises Refused for a family that keeps no such file, and where the copy is there already.
    """
    from agent.store.atomic import ABSENT, write_file
    from agent.store.nodes import read_file

    try:
        text = read_file(file).decode()
    except UnicodeDecodeError as error:
        raise BadInput(f"{file} is no text", remedy="Nothing was written") from error
    edited = family.edited(text, wanted)
    place = out or file.with_name(f"{file.name}.new")
    before, after = text.splitlines(), edited.splitlines()
    difference = [*difflib.unified_diff(before, after, str(file), str(place), lineterm="", n=1)]
    if place.resolve() == file.resolve():
        raise Refused("the copy would be the file itself", remedy="Give it another name with --out")
    write_file(place, edited.encode(), expect=ABSENT)

    def show() -> None:
        same = "(no difference: the file holds these values already)"
        desk.screen.quote("\n".join(difference) or same)
        desk.screen.say(
            f"Written to {place}. Put it in the place of {file.name} on the controller, switch it"
            " off and on, and 'prove power' shows that it holds."
        )

    desk.screen.answer({"file": str(place), "difference": difference}, show)
