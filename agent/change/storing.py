"""Storing: a step of its own, because it makes everything permanent that is live.

    look     read live, reload what is stored, read that, put the live values back, read again
    store    the store word; reload; read; compare: only a value that came back is stored
    prove    after a power cycle, after homing, after a job's start: read back and compare

Looking first shows what else would become permanent (limits that a job has changed, a colleague's
trial).  Every line of it is journalled, so that a break in between can be mended.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from agent.change.outcome import Broken, Outcome, Stage, fate_of, fates_unread
from agent.change.plan import Change, Plan, file_lines, short_digest
from agent.change.transaction import judge, read_clean, reply_plain, snapshot_plain
from agent.errors import LinkFailed, Refused
from agent.families.base import Family
from agent.families.gate import named
from agent.model.exact import decimals, exact
from agent.model.settings import Event, Readback, Setting
from agent.store.journal import CLOSED, Journal, LenientJournal
from agent.wire.link import Link

Others = Literal["store them too", "leave them out"]

#: The value behind a printed setting of a key, as exactly as it is known.
Exactly = Callable[[str, Setting], float]


@dataclass(frozen=True, slots=True)
class Look:
    """What storing now would make permanent; `old` of a change is stored, `new` is live."""

    machine: str
    family: str
    line: str | None  #: the store word
    own: tuple[Change, ...]  #: settings of the plan
    others: tuple[Change, ...] = ()  #: everything else that differs
    notes: tuple[str, ...] = ()
    live: Mapping[str, float] = field(default_factory=dict)  #: every value live, as printed

    @property
    def digest(self) -> str:
        """Approval of storing names it; without `others` the plan's own digest will do, too."""
        values = [[c.key, c.old, c.new] for c in (*self.own, *self.others)]
        return short_digest([self.machine, self.family, self.line, values])

    def to_plain(self) -> dict[str, Any]:
        return {
            "machine": self.machine,
            "family": self.family,
            "line": self.line,
            "own": [change.to_plain() for change in self.own],
            "others": [change.to_plain() for change in self.others],
            "notes": list(self.notes),
            "digest": self.digest,
        }


# --- looking -------------------------------------------------------------------------------------


def look(
    link: Link,
    family: Family,
    plan: Plan,
    *,
    journal: Journal,
    exactly: Exactly | None = None,
) -> Look:
    """What storing now would make permanent; leaves every value live as it was.

    Values are put back in full precision where it is known: those of the plan, and those that
    `exactly` knows from what was sent at some time.

    Raises Refused if the plan is not live, if storing is not possible here, or if the live values
    could not be put back; Broken if the link failed on the way.
    """
    refuse_no_store(family, plan)
    live = read_clean(link, family)
    _refuse_not_live(plan, live)
    if family.words.reload is None:
        note = "this controller cannot show what is stored, so what else would be is not known"
        return Look(
            plan.machine,
            plan.family,
            family.words.store,
            own=plan.changes,
            notes=(note,),
            live=_values(live),
        )
    known = _known(plan, exactly)
    live_exact = {key: known(key, setting) for key, setting in live.settings.items()}
    back = _lines_back(family, live_exact, live)
    journal.note("looking", plan=plan.to_plain(), snapshot=snapshot_plain(live), back=back)
    last = LenientJournal(journal)  # what is displaced is put back, come what may
    with _breakable(plan, last):
        said = _send(link, family, family.words.reload, last)
        stored = read_clean(link, family)
        differing = _put_back(link, family, live, stored, back, last)
        again = read_clean(link, family)
    found = _look(plan, family, live, live_exact, stored, said, known)
    lost = [key for key in differing if _differs(live, again, key)]
    last.note(CLOSED, look=found.to_plain(), lost=lost)
    if lost:
        raise Refused(
            "Reloading what is stored has changed settings that could not be put back: "
            + ", ".join(lost),
            remedy="Read back and preview anew. Nothing was stored",
        )
    return found


def refuse_no_store(family: Family, plan: Plan) -> None:
    """Raises Refused, with the lines for the controller's file, where no store word helps."""
    if family.words.writing_stores:
        raise Refused(
            "This controller stores as it writes: there is nothing left to store",
            remedy="Switch it off and on and read back to prove it",
        )
    lines = file_lines(family, plan.changes, plan.lines)
    if lines or family.words.store is None:
        raise Refused(
            "This controller's store word does not cover these settings",
            remedy=f"Put into {family.words.file}: {' | '.join(lines)}"
            if lines
            else "Switch it off and on and read back: that shows what it keeps",
        )


def _refuse_not_live(plan: Plan, live: Readback) -> None:
    absent = [str(f) for c in plan.changes if (f := fate_of(c, live)).state != "took"]
    if absent:
        raise Refused(
            "The plan is not live, so storing would keep something else: " + "; ".join(absent),
            remedy="Write it first. Nothing was stored",
        )


def _differs(live: Readback, stored: Readback, key: str) -> bool:
    setting = stored.settings.get(key)
    return setting is None or setting.value != live.settings[key].value


def _known(plan: Plan, exactly: Exactly | None) -> Exactly:
    """The value behind a printed one: that of the plan, or one that was sent at some time."""
    wanted = plan.wanted

    def known(key: str, setting: Setting) -> float:
        sent = exactly(key, setting) if exactly is not None else None
        return exact(setting, wanted.get(key), sent)

    return known


def _lines_back(family: Family, exact: Mapping[str, float], live: Readback) -> dict[str, str]:
    """The line that brings each live value back; keys that cannot be written have none."""
    lines: dict[str, str] = {}
    settings = {key: replace(s, value=exact[key]) for key, s in live.settings.items()}
    known = replace(live, settings=settings)
    for key, value in exact.items():
        try:
            lines[key] = family.write_line(key, value, known)
        except Refused:
            continue
    return lines


def _put_back(
    link: Link,
    family: Family,
    wanted: Readback,
    found: Readback,
    lines: Mapping[str, str],
    journal: Journal,
) -> list[str]:
    """Make live again what differs from `wanted`, as far as there are lines for it; the keys."""
    differing = [key for key in wanted.settings if _differs(wanted, found, key)]
    for key in differing:
        if key in lines:
            _send(link, family, lines[key], journal)
    return differing


#: Said of every look: loading and putting back is on the wire, and is meant to be.
LOOKED: Final = (
    "nothing is stored yet: the stored values were loaded for a moment to look at them, and the"
    " live ones were put back"
)


def _look(
    plan: Plan,
    family: Family,
    live: Readback,
    live_exact: Mapping[str, float],
    stored: Readback,
    said: tuple[Event, ...],
    known: Exactly,
) -> Look:
    changes = [
        Change(key, known(key, was), live_exact[key], was.unit, decimals(was))
        for key, was in stored.settings.items()
        if key in live.settings and _differs(live, stored, key)
    ]
    notes = [LOOKED, *_heard(said)]
    texts = sorted(set(live.other) ^ set(stored.other))
    if texts:
        notes.append(
            "these lines differ between live and stored, and the reload has made the stored ones "
            "live: " + " | ".join(texts)
        )
    return Look(
        plan.machine,
        plan.family,
        family.words.store,
        own=tuple(c for c in changes if c.key in plan.wanted),
        others=tuple(c for c in changes if c.key not in plan.wanted),
        notes=tuple(notes),
        live=_values(live),
    )


def _heard(said: tuple[Event, ...]) -> list[str]:
    """What the controller said while its stored values were loaded, in words."""
    kinds = dict.fromkeys(event.kind for event in said)  # each once, in their order
    unreadable = kinds.keys() & (_UNREADABLE | {"defaults_live"})
    others = [k for k in kinds if k not in unreadable and k not in ("loaded", "stored")]
    notes = [f"the controller said to that: {kind.replace('_', ' ')}" for kind in others]
    if unreadable:
        notes.append(
            "what is stored now could not be read (it is of another layout, or damaged), so the"
            " factory's values stand in the column 'stored'; storing writes the block anew"
        )
    return notes


# --- storing -------------------------------------------------------------------------------------


def store(
    link: Link,
    family: Family,
    plan: Plan,
    looked: Look,
    approved: str,
    *,
    journal: Journal,
    others: Others | None = None,
    exactly: Exactly | None = None,
) -> Outcome:
    """Store what is live, reload it, and compare.

    `approved` is the digest of `looked`; where nothing but the plan would become permanent, the
    plan's own digest will do.  `others` says what to do with the rest, and is wanted where there
    is a rest; `exactly` as for `look`.  If storage gives other values back, the live ones are put
    back.  Raises Refused before anything is stored, Broken if the link fails on the way.
    """
    _check_approval(plan, looked, approved, others)
    live = read_clean(link, family)
    _refuse_not_live(plan, live)
    reset = {c.key: c.old for c in looked.others} if others == "leave them out" else {}
    _refuse_more(looked, live)
    lines = {key: family.write_line(key, value, live) for key, value in reset.items()}
    journal.note("storing", plan=plan.to_plain(), snapshot=snapshot_plain(live), reset=lines)
    last = LenientJournal(journal)  # once stored, it is proved, come what may
    otherwise = ""
    with _breakable(plan, last):
        for line in lines.values():
            _send(link, family, line, journal)
        before = read_clean(link, family) if lines else live
        word = str(family.words.store)
        journal.note("sending", line=word)
        events = _answer(link, family, word, last)
        if family.words.reload is not None:
            events += _send(link, family, family.words.reload, last)
        after = read_clean(link, family)
        outcome = _staged(family, looked, judge(plan, before, after, events))
        if not outcome.verified:
            known = _known(plan, exactly)
            values = {key: known(key, setting) for key, setting in before.settings.items()}
            back = _lines_back(family, values, before)
            _put_back(link, family, before, after, back, last)
            otherwise = _given_back(outcome)
            outcome = _kept_live(outcome, judge(plan, before, read_clean(link, family)), otherwise)
    last.note(
        "stored",
        outcome=outcome.to_plain(),
        snapshot=snapshot_plain(after),
        otherwise=otherwise,
    )
    last.note(CLOSED, verified=outcome.stored)
    return replace(outcome, notes=(*outcome.notes, *last.trouble))


def _check_approval(plan: Plan, looked: Look, approved: str, others: Others | None) -> None:
    given = approved.strip().lower()
    if looked.others and others is None:
        raise Refused(
            "Storing would make more permanent than the plan: "
            + "; ".join(map(str, looked.others)),
            remedy="Say whether to store these too or to leave them out. Nothing was stored",
        )
    allowed = {looked.digest} if looked.others else {looked.digest, plan.digest}
    if given not in allowed:
        raise Refused(
            f"The digest of what would be stored is {looked.digest}, and {given[:20]!r} was "
            "approved",
            remedy="Look at it again. Nothing was stored",
        )


def _refuse_more(looked: Look, live: Readback) -> None:
    """Raises Refused if something else has become live since the look."""
    now = _values(live)
    moved = [key for key in now.keys() | looked.live.keys() if now.get(key) != looked.live.get(key)]
    if moved:
        raise Refused(
            "Since the look something else has changed " + ", ".join(sorted(moved)),
            remedy="Look again. Nothing was stored",
        )


def _values(readback: Readback) -> dict[str, float]:
    return {key: setting.value for key, setting in readback.settings.items()}


_FAILURES: Final = {"storage_write_failed", "no_storage"}
_UNREADABLE: Final = {"layout_mismatch", "checksum_of_storage"}


def _staged(family: Family, looked: Look, outcome: Outcome) -> Outcome:
    """Add the stage that a reload proves, or say why it proves nothing.

    A reload that does nothing would leave the values live as well: it counts only if it says that
    it loaded something, or brought other values at the look.
    """
    kinds = {event.kind for event in outcome.events}
    notes = [f"the controller said: {k.replace('_', ' ')}" for k in sorted(kinds & _FAILURES)]
    if kinds & _UNREADABLE:
        notes.append(
            "the stored block cannot be read: its storage may have to be initialised "
            "first, which wipes it"
        )
    stages = outcome.stages
    loads = bool(looked.own) or "loaded" in kinds
    if family.words.reload is None:
        notes.append("storage cannot be reloaded here: only a power cycle proves that it holds")
    elif outcome.verified and not loads:
        notes.append("the reload had no visible effect: only a power cycle proves that it holds")
    elif outcome.verified:
        stages = (*stages, "reloaded from storage")
    return replace(outcome, stages=stages, notes=(*outcome.notes, *notes))


def _given_back(lost: Outcome) -> str:
    """What storage gave back instead of what was live."""
    given = [str(fate) for fate in lost.fates if fate.state != "took"]
    given += [str(change) for change in lost.moved]
    return "; ".join(given)


def _kept_live(lost: Outcome, again: Outcome, otherwise: str) -> Outcome:
    """Storage gave something else back (`lost`), and the live values were put back (`again`)."""
    note = f"storage gave other values back, so nothing is proved to be stored: {otherwise}"
    return replace(again, events=lost.events, notes=(*lost.notes, *again.notes, note))


# --- proving later -------------------------------------------------------------------------------


def prove(
    link: Link,
    family: Family,
    plan: Plan,
    stage: Stage,
    *,
    journal: Journal,
    evidence: str = "",
) -> Outcome:
    """Read back after `stage` (a power cycle, homing, a job's start) and compare with the plan.

    `evidence` is what the link saw of the stage, or whose word it is; it is kept with the proof.
    """
    after = read_clean(link, family)
    fates = tuple(fate_of(change, after) for change in plan.changes)
    held = all(fate.state == "took" for fate in fates)
    outcome = Outcome(
        plan,
        fates,
        stages=("read back", stage) if held else ("read back",),
        kept_by=family.words.kept_by,
    )
    journal.note("proved", stage=stage, outcome=outcome.to_plain(), evidence=evidence)
    return outcome


# --- lines ---------------------------------------------------------------------------------------


def _send(link: Link, family: Family, line: str, journal: Journal) -> tuple[Event, ...]:
    """Send one line, journalled before and after; what the controller said to it."""
    journal.note("sending", line=line)
    return _answer(link, family, line, journal)


def _answer(link: Link, family: Family, line: str, journal: Journal) -> tuple[Event, ...]:
    words = (family.words.store, family.words.reload)
    # where the acknowledgement comes first, what is said of the storage comes after it
    with named(link, (line,), "store"):
        reply = link.ask(line, end="quiet" if family.ack_first and line in words else "ack")
    journal.note("answered", line=line, **reply_plain(reply))
    if not reply.ok:
        raise Refused(
            f"The controller refused {line}: {reply.error or 'no reason given'}",
            remedy="Read back to see where things stand",
        )
    return family.reply_events(line, reply.lines)


@contextmanager
def _breakable(plan: Plan, journal: Journal) -> Iterator[None]:
    """Journals what broke the step; a failure of the link becomes Broken."""
    try:
        yield
    except LinkFailed as failure:
        journal.note("broken", why=failure.what)
        unread = Outcome(plan, fates_unread(plan, len(plan.lines)))
        raise Broken(failure.what, unread, wire=failure.wire) from failure
    except Refused as refusal:
        journal.note("broken", why=refusal.what)
        raise
