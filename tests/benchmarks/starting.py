"""Whole processes: how long until something is there, and how much memory they take."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from tests.benchmarks.table import Row, at_most
from tests.benchmarks.timing import Act, side_by_side
from tests.packaging import READINGS

#: The command as installed beside this interpreter; else the module it leads to.
_INSTALLED: Final = Path(sys.executable).with_name("plumbelt")
PLUMBELT: Final = (
    (str(_INSTALLED),)
    if _INSTALLED.exists()
    else (sys.executable, "-c", "from agent.face.main import main; main()")
)

_OURS: Final = frozenset({"agent", "sim", "tests"})

#: What the shell writes when it is ready, and what a bare interpreter does.
PROMPT: Final = b"unnamed :"
READY: Final = b"READY"

_DRIVE: Final = (
    *("drive", "--full-steps", "200", "--microsteps", "16", "--ratio", "3"),
    *("--roller", "28", "--belt", "1"),
)

#: A line of `-X importtime`: own time, with everything below it, and the module.
_IMPORTED: Final = re.compile(r"import time:\s+\d+ \|\s+\d+ \| \s*([\w.]+)")


def rows(quick: bool) -> Iterator[Row]:
    runs = 5 if quick else 15
    with tempfile.TemporaryDirectory() as home:
        environment = {**os.environ, "PLUMBELT_HOME": home, "TERM": "xterm"}
        # An installed program has its bytecode, as its libraries have.
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        libraries = outside_libraries(PLUMBELT, environment)
        ours, bare = side_by_side(
            _until(PLUMBELT, PROMPT, environment),
            _until(_importing(libraries, READY), READY, environment),
            runs=runs,
        )
        yield Row(
            "process start to the shell's first prompt",
            ours,
            bare,
            f"bare interpreter importing the same {len(libraries)} outside modules",
            at_most(1.3),
        )
        readings = Path(home) / "readings.yaml"
        readings.write_text(READINGS, encoding="utf-8")
        for what, arguments in (
            ("--help", ("--help",)),
            ("drive ...", _DRIVE),
            ("solve FILE", ("solve", str(readings))),
        ):
            command = (*PLUMBELT, *arguments)
            libraries = outside_libraries(command, environment, prompts=False)
            ours, bare = side_by_side(
                _whole(command, environment),
                _whole(_importing(libraries, READY), environment),
                runs=runs,
            )
            yield Row(
                f"plumbelt {what}",
                ours,
                bare,
                f"bare interpreter importing the same {len(libraries)} outside modules",
                at_most(1.3),
            )


def memory_rows(quick: bool) -> Iterator[Row]:
    """Peak memory of the shell's process after a whole tune on a simulated machine."""
    ours, libraries = _told("tune")
    bare, _ = _told("import", *libraries)
    yield Row(
        "peak memory of the shell after a tune",
        ours,
        bare,
        f"bare interpreter with the same {len(libraries)} outside modules",
        unit="MB",
    )


def outside_libraries(
    command: Sequence[str], environment: dict[str, str], *, prompts: bool = True
) -> list[str]:
    """Modules from outside that a command imports until it prompts or ends, in its order."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "imports"
        line = f"exec {sys.executable} -X importtime {' '.join(command)} 2>{log}"
        shell = ("/bin/sh", "-c", line)
        (_until(shell, PROMPT, environment) if prompts else _whole(shell, environment))()
        imported = _IMPORTED.findall(log.read_text())
    return list(dict.fromkeys(name for name in imported if is_outside(name)))


def is_outside(name: str) -> bool:
    """True for a module of an outside library; also false for one that is not there at all."""
    top = name.partition(".")[0]
    if top in _OURS or top in sys.stdlib_module_names or top.startswith("_"):
        return False
    return find_spec(top) is not None and not name.endswith("_local")


def _importing(libraries: Sequence[str], said: bytes) -> tuple[str, ...]:
    lines = [f"import {name}" for name in libraries]
    return (sys.executable, "-c", "\n".join([*lines, f"print({said.decode()!r}, flush=True)"]))


def _whole(command: Sequence[str], environment: dict[str, str]) -> Act:
    """The process from start to end."""
    return lambda: subprocess.run(command, env=environment, stdout=subprocess.DEVNULL, check=True)


def _until(command: Sequence[str], said: bytes, environment: dict[str, str]) -> Act:
    """The process on a terminal, from its start until it has said something."""

    def act() -> None:
        child, terminal = pty.fork()
        if child == 0:
            os.execvpe(command[0], command, environment)
        heard = b""
        try:
            while said not in heard:
                ready, _, _ = select.select([terminal], [], [], 20)
                if not ready:
                    raise TimeoutError(f"{command[0]} did not say {said!r}: {heard!r}")
                heard += os.read(terminal, 4096)
        finally:
            os.kill(child, 9)
            os.close(terminal)
            os.waitpid(child, 0)

    return act


def _told(*arguments: str) -> tuple[float, list[str]]:
    """Peak memory (MB) and outside modules of a process that runs `tests.benchmarks.tuned`."""
    result = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.tuned", *arguments],
        capture_output=True,
        text=True,
        check=True,
    )
    peak, *libraries = result.stdout.splitlines()[-1].split()
    return float(peak), libraries
