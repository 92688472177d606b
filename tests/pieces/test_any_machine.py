"""Any machine: a piece is either made and laid inside the travel, or refused in words."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from agent.errors import BadInput
from agent.model.profile import Bead
from agent.pieces import PIECES, toolpath
from agent.pieces.drawing import svg
from agent.pieces.mesh import mesh
from agent.pieces.picture import picture
from tests.pieces.machines import machine
from tests.pieces.replay import on_belt, replay


@settings(max_examples=20, deadline=None)
@given(
    name=st.sampled_from(list(PIECES)),
    angle=st.floats(25, 90),
    width=st.floats(0.35, 0.8),
    share=st.floats(0.3, 0.9),
    across=st.floats(60, 400),
    gantry=st.floats(60, 400),
)
def test_a_piece_is_made_inside_the_travel_or_refused(name, angle, width, share, across, gantry):
    bead = Bead(width_mm=width, height_mm=round(width * share, 3))
    profile = replace(machine(angle, across=across, gantry=gantry), bead=bead)
    try:
        piece = PIECES[name](profile)
    except BadInput:
        return
    moved = replay(toolpath(piece, profile), profile)
    assert moved.places[:, 0].min() >= 0
    assert moved.places[:, 0].max() <= across
    assert moved.places[:, 1].min() >= 0
    assert moved.places[:, 1].max() <= gantry
    heights = on_belt(moved.places, profile)[:, 2]
    assert heights.min() >= 0.0
    assert moved.filament > 0
    assert mesh(piece).triangles
    assert svg(piece).endswith("</svg>\n")
    assert len(picture(piece).splitlines()) <= 24
