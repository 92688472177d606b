"""One state of the machine: what was laid in it, what was read, and what was made of that."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from agent.model.feature import Reading
from agent.model.survey import BeltRun, Survey

if TYPE_CHECKING:
    from agent.estimate.solution import Solution
    from agent.pieces import Piece


@dataclass(frozen=True, slots=True)
class Laid:
    """A piece that was laid."""

    name: str  #: unique in its round: `strip`, `strip-2`
    piece: Piece


@dataclass(frozen=True, slots=True)
class Taken:
    """One reading, and what it was taken on."""

    reading: Reading
    piece: str  #: name of the laid piece, or MOVES


def plain_reading(taken: Taken) -> dict[str, object]:
    """A reading as plain data, as the record and `gauge --json` give it."""
    reading = taken.reading
    return {
        "piece": taken.piece,
        "name": reading.name,
        "feature": reading.kind,
        "along": list(reading.along),
        "mm": list(reading.mm),
        "u_mm": reading.u_mm,
    }


@dataclass
class Round:
    """One state of the machine: pieces laid in it, readings, and what was made of them."""

    gantry_angle_deg: float | None  #: slicing angle of the pieces; None: not known
    laid: list[Laid] = field(default_factory=list)
    taken: list[Taken] = field(default_factory=list)
    #: Readings that were taken again, by name, with their first values.
    read_again: dict[str, tuple[float, ...]] = field(default_factory=dict)
    runs: list[BeltRun] = field(default_factory=list)  #: of the belt over marks
    asked: bool = False  #: the conditions of reading were asked for
    survey: Survey | None = None
    solution: Solution | None = None
    follows: Round | None = None  #: the round whose solution was carried out to come here

    @property
    def readings(self) -> tuple[Reading, ...]:
        return tuple(taken.reading for taken in self.taken)
