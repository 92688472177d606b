"""A journal that is gone with the test."""

from __future__ import annotations

from typing import Any

from agent.store.journal import Entry


class MemoryJournal:
    """Steps in memory, in their order."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []

    def note(self, step: str, **data: Any) -> None:
        self.entries.append({"step": step, **data})
