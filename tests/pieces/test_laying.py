"""Pieces laid on the simulated machine and measured back against its true errors.

The simulator builds the part from motor steps and true directions, the prediction comes from the
agent's geometry; they share no formula.
"""

import math
from pathlib import Path

import numpy as np
import pytest
import yaml

from agent.model import geometry
from agent.model.feature import direction_group
from agent.pieces import PIECES, toolpath, travel_features
from agent.wire.link import Link
from sim.machine import Truth, build
from tests.memory import MemoryTransport
from tests.pieces.machines import machine

PROFILE = Path(__file__).parents[2] / "profiles" / "heron.yaml"
TRUTH = Truth(
    x_scale=0.01,
    y_scale=-0.012,
    z_scale=0.02,
    angle_deg=1,
    yaw_deg=0.7,
    rail_deg=0.3,
    roll_deg=-0.4,
)
SIZED = {
    "faces": geometry.between_faces,
    "edges": geometry.between_edges,
    "points": geometry.between_points,
}


def bench(angle):
    data = yaml.safe_load(PROFILE.read_text())
    data["mechanics"]["gantry_angle_deg"] = angle
    return build(data, seed=None, truth=TRUTH)


def predicted(feature, angle):
    """What the true errors make of a feature, before any width of beads, mm."""
    angles = (TRUTH.angle_deg, TRUTH.yaw_deg, TRUTH.roll_deg, TRUTH.rail_deg)
    errors = [TRUTH.x_scale, TRUTH.y_scale, TRUTH.z_scale, *map(math.radians, angles)]
    A, dA = geometry.affine_with_slopes(math.radians(angle), np.array(errors))
    v = np.array([feature.along])
    if feature.kind in ("lean", "sway"):
        return float((A @ v[0])[1 if feature.kind == "lean" else 0])
    sized = SIZED["points" if feature.kind == "travel" else feature.between or "faces"]
    return float(sized(A, dA, v).value[0])


def plain(feature):
    return {
        "name": feature.name,
        "kind": feature.kind,
        "along": feature.along,
        "between": feature.between,
        "jaws": feature.jaws,
    }


@pytest.mark.parametrize("angle", [35.0, 45.0, 60.0, 90.0])
@pytest.mark.parametrize("name", PIECES)
def test_a_laid_piece_measures_what_the_true_errors_say(name, angle):
    bench_machine = bench(angle)
    piece = PIECES[name](machine(angle))
    lines = toolpath(piece, machine(angle))
    assert Link(MemoryTransport(bench_machine.controller)).stream(lines) == len(lines)

    over: dict[str, list[float]] = {}
    for feature in piece.features:
        found = bench_machine.true_size(plain(feature)) - predicted(feature, angle)
        sign = {"outside": 1, "inside": -1}.get(feature.kind, 0)
        if sign:  # wider by the same amount whatever the length, but for the direction
            group = direction_group(feature.along, math.radians(angle))
            over.setdefault(group, []).append(sign * found)
        else:
            assert found == pytest.approx(0, abs=0.02), feature.name
    for group, values in over.items():
        assert np.ptp(values) < 0.03, group
        assert abs(np.mean(values)) < 0.25, group


def test_travel_moves_measure_what_the_true_errors_say():
    bench_machine = bench(45.0)
    for feature in travel_features(machine(45.0)):
        found = bench_machine.true_size(plain(feature))
        assert found == pytest.approx(predicted(feature, 45.0), abs=0.02)
