"""Numbers with fixed digits, for texts that are kept."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any


def digits(value: float | None, places: int = 5) -> str:
    """A number with fixed decimals; what is open or endless by its word, far numbers by their size.

    Numbers of a million and more stand for 'nothing known'.
    """
    if value is None:
        return "open"
    if math.isnan(value) or math.isinf(value):
        return str(value)
    if abs(value) >= 1e6:
        return "huge"
    text = f"{value:z.{places}f}"
    return text if text.strip("0.") else "0"


def row(values: Iterable[float | None], places: int = 5) -> str:
    return " ".join(digits(value, places) for value in values)


def leaves(value: Any, name: str = "") -> Iterator[str]:
    """Every value of a nest of dataclasses, mappings and lists, one a line, by its path."""
    inside: Iterable[tuple[Any, Any]]
    if is_dataclass(value) and not isinstance(value, type):
        inside = ((f.name, getattr(value, f.name)) for f in fields(value))
        if type(value).__name__ not in name:
            name = f"{name}({type(value).__name__})"
    elif isinstance(value, Mapping):
        inside = value.items()
    elif isinstance(value, Sequence) and not isinstance(value, str):
        inside = enumerate(value)
    else:
        text = digits(value) if isinstance(value, float) else repr(value)
        yield f"{name} = {text}"
        return
    for key, part in inside:
        yield from leaves(part, f"{name}.{key}")
