"""What is known of one machine: how it is built, what it prints with, what is measured with."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from agent.model.drive import Drive
from agent.model.exact import exact
from agent.model.roles import Axes, Role
from agent.model.settings import Setting

#: `none`: each axis has its motor.  Two motors that share across and gantry have their steps set
#: per axis before mixing (`axes`), per motor (`motors`), or nobody knows yet (`unknown`).
Coupling = Literal["none", "axes", "motors", "unknown"]


@dataclass(frozen=True, slots=True)
class BedScrews:
    """Screws that set the tilt between gantry and belt."""

    span_mm: float
    pitch_mm: float  #: height per turn


@dataclass(frozen=True, slots=True)
class Mechanics:
    """How the machine is built; the angle is the set (slicing) angle of the gantry."""

    gantry_angle_deg: float = 45.0
    drives: Mapping[Role, Drive] = field(default_factory=dict)
    travel_mm: Mapping[Role, float] = field(default_factory=dict)  #: usable travel from zero
    belt_loop_mm: float | None = None
    max_pulse_rate: float = 40_000.0  #: step pulses per second the controller can make
    screws: BedScrews | None = None
    yaw_span_mm: float | None = None  #: spacing at which yaw is given in mm
    coupling: Coupling = "none"  #: two motors sharing across and gantry: whose steps are set

    @property
    def gantry_angle(self) -> float:
        """Set angle, rad."""
        return math.radians(self.gantry_angle_deg)


@dataclass(frozen=True, slots=True)
class Material:
    """Plastic in use."""

    name: str = "unnamed"
    shrink_percent: float = 0.0
    shrink_u_percent: float = 0.2
    filament_mm: float = 1.75
    nozzle_c: float = 215.0
    bed_c: float = 60.0


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
    mpe_mm: float = 0.03
    repeatability_mm: float = 0.02


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Errors smaller than these are left alone."""

    scale_percent: float = 0.1
    angle_deg: float = 0.1


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
    settings: Mapping[str, SavedSetting] = field(default_factory=dict)
    other: tuple[str, ...] = ()  #: setting lines kept as text, never replayed blindly
    identity: str = ""  #: how the controller named itself when the settings were read
    read_at: str = ""  #: ISO 8601, when the settings were read
    read_from: str = ""  #: port or file
