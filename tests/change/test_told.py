"""What is said of wishes, plans, outcomes and looks: each guard on a grid, each journal whole."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import pytest

from agent.change.compare import compare_profiles, compare_settings
from agent.change.completeness import check
from agent.change.guards import (
    Bracket,
    Finding,
    blocked_roles,
    drive_of,
    examine,
    plausible,
    power_of,
    worst_shares,
    worst_travel,
)
from agent.change.judgement import judge, judge_change
from agent.change.outcome import (
    STAGES,
    STATE_WORDS,
    Broken,
    Fate,
    Outcome,
    failed_stages,
    fate_of,
    fates_unread,
    moved_between,
)
from agent.change.plan import Change, Plan, file_lines, make_plan, short_digest, snapshot_digest
from agent.change.restore import restore, sort_profile
from agent.change.resume import Account, account, finish, settings_of, undo
from agent.change.storing import Look, _heard, _lines_back, look, prove, refuse_no_store, store
from agent.change.transaction import check_approval, read_clean, refuse_moved, write
from agent.errors import AgentError, Refused
from agent.families import FAMILIES
from agent.families.replay import Replay
from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.profile import Bead, Material, Mechanics, Profile, SavedSetting
from agent.model.roles import Axes
from agent.model.settings import UNITS, Event, Readback, Setting
from tests.change.bench import HERON, WANTED, Bench, heron, holding
from tests.change.cuts import CutTransport, FullJournal, Killed, KilledJournal
from tests.pinned import Pinned

#: Own mechanics: a belt on a roller that is badly known, a screw, no drive across.
CRANE = Mechanics(
    gantry_angle_deg=35,
    drives={
        "gantry": Drive(400, 16, 1, Screw(8)),
        "belt": Drive(200, 16, 3, Roller(28, 1, 0.5, u_diameter=0.6)),
    },
    travel_mm={"across": 220, "belt": 400},
    max_pulse_rate=30_000,
)
VAGUE = Mechanics(drives={"belt": Drive(200, 16, 1, Roller(28, 1, 0.5, u_diameter=20.0))})


def one_of_each(value: float = 1.0) -> Readback:
    """A reading with a setting of every kind."""
    settings = {f"{kind}.x": Setting(value, unit, 3) for kind, unit in UNITS.items()}
    return replace(holding(), settings={**holding().settings, **settings})


def lines_of(findings: tuple[Finding, ...], known: set[str] | None = None) -> Iterator[str]:
    """Findings in full; those whose code is `known`, without their words."""
    for f in findings:
        marks = f"{' retype' if f.retype else ''}{' mechanical' if f.mechanical else ''}"
        words = "" if known is not None and f.code in known else f": {f}"
        if known is not None and f.key != "steps_per_mm.x":
            known.add(f.code)
        yield f"    {f.level} {f.code}{marks}{words}"


@pytest.mark.parametrize(
    ("name", "mechanics", "axes"),
    [
        ("heron", HERON.mechanics, Axes()),
        ("crane", CRANE, Axes()),
        ("vague", VAGUE, Axes()),
        ("bare", Mechanics(), Axes()),
    ],
)
def test_every_guard_on_a_grid_of_steps(
    name: str, mechanics: Mechanics, axes: Axes, pinned: Pinned
) -> None:
    shares = (0.01, 0.1, 0.24, 0.5, 0.8, 0.86, 0.9499, 0.951, 0.99, 0.9985, 1.0, 1.0015, 1.01, 1.04)
    shares += (
        1.0501,
        1.06,
        1.14,
        1.16,
        1.3,
        2.0,
        2.2,
        8,
        8.6,
        9.1,
        10,
        11,
        99,
        0.117,
        0.112,
        0.996,
        0.9921,
        0.9919,
    )
    known: set[str] = set()
    said = []
    for key in ("steps_per_mm.x", "steps_per_mm.y", "steps_per_mm.z", "steps_per_mm.e0"):
        drive = drive_of(key, mechanics, axes)
        old = holding().settings[key].value
        said.append(f"{key} {Bracket.of(drive) if drive else 'no drive'}, now {old:.2f}")
        for share in shares:
            value = round((drive.steps_per_mm if drive else old) * share, 4)
            said.append(f"  {value:.4f}")
            said += lines_of(examine(holding(), {key: value}, mechanics, axes), known)
    pinned(f"change/steps-{name}", "\n".join(said))


def test_every_guard_on_a_grid_of_limits_and_others(pinned: Pinned) -> None:
    said = []
    for kind in UNITS:
        for old in (0.0, 100.0):
            found = one_of_each(old)
            for value in (-600.0, -1.0, 0.0, 1.0, 12.4, 12.6, 100.0, 799.0, 801.0, 1e6):
                key = f"{kind}.x"
                findings = examine(found, {key: value}, CRANE, Axes())
                codes = ", ".join(f"{f.level} {f.code}" for f in findings)
                said += [f"{key} {old:g} -> {value:g}: {codes}"] if codes else []
    found = one_of_each(1.0)
    for kind in UNITS:
        said += lines_of(examine(found, {f"{kind}.x": 1e6}, CRANE, Axes()))
    pinned("change/limits", "\n".join(said))


@pytest.mark.parametrize(
    ("wanted", "codes"),
    [
        ({"steps_per_mm.x": 80.1}, []),
        ({"max_speed.x": 499.0}, []),  # 80 * 499 is below 40,000
        ({"max_speed.x": 500.0}, []),  # just what it can
        ({"max_speed.x": 500.1}, ["pulse_rate max_speed.x"]),
        ({"max_speed.x": 499.9, "steps_per_mm.x": 80.2}, ["pulse_rate max_speed.x"]),
        ({"max_speed.q": 999.0}, ["not_read_back max_speed.q"]),
        ({"max_acceleration.x": 1300.0}, []),
    ],
)
def test_pulses_are_counted_for_what_would_be_live(
    wanted: dict[str, float], codes: list[str]
) -> None:
    """40,000 a second are possible here, and 80 make a millimetre."""
    found = examine(holding(), wanted, HERON.mechanics, Axes())
    assert [f"{f.code} {f.key}" for f in found if f.level == "refuse"] == codes


def test_pulses_that_are_too_many_already_may_not_grow(pinned: Pinned) -> None:
    mechanics = replace(HERON.mechanics, max_pulse_rate=10_000)
    said = []
    wishes: tuple[dict[str, float], ...] = (
        {"steps_per_mm.x": 80.0},
        {"steps_per_mm.x": 79.9},
        {"steps_per_mm.x": 80.1},
        {"max_speed.x": 180.0},
        {"max_speed.x": 181.0},
        {"steps_per_mm.x": 80.1, "max_speed.x": 124.0},
        {"steps_per_mm.x": 80.1, "max_speed.x": 125.0},
        {"steps_per_mm.x": 80.1, "max_speed.x": 181.0},
        {"steps_per_mm.x": 79.0, "max_speed.x": 181.0},
        {"steps_per_mm.z": 105.4, "max_speed.z": 94.9},
    )
    for wanted in wishes:
        said.append(f"{wanted}")
        said += lines_of(examine(holding(), wanted, mechanics, Axes()))
    pinned("change/pulses", "\n".join(said))


def test_what_is_live_on_every_machine(pinned: Pinned) -> None:
    said = []
    readings = {
        "as it is": holding(),
        "of the factory": holding(steps_per_mm__z=4000.0, steps_per_mm__x=160.0),
        "nothing": holding(steps_per_mm__x=0.0, steps_per_mm__y=-5.0),
        "endless": holding(steps_per_mm__x=float("inf")),
        "off a little": holding(steps_per_mm__x=80.3, steps_per_mm__y=85.0, steps_per_mm__z=93.0),
        "skewed": replace(one_of_each(0.25), settings={"skew.i": Setting(0.25, "1", 3)}),
        "not skewed": Readback("replay", {"skew.i": Setting(0.0, "1", 3)}),
    }
    for name, found in readings.items():
        for of, mechanics in (("heron", HERON.mechanics), ("crane", CRANE), ("bare", Mechanics())):
            findings = plausible(found, mechanics, Axes())
            blocked = blocked_roles(findings, Axes())
            said.append(f"{name}, {of}: blocked {', '.join(blocked) or 'nothing'}")
            said += lines_of(findings)
    pinned("change/live", "\n".join(said))


def test_how_far_a_move_could_go_at_worst() -> None:
    # screw of 8 mm, 6400 steps a turn: 800 step/mm, at 95 % 0.2 % less: 798.4
    screw = CRANE.drives["gantry"]
    assert worst_travel(10.0, 800.0, screw) == pytest.approx(8000 / 798.4)
    assert worst_travel(-10.0, 400.0, screw) == pytest.approx(4000 / 798.4)
    shares = worst_shares(Profile("crane", mechanics=CRANE), {"x": 80.0, "y": 800.0, "z": 50.0})
    assert shares["across"] == float("inf")
    assert shares["gantry"] == pytest.approx(800 / 798.4 - 1)
    assert shares["belt"] == 0.0  # never less than what was commanded
    edge = Bracket(100.0, 5.0)
    assert [edge.holds(v) for v in (94.99, 95.0, 105.0, 105.01)] == [False, True, True, False]
    assert edge.low == 95.0


@pytest.mark.parametrize(
    ("base", "ratio", "power"),
    [(2, 1.71, 1), (2, 2.29, 1), (2, 1.69, 0), (2, 2.31, 0), (10, 11.5, 1), (10, 11.6, 0),
     (10, 0.0851, -1), (10, 0.0849, 0), (2, 1.0, 0), (2, 0.5, -1)],
)  # fmt: skip
def test_a_power_is_one_within_fifteen_percent(base: int, ratio: float, power: int) -> None:
    assert power_of(base, ratio) == power


# --- plans and outcomes --------------------------------------------------------------------------


@pytest.mark.parametrize("name", FAMILIES)
def test_a_plan_says_all_of_itself(name: str, pinned: Pinned) -> None:
    bench = heron(name)
    found = read_clean(bench.link, bench.family)
    said = []
    wishes: tuple[dict[str, float], ...] = (
        {**WANTED, "steps_per_mm.y": 80.0, "max_speed.x": 150.0, "max_speed.z": 65.0},
        {"steps_per_mm.x": 88.0, "max_speed.y": 1.0, "max_acceleration.x": 60_000.0},
        {"steps_per_mm.x": 80.0000001, "steps_per_mm.e0": 412.1},
        {},
    )
    for wanted in wishes:
        wanted = {key: value for key, value in wanted.items() if key in found.settings}
        plan = make_plan(
            found, wanted, bench.family, machine="heron", profile=HERON, why={"max_speed.x": "so"}
        )
        said += [
            *_plain(plan.to_plain()),
            f"lines {file_lines(bench.family, plan.changes, plan.lines)}",
        ]
        assert Plan.from_plain(json.loads(json.dumps(plan.to_plain()))) == plan
    pinned(f"change/plan-{name}", "\n".join(said))


def _plain(plain: Mapping[str, Any], head: str = "") -> Iterator[str]:
    """Leaves of plain data, one a line; numbers with six digits."""
    for key, value in plain.items():
        if isinstance(value, Mapping):
            yield from _plain(value, f"{head}{key}.")
        elif isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
            for place, item in enumerate(value):
                yield from _plain(item, f"{head}{key}[{place}].")
        elif isinstance(value, float):
            yield f"  {head}{key} = {value + 0.0:.6f}"
        else:
            yield f"  {head}{key} = {value!r}"


@pytest.mark.parametrize("origin", ["new", "saved", "undo"])
def test_where_a_wish_comes_from_tells_what_is_asked(origin: Any, pinned: Pinned) -> None:
    said = []
    found = replace(one_of_each(100.0), identity="a board")
    wishes: tuple[dict[str, float], ...] = (
        {"steps_per_mm.z": 108.0},
        {"steps_per_mm.z": 4000.0},
        {"steps_per_mm.x": 88.0},
        {"max_speed.y": 19.0, "motor_current.x": 800.0},
        {"jerk.x": 61.0, "probe_offset.x": 101.0},
        {"skew.x": 0.1},
        {"steps_per_mm.x": -1.0, "max_speed.x": 0.0, "steps_per_mm.e0": 19.0},
        {"acceleration.x": 60_000.0},
    )
    for wanted in wishes:
        said.append(f"{wanted}")
        try:
            plan = make_plan(
                found, wanted, FAMILIES["replay"], machine="heron", profile=HERON, origin=origin
            )
            said += _plain(plan.to_plain())
        except Refused as refused:
            said.append(f"  refused: {refused}")
        except AssertionError:
            said.append("  no line")
    pinned(f"change/origin-{origin}", "\n".join(said))


def _outcome(*states: str, **how: Any) -> Outcome:
    plan = Plan("heron", "replay", (Change("jerk.x", 8, 9, "mm/s", 2),), ("M205 X9",), "0")
    fates = tuple(Fate("jerk.x", 8, 9, None, state) for state in states)  # type: ignore[arg-type]
    return Outcome(plan, fates, **how)


@pytest.mark.parametrize(
    ("outcome", "verified", "stored"),
    [
        (_outcome("took"), False, False),
        (_outcome("took", stages=("read back",)), True, False),
        (_outcome("took", stages=("read back",), kept_by="writing"), True, True),
        (_outcome("took", stages=("read back",), kept_by="file"), True, False),
        (_outcome("took", stages=("reloaded from storage",)), True, True),
        (_outcome("took", stages=("after a power cycle",)), True, True),
        (_outcome("took", stages=("after homing", "after a job's start")), True, False),
        (_outcome("took", "did not", stages=STAGES), False, False),
        (_outcome("took", stages=STAGES, moved=(Change("a", 1, 2, "", 0),)), False, False),
        (_outcome("other", stages=("read back",), kept_by="writing"), False, False),
    ],
)
def test_what_is_verified_and_what_is_stored(
    outcome: Outcome, verified: bool, stored: bool
) -> None:
    assert (outcome.verified, outcome.stored) == (verified, stored)
    assert outcome.to_plain()["verified"] is verified
    assert outcome.to_plain()["stored"] is stored


def test_an_outcome_says_all_of_itself(pinned: Pinned) -> None:
    whole = _outcome(
        *STATE_WORDS,
        stages=STAGES,
        moved=(Change("max_speed.x", 180, 170, "mm/s", 2, "so"),),
        events=(Event("stored", {"size": 7}),),
        notes=("a note",),
        hand_over=("M92 X80",),
        kept_by="file",
    )
    said = [*_plain(whole.to_plain()), *_plain(_outcome("took").to_plain())]
    said += [
        str(Fate("jerk.x", 8, 9, 8.5, "other")),
        *_plain(Fate("a", 1, 2, 3, "took").to_plain()),
    ]
    pinned("change/outcome", "\n".join(said))


@pytest.mark.parametrize(
    ("found", "state"),
    [(80.0, "did not"), (81.0, "took"), (80.994, "other"), (80.996, "took"), (80.5, "other")],
)
def test_the_fate_of_a_change_is_what_is_printed(found: float, state: str) -> None:
    change = Change("steps_per_mm.x", 80.0, 81.0, "step/mm", 2)
    fate = fate_of(change, holding(steps_per_mm__x=found))
    assert (fate.state, fate.found, fate.old, fate.wanted) == (state, found, 80.0, 81.0)
    damaged = fate_of(change, holding(damage=("cut",), steps_per_mm__x=found))
    assert (damaged.state, damaged.found) == ("unknown", None)
    assert fate_of(replace(change, key="jerk.q"), holding()).state == "unknown"


def test_lines_that_may_have_gone_out_are_unknown() -> None:
    plan = make_plan(holding(), WANTED, FAMILIES["replay"], machine="heron", profile=HERON)
    assert [[f.state for f in fates_unread(plan, sent)] for sent in (0, 1, 2)] == [
        ["did not", "did not"],
        ["unknown", "did not"],
        ["unknown", "unknown"],
    ]


def test_what_moved_is_what_no_line_names() -> None:
    before, after = holding(), holding(steps_per_mm__x=81.0, max_speed__y=99.0)
    after = replace(after, settings={k: s for k, s in after.settings.items() if k != "max_speed.z"})
    assert moved_between(before, after, {"steps_per_mm.x": 81.0}) == (
        Change("max_speed.y", 160.0, 99.0, "mm/s", 2),
    )


@pytest.mark.parametrize(
    ("entries", "failed"),
    [
        ([], set()),
        ([{"step": "proved", "stage": "after homing", "outcome": {"stages": ["read back"]}}],
         {"after homing"}),
        ([{"step": "proved", "stage": "after homing", "outcome": {"stages": ["after homing"]}}],
         set()),
        ([{"step": "proved", "stage": "after homing", "outcome": {"stages": []}},
          {"step": "proved", "stage": "after homing", "outcome": {"stages": ["after homing"]}}],
         set()),
        ([{"step": "stored", "outcome": {"stages": ["read back"], "verified": False}}],
         {"reloaded from storage"}),
        ([{"step": "stored", "outcome": {"stages": ["read back"], "verified": True}}],
         {"reloaded from storage"}),
        ([{"step": "stored", "outcome": {"stages": [], "verified": True, "stored": True}}], set()),
        ([{"step": "stored", "outcome": {"stages": [], "verified": False, "stored": True}}],
         {"reloaded from storage"}),
        ([{"step": "stored", "outcome": {"stages": ["reloaded from storage"]}}], set()),
        ([{"step": "proved", "outcome": {"stages": []}}], set()),
        ([{"step": "sending", "stage": "after homing", "outcome": {"stages": []}}], set()),
    ],
)  # fmt: skip
def test_stages_that_were_tried_and_not_passed(
    entries: list[dict[str, Any]], failed: set[str]
) -> None:
    assert failed_stages(entries) == failed


def test_approval_is_by_the_digest_and_by_large_values_typed_again(pinned: Pinned) -> None:
    plan = make_plan(
        holding(), {"steps_per_mm.x": 88.0, "steps_per_mm.y": 88.5}, FAMILIES["replay"],
        machine="heron", profile=HERON,
    )  # fmt: skip
    typed: tuple[tuple[str, dict[str, float]], ...] = (
        (plan.digest, {}),
        (plan.digest, {"steps_per_mm.x": 88.0}),
        (plan.digest, {"steps_per_mm.x": 88.0, "steps_per_mm.y": 88.4}),
        (f" {plan.digest.upper()} ", {"steps_per_mm.x": 88.0, "steps_per_mm.y": 88.5000001}),
        ("x" * 40, {}),
        ("", {}),
    )
    said = []
    for approved, retyped in typed:
        how = partial(check_approval, plan, approved, retyped)
        said.append(f"{approved!r} {retyped}: {_said(how)}")
    said.append(_said(lambda: check_approval(replace(plan, lines=()), plan.digest, {})))
    pinned("change/approval", "\n".join(said))


def _said(act: Any) -> str:
    try:
        return f"{act()}"
    except AgentError as error:
        return f"{type(error).__name__}: {error}"


def test_a_plan_rests_on_its_ground(pinned: Pinned) -> None:
    plan = make_plan(
        replace(holding(), identity="a board"), WANTED, FAMILIES["replay"], machine="heron",
        profile=HERON,
    )  # fmt: skip
    ground = replace(holding(), identity="a board")
    without = {k: s for k, s in ground.settings.items() if k != "max_speed.x"}
    readings = {
        "as it was": ground,
        "without a name": replace(ground, identity=""),
        "of another name": replace(ground, identity="another"),
        "of another family": replace(ground, family="table", identity=""),
        "moved": holding(steps_per_mm__x=80.01, max_speed__z=61.0, max_speed__y=1.0),
        "gone": replace(ground, settings=without),
    }
    said = [f"{name}: {_said(lambda r=r: refuse_moved(plan, r))}" for name, r in readings.items()]
    nameless = replace(plan, identity="")
    said.append(f"{_said(lambda: refuse_moved(nameless, readings['of another name']))}")
    pinned("change/ground", "\n".join(said))


def test_digests_are_of_canonical_text() -> None:
    # sha256 of the JSON text, by the command sha256sum
    assert short_digest([1, "é"]) == short_digest([1, "é"]) != short_digest(["é", 1])
    assert len(short_digest({})) == 8
    assert short_digest({"b": 1, "a": 2}) == short_digest({"a": 2, "b": 1})
    assert snapshot_digest(holding()) != snapshot_digest(holding(steps_per_mm__x=80.01))
    assert snapshot_digest(holding()) == snapshot_digest(holding(steps_per_mm__x=80.001))


# --- whole transactions --------------------------------------------------------------------------


def _journal(bench: Bench, *, since: int = 0) -> Iterator[str]:
    for entry in bench.journal.entries[since:]:
        said = {key: value for key, value in entry.items() if key not in ("plan", "snapshot")}
        yield json.dumps(said, sort_keys=True, default=str)[:320]


@pytest.mark.parametrize("fault", ["", "lies", "fails", "none", "unreadable"])
@pytest.mark.parametrize("name", FAMILIES)
def test_a_change_from_the_first_line_to_the_last(name: str, fault: str, pinned: Pinned) -> None:
    bench = heron(name)
    if fault and name != ("table" if fault == "unreadable" else "replay"):
        return  # what a fault of the storage does is told once
    plan = bench.plan()
    first = len(bench.machine.received)
    outcome = write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    said = [*_plain(outcome.to_plain()), f"events {[event.kind for event in outcome.events]}"]
    said += [f"hand over {outcome.hand_over}, kept by {outcome.kept_by}"]
    bench.machine.controller.live["max_acceleration.x"] = 900.0
    try:
        if fault == "unreadable":
            bench.machine.controller.storage_fault = "unreadable"
        looked = look(bench.link, bench.family, plan, journal=bench.journal)
        said += [*_plain(looked.to_plain())]
        if fault:
            bench.machine.controller.storage_fault = fault  # type: ignore[assignment]
        for choice in (None, "leave them out"):
            try:
                done = store(
                    bench.link, bench.family, plan, looked, looked.digest,
                    journal=bench.journal, others=choice,  # type: ignore[arg-type]
                )  # fmt: skip
                said += [
                    *_plain(done.to_plain()),
                    f"stored {done.stored}, events {[e.kind for e in done.events]}",
                ]
            except Refused as refused:
                said.append(f"refused: {refused}")
    except Refused as refused:
        said.append(f"refused: {refused}")
    for stage in ("after a power cycle", "after homing"):
        if stage == "after a power cycle":
            bench.machine.controller.power_on(bench.link.transport.now())
            bench.attach_again()
        proved = prove(
            bench.link, bench.family, plan, stage,  # type: ignore[arg-type]
            journal=bench.journal, evidence="seen",
        )  # fmt: skip
        said += _plain(proved.to_plain())
    said += [f"taken {line}" for line in bench.machine.received[first:]]
    said += _journal(bench)
    said.append(f"failed {sorted(failed_stages(bench.journal.entries))}")
    pinned(f"change/whole-{name}{'-' if fault else ''}{fault}", "\n".join(said))


@pytest.mark.parametrize("step", range(1, 8))
def test_a_write_that_broke_is_accounted_for(step: int, pinned: Pinned) -> None:
    bench = heron()
    plan = bench.plan()
    journal = KilledJournal(at=step)
    with pytest.raises(Killed):
        write(bench.link, bench.family, plan, plan.digest, journal=journal)
    bench.attach_again()
    readback = read_clean(bench.link, bench.family)
    said = []
    for found in (account(journal.entries), account(journal.entries, readback)):
        assert found is not None
        said += [str(found), *_plain(found.to_plain())]
    assert found is not None
    for way in (finish, undo):
        onward = way([found], readback, bench.family, HERON)
        said += _plain(onward.to_plain())
    pinned(f"change/broken-write-{step}", "\n".join(said))


@pytest.mark.parametrize("sent", [0, 30, 60, 90, 120, 400])
def test_a_store_whose_cable_comes_out_is_accounted_for(sent: int, pinned: Pinned) -> None:
    bench = heron()
    plan = bench.plan()
    write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    bench.live["max_acceleration.x"] = 900.0
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    bench.link.transport = CutTransport(bench.link.transport, after_sent=sent)
    first = len(bench.journal.entries)
    said = [
        _said(
            lambda: store(
                bench.link, bench.family, plan, looked, looked.digest,
                journal=bench.journal, others="leave them out",
            )
        ),
        *_journal(bench, since=first),
    ]  # fmt: skip
    entries = bench.journal.entries[first:]
    bench.attach_again()
    readback = read_clean(bench.link, bench.family)
    for found in (account(entries), account(entries, readback)):
        said += [str(found), *(_plain(found.to_plain()) if found else ())]
    if found is not None:
        said += _plain(finish([found], readback, bench.family, HERON).to_plain())
        said += _plain(
            undo([found], readback, bench.family, HERON, exactly=lambda key, s: s.value).to_plain()
        )
    pinned(f"change/broken-store-{sent}", "\n".join(said))


def test_a_disk_that_fills_up_is_told_at_every_step(pinned: Pinned) -> None:
    said = []
    for full_from in range(1, 8):
        bench = heron()
        plan = bench.plan()
        journal = FullJournal(full_from=full_from)
        said.append(f"full from {full_from}")
        how = partial(write, bench.link, bench.family, plan, plan.digest, journal=journal)
        said.append(_said(how))
        said += [f"  kept {entry['step']}" for entry in journal.entries]
    pinned("change/full-disk", "\n".join(said))


def test_several_broken_changes_have_one_end_and_one_beginning(pinned: Pinned) -> None:
    bench = heron()
    accounts = []
    for wanted in ({"steps_per_mm.x": 80.6, "steps_per_mm.y": 80.2}, {"steps_per_mm.x": 80.7}):
        plan = bench.plan(wanted)
        journal = KilledJournal(at=3)
        with pytest.raises(Killed):
            write(bench.link, bench.family, plan, plan.digest, journal=journal)
        bench.attach_again()
        accounts.append(journal.entries)
    readback = read_clean(bench.link, bench.family)
    found = [one for entries in accounts if (one := account(entries, readback))]
    saved = {"steps_per_mm.x": SavedSetting(Setting(80.0, "step/mm", 2), 80.0012)}
    profile = replace(HERON, settings=saved)
    said = [*_plain(finish(found, readback, bench.family, profile).to_plain())]
    said += _plain(undo(found, readback, bench.family, profile).to_plain())
    said += _plain(
        undo(found, readback, bench.family, None, exactly=lambda key, s: s.value + 0.001).to_plain()
    )
    pinned("change/several-broken", "\n".join(said))


def test_a_snapshot_reads_back_with_its_units() -> None:
    plain = {"settings": {"jerk.x": [8.0, 2, None], "odd.y": [1.0, 0, 0.5]}}
    assert settings_of(plain) == {
        "jerk.x": Setting(8.0, "mm/s", 2),
        "odd.y": Setting(1.0, "", 0, tolerance=0.5),
    }


def test_a_look_says_all_of_itself(pinned: Pinned) -> None:
    own = (Change("jerk.x", 8, 9, "mm/s", 2),)
    others = (Change("max_speed.x", 180, 170, "mm/s", 2),)
    said = []
    for found in (
        Look("heron", "replay", "M500", own),
        Look("heron", "replay", "M500", own, others, ("a note",)),
        Look("heron", "replay", None, (), live={"jerk.x": 8.0}),
    ):
        said += [str(found), *_plain(found.to_plain())]
    pinned("change/look", "\n".join(said))


# --- judgement, gaps, differences, restoring -----------------------------------------------------

LIVE: dict[str, dict[str, Any]] = {
    "same": {},
    "a trim": {"steps_per_mm.x": 82.0, "steps_per_mm.z": 105.0},
    "at the edge of a trim": {"steps_per_mm.x": 83.2},
    "beyond it": {"steps_per_mm.x": 83.21, "steps_per_mm.y": 80.1},
    "a smaller pulley": {"steps_per_mm.y": 64.0},
    "one limit": {"max_speed.z": 40.0},
    "two kinds": {"max_speed.z": 40.0, "max_acceleration.z": 200.0, "steps_per_mm.x": 100.0},
    "three kinds": {"max_speed.z": 40.0, "max_acceleration.z": 200.0, "junction_deviation": 0.05},
    "one gone": {"junction_deviation": None},
    "one new": {"jerk.x": 9.0},
    "three kinds new and gone": {"junction_deviation": None, "jerk.x": 9.0, "max_speed.x": None},
    "steps gone": {"steps_per_mm.x": None},
}


def _live(moved: Mapping[str, float | None], identity: str) -> Readback:
    settings = {key: kept.setting for key, kept in HERON.settings.items()}
    for key, value in moved.items():
        if value is None:
            del settings[key]
        else:
            settings[key] = replace(settings.get(key, Setting(0, "mm/s", 2)), value=value)
    return Readback("replay", settings, identity=identity)


def test_what_moved_tells_what_happened(pinned: Pinned) -> None:
    saved = replace(HERON, identity="a board 1")
    said = []
    for name, moved in LIVE.items():
        for identity in ("a board 1", "a board 2", ""):
            found = judge_change(saved, _live(moved, identity))
            said += [f"{name}, {identity or 'nameless'}: {found.kind}: {found.text}"]
            said += [f"    {found.remedy}; {', '.join(found.keys)}"]
            assert found.to_plain()["kind"] == found.kind
    zero = judge({"steps_per_mm.x": 0.0}, "", _live({}, ""), "heron")
    said.append(f"from nought: {zero.kind}: {zero.text}; {zero.to_plain()}")
    pinned("change/judged", "\n".join(said))


PARTLY = Profile(
    "crane",
    family="table",
    mechanics=replace(CRANE, gantry_angle_deg=None),
    material=Material("PETG", bed_c=70),
    bead=Bead(width_mm=0.4, height_mm=0.45),
)


def test_gaps_and_doubts_of_a_profile(pinned: Pinned) -> None:
    said = []
    damaged = replace(holding(), damage=("cut",))
    high = replace(HERON, bead=Bead(width_mm=0.4, height_mm=0.4))
    for profile in (HERON, PARTLY, Profile("new"), replace(high, axes=Axes("x", "y", "u"))):
        for live in (None, holding(), holding(steps_per_mm__z=4000.0, max_speed__x=1.0), damaged):
            found = check(profile, live)
            said += [f"{profile.name}: complete {found.complete}"]
            said += [f"    {gap.key}: {gap.forbids}" for gap in found.gaps]
            said += [f"    ? {text}" for text in found.findings]
            assert found.to_plain()["complete"] is found.complete
            assert len(found.to_plain()["gaps"]) == len(found.gaps)
    pinned("change/gaps", "\n".join(said))


def test_differences_of_profiles_and_settings(pinned: Pinned) -> None:
    said = [str(one) for one in compare_profiles(HERON, PARTLY)]
    left = {"a": Setting(0.0, "mm", 2), "b": Setting(1.0, "mm", 1), "c": Setting(1.0, "mm", 3)}
    right = {"a": Setting(1.0, "mm", 2), "b": Setting(1.04, "mm", 2), "c": Setting(1.04, "mm", 1)}
    for one in (*compare_settings(left, right), *compare_settings(right, left)):
        said += [str(one), *_plain(one.to_plain())]
    pinned("change/differences", "\n".join(said))


SAVED = {
    **{f"{kind}.x": SavedSetting(Setting(100.0, unit, 2)) for kind, unit in UNITS.items()},
    "probe_offset.z": SavedSetting(Setting(-1.85, "mm", 2)),
    "max_speed.x@quiet": SavedSetting(Setting(90.0, "mm/s", 2)),
    "steps_per_mm.y": SavedSetting(Setting(80.12, "step/mm", 2), 80.1234),
    "steps_per_mm.z": SavedSetting(Setting(4000.0, "step/mm", 2)),
    "odd.x": SavedSetting(Setting(1.0, "", 0)),
}
TEXTS = ("M420 S1", "echo:  G29 A", "M421 I1", "M350 X16", "M4201 S1", "M145 S0", "  M350")


def test_everything_that_was_saved_has_its_verdict(pinned: Pinned) -> None:
    profile = replace(HERON, settings=SAVED, other=TEXTS)
    said = [
        f"{one.verdict}: {one.key}: {one.reason} ({one.value})" for one in sort_profile(profile)
    ]
    pinned("change/sorted", "\n".join(said))


@pytest.mark.parametrize("name", FAMILIES)
def test_a_restore_says_all_of_itself(name: str, pinned: Pinned) -> None:
    bench = heron(name)
    found = read_clean(bench.link, bench.family)
    profile = replace(
        HERON, settings={k: s for k, s in SAVED.items() if k != "odd.x"}, other=TEXTS,
        identity="an old board", family="table",
    )  # fmt: skip
    events = [Event("layout_mismatch"), Event("no_storage")]
    said = []
    for one in (
        restore(profile, found, bench.family, events=events),
        restore(HERON, found, bench.family, machine="twin"),
    ):
        said += [*(line[:300] for line in _plain(one.to_plain()))]
    flashed = {**found.settings}
    for axis, value in (("y", 160.0), ("z", 4000.0)):
        key = f"steps_per_mm.{axis}"
        flashed[key] = replace(flashed[key], value=value)
    said += _plain(restore(HERON, replace(found, settings=flashed), bench.family).to_plain())
    damaged = replace(found, damage=("it is cut", "and more"))
    said.append(_said(lambda: restore(HERON, damaged, bench.family)))
    pinned(f"change/restore-{name}", "\n".join(said))


@pytest.mark.parametrize("output", [Toothed(20, 2), Screw(8)])
def test_the_value_of_another_axis_is_recognised(output: Any) -> None:
    mechanics = Mechanics(
        drives={"across": Drive(200, 16, 1, Toothed(20, 2)), "gantry": Drive(200, 16, 2, output)}
    )
    wrong = mechanics.drives["gantry"].steps_per_mm * 1.049
    found = examine(holding(), {"steps_per_mm.x": wrong}, mechanics, Axes())
    assert any("looks like the value of the gantry axis" in f.text for f in found)


class NoReload(Replay):
    """A controller that stores and cannot show what it stored."""

    words = replace(Replay.words, reload=None)


class NoStore(Replay):
    """A controller that keeps nothing, by no word."""

    words = replace(Replay.words, store=None)


def test_a_controller_that_cannot_show_what_it_stored(pinned: Pinned) -> None:
    bench = heron()
    bench.family = NoReload()
    plan = bench.plan()
    write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    looked = look(bench.link, bench.family, plan, journal=bench.journal)
    outcome = store(bench.link, bench.family, plan, looked, plan.digest, journal=bench.journal)
    said = [*_plain(looked.to_plain()), *_plain(outcome.to_plain()), f"stored {outcome.stored}"]
    bench.family = NoStore()
    said.append(_said(lambda: look(bench.link, bench.family, plan, journal=bench.journal)))
    said.append(_said(lambda: refuse_no_store(FAMILIES["script"], plan)))
    said.append(_said(lambda: refuse_no_store(FAMILIES["numbered"], plan)))
    said.append(_said(lambda: refuse_no_store(FAMILIES["replay"], plan)))
    pinned("change/no-reload", "\n".join(said))


def test_what_cannot_be_written_is_not_restored_and_says_why() -> None:
    inches = Readback(
        "replay",
        {"steps_per_mm.x": Setting(80.0, "step/mm", 2, "M92 X2032")},
        notes=FAMILIES["replay"].parse(["G20", "M92 X2032 Y2032 Z2032"]).notes,
    )
    saved = {"steps_per_mm.x": SavedSetting(Setting(80.5, "step/mm", 2))}
    [item] = restore(replace(HERON, settings=saved), inches, FAMILIES["replay"]).cannot
    assert (item.key, item.reason) == (
        "steps_per_mm.x",
        "the controller is in inches, nothing is written",
    )
    saved = {"junction_deviation": SavedSetting(Setting(0.05, "mm", 2)),
             "jerk.x": SavedSetting(Setting(8.0, "mm/s", 2)),
             "acceleration.print": SavedSetting(Setting(8.0, "mm/s2", 2))}  # fmt: skip
    [*_, item] = restore(
        replace(HERON, settings=saved), replace(inches, notes=()), FAMILIES["replay"]
    ).cannot
    assert (item.key, item.reason) == (
        "acceleration.print",
        "the new firmware does not report this setting",
    )


def test_lines_that_bring_live_values_back_leave_out_what_has_none() -> None:
    found = replace(holding(), settings={**holding().settings, "jerk.x": Setting(8.0, "mm/s", 2)})
    exact = {key: setting.value for key, setting in found.settings.items()}
    lines = _lines_back(FAMILIES["replay"], exact, found)
    assert "jerk.x" not in lines  # no line told it
    assert lines["steps_per_mm.x"] == "M92 X80"


def test_a_value_of_which_no_snapshot_tells_is_the_printed_one() -> None:
    plan = make_plan(holding(), WANTED, FAMILIES["replay"], machine="heron", profile=HERON)
    found = Account(plan, "writing", fates_unread(plan, 2))
    back = undo([found], holding(steps_per_mm__x=80.61, steps_per_mm__z=106.02), Replay(), HERON)
    assert back.wanted == {"steps_per_mm.x": 80.0, "steps_per_mm.z": 105.37}
    finding = Finding("ask", "code", "key", "text")
    assert finding.to_plain() == {"level": "ask", "code": "code", "key": "key", "text": "text"}


def test_from_nought_any_value_is_a_large_change() -> None:
    found = holding(steps_per_mm__x=0.0, max_speed__x=0.0)
    codes = [f.code for f in examine(found, {"steps_per_mm.x": 82.0}, HERON.mechanics, Axes())]
    assert codes == ["outside_bracket", "large_change"]
    assert examine(found, {"steps_per_mm.x": 80.0}, HERON.mechanics, Axes()) == ()
    assert examine(found, {"max_speed.x": 180.0}, HERON.mechanics, Axes()) == ()


@pytest.mark.parametrize(("line", "states"), [(0, ["unknown", "did not"]), (1, ["unknown"] * 2)])
def test_only_lines_that_may_have_gone_out_are_in_doubt(line: int, states: list[str]) -> None:
    bench = heron()
    plan = bench.plan()
    ask = bench.link.ask

    def cut(text: str, **how: Any) -> Any:
        if text == plan.lines[line]:
            bench.link.transport = CutTransport(bench.link.transport, after_sent=0)
        return ask(text, **how)

    bench.link.ask = cut  # type: ignore[method-assign]
    with pytest.raises(Broken) as caught:
        write(bench.link, bench.family, plan, plan.digest, journal=bench.journal)
    assert [fate.state for fate in caught.value.outcome.fates] == states
    broken = bench.journal.entries[-1]
    assert (broken["step"], broken["sent"]) == ("broken", line + 1)


@pytest.mark.parametrize(
    ("kinds", "notes"),
    [
        ((), []),
        (("loaded", "stored"), []),
        (("no_storage", "loaded", "no_storage"), ["the controller said to that: no storage"]),
        (("layout_mismatch",), ["what is stored now could not be read"]),
        (("checksum_of_storage", "busy"),
         ["the controller said to that: busy", "what is stored now could not be read"]),
        (("defaults_live",), ["what is stored now could not be read"]),
    ],
)  # fmt: skip
def test_what_is_said_to_a_look_in_words(kinds: tuple[str, ...], notes: list[str]) -> None:
    told = _heard(tuple(Event(kind) for kind in kinds))
    assert len(told) == len(notes)
    assert all(text.startswith(note) for text, note in zip(told, notes, strict=True))
