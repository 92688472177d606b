"""The test pieces, one entry each: how it is built, in which sizes, and what it is laid for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Final, Literal

from agent.model.profile import Profile
from agent.pieces.block import block
from agent.pieces.post import post
from agent.pieces.rail import rail
from agent.pieces.solid import Piece
from agent.pieces.stem import stem
from agent.pieces.strip import strip

#: What is known besides when a size is chosen: the plastic's shrink, which hides in every length,
#: or one `travel` reading of each axis, without which a post cannot tell angle from scale.
Beside = Literal["shrink", "travel"]

#: Makes one piece of a series of sizes; raises BadInput where the machine has no room for it.
Made = Callable[[], Piece]


@dataclass(frozen=True, slots=True)
class Kind:
    """All there is to say of one piece."""

    name: str
    build: Callable[..., Piece]  #: takes a profile, and its own sizes by keyword
    shows: str  #: what it is laid for, in a sentence
    purpose: str  #: the error by which its size is chosen
    beside: Beside
    series: Callable[[Profile, float], Iterator[Made]]  #: small to large, for a caliper's reach, mm
    usual: bool = True  #: one of those that together with moves show every error
    free: tuple[str, ...] = ()  #: sizes that are no length of the piece itself
    #: arguments that take several sizes together, in their order
    together: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


def _strips(profile: Profile, reach: float) -> Iterator[Made]:
    for most in (100.0, 125.0, 150.0, 200.0, 250.0, 300.0):
        if most <= reach:
            yield partial(strip, profile, reach=most)


def _rails(profile: Profile, reach: float) -> Iterator[Made]:
    for count in (1, 2, 3, 5, 8, 11):
        yield partial(rail, profile, count=count, reach=reach)


def _posts(profile: Profile, reach: float) -> Iterator[Made]:
    for height in (30.0, 45.0, 60.0, 80.0, None, 120.0, 150.0):  # None: the usual one
        yield partial(post, profile, height=height)


def _stems(profile: Profile, reach: float) -> Iterator[Made]:
    for height in (40.0, 50.0, 60.0, 70.0, 80.0, 100.0, 120.0):
        if height <= reach:
            yield partial(stem, profile, height=height)


def _blocks(profile: Profile, reach: float) -> Iterator[Made]:
    for long in (40.0, 60.0, 80.0, 100.0, 130.0, 160.0):
        if long <= reach:
            pair = (max(8.0, long / 5), long)
            yield partial(block, profile, gantry=pair, across=pair)


#: Every piece by its name, in the order in which they are laid.
CATALOGUE: Final[dict[str, Kind]] = {
    kind.name: kind
    for kind in (
        Kind(
            "strip",
            strip,
            "The strip shows lengths along and across the belt and whether they are square",
            "z_scale",
            "shrink",
            _strips,
            free=("reach",),
            together={
                "lengths": ("length 1", "length 2", "length 3", "length 4"),
                "plate": ("plate across", "plate along"),
            },
        ),
        Kind(
            "rail",
            rail,
            "The rail shows the belt's scale over a long way",
            "z_scale",
            "shrink",
            _rails,
            usual=False,
            free=("reach",),
        ),
        Kind(
            "post",
            post,
            "The post shows height, lean and sway",
            "gantry_angle_deg",
            "travel",
            _posts,
        ),
        Kind(
            "block",
            block,
            "The block shows lengths across and up the gantry",
            "y_scale",
            "shrink",
            _blocks,
            together={
                "gantry": ("gantry short", "gantry long"),
                "across": ("across narrow", "across wide"),
            },
        ),
        Kind(
            "stem",
            stem,
            "The stem shows the gantry angle in the least time; with the moves it is enough",
            "gantry_angle_deg",
            "travel",
            _stems,
            usual=False,
        ),
    )
}

#: Builders by name.
PIECES: Final[dict[str, Callable[..., Piece]]] = {k.name: k.build for k in CATALOGUE.values()}

#: The pieces that together with moves show every error, in the order they are laid.
WHOLE_SET: Final = tuple(kind.name for kind in CATALOGUE.values() if kind.usual)
