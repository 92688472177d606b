"""Beads as they lie: width from volume, layer heights, and which way they lie."""

import numpy as np
import pytest

from sim.beads import lie
from sim.machine import build
from sim.truth import Truth
from tests.sim.laying import HEIGHT, HERON, WIDTH, flat_frame, start, tell, upright_box


def laid(lines, truth=None):
    machine = build(HERON, seed=None, truth=truth)
    tell(machine, [*start(), *lines])
    machine.controller.finish_moves()
    return lie(machine.bed.laid_jobs[-1], machine.plant.frame, HEIGHT)


def test_a_flat_line_lies_on_the_belt_with_the_planned_section():
    beads = laid(flat_frame((40, 30)))
    assert beads.flat.all()
    assert beads.first.all()
    # steps of the gantry are 1/80 mm: 0.25 mm is laid as 28/80 * sin 45
    assert beads.height == pytest.approx(np.full(4, 0.2475), abs=1e-4)
    assert beads.ends[:, :, 2] == pytest.approx(np.full((4, 2), HEIGHT / 2), abs=0.003)
    assert beads.width == pytest.approx(np.full(4, WIDTH), abs=0.006)


def test_a_tilted_layer_lies_in_the_gantry_plane():
    beads = laid(upright_box((12, 10, 20)))
    assert not beads.flat.any()
    assert np.median(beads.height) == pytest.approx(HEIGHT, abs=0.004)
    assert np.median(beads.width) == pytest.approx(WIDTH, abs=0.01)


def test_a_longer_belt_step_lays_thicker_and_narrower_layers():
    beads = laid(upright_box((12, 10, 20)), Truth(z_scale=0.05))
    assert np.median(beads.height) == pytest.approx(1.05 * HEIGHT, abs=0.004)
    # same volume, 5 % higher: area / height + height (1 - pi/4)
    assert np.median(beads.width) == pytest.approx(0.4785, abs=0.006)


def test_a_cold_nozzle_lays_nothing():
    machine = build(HERON, seed=None)
    heard = tell(machine, ["G90", "M83", "G1 X10 E1 F600", "M400"])
    assert "too cold" in heard
    assert not machine.bed.laid_jobs
    assert machine.plant.travel[0] == pytest.approx(10)


def test_setting_the_belt_coordinate_starts_a_new_job():
    machine = build(HERON, seed=None)
    tell(machine, [*start(), "M117 first", *flat_frame((20, 20)), "G92 Z0", "M400"])
    tell(machine, ["M117 second", *flat_frame((30, 20)), "M400"])
    assert [(job.label, len(job.rows)) for job in machine.bed.laid_jobs] == [
        ("first", 4),
        ("second", 4),
    ]
