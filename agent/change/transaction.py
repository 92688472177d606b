"""The safe write: read, compare, write line by line, read back, and know where one stands.

    snapshot and plan to the journal, flushed          nothing is sent before that
    read back; every value the plan rests on must stand as it was
    for each line: journal, send, journal the answer   no motion in between
    read back twice; compare within the printed digits; look for anything else that moved

Whatever breaks, the journal says which lines may have gone out, and one read-back says what the
controller holds (`agent.change.resume`).  Storing is a step of its own (`agent.change.storing`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from agent.change.outcome import (
    Broken,
    Outcome,
    fate_of,
    fates_unread,
    moved_between,
)
from agent.change.plan import Plan, file_lines
from agent.errors import LinkFailed, Refused
from agent.families import read_back
from agent.families.base import Family
from agent.families.gate import named
from agent.model.exact import in_full, same
from agent.model.settings import Event, Readback
from agent.store.journal import CLOSED, Journal, LenientJournal
from agent.wire.link import Link, Reply

#: Times a damaged reading is taken again before it is given up: noise passes, a fault stays.
READINGS: Final = 3


def write(
    link: Link,
    family: Family,
    plan: Plan,
    approved: str,
    *,
    journal: Journal,
    retyped: Mapping[str, float] | None = None,
) -> Outcome:
    """Write `plan` and read it back; nothing is stored where writing and storing are two steps.

    `approved` is the digest that the technician confirmed, `retyped` the values typed again.
    Raises Refused, before a byte of the plan is sent, if the approval does not fit or a value the
    plan rests on has moved; Broken if the link failed on the way and could not be taken up again.
    """
    check_approval(plan, approved, retyped or {})
    before = read_clean(link, family)
    refuse_moved(plan, before)
    journal.note("begun", plan=plan.to_plain(), snapshot=snapshot_plain(before))
    mark = len(link.events)
    sent = 0
    why: tuple[str, ...] = ()
    try:
        for index, line in enumerate(plan.lines):
            journal.note("sending", index=index, line=line)
            sent = index + 1
            with named(link, (line,), "plan"):
                reply = link.ask(line)
            journal.note("answered", index=index, **reply_plain(reply))
            if not reply.ok:
                why = (f"the controller refused {line}: {reply.error or 'no reason given'}",)
                break  # what follows was planned on top of this line
        after = read_clean(link, family)
    except (LinkFailed, Refused) as failure:
        why = (failure.what,)
        LenientJournal(journal).note("broken", sent=sent, why=failure.what)
        after = _taken_up(link, family, Outcome(plan, fates_unread(plan, sent)), failure)
    outcome = judge(plan, before, after, tuple(link.events[mark:]))
    last = LenientJournal(journal)
    last.note("read back", outcome=outcome.to_plain(), snapshot=snapshot_plain(after))
    last.note(CLOSED, verified=outcome.verified)
    return replace(
        outcome,
        notes=(*outcome.notes, *why, *last.trouble),
        hand_over=file_lines(family, plan.changes, plan.lines),
        kept_by=family.words.kept_by,
    )


def check_approval(plan: Plan, approved: str, retyped: Mapping[str, float]) -> None:
    """Raises Refused unless `approved` is the plan's digest and large values were typed again."""
    if plan.empty:
        raise Refused("There is nothing to write", remedy="Nothing was sent")
    if approved.strip().lower() != plan.digest:
        raise Refused(
            f"The plan's digest is {plan.digest}, and {approved.strip()[:20]!r} was approved",
            remedy="Look at the preview again. Nothing was sent",
        )
    missing = [
        f"{key} {in_full(plan.wanted[key])}"
        for key in plan.retype
        if key not in retyped or not same(retyped[key], plan.wanted[key])
    ]
    if missing:
        raise Refused(
            "Large changes must be confirmed by typing the new value: " + ", ".join(missing),
            remedy="Nothing was sent",
        )


def refuse_moved(plan: Plan, now: Readback) -> None:
    """Raises Refused if the controller is another one, or a value the plan rests on has moved."""
    strange = plan.identity and now.identity and now.identity != plan.identity
    if now.family != plan.family or strange:
        raise Refused(
            f"The plan was made for {plan.identity or plan.family}, and this controller is "
            f"{now.identity or now.family}",
            remedy="Is it the right machine? Preview anew. Nothing was sent",
        )
    moved = []
    for key, was in plan.rests_on.items():
        setting = now.settings.get(key)
        if setting is None or setting.value != was:
            found = "is not there" if setting is None else f"is {in_full(setting.value)}"
            moved.append(f"{key} was {in_full(was)} and {found}")
    if moved:
        raise Refused(
            "Since the preview something else has changed the settings: " + "; ".join(moved),
            remedy="Preview anew. Nothing was sent",
        )


def read_clean(link: Link, family: Family) -> Readback:
    """Two readings that agree, without damage.

    Raises Refused if the reading stays damaged.
    """
    for _ in range(READINGS):
        readback = read_back(link, family)
        if not readback.damaged:
            return readback
    raise Refused(
        "The settings cannot be read cleanly: " + "; ".join(readback.damage),
        remedy="Check cable and speed. Nothing may be written on such a reading",
    )


def judge(plan: Plan, before: Readback, after: Readback, events: Sequence[Event] = ()) -> Outcome:
    """What became of `plan`, from the readings before and after."""
    return Outcome(
        plan=plan,
        fates=tuple(fate_of(change, after) for change in plan.changes),
        moved=moved_between(before, after, plan.wanted),
        stages=("read back",),
        events=tuple(events),
        notes=tuple(
            f"{key} is no longer reported" for key in before.settings if key not in after.settings
        ),
    )


def _taken_up(
    link: Link, family: Family, unread: Outcome, failure: LinkFailed | Refused
) -> Readback:
    """One attempt to read back over the same link after it failed; else Broken."""
    try:
        return read_clean(link, family)
    except (LinkFailed, Refused) as again:
        raise Broken(
            f"{failure.what}, and then: {again.what}", unread, wire=failure.wire
        ) from again


def snapshot_plain(readback: Readback) -> dict[str, Any]:
    """A reading as a journal keeps it."""
    return {
        "family": readback.family,
        "identity": readback.identity,
        "settings": {key: [s.value, s.digits, s.tolerance] for key, s in readback.settings.items()},
        "other": list(readback.other),
    }


def reply_plain(reply: Reply) -> dict[str, Any]:
    return {"ok": reply.ok, "error": reply.error, "reply": list(reply.lines)}
