"""After a break: what the journal and one read-back say, and the two ways on from there.

The journal tells which lines may have gone out; only the read-back tells what the controller
holds.  Finishing and undoing are plans like any other: previewed, approved, written, proved.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from agent.change.outcome import Fate, fate_of, fates_unread
from agent.change.plan import Change, Plan, make_plan
from agent.change.storing import Exactly
from agent.errors import Refused
from agent.families.base import Family
from agent.model.exact import decimals, exact, in_full
from agent.model.profile import Profile
from agent.model.settings import UNITS, Readback, Setting, kind_of
from agent.store.journal import Entry

Phase = Literal["writing", "looking", "storing"]

#: First step of each kind of journal.
_PHASES: dict[str, Phase] = {"begun": "writing", "looking": "looking", "storing": "storing"}


@dataclass(frozen=True, slots=True)
class Account:
    """Where a broken transaction stands."""

    plan: Plan
    phase: Phase
    fates: tuple[Fate, ...]
    displaced: tuple[Change, ...] = ()  #: settings outside the plan: `old` found, `new` before
    storage: Literal["untouched", "unknown"] = "untouched"  #: unknown until it is looked at
    snapshot: Mapping[str, Setting] = field(default_factory=dict)  #: settings before
    fallen: bool = False  #: it was written and proved, and a restart took it back since

    @property
    def finished(self) -> bool:
        """Everything is live as the transaction wanted it."""
        return not self.displaced and all(fate.state == "took" for fate in self.fates)

    @property
    def undone(self) -> bool:
        """Nothing of the plan is live."""
        return not self.displaced and all(fate.state == "did not" for fate in self.fates)

    def __str__(self) -> str:
        what = (
            "was written, and is not live any more: the controller restarted before it was stored"
            if self.fallen
            else f"broke while {self.phase}"
        )
        parts = [f"{self.plan.machine}: plan {self.plan.digest} {what}"]
        parts += [f"  {fate}" for fate in self.fates]
        parts += [f"  {c.key} is {in_full(c.old)} and was {in_full(c.new)}" for c in self.displaced]
        if self.storage == "unknown":
            parts.append("  whether it was stored is not known; looking before storing tells")
        return "\n".join(parts)

    def to_plain(self) -> dict[str, Any]:
        return {
            "digest": self.plan.digest,
            "phase": self.phase,
            "changes": [fate.to_plain() for fate in self.fates],
            "displaced": [change.to_plain() for change in self.displaced],
            "storage": self.storage,
            "fallen": self.fallen,
            "finished": self.finished,
            "undone": self.undone,
        }


def account(entries: Sequence[Entry], readback: Readback | None = None) -> Account | None:
    """Where the transaction of a journal stands; None if it broke before it began.

    Without a read-back, lines that may have gone out are `unknown`; with a clean one, never.
    Raises Refused for a damaged reading, and for a journal that something else wrote.
    """
    try:
        return _account(entries, readback)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise Refused(
            f"The journal holds something that no transaction wrote ({error!r:.80})",
            remedy="Read the settings back: they are what counts",
        ) from error


def _account(entries: Sequence[Entry], readback: Readback | None) -> Account | None:
    head = next((entry for entry in entries if entry["step"] in _PHASES), None)
    if head is None:
        return None
    plan = Plan.from_plain(head["plan"])
    phase = _PHASES[head["step"]]
    snapshot = settings_of(head["snapshot"])
    storage: Literal["untouched", "unknown"] = (
        "unknown" if phase == "storing" and _store_word_sent(entries, head) else "untouched"
    )
    if readback is None:
        sent = [entry["index"] + 1 for entry in entries if "index" in entry]
        count = max(sent, default=0) if phase == "writing" else len(plan.lines)
        return Account(plan, phase, fates_unread(plan, count), (), storage, snapshot)
    if readback.damaged:
        raise Refused(
            "The settings were not read cleanly: " + "; ".join(readback.damage),
            remedy="Read them again: only a clean reading tells what took effect",
        )
    fates = tuple(fate_of(change, readback) for change in plan.changes)
    meant = plan.wanted.keys() | head.get("reset", {}).keys()  # what the lines were to change
    return Account(plan, phase, fates, _displaced(meant, snapshot, readback), storage, snapshot)


def _store_word_sent(entries: Sequence[Entry], head: Entry) -> bool:
    """Whether anything went out that is not one of the lines that come before the store word."""
    before = set(head.get("reset", {}).values())
    return any(e["step"] == "sending" and e["line"] not in before for e in entries)


def settings_of(snapshot: Mapping[str, Any]) -> dict[str, Setting]:
    """Settings of a snapshot as a journal keeps it."""
    return {
        key: Setting(value, UNITS.get(kind_of(key), ""), digits, tolerance=tolerance)
        for key, (value, digits, tolerance) in snapshot["settings"].items()
    }


def _displaced(
    meant: Collection[str], snapshot: Mapping[str, Setting], now: Readback
) -> tuple[Change, ...]:
    return tuple(
        Change(key, setting.value, was.value, setting.unit, decimals(setting))
        for key, was in snapshot.items()
        if key not in meant
        and (setting := now.settings.get(key)) is not None
        and setting.value != was.value
    )


def finish(
    found: Sequence[Account],
    readback: Readback,
    family: Family,
    profile: Profile | None = None,
    *,
    exactly: Exactly | None = None,
) -> Plan:
    """The plan that brings broken changes, oldest first, to their end; empty if all is live.

    A later change has the last word.  What was only displaced goes back in full precision where
    `exactly` (what was sent at some time) or the profile knows a value that agrees with what was
    printed.
    """
    wanted: dict[str, float] = {}
    for one in found:
        wanted = {key: value for key, value in wanted.items() if key not in one.plan.wanted}
        wanted |= {f.key: f.wanted for f in one.fates if f.state != "took"}
        wanted |= _displaced_values(one, profile, exactly)
    return _onward("finish", found[-1], readback, wanted, family, profile)


def undo(
    found: Sequence[Account],
    readback: Readback,
    family: Family,
    profile: Profile | None = None,
    *,
    exactly: Exactly | None = None,
) -> Plan:
    """The plan that makes everything live as it was before the oldest; empty if it is.

    Order and full precision: as for `finish`.
    """
    wanted: dict[str, float] = {}
    for one in reversed(found):
        wanted |= {c.key: _exact(one, c.key, c.old, profile, exactly) for c in one.plan.changes}
        wanted |= _displaced_values(one, profile, exactly)
    return _onward("undo", found[0], readback, wanted, family, profile)


def _onward(
    way: str,
    found: Account,
    readback: Readback,
    wanted: Mapping[str, float],
    family: Family,
    profile: Profile | None,
) -> Plan:
    return make_plan(
        readback,
        wanted,
        family,
        machine=found.plan.machine,
        profile=profile,
        why=f"{way} plan {found.plan.digest}",
        origin="undo",
    )


def _displaced_values(
    found: Account, profile: Profile | None, exactly: Exactly | None
) -> dict[str, float]:
    return {c.key: _exact(found, c.key, c.new, profile, exactly) for c in found.displaced}


def _exact(
    found: Account,
    key: str,
    printed: float,
    profile: Profile | None,
    exactly: Exactly | None,
) -> float:
    """The value behind `printed`, where it is known; the snapshot tells how finely that shows."""
    before = found.snapshot.get(key)
    if before is None:
        return printed
    was = replace(before, value=printed)  # of a look, the snapshot holds what is to be undone
    saved = profile.settings.get(key) if profile else None
    return exact(
        was, exactly(key, was) if exactly is not None else None, saved.written if saved else None
    )
