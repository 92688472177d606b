"""The instrument itself, checked once on a block or bar of known length.

    deviation = mean of the values - known length
    u^2 = s^2 / n + d^2 / 12 + u(length)^2

s the stated repeatability or what the values show where that is more, d the display step.  Held
against the maximum permissible error with U = 2 u: conformity is proved where |deviation| + U is
within it, non-conformity where |deviation| - U is beyond it, and neither between (the decision rule
of ISO 14253-1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Any, Literal

from agent.errors import BadInput
from agent.estimate.uncertainty import display_step
from agent.model.profile import Instrument

Verdict = Literal["conforms", "does not conform", "not decided"]

#: Standard uncertainty of a workshop gauge block or setting rod, mm: far below any caliper's
#: (ISO 3650 allows 0.5 um for 100 mm of grade 2; from memory).
U_BLOCK = 0.001


@dataclass(frozen=True, slots=True)
class Checked:
    """One check of the instrument; lengths in mm."""

    known_mm: float
    mm: tuple[float, ...]
    deviation_mm: float
    u_mm: float
    mpe_mm: float
    verdict: Verdict

    def to_plain(self) -> dict[str, Any]:
        return {
            "known_mm": self.known_mm,
            "mm": list(self.mm),
            "deviation_mm": self.deviation_mm,
            "u_mm": self.u_mm,
            "mpe_mm": self.mpe_mm,
            "verdict": self.verdict,
        }


def checked(known_mm: float, values: Sequence[float], instrument: Instrument) -> Checked:
    """The check of `instrument` that read `values` on a length known to be `known_mm`.

    Raises BadInput without values, or where they are of another length altogether.
    """
    if not values:
        raise BadInput(
            "a check needs the known length and what the display showed, found only one number",
            remedy="For example: gauge check 50 50.01 50.00 50.01",
        )
    mean = fmean(values)
    if abs(mean - known_mm) > max(0.02 * known_mm, 0.5):
        raise BadInput(
            f"{mean:.2f} mm was read on a length of {known_mm:g} mm",
            remedy="The first number is the known length, in mm. Nothing was kept",
        )
    own = stdev(values) if len(values) > 1 else 0.0
    spread = max(instrument.repeatability_mm, own)
    step = display_step(instrument.resolution_mm)
    u = math.sqrt(spread**2 / len(values) + step**2 + U_BLOCK**2)
    deviation, mpe = mean - known_mm, instrument.limit_mm(known_mm)
    if abs(deviation) + 2 * u <= mpe:
        verdict: Verdict = "conforms"
    elif abs(deviation) - 2 * u > mpe:
        verdict = "does not conform"
    else:
        verdict = "not decided"
    return Checked(known_mm, tuple(values), deviation, u, mpe, verdict)
