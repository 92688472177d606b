"""A steel rule on the glass: its graduated edge, its graduations, and whether they are millimetres.

Nothing is read of its figures.  Marks stand at even steps; longer ones at every tenth millimetre
tell millimetres from anything else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from agent.errors import Refused
from agent.scan.glass import MOST_ASKEW, Bar
from agent.scan.image import Array, Scan

#: Steps between the marks of a rule that can be read, mm, and how many of them make 10 mm.
_STEPS: Final = ((1.0, 10), (0.5, 20))
#: The steps may differ by this share from what the stated resolution makes of them.
_MOST_OFF: Final = 0.01
#: Periods among which the marks' is sought, mm of the image.
_PERIODS: Final = (0.2, 4.5)
#: Share of the brightness that the marks must take away.
_LEAST_INK: Final = 0.02
#: The same of the long marks, of which there are few.
_LEAST_TENS: Final = 0.006
#: Least marks that can be used.
_LEAST_MARKS: Final = 40
#: How far marks are followed inward from the edge, mm.
_DEEPEST: Final = 11.0
#: Fineness of the strip that is cut out of the image along the edge, mm.
_FINE: Final = 0.04
_WINDOW: Final = 0.36  #: of a mark, in steps to either side


@dataclass(frozen=True, slots=True)
class Marks:
    """Graduations and edge of one rule; places (u, v) in mm of the image."""

    across: bool  #: the rule lies along the sensor line
    number: Array  #: (n,) of each mark, mm of the rule from some mark on
    near: Array  #: (n, 2) middle of the outer half of each mark, (u, v)
    far: Array  #: (n, 2) of the inner half
    edge: Array  #: (k, 2) places on the graduated edge
    outward: Array  #: unit vector from the steel over its graduated edge
    step: float  #: period of the marks, mm of the image
    unit: float  #: what that period is, mm

    @property
    def reach(self) -> tuple[float, float]:
        """From where to where it is graduated, in u if it lies across, else in v."""
        at = self.near[:, 0 if self.across else 1]
        return float(at.min()), float(at.max())


def read_rule(scan: Scan, bar: Bar) -> Marks | None:
    """Graduations of a bar; None if it has none.

    Raises Refused for a rule that lies askew, is no metric one, or disagrees with the resolution.
    """
    found = [side for sign in (1.0, -1.0) if (side := _Side.of(scan, bar, sign)) is not None]
    if not found:
        return None
    side = max(found, key=lambda side: side.strength)
    if bar.askew_deg > MOST_ASKEW:
        raise Refused(
            f"a rule lies {bar.askew_deg:.1f} degrees off the rim of the glass",
            remedy="Lay it along the rim and scan again",
        )
    return side.read()


@dataclass
class _Side:
    """One long edge of a bar, seen as the graduated one.  (t, w): along it, and inward from it."""

    scan: Scan
    bar: Bar
    zero: Array  #: (u, v) of t = 0, w = 0
    axis: Array
    inward: Array
    strength: float = field(init=False)  #: of the marks' period
    step: float = field(init=False)  #: the period, mm of the image
    deep: float = field(init=False)  #: how far inward the short marks reach, mm
    t: Array = field(init=False)  #: places of the strip's columns
    w: Array = field(init=False)  #: and of its rows
    strip: Array = field(init=False)  #: (w, t) levels inside the edge

    @classmethod
    def of(cls, scan: Scan, bar: Bar, sign: float) -> _Side | None:
        inward = sign * np.array([-bar.axis[1], bar.axis[0]])
        zero = bar.middle - inward * bar.width / 2 - bar.axis * bar.length / 2
        side = cls(scan, bar, zero, bar.axis, inward)
        if not side._straighten():
            return None
        side._cut_out()
        return side if side._find_period() else None

    def place(self, t: Array, w: Array) -> Array:
        """(..., 2) places of (t, w)."""
        t, w = np.broadcast_arrays(t, w)
        place: Array = self.zero + t[..., None] * self.axis + w[..., None] * self.inward
        return place

    def level(self, t: Array, w: Array) -> Array:
        place = self.place(t, w)
        return self.scan.at(place[..., 0], place[..., 1])

    def _straighten(self) -> bool:
        """Lay (t, w) along the edge as it really runs."""
        for _ in range(2):
            t = np.linspace(1.5, self.bar.length - 1.5, 120)
            at = self._edge_at(t, 1.2)
            good = np.isfinite(at)
            if good.sum() < 30:
                return False
            for _ in range(3):
                slope, start = np.polyfit(t[good], at[good], 1)
                off = np.abs(at - (start + slope * t))
                good = np.isfinite(at) & (off < max(0.05, 3 * float(np.median(off[good]))))
                if good.sum() < 20:
                    return False
            self.zero = self.zero + start * self.inward
            axis = self.axis + slope * self.inward
            self.axis = axis / np.linalg.norm(axis)
            sign = math.copysign(1.0, float(self.inward @ (-self.axis[1], self.axis[0])))
            self.inward = sign * np.array([-self.axis[1], self.axis[0]])
        return True

    def _edge_at(self, t: Array, reach: float) -> Array:
        """w of the steel's edge at each t (n,): half way from what is outside to the steel."""
        fine = self.scan.pixel / 2
        w = np.arange(-reach, reach, fine)
        shift = np.array([-0.1, 0.0, 0.1])
        level = self.level(t[:, None, None] + shift[None, :, None], w[None, None, :]).mean(axis=1)
        outside = np.median(level[:, : len(w) // 4], axis=1)
        steel = np.median(level[:, -len(w) // 4 :], axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            rise = (level - outside[:, None]) / (steel - outside)[:, None]
        weak = np.abs(steel - outside) < 0.03
        # the crossing nearest the steel: the shadow outside has crossings of its own
        last = len(w) - 1 - np.argmax(~(rise >= 0.5)[:, ::-1], axis=1)
        last = np.minimum(last, len(w) - 2)
        rows = np.arange(len(t))
        low, high = rise[rows, last], rise[rows, last + 1]
        with np.errstate(invalid="ignore", divide="ignore"):
            at = w[last] + fine * (0.5 - low) / (high - low)
        at[weak | ~np.isfinite(at)] = np.nan
        found: Array = at
        return found

    def _cut_out(self) -> None:
        self.t = np.arange(0.5, self.bar.length - 0.5, _FINE)
        self.w = np.arange(0.3, min(_DEEPEST, self.bar.width - 0.3), 2 * _FINE)
        strip = self.level(self.t[None, :], self.w[:, None])
        self.strip = np.where(np.isfinite(strip), strip, np.nanmedian(strip))

    def _profile(self, low: float, high: float) -> Array:
        """Mean level over a band of w, at each t of the strip."""
        i, j = np.searchsorted(self.w, (low, high))
        profile: Array = self.strip[i : max(j, i + 1)].mean(axis=0)
        return profile

    def _find_period(self) -> bool:
        """The strongest even step of dark marks at the edge, and how deep they reach."""
        t, level = self.t, self._profile(0.8, 2.4)
        frequency, size = _spectrum(t, level)
        known = (frequency > 1 / _PERIODS[1]) & (frequency < 1 / _PERIODS[0])
        if not known.any():
            return False
        peak = int(np.argmax(np.where(known, size, 0)))
        # marks are narrow: their overtones are strong, and a lower line is the step itself
        for part in (4, 3, 2):
            lower = round(peak / part)
            around = slice(max(lower - 3, 1), lower + 4)
            if frequency[lower] > 1 / _PERIODS[1] and size[around].max() > 0.5 * size[peak]:
                peak = around.start + int(np.argmax(size[around]))
                break
        self.step = 1 / _peak(frequency, size, peak)
        self.strength = float(size[peak] / np.median(level))
        quiet = float(np.median(size[known]))
        if self.strength < _LEAST_INK or size[peak] < 12 * quiet:
            return False
        depths = np.arange(0.6, min(_DEEPEST, self.bar.width - 0.8), 0.4)
        inks = np.array([self._ink(depth, self.step) for depth in depths])
        shallow = inks < 0.5 * inks[:3].max()
        self.deep = float(depths[int(np.argmax(shallow))]) if shallow.any() else float(depths[-1])
        return self.deep >= 1.5

    def _ink(self, depth: float, step: float) -> float:
        """Strength of a period in a narrow band."""
        level = self._profile(depth, depth + 0.5)
        wave = np.exp(2j * np.pi * self.t / step)
        return abs(complex(np.mean((level - level.mean()) * wave))) * 2

    def _tens(self) -> float:
        """Steps between the longest marks; 0 if there are none such."""
        depths = np.arange(self.deep + 0.6, min(_DEEPEST, self.bar.width - 0.8), 0.5)
        for _, tens in reversed(_STEPS):
            for depth in depths:
                ink = self._ink(float(depth), self.step * tens)
                # narrow marks have overtones as strong as their period; marks at half the
                # period would have no period of that length at all
                if ink > _LEAST_TENS and ink > 0.6 * self._ink(float(depth), self.step * tens / 2):
                    return float(tens)
        return 0.0

    def read(self) -> Marks:
        tens = self._tens()
        unit = {float(count): step for step, count in _STEPS}.get(tens)
        if unit is None:
            raise Refused(
                f"the marks of a rule stand {self.step:.3f} mm apart by the stated"
                f" {self.scan.dpi:g} dpi, and none at every tenth millimetre is longer: this is no"
                " rule in millimetres",
                remedy="Lay a steel rule with its millimetre side towards the piece",
            )
        right = self.scan.dpi * self.step / unit
        if abs(right / self.scan.dpi - 1) > _MOST_OFF:
            raise Refused(
                f"the rule's {unit:g} mm steps measure {self.step:.3f} mm by the stated"
                f" {self.scan.dpi:g} dpi",
                remedy=f"If the scan was made at {_usual(right):g} dpi, give --dpi"
                f" {_usual(right):g}; a scan that was resized cannot be used",
            )
        first = self._first()
        near = self._follow(0.15 * self.deep, 0.5 * self.deep, first)
        far = self._follow(0.5 * self.deep, 0.85 * self.deep, first)
        both = sorted(near.keys() & far.keys())
        if len(both) < _LEAST_MARKS:
            raise Refused(
                f"only {len(both)} graduations of a rule can be seen",
                remedy="Clean rule and glass, and scan again at 300 dpi or more",
            )
        number = np.array(both, dtype=float)
        t_near, t_far = (np.array([half[k] for k in both]) for half in (near, far))
        gaps = (t_near[:-1] + t_near[1:]) / 2
        gaps = gaps[np.abs(np.diff(t_near) - self.step) < 0.2 * self.step]
        at = self._edge_at(gaps, min(0.9, self.deep))
        kept = np.isfinite(at) & (np.abs(at - np.nanmedian(at)) < 0.3)
        return Marks(
            across=self.bar.across,
            number=(number - number[0]) * unit,
            near=self.place(t_near, np.array(0.325 * self.deep)),
            far=self.place(t_far, np.array(0.675 * self.deep)),
            edge=self.place(gaps[kept], at[kept]),
            outward=-self.inward,
            step=self.step,
            unit=unit,
        )

    def _first(self) -> float:
        """t of a mark, by the phase of the marks' period."""
        t, level = self.t, self._profile(0.15 * self.deep, 0.85 * self.deep)
        wave = np.exp(-2j * np.pi * t / self.step)
        turn = float(np.angle(np.mean((level.mean() - level) * wave))) / (2 * math.pi)
        return -turn * self.step

    def _follow(self, low: float, high: float, first: float) -> dict[int, float]:
        """t of each mark by its number, in a band of w: the centre of its ink."""
        t, level = self.t, self._profile(low, high)
        typical = float(np.percentile(level, 75) - np.percentile(level, 2))
        reach = _WINDOW * self.step
        number = math.ceil((t[0] - first) / self.step) + 1
        expected = first + number * self.step
        found: dict[int, float] = {}
        while expected < t[-1] - self.step:
            centre, ink = expected, 0.0
            for _ in range(3):
                i, j = np.searchsorted(t, (centre - reach, centre + reach))
                part = level[i:j]
                base = float(np.median(np.sort(part)[-max(3, len(part) // 3) :]))
                dark = np.clip(base - part, 0, None)
                ink = float(dark.max())
                dark[dark < 0.1 * ink] = 0.0
                if not ink or abs(centre - expected) > reach:
                    break
                centre = float((dark * t[i:j]).sum() / dark.sum())
            if ink > 0.4 * typical and abs(centre - expected) < 0.3 * self.step:
                found[number] = centre
                expected += 0.5 * (centre - expected)
            expected += self.step
            number += 1
        return found


def _spectrum(t: Array, level: Array) -> tuple[Array, Array]:
    """Frequencies (1/mm) and amplitudes of a profile, mean and slow changes removed."""
    n = len(level)
    slow = np.convolve(np.pad(level, 100, mode="edge"), np.ones(201) / 201, mode="valid")
    window = np.hanning(n)
    size = np.abs(np.fft.rfft((level - slow) * window)) * 2 / window.sum()
    return np.fft.rfftfreq(n, float(t[1] - t[0])).astype(float), np.asarray(size, dtype=float)


def _peak(frequency: Array, size: Array, i: int) -> float:
    """Frequency of a peak between the bins: the top of a parabola through three of them."""
    if not 0 < i < len(size) - 1:
        return float(frequency[i])
    a, b, c = np.log(np.maximum(size[i - 1 : i + 2], 1e-12))
    bend = a - 2 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    return float(frequency[i] + shift * (frequency[1] - frequency[0]))


def _usual(dpi: float) -> float:
    """The usual resolution nearest to one found."""
    usual = (75, 100, 150, 200, 240, 300, 400, 600, 800, 1200, 2400)
    nearest = min(usual, key=lambda step: abs(step / dpi - 1))
    return float(nearest) if abs(nearest / dpi - 1) < 0.03 else round(dpi)
