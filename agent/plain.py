"""Values as JSON and the record hold them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any


class Plain:
    """A dataclass whose fields, in their order, are all that is told of it."""

    __slots__ = ()

    def to_plain(self) -> dict[str, Any]:
        """Numbers, texts, None, and lists and dicts of them."""
        return {field.name: _plain(getattr(self, field.name)) for field in fields(self)}  # type: ignore[arg-type]


def _plain(value: Any) -> Any:
    match value:
        case Plain():
            return value.to_plain()
        case Mapping():
            return {key: _plain(inner) for key, inner in value.items()}
        case tuple() | list():
            return [_plain(inner) for inner in value]
        case _:
            return value
