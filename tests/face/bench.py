"""A desk for tests: a simulated machine in memory, and a technician who answers from a list."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from agent.bench.rounds import Laid
from agent.errors import Refused
from agent.face.desk import Desk
from agent.face.screen import Screen
from agent.pieces import Piece
from agent.rehearsal import Rehearsal
from agent.store.profiles import load_profile
from agent.work.session import Session
from tests.memory import in_memory


class Technician:
    """Answers questions: the first entry whose words are in the question, or nothing at all."""

    def __init__(self, answers: dict[str, str | Callable[[str], str]] | None = None) -> None:
        self.answers = answers or {}
        self.asked: list[str] = []

    @classmethod
    def of(cls, **answers: str | Callable[[str], str]) -> Technician:
        """By words of a question, joined by underscores."""
        return cls({words.replace("_", " "): said for words, said in answers.items()})

    def __call__(self, question: str) -> str:
        question = " ".join(question.split())  # however it was wrapped
        self.asked.append(question)
        for words, answer in self.answers.items():
            if words in question:
                return answer(question) if callable(answer) else answer
        return ""


#: Says yes to all that is asked before something moves.
WILLING = {
    "Read and understood": "understood",
    "clear": "yes",
    "'all' takes": "all",
    "move by about": "yes",
}


def digest_in(question: str) -> str:
    """The digest that a question wants, as a technician would type its start."""
    return question.partition("digest ")[2][:4]


def desk_at(seed: int = 3, answers: dict[str, str | Callable[[str], str]] | None = None) -> Desk:
    """A desk at a machine in memory, nothing attached yet."""
    rehearsal: Rehearsal = in_memory(seed=seed)
    session = Session(load_profile("heron"))
    desk = Desk(Screen(Technician(WILLING | (answers or {}))), rehearsal, in_shell=True)
    desk.session = session
    return desk


@contextlib.contextmanager
def bare_desk(**answers: str) -> Iterator[Desk]:
    """A desk in the shell without a machine; `answers` as of `Technician.of`."""
    desk = Desk(Screen(Technician.of(**answers)), in_shell=True)
    try:
        yield desk
    finally:
        desk.close()


def answering(desk: Desk, **answers: str) -> Technician:
    """Who answers at this desk from now on; `answers` as of `Technician.of`."""
    technician = Technician.of(**answers)
    desk.screen.ask_with(technician)
    return technician


def lay(session: Session, piece: Piece, stop: Callable[[], bool] | None = None) -> Laid:
    """Lay `piece` from its first line to its last.  Raises Refused where `stop` ends it."""
    laying = session.pieces.begin(piece)
    if not session.pieces.lay_on(laying, stop=stop):
        left = session.pieces.stop(laying)
        raise Refused(f"stopped after {laying.done} of {len(laying.lines)} lines", remedy=str(left))
    return session.pieces.laid_whole(piece)


def forge(desk: Desk, **changes: Any) -> None:
    """The bench of a desk with some values put by hand, as no events of a test would lead there."""
    book = desk.session.book
    book.bench = replace(book.bench, **changes)


def forge_round(desk: Desk, **changes: Any) -> None:
    """As `forge`, for values of the present round."""
    rounds = desk.session.bench.rounds
    forge(desk, rounds=(*rounds[:-1], replace(rounds[-1], **changes)))


def carry_out(desk: Desk, lines: Iterable[str]) -> list[int]:
    """Carry out lines as the shell would; their exit codes."""
    from agent.face.shell import run_line

    return [run_line(desk, line) for line in lines]


#: Lines that lead up to a plan.
TO_A_PLAN = (
    "attach",
    "gauge travel",
    "lay strip",
    "gauge strip",
    "lay post",
    "gauge post",
    "lay block",
    "gauge block",
    "solve",
    "preview",
)


def told(capsys: pytest.CaptureFixture[str]) -> str:
    """All that was said, in one line."""
    said = capsys.readouterr()
    return " ".join(f"{said.out} {said.err}".split())
