"""What an installed command brings along: completion of the user's shell, a manual page."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from agent.face.main import plumbelt, run
from agent.face.manual import manual
from agent.face.topics import TOPICS
from tests.patience import PATIENCE


@pytest.mark.parametrize(
    ("shell", "place"),
    [
        ("bash", "data/bash-completion/completions/plumbelt"),
        ("fish", "config/fish/completions/plumbelt.fish"),
        ("zsh", "data/zsh/site-functions/_plumbelt"),
    ],
)
def test_completion_is_installed_where_the_shell_looks(
    shell: str, place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    for _ in range(2):  # again brings it up to date
        assert run(["completion", shell, "--install"]) == 0
    assert "_PLUMBELT_COMPLETE" in (tmp_path / place).read_text()


def test_the_manual_holds_every_verb_and_topic() -> None:
    page = manual(plumbelt)
    for name in plumbelt.commands:
        assert f".SS {name}".replace("-", "\\-") in page, name
    for topic in TOPICS:
        assert f".SS {topic}:".replace("-", "\\-") in page
    assert not [line for line in page.splitlines() if line.startswith("'")]


def test_the_manual_is_set_without_a_complaint(capsys: pytest.CaptureFixture[str]) -> None:
    setter = shutil.which("groff") or shutil.which("mandoc")
    assert run(["help", "--man"]) == 0
    page = capsys.readouterr().out
    if setter is None:
        pytest.skip("neither groff nor mandoc is here to set the page")
    options = ["-man", "-ww", "-z"] if setter.endswith("groff") else ["-T", "lint"]
    done = subprocess.run(
        [setter, *options], input=page, text=True, capture_output=True, timeout=PATIENCE, check=True
    )
    assert done.stderr == ""
