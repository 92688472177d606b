"""Where the work stands: what an attach tells, worst first, and how far a tune has come."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from agent.bench.rounds import MOVES, Laid, Round, Solved, Taken
from agent.bench.standing import keeps, progress_of, standing_of, wanted_of
from agent.bench.value import BY_WORD, Bench, Moved, Proof, Surprise, Transaction, Waiting
from agent.change.plan import Change, Plan
from agent.estimate.solution import Solution
from agent.model.feature import Reading
from agent.model.heat import Heat, Heats
from agent.model.settings import Readback, Setting
from agent.model.survey import BeltRun
from agent.store.profiles import load_profile
from tests.benchmarks.benches import standard_survey

HERON = load_profile("heron")
CHANGE = Change("steps_per_mm.z", 105.37, 106.0, "step/mm", 2, "measured")
PLAN = Plan("heron", "replay", (CHANGE,), ("M92 Z106.00",), "snap")


def read(z: float = 106.0) -> Readback:
    return Readback("replay", {"steps_per_mm.z": Setting(z, "step/mm", 2)})


def bench(**more: Any) -> Bench:
    usual = {"machine": "heron", "profile": HERON, "family": "replay", "heater_state": "off"}
    return replace(Bench(), **{**usual, **more})


def write(**more: Any) -> Transaction:
    entry: Mapping[str, Any] = {"step": "begun", "plan": PLAN.to_plain()}
    return replace(Transaction("1", "2026-03-02", (entry,)), **more)


TAKEN = Taken(Reading("travel", (100.0, 0.0, 0.0), (100.1,), name="travel across"), MOVES)
STEM = Laid("stem", "stem", {"height": 40.0}, 1, HERON)
RUN = BeltRun((10.0, 20.0, 30.0), (10.0, 20.0, 30.0))


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ({}, ()),
        ({"heat_danger": "the nozzle gets hotter"}, ("DANGER: the nozzle gets hotter. Use",)),
        ({"heater_state": "on"}, ("THE HEATERS ARE ON. 'cool'",)),
        (
            {"heater_state": "on", "heats": Heats(Heat(200.0, 215.0))},
            ("THE HEATERS ARE ON (nozzle 200 of 215 °C). 'cool'",),
        ),
        ({"heater_state": "unknown"}, ("Whether the heaters are on is not known",)),
        ({"heater_state": "not reported"}, ()),
        ({"stored_otherwise": "z 105"}, ("STORAGE HOLDS OTHER VALUES, which will be live",)),
        ({"laying": "stem"}, ("The laying of a stem broke off",)),
        ({"transactions": (write(),)}, ("A change of this machine was broken off earlier",)),
        (
            {"transactions": (write(), write(id="2"), write(id="3", settled="leave"))},
            ("2 changes were broken off earlier",),
        ),
        ({"transactions": (write(closed=True),)}, ()),
        ({"done": PLAN, "readback": read(105.37)}, ("What was written is NOT LIVE ANY MORE",)),
        ({"done": PLAN, "readback": read()}, ("What was written is live and NOT STORED",)),
        (
            {"done": PLAN, "readback": read(), "proofs": (Proof("reloaded from storage", ""),)},
            (),
        ),
        # a word of the operator is no proof
        (
            {
                "done": PLAN,
                "readback": read(),
                "proofs": (Proof("after a power cycle", "", BY_WORD),),
            },
            ("What was written is live and NOT STORED",),
        ),
        # a break is told before what fell
        (
            {"done": PLAN, "readback": read(105.37), "transactions": (write(),)},
            ("A change of this machine was broken off earlier",),
        ),
        ({"waiting": Waiting(PLAN)}, (f"Plan {PLAN.digest} was previewed and waits",)),
        ({"waiting": Waiting(replace(PLAN, lines=()))}, ()),
        (
            {"rounds": (Round(taken=(TAKEN,)),)},
            ("1 reading of this state is at hand (not solved yet); 'begin' sets it aside.",),
        ),
        (
            {"rounds": (Round(taken=(TAKEN,), runs=(RUN,)),), "begun_at": "2026-03-02T08:15:30"},
            (
                "2 readings of this state are at hand (not solved yet, begun 2026-03-02 08:15);"
                " 'begin' sets them aside.",
            ),
        ),
        ({"rounds": (Round(laid=(STEM,)),)}, ("Laid and not read yet: stem.",)),
        (
            {"rounds": (Round(laid=(STEM, replace(STEM, name="stem-2"))),)},
            ("Laid and not read yet: stem, stem-2.",),
        ),
        (
            {"rounds": (Round(laid=(STEM,), taken=(replace(TAKEN, piece="stem"),)),)},
            ("1 reading of this state",),
        ),
    ],
)
def test_what_an_attach_tells(more: dict[str, Any], told: tuple[str, ...]) -> None:
    found = standing_of(bench(**more))
    assert len(found) == len(told)
    for line, begins in zip(found, told, strict=True):
        assert line.startswith(begins)


def test_the_worst_is_told_first() -> None:
    every = bench(
        heat_danger="hotter",
        heater_state="on",
        stored_otherwise="z 105",
        laying="stem",
        transactions=(write(),),
        surprise=Surprise((), "somebody"),
        waiting=Waiting(PLAN),
        rounds=(Round(laid=(STEM,), taken=(TAKEN,)),),
    )
    begins = ("DANGER", "THE HEATERS", "STORAGE", "The laying", "A change", "Not as", "Plan")
    found = standing_of(every)
    assert len(found) == 9
    for line, first in zip(found, (*begins, "1 reading", "Laid"), strict=True):
        assert line.startswith(first)


@pytest.mark.parametrize(
    ("count", "told"),
    [
        (0, "Not as it was last seen. Likely: somebody."),
        (1, "Not as it was last seen: k0 was 1 and is 2 mm. Likely: somebody."),
        (4, "k3 was 1 and is 2 mm. Likely: somebody."),
        (5, "k3 was 1 and is 2 mm; and 1 more. Likely: somebody."),
        (7, "k3 was 1 and is 2 mm; and 3 more. Likely: somebody."),
    ],
)
def test_four_settings_that_moved_are_named_and_more_are_counted(count: int, told: str) -> None:
    moved = tuple(Moved(f"k{n}", 1.0, 2.0, "mm") for n in range(count))
    (found,) = standing_of(bench(surprise=Surprise(moved, "somebody")))
    assert found.endswith(told)


@pytest.mark.parametrize(
    ("family", "told"),
    [("replay", "'store' keeps it."), ("", "'store' keeps it."), ("script", "Its lines belong")],
)
def test_what_keeps_a_change_is_the_familys(family: str, told: str) -> None:
    """A word that stores, or the controller's own file."""
    assert keeps(bench(family=family)).startswith(told)


def steps_done(found: Bench) -> list[str]:
    return [name for name, done in progress_of(found) if done]


def test_the_steps_of_a_tune_are_done_one_by_one() -> None:
    heron = replace(HERON, mechanics=replace(HERON.mechanics, travel_mm={}))
    assert steps_done(bench(profile=heron)) == []
    assert steps_done(bench()) == ["machine known"]
    assert steps_done(bench(readback=read())) == ["settings read", "machine known"]
    damaged = replace(read(), damage=("cut",))
    assert steps_done(bench(readback=damaged)) == ["machine known"]
    none = replace(HERON, mechanics=replace(HERON.mechanics, drives={}))
    assert steps_done(bench(profile=none)) == []
    for some in (Round(taken=(TAKEN,)), Round(runs=(RUN,))):
        assert steps_done(bench(rounds=(some,))) == ["machine known", "measured"]
    names = [name for name, _ in progress_of(bench())]
    assert names == [
        *("settings read", "machine known", "measured", "solved", "written", "stored"),
        *("proved by a power cycle", "measured again"),
    ]


def solved(**more: Any) -> Solved:
    """Of which nothing is asked but what it would change, and what it knows."""
    made = Solved(bench().survey())
    usual: dict[str, Any] = {"parameters": {}, "corrections": (), "slicing_angle_deg": None}
    found = Solution(
        **{**usual, **more}, derived={}, residuals=(), expected_next=(), advice=(), next=None
    )
    vars(made)["solution"] = found
    return made


def test_where_no_change_is_asked_for_none_is_to_come() -> None:
    """A tune is then at its end once it is solved; a correction or an angle is a change."""
    head = ["settings read", "machine known", "measured", "solved"]

    def names(found: Bench) -> list[str]:
        return [name for name, _ in progress_of(found)]

    read_and_solved = {"readback": read(), "rounds": (Round(solved=solved()),)}
    assert names(bench(**read_and_solved)) == head
    assert steps_done(bench(**read_and_solved)) == head
    assert len(names(bench(**read_and_solved, done=PLAN))) == 8
    for more in ({"corrections": ("one",)}, {"slicing_angle_deg": 45.2}):
        rounds = (Round(solved=solved(**more)),)
        assert len(names(bench(readback=read(), rounds=rounds))) == 8
        assert steps_done(bench(readback=read(), rounds=rounds)) == head


def test_behind_a_change_of_the_angle_alone_the_solution_is_that_of_the_round_before() -> None:
    first = Round(taken=(TAKEN,), solved=solved(slicing_angle_deg=45.2))
    found = bench(readback=read(), rounds=(first, Round(follows=first)))
    assert steps_done(found) == [
        *("settings read", "machine known", "measured", "solved", "written"),
    ]  # fmt: skip


def test_an_error_that_is_known_is_wanted_to_its_tolerance() -> None:
    known = {"z_scale": SimpleNamespace(expanded95=0.0004)}
    rows = wanted_of(bench(rounds=(Round(solved=solved(parameters=known)),)))
    told = {row["parameter"]: row["u95"] for row in rows}
    assert told["z_scale"] == 0.0004
    assert told["x_scale"] is None


def test_what_was_written_is_stored_and_proved_by_its_proofs() -> None:
    live = {"done": PLAN, "readback": read()}
    head = ["settings read", "machine known"]
    assert steps_done(bench(**live)) == [*head, "written"]
    kept = bench(**live, proofs=(Proof("reloaded from storage", ""),))
    assert steps_done(kept) == [*head, "written", "stored"]
    cycled = bench(**live, proofs=(Proof("after a power cycle", "", "seen on the link"),))
    assert steps_done(cycled) == [*head, "written", "stored", "proved by a power cycle"]
    # proofs of something that is not there any more prove nothing
    proofs = (Proof("after a power cycle", "", "seen on the link"),)
    assert steps_done(bench(readback=read(), proofs=proofs)) == head


def test_what_is_wanted_stands_against_the_tolerance_of_the_profile() -> None:
    """Of scales a share, of angles degrees; nothing is known of any before it is measured."""
    wanted = {row["parameter"]: (row["u95"], row["tolerance"]) for row in wanted_of(bench())}
    tolerance = HERON.tolerance
    assert wanted["z_scale"] == (None, tolerance.scale_percent / 100)
    assert wanted["gantry_angle_deg"] == (None, tolerance.angle_deg)


def test_a_change_leaves_how_well_the_errors_are_known() -> None:
    """What is found is taken out by exact settings; until the next round is solved, that holds."""
    survey = standard_survey()
    before = Round(solved=Solved(survey))
    known = wanted_of(Bench(rounds=(before,)))
    assert [row["u95"] is not None for row in known] == [True] * 4
    assert wanted_of(Bench(rounds=(before, Round(follows=before)))) == known
    single = replace(survey, readings=(Reading("travel", (0.0, 250.0, 0.0), (250.1,), u_mm=0.05),))
    after = Round(follows=before, solved=Solved(single))
    assert wanted_of(Bench(rounds=(before, after))) != known, "the newer readings decide"
    assert {row["u95"] for row in wanted_of(Bench())} == {None}
