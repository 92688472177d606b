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

#: Answers to the questions of the shell, by words in them.
_ANSWERS: Final = {"Read and understood": "understood", "clear": "yes", "mm (": "all"}

_ROUND: Final = (
    *("gauge travel", "lay strip", "gauge strip", "lay post", "gauge post"),
    *("lay block", "gauge block"),
)
_JOB: Final = ("attach", *_ROUND, "solve", "preview", "write", "store", *_ROUND, "solve")


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
    from agent.face.desk import Desk
    from agent.face.screen import Screen
    from agent.face.shell import run_line
    from agent.rehearsal import in_memory
    from agent.session import Session
    from agent.store.journal import MemoryJournal
    from agent.store.profiles import load_profile

    def technician(question: str) -> str:
        if "digest " in question:
            return question.partition("digest ")[2][:4]
        return next((answer for words, answer in _ANSWERS.items() if words in question), "")

    desk = Desk(Screen(technician), in_memory(seed=3), in_shell=True)
    desk.session = Session(load_profile("heron"), journal=lambda *_: MemoryJournal())
    for line in _JOB:
        if code := run_line(desk, line):
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
