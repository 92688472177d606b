"""What every door has in common: one guarded run, its result, and how text is spoiled."""

from __future__ import annotations

import contextlib
import io
import os
import random
import signal
import tempfile
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from tests.fuzz.dumps import SPOILS

#: Seconds after which a run hangs: far beyond what any of them takes, on any machine.
PATIENCE = 120


@dataclass(frozen=True, slots=True)
class Result:
    """What one run came to."""

    accepted: bool = False
    wrong: str = ""  #: what was accepted and should not have been
    traceback: str = ""
    hang: bool = False


#: One run by its number: whether the input was accepted, and what was wrong with that.
Door = Callable[[random.Random], tuple[bool, str]]


class Hang(BaseException):
    """The run takes too long."""


def guarded(door: Door, seed: int) -> Result:
    """One run; whatever it does, a result comes of it."""

    def ring(number: int, frame: FrameType | None) -> None:
        raise Hang

    before = signal.signal(signal.SIGALRM, ring)
    signal.alarm(PATIENCE)
    try:
        accepted, wrong = door(random.Random(seed))
    except Hang:
        return Result(hang=True)
    except Exception:
        return Result(traceback=traceback.format_exc(limit=-4))
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    return Result(accepted, wrong)


#: Pieces of text on which readers of text have stumbled.
TRAPS = (
    *("nan", "inf", "-inf", "1e999", "1e-320", "-0", "0x10", "1_000", "1,5", "٣", "9" * 400, ""),
    *("null", "true", "~", "{}", "[]", "[[[[", "&a [*a]", "*a", "!!python/none x", "<<: {}", "---"),
    *("\0", "\t", "\r", "\u2028", "\u202e", "\ufeff", "\ud800", "\x1b[31m", "é", "\U0001f4a5", "'"),
    *(
        '"',
        "\\",
        "#",
        ":",
        "- ",
        "\n\n",
        "  ",
        "%",
        "$(x)",
        "`x`",
        ";",
        "|",
        "--",
        "-",
        "=",
        "\x7f",
    ),
)


def spoil(rng: random.Random, text: str) -> str:
    """`text` with one to a handful of faults: bytes, traps, lines moved, numbers changed."""
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        if not text:
            return rng.choice(TRAPS)
        at = rng.randrange(len(text) + 1)
        match rng.randrange(6):
            case 0:
                data = bytearray(text.encode("utf-8", "surrogatepass"))
                rng.choice(SPOILS)(rng, data)
                text = data.decode("utf-8", "surrogateescape")
            case 1:
                text = text[:at] + rng.choice(TRAPS) + text[at:]
            case 2:
                text = text[:at] + rng.choice(TRAPS) + text[at + rng.randrange(1, 12) :]
            case 3:
                lines = text.splitlines(keepends=True)
                lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines))
                text = "".join(lines)
            case 4:
                lines = text.splitlines(keepends=True)
                del lines[rng.randrange(len(lines))]
                text = "".join(lines)
            case _:
                text = text[:at]
    return text


def raw(text: str) -> bytes:
    """The bytes of a file that holds such text."""
    return text.encode("utf-8", "surrogatepass")


@contextlib.contextmanager
def house() -> Iterator[Path]:
    """A folder of its own as the data folder and the place to stand in."""
    with tempfile.TemporaryDirectory() as name:
        here, home = os.getcwd(), os.environ.get("PLUMBELT_HOME")
        os.environ["PLUMBELT_HOME"] = f"{name}/home"
        os.chdir(name)
        try:
            yield Path(name)
        finally:
            os.chdir(here)
            if home is None:
                del os.environ["PLUMBELT_HOME"]
            else:
                os.environ["PLUMBELT_HOME"] = home


def plumbelt(arguments: Sequence[str]) -> tuple[int, str]:
    """The whole command, in this process, on terminals that take UTF-8: exit code and output."""
    from agent.face.desk import Desk
    from agent.face.main import run
    from agent.face.screen import Screen

    out, told = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8") for _ in range(2))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(told):
        desk = Desk(Screen(lambda question: ""))
        code = run(list(arguments), desk)
    out.flush()
    told.flush()
    assert isinstance(out.buffer, io.BytesIO)
    return code, out.buffer.getvalue().decode()
