"""A process that tunes a machine in the shell, or only imports, and tells its peak memory.

    tune             the verbs of a whole job, in a shell on a machine in memory
    import NAME...   nothing but imports

The last line printed holds the peak memory in MB and the outside modules that were imported.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path
from typing import Final

from tests.benchmarks.starting import is_outside
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in

_AGAIN: Final = TO_A_PLAN[1:-1]
_JOB: Final = (*TO_A_PLAN, "write", "store", *_AGAIN)


def main() -> None:
    task, *names = sys.argv[1:]
    if task == "tune":
        _tune()
        peak = _peak()
        print(peak, *sorted(name for name in sys.modules if _importable(name)))
        return
    for name in names:
        importlib.import_module(name)
    print(_peak())


def _tune() -> None:
    desk = desk_at(answers={"digest ": digest_in})
    for line, code in zip(_JOB, carry_out(desk, _JOB), strict=True):
        if code:
            raise SystemExit(f"{line} ended with {code}")


def _importable(name: str) -> bool:
    """True for a module of an outside library with a file of its own."""
    return getattr(sys.modules[name], "__spec__", None) is not None and is_outside(name)


def _peak() -> float:
    """Most memory ever resident, MB: the high-water mark, or where there is none the system's."""
    status = Path("/proc/self/status")
    if status.exists():
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return float(line.split()[1]) / 1024
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main()
