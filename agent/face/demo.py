"""`demo`: the whole job on a simulated machine, unattended, every step real.

The agent gets nothing from the simulator but bytes and readings; what is true is asked for at the
end alone, to tell how good the result is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import click

from agent.bench.rounds import MOVES
from agent.errors import Refused
from agent.face import described, tables
from agent.face.desk import Desk
from agent.face.options import Verb
from agent.face.screen import Screen
from agent.face.simulating import bench_options, seed_option
from agent.face.solving import show_corrections
from agent.face.words import shown
from agent.model.feature import length
from agent.model.roles import BY_HAND, ROLES, WANTED, Role
from agent.pieces.catalogue import WHOLE_SET
from agent.pieces.cooling import cooling_minutes
from agent.rehearsal import Rehearsal, behind_a_terminal, bench_of, plain_profile
from agent.store.profiles import load_profile
from agent.work.laying import Progress
from agent.work.moves import Travel
from agent.work.session import Session
from agent.work.tuning import U_GAUGE

#: Times the caliper is put on anew for each feature.
RESEATS: Final = 5

#: Lengths over which each axis is moved: a gauge's offset drops out between two.
MOVES_EACH: Final = 2

#: The one part of 20 mm per axis that the usual shortcut would rest on.
SHORT: Final = {"x_scale": "strip x1", "y_scale": "post h2", "z_scale": "strip s1"}

Errors = dict[str, float]


@dataclass
class Job:
    """The job under way: who works, at what, and where it is told."""

    screen: Screen
    session: Session
    rehearsal: Rehearsal
    proofs: dict[str, bool] = field(default_factory=dict)  #: what was to be proved, and was it


@click.command(cls=Verb)
@seed_option
@bench_options()
def demo(desk: Desk, /, seed: int, bench_kind: str, effects: tuple[str, ...]) -> None:
    """The whole job on a simulated machine, from the first byte to the proof.

    A badly set machine is drawn by SEED, tuned over a real pseudo-terminal, and measured again.

    \b
    Example: plumbelt demo --seed 3
    """
    profile = load_profile("heron")
    bench = bench_of(bench_kind, effects, seed)
    rehearsal = behind_a_terminal(plain_profile(), seed=seed, bench=bench)
    session = Session(profile)
    try:
        document = whole_job(Job(desk.screen, session, rehearsal))
    finally:
        session.contact.detach()
        rehearsal.close()
    desk.screen.answer(document, lambda: None)
    if not document["verified"]:
        failed = [what for what, proved in document["proofs"].items() if not proved]
        raise Refused(f"not verified: {', '.join(failed)}", remedy="See the steps above")


def whole_job(job: Job) -> dict[str, Any]:
    """Carry out the job and return the document of `demo --json`."""
    screen, session = job.screen, job.session
    _attach(job)
    before = true_errors(job)
    _measure(job, "3. Measure: moves without plastic, then three pieces")
    naive = shortcut(job, before)
    by_hand = _solve(job)
    plan = session.changes.preview()
    screen.heading("5. Preview")
    tables.plan(screen, plan)
    _write(job)
    after = true_errors(job)
    _measure(job, "8. Lay and measure again")
    _compare(job)
    _conclude(job, before, after, naive)
    return {
        "before": before,
        "after": after,
        "naive_after": naive,
        "by_hand": by_hand,
        "lines": list(plan.lines),
        "verified": all(job.proofs.values()),
        "digest": plan.digest,
        "seed": job.rehearsal.seed,
        "proofs": job.proofs,
    }


def true_errors(job: Job) -> Errors:
    """The plant's true errors now; the angle against the slicing angle in use."""
    truth = job.rehearsal.truth()
    in_use = job.session.profile.mechanics.angle_deg
    return {name: truth[name] - (in_use if name == "gantry_angle_deg" else 0) for name in WANTED}


def shortcut(job: Job, before: Mapping[str, float]) -> Errors:
    """What 'new = old * nominal / measured' from one 20 mm part an axis would have left.

    Steps that are changed by nominal / measured change the travel by the same factor.  The angle
    is not touched by it.
    """
    left = dict(before)
    for axis, name in SHORT.items():
        reading = next(t.reading for t in job.session.now.taken if t.reading.name == name)
        nominal = length(reading.along)
        measured = sum(reading.mm) / len(reading.mm)
        left[axis] = (1 + before[axis]) * nominal / measured - 1
    return left


# --- the steps -----------------------------------------------------------------------------------


def _attach(job: Job) -> None:
    screen, session = job.screen, job.session
    screen.heading("1. Attach and read back, twice")
    readback = session.contact.attach(job.rehearsal.open())
    screen.say(
        f"{job.rehearsal.address}: {readback.identity or 'a controller'}, family"
        f" '{readback.family}', {len(readback.settings)} settings, both readings agree."
    )
    screen.heading("2. Snapshot, and is it plausible?")
    tables.settings(screen, session.bench.clean_readback, only="steps_per_mm")
    found = session.bench.findings()
    for finding in found:
        screen.say(f"- {finding}")
    if not found:
        screen.say("Every axis lies inside what its drive train can give.")


def _measure(job: Job, heading: str) -> None:
    """Moves, pieces, readings: the same the first time and the second."""
    screen, session, bench = job.screen, job.session, job.rehearsal
    screen.heading(heading)
    for role in ROLES:
        for travel in _moves(session, role):
            for lines in (travel.take_up, travel.go):
                session.contact.send_lines(lines)
            values = bench.measure(travel.feature, MOVES, RESEATS)
            session.contact.send_lines(travel.back)
            # Repeats of one move share its gauge: they do not make its uncertainty smaller.
            session.readings.take(travel.feature, (sum(values) / len(values),), MOVES, U_GAUGE)
    screen.say(
        f"{len(ROLES)} axes moved over {MOVES_EACH} lengths each, lost motion taken up, and read on"
        " the gauges."
    )
    for name in WHOLE_SET:
        piece = session.pieces.draw(name)
        laying = session.pieces.begin(piece)
        with screen.progress(f"laying {name:<5}", len(laying.lines)) as done:
            session.pieces.lay_on(laying, on_progress=_counting(done))
        laid = session.pieces.laid_whole(piece)
        bench.laid(laid.name)
        minutes = math.ceil(cooling_minutes(piece, session.profile))
        bench.wait(minutes)
        screen.say(f"{name} cools for {minutes} min before it is read.")
        for feature in piece.features:
            session.readings.take(feature, bench.measure(feature, laid.name, RESEATS), laid.name)
    screen.say(f"{len(session.now.taken)} features read, the caliper put on {RESEATS} times each.")


def _moves(session: Session, role: Role) -> Iterator[Travel]:
    """The measured moves of an axis: a long one and parts of it.

    What a gauge or play adds to each move alike drops out between them.
    """
    whole = session.moves.travel(role)
    yield whole
    for part in range(1, MOVES_EACH):
        yield session.moves.travel(role, round(whole.mm * (1 - part / MOVES_EACH), 2))


def _counting(done: Callable[[int], None]) -> Callable[[Progress], None]:
    """Show of a laying how many lines are done."""
    return lambda progress: done(progress.done)


def _solve(job: Job) -> dict[str, dict[str, float]]:
    screen, session = job.screen, job.session
    screen.heading("4. Solve: every error at once")
    solution = session.readings.solve()
    survey = session.now.survey
    assert survey is not None
    tables.parameters(screen, survey, solution)
    show_corrections(screen, survey, solution)
    for advice in solution.advice:
        if f"{advice.code}_deg" in BY_HAND:  # says how far the spanner goes, at which spacing
            screen.say(f"- {advice.text}")
    return {
        name: {"value_deg": solution.parameters[name].value, "u": solution.parameters[name].u}
        for name in BY_HAND
    }


def _write(job: Job) -> None:
    """Write, prove, store, prove; then slice with the angle found."""
    screen, session, proofs = job.screen, job.session, job.proofs
    plan = session.bench.plan
    assert plan is not None
    screen.heading("6. Approve, write, read back")
    if not plan.empty:
        screen.say(f"Approved by its digest {plan.digest}: this run is unattended.")
        outcome = session.changes.write(plan, plan.digest, retyped=plan.wanted)
        tables.outcome(screen, outcome)
        proofs["written values read back"] = outcome.verified
        screen.heading("7. Store, reload, compare")
        looked = session.storage.look()
        tables.look(screen, looked)
        outcome = session.storage.store(
            looked, looked.digest, "leave them out" if looked.others else None
        )
        tables.outcome(screen, outcome)
        proofs["reloaded from storage"] = outcome.stored
        sent = set(job.rehearsal.received)
        proofs["controller received the previewed lines"] = all(line in sent for line in plan.lines)
    else:
        screen.say("Nothing to write: no setting needs a change.")
    if session.now.solution is not None:  # no line was to be written: the angle alone
        angle = session.now.solution.slicing_angle_deg
        in_use = session.profile.mechanics.angle_deg
        session.changes.take_angle(in_use if angle is None else angle, as_solved=True)
    job.rehearsal.slice_at(session.profile.mechanics.angle_deg)


def _compare(job: Job) -> None:
    screen, session, proofs = job.screen, job.session, job.proofs
    compared = session.bench.compare()
    screen.show(described.comparison(compared))
    apart = [row.name for row in compared if not row.agrees]
    proofs["second measurement as expected"] = bool(compared) and not apart


def _conclude(job: Job, before: Errors, after: Errors, naive: Errors) -> None:
    screen = job.screen
    screen.heading("9. The truth, which only a simulator knows")
    rows = [
        (shown(name).words, *(shown(name).value(errors[name]) for errors in (before, after, naive)))
        for name in WANTED
    ]
    screen.table(["error that remains", ">before", ">after", ">with the shortcut *"], rows)
    screen.say("* new = old x nominal / measured, from one 20 mm part for each axis.")
    for what, proved in job.proofs.items():
        screen.say(f"  {'yes' if proved else 'NO '}  {what}")
