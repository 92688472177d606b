"""Readings of a bench as a readings file, and those of a file for a bench.

A reading of a second piece of a kind is named `strip-2: strip s1`; one of a first piece has the
feature's name alone, so that readings of two rounds pair up.  A file of the user's is only read.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Final

from agent.bench.rounds import MOVES, Taken
from agent.bench.value import Bench
from agent.errors import BadInput, Refused
from agent.model.feature import Reading
from agent.model.survey import BeltRun, Conditions
from agent.store.readings import LaidPiece, ReadingsFile

_BETWEEN: Final = ": "

#: Angles of a file and of the profile that differ by more than this are different ones, degrees.
_SAME_ANGLE: Final = 0.005


def readings_file(bench: Bench) -> ReadingsFile:
    """What a readings file of the present state holds."""
    now = bench.now
    return ReadingsFile(
        replace(bench.survey(), readings=tuple(map(_named, now.taken))),
        settings={
            f"{kind}.{letter}": value
            for kind in ("steps_per_mm", "max_speed")
            for letter, value in bench.known(kind).items()
        },
        family=bench.family or bench.profile.family,
        pieces=tuple(LaidPiece(laid.name, laid.kind, laid.sizes) for laid in now.laid),
    )


def _named(taken: Taken) -> Reading:
    """A reading under a name that tells which piece it was taken on."""
    kind = taken.reading.name.partition(" ")[0]
    if taken.piece in (MOVES, kind):
        return taken.reading
    return replace(taken.reading, name=f"{taken.piece}{_BETWEEN}{taken.reading.name}")


def _taken(reading: Reading) -> Taken:
    """A reading under its feature's name, and the piece it was taken on."""
    piece, between, name = reading.name.partition(_BETWEEN)
    if between:
        return Taken(replace(reading, name=name), piece)
    kind = reading.name.partition(" ")[0]
    return Taken(reading, MOVES if reading.kind in ("travel", "gap") else kind)


@dataclass(frozen=True, slots=True)
class News:
    """What a file holds that the bench does not."""

    pieces: tuple[LaidPiece, ...]
    taken: tuple[Taken, ...]
    runs: tuple[BeltRun, ...]
    conditions: Conditions | None


def news(bench: Bench, file: ReadingsFile, source: str) -> News:
    """What `file` adds to the readings at hand; those of the same features give way.

    Raises Refused if the file is of another angle or other steps than the machine has now, and
    BadInput for pieces it names that nobody knows.
    """
    from agent.pieces import PIECES

    _same_machine(bench, file, source)
    for piece in file.pieces:
        if piece.piece not in PIECES:
            raise BadInput(
                f"{source}: there is no piece '{piece.piece}'",
                remedy=f"There are {', '.join(PIECES)}",
            )
    names = {laid.name for laid in bench.now.laid}
    there = Counter(map(repr, bench.now.taken))
    new = []
    for taken in map(_taken, file.survey.readings):
        if there[repr(taken)]:
            there[repr(taken)] -= 1  # taken up before; two alike in the file are two
        else:
            new.append(taken)
    conditions = file.survey.conditions
    known = conditions in (Conditions(), bench.now.conditions)
    return News(
        tuple(piece for piece in file.pieces if piece.name not in names),
        tuple(new),
        tuple(run for run in file.survey.belt_runs if run not in bench.now.runs),
        None if known else conditions,
    )


def _same_machine(bench: Bench, file: ReadingsFile, source: str) -> None:
    mechanics = bench.profile.mechanics
    theirs = file.survey.mechanics.gantry_angle_deg
    if theirs is not None and abs(theirs - mechanics.angle_deg) > _SAME_ANGLE:
        raise Refused(
            f"{source}: read on pieces sliced for {theirs:g}°, and this machine slices for"
            f" {mechanics.angle_deg:g}°",
            remedy="Those readings belong to another state; 'solve FILE' takes them as they are",
        )
    now = bench.known("steps_per_mm")
    moved = {
        letter: (old, now[letter])
        for letter, old in file.survey.steps_per_mm.items()
        if letter in now and abs(now[letter] / old - 1) > 1e-6
    }
    if moved:
        listed = ", ".join(f"{k}: {old:g} then, {new:g} now" for k, (old, new) in moved.items())
        raise Refused(
            f"{source}: read at other steps/mm ({listed})",
            remedy="Those readings belong to another state; 'solve FILE' takes them as they are",
        )
