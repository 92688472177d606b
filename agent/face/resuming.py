"""`resume`: what a broken-off change did, and the two ways on from there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import click

from agent.errors import Refused
from agent.face.changing import confirmed_write, finish
from agent.face.desk import Desk
from agent.face.options import Verb

if TYPE_CHECKING:
    from agent.change.resume import Account

#: The ways on from a break.
WAYS: Final = ("finish", "undo", "leave")


@click.command(cls=Verb)
@click.argument("way", type=click.Choice(WAYS), required=False)
@click.option("--approve", metavar="DIGEST", help="write the plan of this digest, unasked")
def resume(desk: Desk, /, way: str | None, approve: str | None) -> None:
    """What a broken-off change did, told by its journal and one read-back; finish it or undo it.

    What was written and fell with the power before it was stored is told in the same way. Without
    a word: only what took effect. 'finish' and 'undo' preview and ask like any change;
    'leave' keeps everything as it is and closes the matter.

    \b
    Example: plumbelt> resume finish
    """
    session = desk.session
    session.contact.joined()
    session.contact.read_back()
    _ = session.bench.clean_readback
    try:
        found = session.mending.accounts()
    except Refused:
        if way != "leave":
            raise
        found = ()  # a journal that tells nothing: what is live is what counts
    document = {"accounts": [told.to_plain() for told in found]}
    if not found:
        if session.bench.broken:
            session.mending.settle(way or "broke before anything was sent")
        desk.screen.answer(document, "No interrupted change.")
        return
    if way is None:
        desk.screen.answer(document, lambda: _tell(desk, found))
        return
    _tell(desk, found)
    if way == "leave":
        session.mending.settle(way)
        desk.screen.answer(document, "Closed; the live values stay.")
        return
    plan = session.mending.plan(found, way)
    if plan.empty:
        session.mending.settle(way)
        wanted = "wanted" if way == "finish" else "before"
        desk.screen.answer(document, f"Everything is live as it was {wanted}.")
        return
    outcome = confirmed_write(desk, plan, approve)
    if outcome.verified:
        session.mending.settle(way)
    finish(desk, outcome)


def _tell(desk: Desk, found: Sequence[Account]) -> None:
    for told in found:
        desk.screen.say(str(told))
    desk.screen.say("'resume finish', 'resume undo' or 'resume leave' settles it.")
