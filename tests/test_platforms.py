"""Other systems than the one at hand: Windows as far as it can be played, and poor consoles."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from agent.errors import BadInput
from agent.face.shell import split
from agent.store.names import is_device, safe_name
from agent.store.profiles import profile_path
from tests.patience import PATIENCE

ROOT = Path(__file__).resolve().parent.parent


def test_the_whole_job_without_anything_of_posix() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-m", "tests.elsewhere"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    found = json.loads(done.stdout.splitlines()[-1])
    assert found.pop("modules") > 100
    assert "tcp:0" in found.pop("pty")
    assert "in use by another plumbelt" in found.pop("lock")
    assert found.pop("demo") is True
    assert set(found.values()) == {0}, found


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437"])
def test_a_console_that_lacks_signs_is_no_reason_to_fail(encoding: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "agent.face.main", "drive", "--ratio", "5", "--roller", "31.5",
         "--belt", "0.9", "--measured-steps", "176.02", "--was-roller", "28"],
        capture_output=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONIOENCODING": encoding, "PLUMBELT_HOME": str(tmp_path)},
        timeout=PATIENCE,
        check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"157.0" in done.stdout


def test_paths_keep_their_backslashes_where_those_are_usual(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert split(r"attach a\ b 'c d' #e") == ["attach", "a b", "c d", "#e"]
    monkeypatch.setattr(sys, "platform", "win32")
    assert split(r"attach \\.\COM12") == ["attach", r"\\.\COM12"]
    assert split(r'solve "C:\my files\a.yaml"') == ["solve", r"C:\my files\a.yaml"]
    with pytest.raises(BadInput):
        split("solve 'open")


def test_no_file_is_named_like_a_device() -> None:
    assert [
        name for name in ("con", "NUL", "com3.yaml", "LPT1", "aux ") if not is_device(name)
    ] == []
    assert not is_device("console")
    assert safe_name("con") == "con_"
    assert safe_name("a/b: c?") == "a_b__c_"
    assert safe_name("") == "unnamed"
    with pytest.raises(BadInput):
        profile_path("nul")
