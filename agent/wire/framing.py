"""Lines to bytes and bytes to lines.

A framed line is `N<number> <line>*<checksum>`; the checksum is the exclusive or of all bytes
before the asterisk.  Nothing protects what the controller sends, so the way back is only cut
into lines, cleaned, and bounded in length.
"""

from __future__ import annotations

import re
from functools import reduce
from operator import xor

#: Longest line that controllers take; theirs are 96 bytes (80 in the `numbered` family).
LONGEST_SENT = 96

#: Longest line kept of what a controller sends; anything longer is no line but junk.
LONGEST_RECEIVED = 4096

#: Stripped from both ends of a received line.
_BLANKS = b"\r\0\t "
_BESIDE_BLANK = re.compile(rb"\0+(?=[ \t])|(?<=[ \t])\0+")


def checksum(text: str) -> int:
    """Exclusive or of the bytes of `text`."""
    return reduce(xor, text.encode("ascii"), 0)


def frame(line: str, number: int | None = None) -> bytes:
    """The bytes of one line, with line number and checksum if a number is given.

    Raises ValueError for anything but one line of printable ASCII that a controller can take:
    a line break or an asterisk inside would turn one confirmed line into something else.
    """
    if not (line.isascii() and (line.isprintable() or line == "\x18")) or "*" in line:
        raise ValueError(f"not a line that can be sent: {line!r}")
    if number is not None:
        body = f"N{number} {line}"
        line = f"{body}*{checksum(body)}"
    if len(line) > LONGEST_SENT:
        raise ValueError(f"longer than {LONGEST_SENT} bytes: {line!r}")
    return line.encode("ascii") + b"\n"


def clean(raw: bytes) -> str:
    """Text of one received line, safe to show: what cannot be printed is spelled as an escape.

    Blanks, carriage returns and NULs at both ends go, and NULs beside a blank; one inside a word
    stays visible, because it stands where a byte was lost.
    """
    if b"\0" in raw:
        raw = _BESIDE_BLANK.sub(b"", raw)
    text = raw.strip(_BLANKS).decode("utf-8", "backslashreplace")
    return text if text.isprintable() else _spelled(text)


def _spelled(text: str) -> str:
    return "".join(
        c if c.isprintable() else " " if c == "\t" else c.encode("unicode_escape").decode()
        for c in text
    )


class LineCutter:
    """Collects bytes and gives whole lines; keeps at most one bounded unfinished line."""

    def __init__(self, longest: int = LONGEST_RECEIVED) -> None:
        self._longest = longest
        self._tail = b""
        self._dropped = 0  #: bytes thrown away of the line that is being skipped

    def feed(self, data: bytes) -> list[bytes | int]:
        """Lines completed by `data`, without line end; the size of one that was too long."""
        *whole, tail = (self._tail + data).split(b"\n")
        lines: list[bytes | int] = list(whole)
        if lines and self._dropped:
            lines[0] = self._dropped + len(whole[0])
            self._dropped = 0
        for i, line in enumerate(whole):
            if len(line) > self._longest and not isinstance(lines[i], int):
                lines[i] = len(line)
        if self._dropped or len(tail) > self._longest:
            self._dropped += len(tail)
            tail = b""
        self._tail = tail
        return lines
