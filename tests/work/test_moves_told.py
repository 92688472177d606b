"""Moves, runs, costs and layings of every invented machine, line by line as they were read."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise
from typing import Any

import pytest

from agent.errors import AgentError
from agent.model.profile import Profile, Tolerance
from agent.model.roles import ROLES
from agent.store.profiles import load_profile
from agent.work.costs import at_best, cost_of, frontier_of, gauge_that_reaches
from agent.work.laying import Laying, _with_probes
from agent.work.moves import advance_move, gap_move, marks_run, short_move, travel_move
from agent.work.tuning import bare_survey, moves_of, pool, short_piece, u_of_moves
from tests.face.bench import carry_out, desk_at
from tests.pinned import Pinned

MACHINES = ("heron", "egret", "curlew", "stilt", "avocet")


def plain(value: Any) -> str:
    """A value in a few signs, numbers to six digits."""
    if isinstance(value, float):
        return f"{value + 0.0:.6g}"
    if isinstance(value, tuple | list):
        return "[" + ", ".join(map(plain, value)) + "]"
    return str(value)


def told(found: Any) -> str:
    """The fields of a move; of its feature the name and the way alone."""
    parts = []
    for field in fields(found):
        value = getattr(found, field.name)
        if field.name == "feature":
            value = (value.name, value.kind, value.along, value.hint)
        parts.append(f"    {field.name}: {plain(value)}")
    return "\n".join(parts)


def steps_of(profile: Profile, role: str) -> float:
    drive = profile.mechanics.drives.get(role)  # type: ignore[call-overload]
    return drive.steps_per_mm if drive else 80.0


@pytest.mark.parametrize("name", MACHINES)
def test_moves_and_runs_are_the_lines_that_were_read(name: str, pinned: Pinned) -> None:
    profile = load_profile(name)
    lines: list[str] = []
    steps = {role: steps_of(profile, role) for role in ROLES}
    makes: list[tuple[str, Any]] = []
    for role in ROLES:
        for at in (None, 0.0, 150.0):
            makes.append((f"travel {role} at {at}", (travel_move, profile, role, steps[role], at)))
        makes.append(
            (f"travel {role} 60", (travel_move, profile, role, steps[role] * 0.98, 5.0, 60))
        )
        makes.append((f"travel {role} 900", (travel_move, profile, role, steps[role], 0.0, 900.0)))
        makes.append((f"short {role}", (short_move, profile, role, None)))
        makes.append((f"short {role} at 199", (short_move, profile, role, 199.0)))
    makes.append(("gap", (gap_move, profile, steps["across"], None)))
    makes.append(("gap at 100", (gap_move, profile, steps["across"] * 1.01, 100.0)))
    makes.append(("advance 25", (advance_move, profile, steps["belt"], 25.0)))
    for what, (make, *how) in makes:
        lines.append(what)
        lines.append(_made(make, *how))
    for more in (
        {},
        {"turns": 2.0, "per_turn": 2},
        {"every": 40.0, "count": 3, "approach": "both"},
        {"every": 40.0, "count": 2},
        {"role": "across", "every": 30.0, "count": 3, "approach": "both", "at": 100.0},
        {"role": "gantry"},
        {"role": "gantry", "turns": 2.0},
        {"role": "across", "every": 300.0},
        {"load": "part", "count": 4},
    ):
        role = more.get("role", "belt")
        lines.append(f"marks {more}")
        lines.append(_made(marks_run, profile, steps[str(role)], **more))
    pinned(f"work/moves of {name}", "\n".join(lines))


def _made(make: Any, *how: Any, **more: Any) -> str:
    try:
        found = make(*how, **more)
    except AgentError as refusal:
        return f"    {type(refusal).__name__}: {refusal}"
    return "    " + plain(found) if isinstance(found, tuple) else told(found)


@pytest.mark.parametrize("name", MACHINES)
def test_what_could_be_read_and_what_it_costs(name: str, pinned: Pinned) -> None:
    profile = load_profile(name)
    lines = []
    for role in ROLES:
        lines += [f"{move.name}: {plain(move.along)}" for move in moves_of(profile, role)]
    candidates, setups, there = pool(profile, (), (), 0.07)
    for one in candidates:
        reading = one.reading
        told = (reading.kind, reading.along, reading.u_mm, one.seconds, one.needs, one.again)
        lines.append(f"could: {reading.name} {plain(told)}")
    lines.append(f"setups: {plain(sorted(setups.items()))}, there: {sorted(there)}")
    short = short_piece(profile)
    assert short is not None
    piece, times = short
    lines.append(f"{piece.name} {plain((times.laying, times.cooling, times.whole))}")
    # what the design makes of it is the same on every machine, and takes a while
    for u_move in (0.3, 0.05) if name == "heron" else ():
        for tolerance in (profile.tolerance, Tolerance(0.2, 0.2)):
            wanted = replace(profile, tolerance=tolerance)
            cost = cost_of(wanted, u_move)
            asked = [(ask.name, ask.value, ask.minutes) for ask in cost.course.asks]
            what = (u_move, tolerance.scale_percent, cost.laid, cost.reached, cost.course.minutes)
            lines.append(f"cost {plain(what)}: {plain(asked)}")
            lines.append(f"  unreachable {plain(sorted(cost.course.unreachable.items()))}")
            lines.append(f"  gauge {plain(gauge_that_reaches(wanted, u_move))}")
    if name == "heron":
        lines.append(f"at best {plain(sorted(at_best(profile, 0.3).unreachable.items()))}")
        lines += [f"height {plain(sorted(row.items()))}" for row in frontier_of(profile, 0.1)]
    pinned(f"work/costs of {name}", "\n".join(lines))


def test_a_move_is_as_sure_as_the_last_one_was_said_to_be() -> None:
    """Else as the profile tells, else as usual."""
    from agent.model.feature import Reading

    heron = load_profile("heron")
    told = replace(heron, instrument=replace(heron.instrument, move_u_mm=0.12))
    move = Reading("travel", (100.0, 0.0, 0.0), (100.0,), u_mm=0.07)
    later = replace(move, u_mm=0.09)
    silent = replace(move, u_mm=None)
    jaws = Reading("outside", (100.0, 0.0, 0.0), (100.0,), between="edges", u_mm=0.01)
    assert u_of_moves(heron, (), 0.3) == 0.3
    assert u_of_moves(told, (), 0.3) == 0.12
    assert u_of_moves(told, (move, later, silent, jaws), 0.3) == 0.09
    assert bare_survey(told).instrument == told.instrument
    assert bare_survey(told).readings == ()


def test_the_controller_is_asked_for_its_heat_every_few_seconds_of_planned_moves() -> None:
    timed = [(f"G1 X{n}", 2.0) for n in range(12)]
    probes = [n for n, line in enumerate(_with_probes(timed)) if line == "M105"]
    assert probes, "it is asked"
    gaps = [b - a for a, b in pairwise(probes)]
    assert set(gaps) == {gaps[0]}, "evenly"
    lines = [line for line in _with_probes(timed) if line != "M105"]
    assert lines == [line for line, _ in timed]


def test_lines_lead_to_where_their_words_say() -> None:
    """Heat, speed and belt as they stand after each line; only what pushes plastic out lays."""
    lines = [
        ("M104 S215", (True, 215.0, 0.0, "", 0.0, 0.0, False)),
        ("M190 S60", (True, 215.0, 60.0, "", 0.0, 0.0, False)),
        ("G1 Z-5 F1200", (True, 215.0, 60.0, "F1200", -5.0, -5.0, False)),
        ("G1 X3 E-0.8 F1800", (True, 215.0, 60.0, "F1800", -5.0, -5.0, False)),
        ("G1 X3 E0", (True, 215.0, 60.0, "F1800", -5.0, -5.0, False)),
        ("G91", (False, 215.0, 60.0, "F1800", -5.0, -5.0, False)),
        ("G1 Z-40", (False, 215.0, 60.0, "F1800", -5.0, -5.0, False)),
        ("G90", (True, 215.0, 60.0, "F1800", -5.0, -5.0, False)),
        ("G1 Z2 E0.5", (True, 215.0, 60.0, "F1800", 2.0, -5.0, True)),
        ("M109 S0", (True, 0.0, 60.0, "F1800", 2.0, -5.0, True)),
        ("M140 S0", (True, 0.0, 0.0, "F1800", 2.0, -5.0, True)),
        ("G28 X Y", (True, 0.0, 0.0, "F1800", 2.0, -5.0, True)),
    ]
    timed = [(line, 1.0) for line, _ in lines]
    laying = Laying(None, timed, load_profile("heron").axes)  # type: ignore[arg-type]
    place = laying._place(0)
    assert (place.absolute, place.hot, place.feed, place.laid) == (True, 0.0, "", False)
    for count, (line, where) in enumerate(lines, 1):
        place = laying._place(count)
        told = tuple(getattr(place, field.name) for field in fields(place))
        assert told == where, line
    turned = Laying(None, timed, replace(load_profile("heron").axes, belt="-z"))  # type: ignore[arg-type]
    place = turned._place(len(lines))
    assert (place.belt, place.least_belt) == (-2.0, -2.0)


@pytest.mark.parametrize("name", ["strip", "stem"])
def test_a_pause_anywhere_knows_where_the_lines_have_led(name: str, pinned: Pinned) -> None:
    """What is hot, what was laid, how far the belt has run, and what a stop there would send."""
    desk = desk_at()
    assert carry_out(desk, ["attach"]) == [0]
    session = desk.session
    assert desk.rehearsal is not None
    laying = session.pieces.begin(session.pieces.draw(name))
    assert isinstance(laying, Laying)
    total = len(laying.lines)
    lines = []
    for count in sorted({0, 1, 3, 5, 8, 12, 20, 40, 200, total // 2, total - 3, total - 1, total}):
        place = laying._place(count)
        where = (place.absolute, place.hot, place.bed, place.feed, place.belt)
        lines.append(f"{count}: {plain((*where, place.least_belt, place.laid))}")
    for count in (2, 12, 60, 200):
        before = len(desk.rehearsal.received)
        stop = iter([False] * count + [True] * 10_000)
        assert not laying.go_on(stop=lambda stop=stop: next(stop))  # type: ignore[misc]
        progress = laying.progress
        lines.append(
            f"stopped at {laying.done} of {total}, heating {plain(laying.heating)},"
            f" left {progress.seconds_left:.3f} s, last {progress.last!r},"
            f" nozzle {progress.heats.nozzle}, bed {progress.heats.bed}"
        )
        lines.append(f"  raised {laying.hold()}, clear by {plain(laying.clear_feed_mm)}")
        sent = list(desk.rehearsal.received)[before:]
        lines.append(f"  last lines {sent[-8:]}")
    before = len(desk.rehearsal.received)
    left = laying.stop()
    lines.append(f"left {left.heaters}, raised {left.lifted}: {left}")
    laying.feed_clear()
    lines.append(f"  {list(desk.rehearsal.received)[before:]}")
    pinned(f"work/laying of {name}", "\n".join(lines))
