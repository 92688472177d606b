"""The far end of a link, in a process of its own so that it shares no interpreter with ours.

    answering   takes lines on a pseudo-terminal and answers each with `ok`, nothing else; with
                --delay every answer leaves so many seconds after its line came (latency: lines
                do not wait for one another)
    machine     the simulated heron with a dump of 60 lines, paced at a baud rate

Prints the path of the pseudo-terminal and ends when its standard input does.
"""

from __future__ import annotations

import argparse
import os
import select
import subprocess
import sys
import time
import tty
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

#: Lines of the dump that read-backs are measured with.
DUMP_LINES: Final = 60


@contextmanager
def peer(*arguments: str) -> Iterator[str]:
    """A peer for as long as the block lasts; gives the path to open."""
    command = [sys.executable, "-m", "tests.benchmarks.peers", *arguments]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        try:
            yield process.stdout.readline().strip()
        finally:
            process.stdin.close()


def answer(delay: float) -> None:
    """Answer every line with `ok`."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    _tell(os.ttyname(theirs))
    due: deque[tuple[float, bytes]] = deque()
    while True:
        wait = max(0.0, due[0][0] - time.monotonic()) if due else None
        ready, _, _ = select.select([ours, sys.stdin.fileno()], [], [], wait)
        if sys.stdin.fileno() in ready:
            return
        if ours in ready:
            answers = b"ok\n" * os.read(ours, 65536).count(b"\n")
            if delay:
                due.append((time.monotonic() + delay, answers))
            else:
                os.write(ours, answers)
        while due and due[0][0] <= time.monotonic():
            os.write(ours, due.popleft()[1])


def machine(baud: int) -> None:
    """The simulated machine on its own clock, which is the wall's."""
    from sim.serve import serve
    from tests.benchmarks.benches import heron

    with serve(heron(DUMP_LINES), "pty", speed=1.0, baud=baud) as server:
        _tell(server.address)
        sys.stdin.read()


def _tell(path: str) -> None:
    print(path, flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", choices=("answering", "machine"))
    parser.add_argument("--delay", type=float, default=0.0, help="seconds")
    parser.add_argument("--baud", type=int, default=115200)
    wanted = parser.parse_args()
    if wanted.kind == "answering":
        answer(wanted.delay)
    else:
        machine(wanted.baud)


if __name__ == "__main__":
    main()
