"""The README's sessions, run as they stand there.

    python -m tests.readme            # say which outputs are stale
    python -m tests.readme --write    # put what the commands print today in their place

In a ```console block every line that begins with `$ ` is a command; what follows is what it prints.
A ```yaml block whose first line is `# NAME.yaml` is a file.  All run in order, in one empty folder
with an empty data folder; a command that ends in ` &` runs until `kill %N` or the end.  Port 7311
stands for any free one.
"""

from __future__ import annotations

import argparse
import os
import re
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.patience import PATIENCE

README = Path(__file__).resolve().parent.parent / "README.md"
PORT = "7311"

_FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass
class Session:
    """One console block: commands with what they printed."""

    start: int  #: place of its text in the README
    end: int
    steps: list[tuple[str, str]] = field(default_factory=list)

    @property
    def text(self) -> str:
        return "".join(f"$ {command}\n{output}" for command, output in self.steps)


def parts(text: str) -> Iterator[Session | tuple[str, str]]:
    """Console blocks, and files as (name, content), in their order."""
    for block in _FENCE.finditer(text):
        kind, body = block.groups()
        if kind == "console":
            session = Session(block.start(2), block.end(2))
            for piece in re.split(r"^\$ ", body, flags=re.MULTILINE)[1:]:
                command, _, output = piece.partition("\n")
                while command.endswith("\\"):
                    more, _, output = output.partition("\n")
                    command += "\n" + more
                session.steps.append((command, output))
            yield session
        elif kind == "yaml" and (name := re.match(r"# ([\w-]+\.yaml)\n", body)):
            yield name[1], body


@dataclass
class Stage:
    """Where the commands run."""

    folder: Path
    port: str
    running: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def run(self, command: str) -> str:
        """What `command` prints, standard output and standard error together."""
        line = command.replace(PORT, self.port)
        if job := re.fullmatch(r"kill %(\d+)", line):
            self._end(self.running[int(job[1]) - 1])
            return ""
        if line.endswith(" &"):
            self.running.append(
                subprocess.Popen(
                    ["bash", "-c", "exec " + line[:-2]],
                    cwd=self.folder,
                    env=self._environment(),
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )
            )
            self._wait_for_port()
            return ""
        done = subprocess.run(
            ["bash", "-c", line],
            cwd=self.folder,
            env=self._environment(),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL,
            timeout=PATIENCE,
            check=False,
        )
        text = done.stdout.decode().replace(self.port, PORT).replace(str(self.folder), "~")
        return "\n".join(part.rstrip() for part in text.splitlines()) + "\n" if text else ""

    def _environment(self) -> dict[str, str]:
        return os.environ | {
            "PATH": f"{self.folder / 'bin'}:{os.environ['PATH']}",
            "PLUMBELT_HOME": str(self.folder / "data"),
            "COLUMNS": "80",
            "NO_COLOR": "1",
            "TERM": "dumb",
        }

    def _wait_for_port(self) -> None:
        give_up = time.monotonic() + PATIENCE
        while time.monotonic() < give_up:
            try:
                socket.create_connection(("127.0.0.1", int(self.port)), timeout=1).close()
                time.sleep(0.3)
                return
            except OSError:
                time.sleep(0.1)

    def end(self) -> None:
        for process in self.running:
            self._end(process)

    def _end(self, process: subprocess.Popen[bytes]) -> None:
        """End one of our own processes, and wait: only then its port is free."""
        process.terminate()  # an interrupt is not heard by what was begun in the background
        try:
            process.wait(PATIENCE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


@contextmanager
def stage() -> Iterator[Stage]:
    """An empty folder with the command `plumbelt` in reach and a free port."""
    with tempfile.TemporaryDirectory() as name, socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = str(probe.getsockname()[1])
        probe.close()
        folder = Path(name)
        (folder / "bin").mkdir()
        command = folder / "bin" / "plumbelt"
        command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m agent.face.main "$@"\n')
        command.chmod(0o755)
        there = Stage(folder, port)
        try:
            yield there
        finally:
            there.end()


def rerun(text: str) -> str:
    """The README with what its commands print today."""
    fresh, at = "", 0
    with stage() as here:
        for part in parts(text):
            if isinstance(part, tuple):
                (here.folder / part[0]).write_text(part[1])
                continue
            part.steps = [(command, here.run(command)) for command, _ in part.steps]
            fresh += text[at : part.start] + part.text
            at = part.end
    return fresh + text[at:]


def main() -> int:
    options = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    options.add_argument("--write", action="store_true", help="put today's output in its place")
    write = options.parse_args().write
    text = README.read_text(encoding="utf-8")
    fresh = rerun(text)
    if fresh == text:
        print("The README says what the commands print.")
        return 0
    if write:
        README.write_text(fresh, encoding="utf-8")
        print("README.md was brought up to date.")
        return 0
    print("The README differs from what its commands print; --write puts it right.")
    return 1


if __name__ == "__main__":
    sys.exit(main())
