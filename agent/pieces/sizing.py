"""Size of a piece by the uncertainty that is wanted of it.

What uncertainty a piece gives is the estimator's business; here the pieces are only built from
small to large until it is content.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass

from agent.errors import BadInput, Refused
from agent.model.feature import length
from agent.model.profile import Profile
from agent.pieces.catalogue import CATALOGUE
from agent.pieces.solid import Piece


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
    if name not in CATALOGUE:
        raise BadInput(f"no piece {name!r}; there are {', '.join(CATALOGUE)}")
    found = []
    for build in CATALOGUE[name].series(profile, reach):
        with suppress(BadInput):  # too large, or too small to hold its parts: the next may do
            found.append(build())
    yield from sorted(found, key=lambda piece: max(length(f.along) for f in piece.features))


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
