"""One agent at a time on a port and on a machine's transactions.

The lock is the operating system's own (`flock`), held as long as the process lives: one that is
killed leaves none behind.  The file names the holder, so that the other agent can say who it is.
"""

from __future__ import annotations

import os
import re
import socket
from pathlib import Path

from agent.errors import LinkFailed
from agent.store.atomic import make_folder, refusal
from agent.store.home import home
from agent.store.journal import utc_now

try:
    import fcntl
except ImportError:  # pragma: no cover - systems without it lock the serial port itself
    fcntl = None  # type: ignore[assignment]


class PortLock:
    """The right to talk to one port, as long as this process lives or until it is released."""

    def __init__(self, port: str, folder: Path | None = None) -> None:
        """Take the lock.  Raises LinkFailed, naming the holder, if another agent has it."""
        self.port = port
        place = make_folder(folder or home() / "locks")
        self.path = place / f"{_safe(port)}.lock"
        try:
            self._handle = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise refusal(error, self.path, "opened") from error
        try:
            if fcntl is not None:
                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = self._holder()
            os.close(self._handle)
            raise LinkFailed(
                f"{port} is in use by another plumbelt ({holder})",
                remedy="End that one first, or take another port",
            ) from error
        os.ftruncate(self._handle, 0)
        os.write(self._handle, f"process {os.getpid()} since {utc_now()}".encode())

    def _holder(self) -> str:
        text = os.pread(self._handle, 200, 0).decode("ascii", "replace")
        return "".join(c for c in text if c.isprintable()) or "process unknown"

    def release(self) -> None:
        """Let go; may be called twice."""
        handle, self._handle = self._handle, -1
        if handle >= 0:
            os.close(handle)

    def __enter__(self) -> PortLock:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


def _safe(port: str) -> str:
    """A file name for a port: devices by what they point at, so that two names are one lock."""
    if "://" not in port:
        port = str(Path(port).resolve())
    return re.sub(r"[^A-Za-z0-9]+", "_", port).strip("_")[:100] or socket.gethostname()
