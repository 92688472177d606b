"""Size of a piece by the uncertainty that is wanted of it.

What uncertainty a piece gives is the estimator's business; here the pieces are only built from
small to large until it is content.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress

from agent.errors import BadInput, Refused
from agent.model.feature import length
from agent.model.profile import Profile
from agent.pieces.catalogue import CATALOGUE
from agent.pieces.solid import Piece


def sizes(name: str, profile: Profile, *, reach: float = 200.0) -> Iterator[Piece]:
    """Pieces `name` from small to large, as far as the machine and a caliper of `reach` mm go.

    Raises BadInput for a name that no piece has.
    """
    if name not in CATALOGUE:
        raise BadInput(f"no piece {name!r}; there are {', '.join(CATALOGUE)}")
    found, kind = [], CATALOGUE[name]
    for chosen in kind.series(reach):
        with suppress(BadInput):  # too large, or too small to hold its parts: the next may do
            found.append(kind.build(profile, **chosen))
    yield from sorted(found, key=lambda piece: max(length(f.along) for f in piece.features))


def choose_size(
    name: str, profile: Profile, uncertainty: Callable[[Piece], float], wanted: float
) -> Piece:
    """Smallest piece `name` whose `uncertainty` is at most `wanted`, else the best one.

    `uncertainty` and `wanted` are in the same unit, whatever that is.  Raises BadInput for an
    unknown name, Refused where no size fits the machine.
    """
    best: tuple[float, Piece] | None = None
    for piece in sizes(name, profile):
        found = uncertainty(piece)
        if found <= wanted:
            return piece
        if best is None or found < best[0]:
            best = found, piece
    if best is None:
        raise Refused(
            f"no {name} fits this machine",
            remedy="Check mechanics.travel_mm in the profile, or give sizes yourself.",
        )
    return best[1]
