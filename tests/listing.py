"""Any value as lines of text, its numbers in fixed decimals, so that a pin can hold it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np


def number(value: float, decimals: int = 4) -> str:
    """A number in fixed decimals, never `-0`."""
    return f"{value:z.{decimals}f}"


def inline(value: Any, decimals: int = 4) -> str:
    """A value on one line: dataclasses by their fields, mappings by their keys."""
    if isinstance(value, float | np.floating):
        return number(float(value), decimals)
    if isinstance(value, np.ndarray):
        return inline(value.tolist(), decimals)
    if dataclasses.is_dataclass(value):
        fields = (
            f"{f.name}={inline(getattr(value, f.name), decimals)}"
            for f in dataclasses.fields(value)
        )
        return f"{type(value).__name__}({', '.join(fields)})"
    if isinstance(value, Mapping):
        items = (f"{key}: {inline(item, decimals)}" for key, item in value.items())
        return f"{{{', '.join(items)}}}"
    if isinstance(value, str) or not isinstance(value, Iterable):
        return str(value)
    return f"[{', '.join(inline(item, decimals) for item in value)}]"


def listing(values: Iterable[Any], decimals: int = 4) -> str:
    """Each value on a line of its own."""
    return "\n".join(inline(value, decimals) for value in values)


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
    text = number(value, places)
    return text if text.strip("0.") else "0"


def row(values: Iterable[float | None], places: int = 5) -> str:
    return " ".join(digits(value, places) for value in values)


def leaves(value: Any, name: str = "") -> Iterator[str]:
    """Every value of a nest of dataclasses, mappings and lists, one a line, by its path."""
    inside: Iterable[tuple[Any, Any]]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        inside = ((f.name, getattr(value, f.name)) for f in dataclasses.fields(value))
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
