"""One agent at a time on a port, whoever runs it.

The lock is the operating system's own (`flock`, on Windows a locked byte), held as long as the
process lives: one that is killed leaves none behind.  The file names the holder, so that the other
agent can say who it is.  It lies outside the users' homes, where all users of a computer find it.
"""

from __future__ import annotations

import getpass
import os
import re
import socket
import sys
import tempfile
import time
from contextlib import suppress
from pathlib import Path
from typing import Final

from agent.errors import LinkFailed
from agent.store.atomic import make_folder, refusal
from agent.store.journal import utc_now

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

#: Where locks of devices are kept (Filesystem Hierarchy Standard 3.0, 5.9); not every system lets
#: every user in.
_SYSTEM_WIDE: Final = Path("/run/lock")

#: Seconds that a lock which another one has is tried again: `holder_of_lock` of another process has
#: it for a moment only.
_MOMENT: Final = 0.2

#: Byte of the file that is locked on Windows: behind all text, since nobody can read a locked one.
_LOCKED_BYTE: Final = 1_000


def locks_folder() -> Path:
    """Folder of the locks, the same for all users of this computer.  Raises Refused."""
    inside = _SYSTEM_WIDE if os.access(_SYSTEM_WIDE, os.W_OK) else Path(tempfile.gettempdir())
    folder = inside / "plumbelt"
    if not folder.is_dir():
        make_folder(folder)
        with suppress(OSError):
            folder.chmod(0o1777)  # for every user, each file for its owner alone to remove
    return folder


class PortLock:
    """The right to talk to one port, as long as this process lives or until it is released."""

    def __init__(self, port: str, folder: Path | None = None) -> None:
        """Take the lock.  Raises LinkFailed, naming the holder, if another agent keeps it.

        Raises Refused if there is no place for a lock.
        """
        place = locks_folder() if folder is None else make_folder(folder)
        self.path = place / f"{_safe(port)}.lock"
        try:
            self._handle = _opened(self.path)
        except OSError as error:
            raise refusal(error, self.path, "opened") from error
        try:
            _take_soon(self._handle)
        except OSError as error:
            holder = self._holder()
            os.close(self._handle)
            raise LinkFailed(
                f"{port} is in use by another plumbelt ({holder})",
                remedy="End that one first, or take another port",
            ) from error
        with suppress(OSError):  # another user's file that may only be read is still a lock
            os.ftruncate(self._handle, 0)
            os.write(self._handle, _who().encode("ascii", "replace"))

    def covers(self, port: str) -> bool:
        """True if `port`, whatever it is called, is the port of this lock."""
        return self._handle >= 0 and self.path.name == f"{_safe(port)}.lock"

    def _holder(self) -> str:
        os.lseek(self._handle, 0, os.SEEK_SET)
        text = os.read(self._handle, 200).decode("ascii", "replace")
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


def holder_of_lock(port: str) -> str:
    """Which other agent holds `port`; empty if none does.  Leaves everything as it is."""
    path = locks_folder() / f"{_safe(port)}.lock"
    if not path.exists():
        return ""
    try:
        PortLock(port).release()
    except LinkFailed as held:
        return str(held.what).partition("another ")[2]
    return ""


def _opened(path: Path) -> int:
    """A handle on the lock's file, made if it is not there; never through a link."""
    flags = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    for mode in (os.O_RDWR, os.O_RDONLY):  # another user's file may be one or the other
        with suppress(FileNotFoundError, PermissionError):
            return os.open(path, mode | flags)
    handle = os.open(path, os.O_RDWR | os.O_CREAT | flags, 0o666)
    if sys.platform != "win32":
        with suppress(OSError):
            os.fchmod(handle, 0o666)  # whatever the umask: others have to be able to lock it
    return handle


def _take_soon(handle: int) -> None:
    """As `_take`, though not given up for somebody who only looks.  Raises OSError."""
    until = time.monotonic() + _MOMENT
    while True:
        try:
            _take(handle)
            return
        except OSError:
            if time.monotonic() >= until:
                raise
        time.sleep(_MOMENT / 10)


def _take(handle: int) -> None:
    """Lock for this process alone, at once or not at all.  Raises OSError."""
    if sys.platform == "win32":
        os.lseek(handle, _LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        os.lseek(handle, 0, os.SEEK_SET)
    else:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _who() -> str:
    try:
        user = f" of {getpass.getuser()}"
    except (KeyError, OSError, ImportError):  # a user without a name
        user = ""
    return f"process {os.getpid()}{user} since {utc_now()}"


def _safe(port: str) -> str:
    """A file name for a port: devices by what they point at, so that two names are one lock."""
    com = re.fullmatch(r"(?:\\\\[.?]\\)?(COM\d+):?", port, re.IGNORECASE)
    if com is not None:
        return com[1].upper()
    if "://" not in port:
        port = str(Path(port).resolve())
    return re.sub(r"[^A-Za-z0-9]+", "_", port).strip("_")[:100] or socket.gethostname()
