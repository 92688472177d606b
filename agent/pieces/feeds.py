"""Feeds of filament that tell the extruder's steps from its slip.

Filament that runs out free, with the tube off the hot end, shows what a step moves; pushed
through the hot nozzle it comes up short by what the drive slips.  Several slow feeds of each:
only the free ones may change the steps.  The guard against feeding cold is never lifted; the
nozzle is heated in both tests.

    new steps/mm = old steps/mm * commanded / measured free        (proportion)
    slip = 1 - measured hot / measured free
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Final, Literal

from agent.model.profile import Profile
from agent.pieces.envelope import check_sizes, in_range

FeedKind = Literal["free", "hot"]

#: A change of the extruder's steps is worth it beyond this share, and beyond its 95 % uncertainty
#: (common practice: flow is judged to a percent or so).
WORTH_IT: Final = 0.005

#: A slip beyond this share is worth looking into: tension, drive, temperature (common practice).
MUCH_SLIP: Final = 0.02

#: Common practice: slow enough that the nozzle's back pressure stays small.
_SPEED_MM_S: Final = 1.0

_CAUTIONS: Final[dict[FeedKind, tuple[str, ...]]] = {
    "free": (
        "The nozzle gets hot: take the tube off the hot end first, keep hands off it.",
        "Raise the gantry, so that the nozzle is clear of the belt.",
    ),
    "hot": (
        "The nozzle gets hot and plastic runs out of it: keep hands and belt clear.",
        "Raise the gantry by 50 mm or more.",
        "Air the room as for any print.",
    ),
}


@dataclass(frozen=True, slots=True)
class FeedTest:
    """Lines of one test; after each feed the technician measures what has run in."""

    kind: FeedKind
    commanded_mm: float
    seconds: float  #: of one feed
    cautions: tuple[str, ...]
    before: tuple[str, ...]  #: heat and wait
    feeds: tuple[tuple[str, ...], ...]  #: one group of lines a feed


def feed_test(
    profile: Profile,
    kind: FeedKind,
    *,
    length: float = 50.0,
    repeats: int = 5,
    speed: float = _SPEED_MM_S,
) -> FeedTest:
    """Lines that feed `length` mm of filament `repeats` times at `speed` mm/s.

    Raises BadInput for a length, number or speed outside what is sensible.
    """
    check_sizes(
        "feed",
        in_range("length", length, 10.0, 200.0)
        + in_range("repeats", repeats, 2, 20, "")
        + in_range("speed", speed, 0.2, 5.0, " mm/s"),
    )
    heat = f"S{profile.material.heats[0]:g}"
    return FeedTest(
        kind=kind,
        commanded_mm=length,
        seconds=length / speed,
        cautions=_CAUTIONS[kind],
        before=("G21", "M83", f"M104 {heat}", f"M109 {heat}"),
        feeds=((f"G1 E{length:g} F{60 * speed:.0f}", "M400"),) * repeats,
    )


@dataclass(frozen=True, slots=True)
class FeedResult:
    """What the feeds say; `u_*` are standard uncertainties."""

    steps_per_mm: float
    u_steps_per_mm: float
    slip: float | None  #: share lost in the hot nozzle; None without hot feeds
    u_slip: float | None

    def worth_it(self, old_steps: float) -> bool:
        """True if the steps are off beyond their uncertainty and beyond what matters."""
        off = abs(self.steps_per_mm / old_steps - 1)
        return off > WORTH_IT and off > 2 * self.u_steps_per_mm / old_steps

    @property
    def slips(self) -> bool:
        """True if the hot feeds lose more than they may, and more than could be chance."""
        if self.slip is None or self.u_slip is None:
            return False
        return self.slip > MUCH_SLIP and self.slip > 2 * self.u_slip


def result_of(
    old_steps: float, feeds: Mapping[str, tuple[float, Sequence[float]]]
) -> FeedResult | None:
    """What all feeds say together, by kind the length of each and what was read; None without free.

    Hot feeds of another length count by their share.  Raises as `feed_result`.
    """
    if "free" not in feeds:
        return None
    length, free = feeds["free"]
    hot_length, hot = feeds.get("hot", (length, ()))
    return feed_result(old_steps, length, free, [value * length / hot_length for value in hot])


def feed_result(
    old_steps: float,
    commanded: float,
    free: Sequence[float],
    hot: Sequence[float] = (),
    *,
    u_read: float = 0.3,
) -> FeedResult:
    """Extruder steps from free feeds, and the slip of hot ones.

    old_steps  steps/mm in use;  commanded  mm of each feed
    free, hot  measured feeds, mm, two or more free ones
    u_read     standard uncertainty of one measured feed where they agree better than that, mm;
               a mark read off a steel rule, common practice

    The mean's uncertainty is s / sqrt(n) (JCGM 100:2008, 4.2.3), s not below `u_read`.
    Raises ValueError for values that are not positive or fewer than two free feeds.
    """
    if len(free) < 2 or not all(
        math.isfinite(v) and v > 0 for v in (old_steps, commanded, u_read, *free, *hot)
    ):
        raise ValueError("feeds and steps must be positive, and there must be two free feeds")
    mean_free, relative_free = _mean(free, u_read)
    steps = old_steps * commanded / mean_free
    if not hot:
        return FeedResult(steps, steps * relative_free, None, None)
    mean_hot, relative_hot = _mean(hot, u_read)
    share = mean_hot / mean_free
    return FeedResult(
        steps, steps * relative_free, 1 - share, share * math.hypot(relative_free, relative_hot)
    )


def _mean(values: Sequence[float], u_read: float) -> tuple[float, float]:
    """Mean and its relative standard uncertainty."""
    spread = max(u_read, stdev(values)) if len(values) > 1 else u_read
    mean = fmean(values)
    return mean, spread / math.sqrt(len(values)) / mean
