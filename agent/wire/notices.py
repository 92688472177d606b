"""What a controller tells about its storage and itself, as events with plain data.

Patterns are held against a line without its `echo:` prefixes, in any case.  A notice is no
proof: that something is stored shows only when it has been loaded back.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Final

from agent.model import settings as model
from agent.wire import events as wire
from agent.wire.words import PLAIN

Detail = Callable[[re.Match[str]], dict[str, Any]]

_PREFIX: Final = re.compile(r"(?:\s*echo:)*\s*", re.IGNORECASE)


def bare(text: str) -> str:
    """`text` without any number of `echo:` prefixes and the blanks behind them."""
    return text[_PREFIX.match(text).end() :]  # type: ignore[union-attr]


def _nothing(_: re.Match[str]) -> dict[str, Any]:
    return {}


def _text(match: re.Match[str]) -> dict[str, Any]:
    return {"text": match.string}


def _numbers(match: re.Match[str]) -> dict[str, Any]:
    """Named groups that took part, as numbers where they are."""
    found = {key: value for key, value in match.groupdict().items() if value is not None}
    return {key: int(value) if value.isdigit() else value for key, value in found.items()}


def _layout(match: re.Match[str]) -> dict[str, Any]:
    """Versions of stored and running layout; None where nothing was ever stored."""
    stored = match["stored"]
    return {"stored": None if stored == "?" else int(stored), "running": int(match["running"])}


_SIZE: Final = r"(?:.*?\(\s*(?P<size>\d+)\s*bytes;\s*crc\s*(?P<crc>\d+)\s*\))?"

_NOTICES: Final[tuple[tuple[str, str, Detail], ...]] = (
    ("stored", r"(?!//).*settings?\s+stor(?:ed|ing)(?:\s+to\s+(?P<path>\S+))?" + _SIZE, _numbers),
    (
        "loaded",
        r"(?:V(?P<version>\d+)\s+)?stored settings retr(?:ie|ei)v" + _SIZE,
        _numbers,
    ),
    ("loaded", r"info:.*configuration loaded", _nothing),
    ("loaded", r"loading config override file:\s*(?P<path>\S+?)(?:\.\.\.)?$", _numbers),
    ("defaults_live", r"(?:hardcoded|default).*settings? loaded", _nothing),
    ("defaults_live", r"\[MSG:restoring defaults\]", _nothing),
    ("defaults_live", r"error:\s*7\b", lambda _: {"reason": "stored settings could not be read"}),
    (
        "layout_mismatch",
        r".*version mismatch\s*\(\s*\w+=V?(?P<stored>\?|\d+)\s+\w+=V?(?P<running>\d+)\s*\)",
        _layout,
    ),
    (
        "checksum_of_storage",
        r"error:.*crc mismatch.*\(stored\)\s*(?P<stored>\d+)\s*!=\s*(?P<computed>\d+)",
        _numbers,
    ),
    ("layout_mismatch", r"error:.*(?:datasize|size) error", _text),
    ("layout_mismatch", r"index:\s*(?P<index>\d+)\s+size:\s*(?P<size>\d+)", _numbers),
    ("storage_write_failed", r"error writing", _text),
    ("no_storage", r"no (?:eeprom|persistent|non-volatile)", _text),
    ("no_storage", r".*(?:eeprom|storage).*disabled", _text),
    ("unknown_command", r"unknown command:?\s*\"?(?P<text>.*?)\"?$", _numbers),
    ("unknown_command", r"error:\s*unsupported command\W*(?P<text>.*)", _numbers),
    ("unknown_command", r"error:\s*3\b", lambda _: {"text": "error:3"}),
    ("override_present", r";\s*config override present:?\s*(?P<path>\S+)?", _numbers),
    (
        "override_deleted",
        r".*override file deleted\s*(?P<path>[^\s,]+)?.*reboot",
        _numbers,
    ),
)

#: Letters with which notices start, so that most lines of a dump cost one look.
_LIKELY: Final = re.compile(
    r"mismatch|setting|stor|configuration loaded|default|error|index:|unknown|"
    r"override|eeprom|persistent|volatile",
    re.IGNORECASE,
)
#: Kinds that controllers tell more than once for one thing that happened.
SAID_TWICE: Final = frozenset(
    {"stored", "loaded", "defaults_live", "layout_mismatch", "storage_write_failed", "no_storage"}
)

#: A command with values directly behind the prefix: somebody's command, echoed.
_ECHOED: Final = re.compile(r"(?:echo:)+(?:N\d+\s+)?(?P<text>[GM]\d+(?:\.\d+)?\s+[^*]*)", re.I)

_COMPILED: Final = tuple((k, re.compile(p, re.IGNORECASE), d) for k, p, d in _NOTICES)


def notice(text: str) -> model.Event | None:
    """The event that a line of text reports, or None."""
    if text.startswith("echo:") and (echoed := _ECHOED.match(text)):
        return model.Event("foreign_command", {"text": echoed["text"]})
    if (PLAIN.match(text) and "override" not in text) or not _LIKELY.search(text):
        return None
    text = bare(text)
    for kind, pattern, detail in _COMPILED:
        if match := pattern.match(text):
            return model.Event(kind, detail(match))
    return None


def narrate(event: wire.Event) -> model.Event | None:
    """What an event of the exchange means to other programs, or None if it is only traffic."""
    match event:
        case wire.Received(text):
            return notice(text)
        case wire.Rejected(reason=reason):
            return notice(f"error:{reason}")
        case wire.Stray(text) if text.startswith("error:"):
            return notice(text)
        case wire.Unsolicited(text):
            told = notice(text.partition(" ")[2]) if text.startswith("//") else notice(text)
            if told is None:
                return model.Event("unsolicited", {"text": text})
            return None if text.startswith("//") else told  # a copy, for other hosts
        case wire.Busy(reason):
            return model.Event("busy", {"reason": reason})
        case wire.ResendAsked(number):
            return model.Event("resend", {"line": number})
        case wire.Complaint(text):
            return model.Event("line_checksum", {"text": text})
        case wire.ForeignCommand(text):
            return model.Event("foreign_command", {"text": text})
        case wire.Restarted(cause, lost):
            return model.Event("restarted", {"cause": cause, "lost": list(lost)})
        case wire.Halted(reason, lost):
            return model.Event("halted", {"reason": reason, "lost": list(lost)})
        case _:
            return None
