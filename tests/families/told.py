"""What a reading says, line by line: for tables and pins."""

from __future__ import annotations

from collections.abc import Iterator

from agent.model.settings import Readback, Setting


def of_setting(key: str, found: Setting) -> str:
    """A setting with all that is known of it; half a digit where it is not that of the print."""
    half = "" if found.tolerance is None else f" half a digit {found.tolerance:.9f}"
    return f"{key} = {found.value:.6f} {found.unit} of {found.digits} decimals{half} | {found.raw}"


def of_reading(reading: Readback) -> Iterator[str]:
    """All that a reading holds."""
    yield f"{reading.family}, {reading.identity or 'without a name'}"
    yield from (of_setting(key, found) for key, found in reading.settings.items())
    yield from of_remarks(reading)


def of_remarks(reading: Readback) -> Iterator[str]:
    """All but the settings themselves."""
    yield from (f"text: {line}" for line in reading.other)
    yield from (f"event: {event.kind} {dict(event.detail)}" for event in reading.events)
    yield from (f"damage: {why}" for why in reading.damage)
    yield from (f"note: {line}" for line in reading.notes)
