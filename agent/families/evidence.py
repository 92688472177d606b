"""Which family sends such lines: the evidence on the cards, weighed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from functools import cache
from typing import Final

from agent.families.base import Family

_NAMES: Final = re.compile(r"(FIRMWARE_NAME:.*|^.*(?=\['\$' for help\])|\[VER:.*\])")


@cache
def _patterns(families: tuple[Family, ...]) -> tuple[tuple[Family, int, re.Pattern[str]], ...]:
    return tuple(
        (family, told.weight, re.compile(told.pattern, re.IGNORECASE))
        for family in families
        for told in family.evidence
    )


def family_of(lines: Iterable[str], families: Iterable[Family], least: int = 1) -> Family | None:
    """The family for which most speaks, or None if too little speaks for any.

    Each pattern counts once, however often it is met; `least` is the weight that is enough.
    """
    waiting = list(_patterns(tuple(families)))
    weights: Counter[Family] = Counter()
    for line in lines:
        for item in waiting:
            family, weight, pattern = item
            if pattern.match(line):
                weights[family] += weight
                waiting = [other for other in waiting if other is not item]
    for family, weight in weights.most_common(1):
        return family if weight >= least else None
    return None


def identity_in(lines: Iterable[str]) -> str:
    """How a controller names itself: the answer to M115, or its banner."""
    return next((match[1].strip() for line in lines if (match := _NAMES.search(line))), "")
