"""A tune by one process for each verb ends as the same in one shell: bench, machine, report."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace
from datetime import date
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from agent.bench.value import Bench
from agent.face.main import run
from agent.face.report.content import page_of
from agent.face.report.page import html
from agent.face.report.tune import tune_of_bench
from agent.families import FAMILIES
from tests.bench.world import PORT, World

MADE = date(2026, 3, 1)


def lines_of(family: str) -> Iterator[str]:
    """A whole tune, a second measurement, and one change taken back."""
    card = FAMILIES[family]
    lay = ["lay strip"] if card.heats else ["gauge strip"]
    read = ["s1 20.24", "s3 92.02", "s4 183.97", "x1 20.21", "x3 161.33"]
    again = ["s1 20.05", "s3 91.16", "s4 182.26", "x1 20.05", "x3 160.05"]
    yield from ("gauge travel-belt 275.9 --u 0.05", "gauge travel-across 161.3 --u 0.05", *lay)
    yield from (f"gauge strip-{one} {one.split()[1]}" for one in read)
    yield from ("solve", "preview", "write")
    if card.words.covers_steps and not card.words.writing_stores:
        yield "store --others without"
    yield from ("prove power", "gauge travel-belt 273.3 --u 0.05", *lay)
    yield from (f"gauge strip-{one} {one.split()[1]}" for one in again)
    yield from ("solve", "undo", "resume", "status", "next")


def answers(world: World) -> dict[str, Any]:
    def digest(question: str) -> str:
        return question.partition("digest ")[2][:4]

    def again(question: str) -> str:
        plan = world.desks[-1].session.bench.plan
        assert plan is not None
        return f"{plan.wanted[question.partition('new value of ')[2].partition(' ')[0]]:.10g}"

    def edited(_question: str) -> str:
        done = world.desks[-1].session.bench.done
        assert done is not None
        world.rehearsal.edit_file(done.wanted)
        return "yes"

    def off_and_on(_question: str) -> str:
        world.controller.power_on(world.controller.now)
        return ""

    return {
        "To_write": digest,
        "To_store": digest,
        "large_change": again,
        "Are_they_in_it": edited,
        "switch_the_machine_off": off_and_on,
        "Keep_it": "yes",
    }


def known(bench: Bench) -> dict[str, Any]:
    """A bench without its times and identities."""
    solved = [r.solution.parameters if r.solution else None for r in bench.rounds]
    return {
        "readings": [[(t.piece, t.reading) for t in r.taken] for r in bench.rounds],
        "laid": [[(one.name, one.kind, one.number) for one in r.laid] for r in bench.rounds],
        "solved": solved,
        "angles": [r.gantry_angle_deg for r in bench.rounds],
        "exact": bench.exact,
        "past": [(p.settings, p.gantry_angle_deg, p.by) for p in bench.past],
        "done": bench.done.wanted if bench.done else None,
        "last": bench.last.wanted if bench.last else None,
        "proofs": [(p.stage, p.evidence) for p in bench.proofs],
        "open": (bench.unstored, bench.fallen, len(bench.broken), bench.plan, bench.laying),
        "heaters": bench.heater_state,
        "untried": bench.untried,
        "profile": replace(bench.profile, read_at=""),
        "damage": bench.damage,
    }


def reported(bench: Bench) -> str:
    """The report, times blotted out."""
    text = html(page_of(tune_of_bench(bench, source="this bench"), MADE))
    return re.sub(r"\d\d:\d\d(:\d\d(\.\d+)?)?", "--:--", text)


@pytest.mark.parametrize("family", ["replay", "script"])  # stored by a word, and by a file
def test_a_process_for_each_verb_ends_as_one_shell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, family: str
) -> None:
    found = []
    for way in ("shell", "processes"):
        monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / way))
        world = World.new(family)
        world.save_profile()
        world.desks.clear()
        shell = world.desk(**answers(world)) if way == "shell" else None
        if shell is not None:
            shell.in_shell = True
            assert run(["attach", PORT], shell) == 0
        for line in lines_of(family):
            if shell is None:
                told = world.run(*line.split(), **answers(world))
                assert told.code == 0, f"{line}: {told.text}"
                continue
            out, err = StringIO(), StringIO()
            with redirect_stdout(out), redirect_stderr(err):
                code = run(line.split(), shell)
            assert code == 0, f"{line}: {out.getvalue()} {err.getvalue()}"
        if shell is not None:
            shell.close()
        bench = world.bench
        live = {k: round(v, 6) for k, v in world.controller.live.items()}
        found.append((known(bench), reported(bench), live, world.controller.stored))
    one, other = found
    for key, value in one[0].items():
        assert other[0][key] == value, key
    assert other[1] == one[1]
    assert other[2:] == one[2:]
