"""See the head of the package."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from typing import Any

import tests.fuzz as package
from tests.fuzz.door import Result, guarded
from tests.fuzz.doors import DOORS


def campaign(what: str, runs: int, seed: int = 0) -> list[Result]:
    """So many runs at one door."""
    return [guarded(DOORS[what], seed + i) for i in range(runs)]


def figures(results: Sequence[Result]) -> dict[str, int]:
    return {
        "runs": len(results),
        "accepted": sum(result.accepted for result in results),
        "wrong_accepted": sum(bool(result.wrong) for result in results),
        "tracebacks": sum(bool(result.traceback) for result in results),
        "hangs": sum(result.hang for result in results),
    }


def main() -> None:
    parser = argparse.ArgumentParser(
        description=package.__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--what", choices=[*DOORS, "all"], default="dumps")
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0, help="number of the first run")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    names = list(DOORS) if options.what == "all" else [options.what]
    found: dict[str, Any] = {}
    for name in names:
        results = campaign(name, options.runs, options.seed)
        found[name] = figures(results)
        if options.json:
            continue
        print(name, found[name])
        bad = [
            (options.seed + i, r.wrong or r.traceback or "hangs")
            for i, r in enumerate(results)
            if r.wrong or r.traceback or r.hang
        ]
        for number, why in bad[:10]:
            print(f"  run {number}: {why}")
    if options.json:
        print(json.dumps(found if options.what == "all" else found[options.what]))


if __name__ == "__main__":
    main()
