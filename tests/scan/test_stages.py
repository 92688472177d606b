"""Each stage of reading a scan, on a small glass whose truth is known and on tiny arrays."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from PIL import Image, ImageDraw

from agent.errors import BadInput, Refused
from agent.model.feature import Feature
from agent.pieces import PIECES, block, rail, strip
from agent.pieces.solid import Piece
from agent.scan import glass, image, outline, plane, pose, reading
from agent.scan.edge import (
    Cut,
    Fit,
    Held,
    Line,
    _chunked,
    cut_across,
    find_line,
    fit_profile,
    profile,
    rough_place,
    shifts,
)
from agent.scan.image import Scan, load_scan
from agent.scan.picture import picture
from agent.scan.reading import ScanReading, read_scan
from agent.scan.rule import Marks, _Side, _usual, read_rule
from tests.listing import inline, number
from tests.pieces.machines import machine
from tests.pinned import Pinned
from tests.scan.glass import Laid, scan_of, small_strip

Array = npt.NDArray[np.float64]

LIGHT = Laid(
    small_strip(),
    way=((1, 0), (0, 1)),
    behind=0.04,
    plastic=0.6,
    shadow=0.3,
    specks=60,
    sixteen=True,
)


@pytest.fixture(scope="module")
def dark() -> Scan:
    """A dark strip before the white lid."""
    return scan_of(Laid(small_strip()))


@pytest.fixture(scope="module")
def bright() -> Scan:
    """A bright strip, turned round, on a dark sheet, with shadows and dust, in 16 bit."""
    return scan_of(LIGHT)


@pytest.fixture(scope="module")
def both(dark: Scan, bright: Scan) -> dict[str, tuple[Scan, ScanReading]]:
    piece = small_strip()
    return {
        "dark": (dark, read_scan(dark, piece)),
        "bright": (bright, read_scan(bright, piece)),
    }


# -- the whole ---------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["dark", "bright"])
def test_lengths_are_those_of_the_picture(
    both: dict[str, tuple[Scan, ScanReading]], kind: str
) -> None:
    """The picture has them exactly: scale, skew, bow and wobble of the scanner are taken out."""
    _, read = both[kind]
    assert [one.feature for one in read.taken] == list(small_strip().features)
    for one in read.taken:
        # corners of plastic are round, and these are sharp
        near = 0.12 if one.feature.between == "points" else 0.02
        assert one.mm == pytest.approx(math.hypot(*one.feature.along), abs=near), one.feature.name


@pytest.mark.parametrize("kind", ["dark", "bright"])
def test_readings_and_what_is_beside_them(
    both: dict[str, tuple[Scan, ScanReading]], kind: str, pinned: Pinned
) -> None:
    _, read = both[kind]
    text = [f"blur {number(read.blur_mm)}, left out {dict(read.left_out)}"]
    for one in read.taken:
        text.append(f"{one.feature.name} {number(one.mm)} u {number(one.u_mm)}")
        text.append(f"  ends {inline(one.ends, 1)}")
        for line in one.lines:
            middle = line.mean(axis=0)
            # along the edge a place is one of two that are as near
            text.append(f"  {len(line)} places about {inline(middle, 1)}: {inline(line[0], 1)}")
    where = read.pose
    text.append(f"pose {inline(where.A, 4)} {inline(where.b, 3)}")
    text += _map(read.plane)
    pinned(f"scan/read-{kind}", "\n".join(text))


def _map(found: plane.Plane) -> list[str]:
    grid = np.array([(u, v) for u in (10.0, 55.0, 100.0) for v in (10.0, 70.0, 130.0)])
    deviations = np.sqrt(np.diag(found.covariance))
    return [
        f"middle {inline(found.middle, 2)}, first knot {number(found.first_knot, 2)}",
        f"ranges {inline(found.u_range, 2)} {inline(found.v_range, 2)}",
        f"scale {inline(found.scale, 5)}, askew {number(found.askew_deg, 3)}",
        f"residual {number(found.residual, 4)}",
        f"terms {len(found.terms)}: {inline(found.terms[:8], 3)}",
        f"  and {inline(found.terms[8::6], 3)}",
        f"known to {inline(deviations[:8], 3)}, rest {inline(deviations[8::6], 3)}",
        *(
            f"  {inline(at, 0)} -> {inline(to, 3)}"
            for at, to in zip(grid, found.map(grid), strict=True)
        ),
    ]


@pytest.mark.parametrize("kind", ["dark", "bright"])
def test_what_lies_on_the_glass(
    both: dict[str, tuple[Scan, ScanReading]], kind: str, pinned: Pinned
) -> None:
    scan, _ = both[kind]
    found = glass.look(scan)
    text = [
        f"bar {inline(bar.middle, 2)} {inline(bar.axis, 3)} {number(bar.length, 1)} by"
        f" {number(bar.width, 2)} across {bar.across} askew {number(bar.askew_deg, 2)}"
        for bar in found.bars
    ]
    for thing in found.things:
        points = thing.points()
        text.append(
            f"thing {thing.mask.shape} at {thing.corner}, side {number(thing.side, 4)},"
            f" area {number(thing.area, 1)}, cut off {thing.cut_off},"
            f" about {inline(points.mean(axis=0), 2)}, from {inline(points.min(axis=0), 2)}"
        )
    for bar in found.bars:
        marks = read_rule(scan, bar)
        assert marks is not None
        text.append(
            f"rule: across {marks.across}, {len(marks.number)} marks, {len(marks.edge)} of edge,"
            f" step {number(marks.step, 4)} of {marks.unit:g} mm, reach {inline(marks.reach, 2)},"
            f" outward {inline(marks.outward, 3)}"
        )
        for k in range(0, len(marks.number), 12):
            text.append(
                f"  {inline(marks.number[k], 0)}: {inline(marks.near[k], 3)},"
                f" {inline(marks.far[k], 3)}"
            )
        text.append(f"  edge {inline(marks.edge[::20], 3)}")
        for sign in (1.0, -1.0):
            side = _Side.of(scan, bar, sign)
            if side is None:
                text.append(f"  side {sign:g}: none")
                continue
            text.append(
                f"  side {sign:g}: strong {number(side.strength, 3)}, deep {number(side.deep, 1)},"
                f" zero {inline(side.zero, 2)}, inward {inline(side.inward, 3)},"
                f" first {number(side._first(), 3)}, tens {side._tens():g}, {side.strip.shape}"
            )
    pinned(f"scan/glass-{kind}", "\n".join(text))


def test_the_picture_of_a_scan_is_drawn_where_it_was_read(
    both: dict[str, tuple[Scan, ScanReading]], pinned: Pinned, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lines, jaws and numbers, as they are asked of the drawing library."""
    drawn: list[str] = []

    class Recorder:
        def __init__(self, page: Any) -> None:
            drawn.append(f"page {page.size} {page.mode}")

        def line(self, places: Any, fill: str, width: int) -> None:
            drawn.append(f"line {inline(list(places), 1)} {fill} {width}")

        def polygon(self, places: Any, fill: str) -> None:
            drawn.append(f"wedge {inline(list(places), 1)} {fill}")

        def ellipse(self, places: Any, fill: str) -> None:
            drawn.append(f"badge {inline(list(places), 1)} {fill}")

        def text(self, at: Any, words: str, fill: str, anchor: str, font_size: int) -> None:
            drawn.append(f"words {inline(list(at), 1)} {words} {fill} {anchor} {font_size}")

    monkeypatch.setattr(ImageDraw, "Draw", Recorder)
    scan, read = both["bright"]
    named = {one.feature.name: "an edge of it is not seen" for one in read.taken[-1:]}
    picture(scan, replace(read, taken=read.taken[:-1], left_out=named), small_strip())
    pinned("scan/picture", "\n".join(drawn))


def test_a_picture_shows_the_scan_as_the_drawing_lies(
    both: dict[str, tuple[Scan, ScanReading]], tmp_path: Path
) -> None:
    """Right is +s, up is -x, a pixel is 0.2 mm: the plate's middle is plastic, its rim is not."""
    scan, read = both["dark"]
    path = tmp_path / "read.png"
    path.write_bytes(picture(scan, read, small_strip()))
    page = Image.open(path).convert("L")
    (x0, x1), (s0, s1), _ = small_strip().bounds
    assert page.size == (math.ceil((s1 - s0 + 52) / 0.2), math.ceil((x1 - x0 + 52) / 0.2))
    plate = next(p for p in small_strip().prisms if p.name == "plate")

    def shown(x: float, s: float) -> Any:
        return page.getpixel((round((s - s0 + 26) / 0.2), round((x - x0 + 26) / 0.2)))

    low, high = plate.outline[0][0], plate.outline[1][0]
    assert shown(plate.x[0] + 3, low + 3) < 110
    assert shown(plate.x[0] + 3, low - 2) > 200
    assert shown(plate.x[0] - 2, low + 5) > 200
    assert shown(plate.x[1] - 3, high + 5) > 200


# -- what is refused ---------------------------------------------------------------------------


def _said(scan: Scan, piece: Piece) -> str:
    try:
        read = read_scan(scan, piece)
    except Refused as refusal:
        return str(refusal)
    out = "; ".join(f"{name}: {why}" for name, why in read.left_out.items())
    return f"{len(read.taken)} read; {out}"


def _painted(scan: Scan, *spots: tuple[float, float, float, float, int]) -> Scan:
    """With rectangles (u0, u1, v0, v1, value) over it, mm."""
    values = scan.values.copy()
    for u0, u1, v0, v1, value in spots:
        rows = slice(round(v0 / scan.pixel), round(v1 / scan.pixel))
        values[rows, round(u0 / scan.pixel) : round(u1 / scan.pixel)] = value
    return replace(scan, values=values)


@pytest.mark.parametrize(
    ("rim", "axis", "out"), [(1.7, 1, set()), (1.0, 0, {"s1", "s2", "s3", "s4"})]
)
def test_an_edge_too_near_the_rim_of_the_scan_is_not_seen(
    rim: float, axis: int, out: set[str], both: dict[str, tuple[Scan, ScanReading]]
) -> None:
    """What lies 1.5 mm beyond it tells its place; where the image ends before, all else counts."""
    scan, usual = both["dark"]
    first = glass.look(scan).things[0].points().min(axis=0)[1 - axis]
    kept = slice(round((first - rim) / scan.pixel), None)
    values = scan.values[kept] if axis == 0 else scan.values[:, kept]
    read = read_scan(replace(scan, values=np.ascontiguousarray(values)), small_strip())
    assert read.left_out == {f"strip {name}": "an edge of it is not seen" for name in out}
    same = {one.feature: one.mm for one in usual.taken}
    assert len(read.taken) == len(same) - len(out)
    for one in read.taken:
        assert one.mm == pytest.approx(same[one.feature], abs=0.02)


def test_what_is_just_allowed_is_read(
    both: dict[str, tuple[Scan, ScanReading]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A blur, an edge's place and a share of readable features that are the limit itself."""
    scan, usual = both["dark"]
    fitted = reading._fitted
    monkeypatch.setattr(reading, "_MOST_BLUR", usual.blur_mm)
    monkeypatch.setattr(reading, "_LEAST_SHARE", 1.0)
    monkeypatch.setattr(reading, "_fitted", lambda *how: (fitted(*how)[0], reading._MOST_OFF))
    read = read_scan(scan, small_strip())
    assert [one.mm for one in read.taken] == [one.mm for one in usual.taken]


def test_why_scans_are_refused(dark: Scan, pinned: Pinned) -> None:
    piece = small_strip()
    behind = 238
    rule_along, rule_across = (103.0, 119.0, 0.0, 140.0, behind), (2.0, 101.0, 130.0, 147.0, behind)
    mine = Laid(piece)
    cases = {
        "coarse": (replace(dark, dpi=199.0), piece),
        "a rail": (dark, rail(machine(), pitch=20.0, count=4)),
        "a block": (dark, block(machine())),
        "nothing": (replace(dark, values=np.full_like(dark.values, behind)), piece),
        "no piece": (_painted(dark, (0.0, 102.0, 0.0, 130.0, behind)), piece),
        "no rule": (_painted(dark, rule_along, rule_across), piece),
        "no rule along": (_painted(dark, rule_along), piece),
        "no rule across": (_painted(dark, rule_across), piece),
        "wrong dpi": (replace(dark, dpi=240.0), piece),
        "off by little": (replace(dark, dpi=202.5), piece),
        "no marks": (scan_of(replace(mine, marks=False)), piece),
        "inches": (scan_of(replace(mine, step=25.4 / 16, tens=16)), piece),
        "no long marks": (scan_of(replace(mine, tens=0)), piece),
    }
    text = [f"{name}: {_said(scan, what)}" for name, (scan, what) in cases.items()]
    pinned("scan/refused", "\n".join(text))


def test_what_is_left_out_of_a_scan(dark: Scan, pinned: Pinned) -> None:
    """Rules that end early, blur, another piece; rules of half millimetres serve."""
    piece = small_strip()
    mine = Laid(piece)
    cases = {
        "half millimetres": scan_of(replace(mine, step=0.5, tens=20)),
        "blurred": scan_of(replace(mine, blur=0.21)),
        "short rule": scan_of(replace(mine, along=(15.0, 117.0))),
        "two pieces": _painted(dark, (10.0, 50.0, 15.0, 60.0, 95)),
    }
    text = [f"{name}: {_said(scan, piece)}" for name, scan in cases.items()]
    pinned("scan/left-out", "\n".join(text))


def test_how_a_piece_lies_or_why_it_is_refused(pinned: Pinned) -> None:
    """Each way round, seen from either side, askew, too large, over the rim, another one."""
    other = strip(machine(), lengths=(15.0, 45.0, 60.0, 80.0), wide=90.0, plate=(60.0, 25.0))
    usual = Laid(small_strip(), size=(120.0, 130.0), middle=(60.0, 65.0), rules=(), noise=0.0)
    wide = replace(usual, size=(130.0, 120.0), middle=(65.0, 60.0))
    cases = {
        "as it lay": usual,
        "half a turn": replace(usual, way=((1, 0), (0, 1))),
        "a quarter": replace(wide, way=((0, 1), (-1, 0))),
        "three quarters": replace(wide, way=((0, -1), (1, 0))),
        "marked side": replace(usual, way=((1, 0), (0, -1))),
        "askew": replace(usual, askew=6.3),
        "just askew": replace(usual, askew=-5.4, size=(120.0, 140.0), middle=(60.0, 70.0)),
        "larger": replace(usual, grown=1.2, size=(126.0, 150.0), middle=(63.0, 75.0)),
        "smaller": replace(usual, grown=0.9),
        "over the rim": replace(usual, middle=(44.0, 65.0)),
        "another": replace(
            usual,
            piece=other,
        ),
    }
    text = []
    for name, how in cases.items():
        thing = glass.look(scan_of(how)).things[0]
        try:
            found = pose.find_pose(thing, small_strip(), "strip")
            text.append(f"{name}: {inline(found.A, 3)} {inline(found.b, 1)}")
        except Refused as refusal:
            text.append(f"{name}: {refusal}")
    pinned("scan/poses", "\n".join(text))


_ASKEW = "the piece lies 6 degrees askew"
_OTHER = "what lies on the glass is not this strip: its outline agrees to 8"
_MARKED = "the strip is seen from its marked side, or the image is mirrored"


@pytest.mark.parametrize(
    ("askew", "likes", "why"),
    [
        # how much each of the four ways seen from below agrees, then of the four from above
        (0.0, (0.86, *(0.5,) * 7), ""),
        (0.0, (0.85, *(0.5,) * 7), _OTHER + "5 % at best"),
        (0.0, (0.5, 0.5, 0.5, 0.9, *(0.5,) * 4), ""),
        (0.0, (0.9, *(0.5,) * 6, 0.875), ""),
        (0.0, (0.9, *(0.5,) * 6, 0.885), _MARKED),
        (0.0, (0.9, 0.885, *(0.5,) * 6), _MARKED),
        (0.0, (0.5, 0.5, 0.5, 0.5, 0.9, 0.5, 0.5, 0.5), _MARKED),
        (0.0, (0.87, *(0.5,) * 6, 0.9), _MARKED),
        (5.99, (0.9, *(0.5,) * 7), ""),
        (-6.01, (0.9, *(0.5,) * 7), _ASKEW),
    ],
)
def test_a_piece_lies_the_way_that_agrees_clearly_best(
    askew: float, likes: tuple[float, ...], why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By 86 % at least and 2 % better than any other, seen from below, within 6 degrees."""
    told = iter(likes)
    ways: list[Array] = []

    def as_if(boxes: Any, upright: Any, low: Any, high: Any, way: Array, side: float) -> Any:
        ways.append(way)
        return next(told), way, np.zeros(2)

    monkeypatch.setattr(pose, "_as_if", as_if)
    monkeypatch.setattr(pose, "_askew", lambda points, side: (0.0, math.radians(askew)))
    thing = glass.Thing(np.ones((40, 30), dtype=bool), (10, 10), 1.0, False)
    if why:
        with pytest.raises(Refused, match=why):
            pose.find_pose(thing, small_strip(), "strip")
    else:
        found = pose.find_pose(thing, small_strip(), "strip")
        turn = np.array(
            [[1.0, 0.0], [-math.sin(math.radians(askew)), math.cos(math.radians(askew))]]
        )
        assert turn @ found.A == pytest.approx(ways[int(np.argmax(likes))], abs=1e-9)


@pytest.mark.parametrize(("grown", "agrees"), [(1.125, True), (0.875, True), (1.14, False)])
def test_a_piece_may_be_an_eighth_off_its_drawing(grown: float, agrees: bool) -> None:
    """13 % at most in either direction; a plate of 40 by 30 mm agrees with itself wholly."""
    boxes = np.array([[0.0, 40.0, 0.0, 30.0]])
    u, v = np.meshgrid(np.arange(0.25, 40 * grown, 0.5), np.arange(0.25, 30 * grown, 0.5))
    points = np.stack((u.ravel(), v.ravel()), axis=1) + np.array([7.0, 9.0])
    low, high = np.array([7.0, 9.0]), np.array([7.0 + 40 * grown, 9.0 + 30 * grown])
    like, A, b = pose._as_if(boxes, points, low, high, np.eye(2), 0.5)
    assert pytest.approx(grown * np.eye(2)) == A
    assert b == pytest.approx([7.0, 9.0])
    assert like == pytest.approx(1.0, abs=0.03) if agrees else like == 0.0
    # half of it is not there
    half, _, _ = pose._as_if(boxes, points[points[:, 0] < 27.0], low, high, np.eye(2), 0.5)
    assert half == (pytest.approx(20 / 40 / grown, abs=0.03) if agrees else 0.0)


def test_a_rule_askew_is_refused() -> None:
    scan = scan_of(Laid(small_strip(), rules=("across",), rule_askew=6.8))
    (bar,) = glass.look(scan).bars
    assert bar.askew_deg == pytest.approx(6.8, abs=0.2)
    with pytest.raises(Refused, match=r"a rule lies 6\.\d degrees off the rim of the glass"):
        read_rule(scan, bar)


def test_a_piece_that_is_the_same_from_both_sides_cannot_be_scanned(dark: Scan) -> None:
    """A rail's outline tells +x from -x by nothing."""
    assert [name for name, build in PIECES.items() if build(machine()).even] == ["rail", "stem"]
    with pytest.raises(Refused, match="same outline from both sides"):
        read_scan(dark, rail(machine()))


@pytest.mark.parametrize("dpi", [200.0, 254.0])
def test_a_true_outline_agrees_whatever_the_pixels(dpi: float) -> None:
    """Fields of the comparison hold whole pixels at any resolution that is read."""
    how = Laid(small_strip(), dpi=dpi, size=(102.0, 130.0), rules=(), askew=0.9)
    (thing,) = glass.look(scan_of(how)).things
    found = pose.find_pose(thing, how.piece, "strip")
    assert pytest.approx(np.array([[-1.0, 0.0], [0.0, -1.0]]), abs=0.03) == found.A


# -- edges -------------------------------------------------------------------------------------

D = np.arange(-0.9, 1.5, 0.06)
EDGES = {
    "rising": np.array([0.07, 0.09, 0.1, 0.8, 0.0, 0.3]),
    "falling": np.array([-0.11, 0.06, 0.7, 0.1, 0.0, 0.3]),
    "shadowed": np.array([0.02, 0.08, 0.15, 0.75, 0.4, 0.25]),
}


@pytest.mark.parametrize("kind", EDGES)
def test_a_profile_is_fitted_with_its_own_terms(kind: str) -> None:
    """Without noise the terms that made it come back, place to a micrometre."""
    terms = EDGES[kind]
    found = fit_profile(D, profile(D, terms))
    assert found is not None
    assert found.terms[0] == pytest.approx(terms[0], abs=0.004)
    assert found.terms[2:4] == pytest.approx(terms[2:4], abs=0.02)
    assert found.misfit < 0.004
    told = Held(terms[[1, 4, 5]], np.array([0.003, 0.01, 0.02]))
    held = fit_profile(D, profile(D, terms), told)
    assert held is not None
    assert held.terms == pytest.approx(terms, abs=2e-4)


def _fitted(found: Fit | None) -> str:
    if found is None:
        return "none"
    return f"{inline(found.terms, 3)} u {number(found.u, 4)} misfit {number(found.misfit, 4)}"


def test_profiles_and_fits(pinned: Pinned) -> None:
    chance = np.random.default_rng(7)
    text = []
    for kind, terms in EDGES.items():
        level = profile(D, terms)
        noisy = level + 0.01 * chance.standard_normal(len(D))
        struck = np.where(np.abs(D - 0.6) < 0.1, 0.4, level)
        gaps = np.where(np.abs(D) < 0.2, np.nan, level)
        text.append(f"{kind}: {inline(level[::3], 4)}")
        for name, values in {"noisy": noisy, "struck": struck, "gaps": gaps}.items():
            text.append(f"  {name}: {_fitted(fit_profile(D, values))}")
        held = Held(terms[[1, 4, 5]] + 0.02, np.array([0.004, 0.02, 0.05]))
        text.append(f"  held: {_fitted(fit_profile(D, noisy, held))}")
    step = profile(D, EDGES["rising"])
    text.append(f"flat: {_fitted(fit_profile(D, np.full(len(D), 0.4)))}")
    text.append(f"weak: {_fitted(fit_profile(D, 0.4 + (step - 0.1) * 0.11))}")
    text.append(f"just: {_fitted(fit_profile(D, 0.4 + (step - 0.1) * 0.12))}")
    text.append(
        f"few: {_fitted(fit_profile(D[12:24], np.where(np.arange(12) == 3, np.nan, step[12:24])))}"
    )
    text.append(f"twelve: {_fitted(fit_profile(D[12:24], step[12:24]))}")
    pinned("scan/profiles", "\n".join(text))


def _cut(terms: Array, slant: float, count: int = 60, noise: float = 0.0) -> Cut:
    """Profiles across an edge that runs askew by `slant` along 12 mm."""
    run = np.linspace(0.0, 12.0, count)
    base = np.stack([run, np.full(count, 5.0)], axis=1)
    level = np.array([profile(D - slant * (t - 6.0), terms) for t in run])
    level = level + noise * np.random.default_rng(3).standard_normal(level.shape)
    return Cut(base, np.array([0.0, 1.0]), D, level)


@pytest.mark.parametrize("kind", EDGES)
def test_a_line_is_found_where_its_profiles_put_it(kind: str) -> None:
    """By its middle and its slant; each place has the profile's place and its own part of it."""
    terms = EDGES[kind]
    found = find_line(_cut(terms, 0.02))
    assert found is not None
    assert found.kept == 1.0
    slope, middle = np.polyfit(found.places[:, 0] - 6.0, found.places[:, 1] - 5.0, 1)
    assert slope == pytest.approx(0.02, abs=5e-4)
    assert middle == pytest.approx(terms[0], abs=0.006)


def test_lines_and_what_is_none(pinned: Pinned) -> None:
    text = []
    for kind, terms in EDGES.items():
        for slant, noise in ((0.0, 0.0), (0.03, 0.01), (-0.05, 0.03)):
            found = find_line(_cut(terms, slant, noise=noise))
            assert found is not None
            text.append(
                f"{kind} {slant} {noise}: {len(found.places)} at {inline(found.places[::5], 3)},"
                f" u {number(found.u, 4)}, stray {number(found.stray, 4)},"
                f" kept {number(found.kept, 2)}, {_fitted(found.fit)}"
            )
    terms = EDGES["rising"]
    cut = _cut(terms, 0.01, noise=0.004)
    dirt = cut.level.copy()
    dirt[20:26] = np.roll(dirt[20:26], 5, axis=1)
    soiled = find_line(replace(cut, level=dirt))
    assert soiled is not None
    text.append(
        f"dirt: kept {number(soiled.kept, 2)}, stray {number(soiled.stray, 4)},"
        f" {inline(soiled.places[::4], 3)}"
    )
    held = find_line(cut, Held(np.array([0.09, 0.0, 0.3]), np.array([0.004, 0.02, 0.05])))
    assert held is not None
    text.append(f"held: {_fitted(held.fit)}")
    short = find_line(replace(cut, base=cut.base[:12], level=cut.level[:12]))
    text.append(f"short: {inline(short.places, 3) if short else 'none'}")
    shorter = find_line(replace(cut, base=cut.base[:5], level=cut.level[:5]))
    text.append(f"shorter: {inline(shorter.places, 3) if shorter else 'none'}")
    text.append(f"no base: {find_line(replace(cut, base=cut.base[:0]))}")
    text.append(f"nothing: {find_line(replace(cut, level=np.full_like(cut.level, 0.5)))}")
    text.append(f"rough: {[number(rough_place(_cut(t, 0.0)) or 9.0, 3) for t in EDGES.values()]}")
    weak = np.array([0.0, 0.05, 0.5, 0.57, 0.0, 0.3])
    text.append(f"rough of little: {rough_place(_cut(weak, 0.0))}")
    text.append(f"inside: {inline(cut.from_inside(-0.3).d, 2)} {cut.from_inside(-0.3).level.shape}")
    fit = fit_profile(D, profile(D, terms))
    assert fit is not None
    text.append(f"shifts: {inline(shifts(_cut(terms, 0.06), fit)[::6], 4)}")
    run, off = np.linspace(0, 3, 16), np.arange(16) % 5 * 0.01
    for edges in ([0.0, 1.0, 2.0, 3.01], [0.0, 0.35, 2.0, 2.9, 3.01], [0.0, 3.01]):
        text.append(f"chunks: {inline(_chunked(run, off, np.array(edges)), 4)}")
    pinned("scan/lines", "\n".join(text))


@pytest.mark.parametrize("kind", EDGES)
@pytest.mark.parametrize("place", [-0.5, 0.3, 0.9])
def test_plastic_begins_where_it_first_stands_out_of_what_is_behind(
    kind: str, place: float
) -> None:
    """What is behind is the outer fifth of the cut, however much of the rest is plastic."""
    terms = EDGES[kind].copy()
    terms[0] = place
    found = rough_place(_cut(terms, 0.0))
    assert found == pytest.approx(place, abs=0.1)
    assert rough_place(_cut(terms, 0.0).from_inside(place + 0.4)) is None, "no plastic in it"


def test_shifts_are_how_far_each_profile_was_moved() -> None:
    terms = EDGES["rising"]
    fit = fit_profile(D, profile(D, terms))
    assert fit is not None
    cut = _cut(terms, 0.02, count=13)
    assert shifts(cut, fit) == pytest.approx(0.02 * np.linspace(-6, 6, 13), abs=3e-3)


# -- the image ---------------------------------------------------------------------------------


def _ramp() -> Scan:
    """Six rows of eight pixels of 1 mm whose linear light grows by the columns and the rows."""
    values = np.arange(48, dtype=np.uint8).reshape(6, 8) * 5
    return Scan(values, 25.4)


def test_light_between_pixels_is_by_straight_lines() -> None:
    """In the middle of a pixel its own; half way the mean of two; in a corner that of four."""
    scan = _ramp()
    light = image.linear(scan.values / 255)
    u, v = np.array([2.5, 3.0, 3.0, 2.75]), np.array([1.5, 1.5, 2.0, 1.5])
    wanted = [
        light[1, 2],
        (light[1, 2] + light[1, 3]) / 2,
        light[1:3, 2:4].mean(),
        0.75 * light[1, 2] + 0.25 * light[1, 3],
    ]
    assert scan.at(u, v) == pytest.approx(wanted, rel=1e-5)


def test_light_outside_the_image_is_none() -> None:
    scan = _ramp()
    u = np.array([0.49, 0.51, 7.49, 7.51, 4.0, 4.0, 4.0, 4.0])
    v = np.array([3.0, 3.0, 3.0, 3.0, 0.49, 0.51, 5.49, 5.51])
    assert np.isnan(scan.at(u, v)).tolist() == [True, False, False, True] * 2


def test_the_coarse_image_is_the_mean_light_of_whole_blocks() -> None:
    """At 150 dpi a block of 0.34 mm is two pixels; at 25.4 dpi one; what is left over is cut."""
    values = np.random.default_rng(1).integers(0, 255, (7, 9), dtype=np.uint8)
    coarse, side = Scan(values, 150.0).coarse
    light = image.linear(values / 255)
    assert (coarse.shape, side) == ((3, 4), pytest.approx(2 * 25.4 / 150))
    assert coarse[1, 2] == pytest.approx(light[2:4, 4:6].mean(), rel=1e-5)
    same, one = Scan(values, 25.4).coarse
    assert (same.shape, one) == ((7, 9), 1.0)


def test_profiles_are_cut_half_a_pixel_apart_and_square_to_the_edge() -> None:
    scan = Scan(np.tile(np.arange(0, 200, 5, dtype=np.uint8), (40, 1)), 254.0)
    base = np.array([[2.0, 1.0], [2.0, 2.0]])
    cut = cut_across(scan, base, np.array([1.0, 0.0]), 0.5, 0.74)
    assert cut.d == pytest.approx(np.linspace(-0.5, 0.7, 25))
    assert cut.level.shape == (2, 25)
    assert cut.level[0] == pytest.approx(scan.at(2.0 + cut.d, np.ones(25)))


def _written(path: Path, mode: str, **options: Any) -> Path:
    grey = np.linspace(0, 255, 64 * 80).reshape(64, 80)
    if mode == "I;16":
        page = Image.fromarray((grey * 257).astype(np.uint16))
    elif mode == "RGB":
        flat = np.full_like(grey, 90)
        page = Image.fromarray(np.stack([flat, grey, 255 - grey / 2], axis=2).astype(np.uint8))
    else:
        page = Image.fromarray(grey.astype(np.uint8)).convert(mode)
    page.save(path, **options)
    return path


@pytest.mark.parametrize(
    ("mode", "kind", "most"),
    [
        ("L", np.uint8, 255),
        ("1", np.uint8, 255),
        ("I;16", np.uint16, 65535),
        ("RGB", np.uint8, 255),
    ],
)
def test_each_kind_of_image_becomes_one_grey_channel(
    tmp_path: Path, mode: str, kind: type, most: int
) -> None:
    """Of colours the one with most contrast: here green, from nought to the full range."""
    scan = load_scan(_written(tmp_path / "a.png", mode, dpi=(300, 300)))
    assert scan.values.dtype == kind
    assert (int(scan.values.min()), int(scan.values.max())) == (0, most)
    assert scan.source == str(tmp_path / "a.png")
    assert scan.light[[0, -1]].tolist() == [0.0, 1.0]


@pytest.mark.parametrize(
    ("stated", "found"),
    [
        ((300, 300), 300.0),
        ((300.0, 302.0), 301.0),
        ((300.0, 303.1), None),
        ((303.1, 300.0), None),
        ((303.0, 300.0), 301.5),
        ((20, 20), None),
        ((21, 21), 21.0),
        ((10_000, 10_000), None),
        ((9_999, 9_999), 9_999.0),
        (None, None),
        (("a", "b"), None),
        ((300,), None),
    ],
)
def test_a_stated_resolution_is_one_number_that_a_scanner_can_have(
    stated: Any, found: float | None
) -> None:
    assert image._stated(stated) == (None if found is None else pytest.approx(found))


def test_files_that_cannot_be_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = _written(tmp_path / "a.png", "L")
    with pytest.raises(BadInput, match="does not say at which resolution"):
        load_scan(path)
    assert load_scan(path, 250.0).dpi == 250.0
    pages = Image.open(path)
    pages.save(tmp_path / "b.tif", save_all=True, append_images=[pages.copy()])
    with pytest.raises(BadInput, match="has several pages"):
        load_scan(tmp_path / "b.tif", 300.0)
    monkeypatch.setattr(image, "_MOST_PIXELS", 64 * 80)
    assert load_scan(path, 250.0).values.shape == (64, 80)
    monkeypatch.setattr(image, "_MOST_PIXELS", 64 * 80 - 1)
    with pytest.raises(BadInput, match="80 x 64 pixels, more than a glass needs"):
        load_scan(path, 250.0)


# -- outline, rules, plane ---------------------------------------------------------------------


def test_jaws_of_flat_pieces(pinned: Pinned) -> None:
    text = []
    pieces = [
        small_strip(),
        strip(machine()),
        rail(machine(), pitch=20.0, count=3),
        block(machine()),
    ]
    for piece in pieces:
        text.append(f"{piece.name}: {inline(outline.rectangles(piece), 2)}")
        for feature in piece.features:
            for jaw in outline.jaws_of(piece, feature) or ("none",):
                text.append(f"  {feature.name}: {inline(jaw, 3)}")
    pinned("scan/jaws", "\n".join(text))


def test_what_a_scan_cannot_show_has_no_jaws() -> None:
    piece = small_strip()
    usual = piece.features[0]
    assert outline.jaws_of(piece, usual) is not None
    for other in (
        replace(usual, jaws=None),
        replace(usual, kind="lean"),
        replace(usual, jaws=(usual.jaws[0], usual.jaws[0])) if usual.jaws else usual,
        Feature("off", "outside", (0.0, 15.0, 0.0), "edges", ((1.0, 2.0, 0.0), (1.0, 17.0, 0.0))),
        Feature("off", "outside", (9.0, 9.0, 0.0), "points", ((1.0, 2.0, 0.0), (10.0, 11.0, 0.0))),
    ):
        assert outline.jaws_of(piece, other) is None


def test_covered_is_the_union_of_all_rectangles() -> None:
    boxes = np.array([[0.0, 2.0, 0.0, 1.0], [2.0, 3.0, 0.0, 4.0]])
    x = np.array([0.0, -0.01, 2.0, 1.0, 3.0, 3.01, 2.5, 1.5])
    s = np.array([0.0, 0.5, 1.0, 1.5, 4.0, 1.0, 4.01, 1.0])
    assert outline.covered(boxes, x, s).tolist() == [
        True, False, True, False, True, False, False, True,
    ]  # fmt: skip


def test_splines_are_those_of_scipy() -> None:
    """Uniform cubic B-splines (scipy.interpolate.BSpline), each spread over four cells."""
    from scipy.interpolate import BSpline

    at = np.linspace(0.01, 4.99, 23)
    found = plane._splines(at, 8)
    knots = np.arange(-3.0, 9.0)
    wanted = np.stack([BSpline(knots, np.eye(8)[k], 3)(at) for k in range(8)], axis=1)
    assert found == pytest.approx(wanted, abs=1e-12)
    assert found.sum(axis=1) == pytest.approx(np.ones(23))


def _marks(across: bool, count: int, stretch: float, turn: float, stray: float = 0.0) -> Marks:
    """Marks of a rule that lies along one side, without noise; some strayed."""
    n = np.arange(count, dtype=float)
    zero, along = (np.array([5.0, 120.0]), 0.0) if across else (np.array([100.0, 5.0]), math.pi / 2)
    axis = np.array([math.cos(along + turn), math.sin(along + turn)])
    inward = np.array([-axis[1], axis[0]])
    off = np.where(n % 17 == 5, stray, 0.0)
    near = zero + ((n + off) / stretch)[:, None] * axis + 1.3 * inward
    far = near + 1.4 * inward
    edge = zero + ((n[:-1] + 0.5) / stretch)[:, None] * axis
    return Marks(across, n, near, far, edge, -inward, 1 / stretch, 1.0)


def test_a_plane_of_two_exact_rules_takes_their_stretch_out() -> None:
    """Rules of true millimetres seen 0.2 % small across and 0.3 % large along."""
    found = plane.fit_plane([_marks(True, 90, 1.002, 0.0), _marks(False, 110, 0.997, 0.0)])
    assert found.scale == pytest.approx((0.002, -0.003), abs=2e-5)
    assert found.askew_deg == pytest.approx(0.0, abs=1e-3)
    assert found.residual < 1e-3
    a, b = found.map(np.array([[10.0, 20.0], [80.0, 100.0]]))
    assert b - a == pytest.approx([70.0 * 1.002, 80.0 * 0.997], abs=2e-3)


def test_planes_of_synthetic_rules(pinned: Pinned) -> None:
    text = []
    for name, rules in {
        "even": [_marks(True, 90, 1.002, 0.0), _marks(False, 110, 0.997, 0.0)],
        "turned": [_marks(True, 90, 1.002, 0.01), _marks(False, 110, 0.997, -0.02)],
        "strayed": [_marks(True, 90, 1.0, 0.0, 0.2), _marks(False, 110, 1.0, 0.0, -0.1)],
        "most marks": [
            _marks(True, 60, 1.01, 0.0), _marks(True, 90, 1.002, 0.0), _marks(False, 110, 1.0, 0.0),
        ],
    }.items():  # fmt: skip
        text += [name, *_map(plane.fit_plane(rules))]
    pinned("scan/planes", "\n".join(text))


def test_a_body_turns_as_a_whole() -> None:
    """Along by the angle, outward square to it, on the side that the marks look to."""
    body = plane._Rule.of(_marks(True, 50, 1.0, 0.1))
    c, s = math.cos(0.1), math.sin(0.1)
    assert body.along == pytest.approx((c, s))
    assert body.outward == pytest.approx((s, -c))
    body.turn(0.2)
    length = math.hypot(1.0, 0.2)
    assert body.along == pytest.approx(((c + 0.2 * s) / length, (s - 0.2 * c) / length))
    assert body.outward == pytest.approx(((s - 0.2 * c) / length, (-c - 0.2 * s) / length))


def test_every_unknown_of_a_plane_is_held_but_where_the_rules_lie() -> None:
    """Terms and knots to 3 mm, bends of the wobble to 0.02 mm, a rule's turn to 0.2 rad, its
    marks' being square to 0.02 degrees; of five knots and two rules."""
    rows = plane._priors(13, 5)
    single = [row for row in rows if np.count_nonzero(row) == 1]
    held = {int(np.flatnonzero(row)[0]): 1 / row.sum() for row in single}
    square = math.radians(0.02)
    assert held == pytest.approx(
        {**dict.fromkeys(range(13), 3.0), 13: 0.2, 16: square, 17: 0.2, 20: square}
    )
    bends = [row for row in rows if np.count_nonzero(row) == 3]
    assert [int(np.flatnonzero(row)[0]) for row in bends] == [8, 9, 10]
    for row in bends:
        assert row[np.flatnonzero(row)] == pytest.approx([50.0, -100.0, 50.0])
    assert len(rows) == len(single) + len(bends) == 20


@pytest.mark.parametrize(("scatter", "fine"), [(0.08, True), (0.086, False)])
def test_graduations_may_stray_by_six_hundredths(scatter: float, fine: bool) -> None:
    """Where everything strays: standard deviation of marks, each of two halves, of scatter / 1.4.

    The edges stray by twice as much, which weighs as much.
    """
    chance = np.random.default_rng(8)

    def strayed(across: bool) -> Marks:
        marks = _marks(across, 400, 4.0, 0.0)
        way = np.array([1.0, 0.0] if across else [0.0, 1.0])
        near, far = (scatter * chance.standard_normal((400, 1)) * way for _ in range(2))
        edge = marks.edge + 2 * scatter * chance.standard_normal((399, 1)) * way[::-1]
        number = marks.number / 4
        return replace(marks, number=number, near=marks.near + near, far=marks.far + far, edge=edge)

    rules = [strayed(True), strayed(False)]
    if fine:
        assert plane.fit_plane(rules).residual == pytest.approx(scatter / math.sqrt(2), rel=0.05)
    else:
        with pytest.raises(Refused, match="the graduations stray"):
            plane.fit_plane(rules)


@pytest.mark.parametrize(("count", "fine"), [(52, True), (56, False)])
def test_seven_tenths_of_the_graduations_stand_evenly(count: int, fine: bool) -> None:
    """Of 180 of two rules 128 do, or 124: the others stand off by half a millimetre."""
    off = np.zeros((120, 2))
    some = np.random.default_rng(9).permutation(120)[:count]
    off[some, 0] = np.where(np.arange(count) % 2, 0.5, -0.5)
    marks = _marks(True, 120, 1.0, 0.0)
    rules = [replace(marks, near=marks.near + off, far=marks.far + off), _marks(False, 60, 1.0, 0)]
    if fine:
        assert plane.fit_plane(rules).residual < 0.01
    else:
        with pytest.raises(Refused, match="the graduations stray"):
            plane.fit_plane(rules)


@pytest.mark.parametrize("count", [20, 60])
def test_a_rule_of_which_no_mark_stands_evenly_is_refused(count: int) -> None:
    """All marks of the shorter rule stand 0.3 mm to either side in turns, those of the other true:
    once all of the first are left out, nothing tells where it lies."""
    marks = _marks(True, count, 1.0, 0.0)
    off = np.where(np.arange(count) % 2, 0.3, -0.3)[:, None] * np.array([1.0, 0.0])
    bad = replace(marks, near=marks.near + off, far=marks.far + off)
    with pytest.raises(Refused, match=r"the graduations stray by 0\.0\d mm from even steps"):
        plane.fit_plane([bad, _marks(False, 170, 1.0, 0.0)])


def test_marks_that_stand_unevenly_are_no_rule() -> None:
    uneven = _marks(True, 90, 1.0, 0.0)
    wild = np.random.default_rng(2).uniform(-0.3, 0.3, 90)[:, None] * np.array([1.0, 0.0])
    bad = replace(uneven, near=uneven.near + wild, far=uneven.far + wild)
    with pytest.raises(Refused, match=r"the graduations stray by 0\.\d\d mm from even steps"):
        plane.fit_plane([bad, _marks(False, 110, 1.0, 0.0)])


@pytest.mark.parametrize(
    ("found", "usual"),
    [
        *((301.0, 300.0), (291.3, 300.0), (291.2, 291.0), (617.9, 600.0), (500.2, 500.0)),
        *((1.01 * dpi, dpi) for dpi in (75.0, 100.0, 150.0, 200.0, 240.0, 400.0, 800.0)),
        *((1.01 * dpi, dpi) for dpi in (1200.0, 2400.0)),
    ],
)
def test_a_resolution_near_a_usual_one_is_that(found: float, usual: float) -> None:
    assert _usual(found) == usual


def _boxes(*boxes: tuple[int, int, int, int], size: tuple[int, int] = (150, 120)) -> Scan:
    """A white glass of 1 mm pixels with dark boxes (row, row, column, column)."""
    values = np.full(size, 230, dtype=np.uint8)
    for r0, r1, c0, c1 in boxes:
        values[r0:r1, c0:c1] = 20
    return Scan(values, 25.4)


def test_the_largest_thing_and_the_longest_bar_come_first() -> None:
    """Whatever lies further up: two plates, and two bars above one another."""
    found = glass.look(
        _boxes((5, 15, 10, 75), (25, 33, 8, 98), (45, 60, 20, 35), (80, 120, 20, 70))
    )
    assert [round(bar.length) for bar in found.bars] == [90, 65]
    assert [thing.area for thing in found.things] == [2000.0, 225.0]
    assert found.things[0].points().min(axis=0).tolist() == [20.5, 80.5]


def test_what_reaches_the_rim_is_cut_off() -> None:
    """On any of the four sides; a pixel off it is not."""
    for box, cut in (
        ((0, 20, 30, 50), True),
        ((1, 20, 30, 50), False),
        ((30, 50, 0, 20), True),
        ((30, 50, 1, 20), False),
        ((130, 150, 30, 50), True),
        ((130, 149, 30, 50), False),
        ((30, 50, 100, 120), True),
        ((30, 50, 100, 119), False),
    ):
        (thing,) = glass.look(_boxes(box)).things
        assert thing.cut_off is cut, box


def test_dust_is_smaller_than_a_thing_and_a_rule_has_its_measures() -> None:
    """60 mm2 and more is a thing; a bar is 60 mm long, 5 to 45 wide, thrice as long as wide."""
    assert [t.area for t in glass.look(_boxes((10, 16, 10, 20))).things] == [60.0]
    assert glass.look(_boxes((10, 16, 10, 20), size=(60, 60))).things
    assert not glass.look(_boxes((10, 15, 10, 21))).things
    for box, bars in (
        ((10, 20, 10, 70), 1),
        ((10, 20, 10, 69), 0),
        ((10, 16, 10, 100), 1),
        ((10, 14, 10, 100), 0),
        ((10, 40, 10, 100), 1),
        ((10, 41, 10, 100), 0),
        ((10, 20, 5, 75), 1),
    ):
        assert len(glass.look(_boxes(box)).bars) == bars, box
    notched = _boxes((10, 40, 10, 110))
    notched.values[14:36, 40:70] = 230
    assert not glass.look(notched).bars  # filled by less than 86 %


@pytest.mark.parametrize("corner", [(0, 0), (4, 3), (8, 8)])
def test_a_thing_is_taken_away_with_its_rim(corner: tuple[int, int]) -> None:
    """A plate of 2 by 2 pixels of 1 mm, and what touches it by a side; at the rim what there is."""
    seen = np.ones((10, 10), dtype=bool)
    glass._take_away(seen, glass.Thing(np.ones((2, 2), dtype=bool), corner, 1.0, False))
    row, column = corner
    wanted = {
        *((row + i, column + j) for i in (-1, 0, 1, 2) for j in (0, 1)),
        *((row + i, column + j) for i in (0, 1) for j in (-1, 2)),
    }
    gone = set(zip(*(map(int, found) for found in np.nonzero(~seen)), strict=True))
    assert gone == {(i, j) for i, j in wanted if 0 <= i < 10 and 0 <= j < 10}


def test_a_small_image_is_no_scan_of_a_glass() -> None:
    assert glass.look(_boxes(size=(30, 30))) == glass.Found((), ())
    with pytest.raises(Refused, match="shows 30 x 29 mm"):
        glass.look(_boxes(size=(29, 30)))


@pytest.mark.parametrize(
    ("wide", "at", "span"),
    [
        # 9 mm to either side, but a millimetre off a corner; even where that leaves 2 mm
        (30.0, 15.0, (-9.0, 9.0)),
        (30.0, 10.0, (-9.0, 9.0)),
        (30.0, 9.0, (-8.0, 8.0)),
        (30.0, 21.0, (-8.0, 8.0)),
        (30.0, 3.0, (-2.0, 2.0)),
        (30.0, 2.75, (-1.75, 9.0)),
        (30.0, 0.5, (0.0, 9.0)),
        (4.0, 2.0, (-1.0, 1.0)),
        (3.75, 2.0, (-1.0, 0.75)),
        (3.5, 1.75, None),
        (30.0, 31.0, None),
    ],
)
def test_an_edge_is_read_even_to_both_sides_and_off_its_corners(
    wide: float, at: float, span: tuple[float, float] | None
) -> None:
    """Of a plate the side at x = 0, which is read where it is straight for 1.6 mm at least."""
    boxes = np.array([[0.0, 40.0, 0.0, wide]])
    found = outline._edge(boxes, np.array([0.0, at]), np.array([-1.0, 0.0]))
    if span is None:
        assert found is None
        return
    assert found is not None
    # its own direction runs towards falling s
    assert found.span == ((-span[1], -span[0]) if span[0] != -span[1] else span)
    assert found.tangent.tolist() == [0.0, -1.0]
    assert found.middle == sum(found.span) / 2


def test_an_edge_ends_where_another_part_begins_or_the_plastic_does() -> None:
    """0.3 mm inside there is plastic along it, 0.3 mm outside there is none."""
    left = np.array([-1.0, 0.0])
    plate, slot, tab = [0.0, 40.0, 0.0, 30.0], [0.2, 40.0, 30.0, 60.0], [-5.0, 0.0, 20.0, 30.0]
    found = outline._edge(np.array([plate, tab]), np.array([0.0, 15.0]), left)
    assert found is not None
    assert found.span == (-3.75, 3.75), "the tab begins 5 mm on"
    on = outline._edge(np.array([plate, slot]), np.array([0.0, 25.0]), left)
    assert on is not None
    assert on.span == (-9.0, 9.0), "a step of less than 0.3 mm does not end it"


def test_a_corner_needs_both_its_sides_and_a_diagonal_both_its_corners() -> None:
    """A diagonal whose one end lies inside the plastic cannot be read."""
    piece = small_strip()
    diagonal = next(f for f in piece.features if f.name == "strip d1")
    assert diagonal.jaws is not None
    (x0, s0, h), (x1, s1, _) = diagonal.jaws
    for jaws in (((x0, s0, h), (x1 - 15, s1 - 9, h)), ((x0 + 15, s0 + 9, h), (x1, s1, h))):
        assert outline.jaws_of(piece, replace(diagonal, jaws=jaws)) is None


def test_a_pose_is_fitted_to_lines_by_the_middle_of_what_was_read() -> None:
    """Edges of a plate of 60 by 40 mm, each read along a part of it that is not its middle."""
    truth = pose.Pose(np.array([[1.001, 0.02], [-0.018, 0.999]]), np.array([30.0, 25.0]))
    wanted = [
        outline.Edge((x, s), (ox, os), span)
        for (x, s), (ox, os) in (
            ((0.0, 20.0), (-1.0, 0.0)), ((60.0, 20.0), (1.0, 0.0)),
            ((30.0, 0.0), (0.0, -1.0)), ((30.0, 40.0), (0.0, 1.0)),
        )
        for span in ((-9.0, 1.0), (2.0, 9.0), (-3.0, 3.0))
    ]  # fmt: skip
    fit = Fit(EDGES["rising"], 0.001, 0.001)
    lines = {}
    for edge in wanted:
        along = np.linspace(*edge.span, 9)[:, None] * edge.tangent + np.array(edge.at)
        lines[edge] = Line(truth.place(along), 0.001, 0.001, fit, 1.0)
    start = pose.Pose(np.eye(2), np.array([30.3, 24.8]))
    found, off = reading._fitted(start, lines)
    assert off < 1e-6
    assert pytest.approx(truth.A, abs=3e-4) == found.A
    assert found.b == pytest.approx(truth.b, abs=0.01)


def test_things_are_looked_for_in_enough_of_the_glass() -> None:
    values = np.full((300, 100), 200, dtype=np.uint8)
    with pytest.raises(Refused, match=r"shows 25 x 76 mm of the glass by its 100 dpi"):
        glass.look(Scan(values, 100.0))


def test_what_lies_behind_is_a_smooth_surface() -> None:
    """Light that falls off towards the rim, as a square surface: found to a thousandth."""
    v, u = np.mgrid[-1:1:120j, -1:1:160j]
    truth = 0.7 - 0.05 * u - 0.03 * v - 0.04 * u * u - 0.02 * v * v + 0.01 * u * v
    seen = truth.copy()
    seen[40:70, 50:100] = 0.1
    found = glass._behind(seen.astype(np.float32))
    assert found == pytest.approx(truth, abs=1e-3)


def test_ways_in_which_a_piece_can_lie() -> None:
    """Eight, each once; from below are those that turn only."""
    assert len({tuple(way.ravel()) for way in pose._WAYS}) == 8
    assert [bool(pose._from_below(way)) for way in pose._WAYS] == [True] * 4 + [False] * 4
    for way in pose._WAYS:
        assert np.abs(way @ way.T - np.eye(2)).max() == 0


def test_a_normal_stands_square_to_the_edge_on_the_glass() -> None:
    found = pose.Pose(np.array([[1.0, 0.02], [0.0, -1.1]]), np.array([3.0, 4.0]))
    edge = found.place(np.array([[1.0, 0.0]])) - found.place(np.array([[0.0, 0.0]]))
    normal = found.normal(np.array([0.0, 1.0]))
    assert float(edge[0] @ normal) == pytest.approx(0.0, abs=1e-12)
    assert np.linalg.norm(normal) == pytest.approx(1.0)


def test_one_edge_far_off_hardly_moves_a_pose() -> None:
    """Beyond 0.1 mm an edge pulls no harder (Huber): of 16 edges one stands 0.8 mm off."""
    truth = pose.Pose(np.array([[1.0, 0.01], [-0.01, 1.0]]), np.array([30.0, 25.0]))
    nominal, outward = [], []
    for along in (5.0, 20.0, 40.0, 55.0):
        for at, out in (((0, along), (-1, 0)), ((60, along), (1, 0)),
                        ((along, 0), (0, -1)), ((along, 60), (0, 1))):  # fmt: skip
            nominal.append(at)
            outward.append(out)
    places = truth.place(np.array(nominal, dtype=float))
    normals = np.array([truth.normal(np.array(out, dtype=float)) for out in outward])
    places = places + 0.05 * normals  # what all stand out by is found with it
    places[5] += 0.8 * normals[5]
    start = pose.Pose(np.eye(2), np.array([30.2, 25.1]))
    found, rest = reading._adjusted(
        start, np.array(nominal, dtype=float), places, np.array(outward, dtype=float)
    )
    assert 0.7 < rest[5] < 0.8
    assert np.abs(np.delete(rest, 5)).max() < 0.05
    assert pytest.approx(truth.A, abs=2.5e-3) == found.A


def test_edges_look_one_of_four_ways() -> None:
    told = {(0.9, 0.1): (0, 1), (-0.9, 0.3): (0, -1), (0.2, 0.8): (1, 1), (0.2, -0.8): (1, -1)}
    for normal, way in told.items():
        assert reading._looks(np.array(normal)) == way


# -- one feature -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def lines(both: dict[str, tuple[Scan, ScanReading]]) -> dict[outline.Edge, Line]:
    """Every edge of the dark strip as a line."""
    scan, read = both["dark"]
    pairs = [outline.jaws_of(small_strip(), f) for f in small_strip().features]
    wanted = {edge: None for pair in pairs for jaw in pair or () for edge in reading._edges(jaw)}
    found, blur = reading._lines(scan, read.pose, list(wanted))
    assert len(found) == len(wanted)
    assert blur == pytest.approx(read.blur_mm, abs=1e-3)
    return found


def _one(name: str) -> tuple[Feature, tuple[outline.Jaw, outline.Jaw]]:
    feature = next(f for f in small_strip().features if f.name == name)
    pair = outline.jaws_of(small_strip(), feature)
    assert pair is not None
    return feature, pair


def test_a_feature_is_read_where_both_its_edges_are_whole_and_within_the_rules(
    both: dict[str, tuple[Scan, ScanReading]], lines: dict[outline.Edge, Line]
) -> None:
    scan, read = both["dark"]
    feature, pair = _one("strip s2")
    first, second = pair
    assert isinstance(first, outline.Edge)
    assert isinstance(second, outline.Edge)

    def measured(some: dict[outline.Edge, Line], found: plane.Plane = read.plane) -> Any:
        return reading._measure(scan, found, read.pose, feature, pair, some)

    for edge in (first, second):
        without = {e: line for e, line in lines.items() if e != edge}
        assert measured(without) == "an edge of it is not seen"
        broken = {**lines, edge: replace(lines[edge], kept=0.599)}
        assert measured(broken) == "an edge of it is broken up by a reflection or by dirt"
        assert not isinstance(measured({**lines, edge: replace(lines[edge], kept=0.6)}), str)
    near = replace(read.plane, v_range=(40.0, 200.0))
    assert measured(lines, near) == "a rule does not reach as far"
    # without what the map is known to, its own scatter and what nobody knows of an edge are left
    sure = replace(read.plane, covariance=np.zeros_like(read.plane.covariance))
    own = math.hypot(lines[first].u, lines[second].u)
    assert measured(lines, sure).u_mm == pytest.approx(
        math.sqrt(own**2 + 2 * 0.0025**2 + 0.004**2), rel=1e-9
    )
    assert measured(lines).u_mm > measured(lines, sure).u_mm
    assert measured(lines).mm == pytest.approx(45.0, abs=0.02)


def test_eight_edges_are_enough(
    both: dict[str, tuple[Scan, ScanReading]], lines: dict[outline.Edge, Line]
) -> None:
    scan, read = both["dark"]
    some = list(lines)[::2][:8]
    settled = reading._settled(scan, read.pose, some)
    assert settled.place(np.array([[40.0, 50.0]])) == pytest.approx(
        read.pose.place(np.array([[40.0, 50.0]])), abs=0.1
    )
    found, blur = reading._lines(scan, read.pose, some)
    assert list(found) == some
    assert blur == pytest.approx(read.blur_mm, rel=0.1)
    for stage in (reading._settled, reading._lines):
        with pytest.raises(Refused, match="too few edges of the piece can be seen"):
            stage(scan, read.pose, some[:7])


def test_a_diagonal_is_read_from_tip_to_tip(
    both: dict[str, tuple[Scan, ScanReading]], lines: dict[outline.Edge, Line]
) -> None:
    """Its uncertainty holds what is not known of a corner's end, 0.008 mm for each."""
    scan, read = both["dark"]
    feature, pair = _one("strip d1")
    first, second = pair
    assert isinstance(first, outline.Corner)
    assert isinstance(second, outline.Corner)
    sure = replace(read.plane, covariance=np.zeros_like(read.plane.covariance))
    found = reading._measure(scan, sure, read.pose, feature, pair, lines)
    assert not isinstance(found, str)
    ends = [reading._touch(scan, read.pose, corner, lines) for corner in (first, second)]
    assert ends[0] is not None
    assert ends[1] is not None
    own = math.hypot(ends[0][1], ends[1][1])
    assert found.u_mm == pytest.approx(math.sqrt(own**2 + 2 * 0.008**2 + 0.004**2), rel=1e-9)
    for end, corner in zip(ends, (first, second), strict=True):
        assert end is not None
        place, u, shown = end
        assert 0.005 <= u < 0.02
        # a sharp corner blurred: its tip is drawn in along the diagonal, by less than 0.1 mm
        off = place - read.pose.place(np.array(corner.at))
        towards = read.pose.A @ np.array(corner.towards)
        assert abs(float(off @ towards)) < 0.12
        assert abs(float(off @ np.array([-towards[1], towards[0]]))) < 0.15
        assert shown.shape == (37, 2)
    grey = replace(scan, values=np.full_like(scan.values, 100))
    assert reading._touch(grey, read.pose, first, lines) is None
    told = reading._measure(grey, read.plane, read.pose, feature, pair, lines)
    assert told == "a corner of it is not seen"
    for edge in first.sides:
        line = lines[edge]
        few = np.round(np.linspace(0, len(line.places) - 1, 4)).astype(int)
        four = {**lines, edge: replace(line, places=line.places[few])}
        found_by_four = reading._touch(scan, read.pose, first, four)
        assert found_by_four is not None
        assert found_by_four[0] == pytest.approx(ends[0][0], abs=0.012), "the slope carries it on"
    cropped = replace(scan, values=np.ascontiguousarray(scan.values[:40, :40]))
    assert reading._touch(cropped, read.pose, first, lines) is None


def test_places_are_within_what_the_rules_cover_and_three_millimetres_more(
    both: dict[str, tuple[Scan, ScanReading]],
) -> None:
    found = replace(both["dark"][1].plane, u_range=(10.0, 60.0), v_range=(20.0, 90.0))
    for (u0, v0, u1, v1), within in (
        ((7.0, 17.0, 63.0, 93.0), True),
        ((6.9, 17.0, 63.0, 93.0), False),
        ((7.0, 16.9, 63.0, 93.0), False),
        ((7.0, 17.0, 63.1, 93.0), False),
        ((7.0, 17.0, 63.0, 93.1), False),
    ):
        assert reading._within(found, np.array([[u0, v0], [u1, v1]])) is within


def test_base_places_stand_a_pixel_apart_but_not_too_near() -> None:
    edge = outline.Edge((5.0, 5.0), (0.0, 1.0), (-3.0, 1.0))
    where = pose.Pose(np.array([[2.0, 0.0], [0.0, 2.0]]), np.array([1.0, 0.0]))
    for dpi, count in ((254.0, 80), (600.0, 107), (25.4, 8), (2.0, 4)):
        base, normal = reading._base(Scan(np.zeros((9, 9), np.uint8), dpi), where, edge)
        assert len(base) == count
        assert base[0].tolist() == [17.0, 10.0]
        assert base[-1].tolist() == [9.0, 10.0]
        assert normal.tolist() == [0.0, 1.0]


def test_the_steels_edge_is_half_way_and_nearest_to_the_steel() -> None:
    """A shadow outside has crossings of its own; steel like its backing has no edge."""
    rows = np.arange(400) * 0.1 + 0.05  # pixels of 0.1 mm
    light = np.where(rows < 20.0, 0.80, 0.40)
    light[194:197] = 0.30  # a shadow half a millimetre off the steel
    values = np.tile(light[:, None], (1, 300))
    values[:, 200:] = 0.41
    encoded = np.clip(1.055 * values ** (1 / 2.4) - 0.055, 0, 1)
    scan = Scan(np.round(encoded * 255).astype(np.uint8), 254.0)
    bar = glass.Bar(np.array([15.0, 25.0]), np.array([1.0, 0.0]), 30.0, 10.0)
    side = _Side(scan, bar, np.array([0.0, 20.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    at = side._edge_at(np.array([3.0, 10.0, 15.0, 25.0]), 1.2)
    assert at[:3] == pytest.approx(np.zeros(3), abs=0.06)
    assert np.isnan(at[3])
    assert side.place(np.array([2.0]), np.array([3.0])).tolist() == [[2.0, 23.0]]


def test_blur_and_shadow_are_those_of_edges_that_look_the_same_way() -> None:
    """The blur of a direction is told by its clearer side; a side without lines takes all."""

    def edge(n: int) -> outline.Edge:
        return outline.Edge((float(n), 0.0), (0.0, 1.0), (-1.0, 1.0))

    normals = [(0.0, 1.0), (0.0, 1.0), (0.0, -1.0), (1.0, 0.0), (-1.0, 0.0)]
    cuts = {
        edge(n): Cut(np.zeros((1, 2)), np.array(normal), D, np.zeros((1, len(D))))
        for n, normal in enumerate(normals)
    }
    terms = {
        0: (0.10, 0.05, 0.30), 1: (0.12, 0.07, 0.34), 2: (0.08, 0.01, 0.20), 3: (0.20, 0.30, 0.40),
    }  # fmt: skip
    first = {
        edge(n): Line(
            np.zeros((2, 2)), 0.0, 0.0, Fit(np.array([0.0, c, 0.1, 0.8, a, w]), 0.0, 0.0), 1.0
        )
        for n, (c, a, w) in terms.items()
    }
    held = reading._held(cuts, first)
    assert held[(1, 1)].value == pytest.approx((0.08, 0.06, 0.32))
    assert held[(1, -1)].value == pytest.approx((0.08, 0.01, 0.20))
    assert held[(0, 1)].value == pytest.approx((0.20, 0.30, 0.40))
    # none of its own: the medians of all, but for the blur of its direction
    assert held[(0, -1)].value == pytest.approx((0.20, 0.06, 0.32))
    assert held[(1, 1)].u == pytest.approx((0.004, 0.03, 0.05))
