"""The first page: who, what, as found, as left, verdicts, what was changed and how it is proved."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Final

from agent.estimate import standing
from agent.face.columns import headed
from agent.face.digits import angle
from agent.face.parts import Blanks, Facts, Items, Part, Picture, Table, Words
from agent.face.report import figures
from agent.face.report.changes import open_points, verified
from agent.face.report.tune import Tune, recheck_date
from agent.face.words import shown
from agent.model.profile import Material
from agent.model.roles import WANTED

#: Open points that find room on the first page; the annex has them all.
_ROOM: Final = 5


def certificate(tune: Tune, made: date) -> Iterator[Part]:
    """The parts of the first page of the report of `tune`, dated `made`."""
    yield Facts(tuple(_facts(tune)))
    yield _errors(tune)
    yield _picture(tune)
    yield Words(f"Verdict: {overall(tune)}", strong=True)
    yield Words(_changed(tune))
    yield Words(
        "Verified: nothing was written, so there is nothing to verify."
        if tune.plan is None
        else verified(tune)
    )
    yield from _open(tune)
    due, why = recheck_date(made, tune)
    yield Words(
        f"Measure again by {due.isoformat()} at the latest ({why}), and at once after a new belt,"
        " roller, pulley or motor, after a bump or a move to another place, and after new firmware."
    )
    yield Words(
        "By signing you confirm that you have read the cautions and the open points of this report."
    )
    yield Blanks(("Technician, signature", "Place and date"))


def overall(tune: Tune) -> str:
    """All main errors against their tolerances, in one sentence."""
    latest = tune.after or tune.before
    found = {name: latest.standing(name) for name in WANTED}
    if tune.after is None and tune.plan is not None and not tune.put_back:
        return "not known: the machine was changed and not measured since."
    when = "as left" if tune.after is not None else "as found"
    inside = [shown(name).words for name in WANTED if found[name] == standing.UNSURE]
    unsure = f"; in tolerance, not certain: {'; '.join(inside)}" if inside else ""
    for word, told in (
        (standing.OUTSIDE, "OUT OF TOLERANCE"),
        (standing.UNKNOWN, "NOT COMPLETE: not determined"),
        (standing.UNTOLD, "not certain: beyond the tolerance, though not told from zero"),
        (standing.UNSURE, "in tolerance, but not with certainty for"),
    ):
        names = [shown(name).words for name in WANTED if found[name] == word]
        if names:
            others = unsure if word == standing.UNTOLD else ""
            return f"{told}: {'; '.join(names)}{others} ({when})."
    return f"in tolerance ({when}): every interval lies inside its tolerance."


def _facts(tune: Tune) -> Iterator[tuple[str, str]]:
    survey = (tune.after or tune.before).survey
    instrument, tolerance, material = survey.instrument, survey.tolerance, survey.material
    yield "Machine", tune.machine + (f" ({tune.note})" if tune.note else "")
    yield "Controller", tune.identity or ("gave no name" if tune.port else "not attached")
    yield (
        "Instrument",
        f"caliper, display {instrument.resolution_mm:g} mm, greatest permissible error"
        f" {instrument.limit_words}; no. and last check:",
    )
    named = "" if material.name == Material().name else f"{material.name}, "
    yield (
        "Plastic",
        f"{named}assumed shrink {material.shrink_percent:g} ± {2 * material.shrink_u_percent:g} %",
    )
    yield "Tolerance", f"{tolerance.scale_percent:g} % and {tolerance.angle_deg:g}°"
    if tune.slicing_angle_deg is not None:
        yield "Slicing angle in use", angle(tune.slicing_angle_deg)


def _errors(tune: Tune) -> Table:
    after = tune.after
    as_left = () if after is None else (">as left", ">± (95 %)")
    columns = headed("error", ">as found", ">± (95 %)", *as_left, ">tolerance", "verdict")
    changed = tune.plan is not None and not tune.put_back
    rows = []
    for name in WANTED:
        words = shown(name)
        cells = [words.words]
        for measured in (tune.before, after):
            if measured is not None:
                found = measured.solution.parameters[name]
                cells += [words.value(found.value), words.spread(found.expanded95)]
        limit = tune.before.survey.tolerance.of(name)
        stands = (after or tune.before).standing(name)
        cells += [
            "" if limit is None else words.amount(limit),
            "not measured since" if changed and after is None else stands,
        ]
        rows.append(tuple(cells))
    return Table(columns, tuple(rows), _RULE)


_RULE: Final = (
    "Intervals of 95 % after JCGM 100:2008. In tolerance: the whole interval lies inside the"
    " tolerance; in tolerance, not certain: the value does, the interval not wholly."
)


def _picture(tune: Tune) -> Picture:
    states = [tune.before] if tune.after is None else [tune.before, tune.after]
    shares = (
        figures.share(measured, name, later=measured is not tune.before)
        for name in WANTED
        for measured in states
    )
    when = "as found and as left" if tune.after is not None else "as found"
    return Picture(
        figures.band("certificate", [share for share in shares if share]),
        f"Errors {when} with their 95 % intervals, in tolerances; the band is the tolerance, an"
        " arrow points to what lies beyond the picture.",
    )


def _changed(tune: Tune) -> str:
    parts = []
    if tune.put_back:
        parts.append("nothing; what was written has been put back")
    elif tune.plan is not None:
        digest = tune.plan.digest
        listed = ", ".join(f"{c.key} {c.old:g} to {c.new:.10g}" for c in tune.plan.changes)
        parts.append(f"{listed} (command lines in the annex, approved as {digest})")
    angle_now = tune.slicing_angle_deg
    used = tune.before.survey.mechanics.gantry_angle_deg
    if angle_now is not None and angle_now != used:
        parts.append(f"slicing angle {angle(used)} to {angle(angle_now)}, set in the slicer")
    return f"Changed: {'; '.join(parts) or 'nothing'}."


def _open(tune: Tune) -> Iterator[Part]:
    points: Sequence[str] = tuple(open_points(tune))
    if not points:
        yield Words("No open points.")
        return
    yield Words("Open points:")
    more = len(points) - _ROOM
    rest = (f"{more} more: see the annex.",) if more > 0 else ()
    yield Items((*points[:_ROOM], *rest))
