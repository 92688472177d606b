"""What became of a plan: for each change what the controller holds, and how far that is proved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from agent.change.plan import Change, Plan
from agent.errors import LinkFailed
from agent.model.exact import decimals, in_full
from agent.model.settings import Event, Readback
from agent.plain import Plain

State = Literal["took", "did not", "other", "unknown"]

#: What makes a change permanent: a store word, writing itself, or a line in the controller's file.
KeptBy = Literal["storing", "writing", "file"]

#: Proof has stages; an acknowledgement or a notice of saving is none of them.
Stage = Literal[
    "read back",
    "reloaded from storage",
    "after a power cycle",
    "after homing",
    "after a job's start",
]
STAGES: Final[tuple[Stage, ...]] = (
    "read back",
    "reloaded from storage",
    "after a power cycle",
    "after homing",
    "after a job's start",
)

#: Stages that show that storage holds it.  After homing, or in a job, it is only still live.
KEPT: Final[frozenset[Stage]] = frozenset(("reloaded from storage", "after a power cycle"))

#: In words, for what a technician reads.
STATE_WORDS: Final[dict[State, str]] = {
    "took": "new value confirmed",
    "did not": "old value, not written",
    "other": "unexpected value",
    "unknown": "not known until read back",
}


@dataclass(frozen=True, slots=True)
class Fate(Plain):
    """What became of one change."""

    key: str
    old: float
    wanted: float
    found: float | None  #: as printed now; None before a read-back
    state: State

    def __str__(self) -> str:
        found = "" if self.found is None else f" ({in_full(self.found)})"
        return f"{self.key}: {STATE_WORDS[self.state]}{found}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a plan."""

    plan: Plan
    fates: tuple[Fate, ...]
    moved: tuple[Change, ...] = ()  #: settings that changed although no line named them
    stages: tuple[Stage, ...] = ()  #: proofs passed
    events: tuple[Event, ...] = ()  #: what the controller said meanwhile
    notes: tuple[str, ...] = ()
    hand_over: tuple[str, ...] = ()  #: lines for the controller's file, where storing is not enough
    kept_by: KeptBy = "storing"  #: what makes these changes permanent on this controller

    @property
    def verified(self) -> bool:
        """Every change took, nothing else moved, and a read-back says so."""
        return bool(self.stages) and not self.moved and all(f.state == "took" for f in self.fates)

    @property
    def stored(self) -> bool:
        """The changes came back from storage, or writing them was storing them."""
        proved = bool(KEPT.intersection(self.stages))
        return self.verified and (proved or self.kept_by == "writing")

    def to_plain(self) -> dict[str, Any]:
        return {
            "digest": self.plan.digest,
            "verified": self.verified,
            "stored": self.stored,
            "changes": [fate.to_plain() for fate in self.fates],
            "moved": [change.to_plain() for change in self.moved],
            "stages": list(self.stages),
            "events": [event.to_plain() for event in self.events],
            "notes": list(self.notes),
            "hand_over": list(self.hand_over),
            "kept_by": self.kept_by,
        }


class Broken(LinkFailed):
    """The link failed in the middle of a change; `outcome` says what is known without it."""

    def __init__(self, what: str, outcome: Outcome, *, wire: Sequence[str] = ()) -> None:
        super().__init__(
            what,
            remedy="Attach again: the journal and one read-back tell what took effect",
            wire=wire,
        )
        self.outcome = outcome


def fate_of(change: Change, readback: Readback) -> Fate:
    """What `readback` says of one change.

    A plan holds no change that would be printed as the old value, so that the two can always be
    told apart.
    """
    setting = readback.settings.get(change.key)
    state: State
    if setting is None or readback.damaged:
        return Fate(change.key, change.old, change.new, None, "unknown")
    if setting.agrees_with(change.new):
        state = "took"
    elif setting.agrees_with(change.old):
        state = "did not"
    else:
        state = "other"
    return Fate(change.key, change.old, change.new, setting.value, state)


def fates_unread(plan: Plan, sent: int) -> tuple[Fate, ...]:
    """What is known without a read-back, after the first `sent` lines may have gone out.

    An acknowledgement changes nothing here: it comes for lines without effect, too.
    """
    return tuple(
        Fate(c.key, c.old, c.new, None, "unknown" if n < sent else "did not")
        for n, c in enumerate(plan.changes)
    )


def moved_between(
    before: Readback, after: Readback, named: Mapping[str, float]
) -> tuple[Change, ...]:
    """Settings outside `named` that another value is printed for than before."""
    return tuple(
        Change(key, was.value, now.value, now.unit, decimals(now))
        for key, was in before.settings.items()
        if key not in named
        and (now := after.settings.get(key)) is not None
        and now.value != was.value
    )


def failed_stages(journal: Iterable[Mapping[str, Any]]) -> frozenset[str]:
    """Stages of proof that were tried and not passed, as far as the journal tells."""
    failed: set[str] = set()
    for entry in journal:
        step, outcome = entry.get("step"), entry.get("outcome", {})
        stages = outcome.get("stages", ())
        tried = entry.get("stage") if step == "proved" else "reloaded from storage"
        if step not in ("proved", "stored") or not tried:
            continue
        if tried in stages:
            failed.discard(str(tried))
        elif step == "proved" or not outcome.get("verified") or not outcome.get("stored"):
            failed.add(str(tried))
    return frozenset(failed)
