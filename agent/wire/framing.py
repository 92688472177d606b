"""Lines to bytes and bytes to lines.

A framed line is `N<number> <line>*<checksum>`; the checksum is the exclusive or of all bytes
before the asterisk.  Nothing protects what the controller sends, so the way back is only cut
into lines, cleaned, and bounded in length.
"""

from __future__ import annotations

import re
from functools import reduce
from operator import xor
from typing import Final

#: Longest line that controllers take; theirs are 96 bytes (80 in the `numbered` family).
LONGEST_SENT: Final = 96

#: Longest line kept of what a controller sends; anything longer is no line but junk.
LONGEST_RECEIVED: Final = 4096

#: Stripped from both ends of a received line.
_BLANKS: Final = "\r\0\t "
_NUL_BESIDE_BLANK: Final = re.compile(r"\0+(?=[ \t])|(?<=[ \t])\0+")


def checksum(data: bytes) -> int:
    """Exclusive or of the bytes."""
    return reduce(xor, data, 0)


def frame(line: str, number: int | None = None) -> bytes:
    """The bytes of one line, with line number and checksum if a number is given.

    Raises ValueError for anything but one line of printable ASCII that a controller can take:
    a line break or an asterisk inside would turn one confirmed line into something else.
    """
    if not (line.isascii() and (line.isprintable() or line == "\x18")) or "*" in line:
        raise ValueError(f"not a line that can be sent: {line!r}")
    data = line.encode("ascii")
    if number is not None:
        data = b"N%d %b" % (number, data)
        data = b"%b*%d" % (data, checksum(data))
    if len(data) > LONGEST_SENT:
        raise ValueError(f"longer than {LONGEST_SENT} bytes: {line!r}")
    return data + b"\n"


def clean(text: str) -> str:
    """One received line, safe to show: what cannot be printed is spelled as an escape.

    Blanks, carriage returns and NULs at both ends go, and NULs beside a blank; one inside a word
    stays visible, because it stands where a byte was lost.
    """
    if "\0" in text:
        text = _NUL_BESIDE_BLANK.sub("", text)
    text = text.strip(_BLANKS)
    if text.isprintable():
        return text
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

    def feed(self, data: bytes) -> list[str | int]:
        """Lines completed by `data`, cleaned; of one that was too long its size."""
        block, end, tail = (self._tail + data).rpartition(b"\n")
        self._tail = tail
        lines: list[str | int] = []
        if end:
            if self._dropped or self._has_long(block):
                lines += self._bounded(block)
            else:
                text = _text(block).replace("\r\n", "\n")
                whole = text.replace("\n", "").isprintable()
                lines += map(str.strip if whole else clean, text.split("\n"))
        if self._dropped or len(tail) > self._longest:
            self._dropped += len(tail)
            self._tail = b""
        return lines

    def _has_long(self, block: bytes) -> bool:
        return len(block) > self._longest and max(map(len, block.split(b"\n"))) > self._longest

    def _bounded(self, block: bytes) -> list[str | int]:
        """Lines of a block in which some may be too long."""
        lines: list[str | int] = []
        for raw in block.split(b"\n"):
            size = self._dropped + len(raw)
            lines.append(size if size > self._longest else clean(_text(raw)))
            self._dropped = 0
        return lines


def _text(raw: bytes) -> str:
    return raw.decode("utf-8", "backslashreplace")
