"""Words of a command line, read as a small controller reads them."""

from __future__ import annotations

import contextlib
import re

_WORD = re.compile(r"([A-Z])\s*((?:[-+]?(?:\d+\.?\d*|\.\d+))?)")
_PLAIN = re.compile(r"[GMT][1-9]?\d+(?: [A-Z][-+]?[\d.]+)*")


def read_words(text: str) -> tuple[str, dict[str, float]]:
    """Code and words of a command line: `G1X1 Y.5` gives `G1`, {X: 1, Y: .5}.

    A letter without a number counts 0; reading a number stops at the first sign that is none,
    as a small controller's does: `X80,5` is 80.
    """
    if _PLAIN.fullmatch(text):  # nearly every line of a piece
        code, *tokens = text.split()
        with contextlib.suppress(ValueError):
            return code, {token[0]: float(token[1:]) for token in tokens}
    if text[:1] in "gmt":
        text = text.upper()
    match = re.match(r"([GMT])\s*(\d+)(?:\.(\d+))?", text)
    if match is None:
        return text.split(maxsplit=1)[0] if text.strip() else "", {}
    code = match[1] + str(int(match[2])) + (f"_{match[3]}" if match[3] else "")
    return code, {letter: float(number or 0) for letter, number in _WORD.findall(text, match.end())}


def axis_keys(kind: str) -> dict[str, str]:
    """Key of each axis' setting of a kind, by the letter that stands for the axis on a line."""
    return {axis.upper(): f"{kind}.{axis}" for axis in "xyz"} | {"E": f"{kind}.e0"}
