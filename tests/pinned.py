"""What the product says today, kept in files, so that the diff of a change shows what it did.

A pin does not say what is right: that do the tests of the rules, and what is published.  It says
that a screen, a result or a drawing is still the one that somebody has read and found right.

    .venv/bin/pytest tests/face/test_sessions.py --pin     # keeps what is said today
    git diff tests/pins                                    # read it before it is committed
"""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import zip_longest
from pathlib import Path

PINS = Path(__file__).resolve().parent / "pins"

#: Takes a name and a text.
Pinned = Callable[[str, str], None]

#: A number with decimals; its last digit may stand at the edge of rounding.
_DECIMAL = re.compile(r"\d+\.\d+")


def pin(name: str, text: str) -> None:
    """Keep `text` as what is said today."""
    path = PINS / f"{name}.txt"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(_plain(text), encoding="utf-8")


def hold(name: str, text: str) -> None:
    """Fail where `text` is not what was kept, but for the last digit of decimal numbers."""
    path = PINS / f"{name}.txt"
    kept = path.read_text(encoding="utf-8") if path.exists() else ""
    differ = "".join(f"\n- {old}\n+ {new}" for old, new in unlike(kept, _plain(text))[:20])
    assert not differ, f"{name}: --pin keeps it anew, if it is meant{differ}"


def unlike(kept: str, said: str) -> list[tuple[str, str]]:
    """Lines that differ by more than one unit in the last place of a decimal number."""
    lines = list(zip_longest(kept.splitlines(), said.splitlines(), fillvalue=""))
    return [(old, new) for old, new in lines if not _alike(old, new)]


def _plain(text: str) -> str:
    return "".join(f"{line.rstrip()}\n" for line in text.splitlines())


def _alike(old: str, new: str) -> bool:
    if _DECIMAL.sub("#", old) != _DECIMAL.sub("#", new):
        return False
    return all(
        abs(int(a.replace(".", "")) - int(b.replace(".", ""))) <= 1
        and len(a.partition(".")[2]) == len(b.partition(".")[2])
        for a, b in zip(_DECIMAL.findall(old), _DECIMAL.findall(new), strict=True)
    )
