"""Every piece of the catalogue whole: shape, readings, lines, mesh, drawing, and what is refused.

The shapes and lines are kept as texts that somebody has read; `test_pieces`, `test_toolpath` and
`test_mesh` hold the rules that they follow.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from agent.errors import BadInput, Refused, Unknown
from agent.model.profile import Bead, Instrument, Mechanics, Profile, SavedSetting
from agent.model.roles import Axes
from agent.model.settings import Setting
from agent.model.wording import Wording
from agent.pieces import PIECES, seat, summary, timed_toolpath, toolpath, travel_features
from agent.pieces.catalogue import CATALOGUE, WHOLE_SET
from agent.pieces.cooling import cooling_minutes
from agent.pieces.drawing import svg
from agent.pieces.layers import layers
from agent.pieces.mesh import Mesh, mesh
from agent.pieces.picture import picture
from agent.pieces.sizing import sizes
from agent.pieces.solid import SOLID, Piece
from agent.pieces.strokes import strokes
from tests.listing import inline, listing, number
from tests.pieces.machines import machine, volume
from tests.pieces.replay import replay
from tests.pinned import Pinned

#: Machines of three angles: at 60 degrees fronts come forward, at 90 layers lie flat.
SET = {
    "tilted": machine(45.0),
    "steep": replace(machine(60.0), bead=Bead(0.6, 0.3, 30.0, 15.0, 90.0)),
    "upright": machine(90.0, across=180.0, gantry=160.0, drives=False),
}
#: Of one layer on the belt, whatever the angle.
FLAT_AND_STEEP = (("strip", "steep"), ("rail", "steep"))

each_piece = pytest.mark.parametrize("name", PIECES)
each_machine = pytest.mark.parametrize("kind", SET)

#: Sizes other than the usual ones, with as many pips as there are.
OTHER: dict[str, dict[str, Any]] = {
    "strip": {
        "lengths": (16.0, 48.0, 70.0, 120.0),
        "wide": 100.0,
        "plate": (40.0, 25.0),
        "number": 2,
    },
    "rail": {"pitch": 40.0, "count": 7, "reach": 130.0, "number": 3},
    "post": {"height": 50.0, "step": 8.0, "width": 9.0, "depth": 7.0, "walls": 3, "number": 4},
    "block": {
        "gantry": (10.0, 40.0),
        "across": (8.0, 44.0),
        "thick": 5.1,
        "walls": 1,
        "number": 5,
    },
    "stem": {"height": 30.0, "width": 8.0, "depth": 6.5, "walls": SOLID, "number": 6},
}


def shape(piece: Piece) -> str:
    """All that a piece is."""
    head = [
        f"{piece.name}: {piece.title}",
        f"layers at {number(math.degrees(piece.layer_angle))}, anchor {inline(piece.anchor)}",
        f"flat {piece.flat}, in turn {piece.in_turn}, size {inline(piece.size)}",
        f"bounds {inline(piece.bounds)}, volume {number(volume(piece.prisms))}",
    ]
    return "\n".join([*head, listing(piece.prisms), listing(piece.features)])


@pytest.mark.parametrize(
    ("name", "kind"), [(n, k) for n in PIECES for k in SET if (n, k) not in FLAT_AND_STEEP]
)
def test_every_piece_is_the_one_that_was_looked_at(name: str, kind: str, pinned: Pinned) -> None:
    pinned(f"pieces/shape-{name}-{kind}", shape(PIECES[name](SET[kind])))


@each_piece
def test_every_piece_of_other_sizes_is_the_one_that_was_looked_at(
    name: str, pinned: Pinned
) -> None:
    pinned(f"pieces/shape-{name}-other", shape(PIECES[name](SET["tilted"], **OTHER[name])))


def lines_of(piece: Piece, profile: Profile, wording: Wording) -> str:
    """Lines of a piece thinned out, their words summed up, and what they take in all."""
    lines = toolpath(piece, profile, wording)
    times = [seconds for _, seconds in timed_toolpath(piece, profile, wording)]
    sums: dict[str, float] = {}
    for place, line in enumerate(lines, 1):
        for letter, value in re.findall(r"([A-Z])(-?[\d.]+)", line):
            sums[letter] = sums.get(letter, 0.0) + float(value) * (1 + place / len(lines))
    step = max(1, len(lines) // 40)
    kept = [f"{i:5} {lines[i]}" for i in range(len(lines)) if i < 20 or not i % step]
    told = summary(piece, profile, wording)
    return "\n".join(
        [
            *kept,
            *lines[-8:],
            f"words {', '.join(f'{letter} {number(v, 2)}' for letter, v in sorted(sums.items()))}",
            f"seconds {number(math.fsum(times), 2)}, the longest {number(max(times), 3)}",
            *inline(told, 3).split(", "),
            f"worst {inline(told.worst_travel({'gantry': 0.1, 'belt': -0.2}), 3)}",
        ]
    )


def capped() -> Profile:
    """With stored speeds and an acceleration, and the belt counted the other way."""
    stored = {"max_speed.x": 60.0, "max_speed.a": 8.0, "acceleration.print": 300.0}
    return replace(
        machine(45.0, axes=Axes(belt="-a")),
        settings={key: SavedSetting(Setting(value, "", 2)) for key, value in stored.items()},
    )


AXES_ONLY = Wording(plastic="B", relative=False, heats=False, homes=False)


@each_piece
def test_lines_of_a_small_piece_are_those_that_were_read(name: str, pinned: Pinned) -> None:
    piece = PIECES[name](SET["tilted"], **OTHER[name])
    pinned(f"pieces/lines-{name}", lines_of(piece, SET["tilted"], Wording()))


@pytest.mark.parametrize("name", ["strip", "stem"])
def test_lines_of_a_controller_that_only_moves_axes(name: str, pinned: Pinned) -> None:
    piece = PIECES[name](SET["tilted"], **OTHER[name])
    pinned(f"pieces/lines-{name}-axes", lines_of(piece, capped(), AXES_ONLY))


@pytest.mark.parametrize("name", ["post", "block"])
def test_lines_of_an_upright_machine(name: str, pinned: Pinned) -> None:
    piece = PIECES[name](SET["upright"], **OTHER[name])
    pinned(f"pieces/lines-{name}-upright", lines_of(piece, SET["upright"], Wording()))


@pytest.mark.parametrize("kind", ["tilted", "upright"])
@each_piece
def test_beads_of_the_first_layers(name: str, kind: str, pinned: Pinned) -> None:
    """Where the beads of some layers run, and in which order."""
    piece, profile = PIECES[name](SET[kind], **OTHER[name]), SET[kind]
    text = []
    for place, layer in enumerate(layers(piece, profile.bead.height_mm)):
        if place not in (0, 1, 5, 20, 60):
            continue
        text.append(f"layer {place}: n {number(layer.n)}, top {number(layer.top)}")
        for rect in layer.rects:
            found = list(strokes(rect, profile.bead, flat=piece.flat))
            length = sum(math.dist(a, b) for s in found for a, b in pairwise(s.points))
            text.append(
                f" {rect.prism.name} {inline(rect.x, 3)} {inline(rect.u, 3)}: {len(found)},"
                f" {number(length, 2)} mm"
            )
            text += [f"  {s.edge:d} {inline(s.points, 3)}" for s in (*found[:4], *found[-2:])]
    pinned(f"pieces/beads-{name}-{kind}", "\n".join(text))


def solid(found: Mesh) -> str:
    """Sums over all triangles, which tell one mesh from another."""
    volume, area, weighed = 0.0, 0.0, [0.0, 0.0, 0.0]
    for a, b, c in found.triangles:
        u, v = ([q - p for p, q in zip(a, end, strict=True)] for end in (b, c))
        n = (u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0])
        area += math.hypot(*n) / 2
        volume += sum(p * q for p, q in zip(a, n, strict=True)) / 6
        weighed = [w + (a[i] + b[i] + c[i]) ** 2 * n[i] / 1e3 for i, w in enumerate(weighed)]
    corners = [corner for triangle in found.triangles for corner in triangle]
    low, high = ([f(c[i] for c in corners) for i in range(3)] for f in (min, max))
    return (
        f"{len(found.triangles)} triangles, {len(set(corners))} corners,"
        f" volume {number(volume, 2)}, area {number(area, 2)}, moments {inline(weighed, 2)},"
        f" from {inline(low, 3)} to {inline(high, 3)}"
    )


def test_meshes_of_all_pieces(pinned: Pinned) -> None:
    text = []
    for name, build in PIECES.items():
        for kind, profile in SET.items():
            piece = build(profile, **OTHER[name])
            found = mesh(piece)
            text += [f"{name} {kind}", f"  as laid: {solid(found)}"]
            text.append(f"  turned: {solid(found.tilted(piece.layer_angle or 0.5))}")
            text.append(f"  part: {solid(found.at_origin())}")
    pinned("pieces/meshes", "\n".join(text))


def test_a_mesh_as_a_file_begins_with_its_title_and_its_first_facet(pinned: Pinned) -> None:
    """Header, count, then normal and corners of each facet as little-endian floats."""
    import struct

    data = mesh(PIECES["stem"](SET["tilted"], **OTHER["stem"])).stl("stem é")
    assert data[:80] == b"piece stem ?".ljust(80)
    facets = [struct.unpack_from("<12fH", data, 84 + 50 * i) for i in range((len(data) - 84) // 50)]
    assert all(facet[12] == 0 for facet in facets)
    assert all(math.hypot(*facet[:3]) == pytest.approx(1.0, abs=1e-6) for facet in facets)
    sums = [math.fsum(facet[i] * (i + 2) for facet in facets) for i in range(12)]
    pinned("pieces/stl", listing([sums, *facets[:: len(facets) // 8]], 3))


@each_piece
def test_drawings_are_those_that_were_looked_at(name: str, pinned: Pinned) -> None:
    kind = {"post": "steep", "stem": "upright"}.get(name, "tilted")
    drawn = svg(PIECES[name](SET[kind], **OTHER[name]), f"{name} of the bench & its <profile>")
    pinned(f"pieces/drawing-{name}", re.sub(r"<style>.*</style>", "<style/>", drawn, flags=re.S))


def test_drawings_of_usual_pieces_put_their_numbers_where_they_were_seen(pinned: Pinned) -> None:
    """Badges, words and dimension lines of each sheet, without its shapes."""
    text = []
    for name, build in PIECES.items():
        drawn = svg(build(SET["tilted"])).splitlines()
        text += [name, drawn[0], *(line for line in drawn if "circle" in line or "rotate" in line)]
        text += [line for line in drawn if 'class="size"' in line or 'class="line"' in line]
    pinned("pieces/labels", "\n".join(text))


@each_machine
def test_pictures_are_those_that_were_looked_at(kind: str, pinned: Pinned) -> None:
    rooms = {"tilted": (80, 24, False), "steep": (112, 36, True), "upright": (70, 20, False)}
    width, height, plain = rooms[kind]
    text = [
        picture(build(SET[kind]), width=width, height=height, plain=plain)
        for build in PIECES.values()
    ]
    pinned(f"pieces/pictures-{kind}", "\n".join(text))


# -- what does not fit -------------------------------------------------------------------------


def said(build: Callable[[], Piece]) -> str:
    """The sizes of a piece that is built, or why it is not."""
    try:
        piece = build()
    except BadInput as error:
        return "; ".join(f"{p.key}: {p.what}" for p in error.problems)
    return f"fits: {inline(piece.size, 2)}"


def _asked() -> Iterator[tuple[str, dict[str, Any]]]:
    nan = math.nan
    for lengths in (
        (15.0, 46.0, 60.0, 80.0),
        (14.9, 46.0, 60.0, 80.0),
        (40.0, 93.0, 110.0, 180.0),
        (40.1, 94.0, 110.0, 180.0),
        (20.0, 53.0, 66.0, 79.0),
        (20.0, 53.0, 66.0, 78.9),
        (20.0, 52.9, 66.0, 80.0),
        (16.0, 45.0, 58.0, 71.0),
        (20.0, 60.0, 90.0, 200.0),
        (20.0, 60.0, 90.0, 200.1),
        (15.0, 43.0, 46.0, 59.0),
    ):
        yield "strip", {"lengths": lengths}
    yield "strip", {"lengths": (20.0, 60.0, 90.0, 150.0), "reach": 149.0}
    for wide in (90.0, 89.9, 200.0, 200.1, nan):
        yield "strip", {"wide": wide, "plate": (40.0, 30.0)}
    for plate in ((30.0, 20.0), (29.9, 20.0), (30.0, 19.9), (160.0, 30.0), (160.1, 30.0)):
        yield "strip", {"plate": plate}
    for plate in ((60.0, 190.0), (50.0, 200.1), (120.0, 160.0), (120.0, 160.1)):
        yield "strip", {"plate": plate}
    yield "strip", {"plate": (120.0, 200.0), "reach": 250.0}
    yield "strip", {"plate": (120.0, 200.5), "reach": 250.0}
    for pitch in (15.0, 14.9, 200.0, 200.1):
        yield "rail", {"pitch": pitch, "count": 1}
    for count in (1, 0, 40, 41):
        yield "rail", {"pitch": 20.0, "count": count}
    yield "rail", {"pitch": 100.0, "count": 26}
    yield "rail", {"reach": 95.0}
    for key, values in {
        "height": (20.0, 19.9, 127.2, 127.3),
        "step": (5.0, 4.9),
        "width": (6.0, 5.9, 92.0, 92.1),
        "depth": (6.0, 5.9, 1250.0, 1251.0),
        "walls": (1, 0, SOLID, SOLID + 1),
        "number": (1, 0, 6, 7),
    }.items():
        yield from (("post", {key: value}) for value in values)
    yield "post", {"height": 40.0, "step": 20.0}
    yield "post", {"height": 40.0, "step": 20.1}
    for gantry in ((8.0, 16.0), (7.9, 16.0), (8.0, 15.9), (20.1, 40.0), (16.0, 162.0)):
        yield "block", {"gantry": gantry}
    yield "block", {"gantry": (16.0, 162.1)}
    for across in ((6.0, 36.0), (5.9, 40.0), (6.0, 35.9), (31.0, 61.0), (31.1, 62.0)):
        yield "block", {"across": across}
    for across in ((16.0, 210.0), (16.0, 210.1)):
        yield "block", {"across": across}
    for thick in (3.0, 2.9, math.inf, 40.0, 40.1, 5.0, 5.01, 5.25):
        yield "block", {"thick": thick}
    for walls in (1, 0, SOLID + 1):
        yield "block", {"walls": walls}
        yield "stem", {"walls": walls}
    for key, values in {
        "height": (20.0, 19.9, 127.2, 127.3),
        "width": (6.0, 5.9, 150.0, 150.1),
        "depth": (6.0, 5.9, 1250.0, 1250.1),
    }.items():
        yield from (("stem", {key: value}) for value in values)


def test_what_fits_a_machine_and_what_is_refused_with_its_limits(pinned: Pinned) -> None:
    profile = machine()
    text = [
        f"{name} {inline(asked, 2)}: {said(partial(PIECES[name], profile, **asked))}"
        for name, asked in _asked()
    ]
    pinned("pieces/limits", "\n".join(text))


def test_usual_sizes_follow_the_machine(pinned: Pinned) -> None:
    """Across angles, travels, drives and calipers; travel that nobody has told is assumed."""
    told = {
        "small": machine(across=150.0, gantry=120.0),
        "narrow": machine(across=95.0),
        "tiny": machine(across=60.0, gantry=40.0),
        "large": machine(across=400.0, gantry=400.0),
        "at 30": machine(30.0),
        "at 35": machine(35.0),
        "at 50": machine(50.0),
        "at 51": machine(51.0),
        "at 79.9": machine(79.9),
        "at 80": machine(80.0),
        "no drives": machine(drives=False),
        "no travel": Profile("bench", mechanics=Mechanics(gantry_angle_deg=45.0)),
        "short caliper": replace(machine(), instrument=Instrument(range_mm=70.5)),
    }
    text = []
    for kind, profile in told.items():
        for name, build in PIECES.items():
            text.append(f"{kind}, {name}: {said(partial(build, profile))}")
        text.append(f"{kind}, moves: {inline([f.along for f in travel_features(profile)], 3)}")
    for reach in (100.0, 150.0, 185.0, 300.0):
        text.append(f"reach {reach:g}: {said(partial(PIECES['strip'], machine(), reach=reach))}")
        text.append(f"reach {reach:g}: {said(partial(PIECES['rail'], machine(), reach=reach))}")
    pinned("pieces/usual", "\n".join(text))


def test_series_of_sizes_end_where_the_caliper_does(pinned: Pinned) -> None:
    text = [
        f"{name} {reach:g}: {inline(piece.size, 2)}, {len(piece.features)} readings,"
        f" {number(volume(piece.prisms), 1)} mm3,"
        f" cold after {number(cooling_minutes(piece, profile), 2)}"
        for name in CATALOGUE
        for reach in (100.0, 150.0, 300.0)
        for profile in (machine(),)
        for piece in sizes(name, profile, reach=reach)
    ]
    pinned("pieces/series", "\n".join(text))


@pytest.mark.parametrize(
    ("name", "reach", "key", "values"),
    [
        ("strip", 300.0, "reach", [100.0, 125.0, 150.0, 200.0, 250.0, 300.0]),
        ("strip", 150.0, "reach", [100.0, 125.0, 150.0]),
        ("strip", 149.9, "reach", [100.0, 125.0]),
        ("rail", 150.0, "count", [1, 2, 3, 5, 8, 11]),
        ("post", 150.0, "height", [30.0, 45.0, 60.0, 80.0, None, 120.0, 150.0]),
        ("stem", 120.0, "height", [40.0, 50.0, 60.0, 70.0, 80.0, 100.0, 120.0]),
        ("stem", 70.0, "height", [40.0, 50.0, 60.0, 70.0]),
        (
            "block",
            160.0,
            "across",
            [(8, 40), (12, 60), (16, 80), (20, 100), (26, 130), (32, 160)],
        ),
        ("block", 80.0, "gantry", [(8, 40), (12, 60), (16, 80)]),
    ],
)
def test_sizes_that_are_tried_grow_as_far_as_the_caliper_reaches(
    name: str, reach: float, key: str, values: list[Any]
) -> None:
    """Each is looked at before it is built, so that the smallest that is enough is laid."""
    tried = CATALOGUE[name].series(reach)
    assert [chosen[key] for chosen in tried] == values
    if name == "rail":
        assert {chosen["reach"] for chosen in tried} == {reach}


def test_the_catalogue_in_words(pinned: Pinned) -> None:
    text = [
        f"{kind.name}: {kind.shows}; {kind.purpose}, {kind.beside}, usual {kind.usual},"
        f" free {kind.free}, together {inline(kind.together)}"
        for kind in CATALOGUE.values()
    ]
    pinned("pieces/catalogue", "\n".join([*text, f"whole set {inline(WHOLE_SET)}"]))


# -- what is not laid --------------------------------------------------------------------------


def test_a_piece_is_laid_up_to_the_last_tenth_of_the_travel() -> None:
    """The belt needs its whole run and the last feed, across and gantry what they come to.

    On the gantry the lift of 2 mm at the end gives way where there is no room for it.
    """
    profile = machine()
    piece = PIECES["stem"](profile, **OTHER["stem"])
    beads = replay(toolpath(piece, profile), profile).beads
    across, gantry, belt = np.array([bead.end for bead in beads]).T
    # the priming line lies before the piece, at s = 0: its command is -0.25 / tan 45 degrees
    run = -0.25 - belt.min() + 40.0
    for role, least in {"across": across.max(), "gantry": gantry.max(), "belt": run}.items():
        travel = {**profile.mechanics.travel_mm, role: least + 1e-3}
        fits = replace(profile, mechanics=replace(profile.mechanics, travel_mm=travel))
        lifted = min(gantry[-1] + 2.0, travel["gantry"])
        assert summary(piece, fits).high[1] == pytest.approx(max(lifted, gantry.max()), abs=1e-3)
        travel = {**profile.mechanics.travel_mm, role: least - 1e-3}
        short = replace(profile, mechanics=replace(profile.mechanics, travel_mm=travel))
        with pytest.raises(Refused, match=f"would move the {role} axis from .* beyond its travel"):
            summary(piece, short)


def test_a_usual_post_fits_whatever_the_gantry_reaches() -> None:
    """Where the gantry bounds it, the height is rounded down: rounded up it would not fit."""
    for gantry in (40.0, 77.7, 90.0, 100.0, 108.0):
        most = 0.9 * gantry * math.sin(math.radians(45))
        height = PIECES["post"](machine(gantry=gantry)).size["height"]
        assert min(most, 69.0) - 0.01 <= height <= most


def test_nothing_is_laid_where_travel_or_heat_is_not_known() -> None:
    profile = machine()
    piece = PIECES["stem"](profile)
    bare = replace(profile, mechanics=replace(profile.mechanics, travel_mm={"across": 220.0}))
    with pytest.raises(Unknown, match=r"\(gantry, belt\) is not known"):
        summary(piece, bare)
    cold = replace(profile, material=replace(profile.material, nozzle_c=None))
    with pytest.raises(Unknown, match="temperature of the nozzle"):
        toolpath(piece, cold)
    assert summary(piece, cold, AXES_ONLY).heats == {"bed": 60}


def test_a_letter_that_pushes_plastic_is_no_axis() -> None:
    profile = machine(axes=Axes(belt="a"))
    with pytest.raises(Refused, match="the letter A pushes the plastic"):
        seat(profile, Wording(plastic="A", relative=False, heats=False, homes=False))
    assert seat(profile, AXES_ONLY) == ("G21", "G90", "G92 X0 Y0 A0 B0", "G1 Y10 F600")


def test_a_bed_that_is_not_heated_is_not_waited_for() -> None:
    profile = machine()
    cold = replace(profile, material=replace(profile.material, bed_c=0))
    lines = toolpath(PIECES["stem"](cold), cold)
    assert lines[6:9] == ("G1 Y10 F600", "M104 S215", "M109 S215")
    assert not any(line.startswith(("M140 S6", "M190")) for line in lines)
