"""Answers of an interview that is not finished: kept as typed, one a line, until it is."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from agent.store.atomic import write_file
from agent.store.profiles import profile_path

_MARK = ": "


def _place(name: str) -> Path:
    path = profile_path(name)
    return path.with_name(f"{path.stem}.answers")


def load_draft(name: str) -> dict[str, str]:
    """Answers by key, in the order they were given; none where nothing was stopped."""
    path = _place(name)
    if not path.is_file():
        return {}
    lines = path.read_text(encoding="utf-8").splitlines()
    pairs = (line.partition(_MARK) for line in lines if _MARK in line)
    return {key: answer for key, _, answer in pairs}


def save_draft(name: str, given: Mapping[str, str]) -> None:
    """Keep the answers.  Raises Refused where the folder cannot be written."""
    text = "".join(f"{key}{_MARK}{answer}\n" for key, answer in given.items())
    write_file(_place(name), text, expect=None)


def drop_draft(name: str) -> None:
    _place(name).unlink(missing_ok=True)
