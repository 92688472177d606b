"""Sizes of a piece by name: as a drawing, a readings file or a command line gives them.

The names are those of `Piece.size`; what is not named keeps its usual value.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from agent.errors import BadInput, Problem
from agent.model.profile import Profile
from agent.pieces.block import block
from agent.pieces.post import post
from agent.pieces.rail import rail
from agent.pieces.solid import Piece
from agent.pieces.strip import strip

#: Sizes that are no length of the piece itself, by piece.
_FREE: Final = {"strip": ("reach",), "rail": ("reach",), "post": (), "block": ()}

_BUILDERS: Final[dict[str, Callable[..., Piece]]] = {
    "strip": strip,
    "rail": rail,
    "post": post,
    "block": block,
}

#: Arguments that take several sizes together, in their order.
_TOGETHER: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "strip": {
        "lengths": ("length 1", "length 2", "length 3", "length 4"),
        "plate": ("plate across", "plate along"),
    },
    "block": {
        "gantry": ("gantry short", "gantry long"),
        "across": ("across narrow", "across wide"),
    },
}


def size_names(name: str, profile: Profile) -> tuple[str, ...]:
    """Names of the sizes that a piece may be given."""
    return (*_BUILDERS[name](profile).size, *_FREE[name])


def resized(
    name: str, profile: Profile, sizes: Mapping[str, float], *, number: int | None = None
) -> Piece:
    """Piece `name` with some of its sizes given, mm.

    Raises BadInput for a name of a size that the piece does not have, with the names it has, and
    for sizes that it cannot have.
    """
    usual = _BUILDERS[name](profile)
    known = size_names(name, profile)
    if wrong := [key for key in sizes if key not in known]:
        raise BadInput(
            f"a {name} has no such size",
            problems=[
                Problem(name, None, key, f"expected one of {', '.join(known)}") for key in wrong
            ],
            remedy="Nothing was drawn",
        )
    arguments: dict[str, Any] = {} if number is None else {"number": number}
    together = _TOGETHER.get(name, {})
    for argument, names in together.items():
        if any(key in sizes for key in names):
            arguments[argument] = tuple(sizes.get(key, usual.size[key]) for key in names)
    grouped = {key for names in together.values() for key in names}
    for key, value in sizes.items():
        if key not in grouped:
            arguments[key] = int(value) if key == "count" else value
    if name == "strip" and "lengths" in arguments and "reach" not in arguments:
        arguments["reach"] = max(200.0, arguments["lengths"][-1])
    return _BUILDERS[name](profile, **arguments)
