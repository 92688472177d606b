"""What a technician can act on, as exceptions that carry the remedy and the exit code.

A bug is not an AgentError and keeps its traceback.  The three kinds are the exit codes that
other programs rely on: 1 the answer is no, 2 wrong use or unreadable input, 3 the link failed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


class AgentError(Exception):
    """Base of all errors that a user can meet; says what happened and what to do next."""

    exit_code = 1

    def __init__(self, what: str, *, remedy: str = "", wire: Sequence[str] = ()) -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy
        self.wire = tuple(wire)  #: the last lines on the wire, newest last

    def __str__(self) -> str:
        return f"{self.what}. {self.remedy}" if self.remedy else self.what

    def to_plain(self) -> dict[str, Any]:
        """The error as other programs see it."""
        return {"error": self.what, "remedy": self.remedy, "problems": []}


class Refused(AgentError):
    """The tool ran and the answer is no: not verified, not safe, out of tolerance."""

    exit_code = 1


class Declined(Refused):
    """The technician said no; nothing is wrong with the step itself."""


class Unknown(Refused):
    """Something of the machine that the verb needs, and that nobody has told yet."""

    def __init__(self, key: str, what: str) -> None:
        super().__init__(
            what, remedy=f"'profile set {key} VALUE' tells it and keeps it. Nothing was moved"
        )
        self.key = key  #: dotted, as in a profile file


class Contradicted(Refused):
    """Readings contradict each other: nothing is proposed that rests on them."""

    def __init__(self) -> None:
        super().__init__(
            "the readings contradict each other, so nothing is proposed",
            remedy="Correct or read again what 'solve' names",
        )


class LinkFailed(AgentError):
    """The port is absent, busy, silent, lost, or talks junk."""

    exit_code = 3


class Unanswered(LinkFailed):
    """Not a byte has come since the port was opened."""


class BrokenByRestart(LinkFailed):
    """The controller restarted while an answer was awaited; the port itself is still there."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake in an input, at its place."""

    source: str  #: file name, or `command line`
    line: int | None  #: 1-based; None where there is no line
    key: str  #: dotted path of the key, empty where the whole file is meant
    what: str  #: what was expected, what was found, the nearest known key

    def __str__(self) -> str:
        place = self.source if self.line is None else f"{self.source}:{self.line}"
        return "  ".join(part for part in (place, self.key, self.what) if part)


class BadInput(AgentError):
    """Wrong use or unreadable input; all mistakes of one input at once."""

    exit_code = 2

    def __init__(
        self, what: str, *, problems: Sequence[Problem] = (), remedy: str = "Nothing was changed."
    ) -> None:
        super().__init__(what, remedy=remedy)
        self.problems = tuple(problems)

    def __str__(self) -> str:
        return "\n".join([*map(str, self.problems), super().__str__()])

    def to_plain(self) -> dict[str, Any]:
        problems = [
            {"source": p.source, "line": p.line, "key": p.key, "what": p.what}
            for p in self.problems
        ]
        return super().to_plain() | {"problems": problems}
