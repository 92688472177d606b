"""Any value as lines of text, its numbers in fixed decimals, so that a pin can hold it."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np


def number(value: float, decimals: int = 4) -> str:
    """A number in fixed decimals, never `-0`."""
    text = f"{value:.{decimals}f}"
    return text.lstrip("-") if not text.strip("-0.") else text


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
