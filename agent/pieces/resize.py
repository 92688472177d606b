"""Sizes of a piece by name: as a drawing, a readings file or a command line gives them.

The names are those of `Piece.size`; what is not named keeps its usual value.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from agent.errors import BadInput, Problem
from agent.model.profile import Profile
from agent.pieces.catalogue import CATALOGUE
from agent.pieces.solid import Piece


def size_names(name: str, profile: Profile) -> tuple[str, ...]:
    """Names of the sizes that a piece may be given."""
    kind = CATALOGUE[name]
    return (*kind.build(profile).size, *kind.free)


def resized(
    name: str, profile: Profile, sizes: Mapping[str, float], *, number: int | None = None
) -> Piece:
    """Piece `name` with some of its sizes given, mm.

    Raises BadInput for a name of a size that the piece does not have, with the names it has, and
    for sizes that it cannot have.
    """
    kind = CATALOGUE[name]
    usual = kind.build(profile)
    known = size_names(name, profile)
    if wrong := [key for key in sizes if key not in known]:
        raise BadInput(
            f"a {name} has no size {', '.join(map(repr, wrong))}",
            problems=[
                Problem(name, None, key, f"expected one of {', '.join(known)}") for key in wrong
            ],
            remedy="Nothing was drawn",
        )
    arguments: dict[str, Any] = {} if number is None else {"number": number}
    for argument, names in kind.together.items():
        if any(key in sizes for key in names):
            arguments[argument] = tuple(sizes.get(key, usual.size[key]) for key in names)
    grouped = {key for names in kind.together.values() for key in names}
    for key, value in sizes.items():
        if key not in grouped:
            arguments[key] = int(value) if key == "count" else value
    if name == "strip" and "lengths" in arguments and "reach" not in arguments:
        arguments["reach"] = max(200.0, arguments["lengths"][-1])
    return kind.build(profile, **arguments)
