"""Everything that the page says, section by section, as plain rows and words.

What is not known is said to be so, not left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from agent import __version__
from agent.face.report import changes, fitting, machine, measured
from agent.face.report.parts import Blanks, Items, Page, Part, Section, Words
from agent.face.report.tune import Tune, recheck_date


def page_of(tune: Tune, made: date) -> Page:
    """The content of the report of `tune`, dated `made`."""
    again = _again(tune, made)
    first = "Readings" if tune.plan is None else "Readings before the change"
    parts: Iterator[tuple[str, str, Sequence[Part]]] = iter(
        (
            ("brief", "In brief", measured.brief(tune)),
            ("machine", "The machine", machine.machine(tune)),
            ("settings", "Its settings", machine.settings(tune)),
            ("conditions", "Instrument, plastic and conditions", machine.conditions(tune)),
            ("readings", first, measured.readings(tune.before)),
            ("results", "What the readings say", measured.results(tune.before)),
            ("misfits", "How well the readings fit", fitting.misfits(tune.before)),
            ("belt", "Belt run", measured.belt(tune.before)),
            ("changes", "What was changed", changes.changed(tune)),
            ("lines", "Lines sent, and their answers", changes.lines(tune)),
            ("proof", "How far it is proved", changes.proof(tune)),
            ("kept", "What was not changed, and why", changes.kept_back(tune)),
            ("foretold", "Read again, against what was foretold", fitting.foretold(tune)),
            ("after", "Before and after", measured.after(tune)),
            ("drift", "Drift over the record", measured.drift(tune)),
            ("advice", "What remains to be done", measured.advice(tune)),
            ("cautions", "Cautions", machine.cautions(tune)),
            ("again", "Next check and signature", again),
        )
    )
    return Page(
        title=f"Tune of {tune.machine}",
        state=changes.state(tune),
        simulated=tune.simulated,
        facts=(
            ("Machine", tune.machine),
            ("Date of this report", made.isoformat()),
            ("Made from", tune.source),
            ("Made by", f"plumbelt {__version__}"),
            ("Intervals", "95 % intervals, after the guide JCGM 100:2008"),
        ),
        sections=tuple(Section(name, title, tuple(of)) for name, title, of in parts if of),
    )


def _again(tune: Tune, made: date) -> Sequence[Part]:
    due, why = recheck_date(made, tune)
    return (
        Words(f"Measure again by {due.isoformat()} at the latest: {why}."),
        Items(
            (
                "At once after a new belt, roller, pulley or motor, after a bump or a move to "
                "another place, and after new firmware.",
                "After another plastic: its shrink and bead growth are not the ones found here.",
                "Who signs has read the cautions, and the open points at the head of this report.",
            )
        ),
        Blanks(
            (
                "Fit for use within these figures (yes or no)",
                "Name",
                "Place and date",
                "Signature",
                "Remarks",
            )
        ),
    )
