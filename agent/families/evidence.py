"""Which family sends such lines: patterns that stand for one family, with their weight."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from typing import Final

#: 3: no other family sends it; 1: it speaks for the family where nothing else does.
_EVIDENCE: Final[tuple[tuple[str, int, str], ...]] = (
    ("numbered", 3, r"\$\w+(?:/\w+)?\s*="),
    ("numbered", 3, r".*\['\$' for help\]"),
    ("numbered", 3, r"<(?:idle|run|hold|jog|alarm|door|check|home|sleep)\b"),
    ("numbered", 3, r"ALARM:\d"),
    ("numbered", 3, r"\[(?:VER|OPT|MSG|GC):"),
    ("numbered", 2, r"error:\s*\d+(?: \(|$)"),
    ("table", 3, r"EPR:\d"),
    ("table", 2, r"info:.*configuration loaded"),
    ("table", 2, r"unknown command:\s*\"?N\d+ "),
    ("table", 1, r"ok \d+$"),
    ("override", 3, r".*config override"),
    ("override", 3, r"(?:echo:)*\s*M203\.1\b"),
    ("override", 3, r"M\d+ E\S+ P\d+$"),
    ("override", 2, r"M\d+ [A-Z]-?\d+\.\d{5}\b"),
    ("override", 3, r".*settings? stored to /"),
    ("override", 2, r"entering alarm"),
    ("override", 2, r"!!$|error:alarm lock"),
    ("override", 1, r"ok .*(?:emergency|M999)|rs N?\d"),
    ("script", 4, r"steps/mm:"),
    ("script", 3, r".*no\s+M501\s+.*executed"),
    ("script", 3, r"M(?:556|566|574|584)\b"),
    ("script", 3, r"M\d+ .*\bE[\d.]+:[\d.]"),
    ("replay", 2, r"(?:echo:)+\s+[GM]\d"),
    ("replay", 2, r"M92 X"),
    ("replay", 2, r"(?:echo:\s*)*(?:V\d+\s+)?stored settings retr"),
    ("replay", 2, r".*settings? stored \("),
    ("replay", 2, r".*version mismatch\s*\("),
    ("replay", 1, r"error:.*(?:last line:|halted|kill|stopped)"),
    ("replay", 1, r".*ok\b.*\bP\d+ B\d+$"),
    ("replay", 1, r"echo:"),
)
_COMPILED: Final = tuple((f, w, re.compile(p, re.IGNORECASE)) for f, w, p in _EVIDENCE)

_NAMES: Final = re.compile(r"(FIRMWARE_NAME:.*|^.*(?=\['\$' for help\])|\[VER:.*\])")


def family_of(lines: Iterable[str], least: int = 1) -> str | None:
    """Name of the family for which most speaks, or None if too little speaks for any.

    Each pattern counts once, however often it is met; `least` is the weight that is enough.
    """
    waiting = list(_COMPILED)
    weights: Counter[str] = Counter()
    for line in lines:
        for item in waiting:
            family, weight, pattern = item
            if pattern.match(line):
                weights[family] += weight
                waiting = [other for other in waiting if other is not item]
    (found, weight), *_ = weights.most_common(1) or [("", 0)]
    return found if weight >= least else None


def identity_in(lines: Iterable[str]) -> str:
    """How a controller names itself: the answer to M115, or its banner."""
    return next((match[1].strip() for line in lines if (match := _NAMES.search(line))), "")
