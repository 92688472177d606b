"""What differs: two profiles, a profile and a controller, what is live and what is stored."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from agent.change.plan import Plan
from agent.change.storing import Exactly, Look, look
from agent.families.base import Family
from agent.model.exact import as_printed
from agent.model.profile import Profile
from agent.model.settings import Readback, Setting
from agent.plain import Plain
from agent.store.journal import Journal
from agent.store.profiles import profile_plain
from agent.store.yamltext import number
from agent.wire.link import Link

#: Parts of a profile that say where it came from, not what the machine is.
_ORIGIN: Final = ("format", "name", "note", "read_at", "read_from", "identity")


@dataclass(frozen=True, slots=True)
class Difference(Plain):
    """One thing that is not the same on both sides; None where a side lacks it."""

    key: str
    left: str | None
    right: str | None
    unit: str = ""
    percent: float | None = None  #: right against left, for numbers

    def __str__(self) -> str:
        left, right = (side if side is not None else "(none)" for side in (self.left, self.right))
        share = "" if self.percent is None else f" ({self.percent:+z.3g} %)"
        return f"{self.key}: {left} | {right} {self.unit}".rstrip() + share


def compare_settings(
    left: Mapping[str, Setting], right: Mapping[str, Setting]
) -> tuple[Difference, ...]:
    """Settings that differ by more than both sides' printed digits can hide."""
    found = []
    for key in dict.fromkeys((*left, *right)):
        a, b = left.get(key), right.get(key)
        if a is None or b is None or not _alike(a, b):
            found.append(_difference(key, a, b))
    return tuple(found)


def _alike(a: Setting, b: Setting) -> bool:
    """Equal, or one would be printed as the other by the side that prints fewer digits."""
    return a.value == b.value or (
        a.agrees_with(b.value) if a.half_digit >= b.half_digit else b.agrees_with(a.value)
    )


def _difference(key: str, a: Setting | None, b: Setting | None) -> Difference:
    percent = (b.value / a.value - 1) * 100 if a and b and a.value else None
    unit = (a or b or Setting(0, "", 0)).unit
    return Difference(key, _shown(a), _shown(b), unit, percent)


def _shown(setting: Setting | None) -> str | None:
    return None if setting is None else as_printed(setting)


def compare_profiles(left: Profile, right: Profile) -> tuple[Difference, ...]:
    """Everything in which two profiles differ, but for their origin."""
    settings = compare_settings(_settings(left), _settings(right))
    flat = [_flat(profile_plain(profile)) for profile in (left, right)]
    keys = [key for key in dict.fromkeys((*flat[0], *flat[1])) if _compared(key)]
    parts = (
        Difference(key, flat[0].get(key), flat[1].get(key))
        for key in keys
        if flat[0].get(key) != flat[1].get(key)
    )
    return (*parts, *settings)


def _compared(key: str) -> bool:
    return key.partition(".")[0] not in (*_ORIGIN, "settings")


def _settings(profile: Profile) -> dict[str, Setting]:
    return {key: saved.setting for key, saved in profile.settings.items()}


def _flat(plain: Any, key: str = "") -> dict[str, str]:
    """Leaves of plain data by dotted key."""
    if isinstance(plain, Mapping):
        items = [(f"{key}.{name}" if key else str(name), value) for name, value in plain.items()]
        return {k: v for name, value in items for k, v in _flat(value, name).items()}
    return {key: _leaf(plain)}


def _leaf(value: Any) -> str:
    """A single value as a file would hold it: 3 and 3.0 are the same number."""
    return str(number(value)) if isinstance(value, float) else str(value)


def compare_with_live(profile: Profile, readback: Readback) -> tuple[Difference, ...]:
    """Settings in which a profile (left) differs from a controller (right)."""
    return compare_settings(_settings(profile), readback.settings)


def compare_live_with_stored(
    link: Link,
    family: Family,
    machine: str,
    *,
    journal: Journal,
    exactly: Exactly | None = None,
) -> Look:
    """What is live and not stored; every value stays live as it was.

    `exactly` and errors: see `agent.change.storing.look`.
    """
    nothing = Plan(machine, family.name, changes=(), lines=(), snapshot="")
    return look(link, family, nothing, journal=journal, exactly=exactly)
