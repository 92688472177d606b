"""Do the tests notice?  Draws faults at random, and runs the tests that are to notice them.

    python -m tests.mutants --sample 100 --seed 1
    python -m tests.mutants --only estimate --sample 40 --json

The nearest tests come first: those that are named as the module, those of its folder and the
published checks, those that import it from elsewhere, and with --wide those of whole verbs; the
first that fails ends it.  A fault is killed if a test fails, cannot be collected, or takes far too
long.  `equivalents.txt`
lists faults that change nothing that could be observed, each with its reason; they are not drawn.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
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

#: Seconds for the tests of one ring.
PATIENCE = 300.0

#: What pytest ends with where it found no test.
NO_TESTS = 5


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


def rings(place: Drawn, *, wide: bool = False) -> list[list[str]]:
    """Tests that are to notice a fault of this module, the nearest first; none comes twice."""
    module = place.path.relative_to(TREE).with_suffix("")
    stem = place.path.stem.strip("_")
    folders = [TREE / "tests" / place.package, TREE / "tests" / "published"]
    if place.package == "agent":
        folders = []
    own = [path for folder in folders for path in sorted(folder.rglob("test_*.py"))]
    everything = sorted((TREE / "tests").rglob("test_*.py"))
    dotted = ".".join(module.parts)
    package, _, name = dotted.rpartition(".")
    imports = re.compile(
        rf"(from|import) {re.escape(dotted)}\b|from {re.escape(package)} import [^\n]*\b{name}\b"
    )
    found = [
        [path for path in own if path.stem == f"test_{stem}"],
        own,
        [path for path in everything if imports.search(path.read_text(encoding="utf-8"))],
    ]
    if wide or not any(path.parent.name == place.package for path in own):
        verbs = ("bench", "face", "change")
        found.append([path for path in everything if path.parent.name in verbs])
    seen: set[Path] = set()
    rings = []
    for paths in found:
        new = [path for path in paths if path not in seen]
        seen.update(new)
        rings.append([path.relative_to(TREE).as_posix() for path in new])
    return [ring for ring in rings if ring]


def killed(room: Path, place: Drawn, found: Fault, *, wide: bool = False) -> bool:
    """True if the tests notice."""
    target = room / place.path.relative_to(TREE)
    before = target.read_text(encoding="utf-8")
    target.write_text(found.source, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider"]
    environment = {**os.environ, "PYTHONPATH": str(room), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        for ring in rings(place, wide=wide):
            done = subprocess.run(
                [*command, *ring],
                cwd=room,
                env=environment,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                timeout=PATIENCE,
                check=False,
            )
            if done.returncode not in (0, NO_TESTS):
                return True
    except subprocess.TimeoutExpired:
        return True
    finally:
        target.write_text(before, encoding="utf-8")
    return False


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--sample", type=int, default=40, help="faults to try")
    parser.add_argument("--seed", type=int, default=1, help="which faults")
    parser.add_argument("--only", help="one package of agent/")
    parser.add_argument("--wide", action="store_true", help="tests of whole verbs too")
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
        survivors = _try(rooms, drawn, quiet=options.json, wide=options.wide)
    _tell(drawn, survivors, as_json=options.json)


def _try(
    rooms: list[Path], drawn: list[tuple[Drawn, Fault]], *, quiet: bool, wide: bool
) -> list[tuple[Drawn, Fault]]:
    """Those that no test noticed; each copy of the tree tries its share."""

    def share(room: Path, part: list[tuple[Drawn, Fault]]) -> list[tuple[Drawn, Fault]]:
        left = []
        for place, found in part:
            if not killed(room, place, found, wide=wide):
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
