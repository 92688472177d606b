"""The report of several readings files: every machine in a row of one table, then file by file."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path
from typing import Final

from agent.estimate import standing
from agent.face.columns import headed
from agent.face.parts import Blanks, Part, Picture, Table, Words, made_of, sections
from agent.face.parts import Page as Content
from agent.face.report import changes, figures, fitting, measured
from agent.face.report.certificate import overall
from agent.face.report.tune import Tune
from agent.face.words import shown
from agent.model.exact import several
from agent.model.roles import WANTED


def fleet_page(tunes: Sequence[Tune], unread: Sequence[tuple[Path, str]], made: date) -> Content:
    """The content of the report of several `tunes`, dated `made`; `unread`: files, and why not."""
    annex: Iterator[tuple[str, str, Sequence[Part]]] = (
        (f"{what}-{number}", f"{tune.machine}: {title}", parts)
        for number, tune in enumerate(tunes, 1)
        for what, title, parts in (
            ("results", "what the readings say", measured.results(tune.before)),
            ("changes", "what is proposed", changes.what_changed(tune)),
            ("readings", "readings", measured.readings(tune.before)),
            ("misfits", "how well they fit", fitting.misfits(tune.before)),
            ("advice", "what remains to be done", measured.advice(tune)),
        )
    )
    return Content(
        title=f"{len(tunes)} machines",
        state=state_of(tunes, unread),
        simulated=False,
        facts=made_of(f"{len(tunes) + len(unread)} readings files", made),
        certificate=tuple(_first_page(tunes, unread)),
        annex=sections(annex),
        kind="Report of several machines",
    )


def state_of(tunes: Sequence[Tune], unread: Sequence[tuple[Path, str]]) -> str:
    """How many are in tolerance, in one line."""
    well = sum(_standing(tune) == _WELL for tune in tunes)
    told = f"Measured. {well} of {len(tunes)} are in tolerance with certainty."
    if unread:
        told += f" {several(len(unread), 'file')} could NOT be solved."
    return told


_WELL: Final = standing.WITHIN

#: From the worst to the best; the first that any error of a machine has is that of the machine.
_WORDS: Final = (
    (standing.OUTSIDE, "OUT OF TOLERANCE"),
    (standing.UNKNOWN, "not determined"),
    (standing.UNSURE, standing.UNSURE),
)


def _standing(tune: Tune) -> str:
    if tune.before.solution.contradictory:
        return "readings contradict each other"
    found = {tune.before.standing(name) for name in WANTED}
    return next((words for word, words in _WORDS if word in found), _WELL)


def _first_page(tunes: Sequence[Tune], unread: Sequence[tuple[Path, str]]) -> Iterator[Part]:
    errors = (f">{shown(name).words}, {shown(name).unit}" for name in WANTED)
    yield Table(
        headed("machine", *errors, ">tolerance", "change proposed", "~verdict"),
        tuple(
            (
                tune.machine,
                *(_found(tune, name) for name in WANTED),
                _tolerance(tune),
                _proposed(tune),
                _standing(tune),
            )
            for tune in tunes
        ),
        "Errors as found with their 95 % intervals, positive where the machine goes too far.",
    )
    rows = [
        row
        for tune in tunes
        for name in WANTED
        if tune.before.solution.parameters[name].determined
        and (row := figures.share(tune.before, name, of=f"{tune.machine}, "))
    ]
    if rows:
        yield Picture(
            figures.band("fleet", rows),
            "Errors as found with their 95 % intervals, in tolerances of each machine; the band is"
            " the tolerance, an arrow points to what lies beyond the picture.",
        )
    for tune in tunes:
        if _standing(tune) != _WELL:
            yield Words(f"{tune.machine}: {overall(tune)}")
    if unread:
        yield Words("Files that could not be solved:", strong=True)
        yield Table(headed("file", "~reason"), tuple((path.name, why) for path, why in unread))
    yield Blanks(("Technician, signature", "Place and date"))


def _found(tune: Tune, name: str) -> str:
    p, words = tune.before.solution.parameters[name], shown(name)
    size = p.value * words.factor
    return f"{size:+z.{words.digits}f} {words.spread(p.expanded95)}"


def _tolerance(tune: Tune) -> str:
    limit = tune.before.survey.tolerance
    return f"{limit.scale_percent:g} %, {limit.angle_deg:g}°"


def _proposed(tune: Tune) -> str:
    solution = tune.before.solution
    told = [c.setting for c in solution.corrections]
    if solution.slicing_angle_deg is not None:
        told.append("slicing angle")
    return ", ".join(told) or "none"
