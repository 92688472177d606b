"""What is true of one simulated machine, and how a machine is drawn at random.

The stored settings are those of the profile; the mechanics behind them are not quite what the
profile says, so that every scale is wrong by the share given here until somebody measures it.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from agent.model.roles import Role


@dataclass(frozen=True, slots=True)
class Growth:
    """How much wider than planned a part comes out, by the direction of its faces (mm, both sides).

    Between the named directions it varies like a quadratic form of the face normal.
    """

    x: float = 0.0
    s: float = 0.0
    h: float = 0.0
    gantry: float = 0.0


@dataclass(frozen=True, slots=True)
class Truth:
    """True errors of a machine, its plastic and its instruments."""

    x_scale: float = 0.0  #: true travel / commanded travel - 1, with the profile's steps per mm
    y_scale: float = 0.0
    z_scale: float = 0.0
    extruder_scale: float = 0.0
    feed_slip: float = 0.0  #: share of filament that slips when pushed through the hot nozzle
    angle_deg: float = 0.0  #: true gantry angle minus the profile's
    yaw_deg: float = 0.0  #: gantry turned about the belt's normal
    rail_deg: float = 0.0  #: across rail turned inside the gantry plane
    roll_deg: float = 0.0  #: gantry turned about the belt's direction
    shrink: float = 0.0  #: relative, of the cold part
    growth: Growth = Growth()
    squash_mm: float = 0.0  #: extra width of the row that lies on the belt, both sides
    eccentricity_mm: float = 0.0  #: of the belt's roller
    eccentricity_phase_deg: float = 90.0  #: psi: angle of the eccentric side at the start
    slip: float = 0.0  #: share of the belt's travel that is lost
    slip_scatter: float = 0.0  #: standard deviation of that share, drawn anew each move
    reversal_mm: Mapping[Role, float] = field(default_factory=dict)  #: lost motion of each axis
    reading_sd_mm: float = 0.0  #: scatter of a re-seated caliper
    instrument_mm: float = 0.0  #: common error of the caliper
    gauge_u_mm: float = 0.0  #: standard uncertainty of the length gauge
    rule_sd_mm: float = 0.0  #: scatter of a filament mark read off a steel rule


def draw(profile: Mapping[str, Any], seed: int) -> Truth:
    """A machine as the profile's priors say such machines are, the same for the same `seed`.

    Scales, angles and shrink are normal with the stated standard deviations; the growth of faces
    with 0.6 of the stated one (some beads run wide, few by a whole bead).  Extruder 1 %, its slip
    up to 3 %, roller eccentricity up to 0.02 mm, caliper scatter 0.015 mm: common practice for a
    sound machine.
    The instrument's error is rectangular between its limits (JCGM 100:2008, 4.3.7).
    """
    rng = random.Random(seed)
    priors = {
        "scale_percent": 3.0,
        "angle_deg": 1.5,
        "yaw_deg": 1.0,
        "rail_deg": 0.5,
        "roll_deg": 0.5,
        "offset_mm": 0.3,
        **profile.get("priors", {}),
    }
    material = profile.get("material", {})
    mpe = profile.get("instrument", {}).get("mpe_mm", 0.03)
    shrink_u = material.get("shrink_u_percent", 0.2)
    scale, offset = priors["scale_percent"] / 100, 0.6 * priors["offset_mm"]
    return Truth(
        x_scale=rng.gauss(0, scale),
        y_scale=rng.gauss(0, scale),
        z_scale=rng.gauss(0, scale),
        extruder_scale=rng.gauss(0, 0.01),
        angle_deg=rng.gauss(0, priors["angle_deg"]),
        yaw_deg=rng.gauss(0, priors["yaw_deg"]),
        rail_deg=rng.gauss(0, priors["rail_deg"]),
        roll_deg=rng.gauss(0, priors["roll_deg"]),
        shrink=rng.gauss(material.get("shrink_percent", 0.0), shrink_u) / 100,
        growth=Growth(*(rng.gauss(0, offset) for _ in range(4))),
        eccentricity_mm=rng.uniform(0, 0.02),
        eccentricity_phase_deg=rng.uniform(0, 360),
        reading_sd_mm=0.015,
        instrument_mm=rng.uniform(-mpe, mpe),
        gauge_u_mm=0.05,
        rule_sd_mm=0.15,
        feed_slip=rng.uniform(0, 0.03),
    )
