import pytest

from agent.errors import BadInput
from agent.pieces import PIECES
from tests.pieces.machines import ANGLES, machine

each_piece = pytest.mark.parametrize("name", PIECES)


def spans(piece, start):
    return [
        (p.x, (p.outline[0][0], p.outline[1][0]))
        for p in piece.prisms
        if p.mark and p.name.startswith(start)
    ]


@pytest.mark.parametrize("angle", ANGLES)
@each_piece
def test_marks_show_feed_side_and_number(name, angle):
    piece = PIECES[name](machine(angle), number=4)
    arrow, ridge, pips = (spans(piece, start) for start in ("arrow", "ridge", "pip"))
    point, *_, tail = sorted(arrow, key=lambda span: span[0][1] - span[0][0])
    assert point[1][0] > tail[1][1]  # the narrow end leads towards +s
    assert ridge[0][0][0] > tail[0][1]  # the ridge lies towards +x
    assert len(pips) == 4
    assert all(x[1] < tail[0][0] for x, _ in pips)


@pytest.mark.parametrize("angle", ANGLES)
@each_piece
def test_marks_lie_on_plastic_and_clear_of_each_other(name, angle):
    piece = PIECES[name](machine(angle), number=6)
    marks = [prism for prism in piece.prisms if prism.mark]
    for i, mark in enumerate(marks):
        below = [
            prism
            for prism in piece.prisms
            if not prism.mark
            and prism.x[0] - 1e-9 <= mark.x[0]
            and mark.x[1] <= prism.x[1] + 1e-9
            and min(s for s, _ in prism.outline) <= mark.outline[0][0]
            and mark.outline[1][0] <= max(s for s, _ in prism.outline)
            and max(h for _, h in prism.outline) == pytest.approx(mark.outline[0][1])
        ]
        assert below, mark.name
        for other in marks[:i]:
            apart_x = max(mark.x[0], other.x[0]) - min(mark.x[1], other.x[1])
            apart_s = max(mark.outline[0][0], other.outline[0][0]) - min(
                mark.outline[1][0], other.outline[1][0]
            )
            assert max(apart_x, apart_s) > 0.5, (mark.name, other.name)


@each_piece
@pytest.mark.parametrize("number", [0, 7, 2.5])
def test_numbers_that_pips_cannot_show_are_refused(name, number):
    with pytest.raises(BadInput, match=rf"{name}\.number"):
        PIECES[name](machine(), number=number)
