"""Tables of the workshop: the same rows for the terminal, a CSV file and the page."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Final

from agent.face.columns import headed
from agent.face.parts import Table
from agent.face.screen import clean
from agent.face.words import shown

if TYPE_CHECKING:
    from agent.workshop.capability import Capability
    from agent.workshop.comparison import Verdict
    from agent.workshop.fleet import Left, Machine
    from agent.workshop.series import Charted


def csv_of(table: Table) -> str:
    return csv_text([name for name, _ in table.columns], table.rows)


def csv_text(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """As RFC 4180 has it; a cell that a spreadsheet would calculate is made a text."""
    out = io.StringIO()
    write = csv.writer(out)
    write.writerow(heads)
    write.writerows([_inert(cell) for cell in row] for row in rows)
    return out.getvalue()


def _inert(cell: str) -> str:
    """A foreign text that begins like a formula, with an apostrophe before it; numbers stay."""
    text = clean(cell)
    signed = text.startswith(("+", "-")) and text[1:2].isalpha()
    return f"'{text}" if signed or text.startswith(("=", "@")) else text


def day(at: str) -> str:
    return at[:10] or "never"


def machines(found: Sequence[Machine], today: date) -> Table:
    """One machine a row."""
    return Table(
        headed(
            "machine", "where", "last tune", "as left", ">largest, of its tolerance", "due", "open"
        ),
        tuple(
            (
                m.name,
                m.place,
                day(m.tuned) + (" (clock put right)" if m.clock_off and m.tuned else ""),
                m.standing,
                largest(m.left) if m.measured_since else "",
                _due(m, today),
                ", ".join(m.open),
            )
            for m in found
        ),
    )


def machines_csv(found: Sequence[Machine], today: date) -> str:
    """The same for a file, with every error as left, its standard uncertainty and tolerance.

    Scales are relative, angles in degrees.
    """
    from agent.workshop.fleet import ANGLES, SCALES

    sheet = machines(found, today)
    errors = (*SCALES, *ANGLES)
    heads = [name for name, _ in sheet.columns]
    heads += [head for name in errors for head in (name, f"{name}_u", f"{name}_tolerance")]

    def cells(m: Machine) -> Iterator[str]:
        for name in errors:
            left = m.left.get(name) if m.measured_since else None
            yield from ("", "", "") if left is None else (f"{x:.6g}" for x in left)

    rows = zip(found, sheet.rows, strict=True)
    return csv_text(heads, ((*row, *cells(m)) for m, row in rows))


def largest(found: Mapping[str, Left]) -> str:
    """The error that fills most of its tolerance, with its 95 % half width, in shares of it."""
    if not found:
        return ""
    name, left = max(found.items(), key=lambda item: abs(item[1].value) / item[1].limit)
    share, half = abs(left.value) / left.limit, 2 * left.u / left.limit
    return f"{shown(name).words} {share:.0%} ± {half:.0%}"


def _due(machine: Machine, today: date) -> str:
    over = machine.days_over(today)
    if over is None or machine.due is None:
        return "now: never tuned"
    return f"{machine.due.isoformat()}" + (f", {over} days over" if over > 0 else "")


#: Charts drawn on one page; the others are told by their rows.
MOST_PICTURES = 40


@dataclass(slots=True)
class Drifts:
    """What charts tell, gathered one by one: a fleet has more of them than a page holds."""

    charts: int = 0
    watched: int = 0  #: values in charts with limits
    rows: list[tuple[str, ...]] = field(default_factory=list)  #: a signal each
    pictured: list[Charted] = field(default_factory=list)  #: the first in which a rule fired

    def see(self, c: Charted) -> None:
        self.charts += 1
        self.watched += len(c.chart.values) if c.chart.enough else 0
        self.rows += signals(c)
        if c.chart.signals and len(self.pictured) < MOST_PICTURES:
            self.pictured.append(c)

    @property
    def sheet(self) -> Table:
        """A row of each rule that fired in a chart, however often."""
        columns = ("machine", "error", "rule", "on", ">newest value", "what usually causes it")
        fired: dict[tuple[str, ...], list[tuple[str, ...]]] = {}
        for machine, error, on, value, rule, usually in self.rows:
            fired.setdefault((machine, error, rule, usually), []).append((on, value))
        return Table(
            headed(*columns),
            tuple(
                (machine, error, rule, often([on for on, _ in found]), found[-1][1], usually)
                for (machine, error, rule, usually), found in fired.items()
            ),
        )


def often(days: Sequence[str]) -> str:
    """Days in order, as first and last and how many."""
    if len(days) == 1:
        return days[0]
    span = days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
    return f"{span}, {len(days)} times"


def signals(c: Charted) -> Iterator[tuple[str, ...]]:
    """A row of each signal of a chart."""
    for s in c.chart.signals:
        yield (
            c.machine,
            shown(c.error).words,
            day(c.points[s.place].at),
            f"{c.chart.values[s.place]:+z.3f} ± {2 * c.u[s.place]:.3f} {c.unit}",
            s.what,
            s.usually,
        )


POINTS: Final = (
    *("machine", "error", "unit", "since", "at", "value", "u", "moving range"),
    *("mean", "lower limit", "upper limit", "ewma", "signals"),
)


def points(c: Charted) -> Iterator[tuple[str, ...]]:
    """A row of each point of a chart, under `POINTS`: for a file."""
    k = c.chart
    since = "" if c.since is None else f"{c.since.part} {c.since.what}".strip()
    for i, (point, value) in enumerate(zip(c.points, k.values, strict=True)):
        yield (
            *(c.machine, c.error, c.unit, since, point.at, f"{value:.6g}", f"{c.u[i]:.3g}"),
            "" if i == 0 else f"{k.ranges[i - 1]:.6g}",
            *(f"{x:.6g}" if k.enough else "" for x in (k.centre, k.lower, k.upper)),
            f"{k.ewma[i]:.6g}",
            " ".join(s.rule for s in k.signals if s.place == i),
        )


#: Smaller chances are only told to be so.
_LEAST_P: Final = 0.001


def verdicts(found: Sequence[Verdict]) -> Table:
    """One machine or batch that stands out a row."""
    columns = headed("error", "which", "name", ">from the others", ">p, held over all")
    rows = tuple(
        (
            shown(v.error).words,
            v.what,
            v.name or "(not noted)",
            f"{v.value:+z.3f} {'%' if v.error.endswith('_scale') else '°'}",
            f"{v.p_held:.2g}" if v.p_held >= _LEAST_P else f"< {_LEAST_P:g}",
        )
        for v in found
    )
    return Table(columns, rows)


def capabilities(found: Sequence[tuple[str, Capability]]) -> Table:
    """One error a row: yield, Cp and Cpk with their 95 % intervals."""
    columns = headed("error", ">machines", ">within", ">Cp (95 %)", ">Cpk (95 %)")
    rows = tuple(
        (
            shown(name).words,
            str(c.n),
            f"{c.within} ({c.share_within:.0%})",
            f"{c.cp:.2f} ({c.cp_interval[0]:.2f} to {c.cp_interval[1]:.2f})",
            f"{c.cpk:.2f} ({c.cpk_interval[0]:.2f} to {c.cpk_interval[1]:.2f})",
        )
        for name, c in found
    )
    return Table(columns, rows)
