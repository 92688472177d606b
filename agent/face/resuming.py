"""`resume`: what a broken-off change did, and the two ways on from there."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

from agent.errors import Refused
from agent.face import tables
from agent.face.changing import confirmed_write, finish
from agent.face.desk import Desk, at_desk
from agent.face.options import Verb, as_json

if TYPE_CHECKING:
    from agent.change.resume import Account
    from agent.store.journal import JournalFile

#: The ways on from a break.
WAYS: Final = ("finish", "undo", "leave")


def broken_off(machine: str) -> tuple[JournalFile, ...]:
    """Changes of `machine` that broke off and that nobody has dealt with, oldest first."""
    from agent.store.journal import open_journals

    return open_journals(machine)


def notice(desk: Desk) -> None:
    """Say at an attach what was broken off; nothing where nothing was."""
    if desk.rehearsal is not None:
        return
    count = len(broken_off(desk.session.profile.name))
    if count:
        what = "A change of this machine was" if count == 1 else f"{count} changes were"
        desk.screen.say(f"! {what} broken off earlier: 'resume' tells what took effect.")


@click.command(cls=Verb)
@click.argument("way", type=click.Choice(WAYS), required=False)
@as_json
@at_desk
def resume(desk: Desk, /, way: str | None) -> None:
    """What a broken-off change did, told by its journal and one read-back; finish it or undo it.

    Without a word: only what took effect. 'finish' and 'undo' preview and ask like any change;
    'leave' keeps everything as it is and closes the matter.

    \b
    Example: plumbelt> resume finish
    """
    from agent.change.resume import account
    from agent.store.journal import close_journal

    session = desk.session
    session.joined()
    readback = session.read_back()
    found: list[tuple[JournalFile, Account]] = []
    for journal in broken_off(session.profile.name):
        told = account(journal.entries, readback)
        if told is None:
            close_journal(journal.path, "broke before anything was sent")
        else:
            found.append((journal, told))
    document = {"accounts": [told.to_plain() for _, told in found]}
    if not found:
        desk.screen.answer(document, lambda: desk.screen.say("Nothing is broken off."))
        return
    journal, last = found[-1]
    if way is None:
        desk.screen.answer(document, lambda: _tell(desk, found))
        return
    _tell(desk, found)
    if way != "leave":
        _go_on(desk, last, way)
    for each, _ in found:
        close_journal(each.path, f"{way} of {journal.path.name}")
    if way == "leave":
        desk.screen.answer(document, lambda: desk.screen.say("Left as it is."))


def _tell(desk: Desk, found: list[tuple[JournalFile, Account]]) -> None:
    for _, told in found:
        desk.screen.say(str(told))
    desk.screen.say("'resume finish', 'resume undo' or 'resume leave' settles it.")


def _go_on(desk: Desk, last: Account, way: str) -> None:
    """Finish or undo by a plan like any other.  Raises Refused where it is not proved."""
    from agent.change.resume import finish as finishing
    from agent.change.resume import undo as undoing
    from agent.change.resume import values_written

    session = desk.session
    _, family = session.joined()
    assert session.readback is not None
    broken = broken_off(session.profile.name)
    plan = (finishing if way == "finish" else undoing)(
        last,
        session.readback,
        family,
        session.profile,
        written={**values_written(j.entries for j in broken), **session.written},
    )
    if plan.empty:
        desk.screen.say(
            "Everything is live as it was wanted."
            if way == "finish"
            else "Everything is live as it was before."
        )
        return
    outcome = confirmed_write(desk, plan)
    if not outcome.verified:
        tables.outcome(desk.screen, outcome)
        raise Refused(
            "not everything is proved: " + "; ".join(map(str, outcome.fates)),
            remedy="'resume' again tells what is live",
        )
    finish(desk, outcome)
