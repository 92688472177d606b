"""How one board is built, and what is kept of the changes to its settings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ChangeKind = Literal["set", "store", "load", "defaults", "erase"]


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that happened to the settings, and the line that caused it."""

    at: float
    kind: ChangeKind
    line: str
    key: str = ""  #: empty where all settings are meant
    old: float | None = None
    new: float | None = None


@dataclass(frozen=True, slots=True)
class Options:
    """How this one board was built."""

    name: str = "bench"
    ack: Literal["plain", "slots", "line"] = "plain"  #: `ok`, `ok P15 B3`, `ok N12 P15 B3`
    resend_ok: bool = True  #: an acknowledgement follows a resend request
    boot_seconds: float = 1.2  #: from reset to the first word
    queue_length: int = 16  #: moves
    slots: int = 4  #: command lines waiting
    ring_bytes: int = 128  #: bytes waiting behind them
    line_bytes: int = 96  #: longest command line
    busy_seconds: float = 2.0  #: keep-alive period, 0 for none
    idle_word: str = ""  #: sent each second while nothing is asked, `wait` in some families
    line_end: str = "\n"
    echo: bool = False  #: sends our own line back first (a debug option)
    decimals: int = 2
    settings_prefix: str = "echo:"
    settings_indent: str = "  "
    steps_indent: str = " "
    headings: bool = True
    boot_dump: bool = False  #: prints all settings while it boots
    inches: bool = False  #: starts with inch as the unit
    store_silent: bool = False  #: stores without a word
    seconds_per_line: float = 0.0005  #: time a command takes in itself
