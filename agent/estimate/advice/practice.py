"""Advice on the readings themselves: outliers, warm pieces, and when to leave it."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from agent.estimate.advice.findings import Findings, named, percent
from agent.estimate.consistency import POOR, copied_rows
from agent.estimate.mistakes import COMMA, ONE_OF
from agent.estimate.observation import stated_errors
from agent.estimate.remedies import ERROR_OF
from agent.estimate.solution import Advice
from agent.model.geometry import EZ
from agent.model.materials import REFERENCE_C, expansion
from agent.model.roles import ROLES, scale_of

#: Factor on the stated sizes from which a spread is told (common practice).
_MUCH = 1.9

#: A part is taken as warm for this long after printing, minutes (common practice).
WARM_MINUTES = 20.0


def accused(f: Findings) -> Iterator[Advice]:
    """Readings called wrong, with the mistake that would explain each; swapped ones once."""
    told: set[int] = set()
    for found in f.examined.accused:
        if found.row in told:
            continue
        if found.partner is not None:
            told.add(found.partner)
        residual = f.residuals[found.row]
        if found.mistake in (COMMA, ONE_OF):
            yield Advice(
                "outlier",
                f"{named(f.survey, found.row)}: its values do not belong together. They do if "
                f"{found.text}. Check it, and correct or read it again.",
            )
            continue
        if found.text:
            why = f"All agree if {found.text}. Check it, and correct or read it again."
        else:
            why = "No usual mistake explains it: read it again."
        yield Advice(
            "outlier",
            f"{named(f.survey, found.row)}: {residual.measured:.3f} mm does not fit the others, "
            f"which say {residual.predicted:.3f} mm. {why}",
        )


def contradictory(f: Findings) -> Iterator[Advice]:
    if f.examined.accused:
        yield Advice(
            "contradiction",
            "The readings contradict each other. Nothing is proposed until they agree.",
        )
    elif not f.examined.agrees:
        yield Advice(
            "contradiction",
            "The readings contradict each other, and no single one is to blame "
            f"({_chi2(f)}). Nothing is proposed. A piece turned round, a wrong slicing angle, a "
            "unit or a piece of another machine are the usual reasons.",
        )


def unlike(f: Findings) -> Iterator[Advice]:
    stated = stated_errors(f.survey.priors)
    for i in f.examined.unlike:
        turn = i > EZ
        size = (
            f"{math.degrees(f.fit.p[i]):+z.1f}° where ±{math.degrees(stated[i]):g}° is stated"
            if turn
            else f"{percent(f.fit.p[i])} where ±{100 * stated[i]:g} % is stated"
        )
        yield Advice(
            "unlike",
            f"The readings agree with each other, but not with what is stated of such machines: "
            f"{_ERROR_WORDS[i]} {size}. Wrong microsteps, a wrong axis, factory values after a "
            "flash, or priors stated too narrow: find out which first. Nothing is proposed.",
        )


_ERROR_WORDS = (
    "scale, across,",
    "scale, gantry,",
    "scale, belt,",
    "gantry angle",
    "yaw",
    "roll",
    "rail skew",
)


def scatter(f: Findings) -> Iterator[Advice]:
    """A spread beyond the stated one: it widens the intervals, and is told."""
    found = f.examined
    if found.contradictory or found.unlike:
        return
    if found.goodness.p < POOR or found.spread.form > _MUCH or found.spread.grade > _MUCH:
        form = f.survey.budget.form_mm * found.spread.form
        yield Advice(
            "poor_fit",
            f"The readings scatter more than the budget says ({_chi2(f)}): faces by about "
            f"{form:.2f} mm, all else {found.spread.grade:.1f} times the stated sizes. The "
            "uncertainties are widened accordingly. Look for a bent rail, a wrong slicing angle, "
            "a warm piece or rough faces.",
        )


def _chi2(f: Findings) -> str:
    g = f.examined.goodness
    return f"chi-squared {g.statistic:.0f} for {g.dof} readings"


def copies(f: Findings) -> Iterator[Advice]:
    """Repeats that are too alike to have been read."""
    names = [named(f.survey, i) for i in copied_rows(f.survey)]
    if names:
        listed = ", ".join(names[:3]) + (" and others" if len(names) > 3 else "")
        yield Advice(
            "copied",
            f"{listed}: the same value several times over. Repeats without any spread say nothing "
            "about repeatability and count once: seat the caliper anew for each value.",
        )


def warm(f: Findings) -> Iterator[Advice]:
    conditions = f.survey.conditions
    minutes, room, piece = conditions.minutes_since_print, conditions.room_c, conditions.piece_c
    if piece is not None:
        longer = expansion(1.0, piece - REFERENCE_C)
        if abs(longer) >= f.survey.tolerance.scale_percent / 200:
            yield Advice(
                "warm_part",
                f"The piece was read at {piece:g} °C: about "
                f"{percent(longer)} against 20 °C. Read it when cool.",
            )
    elif minutes is not None and minutes < WARM_MINUTES:
        about = "" if room is None else f" Room: {room:g} °C."
        yield Advice(
            "warm_part",
            f"The piece was read {minutes:g} min after printing; 20 K too warm is "
            f"{percent(expansion(1.0, 20.0))}, the size of the error sought.{about} Read it "
            "again when it has cooled.",
        )


def nothing_to_change(f: Findings) -> Iterator[Advice]:
    if not f.remedies.nothing or f.examined.unlike:
        return
    shown = []
    for role in ROLES:
        parameter = f.parameters[scale_of(role)]
        if parameter.determined:
            shown.append(f"{role} {100 * parameter.expanded95:.3f} %")
    angle = f.parameters["gantry_angle_deg"]
    if angle.determined:
        shown.append(f"angle {angle.expanded95:.3f}°")
    smallest = "; ".join(shown) or "none of the scales nor the angle is determined"
    more = _longer_span(f)
    if f.next:
        along = ", ".join(f"{x:g}" for x in f.next.along)
        more += f" The reading that would tell more: {f.next.feature} along ({along})."
    yield Advice(
        "no_change",
        f"No change warranted. Smallest error these readings could have shown: {smallest}.{more}",
    )


def _longer_span(f: Findings) -> str:
    """Span between two lengths that would show an error of the tolerance, where one is missing.

    Two lengths apart by S, each with standard uncertainty u, tell a scale to u sqrt(2)/S.  Printed
    ones tell it together with the shrink, whose own uncertainty no span makes smaller:
    (tolerance/2)^2 = 2 u^2/S^2 + u(shrink)^2.
    """
    tolerance = f.survey.tolerance.scale_percent / 100
    travels = np.array([r.kind == "travel" for r in f.survey.readings], dtype=bool)
    u_shrink = f.parameters["shrink"].u
    wanted, hopeless = [], []
    for role in ROLES:
        parameter = f.parameters[scale_of(role)]
        column = f.fit.J[:, ERROR_OF[role]]
        speaks = np.abs(column) > 0.2 * np.linalg.norm(f.fit.observations.v, axis=1)
        if not parameter.determined or parameter.expanded95 <= tolerance or not np.any(speaks):
            continue
        u = math.sqrt(float(np.min(f.fit.observations.independent[speaks])))
        left = (tolerance / 2) ** 2 - (0.0 if np.any(speaks & travels) else u_shrink**2)
        if left > 0:
            wanted.append(f"{u * math.sqrt(2 / left):.0f} mm for {role}")
        else:
            hopeless.append(role)
    told = ""
    if wanted:
        spans = ", ".join(wanted)
        told = f" To show {100 * tolerance:g} % by two lengths they must be far apart: {spans}."
    if hopeless:
        told += (
            f" No printed length shows {100 * tolerance:g} % of {' or '.join(hopeless)} while the "
            f"shrink is known to ±{200 * u_shrink:.2f} % only: a direct travel reading does."
        )
    return told
