"""One state of the machine: what was laid in it, what was read, and what was made of that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Final, Generic, TypeVar

from agent.errors import Refused
from agent.model.feature import Reading
from agent.model.profile import Profile
from agent.model.settings import Readback
from agent.model.survey import BeltRun, Conditions, Survey

if TYPE_CHECKING:
    from agent.estimate.solution import Solution
    from agent.pieces import Piece

T = TypeVar("T")

#: Name under which readings of moves are kept, instead of a piece's.
MOVES: Final = "travel"


@dataclass(frozen=True)
class Laid:
    """A piece that was laid: its recipe, from which the piece itself follows."""

    name: str  #: unique in its round: `strip`, `strip-2`
    kind: str  #: `strip`, `post`, ...
    sizes: Mapping[str, float]
    number: int  #: as its pips count
    profile: Profile  #: of the machine when it was laid
    at: str = ""  #: when, ISO 8601; empty where it was printed by other means

    @cached_property
    def piece(self) -> Piece:
        from agent.pieces.resize import resized

        return resized(self.kind, self.profile, self.sizes, number=self.number)


@dataclass(frozen=True, slots=True)
class Taken:
    """One reading, and what it was taken on."""

    reading: Reading
    piece: str  #: name of the laid piece, or MOVES


@dataclass(frozen=True)
class Solved:
    """Readings that were solved, and the controller in whose words lines are given."""

    survey: Survey
    family: str = ""
    readback: Readback | None = None

    @cached_property
    def solution(self) -> Solution:
        """The estimate: the same readings give the same one, in whatever process it is made.

        Raises as `agent.estimate.solve`.
        """
        return _solution(Written(repr(self), self))

    def _line(self, key: str, value: float) -> str | None:
        from agent.families import FAMILIES

        family = FAMILIES.get(self.family)
        if family is None or self.readback is None:
            return None
        try:
            return family.write_line(key, value, self.readback)
        except Refused:
            return None


@dataclass(frozen=True, slots=True)
class Written(Generic[T]):
    """A value that is the same as another where all that stands in it is the same."""

    text: str
    value: T = field(compare=False)


@lru_cache(maxsize=8)  # nothing is solved twice in one process
def _solution(written: Written[Solved]) -> Solution:
    from agent.estimate import solve

    solved = written.value
    return solve(solved.survey, line=solved._line)


@dataclass(frozen=True, slots=True)
class Round:
    """One state of the machine: pieces laid in it, readings, and what was made of them."""

    gantry_angle_deg: float | None = None  #: slicing angle of the pieces; None: not known
    laid: tuple[Laid, ...] = ()
    taken: tuple[Taken, ...] = ()
    #: Readings that were taken again, by name, with their first values.
    read_again: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    runs: tuple[BeltRun, ...] = ()  #: of the belt over marks
    conditions: Conditions = field(default_factory=Conditions)
    asked: bool = False  #: the conditions of reading were asked for
    solved: Solved | None = None  #: of exactly these readings
    sheet: str = ""  #: the survey as version 0.1.0 noted it, as a readings file
    follows: Round | None = None  #: the round whose solution was carried out to come here

    @property
    def readings(self) -> tuple[Reading, ...]:
        return tuple(taken.reading for taken in self.taken)

    @property
    def survey(self) -> Survey | None:
        return self.solved.survey if self.solved else None

    @property
    def solution(self) -> Solution | None:
        return self.solved.solution if self.solved else None

    @property
    def empty(self) -> bool:
        """Nothing happened in it yet."""
        return not (self.laid or self.taken or self.runs)
