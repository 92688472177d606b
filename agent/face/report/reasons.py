"""What was not changed, and why: for each error, for the plan, and for all other settings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, NamedTuple

from agent.bench.surveyed import Surveyed
from agent.face.report.tune import Tune
from agent.face.words import shown
from agent.model.roles import BY_HAND, ROLES, scale_of

if TYPE_CHECKING:
    from agent.estimate.remedies import Remedies
    from agent.estimate.solution import Parameter

#: Why a scale error gets no new setting, by the reason that the estimate gives.
_SCALE: Final = {
    "undetermined": "not determined by these readings; it stays as it was assumed",
    "not_significant": "not told from zero: its 95 % interval holds zero",
    "small": "within the tolerance of {tolerance}",
    "single_length": "seen on one length only, which cannot tell travel from a size offset",
    "microstep_mismatch": "close to a power of two: wrong microsteps, not a matter of travel",
    "material": "all printed directions are short alike: the plastic, not the axes",
    "slip": "the belt slips under load; traction comes first",
    "coupled_motors": "two motors share across and gantry: only their mean may be set",
}

_ANGLE: Final = {
    "undetermined": "not determined by these readings",
    "not_significant": "not told from zero: its 95 % interval holds zero",
    "small": "within the tolerance of {tolerance}",
}


class Kept(NamedTuple):
    """One thing that was left as it is."""

    what: str
    found: str  #: with its 95 % interval, where there is a figure
    why: str


def kept(tune: Tune) -> Iterator[Kept]:
    """Everything that was not changed, with its reason."""
    measured = tune.before
    solution = measured.solution
    remedies = measured.remedies
    if remedies is not None:
        yield from _scales(tune, remedies)
        if remedies.angle_deg is None:
            tolerance = f"{measured.survey.tolerance.angle_deg:g}°"
            why = _ANGLE.get(remedies.angle_reason, "").format(tolerance=tolerance)
            yield _kept("gantry_angle_deg", solution.parameters["gantry_angle_deg"], why)
    elif not solution.corrections:
        yield Kept("motor settings", "", "no change is warranted by the readings")
    if solution.slicing_angle_deg is not None:
        yield Kept(
            "slope of the gantry itself",
            "",
            "slicing with the angle found gives the same part exactly; a shim would do as well, "
            "never both",
        )
    yield from _not_for_settings(measured)
    yield from _of_the_plan(tune)


def _kept(name: str, parameter: Parameter, why: str) -> Kept:
    words = shown(name)
    found = f"{words.value(parameter.value)} {words.interval(parameter.expanded95)}"
    return Kept(words.words, found, why)


def _scales(tune: Tune, remedies: Remedies) -> Iterator[Kept]:
    measured = tune.before
    wanted = {c.setting for c in measured.solution.corrections}
    written = tune.plan.wanted if tune.plan is not None else {}
    tolerance = f"{measured.survey.tolerance.scale_percent:g} %"
    for role in ROLES:
        verdict = remedies.verdicts[role]
        setting = f"steps_per_mm.{measured.survey.axes.letter(role)}"
        if not verdict.apply:
            why = _SCALE.get(verdict.reason, "no change is warranted").format(tolerance=tolerance)
        elif setting not in wanted:
            why = f"the present {setting} is not known, so no new value can be given"
        elif setting not in written:
            why = f"a new {setting} is proposed (see the changes), and was not written"
        elif tune.put_back:
            why = f"{setting} was written and then put back"
        else:
            continue
        yield _kept(scale_of(role), verdict.parameter, why)


def _not_for_settings(measured: Surveyed) -> Iterator[Kept]:
    """Errors that no command line cures."""
    for name, parameter in measured.solution.parameters.items():
        if name in BY_HAND:
            if parameter.determined and parameter.significant:
                why = "needs mechanical adjustment: no setting can correct it"
            elif parameter.determined:
                why = "not told from zero: its 95 % interval holds zero"
            else:
                why = "not determined well enough to turn a screw by"
        elif name == "shrink":
            why = "of the plastic, not of the axes: set it in the slicer as a material factor"
        else:
            continue
        yield _kept(name, parameter, why)
    growth = [p.value for n, p in measured.solution.parameters.items() if n.startswith("offset.")]
    if growth:
        yield Kept(
            "size offset of all faces",
            (f"{min(growth):+z.3f} to " if len(growth) > 1 else "") + f"{max(growth):+z.3f} mm",
            "does not grow with the part: set bead width and flow in the slicer, never steps",
        )


def _of_the_plan(tune: Tune) -> Iterator[Kept]:
    plan = tune.plan
    for key in plan.unchanged if plan is not None else ():
        yield Kept(key, "", "holds the wanted value already, as far as the controller prints it")
    if plan is None or tune.first is None or tune.last is None:
        return
    others = [key for key in tune.first.settings if key not in plan.wanted]
    moved = [
        key
        for key in others
        if key not in tune.last.settings
        or tune.last.settings[key].value != tune.first.settings[key].value
    ]
    if others:
        names = f": {', '.join(moved)} moved" if moved else "; all read as before"
        yield Kept(
            f"{len(others)} other settings of the controller",
            "",
            f"no finding concerns them{names}",
        )
