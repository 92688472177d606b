"""Keeps the readings file of the present state up to date while readings are taken."""

from __future__ import annotations

from pathlib import Path

from agent.errors import Refused
from agent.face.desk import Desk
from agent.work.worksheet import Worksheet


def keep(desk: Desk) -> Path | None:
    """Write what has been taken so far; returns the file, or None if it could not be written.

    A file that another program changed meanwhile is left alone, and a new one is begun.
    """
    session = desk.session
    sheet = session.sheet
    if sheet is None or sheet.round is not session.now:
        sheet = begin(desk)
    for _ in range(2):
        try:
            sheet.keep(session)
        except Refused as refusal:
            desk.screen.complain(f"! {refusal}. Readings go to a new file.")
            sheet = begin(desk)
        else:
            return sheet.path
    return None


def begin(desk: Desk) -> Worksheet:
    """A new file for the readings of the present state."""
    session = desk.session
    session.sheet = Worksheet.new(session.profile.name, rehearsal=desk.rehearsal is not None)
    return session.sheet
