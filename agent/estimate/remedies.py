"""Which remedy a found error gets: a motor setting, the slicing angle, or none, and why.

A setting is moved only where the error is determined by the readings, significant (beyond its 95 %
interval), worth it (beyond the tolerance), shown by more than one length, and not explained
better by the material, by wrong microsteps or by belts that two motors share.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from agent.estimate.consistency import TELLS, Examined
from agent.estimate.fit import Fit
from agent.estimate.observation import turned_with_gantry
from agent.estimate.solution import Correction, Parameter
from agent.model.exact import sendable
from agent.model.geometry import DELTA, ERRORS, EX, EY, EZ, Array
from agent.model.roles import ROLES, Role, scale_of
from agent.model.survey import Survey

LineBuilder = Callable[[str, float], str | None]

ERROR_OF: Mapping[Role, int] = {"across": EX, "gantry": EY, "belt": EZ}

#: log2 of a length ratio nearer than this to a whole number (not 0) is a microstep mismatch:
#: within about 5 % of 2, 4, 1/2, ...
_NEAR_POWER = 0.07


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is done about one scale error."""

    role: Role
    parameter: Parameter
    apply: bool
    reason: str  #: code: scale, undetermined, not_significant, small, single_length, material, ...


@dataclass(frozen=True, slots=True)
class Remedies:
    """All that is done, and what is left alone for which reason."""

    verdicts: Mapping[Role, Verdict]
    angle_deg: float | None  #: slicing angle, if it should change
    angle_reason: str
    applied: Array  #: (7,) errors that the remedies take out

    @property
    def nothing(self) -> bool:
        return self.angle_deg is None and not any(v.apply for v in self.verdicts.values())


def several_speak(fit: Fit, column: int) -> bool:
    """True if two different features or more tell of an error."""
    obs = fit.observations
    size = np.linalg.norm(obs.v, axis=1)
    speaks = np.abs(fit.J[:, column]) >= TELLS * size
    formula = np.empty(obs.size)
    for number, (_, rows) in enumerate(obs.rows):
        formula[rows] = number
    told = np.column_stack([formula, obs.offset_sign, obs.printed, np.round(obs.v, 6)])[speaks]
    return bool(np.any(told != told[:1]))


def _is_travelled(survey: Survey, fit: Fit, column: int) -> bool:
    """True if a reading without plastic in it tells of this scale."""
    obs = fit.observations
    size = np.linalg.norm(obs.v, axis=1)
    moved = np.array([r.kind == "travel" for r in survey.readings], dtype=bool)
    return bool(np.any(moved & (np.abs(fit.J[:, column]) >= TELLS * size)))


def looks_like_material(survey: Survey, fit: Fit) -> bool:
    """Equal negative slopes in two directions or more, and no direct travel that says otherwise."""
    if any(_is_travelled(survey, fit, column) for column in (EX, EY, EZ)):
        return False
    k = len(fit.p)
    cot = 1 / math.tan(fit.observations.theta)
    shrink = fit.unknowns.index("shrink")
    directions = []
    for parts in ({EX: 1.0}, {EZ: 1.0}, {EY: 1.0, DELTA: cot}):
        gradient = np.zeros(k)
        for column, share in parts.items():
            gradient[column] = share
        printed = gradient.copy()
        printed[shrink] = -1.0
        value, u = fit.of(printed)
        prior = math.sqrt(float((printed * fit.unknowns.u) @ (printed * fit.unknowns.u)))
        if u < 0.5 * prior:
            directions.append((gradient, value, u))
    if len(directions) < 2 or any(value + 2 * u >= 0 for _, value, u in directions):
        return False
    first = directions[0][0]
    return all(
        abs(value) <= 2 * u for value, u in (fit.of(g - first) for g, _, _ in directions[1:])
    )


def _verdict(survey: Survey, fit: Fit, role: Role, parameter: Parameter, material: bool) -> Verdict:
    def no(reason: str) -> Verdict:
        return Verdict(role, parameter, False, reason)

    if not parameter.determined:
        return no("undetermined")
    if not parameter.significant:
        return no("not_significant")
    if 100 * abs(parameter.value) <= survey.tolerance.scale_percent:
        return no("small")
    if not several_speak(fit, ERROR_OF[role]):
        return no("single_length")
    if power_of_two(parameter.value):
        return no("microstep_mismatch")
    if material:
        return no("material")
    return Verdict(role, parameter, True, "scale")


def power_of_two(e: float) -> float | None:
    """The power of two that a length ratio 1 + e is close to (2, 4, 0.5, ...), or None."""
    if e <= -0.99:
        return None
    exponent = math.log2(1 + e)
    whole = round(exponent)
    return 2.0**whole if whole != 0 and abs(exponent - whole) < _NEAR_POWER else None


def decide(
    survey: Survey,
    examined: Examined,
    parameters: Mapping[str, Parameter],
    *,
    withheld: Mapping[Role, str],
) -> Remedies:
    """Remedies for an estimate; `withheld`: why the scale of an axis is left alone (slip, trend).

    Where the readings contradict each other nothing is proposed, and no error is taken out that
    is beyond all that such machines are known to have.
    """
    fit = examined.fit
    material = looks_like_material(survey, fit)
    verdicts = {
        role: _verdict(survey, fit, role, parameters[scale_of(role)], material) for role in ROLES
    }
    if examined.contradictory:
        left = {
            role: replace(v, apply=False, reason="contradiction") for role, v in verdicts.items()
        }
        return Remedies(left, None, "contradiction", np.zeros(len(ERRORS)))
    for role, verdict in verdicts.items():
        beyond = ERROR_OF[role] in examined.unlike
        if (verdict.apply and examined.unlike) or (beyond and verdict.reason == "material"):
            verdicts[role] = replace(verdict, apply=False, reason="unlike")
    for role, why in withheld.items():
        verdicts[role] = replace(verdicts[role], apply=False, reason=why)
    applied = np.zeros(len(ERRORS))
    for role, verdict in verdicts.items():
        if verdict.apply:
            applied[ERROR_OF[role]] = verdict.parameter.value
    verdicts, applied = _coupled(survey, verdicts, applied)

    angle = parameters["gantry_angle_deg"]
    angle_reason = "angle"
    if not angle.determined:
        angle_reason = "undetermined"
    elif not angle.significant:
        angle_reason = "not_significant"
    elif abs(angle.value) <= survey.tolerance.angle_deg:
        angle_reason = "small"
    elif examined.unlike:
        angle_reason = "unlike"
    angle_deg = None
    if angle_reason == "angle":
        applied[DELTA] = math.radians(angle.value)
        angle_deg = round(survey.mechanics.angle_deg + angle.value, 4)
    return Remedies(verdicts, angle_deg, angle_reason, applied)


def _coupled(
    survey: Survey, verdicts: dict[Role, Verdict], applied: Array
) -> tuple[dict[Role, Verdict], Array]:
    """Across and gantry driven by two shared motors: unequal motor steps would shear the part.

    Where steps belong to the motors, or nobody knows, only the mean error of both may be set.
    """
    if survey.mechanics.coupling not in ("motors", "unknown"):
        return verdicts, applied
    pair = (verdicts["across"], verdicts["gantry"])
    if not any(v.apply for v in pair):
        return verdicts, applied
    applied = applied.copy()
    known = all(v.parameter.determined for v in pair)
    mean = (pair[0].parameter.value + pair[1].parameter.value) / 2
    worth = known and 100 * abs(mean) > survey.tolerance.scale_percent
    for role in ("across", "gantry"):
        was = verdicts[role]
        applied[ERROR_OF[role]] = mean if worth else 0.0
        verdicts[role] = Verdict(was.role, was.parameter, worth, "coupled_motors")
    return verdicts, applied


def errors_after(errors: Array, applied: Array) -> Array:
    """Errors (7,) that remain once the `applied` ones are taken out.

    New steps are old / (1 + e), so what remains of a scale e is (1 + e) / (1 + applied) - 1.
    """
    left = errors.copy()
    for column in (EX, EY, EZ):
        left[column] = (1 + errors[column]) / (1 + applied[column]) - 1
    left[DELTA] = errors[DELTA] - applied[DELTA]
    return left


def readings_after(fit: Fit, applied: Array) -> tuple[Array, Array]:
    """Readings (n,) expected on the same pieces laid after the remedies, and their Jacobian.

    A changed slicing angle draws the same parts with other commands; what was square to the
    gantry plane is drawn square to it again.
    """
    theta = fit.observations.theta + float(applied[DELTA])
    v = turned_with_gantry(fit.observations.v, fit.observations.theta, theta)
    p = fit.p.copy()
    p[: len(ERRORS)] = errors_after(p[: len(ERRORS)], applied)
    return fit.observations.at(theta, v).predict(p)


def corrections(
    survey: Survey, fit: Fit, remedies: Remedies, line: LineBuilder | None
) -> tuple[Correction, ...]:
    """Settings to change: new = old / (1 + e), with uncertainty and side effects."""
    before = fit.predicted
    found = []
    for role, verdict in remedies.verdicts.items():
        setting = f"steps_per_mm.{survey.axes.letter(role)}"
        old = survey.steps_per_mm.get(survey.axes.letter(role))
        if not verdict.apply or old is None:
            continue
        column = ERROR_OF[role]
        e = float(remedies.applied[column])
        alone = np.zeros(len(ERRORS))
        alone[column] = e
        effects = readings_after(fit, alone)[0] - before
        new = sendable(old / (1 + e))
        found.append(
            Correction(
                setting=setting,
                old=old,
                new=new,
                u=new * verdict.parameter.u / (1 + e),
                line=line(setting, new) if line else None,
                why=f"{role} axis travels {100 * abs(e):.3f} % too {'far' if e > 0 else 'short'}",
                effects=tuple(effects.tolist()),
            )
        )
    return tuple(found)
