"""Size of a piece by the uncertainty that is wanted of it.

What uncertainty a piece gives is the estimator's business; here the pieces are only built from
small to large until it is content.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from agent.errors import BadInput, Refused
from agent.model.profile import Profile
from agent.pieces.block import block
from agent.pieces.post import post
from agent.pieces.rail import rail
from agent.pieces.solid import Piece
from agent.pieces.strip import strip

_STRIP_REACH: Final = (100.0, 125.0, 150.0, 200.0, 250.0, 300.0)
_RAIL_COUNT: Final = (1, 2, 3, 5, 8, 11)
_POST_HEIGHT: Final = (30.0, 45.0, 60.0, 80.0, None, 120.0, 150.0)  #: None: the usual one
_BLOCK_LONG: Final = (40.0, 60.0, 80.0, 100.0, 130.0, 160.0)


@dataclass(frozen=True, slots=True)
class Choice:
    """The piece chosen, and how it compares with what was wanted."""

    piece: Piece
    uncertainty: float
    reached: bool  #: False: the best that the machine and the caliper allow
    tried: int  #: how many sizes were looked at


def sizes(name: str, profile: Profile, *, reach: float = 200.0) -> Iterator[Piece]:
    """Pieces `name` from small to large, as far as the machine and a caliper of `reach` mm go.

    Raises BadInput for a name that no piece has.
    """
    builders: dict[str, Iterator[Callable[[], Piece]]] = {
        "strip": (_strip(profile, most) for most in _STRIP_REACH if most <= reach),
        "rail": (_rail(profile, count, reach) for count in _RAIL_COUNT),
        "post": (_post(profile, height) for height in _POST_HEIGHT),
        "block": (_block(profile, long) for long in _BLOCK_LONG if long <= reach),
    }
    if name not in builders:
        raise BadInput(f"no piece {name!r}; there are {', '.join(builders)}")
    for build in builders[name]:
        try:
            yield build()
        except BadInput:  # too large, or too small to hold its parts: the next may do
            continue


def choose_size(
    name: str,
    profile: Profile,
    uncertainty: Callable[[Piece], float],
    wanted: float,
    *,
    reach: float = 200.0,
) -> Choice:
    """Smallest piece `name` whose `uncertainty` is at most `wanted`, else the best one.

    `uncertainty` and `wanted` are in the same unit, whatever that is.  Raises BadInput for an
    unknown name, Refused where no size fits the machine.
    """
    best: tuple[float, Piece] | None = None
    tried = 0
    for piece in sizes(name, profile, reach=reach):
        tried += 1
        found = uncertainty(piece)
        if found <= wanted:
            return Choice(piece, found, True, tried)
        if best is None or found < best[0]:
            best = found, piece
    if best is None:
        raise Refused(
            f"no {name} fits this machine",
            remedy="Check mechanics.travel_mm in the profile, or give sizes yourself.",
        )
    return Choice(best[1], best[0], False, tried)


def _strip(profile: Profile, most: float) -> Callable[[], Piece]:
    return lambda: strip(profile, reach=most)


def _rail(profile: Profile, count: int, reach: float) -> Callable[[], Piece]:
    return lambda: rail(profile, count=count, reach=reach)


def _post(profile: Profile, height: float | None) -> Callable[[], Piece]:
    return lambda: post(profile, height=height)


def _block(profile: Profile, long: float) -> Callable[[], Piece]:
    short = max(8.0, long / 5)
    return lambda: block(profile, gantry=(short, long), across=(short, long))
