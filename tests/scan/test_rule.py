"""A steel rule read from strips and small pictures whose marks are put there one by one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from agent.errors import Refused
from agent.scan import rule
from agent.scan.glass import Bar
from agent.scan.image import Scan
from agent.scan.rule import Marks, _peak, _Side, _spectrum, read_rule
from tests.listing import inline, number
from tests.pinned import Pinned

Array = npt.NDArray[np.float64]

#: Columns of a strip 0.04 mm apart, and its rows 0.08 mm apart.
T = np.arange(0.5, 59.5, 0.04)
W = np.arange(0.3, 11.0, 0.08)


def encoded(light: Array) -> npt.NDArray[np.uint16]:
    """By the curve of IEC 61966-2-1, written the other way."""
    high = 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    value = np.where(light <= 0.0031308, 12.92 * light, high)
    return np.round(np.clip(value, 0, 1) * 65535).astype(np.uint16)


def side_of(level: Array, step: float = 1.0, deep: float = 4.0) -> _Side:
    """A side that was cut out already: the same level in every row, or a strip of (w, t)."""
    bar = Bar(np.array([30.0, 11.0]), np.array([1.0, 0.0]), 60.0, 12.0)
    scan = Scan(np.zeros((9, 9), np.uint8), 254.0)
    strip = np.tile(level, (len(W), 1)) if level.ndim == 1 else level
    side = _Side(scan, bar, np.array([0.0, 5.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    side.step, side.deep, side.t, side.w, side.strip = step, deep, T, W, strip
    return side


def marked(places: Array, ink: Array | float = 0.3, half: float = 0.1) -> Array:
    """Steel of 0.5 with dark marks, each as wide as told and with its own ink."""
    level = np.full(len(T), 0.5)
    for place, dark in zip(places, np.broadcast_to(ink, len(places)), strict=True):
        level[np.abs(T - place) < half + 1e-9] = 0.5 - dark
    return level


# -- marks one by one --------------------------------------------------------------------------

#: Marks from -2 on, each at its number and 0.22 mm.
AT = np.arange(-2, 62) + 0.22


def test_marks_are_counted_from_the_first_and_lie_where_they_are() -> None:
    """The second within the strip is the first that is followed whole; so at the other end."""
    found = side_of(marked(AT))._follow(0.6, 2.0, 0.22)
    assert list(found) == list(range(2, 59))
    for n, at in found.items():
        assert at == pytest.approx(n + 0.22, abs=0.021), "half a column"


def test_marks_are_followed_though_their_step_is_off_by_a_hundredth() -> None:
    """Each next one is looked for half way towards where the last one lay."""
    places = 0.22 + 1.01 * np.arange(0, 60)
    found = side_of(marked(places))._follow(0.6, 2.0, 0.22)
    assert list(found) == list(range(2, 58))
    assert found[57] == pytest.approx(0.22 + 57.57, abs=0.021)


def test_half_millimetres_are_counted_as_such() -> None:
    """Of marks at -0.2, 0.3, 0.8, 1.3 the second within the strip, from 0.5 on, is number 3."""
    level = marked(0.5 * np.arange(-2, 124) - 0.2, half=0.06)
    found = side_of(level, 0.5)._follow(0.6, 2.0, -0.2)
    assert list(found) == list(range(3, 119))
    assert found[40] == pytest.approx(19.8, abs=0.021)


@pytest.mark.parametrize(("off", "kept"), [(0.26, True), (0.34, False), (-0.26, True)])
def test_a_mark_far_from_its_place_is_none(off: float, kept: bool) -> None:
    """Three tenths of a step are the most; the next ones are looked for where they should be."""
    places = AT.copy()
    places[22] += off
    found = side_of(marked(places, half=0.02))._follow(0.6, 2.0, 0.22)
    assert (20 in found) is kept
    assert {19, 21, 22} <= found.keys()


@pytest.mark.parametrize(("share", "kept"), [(0.43, True), (0.37, False)])
def test_a_faint_mark_is_none(share: float, kept: bool) -> None:
    """It wants four tenths of the usual ink, which is told by the darkest fiftieth."""
    ink = np.full(len(AT), 0.3)
    ink[22] *= share
    found = side_of(marked(AT, ink))._follow(0.6, 2.0, 0.22)
    assert (20 in found) is kept


def test_where_there_is_no_ink_there_is_no_mark() -> None:
    assert side_of(np.full(len(T), 0.5))._follow(0.6, 2.0, 0.22) == {}


def test_a_faint_veil_beside_a_mark_does_not_move_it() -> None:
    """Less than a tenth of its ink is not counted; more is."""
    level = marked(AT)
    veiled, dirty = level.copy(), level.copy()
    beside = (T > 20.32) & (T < 20.45)
    veiled[beside] -= 0.028
    dirty[beside] -= 0.15
    clean = side_of(level)._follow(0.6, 2.0, 0.22)[20]
    assert side_of(veiled)._follow(0.6, 2.0, 0.22)[20] == clean
    assert side_of(dirty)._follow(0.6, 2.0, 0.22)[20] > clean + 0.03


def test_only_the_band_asked_for_is_looked_at() -> None:
    strip = np.tile(marked(AT + 0.5), (len(W), 1))
    strip[(W >= 2.0) & (W < 3.0)] = marked(AT)
    found = side_of(strip)._follow(2.0, 3.0, 0.22)
    assert found[20] == pytest.approx(20.22, abs=0.021)
    one = side_of(strip)._follow(2.06, 2.06, 0.22)  # a row at least
    assert one[20] == pytest.approx(20.22, abs=0.021)


def test_the_first_mark_is_told_by_the_phase_of_all_within_the_short_ones() -> None:
    """From 15 to 85 % of their depth: here 0.6 to 3.4 mm; what is beyond would tell otherwise."""
    strip = np.tile(marked(AT + 0.3), (len(W), 1))
    strip[(W >= 0.6) & (W < 3.4)] = marked(AT)
    first = side_of(strip)._first()
    assert (first - 0.22) % 1.0 == pytest.approx(0.0, abs=0.003) or (
        first - 0.22
    ) % 1.0 == pytest.approx(1.0, abs=0.003)
    assert abs(first) <= 0.5


# -- the period --------------------------------------------------------------------------------


def test_ink_is_the_amplitude_of_a_period_in_half_a_millimetre() -> None:
    wave = np.cos(2 * np.pi * (T - 0.5) / 1.0)[:1450]  # 58 whole periods
    side = side_of(0.5 - 0.1 * wave)
    side.t = T[:1450]
    assert side._ink(1.0, 1.0) == pytest.approx(0.1, rel=1e-6)
    assert side._ink(1.0, 2.0) == pytest.approx(0.0, abs=1e-9)
    side.strip = np.full((len(W), 1450), 0.5)
    side.strip[(W >= 2.0) & (W < 2.5)] -= 0.1 * wave
    assert side._ink(2.0, 1.0) == pytest.approx(0.1, rel=1e-6)
    assert side._ink(2.5, 1.0) == pytest.approx(0.0, abs=1e-9)


def test_a_level_that_is_the_same_everywhere_has_no_spectrum() -> None:
    frequency, size = _spectrum(T, np.full(len(T), 0.5))
    assert frequency[1] == pytest.approx(1 / (0.04 * len(T)))
    assert size.max() < 1e-12


def deep_marks(depth: float, step: float = 1.0, ink: float = 0.3) -> _Side:
    strip = np.full((len(W), len(T)), 0.5)
    strip[depth > W] = marked(np.arange(-2, 62 / step) * step + 0.22, ink)
    return side_of(strip, step=0.0, deep=0.0)


@pytest.mark.parametrize(
    ("depth", "deep"), [(4.0, 3.8), (2.0, 1.8), (1.9, 1.8), (1.2, None), (12.0, 10.6)]
)
def test_marks_are_as_deep_as_half_their_ink_reaches(depth: float, deep: float | None) -> None:
    """Looked at every 0.4 mm from 0.6 on; 1.5 mm at least, or it is a seam and no rule."""
    side = deep_marks(depth)
    assert side._find_period() is (deep is not None)
    assert side.step == pytest.approx(1.0, abs=1e-4)
    if deep is not None:
        assert side.deep == pytest.approx(deep)


@pytest.mark.parametrize(
    ("step", "found"), [(0.5, True), (1.0, True), (4.3, True), (4.8, False), (0.19, False)]
)
def test_marks_stand_between_a_fifth_and_four_and_a_half_millimetres_apart(
    step: float, found: bool
) -> None:
    strip = np.full((len(W), len(T)), 0.5)
    strip[W < 4.0] = 0.5 - 0.1 * np.cos(2 * np.pi * T / step)
    side = side_of(strip, 0.0, 0.0)
    assert side._find_period() is found
    if found:
        assert side.step == pytest.approx(step, rel=2e-3)


def test_a_period_of_little_ink_is_no_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    side = deep_marks(4.0)
    assert side._find_period()
    monkeypatch.setattr(rule, "_LEAST_INK", side.strength)
    assert side._find_period()
    monkeypatch.setattr(rule, "_LEAST_INK", side.strength * 1.001)
    assert not side._find_period()


def test_a_period_stands_out_of_what_is_there_besides() -> None:
    """By twelve times the middle one of all."""
    chance = np.random.default_rng(4).standard_normal(len(T))
    noise = chance - np.convolve(chance, np.ones(3) / 3, mode="same")
    told = []
    for size in np.linspace(0.1, 0.9, 33):
        strip = np.tile(0.5 - 0.03 * np.cos(2 * np.pi * T) + size * 0.5 * noise, (len(W), 1))
        frequency, sizes = _spectrum(T, strip[0])
        known = (frequency > 1 / 4.5) & (frequency < 1 / 0.2)
        ratio = sizes[known].max() / np.median(sizes[known])
        side = side_of(strip, 0.0, 0.0)
        told.append((bool(ratio >= 12), side._find_period()))
    assert {one for one, _ in told} == {True, False}
    assert all(one == other for one, other in told)


@pytest.mark.parametrize("part", [2, 3, 4])
@pytest.mark.parametrize(("share", "step"), [(0.55, 1.0), (0.45, None)])
def test_a_step_is_not_that_of_its_overtones(part: int, share: float, step: float | None) -> None:
    """Narrow marks have overtones about as strong: the step is theirs where it has half of it."""
    overtone = 0.08 * np.cos(2 * np.pi * part * T)
    side = side_of(0.5 - overtone - share * 0.08 * np.cos(2 * np.pi * T), 0.0, 0.0)
    assert side._find_period()
    assert side.step == pytest.approx(step or 1 / part, abs=1e-3)


def test_the_top_of_a_peak_is_that_of_a_parabola_of_logarithms() -> None:
    """By hand: logarithms 0, 1, 0 have it in the middle, 0, 1, 0.5 a sixth on; at an end or where
    it is flat there is none to be found."""
    frequency = np.array([1.0, 1.5, 2.0])
    assert _peak(frequency, np.exp([0.0, 1.0, 0.0]), 1) == pytest.approx(1.5)
    assert _peak(frequency, np.exp([0.0, 1.0, 0.5]), 1) == pytest.approx(1.5 + 0.5 / 6)
    assert _peak(frequency, np.exp([0.5, 1.0, 0.0]), 1) == pytest.approx(1.5 - 0.5 / 6)
    assert _peak(frequency, np.ones(3), 1) == 1.5
    assert _peak(frequency, np.exp([0.0, 1.0, 3.0]), 1) == 1.5, "no top, but a hollow"
    assert _peak(frequency, np.exp([3.0, 1.0, 0.0]), 0) == 1.0
    assert _peak(frequency, np.exp([3.0, 1.0, 4.0]), 2) == 2.0
    assert _peak(frequency, np.array([0.0, 1.0, 0.0]), 1) == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("step", "every", "long", "tens"),
    [
        (1.0, 10, 8.0, 10.0),
        (0.5, 20, 8.0, 20.0),
        (1.0, 5, 8.0, 0.0),
        (1.0, 8, 8.0, 0.0),
        (1.0, 10, 4.4, 0.0),
    ],
)
def test_longer_marks_tell_millimetres(step: float, every: int, long: float, tens: float) -> None:
    """Every tenth, of half millimetres every twentieth; at another step, or where they reach no
    further than the others, they tell nothing."""
    strip = np.full((len(W), len(T)), 0.5)
    n = np.arange(-2, 62 / step)
    strip[W < 4.0] = marked(n * step + 0.22)
    beyond = (W >= 4.0) & (long > W)
    strip[beyond] = marked(n[n % every == 0] * step + 0.22)
    side = side_of(strip, step, 3.8)
    assert side._tens() == tens


@pytest.mark.parametrize(("fainter", "tens"), [(0.1, 0.0), (0.05, 10.0)])
def test_long_marks_at_every_fifth_are_no_tens(fainter: float, tens: float) -> None:
    """By hand: marks 0.2 mm wide, dark by 0.3 and by `fainter` in turn, have an amplitude of
    0.04 (0.3 - fainter) at 10 mm, which has to be 60 % of 0.04 (0.3 + fainter), that at 5 mm."""
    strip = np.full((len(W), len(T)), 0.5)
    places = np.arange(0.0, 60.0, 5.0) + 0.22
    strip[W < 8.0] = marked(places, np.where(np.arange(len(places)) % 2, fainter, 0.3))
    assert side_of(strip, 1.0, 3.8)._tens() == tens


# -- a rule in a picture -----------------------------------------------------------------------


def picture(
    *,
    slope: float = 0.01,
    step: float = 1.0,
    seen: tuple[float, float] = (0.0, 99.0),
    noise: float = 0.0,
    jump: Any = None,
    every: int = 10,
    ink: bool = True,
) -> Scan:
    """Steel below an edge through (30, 5), 12 mm wide, on a glass of 64 by 24 mm; 0.1 mm a pixel.

    Along `seen` alone it stands out.  jump: what is added to the edge's place, of u.
    """
    v, u = (np.indices((240, 640)) + 0.5) * 0.1
    edge = 5.0 + slope * (u - 30.0) + (0.0 if jump is None else jump(u))
    w = v - edge
    outside = np.where((u >= seen[0]) & (u <= seen[1]), 0.8, 0.42)
    share = np.clip(w / 0.1 + 0.5, 0, 1) * np.clip((12.0 - w) / 0.1 + 0.5, 0, 1)
    level = outside * (1 - share) + 0.4 * share
    k = np.round(u / step)
    deep = np.where(k % every == 0, 7.0, 4.0)
    dark = (np.abs(u - k * step) < 0.1) & (w > 0.05) & (w < deep) & (u > 4) & (u < 58)
    level = np.where(dark & ink, 0.05, level)
    level = level + noise * np.random.default_rng(6).standard_normal(level.shape)
    return Scan(encoded(level), 254.0)


BAR = Bar(np.array([31.0, 11.0]), np.array([1.0, 0.0]), 60.0, 12.0)


@pytest.mark.parametrize("across", [True, False])
def test_a_side_lies_along_the_edge_as_it_runs(across: bool) -> None:
    """Its zero on the edge, its axis along it, and inward square to that; either way it lies."""
    scan, bar = picture(), BAR
    sign = 1.0
    if not across:
        scan = Scan(np.ascontiguousarray(scan.values.T), scan.dpi)
        bar, sign = Bar(bar.middle[::-1], bar.axis[::-1], bar.length, bar.width), -1.0
    side = _Side.of(scan, bar, sign)
    assert side is not None
    zero, axis, inward = (
        (one if across else one[::-1]) for one in (side.zero, side.axis, side.inward)
    )
    assert axis == pytest.approx(np.array([1.0, 0.01]) / math.hypot(1, 0.01), abs=5e-4)
    assert inward == pytest.approx(np.array([-0.01, 1.0]) / math.hypot(1, 0.01), abs=5e-4)
    assert zero[1] == pytest.approx(5.0 + 0.01 * (zero[0] - 30.0), abs=0.01)
    assert zero[0] == pytest.approx(1.0, abs=0.01)
    assert (side.t[0], side.t[-1]) == (0.5, pytest.approx(59.5, abs=0.05))
    assert (side.w[0], side.w[-1]) == (0.3, pytest.approx(10.94, abs=0.05))
    assert side.strip.shape == (len(side.w), len(side.t))
    assert side.step == pytest.approx(1.0, abs=2e-3)
    found = read_rule(scan, bar)
    assert found is not None
    assert found.across is across
    assert found.outward == pytest.approx(-side.inward)


@pytest.mark.parametrize(("last", "found"), [(16.65, True), (16.15, False)])
def test_an_edge_wants_thirty_places_of_a_hundred_and_twenty(last: float, found: bool) -> None:
    """They stand 57 / 119 mm apart from 2.5 mm on: the thirtieth at 16.39."""
    side = _Side(
        picture(slope=0.0, seen=(0.0, last), ink=False),
        BAR,
        np.array([1.0, 5.0]),
        np.array([1.0, 0.0]),
        np.array([0.0, 1.0]),
    )
    assert side._straighten() is found


def test_a_strip_ends_before_the_rule_does() -> None:
    """0.3 mm within a narrow one, 11 mm from the edge of a wide one, half a millimetre along."""
    for width, last in ((8.0, 7.7), (14.0, 11.0)):
        bar = Bar(BAR.middle, BAR.axis, 30.0, width)
        side = _Side(picture(), bar, np.array([1.0, 5.0]), BAR.axis, np.array([0.0, 1.0]))
        side._cut_out()
        assert (side.t[0], side.w[0]) == (0.5, 0.3)
        assert last - 0.09 < side.w[-1] < last
        assert 29.45 < side.t[-1] < 29.5


def marks_told(found: Marks | None) -> list[str]:
    if found is None:
        return ["none"]
    return [
        f"{len(found.number)} marks from {inline(found.reach, 3)}, {len(found.edge)} of the edge",
        f"step {number(found.step, 5)} of {found.unit:g} mm, outward {inline(found.outward, 5)}",
        f"  numbers {inline(found.number[::7], 1)}",
        f"  near {inline(found.near[::7], 4)}",
        f"  far {inline(found.far[::7], 4)}",
        f"  edge {inline(found.edge[::9], 4)}",
    ]


def test_rules_in_rough_pictures(pinned: Pinned) -> None:
    """Noise, an edge with a dent or a step in it, half millimetres, a rule partly hidden."""
    pictures = {
        "noisy": picture(noise=0.06),
        "leaning the other way": picture(noise=0.04, slope=-0.02),
        "dented": picture(jump=lambda u: 0.25 * np.exp(-(((u - 20) / 2) ** 2)), noise=0.01),
        "stepped": picture(jump=lambda u: 0.06 * (u > 40), noise=0.01),
        "bowed": picture(jump=lambda u: 0.0006 * (u - 30) ** 2, noise=0.01),
        "half millimetres": picture(step=0.5, every=20, noise=0.02),
        "hidden": picture(seen=(8.0, 45.0), noise=0.01),
    }
    text = []
    for name, scan in pictures.items():
        text.append(name)
        side = _Side.of(scan, BAR, 1.0)
        assert side is not None, name
        text.append(
            f"  zero {inline(side.zero, 4)}, axis {inline(side.axis, 5)}, strong"
            f" {number(side.strength, 4)}, step {number(side.step, 5)}, deep"
            f" {number(side.deep, 1)}, tens {side._tens():g}, first {number(side._first(), 4)}"
        )
        at = side._edge_at(np.linspace(2, 58, 15), 0.9)
        text.append(f"  edge off by {inline(at, 4)}")
        for low, high in ((0.15, 0.5), (0.5, 0.85)):
            found = side._follow(low * side.deep, high * side.deep, side._first())
            text.append(f"  {len(found)} followed: {inline(list(found.values())[::8], 4)}")
        text += marks_told(side.read())
    pinned("scan/rules", "\n".join(text))


@pytest.mark.parametrize(("last", "count"), [(47, 40), (46, 39)])
def test_forty_graduations_are_needed(last: int, count: int) -> None:
    """Of a rule of which some were worn off: by hand 8 to 47."""
    strip = np.full((len(W), len(T)), 0.5)
    places = np.arange(8.0, last + 1)
    strip[W < 4.0] = marked(places)
    strip[(W >= 4.0) & (W < 7.0)] = marked(places[places % 10 == 0])
    side = side_of(strip, 1.0, 3.8)
    side.scan = picture(slope=0.0)
    side.zero = np.array([0.0, 5.0])
    if count < 40:
        with pytest.raises(Refused, match="only 39 graduations of a rule can be seen"):
            side.read()
    else:
        found = side.read()
        assert len(found.number) == 40
        assert (found.number[0], found.number[-1]) == (0.0, 39.0)
        assert found.reach == pytest.approx((8.0, 47.0), abs=0.03)
        # a third and two thirds of the short marks' depth, below the edge at 5
        assert found.near[:, 1] == pytest.approx(np.full(40, 5 + 0.325 * 3.8))
        assert found.far[:, 1] == pytest.approx(np.full(40, 5 + 0.675 * 3.8))
        assert found.edge[:, 1] == pytest.approx(np.full(39, 5.0), abs=0.01)


def test_a_rule_that_lies_as_askew_as_it_may_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    scan = picture(slope=0.02)
    bar = Bar(BAR.middle, np.array([1.0, 0.02]) / math.hypot(1, 0.02), BAR.length, BAR.width)
    monkeypatch.setattr(rule, "MOST_ASKEW", bar.askew_deg)
    assert read_rule(scan, bar) is not None
    monkeypatch.setattr(rule, "MOST_ASKEW", bar.askew_deg - 1e-6)
    with pytest.raises(Refused, match=r"a rule lies 1\.1 degrees off the rim"):
        read_rule(scan, bar)


def test_of_two_sides_the_stronger_one_is_the_rules() -> None:
    """Whichever way the bar is looked at: the marks are at its upper edge."""
    for axis in (np.array([1.0, 0.0]), np.array([-1.0, 0.0])):
        found = read_rule(picture(slope=0.0), Bar(BAR.middle, axis, BAR.length, BAR.width))
        assert found is not None
        assert found.outward == pytest.approx([0.0, -1.0], abs=1e-3)
    plain = Scan(np.full((240, 640), 90, np.uint8), 254.0)
    assert read_rule(plain, BAR) is None


@pytest.mark.parametrize(("step", "fine"), [(1.0098, True), (1.0104, False), (0.9902, True)])
def test_steps_may_be_off_the_stated_resolution_by_a_hundredth(step: float, fine: bool) -> None:
    scan = picture(step=step, slope=0.0)
    if fine:
        found = read_rule(scan, BAR)
        assert found is not None
        assert found.step == pytest.approx(step, abs=1e-3)
    else:
        with pytest.raises(Refused, match=r"1 mm steps measure 1\.01\d mm by the stated 254 dpi"):
            read_rule(scan, BAR)
