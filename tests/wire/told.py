"""What an exchange says and waits for, in lines for people: for tables and pins."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import fields

from agent.wire import events as wire
from agent.wire.exchange import Exchange, LocalFault
from agent.wire.framing import clean


def told(event: wire.Event) -> str:
    """An event with all its fields."""
    if isinstance(event, wire.Idle):
        return "Idle"
    parts = [f"{f.name}={getattr(event, f.name)!r}" for f in fields(event)]  # type: ignore[arg-type]
    return f"{type(event).__name__} {' '.join(parts)}"


def standing(exchange: Exchange) -> str:
    """State, next number, lines in flight and the instant at which silence will count."""
    due = "never" if exchange.deadline is None else f"{exchange.deadline:.3f}"
    flight = ", ".join(map(clean, exchange.in_flight)) or "nothing"
    return f"{exchange.state.value}; next {exchange.next_number}; due {due}; in flight: {flight}"


class Dice:
    """Numbers that look random and are the same on every system and version."""

    def __init__(self, seed: int) -> None:
        self._state = seed

    def below(self, count: int) -> int:
        """A whole number from 0 to `count` - 1."""
        # constants of Numerical Recipes (2nd edition, 7.1), for 32 bits
        self._state = (self._state * 1664525 + 1013904223) % 2**32
        return (self._state >> 8) * count >> 24


def dialogue(exchange: Exchange, steps: Iterable[tuple[str, object, float]]) -> Iterator[str]:
    """A transcript: `send`, `read` (a line that reads), `hear`, `tick` and the other calls.

    A step is a word, its argument and the instant.
    """
    for word, given, now in steps:
        yield f"{now:.2f} {word} {given!r}"
        events: list[wire.Event] = []
        try:
            match word:
                case "send" | "read":
                    reads = word == "read"
                    yield f"    > {exchange.send(str(given), now, reads=reads)!r}"
                case "from":
                    assert isinstance(given, int)
                    yield f"    > {exchange.number_from(given, now)!r}"
                case "hear":
                    assert isinstance(given, bytes)
                    events = exchange.receive(given, now)
                case "tick":
                    events = exchange.tick(now)
                case "resync":
                    exchange.resync()
                case "revive":
                    exchange.revive()
                case "abandon":
                    yield f"    lost {exchange.abandon()!r}"
                case _:
                    raise AssertionError(word)
        except (ValueError, LocalFault) as fault:
            yield f"    {type(fault).__name__}: {fault}"
        for event in events:
            yield f"    {told(event)}"
        yield f"    = {standing(exchange)}"
