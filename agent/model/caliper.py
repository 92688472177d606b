"""Limits of error of calipers, for those whose own limit is not known."""

from __future__ import annotations

from typing import Final

#: Display or vernier step up to which the finer limits hold, mm.
_FINE: Final = 0.02

#: (longest length, limit of error) in mm, outside measurement, step 0.01 or 0.02 and 0.05 or 0.1.
#: DIN 862 (values of 1988 and 2005, from a public sheet; the ends of merged cells from memory).
_LIMITS_FINE: Final = (
    (100.0, 0.02), (600.0, 0.03), (1000.0, 0.04), (1600.0, 0.05), (2000.0, 0.06),
)  # fmt: skip
_LIMITS_COARSE: Final = (
    (300.0, 0.05), (400.0, 0.06), (500.0, 0.07), (600.0, 0.08), (700.0, 0.09), (800.0, 0.10),
    (900.0, 0.11), (1000.0, 0.12),
)  # fmt: skip


def limit_of_error(length_mm: float, step_mm: float = 0.01) -> float:
    """Limit of error of a caliper at a length, mm, by DIN 862; beyond its table the last limit.

    A step coarser than 0.02 mm has the limits of verniers of 0.05 and 0.1 mm.  ISO 13385-1:2019
    leaves the values to the maker (from memory): a limit that the maker states goes before this.
    """
    limits = _LIMITS_FINE if step_mm <= _FINE + 1e-9 else _LIMITS_COARSE
    for longest, limit in limits:
        if length_mm <= longest:
            return limit
    return limits[-1][1]
