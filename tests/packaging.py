"""The package as users get it: built, installed into bare environments, run away from the checkout.

    python -m tests.packaging                     # every usable Python that is in PATH
    python -m tests.packaging --python python3.12

Builds sdist and wheel (the wheel from the sdist), then for each Python: a new environment, the
wheel with its dependencies from the usual package index, and `demo`, `rehearse`, `report` from
there.  Says what it did; exit 1 if something failed.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from tests.patience import PATIENCE

ROOT: Final = Path(__file__).resolve().parent.parent

#: Versions that the package says it runs on, oldest first.
VERSIONS: Final = ("3.11", "3.12", "3.13", "3.14")


def usable(names: Iterable[str] = ()) -> list[str]:
    """Interpreters that run: those named, or one of each version."""
    found = []
    for name in names or [f"python{version}" for version in VERSIONS]:
        path = shutil.which(name)
        if path is not None and _says(path, "import venv, ensurepip, ssl, sqlite3") is not None:
            found.append(path)
    return found


def _says(python: str, code: str) -> str | None:
    done = subprocess.run([python, "-c", code], capture_output=True, text=True, check=False)
    return done.stdout if done.returncode == 0 else None


def built(folder: Path) -> tuple[Path, Path]:
    """(sdist, wheel) of this checkout, made in `folder`."""
    subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(ROOT)],
        check=True,
        capture_output=True,
        timeout=PATIENCE,
    )
    return next(folder.glob("*.tar.gz")), next(folder.glob("*.whl"))


def run(words: Sequence[str], folder: Path, typed: str = "") -> str:
    """What a command prints, in an empty folder with an empty data folder, away from here."""
    bare = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "PLUMBELT"))}
    done = subprocess.run(
        words,
        cwd=folder,
        env={**bare, "PLUMBELT_HOME": str(folder / "data")},
        input=typed,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )
    if done.returncode:
        raise AssertionError(f"{' '.join(words)}: exit {done.returncode}\n{done.stderr[-2000:]}")
    return done.stdout


def used(command: str, folder: Path) -> None:
    """Use an installed command as a user does.  Raises AssertionError."""
    from agent import __version__

    assert run([command, "--version"], folder).split()[-1] == __version__
    assert json.loads(run([command, "demo", "--bench", "none", "--seed", "3", "--json"], folder))[
        "verified"
    ]
    said = run(
        [command, "rehearse", "--seed", "3"],
        folder,
        "readback\npiece strip --svg strip.svg\nreport --out tune.html\nquit\n",
    )
    assert "steps_per_mm.z" in said
    assert "<svg" in (folder / "strip.svg").read_text(encoding="utf-8")
    page = (folder / "tune.html").read_text(encoding="utf-8")
    assert "<style" in page, "the page has its style sheet in it"
    assert "heron" in run([command, "profile", "list"], folder)
    assert ".TH PLUMBELT" in run([command, "help", "--man"], folder)


def installed(python: str, wheel: Path, folder: Path) -> str:
    """The command of a wheel in a bare environment of `python`."""
    subprocess.run([python, "-m", "venv", str(folder)], check=True, timeout=PATIENCE)
    inside = folder / ("Scripts" if sys.platform == "win32" else "bin")
    subprocess.run(
        [str(inside / "python"), "-m", "pip", "install", "-q", str(wheel)],
        check=True,
        timeout=2 * PATIENCE,
    )
    return str(inside / "plumbelt")


def main() -> int:
    options = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    options.add_argument("--python", action="append", help="an interpreter; may be repeated")
    wanted = options.parse_args().python or ()
    pythons = usable(wanted)
    missing = len(set(wanted)) - len(pythons)
    failed = max(missing, 0)
    with tempfile.TemporaryDirectory() as name:
        sdist, wheel = built(Path(name))
        print(f"built {sdist.name} and {wheel.name}")
        for python in pythons:
            with tempfile.TemporaryDirectory() as room:
                version = (_says(python, "import sys; print(sys.version.split()[0])") or "").strip()
                try:
                    away = Path(room, "away")
                    away.mkdir()
                    used(installed(python, wheel, Path(room, "env")), away)
                except (AssertionError, OSError, subprocess.SubprocessError) as error:
                    failed += 1
                    print(f"Python {version}: FAILED: {error}")
                else:
                    print(f"Python {version}: installed and used")
    return 1 if failed or not pythons else 0


if __name__ == "__main__":
    sys.exit(main())
