"""Restoring a saved profile after a flash: a triage, not a replay.

    keep            written after the mechanics check: steps/mm, limits, accelerations, offsets
    measure again   what the new firmware or the flash itself makes doubtful: probe height, heater
                    loops, meshes
    never replay    what belongs to the old firmware: motor currents, microsteps, words of its
                    motion model, every line that was only kept as text

Keys are kept by what they mean, not by the letters they were printed with: letters change their
meaning between versions (a jerk becomes a junction deviation, an acceleration of retracting
becomes one of travelling), and the family that reads the new controller writes its own words.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from agent.change.guards import Finding, blocked_roles, examine, plausible
from agent.change.plan import Plan, make_plan
from agent.errors import Refused
from agent.families.base import Family
from agent.model.profile import Profile, SavedSetting
from agent.model.roles import Role
from agent.model.settings import Event, Readback, kind_of

Verdict = Literal["keep", "measure again", "never replay"]

_LOOP: Final = "a heater loop belongs to the firmware that runs it: tune it again"
_MODEL: Final = (
    "the old firmware's setting; in the new firmware the same letter may have another meaning"
)

#: What becomes of each kind of setting, and why.
_KINDS: Final[dict[str, tuple[Verdict, str]]] = {
    "steps_per_mm": ("keep", "belongs to the mechanics"),
    "max_speed": ("keep", "a limit of the mechanics"),
    "max_acceleration": ("keep", "a limit of the mechanics"),
    "acceleration": ("keep", "a limit of the mechanics"),
    "max_travel": ("keep", "belongs to the mechanics"),
    "home_offset": ("keep", "belongs to the switches"),
    "probe_offset": ("keep", "belongs to the mount of the probe"),
    "min_speed": ("keep", "a limit of the mechanics"),
    "hotend_pid": ("measure again", _LOOP),
    "bed_pid": ("measure again", _LOOP),
    "jerk": ("never replay", _MODEL),
    "junction_deviation": ("never replay", _MODEL),
    "segment_time": ("never replay", _MODEL),
    "skew": (
        "never replay",
        "skew correction assumes a box-shaped machine; on an endless belt its error grows without"
        " limit",
    ),
    "motor_current": (
        "never replay",
        "currents belong to drivers and motors, and the new firmware may count them otherwise",
    ),
}

#: The height of a probe is found anew whatever else is kept.
_PROBE_HEIGHT: Final = "the height of the probe is found anew after a flash, before any move to 0"

#: Lines kept as text whose subject is known by common use of the code.
_TEXTS: Final[tuple[tuple[str, Verdict, str], ...]] = (
    (r"G29|M420|M421", "measure again", "a mesh is probed anew after a flash"),
    (r"M350", "never replay", "microsteps change the meaning of steps/mm"),
)
_TEXT: Final[tuple[Verdict, str]] = (
    "never replay",
    "kept as text only: what it means to the new firmware is not known",
)


@dataclass(frozen=True, slots=True)
class Sorted:
    """One saved setting (or line) and what becomes of it."""

    key: str  #: key of the setting, or the line
    verdict: Verdict
    reason: str
    value: float | None = None  #: to be written: full precision where that is known

    def to_plain(self) -> dict[str, Any]:
        return {"key": self.key, "reason": self.reason}


@dataclass(frozen=True, slots=True)
class Restore:
    """A restore before it is written: the plan, and what is not in it and why."""

    plan: Plan
    cannot: tuple[Sorted, ...]  #: never replayed, unknown to the new firmware, or refused
    measure_again: tuple[Sorted, ...]
    blocked: Mapping[Role, str]  #: axes that must not move before the plan is written
    notes: tuple[str, ...] = ()

    def to_plain(self) -> dict[str, Any]:
        return {
            **self.plan.to_plain(),
            "cannot": [item.to_plain() for item in self.cannot],
            "measure_again": [item.to_plain() for item in self.measure_again],
            "blocked": dict(self.blocked),
            "notes": list(self.notes),
        }


def sort_profile(profile: Profile) -> tuple[Sorted, ...]:
    """What becomes of everything that `profile` saved, whatever the new firmware is."""
    settings = [_sort_setting(key, saved) for key, saved in profile.settings.items()]
    return (*settings, *map(_sort_line, profile.other))


def _sort_setting(key: str, saved: SavedSetting) -> Sorted:
    verdict, reason = _KINDS.get(kind_of(key), _TEXT)
    if key == "probe_offset.z":
        verdict, reason = "measure again", _PROBE_HEIGHT
    return Sorted(key, verdict, reason, saved.exact)


def _sort_line(line: str) -> Sorted:
    code = re.sub(r"^(?:echo:|\s)+", "", line)
    for pattern, verdict, reason in _TEXTS:
        if re.match(rf"(?:{pattern})\b", code):
            return Sorted(line, verdict, reason)
    return Sorted(line, *_TEXT)


def restore(
    profile: Profile,
    readback: Readback,
    family: Family,
    *,
    machine: str | None = None,
    events: Sequence[Event] = (),
) -> Restore:
    """The plan that brings back what can be kept, and the rest with reasons.

    `events` is what the controller said since it was attached (its boot lines tell whether the
    stored block was readable), besides what stands in the reading.

    Raises Refused for a damaged reading.  Every other obstacle of a single key is a reason why
    that key is not in the plan.
    """
    if readback.damaged:
        raise Refused(
            "The settings were not read cleanly: " + "; ".join(readback.damage),
            remedy="Read them again. Nothing was sent",
        )
    found = sort_profile(profile)
    wanted: dict[str, float] = {}
    cannot = [item for item in found if item.verdict == "never replay"]
    for item in found:
        if item.verdict != "keep" or item.value is None:
            continue
        why_not = _unknown(item.key, readback) or _unwritable(item, readback, family)
        if why_not:
            cannot.append(Sorted(item.key, "keep", why_not, item.value))
        else:
            wanted[item.key] = item.value
    for finding in _refusals(readback, wanted, profile):
        value = wanted.pop(finding.key)
        cannot.append(Sorted(finding.key, "keep", finding.text, value))
    plan = make_plan(
        readback,
        wanted,
        family,
        machine=machine or profile.name,
        profile=profile,
        why=f"restore of {profile.name}",
        origin="saved",
    )
    return Restore(
        plan=plan,
        cannot=tuple(cannot),
        measure_again=tuple(item for item in found if item.verdict == "measure again"),
        blocked=blocked_roles(plausible(readback, profile.mechanics, profile.axes), profile.axes),
        notes=_notes(profile, readback, (*events, *readback.events)),
    )


#: Kinds of which newer firmware has one in place of the other.
_INSTEAD: Final = {"jerk": "junction_deviation", "junction_deviation": "jerk"}


def _unknown(key: str, readback: Readback) -> str:
    """Why the new firmware cannot take `key`; empty if it reports it."""
    if key in readback.settings:
        return ""
    plain = key.partition("@")[0]
    if plain != key and plain in readback.settings:
        return f"the new firmware has no such mode, only {plain}"
    other = _INSTEAD.get(kind_of(key))
    if other and any(kind_of(k) == other for k in readback.settings):
        return f"the new firmware has {other} instead"
    return "the new firmware does not report this setting"


def _unwritable(item: Sorted, readback: Readback, family: Family) -> str:
    try:
        family.write_line(item.key, item.value or 0.0, readback)
    except Refused as refusal:
        return refusal.what
    return ""


def _refusals(readback: Readback, wanted: Mapping[str, float], profile: Profile) -> list[Finding]:
    """The first refusal of each key; taking one away may be the reason for another."""
    refused: dict[str, Finding] = {}
    while True:
        left = {key: value for key, value in wanted.items() if key not in refused}
        findings = examine(readback, left, profile.mechanics, profile.axes)
        new = {f.key: f for f in findings if f.level == "refuse"}
        if not new:
            return list(refused.values())
        refused = new | refused


def _notes(profile: Profile, readback: Readback, events: Sequence[Event]) -> tuple[str, ...]:
    kinds = {event.kind for event in events}
    notes = []
    if kinds & {"layout_mismatch", "checksum_of_storage", "defaults_live"}:
        notes.append(
            "the stored block was not readable, so factory values are live; storing writes it "
            "anew and wipes what was there"
        )
    if "no_storage" in kinds:
        notes.append("the controller has no storage now: nothing will survive switching it off")
    if profile.identity and readback.identity and profile.identity != readback.identity:
        notes.append(
            f"saved from {profile.identity!r} and written to {readback.identity!r}: on another "
            "machine these values count as copied until they are measured there"
        )
    if profile.family and profile.family != readback.family:
        notes.append(
            f"saved from a controller of the family '{profile.family}', this one is "
            f"'{readback.family}'"
        )
    return tuple(notes)
