"""Moves as they are asked for and read; with a stub in place of the lines on the wire."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from agent.errors import Declined, LinkFailed, Refused
from agent.face import moving, short
from agent.face.answers import Typed, typed_length
from agent.face.desk import Desk
from agent.face.moving import asked_length, asked_lengths, asked_u, near, try_short_moves, usual_u
from agent.face.short import Wish
from agent.model.roles import ROLES
from tests.face.bench import Technician, carry_out, desk_at, forge

#: Standard uncertainty of a steel rule, mm, and of the gauge of a rehearsal.
RULE, GAUGE = moving.U_RULE, moving.U_GAUGE


@pytest.fixture
def desk(capsys: pytest.CaptureFixture[str]) -> Iterator[Desk]:
    """Attached to a machine that counts as a real one: nothing is offered."""
    there = desk_at()
    assert carry_out(there, ["attach"]) == [0]
    there.rehearsal = None
    capsys.readouterr()
    yield there
    there.close()


def typing(desk: Desk, *answers: str) -> list[str]:
    """Types these one after the other, whatever is asked; the questions."""
    questions: list[str] = []
    left = list(answers)

    def answer(question: str) -> str:
        questions.append(question)
        return left.pop(0)

    desk.screen.ask_with(answer)
    return questions


# --- a length that is typed ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "how", "found"),
    [
        (["99.8"], {}, (99.8,)),
        (["9,98 cm"], {}, (99.8,)),
        ([""], {}, ()),
        (["x", "99.8"], {}, (99.8,)),
        (["99.8 99.9", "99.8"], {}, (99.8,)),
        (["99.8 99.9"], {"several": True}, (99.8, 99.9)),
        (["0", "99.8"], {}, (99.8,)),
        (["-99.8", "99.8"], {}, (99.8,)),
        (["-99.8", "yes"], {"signed": True}, (-99.8,)),
        (["90"], {}, (90.0,)),
        (["110"], {}, (110.0,)),
        (["89.9", "no", "99.8"], {}, (99.8,)),
        (["110.1", "yes"], {}, (110.1,)),
        (["99 111", "no", "99"], {"several": True}, (99.0,)),
    ],
)
def test_a_length_is_asked_for_until_it_can_be(
    answers: list[str], how: dict[str, bool], found: tuple[float, ...], desk: Desk
) -> None:
    """Of 100 mm: a tenth to either side is believed, what is further away is asked about."""
    questions = typing(desk, *answers)
    assert asked_lengths(desk, "mm?", 100.0, **how) == pytest.approx(found)
    assert len(questions) == len(answers)


def test_what_is_typed_otherwise_is_told_as_it_is_understood(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    typing(desk, "9.98 cm", "99.8", "-1", "")
    assert asked_lengths(desk, "mm?", None) == pytest.approx((99.8,))
    assert "understood as 99.8 mm" in capsys.readouterr().out
    assert asked_lengths(desk, "mm?", None) == (99.8,)
    assert capsys.readouterr().out == ""
    assert asked_lengths(desk, "mm?", None) == ()
    assert "A length is above zero" in capsys.readouterr().out


def test_one_length_has_no_sign(desk: Desk) -> None:
    typing(desk, "-1", "99.8")
    assert asked_length(desk, "mm?", 100.0) == 99.8
    typing(desk, "")
    assert asked_length(desk, "mm?", None) is None


@pytest.mark.parametrize(
    ("mm", "close"), [(90.0, True), (110.0, True), (89.99, False), (110.01, False)]
)
def test_a_tenth_is_near(mm: float, close: bool) -> None:
    assert near(Typed("", mm), 100.0) is close
    assert near(typed_length(f"{mm}"), 100.0) is close


# --- how well it is read -------------------------------------------------------------------------


def test_how_well_moves_are_read_is_told_by_the_profile_or_that_of_a_rule(desk: Desk) -> None:
    assert usual_u(desk) == RULE
    profile = desk.session.profile
    forge(desk, profile=replace(profile, instrument=replace(profile.instrument, move_u_mm=0.07)))
    assert usual_u(desk) == 0.07
    assert len(typing(desk, "")) == 0
    assert asked_u(desk, 0.07) == 0.07
    typing(desk, "0,2")
    assert asked_u(desk, 0.07) == 0.2
    desk.rehearsal = SimpleNamespace(close=lambda: None)  # type: ignore[assignment]
    assert asked_u(desk, 0.07) == GAUGE


class Wire:
    """The lines that moves would send, in their order."""

    def __init__(self, desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
        self.sent: list[str] = []
        self.breaks_at = ""
        self.silent = False
        monkeypatch.setattr(desk.session.contact, "send_lines", self._send)

    def _send(self, lines: Any, **_: object) -> None:
        for line in lines:
            if self.breaks_at and self.breaks_at in line:
                self.breaks_at = "G90" if self.silent else ""
                raise LinkFailed("gone", remedy="Look at the cable")
            self.sent.append(line)


@pytest.fixture
def wire(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> Wire:
    return Wire(desk, monkeypatch)


@pytest.mark.parametrize(
    ("line", "answers", "mm", "u"),
    [
        ("gauge travel-belt 199.1 --u 0.04", [], (199.1,), 0.04),
        ("gauge travel-belt 199 200", [""], (199.5,), RULE),
        ("gauge travel-belt 199 200", ["0.2"], (199.5,), 0.2),
        ("gauge travel-belt --mm 200", ["", "199.7", "0.3"], (199.7,), 0.3),
        ("gauge travel-belt --mm 200", ["", ""], None, None),
        ("gauge gap", ["", "-0.4", ""], (-0.4,), 0.03),
    ],
)
def test_a_move_is_kept_with_how_well_it_was_read(
    line: str,
    answers: list[str],
    mm: tuple[float, ...] | None,
    u: float | None,
    desk: Desk,
    wire: Wire,
) -> None:
    """Enter takes what is usual there; a move without a reading is no reading."""
    desk.cautioned = True
    questions = typing(desk, "yes", *answers)
    assert carry_out(desk, [line]) == [0]
    assert len(questions) == 1 + len(answers)
    taken = [(t.reading.mm, t.reading.u_mm) for t in desk.session.now.taken]
    assert taken == ([] if mm is None else [(pytest.approx(mm), u)])


def test_what_is_told_of_one_move_counts_for_those_to_come(desk: Desk, wire: Wire) -> None:
    desk.cautioned = True
    typing(desk, "yes", "", "164.9", "0.2", "", "165.1", "", "299.9")
    assert carry_out(desk, ["gauge travel"]) == [0]
    assert [t.reading.u_mm for t in desk.session.now.taken] == [0.2, 0.2, 0.2]
    assert [t.reading.name.split()[1] for t in desk.session.now.taken] == list(ROLES)


@pytest.mark.parametrize(
    ("line", "asked"), [("gauge travel 100", 0), ("gauge gap", 1), ("gauge travel-across", 1)]
)
def test_without_room_nothing_moves(
    line: str, asked: int, desk: Desk, wire: Wire, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.cautioned = True
    for lost in (False, True):
        forge(desk, place_lost=lost)
        questions = typing(desk, "no")
        capsys.readouterr()
        assert carry_out(desk, [line]) == [1 if asked else 2]
        assert len(questions) == asked
        told = capsys.readouterr().out
        assert ("where the axes stand is not known since" in told) is (lost and bool(asked))
        assert ("cold and clean" in told) is (line == "gauge gap")
    assert wire.sent == []


@pytest.mark.parametrize("silent", [False, True])
def test_after_whatever_breaks_coordinates_are_absolute_again(
    silent: bool, desk: Desk, wire: Wire
) -> None:
    desk.cautioned = True
    typing(desk, "yes", "")
    wire.breaks_at, wire.silent = "M400", silent
    assert carry_out(desk, ["gauge travel-belt"]) == [3]
    assert (wire.sent[-1] == "G90") is not silent
    assert desk.session.now.taken == ()


def test_coordinates_are_not_made_absolute_twice(desk: Desk, wire: Wire) -> None:
    """The lines of a move end with it themselves."""
    with moving.absolute_after(desk):
        pass
    assert wire.sent == []


@pytest.mark.parametrize(
    ("untried", "answers", "moved"),
    [
        ([], [], []),
        (["belt"], ["yes"], ["belt"]),
        (["gantry", "belt"], ["yes", "yes"], ["gantry", "belt"]),
        (["gantry", "belt"], ["no"], ["gantry"]),
    ],
)
def test_the_first_move_of_changed_steps_is_short_and_seen(
    untried: list[str],
    answers: list[str],
    moved: list[str],
    desk: Desk,
    wire: Wire,
    capsys: pytest.CaptureFixture[str],
) -> None:
    forge(desk, untried=frozenset(untried))
    questions = typing(desk, *answers)
    if "no" in answers:
        with pytest.raises(Refused, match="did not confirm the move of the gantry axis"):
            try_short_moves(desk, ROLES)
    else:
        try_short_moves(desk, ROLES)
        assert desk.session.bench.untried == frozenset()
    told = capsys.readouterr().out
    assert [
        role for role in ROLES if f"steps of the {role} axis" in " ".join(told.split())
    ] == moved
    assert len(questions) == len(moved)
    assert bool(wire.sent) is bool(moved)


# --- only what is still needed -------------------------------------------------------------------


class Wishes:
    """Wishes for moves, each until it is read; `then`: what takes the place of the first."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *names: str, then: str = "") -> None:
        self.names, self.then = list(names), then
        self.u: list[float | None] = []
        monkeypatch.setattr(short, "wishes", self)
        monkeypatch.setattr(short, "course_now", lambda *_: None)
        monkeypatch.setattr(short, "cannot", lambda *_: "")

    def __call__(self, desk: Desk, u_mm: float | None = None) -> tuple[Wish, ...]:
        self.u.append(u_mm)
        read = {t.reading.name for t in desk.session.now.taken}
        names = [self.then, *self.names[1:]] if self.then and read else self.names
        return tuple(
            Wish(name, "travel", float(name.split()[2]), 1) for name in names if name not in read
        )


def test_moves_are_made_in_the_order_of_their_worth(
    desk: Desk, wire: Wire, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """How well they are read is asked first: it decides what is worth moving."""
    desk.cautioned = True
    wishes = Wishes(monkeypatch, "travel belt 200", "travel across 100")
    questions = typing(desk, "0.3", "yes", "", "199.5", "", "")
    assert carry_out(desk, ["gauge --enough"]) == [0]
    assert "Reading uncertainty" in questions[0]
    assert [(t.reading.name, t.reading.u_mm) for t in desk.session.now.taken] == [
        ("travel belt 200", 0.3)
    ]
    assert set(wishes.u) == {0.3}
    assert "tells more" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("line", "of_profile", "taken", "asked"),
    [
        ("gauge --enough", None, False, True),
        ("gauge --enough --u 0.1", None, False, False),
        ("gauge --enough", 0.07, False, False),
        ("gauge --enough", None, True, False),
    ],
    ids=["asked", "on the line", "of the profile", "told before"],
)
def test_how_well_it_is_read_is_asked_once(
    line: str,
    of_profile: float | None,
    taken: bool,
    asked: bool,
    desk: Desk,
    wire: Wire,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk.cautioned = True
    profile = desk.session.profile
    forge(
        desk, profile=replace(profile, instrument=replace(profile.instrument, move_u_mm=of_profile))
    )
    if taken:
        typing(desk, "yes")
        assert carry_out(desk, ["gauge travel-belt 199 --u 0.2"]) == [0]
    Wishes(monkeypatch)
    questions = typing(desk, "")
    capsys.readouterr()
    assert carry_out(desk, [line]) == [0]
    assert bool(questions) is asked
    assert "No move is worth reading now." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("then", "told", "shown", "answers"),
    [
        ("travel belt 150", True, False, ["149.5"]),
        ("travel belt 250", True, True, ["yes", "249.5"]),
        ("travel across 80", True, True, ["yes", "79.9"]),
    ],
    ids=["shorter", "longer", "another axis"],
)
def test_a_move_that_was_not_shown_is_told_and_a_longer_one_is_asked_about(
    then: str,
    told: bool,
    shown: bool,
    answers: list[str],
    desk: Desk,
    wire: Wire,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk.cautioned = True
    Wishes(monkeypatch, "travel belt 200", then=then)
    confirm = answers[:-1]
    questions = typing(desk, "yes", "", "199.5", *confirm, "", answers[-1])
    assert carry_out(desk, ["gauge --enough --u 0.1"]) == [0]
    said = " ".join(capsys.readouterr().out.split())
    _, axis, mm = then.split()
    assert (f"{axis} by {mm}.00 mm tells more:" in said) is told
    assert said.count("worst case, mm") == 1 + shown
    assert sum("Are hands clear" in question for question in questions) == 1 + shown
    assert [t.reading.name for t in desk.session.now.taken] == ["travel belt 200", then]


def test_a_tolerance_out_of_reach_is_told_before_anything_moves(
    desk: Desk, wire: Wire, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.cautioned = True
    Wishes(monkeypatch, "travel belt 200")
    monkeypatch.setattr(short, "cannot", lambda *_: "A rule cannot tell it.")
    typing(desk, "no")
    assert carry_out(desk, ["gauge --enough --u 0.5"]) == [1]
    assert "A rule cannot tell it." in capsys.readouterr().out
    assert wire.sent == []


def test_the_cautions_come_before_every_move(desk: Desk, wire: Wire) -> None:
    for line in ("gauge travel-belt", "gauge --enough --u 0.1"):
        desk.screen.ask_with(Technician({}))
        assert carry_out(desk, [line]) == [1]
        assert not desk.cautioned
    with pytest.raises(Declined):
        moving.acknowledge(desk)
    assert wire.sent == []
