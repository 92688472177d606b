"""Files that are either the old one or the new one, never half of either.

A new file is written beside the old, flushed to the disk, and renamed over it; then the folder is
flushed, without which the rename itself may be lost with the power.  A file that changed since it
was read is never replaced: `stamp` it when reading, hand the stamp back when writing.
"""

from __future__ import annotations

import errno
import hashlib
import os
import tempfile
from contextlib import suppress
from pathlib import Path
from typing import Final

from agent.errors import Refused
from agent.store.home import home

#: Stamp of a file that is not there: writing with it makes a new file and replaces none.
ABSENT: Final = "absent"


def stamp_of(data: bytes) -> str:
    """What `stamp` gives for a file that holds `data`."""
    return hashlib.sha256(data).hexdigest()


def stamp(path: Path) -> str:
    """Stamp of what `path` holds now; `ABSENT` where there is no file."""
    try:
        return stamp_of(path.read_bytes())
    except FileNotFoundError:
        return ABSENT


def refusal(error: OSError, path: Path, act: str) -> Refused:
    """The error of a file operation as words: what failed, where, and what to do."""
    remedies = {
        "ENOSPC": "The disk is full: make room and try again",
        "EDQUOT": "Your share of the disk is used up: make room and try again",
        "EROFS": "The disk can only be read: choose another folder, or set PLUMBELT_HOME",
        "EACCES": "You may not write there: choose another folder, or set PLUMBELT_HOME",
        "EPERM": "You may not write there: choose another folder, or set PLUMBELT_HOME",
        "EISDIR": "That is a folder: give the name of a file",
        "ENOTDIR": "Part of that path is a file: give another path",
        "ENAMETOOLONG": "The name is too long: choose a shorter one",
    }
    name = errno.errorcode.get(error.errno or 0, "")
    why = os.strerror(error.errno) if error.errno else str(error)
    return Refused(
        f"{path} could not be {act}: {why.lower()}",
        remedy=remedies.get(name, "Nothing was changed"),
    )


def make_folder(folder: Path) -> Path:
    """`folder`, made with its parents if it is not there.  Raises Refused if it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise refusal(error, folder, "made") from error
    return folder


def sync_folder(folder: Path) -> None:
    """Flush the names in `folder` to the disk, where the system can do so."""
    with suppress(OSError):  # some systems cannot open a folder; nothing is lost but a guarantee
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_file(path: Path, data: bytes | str, *, expect: str | None = None) -> str:
    """Make `path` hold `data`, wholly or not at all; returns the new stamp.

    Folders are made in the user's data folder alone.  `expect` is the stamp that the file had when
    it was read (`ABSENT`: no file); None replaces whatever is there.  Raises Refused where the
    folder is missing elsewhere, if the file has changed since, or cannot be written.
    """
    content = data.encode() if isinstance(data, str) else data
    target = path.resolve()  # through a link, so that the link stays one
    if not target.parent.is_dir():
        if not target.parent.is_relative_to(home().resolve()):  # mistyped as a rule
            raise Refused(
                f"there is no folder {path.parent}",
                remedy="Make it first, or choose another place. Nothing was written",
            )
        make_folder(target.parent)
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:40]}.")
    except OSError as error:
        raise refusal(error, path, "written") from error
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.chmod(_mode(target))
        _put_in_place(beside, target, path, expect)
    except OSError as error:
        raise refusal(error, path, "written") from error
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
    sync_folder(target.parent)
    return stamp_of(content)


def _put_in_place(beside: Path, target: Path, shown: Path, expect: str | None) -> None:
    if expect == ABSENT:
        try:
            os.link(beside, target)  # fails if a file appeared meanwhile, unlike a rename
            return
        except FileExistsError:
            raise Refused(
                f"{shown} is there already", remedy="Choose another name. Nothing was changed"
            ) from None
        except OSError:  # a file system without hard links
            pass
    if expect is not None and stamp(target) != expect:
        raise Refused(
            f"{shown} has changed since it was read",
            remedy="Read it again and look at what changed. Nothing was overwritten",
        )
    beside.replace(target)


def _mode(target: Path) -> int:
    """Permissions of the file that is replaced, or those of a new file."""
    try:
        return target.stat().st_mode & 0o777
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask
