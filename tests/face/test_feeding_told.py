"""`feed` in words: what is asked of each feed, what follows from them, and what the beads tell."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from agent.bench.value import Waiting
from agent.change.plan import Change, Plan
from agent.errors import Refused
from agent.face import feeding
from agent.face.desk import Desk
from agent.face.feeding import (
    document_of,
    fed,
    flow_now,
    plan_for,
    read_feed,
    refuse_out_of_order,
    show_flow,
    show_result,
    show_test,
    steps_now,
)
from agent.pieces.bead import Flow
from agent.pieces.feeds import FeedResult, FeedTest
from tests.face.bench import Technician, carry_out, forge, forge_round, told

TEST = FeedTest("free", 40.0, 20.0, ("It is hot.", "Raise it."), ("M109 S215",), (("G1 E40",),) * 3)


# --- before anything is heated -------------------------------------------------------------------


def plan_of(*keys: str) -> Plan:
    changes = tuple(Change(key, 1.0, 2.0, "", 2) for key in keys)
    return Plan("heron", "replay", changes, tuple(f"M1 {key}" for key in keys), "abc")


@pytest.mark.parametrize(
    ("waiting", "solution", "refused"),
    [
        ((), None, False),
        (("steps_per_mm.e0",), None, False),
        (("steps_per_mm.e0", "steps_per_mm.x"), None, True),
        (("max_speed.x",), None, True),
        ((), False, False),
        ((), True, True),
        (("steps_per_mm.e0",), True, True),
    ],
)
def test_the_extruder_comes_after_what_is_still_to_be_corrected(
    waiting: tuple[str, ...], solution: bool | None, refused: bool, desk: Desk
) -> None:
    """Belt step and angle change how thick a layer is; a plan for the extruder alone does not."""
    forge(desk, waiting=Waiting(plan_of(*waiting)) if waiting else None)
    if solution is not None:
        found = SimpleNamespace(warrants_change=solution)
        forge_round(desk, solved=SimpleNamespace(solution=found))
    if refused:
        with pytest.raises(Refused, match="the axes are not corrected yet"):
            refuse_out_of_order(desk)
    else:
        refuse_out_of_order(desk)


def test_without_steps_of_an_extruder_there_is_nothing_to_tune(desk: Desk) -> None:
    assert steps_now(desk) == 412.0
    readback = desk.session.bench.readback
    assert readback is not None
    settings = {k: v for k, v in readback.settings.items() if k != "steps_per_mm.e0"}
    forge(desk, readback=replace(readback, settings=settings))
    with pytest.raises(Refused, match=r"reported no steps_per_mm\.e0"):
        steps_now(desk)


def test_what_a_test_takes_is_told(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    """Three feeds of 1000 s are 50 min, and three of 40 mm are 0.12 m."""
    show_test(desk, replace(TEST, seconds=1000.0))
    said = told(capsys)
    assert said.startswith("Filament: 3 free feeds of 40 mm")
    assert (
        "Heats the nozzle to 215 °C. Each feed takes 1000 s; all of them 50 min, and 0.12 m" in said
    )
    assert "Warning: It is hot. Warning: Raise it." in said
    assert said.endswith("measure how far the mark has moved.")


# --- feed after feed -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answer", "before", "value", "rest"),
    [
        ("", False, 39.5, False),
        ("all", False, 39.5, True),
        ("ALL", False, 39.5, True),
        ("39,1", False, 39.1, False),
        ("x", False, None, False),
        ("never asked", True, 39.5, True),
    ],
)
def test_what_the_simulated_rule_shows_is_taken_or_typed_over(
    answer: str,
    before: bool,
    value: float | None,
    rest: bool,
    desk: Desk,
    capsys: pytest.CaptureFixture[str],
) -> None:
    kinds: list[bool] = []

    def measure(count: int, *, hot: bool) -> tuple[float, ...]:
        assert count == 1
        kinds.append(hot)
        return (39.5,)

    stub = SimpleNamespace(measure_feeds=measure, close=lambda: None)
    desk.rehearsal = stub  # type: ignore[assignment]
    technician = Technician({"mm": answer})
    desk.screen.ask_with(technician)
    assert read_feed(desk, TEST, 2, before) == (value, rest)
    assert len(technician.asked) == (not before)
    assert ("feed 2 of 3: the simulated rule shows 39.5" in told(capsys)) is not before
    read_feed(desk, replace(TEST, kind="hot"), 2, True)
    assert kinds == [False, True]


def test_at_a_real_machine_each_feed_is_asked_for(desk: Desk) -> None:
    desk.rehearsal = None
    for answer, value in (("39.5", 39.5), ("", None)):
        technician = Technician({"feed 2 of 3: the mark moved, mm": answer})
        desk.screen.ask_with(technician)
        assert read_feed(desk, TEST, 2, True) == (value, False)
        assert len(technician.asked) == 1


@pytest.mark.parametrize("cools", [True, False])
def test_the_heater_is_off_again_whatever_happens(
    cools: bool, desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    done: list[str] = []
    noted: list[tuple[str, str]] = []
    heaters = SimpleNamespace(
        note=lambda state, why: noted.append((state, why)),
        cool=lambda: done.append("cool") or (object() if cools else None),
    )
    link = SimpleNamespace(
        gate=None, ask=lambda line, *, timeout: done.append(f"{line} {timeout:g}")
    )
    monkeypatch.setattr(desk.session, "heaters", heaters)
    monkeypatch.setattr(desk.session.contact, "joined", lambda: (link, None))
    monkeypatch.setattr(
        desk.session.contact,
        "send_lines",
        lambda lines, *, seconds: done.append(f"{lines[0]} {seconds:g}"),
    )
    values = iter([(39.1, False), (None, False), (39.3, True)])
    offered: list[tuple[int, bool]] = []

    def read(desk: Desk, test: FeedTest, number: int, rest: bool) -> Any:
        offered.append((number, rest))
        return next(values)

    monkeypatch.setattr(feeding, "read_feed", read)
    assert fed(desk, TEST) == [39.1, 39.3]
    assert done == ["M109 S215 900", "G1 E40 20", "G1 E40 20", "G1 E40 20", "cool"]
    assert offered == [(1, False), (2, False), (3, False)]
    assert noted == [("on", "free feeds")]
    with pytest.raises(StopIteration):  # whatever breaks
        fed(desk, TEST)
    assert done[-1] == "cool"
    assert ("could NOT be switched off" in capsys.readouterr().err) is not cools


# --- what follows --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("result", "planned"),
    [
        (None, False),
        (FeedResult(414.0, 0.5, None, None), False),
        (FeedResult(420.0, 0.5, None, None), True),
    ],
)
def test_a_change_that_is_worth_it_becomes_the_plan(
    result: FeedResult | None, planned: bool, desk: Desk
) -> None:
    """Of 412: 0.49 % is left alone, 1.9 % is not."""
    plan_for(desk, 412.0, result)
    waiting = desk.session.bench.waiting
    assert (waiting is not None) is planned
    document = document_of(desk, 412.0, result)
    assert document["old"] == 412.0
    assert document["new"] == (None if result is None else result.steps_per_mm)
    assert document["u"] == (None if result is None else 0.5)
    assert (document["plan"] is not None) is planned
    if waiting is not None:
        assert (waiting.purpose, waiting.plan.wanted) == ("feed", {"steps_per_mm.e0": 420.0})


@pytest.mark.parametrize(
    ("result", "planned", "said", "unsaid"),
    [
        (None, False, ["Hot feeds alone never change the steps"], ["Free feeds", "Leave"]),
        (
            FeedResult(414.0, 0.5, None, None),
            False,
            [
                "Free feeds ask for 414.00 ± 1.00 step/mm (95 %) instead of 412: +0.49 %.",
                "Leave the steps: a change counts beyond 0.5 % and its uncertainty.",
            ],
            ["Slip", "'write'"],
        ),
        (
            FeedResult(420.0, 0.5, 0.012, 0.004),
            True,
            ["+1.94 %.", "Slip behind the hot nozzle: 1.2 ± 0.8 %.", "'write' sends it"],
            ["That is much", "Leave"],
        ),
        (
            FeedResult(420.0, 0.5, 0.052, 0.004),
            False,
            ["hot nozzle: 5.2 ± 0.8 %. That is much: look at the drive's grip", "Leave the steps"],
            ["'write'"],
        ),
    ],
    ids=["hot alone", "not worth it", "worth it", "much slip, and no plan any more"],
)
def test_what_the_feeds_tell(
    result: FeedResult | None,
    planned: bool,
    said: list[str],
    unsaid: list[str],
    desk: Desk,
    capsys: pytest.CaptureFixture[str],
) -> None:
    forge(desk, feeds={"free": (40.0, (39.04, 39.26))})
    if planned:
        plan_for(desk, 412.0, result)
    capsys.readouterr()
    show_result(desk, 412.0, result)
    words = told(capsys)
    assert words.startswith("free, commanded 40 mm: 39.0 39.3")
    assert all(text in words for text in said), words
    assert not any(text in words for text in unsaid), words


@pytest.mark.parametrize(
    ("flow", "said"),
    [
        (
            Flow(0.5, 0.04, 0.01, 1.08, 0.02),
            "Beads of 0.50 mm come out 0.040 ± 0.020 mm wider (95 %), in x, including squash and"
            " corners. As flow that is +8.0 % ± 4.0 %. In the slicer multiply the flow for this"
            " material by 0.926. Do not change the extruder steps.",
        ),
        (Flow(0.5, -0.04, 0.01, 0.92, 0.02), "0.040 ± 0.020 mm narrower (95 %)"),
        (Flow(0.5, 0.0, 0.01, 1.0, 0.02), "0.000 ± 0.020 mm wider (95 %)"),
        (Flow(0.5, 0.02, 0.01, 1.04, 0.02), "within what these readings can tell: leave the flow."),
    ],
)
def test_what_the_beads_tell(
    flow: Flow,
    said: str,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(feeding, "flow_now", lambda desk: flow)
    show_flow(desk)
    words = told(capsys)
    assert said in words
    assert ("multiply the flow" in words) is flow.told


@pytest.mark.parametrize(
    ("offsets", "known"),
    [
        (None, False),
        ({}, False),
        ({"offset.x": SimpleNamespace(value=0.04, u=0.01, determined=False)}, False),
        ({"offset.x": SimpleNamespace(value=0.04, u=0.01, determined=True)}, True),
    ],
)
def test_flow_wants_an_offset_that_is_known(offsets: Any, known: bool, desk: Desk) -> None:
    if offsets is not None:
        forge_round(desk, solved=SimpleNamespace(solution=SimpleNamespace(parameters=offsets)))
    if known:
        found = flow_now(desk)
        assert (found.growth_mm, found.u_mm) == (0.04, 0.01)
    else:
        with pytest.raises(Refused, match="bead width across x is not known"):
            flow_now(desk)


@pytest.mark.parametrize(("values", "code"), [([39.1], 1), ([39.1, 39.2], 0), ([], 1)])
def test_two_feeds_at_least_tell_something(
    values: list[float], code: int, desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feeding, "fed", lambda *_: values)
    for ready, wanted in (("no", 1), ("yes", code)):
        desk.screen.ask_with(Technician({"understood": "understood", "hands clear": ready}))
        assert carry_out(desk, ["feed free --length 40"]) == [wanted]
    assert desk.session.bench.feeds.get("free") == (None if code else (40.0, (39.1, 39.2)))
