"""A plan: what would be sent, line by line, and the digest under which it is approved.

A plan is a value.  It is made from one clean reading and the values wanted, it prints the very
lines that will be sent, in their order, and nothing else in plumbelt makes settings lines.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

from agent.change.guards import Finding, examine
from agent.errors import Refused
from agent.families.base import Family
from agent.model.exact import as_printed, decimals, in_full, sendable
from agent.model.profile import Profile
from agent.model.settings import Readback, Setting, kind_of, letter_of
from agent.plain import Plain

#: Where wanted values come from.  `new` ones meet every guard.  `saved` ones were measured on the
#: machine before: their distance from what is live now (factory values, say) means nothing.  Values
#: of an `undo` were live a moment ago: the mechanics' bracket asks about them instead of refusing.
Origin = Literal["new", "saved", "undo"]

#: Characters of a digest: enough to tell plans apart, few enough to type.
DIGEST_LENGTH: Final = 8


@dataclass(frozen=True, slots=True)
class Change(Plain):
    """One setting, from what the controller printed to what is wanted."""

    key: str
    old: float
    new: float
    unit: str
    digits: int  #: decimals that the controller prints
    why: str = ""

    @property
    def percent(self) -> float | None:
        """Size of the change in percent of the old value; None from zero."""
        return None if self.old == 0 else (self.new / self.old - 1) * 100

    def __str__(self) -> str:
        share = "" if self.percent is None else f" ({self.percent:+z.3g} %)"
        why = f": {self.why}" if self.why else ""
        return (
            f"{self.key} {self.old:.{self.digits}f} -> {in_full(self.new)} {self.unit}{share}{why}"
        )


@dataclass(frozen=True, slots=True)
class Plan:
    """Changes of one machine, the lines that make them, and what they rest on."""

    machine: str
    family: str
    changes: tuple[Change, ...]
    lines: tuple[str, ...]  #: one for each change, in the order of sending
    snapshot: str  #: digest of the settings that were read
    identity: str = ""  #: how the controller named itself when they were read
    warnings: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()  #: questions that approving the plan answers with yes
    retype: tuple[str, ...] = ()  #: keys whose new value approval wants typed again
    unchanged: tuple[str, ...] = ()  #: keys that hold the value wanted, as far as is printed
    rests_on: Mapping[str, float] = field(default_factory=dict)  #: values that must not have moved

    @property
    def digest(self) -> str:
        """Short digest over lines, machine and snapshot: approval names it."""
        return short_digest([self.machine, self.family, self.identity, self.snapshot, *self.lines])

    @property
    def empty(self) -> bool:
        return not self.lines

    @property
    def wanted(self) -> dict[str, float]:
        """New value of each key."""
        return {change.key: change.new for change in self.changes}

    def to_plain(self) -> dict[str, Any]:
        return {
            "machine": self.machine,
            "family": self.family,
            "identity": self.identity,
            "changes": [change.to_plain() for change in self.changes],
            "lines": list(self.lines),
            "warnings": list(self.warnings),
            "asks": list(self.asks),
            "retype": list(self.retype),
            "unchanged": list(self.unchanged),
            "rests_on": dict(self.rests_on),
            "snapshot": self.snapshot,
            "digest": self.digest,
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Plan:
        """The plan that `to_plain` described, as a journal keeps it."""
        return cls(
            machine=plain["machine"],
            family=plain["family"],
            identity=plain["identity"],
            changes=tuple(Change(**change) for change in plain["changes"]),
            lines=tuple(plain["lines"]),
            warnings=tuple(plain["warnings"]),
            asks=tuple(plain["asks"]),
            retype=tuple(plain["retype"]),
            unchanged=tuple(plain["unchanged"]),
            rests_on=dict(plain["rests_on"]),
            snapshot=plain["snapshot"],
        )


def short_digest(content: Any) -> str:
    """Short digest of plain data: SHA-256 over its canonical JSON."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()[:DIGEST_LENGTH]


def snapshot_digest(readback: Readback) -> str:
    """Digest of the settings that were read, as printed."""
    values = {key: as_printed(s) for key, s in readback.settings.items()}
    return short_digest([readback.family, values])


def make_plan(
    readback: Readback,
    wanted: Mapping[str, float],
    family: Family,
    *,
    machine: str,
    profile: Profile | None = None,
    why: Mapping[str, str] | str = "",
    origin: Origin = "new",
) -> Plan:
    """The lines that make `wanted` true, with everything the guards say.

    `wanted` maps keys to values in the unit of the key; `why` gives the reason for each, or one
    for all.  Raises Refused, with all reasons, where a guard refuses.
    """
    profile = profile or Profile(name=machine)
    wanted = {key: sendable(value, readback.settings.get(key)) for key, value in wanted.items()}
    findings = examine(readback, wanted, profile.mechanics, profile.axes)
    _refuse([f for f in findings if f.level == "refuse" and not _bent(f, origin)])
    same = [key for key, value in wanted.items() if readback.settings[key].agrees_with(value)]
    kept = [key for key in _in_order(readback, wanted) if key not in same]
    changes = tuple(
        _change(
            key,
            readback.settings[key],
            wanted[key],
            why if isinstance(why, str) else why.get(key, ""),
        )
        for key in kept
    )
    asked = [
        f
        for f in findings
        if f.level != "warn" and f.key in kept and (origin == "new" or f.mechanical)
    ]
    lines = _lines(family, changes, readback)
    return Plan(
        machine=machine,
        family=readback.family,
        identity=readback.identity,
        changes=changes,
        lines=lines,
        snapshot=snapshot_digest(readback),
        warnings=(
            *(str(f) for f in findings if f.level == "warn" and f.key in kept),
            *_too_small(readback, wanted, same),
            *_storing(family, changes, lines),
        ),
        asks=tuple(str(f) for f in asked),
        retype=tuple(dict.fromkeys(f.key for f in asked if f.retype)),
        unchanged=tuple(same),
        rests_on=_rests_on(readback, changes),
    )


def _lines(family: Family, changes: Iterable[Change], readback: Readback) -> tuple[str, ...]:
    """The line of each change; what else it carries is carried as it then is."""
    lines = []
    settings = dict(readback.settings)
    for change in changes:
        now = replace(readback, settings=settings)
        lines.append(family.write_line(change.key, change.new, now))
        settings = {**settings, change.key: replace(settings[change.key], value=change.new)}
    return tuple(lines)


def file_lines(family: Family, changes: Iterable[Change], lines: Iterable[str]) -> tuple[str, ...]:
    """Those of the changes' lines that belong into the controller's own file, because its store
    word does not cover them."""
    if family.words.covers_steps:
        return ()
    return tuple(
        line
        for change, line in zip(changes, lines, strict=True)
        if family.file_line(change.key, change.new) is not None
    )


def _bent(finding: Finding, origin: Origin) -> bool:
    """A refusal that becomes a question, because it would also refuse what was there before."""
    return origin == "undo" and finding.mechanical


def _refuse(refusals: list[Finding]) -> None:
    if not refusals:
        return
    if refusals[0].code == "damaged":
        raise Refused(
            f"The settings were not read cleanly: {refusals[0].text}",
            remedy="Read them again. Nothing was sent",
        )
    raise Refused(
        "This cannot be written: " + "; ".join(map(str, refusals)),
        remedy="Nothing was sent",
    )


def _in_order(readback: Readback, wanted: Mapping[str, float]) -> list[str]:
    """Limits that go down come first, limits that go up last: no moment is faster than planned."""

    def rank(key: str) -> int:
        if kind_of(key) not in ("max_speed", "max_acceleration"):
            return 1
        return 0 if wanted[key] < readback.settings[key].value else 2

    return sorted(wanted, key=rank)


def _change(key: str, setting: Setting, new: float, why: str) -> Change:
    return Change(key, setting.value, new, setting.unit, decimals(setting), why)


def _too_small(readback: Readback, wanted: Mapping[str, float], same: list[str]) -> tuple[str, ...]:
    """Wishes that no read-back could prove, because the controller prints too few digits."""
    return tuple(
        f"{key}: {in_full(wanted[key])} is printed as {as_printed(setting)}, which stands "
        "there now: too small a change to be proved, so it is left as it is"
        for key in same
        if (setting := readback.settings[key]).value != wanted[key]
    )


def _storing(
    family: Family, changes: tuple[Change, ...], lines: tuple[str, ...]
) -> tuple[str, ...]:
    """What the family's way of storing means for this plan."""
    if not changes:
        return ()
    if family.words.writing_stores:
        return ("this controller has no trial stage: writing is storing, at once and for good",)
    lines = file_lines(family, changes, lines)
    if not lines:
        return ()
    return (
        "this controller's store word does not cover these settings; to keep them, put into"
        f" {family.words.file}: {' | '.join(lines)}",
    )


def _rests_on(readback: Readback, changes: tuple[Change, ...]) -> dict[str, float]:
    """Values under which the guards agreed: those to be changed, and limits that go with them."""
    letters = {letter_of(c.key) for c in changes if kind_of(c.key) in ("steps_per_mm", "max_speed")}
    keys = {change.key for change in changes} | {
        key
        for key in readback.settings
        if kind_of(key) in ("steps_per_mm", "max_speed") and letter_of(key) in letters
    }
    return {key: readback.settings[key].value for key in readback.settings if key in keys}
