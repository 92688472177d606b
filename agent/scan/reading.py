"""Features of a flat piece from a scan, each with its uncertainty, or the reason why not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from agent.errors import Refused
from agent.model.feature import Feature
from agent.pieces.solid import Piece
from agent.scan import edge as edges
from agent.scan.edge import Held, Line, cut_across, find_line, rough_place
from agent.scan.glass import Found, look
from agent.scan.image import Array, Scan
from agent.scan.outline import Corner, Edge, Jaw, jaws_of
from agent.scan.plane import RULE_U, Plane, fit_plane
from agent.scan.pose import Pose, find_pose
from agent.scan.rule import Marks, read_rule

#: Least resolution that is read, dots per inch.
LEAST_DPI: Final = 200.0
#: Blur beyond which edges are not sharp enough, standard deviation in mm.
_MOST_BLUR: Final = 0.2
#: An edge may stand off where all edges together put it by this, mm.
_MOST_OFF: Final = 0.75
#: Features beyond a rule's last mark by more than this are left out, mm.
_BEYOND: Final = 3.0
#: What is not known of one edge besides its own scatter: how the light falls on it, mm.
EDGE_U: Final = 0.0025
#: The same for the end of a corner.
_CORNER_U: Final = 0.008
#: Least share of the features that must be readable.
_LEAST_SHARE: Final = 0.6
#: Profiles across an edge stand no nearer than this, mm.
_APART: Final = 0.075
#: Least share of an edge's places that must lie on one line.
_LEAST_KEPT: Final = 0.6


@dataclass(frozen=True)
class Taken:
    """One feature as the scan shows it."""

    feature: Feature
    mm: float
    u_mm: float
    ends: tuple[Array, Array]  #: where the jaws would touch, (u, v) in mm of the image
    lines: tuple[Array, Array]  #: places of the edges taken, (n, 2) in mm of the image


@dataclass(frozen=True)
class ScanReading:
    """All that a scan gave."""

    taken: tuple[Taken, ...]
    left_out: Mapping[str, str]  #: feature's name -> why it was not read
    plane: Plane
    pose: Pose
    rules: tuple[Marks, ...]
    blur_mm: float


def read_scan(scan: Scan, piece: Piece) -> ScanReading:
    """Every feature of `piece` that the scan shows.

    Raises Refused, with the reason and what to do, for a scan that shows too few edges, another
    piece, no rule in one direction, graduations that disagree with the stated resolution, and
    the like.
    """
    if scan.dpi < LEAST_DPI:
        raise Refused(
            f"{scan.dpi:g} dpi is too coarse: an edge cannot be placed well enough",
            remedy="Scan at 300 dpi or, better, 600",
        )
    if piece.even:
        raise Refused(
            f"a {piece.name} has the same outline from both sides: a scan cannot tell which it"
            " shows",
            remedy="'gauge' takes the caliper's readings of it",
        )
    found = look(scan)
    rules = _rules(scan, found)
    if not found.things:
        raise Refused(
            "no piece is seen on the glass",
            remedy="Lay it on a backing that it stands out from: a dark sheet behind light"
            " plastic, the white lid behind dark",
        )
    plane = fit_plane(rules)
    pose = find_pose(found.things[0], piece, piece.name)
    if len(found.things) > 1 and found.things[1].area > 0.3 * found.things[0].area:
        raise Refused("more than one piece lies on the glass", remedy="Scan one at a time")
    jaws = {f.name: pair for f in piece.features if (pair := jaws_of(piece, f)) is not None}
    if not jaws:
        raise Refused(
            f"nothing of a {piece.name} can be read from above",
            remedy="'gauge' takes the caliper's readings of it",
        )
    wanted = {edge: None for pair in jaws.values() for jaw in pair for edge in _edges(jaw)}
    pose = _settled(scan, pose, list(wanted))
    lines, blur = _lines(scan, pose, list(wanted))
    if blur > _MOST_BLUR:
        raise Refused(
            f"the edges are blurred over {4 * blur:.2f} mm",
            remedy="Clean the glass, press the piece flat under the lid, and switch sharpening"
            " and other improvements off",
        )
    pose, off = _fitted(pose, lines)
    if off > _MOST_OFF:
        raise Refused(
            f"edges stand up to {off:.1f} mm off where this {piece.name} has them",
            remedy=f"Is it the {piece.name} that was laid last, in the sizes that 'piece"
            f" {piece.name}' shows, whole and flat?",
        )
    taken, left_out = _measured(scan, plane, pose, piece, jaws, lines)
    return ScanReading(tuple(taken), left_out, plane, pose, rules, blur)


def _rules(scan: Scan, found: Found) -> tuple[Marks, ...]:
    rules = tuple(marks for bar in found.bars if (marks := read_rule(scan, bar)) is not None)
    if found.bars and not rules:
        raise Refused(
            "what lies beside the piece shows no graduations",
            remedy="Lay steel rules with their millimetre sides on the glass, towards the piece",
        )
    return rules


def _measured(
    scan: Scan,
    plane: Plane,
    pose: Pose,
    piece: Piece,
    jaws: Mapping[str, tuple[Jaw, Jaw]],
    lines: Mapping[Edge, Line],
) -> tuple[list[Taken], dict[str, str]]:
    """What was read, and of every other feature why it was not.  Raises Refused for too few."""
    taken: list[Taken] = []
    left_out: dict[str, str] = {}
    for feature in piece.features:
        pair = jaws.get(feature.name)
        if pair is None:
            left_out[feature.name] = "a scan does not show it"
            continue
        one = _measure(scan, plane, pose, feature, pair, lines)
        if isinstance(one, str):
            left_out[feature.name] = one
        else:
            taken.append(one)
    if len(taken) < _LEAST_SHARE * len(jaws):
        reasons = sorted(set(left_out.values()))
        raise Refused(
            f"only {len(taken)} of {len(jaws)} features can be read: {'; '.join(reasons)}",
            remedy="Clean glass and piece, keep lamps and sun off it, and scan again",
        )
    return taken, left_out


def _edges(jaw: Jaw) -> tuple[Edge, ...]:
    return jaw.sides if isinstance(jaw, Corner) else (jaw,)


def _base(scan: Scan, pose: Pose, edge: Edge) -> tuple[Array, Array]:
    """Places along an edge as expected, a pixel apart, and its normal; mm of the image."""
    ends = np.array(edge.at) + np.array(edge.span)[:, None] * edge.tangent
    a, b = pose.place(ends)
    count = max(4, round(float(np.linalg.norm(b - a)) / max(scan.pixel, _APART)))
    return a + np.linspace(0, 1, count)[:, None] * (b - a), pose.normal(np.array(edge.outward))


def _settled(scan: Scan, pose: Pose, wanted: Sequence[Edge]) -> Pose:
    """The pose after its edges were looked for, first from afar and then from near."""
    for reach in (2.2, 1.2):
        middles, places, normals = [], [], []
        for edge in wanted:
            base, normal = _base(scan, pose, edge)
            cut = cut_across(scan, base[:: max(1, len(base) // 40)], normal, min(reach, 1.4), reach)
            at = rough_place(cut)
            if at is None:
                continue
            middles.append(np.array(edge.at) + edge.middle * edge.tangent)
            places.append(base[len(base) // 2] + at * normal)
            normals.append(np.array(edge.outward))
        if len(places) < 8:
            raise _too_few_edges()
        pose, _ = _adjusted(pose, np.array(middles), np.array(places), np.array(normals))
    return pose


def _too_few_edges() -> Refused:
    return Refused(
        "too few edges of the piece can be seen",
        remedy="Lay it on a backing that it stands out from, and scan again",
    )


def _adjusted(pose: Pose, nominal: Array, places: Array, outward: Array) -> tuple[Pose, Array]:
    """Pose moved so that edges lie where they were found, and what is left at each, mm.

    The plastic stands out of its drawing by one amount everywhere, which is found with it.
    """
    weight = np.ones(len(places))
    rest = np.zeros(len(places))
    for _ in range(8):
        normal = np.array([pose.normal(out) for out in outward])
        off = ((places - pose.place(nominal)) * normal).sum(axis=1)
        rows = np.concatenate(
            (normal[:, [0]] * nominal, normal[:, [1]] * nominal, normal, np.ones((len(off), 1))),
            axis=1,
        )
        w = np.sqrt(weight)[:, None]
        step = np.linalg.lstsq(rows * w, off * w[:, 0], rcond=1e-10)[0]
        pose = Pose(pose.A + step[:4].reshape(2, 2), pose.b + step[4:6])
        rest = off - rows @ step
        weight = 1 / np.maximum(np.abs(rest) / 0.1, 1.0)  # Huber
    return pose, rest


def _lines(scan: Scan, pose: Pose, wanted: Sequence[Edge]) -> tuple[dict[Edge, Line], float]:
    """Every edge as a line, and the blur; edges that are no lines are missing.

    The blur is the scanner's and the shadow that of the lamp, the same at all edges that look the
    same way: what all say together holds each.
    """
    cuts = {}
    for edge in wanted:
        base, normal = _base(scan, pose, edge)
        cuts[edge] = cut_across(scan, base, normal, edges.INSIDE, edges.OUTSIDE)
    first = {edge: line for edge, cut in cuts.items() if (line := find_line(cut)) is not None}
    if len(first) < 8:
        raise _too_few_edges()
    held = _held(cuts, first)
    second = {
        edge: line
        for edge, cut in cuts.items()
        if (line := find_line(cut, held[_looks(cut.normal)])) is not None
    }
    blur = float(np.median([h.value[0] for h in held.values()]))
    return second, blur


def _looks(normal: Array) -> tuple[int, int]:
    """Which way of the image an edge looks: (axis, sign)."""
    axis = int(np.argmax(np.abs(normal)))
    return axis, int(math.copysign(1, float(normal[axis])))


def _held(
    cuts: Mapping[Edge, edges.Cut], first: Mapping[Edge, Line]
) -> dict[tuple[int, int], Held]:
    """Blur and shadow for each way that edges look."""
    ways = {edge: _looks(cuts[edge].normal) for edge in cuts}
    terms = {edge: line.fit.terms for edge, line in first.items()}
    blurs = {}
    for axis in (0, 1):
        # the blur is told by the edges with least shadow
        sides = [[terms[e] for e in terms if ways[e] == (axis, sign)] for sign in (-1, 1)]
        sides = [side for side in sides if side]
        if not sides:
            continue
        clear = min(sides, key=lambda side: float(np.median([t[edges.SHADE] for t in side])))
        blurs[axis] = float(np.median([t[edges.C] for t in clear]))
    held = {}
    for way in set(ways.values()):
        own = [terms[e] for e in terms if ways[e] == way] or list(terms.values())
        blur = blurs.get(way[0], float(np.median([t[edges.C] for t in own])))
        shadow = np.median([t[[edges.SHADE, edges.FADE]] for t in own], axis=0)
        held[way] = Held(np.array([blur, *shadow]), np.array([0.05 * blur, 0.03, 0.05]))
    return held


def _fitted(pose: Pose, lines: Mapping[Edge, Line]) -> tuple[Pose, float]:
    """The pose by the lines, and the most that one of them stands off it."""
    nominal = np.array([np.array(e.at) + e.middle * e.tangent for e in lines])
    places = np.array([line.places.mean(axis=0) for line in lines.values()])
    outward = np.array([e.outward for e in lines])
    pose, rest = _adjusted(pose, nominal, places, outward)
    return pose, float(np.abs(rest).max())


def _measure(
    scan: Scan,
    plane: Plane,
    pose: Pose,
    feature: Feature,
    pair: tuple[Jaw, Jaw],
    lines: Mapping[Edge, Line],
) -> Taken | str:
    """One feature in millimetres of the rules, or why not."""
    for jaw in pair:
        for edge in _edges(jaw):
            line = lines.get(edge)
            if line is None:
                return "an edge of it is not seen"
            if line.kept < _LEAST_KEPT:
                return "an edge of it is broken up by a reflection or by dirt"
            if not _within(plane, line.places):
                return "a rule does not reach as far"
    if isinstance(pair[0], Corner) and isinstance(pair[1], Corner):
        found = (_touch(scan, pose, pair[0], lines), _touch(scan, pose, pair[1], lines))
        if found[0] is None or found[1] is None:
            return "a corner of it is not seen"
        ends = [found[0][0], found[1][0]]
        own = [found[0][1], found[1][1]]
        groups = [ends[0][None, :], ends[1][None, :]]
        mapped = [plane.map(group)[0] for group in groups]
        direction = mapped[1] - mapped[0]
        direction = direction / np.linalg.norm(direction)
        shown = (found[0][2], found[1][2])
        extra = _CORNER_U
    else:
        jaws: list[Edge] = [jaw for jaw in pair if isinstance(jaw, Edge)]
        both = [lines[edge] for edge in jaws]
        groups = [line.places for line in both]
        own = [line.u for line in both]
        direction = _normal(plane, pose, feature)
        ends = [group.mean(axis=0) for group in groups]
        shown = (groups[0], groups[1])
        extra = EDGE_U
    at = [plane.map(group).mean(axis=0) for group in groups]
    basis = [plane.basis(group).mean(axis=0) for group in groups]
    mm = abs(float((at[1] - at[0]) @ direction))
    follows = direction @ (basis[1] - basis[0])
    of_map = math.sqrt(max(float(follows @ plane.covariance @ follows), 0.0))
    u = math.sqrt(of_map**2 + own[0] ** 2 + own[1] ** 2 + 2 * extra**2 + RULE_U**2)
    return Taken(feature, mm, u, (ends[0], ends[1]), shown)


def _within(plane: Plane, places: Array) -> bool:
    first, last = zip(plane.u_range, plane.v_range, strict=True)
    low, high = places.min(axis=0) + _BEYOND, places.max(axis=0) - _BEYOND
    return bool((low >= first).all() and (high <= last).all())


def _normal(plane: Plane, pose: Pose, feature: Feature) -> Array:
    """Unit vector on the glass square to the edges between which a feature is read."""
    assert feature.jaws is not None  # else a scan does not show it
    centre = np.mean([jaw[:2] for jaw in feature.jaws], axis=0)
    middle = pose.place(centre[None, :])
    # how the map turns a short step along the edges there
    along = np.array([-feature.along[1], feature.along[0]])
    step = 20.0 * pose.A @ along / np.linalg.norm(along)
    ends = plane.map(np.concatenate((middle - step, middle + step)))
    run = ends[1] - ends[0]
    normal: Array = np.array([run[1], -run[0]]) / np.linalg.norm(run)
    return normal


def _touch(
    scan: Scan, pose: Pose, corner: Corner, lines: Mapping[Edge, Line]
) -> tuple[Array, float, Array] | None:
    """Outermost place of a corner along its diagonal, its uncertainty, and places on its end."""
    sides = [lines[edge] for edge in corner.sides]
    normals = [pose.normal(np.array(edge.outward)) for edge in corner.sides]
    rows = np.array(normals)
    reach = np.array(
        [float((line.places @ n).mean()) for line, n in zip(sides, normals, strict=True)]
    )
    # the lines' own slopes carry them to the corner
    for k, (line, normal) in enumerate(zip(sides, normals, strict=True)):
        tangent = np.array([-normal[1], normal[0]])
        if len(line.places) >= 4:
            slope, start = np.polyfit(line.places @ tangent, line.places @ normal, 1)
            rows[k] = normal - slope * tangent
            reach[k] = start
    meet = np.linalg.solve(rows, reach)
    towards = pose.A @ np.array(corner.towards)
    towards = towards / np.linalg.norm(towards)
    radius = 0.25
    centre = meet - radius * (normals[0] + normals[1])
    aside = np.array([-towards[1], towards[0]])
    angle = np.radians(np.arange(-36, 36.1, 2.0))
    rays = np.cos(angle)[:, None] * towards + np.sin(angle)[:, None] * aside
    d = np.arange(-0.2, 1.0, scan.pixel / 3)
    places = centre + d[None, :, None] * rays[:, None, :]
    level = scan.at(places[..., 0], places[..., 1])
    if not np.isfinite(level).all():
        return None
    # the shadow at a corner is that of its darker side
    terms = max((line.fit.terms for line in sides), key=lambda t: float(t[edges.SHADE])).copy()
    held = Held(terms[[edges.C, edges.SHADE, edges.FADE]], np.array([0.004, 0.02, 0.05]))
    mean = edges.fit_profile(d, np.median(level, axis=0), held)
    if mean is None:
        return None
    cut = edges.Cut(centre + np.zeros_like(rays), towards, d, level)
    found = mean.terms[edges.P] + edges.shifts(cut, mean)
    out = found * np.cos(angle)
    good = np.ones(len(out), dtype=bool)
    bend = np.zeros(3)
    for _ in range(3):
        bend = np.polyfit(angle[good], out[good], 2)
        rest = out - np.polyval(bend, angle)
        good = np.abs(rest) < max(3 * float(np.std(rest[good])), 0.01)
        if good.sum() < 12:
            return None
    top = float(bend[2] - bend[1] ** 2 / (4 * bend[0])) if bend[0] < -1e-3 else float(bend[2])
    # blur draws a rounded end in by c^2 / 2r
    top += float(mean.terms[edges.C]) ** 2 / (2 * max(top, 0.1))
    place = centre + top * towards
    return place, math.hypot(float(np.std(rest[good])) / 3, 0.005), centre + found[:, None] * rays
