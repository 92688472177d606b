"""Everything one estimate rests on: readings, machine, material, instrument."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from agent.model.budget import Budget
from agent.model.feature import Reading
from agent.model.profile import Instrument, Material, Mechanics, Priors, Tolerance
from agent.model.roles import Axes, Role


@dataclass(frozen=True, slots=True)
class Conditions:
    """Under what conditions the pieces were read."""

    room_c: float | None = None
    piece_c: float | None = None
    minutes_since_print: float | None = None


@dataclass(frozen=True, slots=True)
class Check:
    """The instrument of the survey, read on a known length."""

    known_mm: float
    deviation_mm: float  #: what it showed minus the known length
    u_mm: float  #: standard uncertainty of that
    on: str = ""  #: day, ISO 8601; empty: not noted


@dataclass(frozen=True, slots=True)
class BeltRun:
    """Commanded and measured positions of one axis, mm, in the order they were reached."""

    commanded: tuple[float, ...]
    measured: tuple[float, ...]
    approach: str = "forward"  #: `forward` (every mark reached the same way) or `both`
    load: str = "empty"  #: `empty` or `part`
    u_mm: float | None = None  #: standard uncertainty of one position, instead of the instrument's
    axis: Role = "belt"

    def __post_init__(self) -> None:
        if len(self.commanded) != len(self.measured):
            raise ValueError(
                f"{len(self.commanded)} commanded positions but {len(self.measured)} measured ones"
            )
        if len(set(self.commanded)) == 1:
            if len(self.commanded) < 2 or not self.commanded[0] > 0:
                raise ValueError("a run of one length wants it twice at least, above 0")
        elif len(set(self.commanded)) < 3:
            raise ValueError("a run wants three different positions, or one length repeated")


@dataclass(frozen=True, slots=True)
class Survey:
    """Readings of one machine in one state; `steps_per_mm` by the controller's letters."""

    readings: tuple[Reading, ...]
    mechanics: Mechanics = field(default_factory=Mechanics)
    steps_per_mm: Mapping[str, float] = field(default_factory=dict)
    max_speed: Mapping[str, float] = field(default_factory=dict)  #: mm/s by letter, if known
    axes: Axes = field(default_factory=Axes)
    instrument: Instrument = field(default_factory=Instrument)
    material: Material = field(default_factory=Material)
    tolerance: Tolerance = field(default_factory=Tolerance)
    priors: Priors = field(default_factory=Priors)
    budget: Budget = field(default_factory=Budget)
    conditions: Conditions = field(default_factory=Conditions)
    belt_runs: tuple[BeltRun, ...] = ()
    checks: tuple[Check, ...] = ()  #: of the instrument, at most one of each length
