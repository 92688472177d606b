"""Advice on the readings themselves: outliers, warm pieces, and when to leave it."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from agent.estimate.advice.findings import Findings, named, percent
from agent.estimate.remedies import (
    CONTRADICTORY,
    ERROR_OF,
    contradiction,
    letter,
    torn_readings,
)
from agent.estimate.solution import Advice
from agent.model.roles import ROLES

#: Linear expansion of unfilled printing plastics, 1/K: 68e-6 typical, from memory.
PLASTIC_EXPANSION = 68e-6

#: A part is taken as warm for this long after printing, minutes (common practice).
WARM_MINUTES = 20.0


def strays(f: Findings) -> Iterator[Advice]:
    for i, k in f.stray:
        reading = f.survey.readings[i]
        others = [x for j, x in enumerate(reading.mm) if j != k]
        yield Advice(
            "outlier",
            f"{named(f.survey, i)}: value {k + 1} ({reading.mm[k]:g} mm) stands off its own "
            f"repeats (mean of the others {np.mean(others):.3f} mm). Read it again or correct it; "
            "it still counts as it is.",
        )
    for i, residual in enumerate(f.residuals):
        if residual.outlier and all(i != j for j, _ in f.stray):
            yield Advice(
                "outlier",
                f"{named(f.survey, i)}: {residual.measured:.3f} mm does not fit the others, "
                f"which say {residual.predicted:.3f} mm. Wrong feature, turned piece or swapped "
                "digits? It still counts as it is.",
            )


def contradictory(f: Findings) -> Iterator[Advice]:
    for i in torn_readings(f.survey):
        low, high = min(f.survey.readings[i].mm), max(f.survey.readings[i].mm)
        yield Advice(
            "contradiction",
            f"{named(f.survey, i)}: {low:g} and {high:g} mm cannot be repeats of one reading. A "
            "decimal comma between brackets makes two numbers of one: write a point. Nothing is "
            "proposed.",
        )
    size = contradiction(f.fit)
    if size > CONTRADICTORY and f.remedies.angle_reason == "contradiction":
        how = (
            f"what is left of them is {math.sqrt(size):.0f} times their uncertainty"
            if math.isfinite(size)
            else "only a gantry turned by many degrees would explain them"
        )
        yield Advice(
            "contradiction",
            f"The readings contradict each other: {how}. Nothing is proposed. Read those that do "
            "not belong again; a decimal point, a unit, a wrong feature, a piece turned round or a "
            "wrong slicing angle are the usual reasons.",
        )


def warm(f: Findings) -> Iterator[Advice]:
    conditions = f.survey.conditions
    minutes, room, piece = conditions.minutes_since_print, conditions.room_c, conditions.piece_c
    if piece is not None:
        # ISO 1: lengths are stated at 20 degrees C.
        excess = piece - 20.0
        if abs(excess) * PLASTIC_EXPANSION >= f.survey.tolerance.scale_percent / 200:
            yield Advice(
                "warm_part",
                f"The piece was read at {piece:g} deg C: about "
                f"{percent(excess * PLASTIC_EXPANSION)} against 20 deg C. Read it when cool.",
            )
    elif minutes is not None and minutes < WARM_MINUTES:
        about = "" if room is None else f" Room: {room:g} deg C."
        yield Advice(
            "warm_part",
            f"The piece was read {minutes:g} min after printing; 20 K too warm is "
            f"{percent(20 * PLASTIC_EXPANSION)}, the size of the error sought.{about} Read it "
            "again when it has cooled.",
        )


def nothing_to_change(f: Findings) -> Iterator[Advice]:
    if not f.remedies.nothing or f.remedies.angle_reason == "contradiction":
        return
    shown = []
    for role in ROLES:
        parameter = f.parameters[letter(role)]
        if parameter.determined:
            shown.append(f"{role} {100 * parameter.expanded95:.3f} %")
    angle = f.parameters["gantry_angle_deg"]
    if angle.determined:
        shown.append(f"angle {angle.expanded95:.3f} deg")
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

    Two lengths apart by S, each with standard uncertainty u, tell a scale to u sqrt(2)/S.
    """
    tolerance = f.survey.tolerance.scale_percent / 100
    wanted = []
    for role in ROLES:
        parameter = f.parameters[letter(role)]
        column = f.fit.J[:, ERROR_OF[role]]
        speaks = np.abs(column) > 0.2 * np.linalg.norm(f.fit.observations.v, axis=1)
        if parameter.determined and parameter.expanded95 > tolerance and np.any(speaks):
            u = math.sqrt(float(np.min(f.fit.observations.independent[speaks])))
            wanted.append(f"{2 * u * math.sqrt(2) / tolerance:.0f} mm for {role}")
    if not wanted:
        return ""
    spans = ", ".join(wanted)
    return f" To show {100 * tolerance:g} % by two lengths they must be far apart: {spans}."
