"""The closed loop: the whole job on machines drawn at random, and what spoils it.

The simulator shares no formula with the estimate, so that agreement is a proof.
"""

from __future__ import annotations

import contextlib
import functools
import io
import json
import math
from typing import Any

import pytest

from agent.face.demo import Job, whole_job
from agent.face.desk import Desk
from agent.face.main import run
from agent.rehearsal import Rehearsal, bench_of
from tests.demos import SCALES, carried_out, job_at
from tests.memory import in_memory
from tests.pinned import Pinned

#: Machines of the fast suite; `python -m tests.demos` does as many as are wanted.
SEEDS = (2, 7, 12)


@pytest.fixture(autouse=True)
def _window(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


@functools.cache
def job_of(seed: int | None) -> tuple[Job, dict[str, Any], str]:
    """One job for each seed (another plant, another caliper), and all that it said."""
    job, said = job_at(in_memory(seed=seed)), io.StringIO()
    with contextlib.redirect_stdout(said):
        document = whole_job(job)
    return job, document, said.getvalue()


@pytest.fixture
def jobs() -> dict[int, tuple[Job, dict[str, Any]]]:
    """The jobs of all seeds; each was done in a test of its own, with a time limit of its own."""
    return {seed: job_of(seed)[:2] for seed in SEEDS}


@pytest.mark.parametrize("seed", SEEDS)
def test_every_machine_is_brought_inside_its_tolerance_and_proved(seed: int) -> None:
    _, document, _ = job_of(seed)
    assert document["verified"], document["proofs"]
    assert max(abs(document["after"][name]) for name in SCALES) <= 0.001
    assert abs(document["after"]["gantry_angle_deg"]) <= 0.1


def test_what_remains_is_far_below_what_the_shortcut_leaves(
    jobs: dict[int, tuple[Job, dict[str, Any]]],
) -> None:
    def rms(which: str) -> float:
        errors = [document[which][name] for _, document in jobs.values() for name in SCALES]
        return math.sqrt(sum(e * e for e in errors) / len(errors))

    assert rms("after") <= rms("naive_after") / 5


def test_previewed_lines_are_the_lines_received(
    jobs: dict[int, tuple[Job, dict[str, Any]]],
) -> None:
    for job, document in jobs.values():
        settings = [line for line in job.rehearsal.received if line.startswith("M92 ")]
        # Storing looks first: it loads what is stored and puts the very same lines back.
        assert settings == document["lines"] * 2


def test_spanner_errors_are_covered_by_their_uncertainty(
    jobs: dict[int, tuple[Job, dict[str, Any]]],
) -> None:
    apart = [
        (found["value_deg"] - job.rehearsal.truth()[name]) / found["u"]
        for job, document in jobs.values()
        for name, found in document["by_hand"].items()
    ]
    # 9 values: more than one in 20 lies beyond two standard uncertainties; four of nine do in
    # 1 of 1700 draws (binomial, p = 0.0455).
    assert len(apart) == 9
    assert sum(abs(z) > 2 for z in apart) < 4


def test_a_true_machine_is_left_alone() -> None:
    job, document, _ = job_of(None)
    assert (document["lines"], document["verified"]) == ([], True)
    assert not [line for line in job.rehearsal.received if line.startswith(("M92 ", "M500"))]


def test_storage_that_does_not_keep_is_found_out() -> None:
    rehearsal = in_memory(seed=3)
    rehearsal.machine.controller.storage_fault = "lies"  # the others: `tests.demos --storage`
    document = carried_out(job_at(rehearsal))
    assert document["proofs"]["written values read back"]
    assert not document["proofs"]["reloaded from storage"]
    assert not document["verified"]


def test_a_machine_that_changes_meanwhile_is_not_verified(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A belt that slips 0.3 % more the second time is noticed by the second measurement."""
    job = job_at(in_memory(seed=3))
    slice_at = job.rehearsal.slice_at

    def sliced(angle: float) -> None:
        slice_at(angle)
        belt = job.rehearsal.machine.plant.belt
        belt.slip += 0.003
        belt._mm_per_step *= 0.997

    monkeypatch.setattr(job.rehearsal, "slice_at", sliced)
    document = carried_out(job)
    assert document["proofs"]["reloaded from storage"]
    assert not document["proofs"]["second measurement as expected"]
    assert not document["verified"]


@pytest.mark.parametrize("seed", [2, None], ids=["seed 2", "a true machine"])
def test_the_whole_job_is_told_step_by_step(seed: int | None, pinned: Pinned) -> None:
    job, _, said = job_of(seed)
    first = next(each for each in job.session.bench.rounds if each.taken)
    lines = [f"{t.piece}: {t.reading.name} {len(t.reading.mm)}" for t in first.taken]
    told = [said, "What is read, and how many values:", *lines]
    pinned(f"demo/{seed or 'true'}", "\n".join(told))


def test_demo_over_a_real_pseudo_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", "--json", "--seed", "4", "--bench", "none"]) == 0
    said = capsys.readouterr()
    document = json.loads(said.out)
    assert (document["verified"], document["seed"]) == (True, 4)
    keys = {"before", "after", "naive_after", "by_hand", "lines", "verified", "digest"}
    assert keys <= document.keys()
    for which in ("before", "after", "naive_after"):
        assert document[which].keys() == {*SCALES, "gantry_angle_deg"}
    assert document["by_hand"].keys() == {"yaw_deg", "rail_deg", "roll_deg"}
    assert "Lay and measure again" in said.err


def test_a_demo_that_proves_nothing_is_an_error_and_leaves_nothing_open(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What was not proved is named; the machine is let go of, the port is closed."""
    closed: list[str] = []
    rehearsal = in_memory(seed=3)
    monkeypatch.setattr(Rehearsal, "close", lambda rehearsal: closed.append("closed"))
    monkeypatch.setattr("agent.face.demo.behind_a_terminal", lambda *_, **__: rehearsal)
    jobs: list[Job] = []

    def whole_job(job: Job) -> dict[str, Any]:
        job.session.contact.attach(job.rehearsal.open())
        jobs.append(job)
        return {"verified": False, "proofs": {"written": True, "stored": False, "again": False}}

    monkeypatch.setattr("agent.face.demo.whole_job", whole_job)
    assert run(["demo"], Desk()) == 1
    assert "Stop: Not verified: stored, again" in capsys.readouterr().err
    assert closed == ["closed"]
    assert jobs[0].session.contact.link is None


@pytest.mark.parametrize("seed", [11])
def test_on_an_ordinary_bench_the_job_is_foretold_and_ends_inside_tolerance(seed: int) -> None:
    document = carried_out(job_at(in_memory(seed=seed, bench=bench_of("usual", (), seed))))
    assert document["verified"], document["proofs"]
    assert max(abs(document["after"][name]) for name in SCALES) <= 0.001
    assert abs(document["after"]["gantry_angle_deg"]) <= 0.15
