"""The package: what is in it, its one version, the licences of what it stands on."""

from __future__ import annotations

import importlib.metadata
import re
import subprocess
import sys
import tarfile
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

from agent import __version__
from tests.packaging import ROOT, built, used

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    try:
        return built(tmp_path_factory.mktemp("dist"))
    except subprocess.CalledProcessError as error:
        pytest.fail(f"it cannot be built: {error.stderr.decode()[-2000:]}")


def test_both_packages_hold_all_that_runs(packages: tuple[Path, Path]) -> None:
    sdist, wheel = packages
    kept = [
        path.relative_to(ROOT).as_posix()
        for folder in ("agent", "sim", "profiles")
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    ]
    with zipfile.ZipFile(wheel) as archive:
        assert set(kept) <= set(archive.namelist())
        assert not [name for name in archive.namelist() if name.startswith("tests")]
    with tarfile.open(sdist) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    assert {*kept, "README.md", "LICENSE", "pyproject.toml"} <= names
    assert {"agent/py.typed", "sim/py.typed"} <= set(kept)


def test_the_version_comes_from_one_place(packages: tuple[Path, Path]) -> None:
    assert "version" not in PROJECT["project"]
    assert all(f"plumbelt-{__version__}" in path.name for path in packages)


def test_it_is_used_away_from_the_checkout(packages: tuple[Path, Path], tmp_path: Path) -> None:
    """With the libraries of this environment; `python -m tests.packaging` fetches its own."""
    room = tmp_path / "env"
    venv.create(room, with_pip=True)
    inside = room / ("Scripts" if sys.platform == "win32" else "bin")
    pip = [str(inside / "python"), "-m", "pip", "install", "-q", "--no-deps", str(packages[1])]
    subprocess.run(pip, check=True)
    [site] = (room / "lib").glob("python*/site-packages") or [room / "Lib" / "site-packages"]
    here = {str(Path(str(importlib.metadata.distribution(n).locate_file("")))) for n in libraries()}
    (site / "libraries.pth").write_text("\n".join(here))
    away = tmp_path / "away"
    away.mkdir()
    used(str(inside / "plumbelt"), away)


def libraries() -> list[str]:
    """Names of the libraries that an installation brings along."""
    wanted = [*PROJECT["project"]["dependencies"]]
    return [re.split(r"[\s\[<>=!~;]", requirement)[0] for requirement in wanted]


def test_the_licences_of_all_libraries_are_listed() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = dict(re.findall(r"^\| `([\w.-]+)` \| ([^|]+?) \|", text, re.MULTILINE))
    assert set(rows) >= set(libraries())
    for name in libraries():
        head = importlib.metadata.metadata(name)
        told = " ".join(
            [
                head.get("License-Expression") or "",
                (head.get("License") or "")[:200],
                *(c for c in head.get_all("Classifier") or () if c.startswith("License")),
            ]
        )
        kind = rows[name].split("-")[0].split()[0]  # MIT, BSD, PSF, Apache
        assert re.search({"PSF": "PSF|Python Software|matplotlib"}.get(kind, kind), told), (
            name,
            rows[name],
            told,
        )
