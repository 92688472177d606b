"""One feature under the caliper: what is believed, asked about, offered, and where it goes on."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import pytest

from agent.bench.rounds import Round, Taken
from agent.face.answers import typed_length
from agent.face.desk import Desk
from agent.face.screen import Screen
from agent.face.seating import WORDS, Seat, Step, Values, believed, near, read_one, same_way
from agent.model.feature import Feature, Reading
from agent.pieces import PIECES
from agent.store.profiles import load_profile
from agent.work.session import Session
from tests.face.bench import forge_round

FEATURES = {
    f.name: f for name in ("strip", "post") for f in PIECES[name](load_profile("heron")).features
}
S1, S2, X1 = FEATURES["strip s1"], FEATURES["strip s2"], FEATURES["strip x1"]
LEAN = FEATURES["post lean"]


class Bench:
    """Answers from a list, then `stop`; what is asked, kept and said."""

    def __init__(self, *answers: str, offers: Sequence[float] = ()) -> None:
        self.answers, self.asked = list(answers), list[str]()
        self.kept: list[tuple[tuple[float, ...], bool]] = []
        self.desk = Desk(Screen(self._answer))
        self.desk.session = Session(load_profile("heron"))
        left = list(offers)
        if offers:
            self.desk.rehearsal = SimpleNamespace(  # type: ignore[assignment]
                measure=lambda feature, piece, count: tuple(left.pop(0) for _ in range(count))
            )

    def _answer(self, question: str) -> str:
        self.asked.append(" ".join(question.split()))
        return self.answers.pop(0) if self.answers else "stop"

    def read(
        self, feature: Feature = S1, had: Sequence[float] = (), repeats: int = 3, **how: Any
    ) -> tuple[Step, tuple[float, ...]]:
        laid: Any = SimpleNamespace(name="strip")
        seat = Seat(laid, feature, 1, 12, tuple(had))
        values = Values(seat, lambda now, goes_on: self.kept.append((tuple(now), goes_on)))
        return read_one(self.desk, seat, repeats, values, **how), values.now

    def take(self, feature: Feature, *mm: float) -> None:
        reading = Reading(feature.kind, feature.along, mm, feature.between, name=feature.name)
        taken = (*self.desk.session.now.taken, Taken(reading, "strip"))
        forge_round(self.desk, taken=taken)


# -- what is believed -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("solved", "value", "nominal", "is_near"),
    [
        (False, 42.0, 40.0, True),  # a twentieth
        (False, 42.01, 40.0, False),
        (False, 4.0, 5.0, True),  # and a millimetre at least
        (False, 3.99, 5.0, False),
        (True, 51.0, 50.0, True),  # once corrected, a fiftieth
        (True, 51.01, 50.0, False),
        (True, 4.5, 5.0, True),  # and half a millimetre
        (True, 4.49, 5.0, False),
    ],
)
def test_how_near_a_length_has_to_be(
    solved: bool, value: float, nominal: float, is_near: bool
) -> None:
    bench = Bench()
    if solved:
        forge_round(bench.desk, follows=Round(45.0))
    assert near(bench.desk, value, nominal) is is_near


@pytest.mark.parametrize(
    ("feature", "typed", "answers", "value", "asked"),
    [
        (S1, "21", [], 21.0, []),
        (S1, "21.5", ["yes"], 21.5, ["21.5 mm is far from 20.00 mm."]),
        (S1, "21.5", [""], None, ["21.5 mm is far from 20.00 mm."]),
        (S1, "0.787", ["yes"], 0.787 * 25.4, ["looks in inches. Did you mean 19.99 mm?"]),
        (S1, "2.01", ["yes"], 20.1, ["looks a decimal short. Did you mean 20.10 mm?"]),
        (S1, "211", ["yes"], 21.1, ["looks a decimal long. Did you mean 21.10 mm?"]),
        (S1, "189", ["yes"], 18.9, ["looks a decimal long. Did you mean 18.90 mm?"]),
        (S1, "213", ["yes"], 213.0, ["213 mm is far from 20.00 mm."]),
        (S1, "201", ["no", "yes"], 201.0, ["Did you mean 20.10 mm?", "201 mm is far from"]),
        (S1, "0", [], None, []),
        (S1, "-20", [], None, []),
        (LEAN, "-0.3", [], -0.3, []),
        (LEAN, "0", [], 0.0, []),
        (LEAN, "-30", ["yes"], -30.0, ["A lean of -30 mm over"]),
        (LEAN, "30", ["no"], None, ["is unusually large"]),
    ],
)
def test_a_reading_far_from_what_it_should_be_is_asked_about(
    feature: Feature, typed: str, answers: list[str], value: float | None, asked: list[str]
) -> None:
    bench = Bench(*answers)
    found = believed(bench.desk, feature, typed_length(typed))
    assert found == (None if value is None else pytest.approx(value))
    assert len(bench.asked) == len(asked)
    assert all(words in question for words, question in zip(asked, bench.asked, strict=True))


def test_a_lean_of_a_fifth_is_the_most_that_is_believed() -> None:
    """Kept as it stands up to a fifth of its length."""
    most = 0.2 * LEAN.along[2]
    assert believed(Bench("no").desk, LEAN, typed_length(f"{most}")) == most
    assert believed(Bench("no").desk, LEAN, typed_length(f"{most + 0.01}")) is None


def test_what_was_kept_before_speaks_for_the_next() -> None:
    """A value that was asked about and kept, and features that run the same way."""
    typed = typed_length("22.4")
    assert believed(Bench("no").desk, S1, typed, [22.5]) == 22.4
    assert believed(Bench("no").desk, S1, typed, [20.9, 21.0]) is None  # those were near
    bench = Bench("no")
    bench.take(S2, 67.5)  # an eighth too long: so will the others along be
    assert believed(bench.desk, S1, typed) == 22.4
    assert believed(bench.desk, X1, typed_length(f"{X1.along[0] * 1.125}")) is None
    bench = Bench("no")
    bench.take(X1, X1.along[0] * 1.125)
    assert believed(bench.desk, S1, typed) is None


def test_a_lean_says_nothing_of_lengths_that_run_its_way() -> None:
    bench = Bench("no")
    height = FEATURES["post h1"]
    bench.take(LEAN, 0.3)
    assert believed(bench.desk, height, typed_length("1.5")) is None


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ((1, 0, 0), (0, 1, 0), False),
        ((2, 0, 0), (-30, 0, 0), True),
        ((10, 0, 0), (10, 0.099, 0), True),
        ((10, 0, 0), (10, 0.101, 0), False),
        ((0, 10, 0), (0, 10, 0.101), False),
        ((0, 0, 10), (0.101, 0, 10), False),
        ((0, 3, 4), (0, 30, 40), True),
        ((3, 0, 4), (30, 0, 40), True),
        ((3, 4, 0), (30, 40, 0), True),
        ((0, 3, 4), (0, 30, -40), False),
    ],
)
def test_two_features_run_one_way_within_a_hundredth(
    one: tuple[float, float, float], other: tuple[float, float, float], same: bool
) -> None:
    assert same_way(one, other) is same
    assert same_way(other, one) is same


# -- the jaws put on anew for each reading ----------------------------------------------------


def test_values_are_kept_one_by_one(capsys: pytest.CaptureFixture[str]) -> None:
    bench = Bench("20.1", "20,11 20.12")
    assert bench.read() == (Step.ON, (20.1, 20.11, 20.12))
    assert bench.kept == [((20.1,), False), ((20.1, 20.11, 20.12), True)]
    assert bench.asked == ["strip s1, 1 of 3, mm:", "strip s1, 2 of 3, mm:"]
    said = capsys.readouterr().out
    assert said.startswith("\nstrip s1 (no 1 of 12 in the drawing): outside, 20.00 mm\n")
    assert "  20,11 is understood as 20.11 mm\n" in said
    assert said.endswith("  strip s1: 20.10 20.11 20.12  mean 20.110 mm, spread 0.02 mm\n")


@pytest.mark.parametrize(
    ("answers", "had", "step", "values", "said"),
    [
        ([""], (), Step.ON, (), "  strip s1 is left out.\n"),
        (["20.1", ""], (), Step.ON, (20.1,), ""),
        ([""], (20.1,), Step.ON, (20.1,), "  so far 20.10\n"),
        (["20.1 20.2", ""], (), Step.ON, (20.1, 20.2), "mean 20.150 mm, spread 0.10 mm\n"),
        (["20.1", "stop"], (), Step.STOP, (20.1,), ""),
        (["back"], (), Step.BACK, (), ""),
        (["20.1 20.2", "back", ""], (), Step.ON, (20.1,), "  20.20 is taken back.\n"),
        (["again", "20.3", ""], (20.1, 20.2), Step.ON, (20.3,), "  so far 20.10 20.20\n"),
        (["?", ""], (), Step.ON, (), f"{WORDS}\n"),
        (["x", ""], (), Step.ON, (), "'?' says what may be"),
        (["0 20.1", ""], (), Step.ON, (20.1,), "  0: a length is above zero.\n"),
        (["fix 1 20.2", ""], (20.1,), Step.ON, (20.2,), "  Now 20.20\n"),
        (["fix 2 20.2", ""], (20.0, 20.1), Step.ON, (20.0, 20.2), "  Now 20.00 20.20\n"),
        (["FIX 1 20.2", ""], (20.1,), Step.ON, (20.2,), "  Now 20.20\n"),
        (["fix 0 20", ""], (20.1,), Step.ON, (20.1,), "N from 1 to 1; nothing was changed."),
        (["fix 2 20", ""], (20.1,), Step.ON, (20.1,), "N from 1 to 1; nothing was changed."),
        (["fix x 20", ""], (20.1,), Step.ON, (20.1,), "N from 1 to 1; nothing was changed."),
        (["fix 1", ""], (20.1,), Step.ON, (20.1,), "N from 1 to 1; nothing was changed."),
        (["fix 1 20.2 20.3", ""], (20.1,), Step.ON, (20.1,), ""),
        (["fix 1 x", ""], (20.1,), Step.ON, (20.1,), "says what may be"),
    ],
)
def test_what_may_be_typed_at_the_caliper(
    answers: list[str],
    had: Sequence[float],
    step: Step,
    values: Sequence[float],
    said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench = Bench(*answers)
    assert bench.read(had=had) == (step, values)
    assert bench.answers == []
    assert said in capsys.readouterr().out


def test_the_last_of_several_is_taken_back_and_one_alone_has_no_mean(
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench = Bench("back", "")
    assert bench.read(had=(20.1, 20.2, 20.15), repeats=4) == (Step.ON, (20.1, 20.2))
    assert "mean 20.150 mm" in capsys.readouterr().out
    Bench("20.1", "").read()
    assert "mean" not in capsys.readouterr().out


def test_what_goes_on_with_earlier_values_says_so() -> None:
    """The record tells a feature that is begun anew from one that goes on."""
    bench = Bench("20.11", "20.12")
    bench.read(had=(20.1,))
    assert bench.kept == [((20.1, 20.11), True), ((20.1, 20.11, 20.12), True)]


def test_a_sign_is_asked_for_where_there_is_one(capsys: pytest.CaptureFixture[str]) -> None:
    Bench().read(LEAN)
    assert ": lean, 91.11 mm, with its sign\n" in capsys.readouterr().out
    Bench().read(S1)
    assert "with its sign" not in capsys.readouterr().out


@pytest.mark.parametrize(("repeats", "times"), [(1, 10), (3, 18)])
def test_a_feature_that_nobody_can_read_is_left(
    repeats: int, times: int, capsys: pytest.CaptureFixture[str]
) -> None:
    """Six tries, and four more for each reading."""
    bench = Bench(*["what?"] * 99)
    assert bench.read(repeats=repeats) == (Step.ON, ())
    assert len(bench.asked) == times
    assert "  strip s1 is left; 'gauge strip-s1' comes back.\n" in capsys.readouterr().out


def test_two_that_stand_apart_want_a_third(capsys: pytest.CaptureFixture[str]) -> None:
    bench = Bench("20.1", "20.12")
    assert bench.read(repeats=2) == (Step.ON, (20.1, 20.12))
    bench = Bench("20.1", "20.4", "20.41", "keep")
    assert bench.read(repeats=2) == (Step.ON, (20.1, 20.4, 20.41))
    assert "  20.10 and 20.40 stand 0.30 apart: once more.\n" in capsys.readouterr().out
    assert bench.asked[2:] == [
        "strip s1, 3 of 3, mm:",
        "Enter reads it again, 'keep' keeps it:",
    ]
    bench = Bench("20.1 20.4", "")
    assert bench.read(repeats=3) == (Step.ON, (20.1, 20.4))  # a third is asked for anyhow


@pytest.mark.parametrize(
    ("answers", "values"),
    [
        (["keep"], (20.1, 20.12, 20.71)),
        (["KEEP"], (20.1, 20.12, 20.71)),
        (["", "20.13"], (20.1, 20.12, 20.13)),
        (["20.13"], (20.1, 20.12, 20.13)),  # the caliper was quicker
        (["no", "20.13"], (20.1, 20.12, 20.13)),
    ],
)
def test_one_that_does_not_belong_to_the_others_is_asked_about(
    answers: list[str], values: Sequence[float], capsys: pytest.CaptureFixture[str]
) -> None:
    bench = Bench("20.1 20.12 20.71", *answers)
    assert bench.read() == (Step.ON, values)
    said = capsys.readouterr().out
    assert "  20.71 stands +0.60 off the others (20.10 20.12 20.71).\n" in said
    bench = Bench("19.51 20.1 20.12", "20.13")
    assert bench.read() == (Step.ON, (20.1, 20.12, 20.13))
    assert "  19.51 stands -0.60 off the others" in capsys.readouterr().out


def test_repeats_of_other_features_tell_how_well_the_hand_repeats() -> None:
    """With ten readings that scatter by tenths a tenth is no reason to ask; its own are judged."""
    bench = Bench("20.1 20.11 20.5")
    for number in range(10):
        other = Feature(f"other {number}", "outside", (0.0, 60.0, 0.0), "edges", (), "")
        bench.take(other, 60.0, 60.3, 60.6)
    assert bench.read() == (Step.ON, (20.1, 20.11, 20.5))
    bench = Bench("20.1 20.11 20.5", "keep")
    for _ in range(10):
        bench.take(S1, 20.0, 20.3, 20.6)
    bench.read()
    assert len(bench.asked) == 2
    bench = Bench("20.1 20.5")
    bench.take(S1, 20.0, 20.3, 20.6)
    assert bench.read(repeats=2)[0] == Step.STOP  # a third was wanted


# -- what a simulated caliper offers ----------------------------------------------------------


@pytest.mark.parametrize(
    ("answers", "how", "step", "values"),
    [
        ([""], {}, Step.ON, (20.1, 20.2, 20.9)),  # as it is: it is not asked about again
        (["all"], {"many": True}, Step.ALL, (20.1, 20.2, 20.9)),
        (["20.3", "ALL"], {"many": True}, Step.ALL, (20.3,)),
        (["20.3 20.3 20.31"], {}, Step.ON, (20.3, 20.3, 20.31)),
        (["20.3", ""], {}, Step.ON, (20.3,)),
        (["", ""], {"had": (20.0,)}, Step.ON, (20.0,)),  # nothing is offered beside it
        ([""], {"had": (20.0,), "offer_more": True}, Step.ON, (20.0, 20.1, 20.2)),
        ([""], {"had": (20.0, 20.0), "offer_more": True, "repeats": 2}, Step.ON, (20.0, 20.0)),
    ],
)
def test_enter_takes_what_a_simulated_caliper_shows(
    answers: list[str], how: dict[str, Any], step: Step, values: Sequence[float]
) -> None:
    bench = Bench(*answers, offers=(20.1, 20.2, 20.9))
    assert bench.read(**how) == (step, values)


def test_all_is_a_word_only_where_there_are_more(capsys: pytest.CaptureFixture[str]) -> None:
    bench = Bench("all", "stop", offers=(20.1, 20.2, 20.9))
    assert bench.read() == (Step.STOP, ())
    assert bench.asked[0] == "strip s1, 1 of 3, mm (Enter takes these):"
    assert "  The simulated caliper shows 20.10 20.20 20.90\n" in capsys.readouterr().out
    bench = Bench("all", offers=(20.1, 20.2, 20.9))
    bench.read(many=True)
    assert "20.10 20.20 20.90  mean 20.400 mm, spread 0.80 mm" in capsys.readouterr().out
    assert bench.asked == ["strip s1, 1 of 3, mm (Enter takes these, 'all' takes all from here):"]


def test_a_third_reading_is_offered_with_the_two_that_stand_apart() -> None:
    bench = Bench("", offers=(20.1, 20.5, 20.11))
    assert bench.read(repeats=2) == (Step.ON, (20.1, 20.5, 20.11))
    bench = Bench("20.5", "20.11", "keep", offers=(20.3,))
    assert bench.read(repeats=2, had=(20.1,)) == (Step.ON, (20.1, 20.5, 20.11))
