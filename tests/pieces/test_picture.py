import re

import pytest

from agent.pieces import PIECES
from agent.pieces.picture import picture
from tests.pieces.machines import ANGLES, machine

each_piece = pytest.mark.parametrize("name", PIECES)


@pytest.mark.parametrize("angle", ANGLES)
@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 16), (120, 40)])
@each_piece
def test_picture_fits_its_room_and_numbers_every_reading(name, angle, width, height):
    piece = PIECES[name](machine(angle))
    rows = picture(piece, width=width, height=height).splitlines()
    assert len(rows) <= height
    assert max(map(len, rows)) <= width
    listed = [re.search(r"(\d+) (\w+) +(outside|inside|pitch|lean|sway) ", row) for row in rows]
    found = {int(match[1]): match[2] for match in listed if match}
    assert found == {
        number: feature.name.split()[-1] for number, feature in enumerate(piece.features, 1)
    }
    drawn = "\n".join(row[: width - 29] for row in rows[1:])
    if height >= 24:
        assert {str(n) for n in found} <= set(re.findall(r"\d+", drawn))


@each_piece
def test_plain_picture_keeps_to_ascii(name):
    assert picture(PIECES[name](machine()), plain=True).isascii()


def test_block_in_a_small_room():
    assert (
        picture(PIECES["block"](machine()), width=60, height=16, plain=True)
        == """\
block: across and gantry scale
   v                            1 x1   outside   16.00
 ..|...                         2 x2   outside   80.00
 ..|...                         3 g1   outside   16.00
 ..|...                         4 g2   outside   80.00
>--|1--<
 ..|...
 ..4...
 ..|...
 ..|...          v
 ..|.............|..........
>--|----------2--3----------<
 ..|.............|..........
   ^             ^
right +x, up +gantry
"""
    )


def test_too_little_room_is_refused():
    with pytest.raises(ValueError, match="60 by 16"):
        picture(PIECES["post"](machine()), width=40)
