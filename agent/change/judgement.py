"""Live settings that are plausible, but other than saved: what may have happened in between.

What moved tells it.  A new belt or pulley moves the steps of its axis and nothing else; a reflash
moves limits, accelerations and motion words together, often to round values, and renames what
there is; a tune somewhere else moves steps by little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal

from agent.model.exact import exact
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
    keys: tuple[str, ...]  #: what moved, vanished or is new
    text: str
    remedy: str = ""  #: what to do next

    def to_plain(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "keys": list(self.keys),
            "text": self.text,
            "remedy": self.remedy,
        }


def judge_change(saved: Profile, live: Readback) -> Judgement:
    """What the live settings say against the saved ones.

    `same` also where nothing was saved, or where the reading is damaged: then nothing is known.
    """
    if not saved.settings or live.damaged:
        return Judgement("same", (), "nothing to compare")
    ratios = {
        key: exact(live.settings[key], kept.written) / kept.setting.value
        for key, kept in saved.settings.items()
        if key in live.settings and kept.setting.value and _moved(kept.setting.value, live, key)
    }
    zeros = [
        key
        for key, kept in saved.settings.items()
        if not kept.setting.value and key in live.settings and _moved(0.0, live, key)
    ]
    gone = [key for key in saved.settings if key not in live.settings]
    new = [key for key in live.settings if key not in saved.settings]
    steps = {key: ratio for key, ratio in ratios.items() if kind_of(key) == "steps_per_mm"}
    others = [*(key for key in ratios if key not in steps), *zeros]
    keys = (*steps, *others, *gone, *new)
    if not keys:
        return Judgement("same", (), "the live settings are the saved ones")
    kinds = {kind_of(key) for key in (*others, *gone, *new)}
    renamed = bool(saved.identity and live.identity and saved.identity != live.identity)
    if len(kinds) >= _MANY_KINDS or (renamed and kinds):
        listed = ", ".join(sorted(kinds))
        return Judgement(
            "reflash",
            keys,
            f"{len(keys)} settings of several kinds ({listed}) are not as saved: this looks like a"
            " reflash or a reset to factory values",
            f"'profile restore {saved.name} --preview' sorts what to bring back",
        )
    if steps and not kinds:
        parts = {key: ratio for key, ratio in steps.items() if abs(ratio - 1) > _TRIM}
        if parts:
            listed = ", ".join(f"{key} by {(r - 1) * 100:+.1f} %" for key, r in parts.items())
            return Judgement(
                "mechanics",
                keys,
                f"only steps moved ({listed}): this looks like a part of the drive that was"
                " replaced, not like a reflash",
                "'drive AXIS' takes the new part, says what its value should be and what to measure"
                " again; put the part into the profile",
            )
        return Judgement(
            "tuned",
            keys,
            f"only steps moved, and by little ({', '.join(steps)}): tuned elsewhere",
            f"'profile save {saved.name} --over' keeps the live values",
        )
    return Judgement(
        "settings",
        keys,
        f"not as saved: {', '.join(keys)}; somebody has changed these",
        f"'profile compare {saved.name}' shows each; 'profile save {saved.name} --over' keeps them",
    )


def _moved(saved: float, live: Readback, key: str) -> bool:
    return not live.settings[key].agrees_with(saved)
