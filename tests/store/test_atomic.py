"""Atomic writes: the old file or the new one, whatever happens in between."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from agent.errors import Refused
from agent.store import atomic
from agent.store.atomic import ABSENT, stamp, write_file


@pytest.fixture(autouse=True)
def _data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Folders are made in the user's data folder alone."""
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))


def test_a_file_is_replaced_whole_and_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "file"
    first = write_file(path, "old")
    path.chmod(0o600)
    second = write_file(path, b"new", expect=first)
    assert (path.read_bytes(), stamp(path)) == (b"new", second)
    assert path.stat().st_mode & 0o777 == 0o600
    assert list(path.parent.iterdir()) == [path]


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to("real")
    write_file(tmp_path / "link", "new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


@pytest.mark.parametrize(
    ("call", "error", "what"),
    [
        ("fsync", errno.ENOSPC, "no space left on device. The disk is full"),
        ("fsync", errno.EIO, "could not be written"),
        ("replace", errno.EROFS, "can only be read"),
    ],
)
def test_a_failing_disk_leaves_the_old_file_and_nothing_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, error: int, what: str
) -> None:
    path = tmp_path / "file"
    path.write_text("old")

    def fail(*_: object) -> None:
        raise OSError(error, os.strerror(error))

    monkeypatch.setattr(Path if call == "replace" else atomic.os, call, fail)
    with pytest.raises(Refused, match=what):
        write_file(path, "new")
    monkeypatch.undo()
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_new_file_never_replaces_one_that_appeared(tmp_path: Path) -> None:
    path = tmp_path / "file"
    assert stamp(path) == ABSENT
    path.write_text("somebody else's")
    with pytest.raises(Refused, match="is there already"):
        write_file(path, "mine", expect=ABSENT)
    assert path.read_text() == "somebody else's"


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(Refused, match="could not be made"):
        write_file(tmp_path / "file" / "below", "x")


def test_the_name_of_a_new_file_is_flushed_with_it(tmp_path, monkeypatch):
    """Without the folder's own flush a power cut can lose the name of a file that was flushed."""
    flushed, flush = [], os.fsync

    def noted(handle):
        flushed.append(stat.S_ISDIR(os.fstat(handle).st_mode))
        flush(handle)

    monkeypatch.setattr(os, "fsync", noted)
    write_file(tmp_path / "a", "text")
    assert flushed[-2:] == [False, True]


@pytest.mark.parametrize("mask", [0o022, 0o077])
def test_a_new_file_has_the_permissions_that_the_user_wants_and_the_mask_stays(
    tmp_path: Path, mask: int
) -> None:
    before = os.umask(mask)
    try:
        write_file(tmp_path / "file", "new")
        assert (tmp_path / "file").stat().st_mode & 0o777 == 0o666 & ~mask
        (tmp_path / "other").write_text("of another")
        assert (tmp_path / "other").stat().st_mode & 0o777 == 0o666 & ~mask
    finally:
        os.umask(before)
