"""Live settings that are plausible, but other than saved: what may have happened in between.

What moved tells it.  A new belt or pulley moves the steps of its axis and nothing else; a reflash
moves limits, accelerations and motion words together, often to round values, and renames what
there is; a tune somewhere else moves steps by little.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from agent.model.profile import Profile
from agent.model.settings import Readback, kind_of

Kind = Literal["same", "reflash", "mechanics", "tuned", "settings"]

#: Steps that moved by less than this share are a trim; a part that was replaced moves them by more
#: (one tooth of twenty is 5 %).
_TRIM: Final = 0.04

#: So many kinds of settings besides steps do not move together by hand.
_MANY_KINDS: Final = 3


@dataclass(frozen=True, slots=True)
class Judgement:
    """What happened since the settings were saved, as far as they tell."""

    kind: Kind
    keys: tuple[str, ...] = ()  #: what moved, vanished or is new
    found: str = ""  #: how they are not as before
    cause: str = ""  #: what most likely did it
    remedy: str = ""  #: what to do next

    @property
    def text(self) -> str:
        return f"{self.found}: {self.cause}" if self.found else self.cause

    def to_plain(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "keys": list(self.keys),
            "text": self.text,
            "remedy": self.remedy,
        }


_SAME: Final = Judgement("same", cause="the live settings are the saved ones")


def judge_change(saved: Profile, live: Readback) -> Judgement:
    """What the live settings say against those of a profile; see `judge`."""
    before = {key: kept.setting.value for key, kept in saved.settings.items()}
    return judge(before, saved.identity, live, saved.name)


def judge(before: Mapping[str, float], identity: str, live: Readback, name: str) -> Judgement:
    """What the live settings say against earlier ones, by what moved.

    before    values as they were printed;  identity  how the controller named itself then, or ""
    name      of the machine, for the next step

    `same` also where nothing was saved, or where the reading is damaged: then nothing is known.
    """
    if not before or live.damaged:
        return _SAME
    now = live.settings
    moved = [key for key, old in before.items() if key in now and not now[key].agrees_with(old)]
    gone = [key for key in before if key not in now]
    renewed = [*gone, *(key for key in now if key not in before)]
    steps = {
        key: now[key].value / before[key] - 1
        for key in moved
        if kind_of(key) == "steps_per_mm" and before[key]
    }
    others = [key for key in moved if key not in steps]
    keys = (*steps, *others, *renewed)
    if not keys:
        return _SAME
    kinds = {kind_of(key) for key in (*others, *renewed)}
    renamed = bool(identity and live.identity and identity != live.identity)
    if len(kinds) >= _MANY_KINDS or (renamed and kinds):
        several = f"{len(keys)} settings of several kinds ({', '.join(sorted(kinds))})"
        named = f"the controller names itself otherwise, and not as saved: {', '.join(keys)}"
        return Judgement(
            "reflash",
            keys,
            f"{several} are not as saved" if len(kinds) >= _MANY_KINDS else named,
            "this looks like a reflash or a reset to factory values",
            f"'profile restore {name} --preview' sorts what to bring back and what to measure",
        )
    if not kinds and any(abs(share) > _TRIM for share in steps.values()):
        listed = ", ".join(f"{key} by {100 * share:+z.1f} %" for key, share in steps.items())
        return Judgement(
            "mechanics",
            keys,
            f"only steps moved ({listed})",
            "this looks like a part of the drive that was replaced, not like a reflash",
            "'drive AXIS' takes the new part, says what its value should be and what to measure"
            " again; '--keep' puts the part into the profile",
        )
    if not kinds:
        return Judgement(
            "tuned",
            keys,
            f"only steps moved, and by little ({', '.join(steps)})",
            "this looks like a tune that was made elsewhere",
            f"'profile save {name} --over' keeps the live values",
        )
    return Judgement(
        "settings",
        keys,
        f"not as saved: {', '.join(keys)}",
        "somebody has changed these",
        f"'profile compare {name}' shows each; 'profile save {name} --over' keeps them",
    )
