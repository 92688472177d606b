"""Do the tests notice?  Draws faults at random, and runs the tests that mirror the module.

    python -m tests.mutants --sample 100 --seed 1
    python -m tests.mutants --only estimate --sample 40 --json

A fault is killed if a test fails, cannot be collected, or takes far too long.  `equivalents.txt`
lists faults that change nothing that could be observed, each with its reason; they are not drawn.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tests.mutants.faults import Fault, count, fault

TREE = Path(__file__).resolve().parent.parent.parent
EQUIVALENTS = Path(__file__).resolve().parent / "equivalents.txt"

#: Packages in which a fault could move a machine or falsify a result.
CORE = ("model", "estimate", "wire", "change", "store", "families")

#: Seconds for the tests of one fault.
PATIENCE = 300.0


@dataclass(frozen=True)
class Drawn:
    """One fault of one module."""

    path: Path
    number: int

    @property
    def package(self) -> str:
        parts = self.path.relative_to(TREE / "agent").parts
        return parts[0] if len(parts) > 1 else "agent"


def modules(only: str | None) -> list[Path]:
    """The modules of the product, or of one of its packages."""
    folder = TREE / "agent" / only if only else TREE / "agent"
    return sorted(p for p in folder.rglob("*.py") if p.name != "__init__.py")


def equivalents() -> frozenset[tuple[str, str]]:
    """(module, fault in words) of those that are known to change nothing."""
    rows = (line.split(" | ") for line in EQUIVALENTS.read_text().splitlines())
    return frozenset((row[0].strip(), row[1].strip()) for row in rows if len(row) == 3)


def draw(sample: int, seed: int, only: str | None) -> list[tuple[Drawn, Fault]]:
    """`sample` faults, each place of the code as likely as any other."""
    places = [
        Drawn(path, number)
        for path in modules(only)
        for number in range(count(path.read_text(encoding="utf-8")))
    ]
    random.Random(seed).shuffle(places)
    known, drawn = equivalents(), []
    for place in places:
        if len(drawn) == sample:
            break
        found = fault(place.path.read_text(encoding="utf-8"), place.number)
        if (place.path.relative_to(TREE).as_posix(), found.what) not in known:
            drawn.append((place, found))
    return drawn


def mirror(place: Drawn) -> list[str]:
    """Tests that are to notice a fault of this module: its folder, and the published checks."""
    folders = [f"tests/{place.package}", "tests/published"]
    if place.package == "agent":
        folders = ["tests/face", "tests/test_demo.py"]
    return [folder for folder in folders if (TREE / folder).exists()]


def killed(room: Path, place: Drawn, found: Fault) -> bool:
    """True if the tests notice."""
    target = room / place.path.relative_to(TREE)
    before = target.read_text(encoding="utf-8")
    target.write_text(found.source, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider"]
    environment = {**os.environ, "PYTHONPATH": str(room), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        done = subprocess.run(
            [*command, *mirror(place)],
            cwd=room,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            timeout=PATIENCE,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return True
    finally:
        target.write_text(before, encoding="utf-8")
    return done.returncode != 0


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--sample", type=int, default=40, help="faults to try")
    parser.add_argument("--seed", type=int, default=1, help="which faults")
    parser.add_argument("--only", help="one package of agent/")
    parser.add_argument("--jobs", type=int, default=2, help="copies of the tree at work")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    options = parser.parse_args()
    drawn = draw(options.sample, options.seed, options.only)
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        rooms = [Path(folder) / f"copy{n}" for n in range(options.jobs)]
        for room in rooms:
            for name in ("agent", "sim", "profiles", "tests"):
                ignore = shutil.ignore_patterns("__pycache__")
                shutil.copytree(TREE / name, room / name, ignore=ignore)
            for name in ("pyproject.toml", "README.md"):
                shutil.copy(TREE / name, room / name)
        survivors = list(_try(rooms, drawn, quiet=options.json))
    _tell(drawn, survivors, as_json=options.json)


def _try(
    rooms: list[Path], drawn: list[tuple[Drawn, Fault]], *, quiet: bool
) -> list[tuple[Drawn, Fault]]:
    """Those that no test noticed; each copy of the tree tries its share."""

    def share(room: Path, part: list[tuple[Drawn, Fault]]) -> list[tuple[Drawn, Fault]]:
        left = []
        for place, found in part:
            if not killed(room, place, found):
                left.append((place, found))
                if not quiet:
                    where = place.path.relative_to(TREE).as_posix()
                    print(f"not noticed: {where}:{found.line} {found.what}", flush=True)
        return left

    parts = [drawn[n :: len(rooms)] for n in range(len(rooms))]
    with ThreadPoolExecutor(len(rooms)) as pool:
        return [one for found in pool.map(share, rooms, parts) for one in found]


def _tell(
    drawn: list[tuple[Drawn, Fault]], survivors: list[tuple[Drawn, Fault]], *, as_json: bool
) -> None:
    tried = Counter(place.package for place, _ in drawn)
    left = Counter(place.package for place, _ in survivors)
    rows = {
        name: {"tried": tried[name], "killed": tried[name] - left[name]} for name in sorted(tried)
    }
    for title, names in (("core", CORE), ("all", tuple(tried))):
        total = sum(tried[name] for name in names)
        rows[title] = {"tried": total, "killed": total - sum(left[name] for name in names)}
    if as_json:
        listed = [
            {"module": p.path.relative_to(TREE).as_posix(), "line": f.line, "what": f.what}
            for p, f in survivors
        ]
        print(json.dumps({"packages": rows, "not_noticed": listed}, indent=2))
        return
    for name, row in rows.items():
        share = 100 * row["killed"] / row["tried"] if row["tried"] else 0.0
        print(f"{name:<10} {row['killed']:>4} of {row['tried']:>4} killed  {share:5.1f} %")


if __name__ == "__main__":
    main()
