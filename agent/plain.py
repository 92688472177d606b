"""Values as JSON and the record hold them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any


def shared_fields(value: Any, kind: type) -> dict[str, Any]:
    """Fields of a dataclass that another `kind` has as well, by name."""
    names = {field.name for field in fields(kind)}
    found = [field.name for field in fields(value) if field.name in names]
    return {name: getattr(value, name) for name in found}


class Plain:
    """A dataclass whose fields, in their order, are all that is told of it."""

    __slots__ = ()

    def to_plain(self) -> dict[str, Any]:
        """Numbers, texts, None, and lists and dicts of them."""
        return all_plain(self)


def all_plain(value: Any) -> dict[str, Any]:
    """All fields of a dataclass, in their order, as `Plain.to_plain` gives them."""
    return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}


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
