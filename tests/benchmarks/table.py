"""Rows of the table: a figure of ours, its reference, and the ratio that is wanted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

#: Units that are shown larger or smaller than they are kept.
_PREFIXES: Final = ((1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))


@dataclass(frozen=True, slots=True)
class Wanted:
    """The ratio that is wanted; `most` and `least` None: the figure is only told."""

    most: float | None = None
    least: float | None = None

    def __str__(self) -> str:
        if self.most is not None:
            return f"<= {self.most:g}"
        return f">= {self.least:g}" if self.least is not None else "told"

    def met_by(self, ratio: float) -> bool:
        return (self.most is None or ratio <= self.most) and (
            self.least is None or ratio >= self.least
        )


TOLD: Final = Wanted()


def at_most(ratio: float) -> Wanted:
    return Wanted(most=ratio)


def at_least(ratio: float) -> Wanted:
    return Wanted(least=ratio)


@dataclass(frozen=True, slots=True)
class Row:
    """One figure; `ours` and `reference` in `unit`."""

    figure: str
    ours: float
    reference: float
    against: str  #: what the reference is
    wanted: Wanted = TOLD
    unit: str = "s"

    @property
    def ratio(self) -> float:
        return self.ours / self.reference

    @property
    def met(self) -> bool:
        return self.wanted.met_by(self.ratio)

    def to_plain(self) -> dict[str, Any]:
        return {
            "figure": self.figure,
            "ours": self.ours,
            "reference": self.reference,
            "ratio": self.ratio,
            "wanted": str(self.wanted),
            "unit": self.unit,
            "against": self.against,
            "met": self.met,
        }

    def cells(self) -> tuple[str, ...]:
        mark = "" if self.met else "  MISSED"
        return (
            self.figure,
            shown(self.ours, self.unit),
            shown(self.reference, self.unit),
            f"{self.ratio:.3g}",
            f"{self.wanted}{mark}",
            self.against,
        )


def shown(value: float, unit: str) -> str:
    """A value with three digits: seconds with a prefix, all else as it is."""
    if unit != "s":
        return f"{value:,.0f} {unit}" if value >= 100 else f"{value:.3g} {unit}".rstrip()
    size, prefix = next((p for p in _PREFIXES if value >= p[0]), _PREFIXES[-1])
    return f"{value / size:.3g} {prefix}s"


HEAD: Final = ("figure", "ours", "reference", "ratio", "wanted", "the reference is")


def layout(rows: Iterable[Row]) -> list[str]:
    """Lines of the table, columns aligned."""
    cells = [HEAD, *(row.cells() for row in rows)]
    widths = [max(len(line[i]) for line in cells) for i in range(len(HEAD))]
    right = {1, 2, 3}
    return [
        "  ".join(
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]
