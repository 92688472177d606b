"""Edges and graduations of scans against pictures whose truth is known, and against scipy.

The slanted edge is that of ISO 12233 and ISO 16067-1 (the texts were not at hand): an edge that
runs askew over the pixels samples its own profile finer than they stand.  Here the picture is
the exact integral of a normal blur over each pixel's middle, so the edge's place is known.
"""

import math

import numpy as np
import pytest
from scipy.signal import find_peaks
from scipy.special import ndtr

from agent.scan.edge import cut_across, find_line, profile
from agent.scan.image import Scan, linear
from agent.scan.rule import _peak, _spectrum


def encoded(light):
    """Encoded values of linear light, by the curve of IEC 61966-2-1 written the other way."""
    low = 12.92 * light
    high = 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    return np.where(light <= 0.0031308, low, high)


def slanted(angle_deg, offset, blur, noise=0.0, shadow=0.0, seed=0):
    """A scan at 300 dpi of an edge through (10 + offset, 10) mm, dark to its left."""
    pixel = 25.4 / 300
    v, u = (np.indices((240, 240)) + 0.5) * pixel
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    d = (u - 10 - offset) * c + (v - 10) * s
    light = 0.1 + 0.7 * ndtr(d / blur)
    if shadow:
        # a one-sided exponential, convolved with the blur by sums over a fine grid
        fine = np.arange(-3, 3, 0.002)
        dark = np.where(fine > 0, np.exp(-fine / 0.3), 0.0)
        kernel = np.exp(-0.5 * (np.arange(-0.5, 0.5, 0.002) / blur) ** 2)
        dark = np.convolve(dark, kernel / kernel.sum(), mode="same")
        light = light - shadow * 0.8 * np.interp(d, fine, dark)
    value = encoded(light) * 255
    value = value + 255 * noise * np.random.default_rng(seed).standard_normal(value.shape)
    return Scan(np.clip(np.round(value), 0, 255).astype(np.uint8), 300.0), (c, s)


@pytest.mark.parametrize("angle", [0.0, 0.4, 1.7, 5.0, 12.0])
@pytest.mark.parametrize("offset", [0.0, 0.021, 0.043])
def test_a_slanted_edge_is_found_to_a_fiftieth_of_a_pixel(angle, offset):
    scan, (c, s) = slanted(angle, offset, blur=0.07, noise=0.008)
    base = np.array([10.0, 10.0]) + np.linspace(-6, 6, 150)[:, None] * np.array([-s, c])
    line = find_line(cut_across(scan, base, np.array([c, s]), 0.9, 1.5))
    off = (line.places - np.array([10 + offset, 10.0])) @ np.array([c, s])
    assert abs(off.mean()) < scan.pixel / 50
    assert line.fit.terms[1] == pytest.approx(math.hypot(0.07, scan.pixel / math.sqrt(6)), rel=0.12)


def test_a_shadow_behind_an_edge_does_not_move_it():
    scan, (c, s) = slanted(1.7, 0.02, blur=0.06, noise=0.005, shadow=0.3)
    base = np.array([10.0, 10.0]) + np.linspace(-6, 6, 150)[:, None] * np.array([-s, c])
    line = find_line(cut_across(scan, base, np.array([c, s]), 0.9, 1.5))
    off = (line.places - np.array([10.02, 10.0])) @ np.array([c, s])
    assert abs(off.mean()) < 0.012


def test_profile_is_a_step_convolved_with_a_normal_curve():
    d = np.arange(-2, 2, 0.001)
    p, c, li, lo, a, w = 0.1, 0.08, 0.2, 0.7, 0.4, 0.25
    sharp = np.where(d < p, li, lo * (1 - a * np.exp(-(d - p) / w)))
    kernel = np.exp(-0.5 * (np.arange(-0.6, 0.6005, 0.001) / c) ** 2)
    smooth = np.convolve(sharp, kernel / kernel.sum(), mode="same")
    inner = slice(800, -800)
    assert profile(d, np.array([p, c, li, lo, a, w]))[inner] == pytest.approx(
        smooth[inner], abs=2e-3
    )


def test_transfer_curve():
    """Both ends of the curve, its join, and the linear light of middle grey.

    Figures of IEC 61966-2-1 as they stand in public descriptions of sRGB (from memory).
    """
    found = linear(np.array([0.0, 0.04045, 0.5, 1.0]))
    assert found == pytest.approx([0.0, 0.0031308, 0.2140411, 1.0], abs=1e-6)


@pytest.mark.parametrize("period", [0.5, 0.9987, 1.0, 1.0021])
def test_period_of_a_grating_as_scipy_counts_it(period):
    t = np.arange(0, 180, 0.04)
    marks = np.exp(-0.5 * ((t % period - period / 2) / 0.08) ** 2)
    level = 0.5 - 0.3 * marks
    frequency, size = _spectrum(t, level)
    peak = int(np.argmax(np.where((frequency > 0.5) & (frequency < 2.5), size, 0)))
    peaks = find_peaks(-level, height=-0.35, distance=int(0.6 * period / 0.04))[0]
    counted = (t[peaks[-1]] - t[peaks[0]]) / (len(peaks) - 1)
    assert 1 / _peak(frequency, size, peak) == pytest.approx(counted, rel=5e-4)
