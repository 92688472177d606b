"""The product with what only POSIX systems have taken away, as on Windows as far as that carries.

    python -m tests.elsewhere         # imports every module, then demo, solve, save and restore

Libraries of others are brought in first: they have ways of their own on each system.  Then the
modules and functions that Windows lacks are hidden, `sys.platform` says `win32`, and waiting for
anything but a socket fails, as it does there.  `os.name` stays, and O_NONBLOCK: paths and the
removal of folders in the standard library hang on them.
"""

from __future__ import annotations

import importlib
import io
import json
import os
import pkgutil
import select
import signal
import socket
import sys
import tempfile
import types
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

#: Brought in before anything is hidden.
LIBRARIES = """
    asyncio click click.shell_completion getpass jinja2 matplotlib.backends.backend_svg
    matplotlib.figure numpy platformdirs prompt_toolkit prompt_toolkit.input.vt100
    prompt_toolkit.output.vt100 rich.progress rich.table scipy.linalg scipy.optimize scipy.special
    serial serial.rfc2217 serial.tools.list_ports serial.urlhandler.protocol_socket sqlite3
    subprocess tempfile yaml
"""

#: Modules of the standard library that Windows lacks.
MODULES = ("fcntl", "termios", "pty", "tty", "pwd", "grp", "resource", "syslog", "readline")

#: What these modules lack there.
LACKING: dict[Any, str] = {
    os: "openpty fork forkpty pread pwrite fchmod fchown mkfifo getuid geteuid getgid getegid"
    " getgroups setuid setsid killpg getpgid uname ttyname O_NOFOLLOW O_CLOEXEC O_NOCTTY"
    " statvfs sysconf nice",
    signal: "SIGHUP SIGKILL SIGPIPE SIGUSR1 SIGUSR2 SIGALRM SIGCHLD setitimer alarm pause"
    " pthread_sigmask",
    select: "poll epoll",
}


def hide() -> None:
    """From now on this interpreter is elsewhere."""
    for name in MODULES:
        sys.modules[name] = None  # type: ignore[assignment]
    for module, names in LACKING.items():
        for name in names.split():
            if hasattr(module, name):
                delattr(module, name)
    really = select.select

    def sockets_only(readers: Any, writers: Any, *rest: Any) -> Any:
        for one in (*readers, *writers):
            handle = one if isinstance(one, int) else one.fileno()
            try:
                socket.socket(fileno=os.dup(handle)).close()
            except OSError:
                raise OSError(10038, "an operation on something that is not a socket") from None
        return really(readers, writers, *rest)

    select.select = sockets_only
    locks: set[tuple[int, int]] = set()
    held: dict[int, tuple[int, int]] = {}

    def locking(handle: int, mode: int, size: int) -> None:
        found = os.fstat(handle)
        place = (found.st_ino, os.lseek(handle, 0, os.SEEK_CUR))
        if place in locks:
            raise PermissionError(13, "Permission denied")
        locks.add(place)
        held[handle] = place

    shut = os.close

    def close(handle: int) -> None:
        locks.discard(held.pop(handle, (0, 0)))
        shut(handle)

    os.close = close
    msvcrt = types.ModuleType("msvcrt")
    msvcrt.locking, msvcrt.LK_NBLCK = locking, 2  # type: ignore[attr-defined]
    sys.modules["msvcrt"] = msvcrt
    sys.platform = "win32"


def modules() -> list[str]:
    """Every module of the product."""
    found = []
    for package in ("agent", "sim"):
        top = importlib.import_module(package)
        found += [m.name for m in pkgutil.walk_packages(top.__path__, f"{package}.")]
    return found


def call(*words: str) -> tuple[int, dict[str, Any]]:
    """Exit code and document of one command."""
    from agent.face.main import run

    out = io.StringIO()
    with redirect_stdout(out):
        code = run([*words, "--json"])
    text = out.getvalue()
    return code, json.loads(text) if text else {}


def elsewhere() -> dict[str, Any]:
    """What came of each thing that was tried."""
    from agent.rehearsal import behind_a_terminal
    from agent.store.locks import PortLock
    from sim.endings import PtyEnding

    done: dict[str, Any] = {"modules": len([importlib.import_module(name) for name in modules()])}
    done["demo"] = call("demo", "--bench", "none", "--seed", "3")[1].get("verified")
    readings = Path("tower.yaml")
    readings.write_text(
        "format: plumbelt-readings/1\nmechanics: {gantry_angle_deg: 45}\n"
        "settings: {steps_per_mm: {x: 80, y: 80, z: 154}}\n"
        "instrument: {resolution_mm: 0.01, mpe_mm: 0.03}\n"
        "material: {shrink_percent: 0, shrink_u_percent: 0.02}\nreadings:\n"
        "  - {feature: outside, along: [0, 200, 0], mm: [198.42, 198.41], between: edges}\n",
        encoding="utf-8",
    )
    done["solve"] = call("solve", str(readings))[0]
    for listen in ("tcp:0", "rfc2217:0"):
        machine = behind_a_terminal(listen=listen, speed=0.0)
        name = listen.partition(":")[0]
        done[f"save {name}"], _ = call(
            "profile", "save", name, "--like", "heron", "--port", machine.address
        )
        machine.close()
        machine = behind_a_terminal(listen=listen, speed=0.0, faults=("layout",))
        restore = ("profile", "restore", name, "--port", machine.address)
        _, preview = call(*restore, "--preview")
        done[f"restore {name}"], _ = call(*restore, "--approve", preview["digest"], "--store")
        done[f"compare {name}"], _ = call("profile", "compare", name, "--port", machine.address)
        machine.close()
    try:
        PtyEnding()
    except Exception as refusal:
        done["pty"] = str(refusal)
    with PortLock("COM12"):
        try:
            PortLock("COM12")
        except Exception as refusal:
            done["lock"] = str(refusal)
    PortLock("COM12").release()
    done["ports"], _ = call("ports")
    return done


def main() -> None:
    for name in LIBRARIES.split():
        importlib.import_module(name)
    hide()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["PLUMBELT_HOME"] = str(Path(folder) / "data")
        os.chdir(folder)
        tempfile.tempdir = folder
        done = elsewhere()
        os.chdir("/")
    print(json.dumps(done))


if __name__ == "__main__":
    main()
