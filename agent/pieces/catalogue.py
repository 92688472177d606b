"""The test pieces, one entry each: how it is built, in which sizes, and what it is laid for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from agent.pieces.block import block
from agent.pieces.post import post
from agent.pieces.rail import rail
from agent.pieces.solid import Piece
from agent.pieces.stem import stem
from agent.pieces.strip import strip

#: What is known besides when a size is chosen: the plastic's shrink, which hides in every length,
#: or one `travel` reading of each axis, without which a post cannot tell angle from scale.
Beside = Literal["shrink", "travel"]


@dataclass(frozen=True, slots=True)
class Kind:
    """All there is to say of one piece."""

    name: str
    build: Callable[..., Piece]  #: takes a profile, and its own sizes by keyword
    shows: str  #: what it is laid for, in a sentence
    purpose: str  #: the error by which its size is chosen
    beside: Beside
    #: sizes to choose from, as arguments of `build`, for a caliper's reach, mm; the machine may
    #: have no room for some
    series: Callable[[float], list[dict[str, Any]]]
    usual: bool = True  #: one of those that together with moves show every error
    free: tuple[str, ...] = ()  #: sizes that are no length of the piece itself
    #: arguments that take several sizes together, in their order
    together: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


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
            lambda reach: [
                {"reach": most}
                for most in (100.0, 125.0, 150.0, 200.0, 250.0, 300.0)
                if most <= reach
            ],
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
            lambda reach: [{"count": count, "reach": reach} for count in (1, 2, 3, 5, 8, 11)],
            usual=False,
            free=("reach",),
        ),
        Kind(
            "post",
            post,
            "The post shows height, lean and sway",
            "gantry_angle_deg",
            "travel",
            lambda _: [  # None: the usual one
                {"height": height} for height in (30.0, 45.0, 60.0, 80.0, None, 120.0, 150.0)
            ],
        ),
        Kind(
            "block",
            block,
            "The block shows lengths across and up the gantry",
            "y_scale",
            "shrink",
            lambda reach: [
                dict.fromkeys(("gantry", "across"), (max(8.0, long / 5), long))
                for long in (40.0, 60.0, 80.0, 100.0, 130.0, 160.0)
                if long <= reach
            ],
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
            lambda reach: [
                {"height": height}
                for height in (40.0, 50.0, 60.0, 70.0, 80.0, 100.0, 120.0)
                if height <= reach
            ],
            usual=False,
        ),
    )
}

#: Builders by name.
PIECES: Final[dict[str, Callable[..., Piece]]] = {k.name: k.build for k in CATALOGUE.values()}

#: The pieces that together with moves show every error, in the order they are laid.
WHOLE_SET: Final = tuple(kind.name for kind in CATALOGUE.values() if kind.usual)
