"""The one command; see the head of the package."""

from __future__ import annotations

import argparse
import json
import platform
import sys
import traceback
from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Final

from tests.benchmarks.table import Row, layout

BENCHMARKS: Final[dict[str, str]] = {
    "start": "starting:rows",
    "readback": "links:readback_rows",
    "write": "links:write_rows",
    "lay": "links:laying_rows",
    "parse": "parsing:rows",
    "solve": "estimating:rows",
    "record": "recording:rows",
    "simulator": "simulating:rows",
    "tune": "simulating:tune_rows",
    "memory": "starting:memory_rows",
    "workshop": "shop:rows",
}


def rows_of(name: str) -> Callable[[bool], Iterator[Row]]:
    """What measures one part; brought in alone, so that no part hinders another."""
    module, _, function = BENCHMARKS[name].partition(":")
    rows: Callable[[bool], Iterator[Row]] = getattr(
        import_module(f"tests.benchmarks.{module}"), function
    )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--json", type=Path, metavar="FILE", help="keep the rows as JSON")
    parser.add_argument(
        "--only", action="append", choices=BENCHMARKS, metavar="NAME", help=", ".join(BENCHMARKS)
    )
    parser.add_argument("names", nargs="*", choices=[*BENCHMARKS, []], metavar="NAME")
    parser.add_argument("--quick", action="store_true", help="fewer runs and smaller sizes")
    wanted = parser.parse_args()
    found: list[Row] = []
    failed = []
    for name in wanted.names or wanted.only or BENCHMARKS:
        print(f"{name} ...", file=sys.stderr, flush=True)
        try:
            for row in rows_of(name)(wanted.quick):
                found.append(row)
        except Exception:
            failed.append(name)
            traceback.print_exc()
    print(f"Python {platform.python_version()}, {platform.machine()}, {platform.system()}")
    print("\n".join(layout(found)))
    if wanted.json is not None:
        document = {"rows": [row.to_plain() for row in found]}
        wanted.json.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")
    if failed:
        sys.exit(f"could not be measured to the end: {', '.join(failed)}")


if __name__ == "__main__":
    main()
