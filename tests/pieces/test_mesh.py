"""Meshes checked with an outside mesh library (trimesh): closed, of the right size and volume."""

import io
import math
import struct

import numpy as np
import pytest
import trimesh

from agent.pieces import PIECES
from agent.pieces.layers import to_layer
from agent.pieces.mesh import mesh
from tests.pieces.machines import ANGLES, machine, volume

each_piece = pytest.mark.parametrize("name", PIECES)
each_angle = pytest.mark.parametrize("angle", ANGLES)


def load(data):
    return trimesh.load(io.BytesIO(data), file_type="stl")


@each_angle
@each_piece
def test_mesh_is_closed_and_measures_right(name, angle):
    piece = PIECES[name](machine(angle), number=3)
    loaded = load(mesh(piece).stl(name))
    assert loaded.is_watertight
    assert loaded.is_winding_consistent
    assert np.abs(loaded.bounds.T - np.array(piece.bounds)).max() < 1e-3
    # marks are sunk by 0.1 mm, so that part of them counts twice
    sunk = sum(
        (p.x[1] - p.x[0]) * (p.outline[1][0] - p.outline[0][0]) * 0.1
        for p in piece.prisms
        if p.mark
    )
    assert loaded.volume == pytest.approx(volume(piece.prisms) + sunk, rel=1e-4)


@each_angle
@each_piece
def test_body_is_one_and_each_mark_another(name, angle):
    piece = PIECES[name](machine(angle), number=3)
    parts = load(mesh(piece).stl()).split()
    assert len(parts) == 1 + sum(prism.mark for prism in piece.prisms)


@each_angle
@each_piece
def test_measured_faces_are_faces_of_the_mesh(name, angle):
    piece = PIECES[name](machine(angle))
    loaded = load(mesh(piece).stl())
    jaws = [jaw for feature in piece.features for jaw in feature.jaws]
    _, distance, _ = trimesh.proximity.closest_point_naive(loaded, jaws)
    assert distance.max() < 1e-3


@pytest.mark.parametrize("angle", [35.0, 45.0, 60.0])
@each_piece
def test_tilted_mesh_lies_with_its_layers_level(name, angle):
    piece, theta = PIECES[name](machine(angle)), math.radians(angle)
    plain, tilted = load(mesh(piece).stl()), load(mesh(piece).tilted(theta).stl())
    assert tilted.is_watertight
    assert tilted.volume == pytest.approx(plain.volume, rel=1e-4)
    corners = [corner for prism in piece.prisms if not prism.mark for corner in prism.outline]
    heights = [to_layer(corner, theta)[1] for corner in corners]
    assert tilted.bounds[0][2] == pytest.approx(0, abs=1e-4)
    assert tilted.bounds[1][2] == pytest.approx(max(heights) - min(heights), abs=0.5)


def test_part_coordinates_begin_at_nought():
    loaded = load(mesh(PIECES["post"](machine())).at_origin().stl())
    assert loaded.bounds[0] == pytest.approx([0, 0, 0], abs=1e-6)


def test_stl_has_the_bytes_of_its_format():
    drawn = mesh(PIECES["block"](machine()))
    data = drawn.stl("block " * 30)
    assert len(data) == 84 + 50 * len(drawn.triangles)
    assert struct.unpack("<I", data[80:84]) == (len(drawn.triangles),)
    assert not data.startswith(b"solid")
