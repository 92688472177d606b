"""What is read of pieces, marks and filament, and the estimate from it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from agent.bench.events import reading_plain
from agent.errors import Refused
from agent.model.feature import Feature, Reading
from agent.model.survey import BeltRun, Conditions
from agent.plain import all_plain, shared_fields
from agent.work.pieces import Pieces

if TYPE_CHECKING:
    from agent.estimate.solution import Solution


class Readings:
    """The readings of the present round."""

    def __init__(self, pieces: Pieces) -> None:
        self.book, self.pieces = pieces.book, pieces

    def take(
        self,
        feature: Feature,
        values: Sequence[float],
        piece: str,
        u_mm: float | None = None,
        *,
        goes_on: bool = False,
    ) -> Reading:
        """Keep the readings of one feature as they stand; without values it is taken back.

        goes_on: more of what was just being read, not the feature read again.
        """
        reading = Reading(**shared_fields(feature, Reading), mm=tuple(values), u_mm=u_mm)
        return self.keep(reading, piece, goes_on=goes_on)

    def keep(self, reading: Reading, piece: str, *, goes_on: bool = False) -> Reading:
        """Keep a reading; one of the same feature of the same piece gives way."""
        body = reading_plain(reading, piece)
        if goes_on:
            body["goes_on"] = True
        self.book.append("reading", body)
        return reading

    def keep_run(self, run: BeltRun) -> None:
        """Keep a run over marks; one of the same axis made the same way before gives way."""
        self.book.append("run" if run.axis == "belt" else "axis_run", all_plain(run))

    def keep_conditions(self, conditions: Conditions) -> None:
        """Under what conditions the pieces of this round are read."""
        self.book.append("conditions", all_plain(conditions))

    def keep_feed(self, kind: str, commanded_mm: float, values: Sequence[float]) -> None:
        """Keep how far filament went, mm."""
        self.book.append("feed", {"feed": kind, "commanded_mm": commanded_mm, "mm": list(values)})

    def take_file(self, path: Path) -> int:
        """Take up what the readings file at `path` holds; how many readings were new.

        The file is only read.  Errors as of `agent.bench.sheet.news`, nothing taken then.
        """
        from agent.bench.sheet import news
        from agent.store.readings import load_readings

        found = news(self.book.bench, load_readings(path), str(path))
        for piece in found.pieces:
            self.pieces.add(piece.name, piece.piece, piece.size)
        for taken in found.taken:
            self.keep(taken.reading, taken.piece)
        for run in found.runs:
            self.keep_run(run)
        if found.conditions is not None:
            self.keep_conditions(found.conditions)
        return len(found.taken)

    def begin(self) -> None:
        """A new tune: what was read so far is set aside, and stays in the record."""
        self.book.append("begin", {})

    def solve(self) -> Solution:
        """The estimate from the readings of the present state."""
        now = self.book.bench.now
        if not (now.taken or now.runs):
            raise Refused(
                "there are no readings yet",
                remedy="'lay' a piece and 'gauge' it; 'gauge --file FILE' takes those of a file",
            )
        solution = self.book.bench.to_solve().solution
        self.book.append("estimate", solution.to_plain())
        return solution
