"""Signals that must not come between: heaters are switched off whole, whatever is pressed."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final

#: Signals that ask a process to end, as far as this system has them.
ENDING: Final = tuple(
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
)


class Ended(KeyboardInterrupt):
    """Somebody asked this process to end: a terminal was closed, a system shuts down."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def ended_by(error: BaseException) -> Ended | None:
    """The request to end that `error` is, or that somebody made another interrupt of; or None."""
    seen: BaseException | None = error
    while seen is not None and not isinstance(seen, Ended):
        seen = seen.__context__
    return seen


def end_in_order() -> None:
    """From now on a hang-up and a request to terminate stop what is going on as Ctrl-C does."""

    def end(number: int, _frame: Any) -> None:
        raise Ended(number)

    for number in ENDING:
        if number != signal.SIGINT:
            with suppress(ValueError, OSError):  # not in the main thread: nobody asks us there
                signal.signal(number, end)


@contextmanager
def unbroken() -> Iterator[None]:
    """Signals that ask to end wait until this is done; then the first of them is heard."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    held: list[int] = []
    before = {}
    for number in ENDING:
        before[number] = signal.signal(number, lambda n, _frame: held.append(n))
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)
        if held:
            signal.raise_signal(held[0])
