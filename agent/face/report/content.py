"""Everything that the report says: a certificate of one page, and an annex section by section.

What is not known is said to be so, not left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from agent.face.parts import Page, Part, made_of, sections
from agent.face.report import changes, fitting, machine, measured
from agent.face.report.certificate import certificate
from agent.face.report.tune import Tune


def page_of(tune: Tune, made: date) -> Page:
    """The content of the report of `tune`, dated `made`."""
    first = "Readings" if tune.plan is None else "Readings before the change"
    parts: Iterable[tuple[str, str, Sequence[Part]]] = (
        ("open", "Open points", measured.open_list(tune)),
        ("machine", "The machine", machine.machine(tune)),
        ("settings", "Its settings", machine.settings(tune)),
        ("conditions", "Instrument, plastic and conditions", machine.conditions(tune)),
        ("readings", first, measured.readings(tune.before)),
        ("results", "What the readings say", measured.results(tune.before)),
        ("budget", "What the uncertainties come from", measured.budget(tune.before)),
        ("misfits", "How well the readings fit", fitting.misfits(tune.before)),
        ("belt", "Runs over marks", measured.belt(tune.before)),
        ("changes", "What was changed", changes.what_changed(tune)),
        ("lines", "Lines sent, and their answers", changes.lines(tune)),
        ("proof", "What has been verified", changes.proof(tune)),
        ("kept", "What was not changed, and why", changes.kept_back(tune)),
        ("foretold", "Measured again, against what was expected", fitting.foretold(tune)),
        ("after", "As found and as left", measured.after(tune)),
        ("drift", "Drift over the record", measured.drift(tune)),
        ("advice", "What remains to be done", measured.advice(tune)),
        ("cautions", "Cautions", machine.cautions(tune)),
    )
    return Page(
        title=f"Tune of {tune.machine}",
        state=changes.state(tune),
        simulated=tune.simulated,
        facts=made_of(tune.source, made),
        certificate=tuple(certificate(tune, made)),
        annex=sections(parts),
    )
