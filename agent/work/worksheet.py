"""A session's readings as a file: written as they are taken, taken up again later.

A reading of a second piece of a kind is named `strip-2: strip s1`; one of a first piece has the
feature's name alone, so that readings of two rounds pair up.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from agent.errors import BadInput, Refused
from agent.model.feature import Reading
from agent.model.survey import Conditions
from agent.store.atomic import ABSENT, stamp
from agent.store.home import home
from agent.store.readings import LaidPiece, ReadingsFile, dump_readings, load_readings
from agent.work.moves import MOVES

if TYPE_CHECKING:
    from agent.work.rounds import Round, Taken
    from agent.work.session import Session

_BETWEEN: Final = ": "

#: Angles of a file and of the profile that differ by more than this are different ones, degrees.
_SAME_ANGLE: Final = 0.005


def sheet_of(session: Session) -> ReadingsFile:
    """What the readings file of the present state holds."""
    survey = session.survey()
    now = session.now
    return ReadingsFile(
        replace(survey, readings=tuple(_named(taken) for taken in now.taken)),
        settings={
            f"{kind}.{letter}": value
            for kind in ("steps_per_mm", "max_speed")
            for letter, value in session.known(kind).items()
        },
        family=session.family.name if session.family else session.profile.family,
        pieces=tuple(LaidPiece(laid.name, laid.piece.name, laid.piece.size) for laid in now.laid),
    )


def _named(taken: Taken) -> Reading:
    """A reading under a name that tells which piece it was taken on."""
    kind = taken.reading.name.partition(" ")[0]
    if taken.piece in (MOVES, kind):
        return taken.reading
    return replace(taken.reading, name=f"{taken.piece}{_BETWEEN}{taken.reading.name}")


def _piece_of(reading: Reading) -> tuple[Reading, str]:
    """A reading under its feature's name, and the piece it was taken on."""
    piece, between, name = reading.name.partition(_BETWEEN)
    if between:
        return replace(reading, name=name), piece
    kind = reading.name.partition(" ")[0]
    if reading.kind in ("travel", "gap") or not kind:
        return reading, MOVES if reading.kind in ("travel", "gap") else kind
    return reading, kind


class Worksheet:
    """The file that one round's readings are kept in."""

    def __init__(self, path: Path, expect: str = ABSENT) -> None:
        self.path = path
        self._stamp = expect
        self.round: Round | None = None  #: whose readings it holds

    @classmethod
    def new(cls, machine: str, *, rehearsal: bool = False) -> Worksheet:
        """A file of its own in the data folder, named by machine and time."""
        head = "rehearsal-" if rehearsal else ""
        when = time.strftime("%Y%m%d-%H%M%S")
        folder = home() / "readings"
        name = f"{head}{_plain(machine)}-{when}"
        path, number = folder / f"{name}.yaml", 1
        while path.exists():
            number += 1
            path = folder / f"{name}-{number}.yaml"
        return cls(path)

    @classmethod
    def at(cls, path: Path, session: Session) -> Worksheet:
        """The file at `path`: its readings are taken up if it is there, else it is begun.

        Raises BadInput for a file that is no readings file, Refused for one of another machine.
        """
        found = stamp(path)
        sheet = cls(path, found)
        if found != ABSENT:
            take_up(session, load_readings(path), path)
        sheet.round = session.now
        return sheet

    def keep(self, session: Session) -> None:
        """Write what has been taken so far.  Raises Refused if the file was changed meanwhile."""
        self._stamp = dump_readings(self.path, sheet_of(session), expect=self._stamp)
        self.round = session.now


def _plain(name: str) -> str:
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in name)[:40] or "machine"


def take_up(session: Session, file: ReadingsFile, path: Path) -> None:
    """Go on with the readings of a file; those at hand of the same features give way.

    Raises Refused if the file is of another angle or other steps than the machine has now, and
    BadInput for pieces it names that nobody knows.
    """
    from agent.pieces import PIECES
    from agent.pieces.resize import resized
    from agent.work.rounds import Laid

    _same_machine(session, file, path)
    names = {laid.name for laid in session.now.laid}
    for piece in file.pieces:
        if piece.name in names:
            continue
        if piece.piece not in PIECES:
            raise BadInput(
                f"{path}: there is no piece '{piece.piece}'",
                remedy=f"There are {', '.join(PIECES)}",
            )
        session.now.laid.append(Laid(piece.name, resized(piece.piece, session.profile, piece.size)))
    for reading in file.survey.readings:
        session.keep(*_piece_of(reading))
    for run in file.survey.belt_runs:
        session.keep_run(run)
    session.conditions = file.survey.conditions
    session.now.asked = session.conditions != Conditions()


def _same_machine(session: Session, file: ReadingsFile, path: Path) -> None:
    mechanics = session.profile.mechanics
    theirs = file.survey.mechanics.gantry_angle_deg
    if theirs is not None and abs(theirs - mechanics.angle_deg) > _SAME_ANGLE:
        raise Refused(
            f"{path}: read on pieces sliced for {theirs:g} deg, and this machine slices for"
            f" {mechanics.angle_deg:g} deg",
            remedy="Those readings belong to another state; 'solve FILE' takes them as they are",
        )
    now = session.known("steps_per_mm")
    moved = {
        letter: (old, now[letter])
        for letter, old in file.survey.steps_per_mm.items()
        if letter in now and abs(now[letter] / old - 1) > 1e-6
    }
    if moved:
        listed = ", ".join(f"{k}: {old:g} then, {new:g} now" for k, (old, new) in moved.items())
        raise Refused(
            f"{path}: read at other steps/mm ({listed})",
            remedy="Those readings belong to another state; 'solve FILE' takes them as they are",
        )
