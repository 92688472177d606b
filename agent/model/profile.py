"""What is known of one machine: how it is built, what it prints with, what is measured with."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from agent.errors import Unknown
from agent.model.budget import Budget
from agent.model.caliper import limit_of_error
from agent.model.drive import Drive
from agent.model.exact import exact
from agent.model.roles import Axes, Role
from agent.model.settings import Setting

#: The modem lines DTR and RTS at the opening of a port: held down, let rise, or left alone (also
#: at the close, so that the next opening brings no rise).
Lines = Literal["down", "up", "keep"]

#: `none`: each axis has its motor.  Two motors that share across and gantry have their steps set
#: per axis before mixing (`axes`), per motor (`motors`), or nobody knows yet (`unknown`).
Coupling = Literal["none", "axes", "motors", "unknown"]


#: Longest length that the usual caliper of a bench reads, mm (common practice).
USUAL_RANGE_MM: Final = 150.0

#: Keys of a profile file that a verb may need and nobody has told.
ANGLE: Final = "mechanics.gantry_angle_deg"
NOZZLE: Final = "material.nozzle_c"
BED: Final = "material.bed_c"
TRAVEL: Final = "mechanics.travel_mm"
DRIVES: Final = "mechanics.drives"  #: and the role behind a dot


@dataclass(frozen=True, slots=True)
class BedScrews:
    """Screws that set the tilt between gantry and belt."""

    span_mm: float
    pitch_mm: float  #: height per turn
    screw: str = field(default="", compare=False)  #: its coarse thread, where one was named


@dataclass(frozen=True, slots=True)
class Post:
    """A screw under the bed: where it stands on the belt's plane."""

    x_mm: float
    s_mm: float


@dataclass(frozen=True, slots=True)
class Stand:
    """The screws that a bed stands on; one of them may be left alone as the reference."""

    pitch_mm: float  #: height per turn
    posts: Mapping[str, Post]  #: by name, three or four as a rule
    fixed: str | None = None  #: name of the one that is never turned
    screw: str = field(default="", compare=False)  #: their coarse thread, where one was named


@dataclass(frozen=True, slots=True)
class Mechanics:
    """How the machine is built; the angle is the set (slicing) angle of the gantry."""

    gantry_angle_deg: float | None = None  #: None: not known; see `angle_deg`
    drives: Mapping[Role, Drive] = field(default_factory=dict)
    travel_mm: Mapping[Role, float] = field(default_factory=dict)  #: usable travel from zero
    belt_loop_mm: float | None = None
    max_pulse_rate: float = 40_000.0  #: step pulses per second the controller can make
    screws: BedScrews | None = None
    stand: Stand | None = None
    yaw_span_mm: float | None = None  #: spacing at which yaw is given in mm
    coupling: Coupling = "none"  #: two motors sharing across and gantry: whose steps are set

    @property
    def angle_deg(self) -> float:
        """Set angle, degrees.  Raises Unknown where nobody has told it."""
        if self.gantry_angle_deg is None:
            raise Unknown(ANGLE, "the angle of the gantry to the belt is not known")
        return self.gantry_angle_deg

    @property
    def gantry_angle(self) -> float:
        """Set angle, rad.  Raises Unknown where nobody has told it."""
        return math.radians(self.angle_deg)


@dataclass(frozen=True, slots=True)
class Material:
    """Plastic in use."""

    name: str = "unnamed"
    shrink_percent: float = 0.0
    shrink_u_percent: float = 0.2
    filament_mm: float = 1.75
    nozzle_c: float | None = None  #: None: not known; see `heats`
    bed_c: float | None = None  #: 0: not heated

    @property
    def heats(self) -> tuple[float, float]:
        """Temperatures of nozzle and bed, degrees C.  Raises Unknown for one nobody has told."""
        if self.nozzle_c is None:
            raise Unknown(NOZZLE, f"the temperature of the nozzle for {self.name} is not known")
        if self.bed_c is None:
            raise Unknown(BED, f"the temperature of the bed for {self.name} is not known")
        return self.nozzle_c, self.bed_c


@dataclass(frozen=True, slots=True)
class Bead:
    """Planned bead and the speeds it is laid at."""

    width_mm: float = 0.45
    height_mm: float = 0.25
    speed_mm_s: float = 40.0
    first_speed_mm_s: float = 20.0
    travel_speed_mm_s: float = 100.0


@dataclass(frozen=True, slots=True)
class Instrument:
    """Caliper: display step, maximum permissible error, assumed repeatability."""

    resolution_mm: float = 0.01
    mpe_mm: float | None = None  #: as its maker states; None: by DIN 862, see `limit_mm`
    repeatability_mm: float = 0.02
    range_mm: float | None = None  #: longest length it can read; None: not known
    move_u_mm: float | None = None  #: standard uncertainty of what measures a move
    link: str = ""  #: where it sends its readings to; empty: they are typed

    def limit_mm(self, length_mm: float) -> float:
        """Greatest permissible error at a length, mm: the stated one, else that of DIN 862."""
        if self.mpe_mm is not None:
            return self.mpe_mm
        return limit_of_error(length_mm, self.resolution_mm)

    @property
    def limit_words(self) -> str:
        """The greatest permissible error in words."""
        if self.mpe_mm is not None:
            return f"{self.mpe_mm:g} mm"
        return f"{self.limit_mm(self.reach_mm):g} mm at {self.reach_mm:g} mm (DIN 862)"

    @property
    def reach_mm(self) -> float:
        """Longest length to ask of it, mm: what is told of it, else of the usual small caliper."""
        return USUAL_RANGE_MM if self.range_mm is None else self.range_mm


@dataclass(frozen=True, slots=True)
class Port:
    """Where the controller is found, and how its port is opened."""

    port: str = ""
    baud: int | None = None
    lines: Lines | None = None  #: None: as is remembered for the port, or down


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Errors smaller than these are left alone."""

    scale_percent: float = 0.1
    angle_deg: float = 0.1

    def of(self, name: str) -> float | None:
        """Of an error by its public name: a share, or degrees; None for what has no tolerance."""
        if name.endswith("_scale"):
            return self.scale_percent / 100
        return self.angle_deg if name.endswith("_deg") else None


@dataclass(frozen=True, slots=True)
class Priors:
    """What such machines are like before anything is measured: standard deviations."""

    scale_percent: float = 3.0
    angle_deg: float = 1.5
    yaw_deg: float = 1.0
    rail_deg: float = 0.5
    roll_deg: float = 0.5
    offset_mm: float = 0.3
    form_mm: float = 0.0  #: how far single printed faces stray from what all of a direction share


@dataclass(frozen=True, slots=True)
class SavedSetting:
    """A setting as a profile keeps it: what was printed, and what was written if we wrote it."""

    setting: Setting
    written: float | None = None  #: full-precision value sent, if the printed one agrees with it

    @property
    def exact(self) -> float:
        """The value in full precision where it is known."""
        return exact(self.setting, self.written)


@dataclass(frozen=True, slots=True)
class Profile:
    """Everything plumbelt keeps about one machine."""

    name: str
    note: str = ""
    family: str | None = None
    axes: Axes = field(default_factory=Axes)
    mechanics: Mechanics = field(default_factory=Mechanics)
    material: Material = Material()
    bead: Bead = Bead()
    instrument: Instrument = Instrument()
    tolerance: Tolerance = Tolerance()
    priors: Priors = Priors()
    budget: Budget = field(default_factory=Budget)
    link: Port = Port()
    settings: Mapping[str, SavedSetting] = field(default_factory=dict)
    other: tuple[str, ...] = ()  #: setting lines kept as text, never replayed blindly
    identity: str = ""  #: how the controller named itself when the settings were read
    read_at: str = ""  #: ISO 8601, when the settings were read
    read_from: str = ""  #: port or file
