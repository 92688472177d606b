"""The workshop as one HTML page that needs no network: no script, no font, no picture from outside.

jinja2 escapes every value: what a foreign record says is text on the page and nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from typing import Final, NamedTuple

from agent.face.parts import Table, Words
from agent.face.report.page import environment
from agent.face.screen import clean
from agent.face.shop import sheets
from agent.face.shop.sheets import Drifts
from agent.face.words import shown
from agent.model.exact import several
from agent.workshop.capability import Capability
from agent.workshop.comparison import Verdict
from agent.workshop.fleet import Machine
from agent.workshop.fleet import due as due_now
from agent.workshop.picture import svg
from agent.workshop.series import Charted


class Figure(NamedTuple):
    svg: str
    words: str


#: A section of the page: its name for links, its title, and what stands in it.
Section = tuple[str, str, Sequence[Words | Table | Figure]]


def page(
    found: Sequence[Machine],
    drifts: Drifts,
    verdicts: Sequence[Verdict],
    capabilities: Sequence[tuple[str, Capability]],
    *,
    made: date,
    source: str,
) -> str:
    """The page; the same content and date give the same text."""
    overdue = due_now(found, made)
    fired = Words(false_alarms(drifts))
    told = [fired, drifts.sheet] if drifts.rows else [Words(NO_SIGNAL), fired]
    capable: Sequence[Words | Table] = (
        [Words(CAPABILITY), sheets.capabilities(capabilities)]
        if capabilities
        else [Words("Too few machines were measured as left.")]
    )
    sections: tuple[Section, ...] = (
        ("machines", "Machines", [Words(STANDINGS), sheets.machines(found, made)]),
        ("due", "Due", [sheets.machines(overdue, made) if overdue else Words("None is due.")]),
        ("drift", "Drift", [*told, *(Figure(svg(c), _caption(c)) for c in drifts.pictured)]),
        (
            "compare",
            "Which stand out",
            [sheets.verdicts(verdicts) if verdicts else Words(NOTHING_STANDS_OUT)],
        ),
        ("capability", "Yield and capability", capable),
    )
    return _rendered("The workshop", made, f"{source}. {summary(found, made)}", sections)


def cover_page(machines: Table, capable: Table, yield_words: str, made: date) -> str:
    """The cover sheet of a row of machines that were tuned in one sitting."""
    told = [Words(yield_words), Words(CAPABILITY)]
    sections: tuple[Section, ...] = (
        ("machines", "Machines", [Words(STANDINGS), machines]),
        ("capability", "Yield and capability", [*told, capable] if capable.rows else told),
    )
    return _rendered("A row of machines", made, yield_words, sections)


def _rendered(title: str, made: date, summary: str, sections: Sequence[Section]) -> str:
    templates = environment("agent.face.shop")
    templates.filters["days"] = _days
    return templates.get_template("fleet.html").render(
        title=title, made=made.isoformat(), summary=summary, sections=sections
    )


_DAY: Final = re.compile(r"\d{4}-\d\d-\d\d")


def _days(cell: str) -> str:
    """A cell whose days are not broken at their hyphens."""
    from markupsafe import Markup, escape

    return Markup(_DAY.sub(r'<span class="day">\g<0></span>', str(escape(clean(cell)))))


STANDINGS = (
    "As left: 'within' or 'beyond' its tolerance with 95 % confidence (ISO 14253-1), 'open' where"
    " the uncertainty does not tell, 'unknown' where nothing was measured since the last change."
)
NO_SIGNAL = "No rule fired."
NOTHING_STANDS_OUT = (
    "No machine and no batch stands out beyond what chance does in one page of twenty (Holm)."
)
CAPABILITY = (
    "Cp compares the scatter of the machines with the tolerance, Cpk also where their middle lies"
    " (ISO 22514-2). They speak of normal, stable values alone."
)


def false_alarms(drifts: Drifts) -> str:
    """How many signals chance alone would give, so that one of many is not taken for a fault."""
    from statistics import NormalDist

    count = drifts.watched
    if not count:
        return "No chart has values enough for limits yet: steps are held against uncertainties."
    expected = count * 2 * (1 - NormalDist().cdf(3))
    return (
        f"{count} values stand in charts with limits; where nothing drifts, about {expected:.1f} of"
        " them lie beyond by chance, and more by the other rules: one signal is a reason to measure"
        " again, not to change."
    )


def summary(found: Sequence[Machine], today: date) -> str:
    counts = dict.fromkeys(("within", "beyond", "open", "unknown"), 0)
    for machine in found:
        counts[machine.standing] += 1
    told = ", ".join(f"{count} {state}" for state, count in counts.items() if count)
    waiting = sum(bool(m.open) for m in found)
    count = several(len(found), "machine")
    return (
        f"{count}: {told or 'none'}; {len(due_now(found, today))} due; "
        f"{waiting} with something open."
    )


def _caption(c: Charted) -> str:
    since = "" if c.since is None else f", since the {c.since.part} {c.since.what}".rstrip()
    kind = "right steps/mm against the first" if c.unit == "%" else "as measured"
    rules = "; ".join(dict.fromkeys(f"{s.rule}: {s.what}" for s in c.chart.signals))
    return (
        f"{c.machine}, {shown(c.error).words} in {c.unit} ({kind}{since}): bars are 95 % intervals,"
        f" the dotted line is the weighted average within its limits. {rules}."
    )
