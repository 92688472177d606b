"""Families of controllers: how settings are asked for, read, written and stored."""

from __future__ import annotations

from typing import Final

from agent.families import log, reading
from agent.families.base import Family
from agent.families.numbered import Numbered
from agent.families.override import Override
from agent.families.reading import (
    adopt,
    agreed,
    read_back,
    read_back_once_up,
    read_once,
)
from agent.families.replay import Replay
from agent.families.script import Script
from agent.families.table import Table
from agent.model.settings import Readback
from agent.wire.link import Link

__all__ = [
    "FAMILIES",
    "USUAL",
    "adopt",
    "agreed",
    "from_log",
    "identify",
    "read_back",
    "read_back_once_up",
    "read_once",
]

#: Every family by its name; where evidence is equal, the one met first counts.
FAMILIES: Final[dict[str, Family]] = {
    family.name: family for family in (Numbered(), Table(), Override(), Script(), Replay())
}

#: Lines are given in its words where nothing is known of the controller: most take them.
USUAL: Final = Replay.name


def identify(link: Link) -> tuple[Family | None, str]:
    """See `agent.families.reading.identify`."""
    return reading.identify(link, tuple(FAMILIES.values()))


def from_log(text: str) -> Readback:
    """See `agent.families.log.from_log`."""
    return log.from_log(text, tuple(FAMILIES.values()))
