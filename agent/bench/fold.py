"""Events to a bench: a pure function, one small step for each kind of event.

`fold` never raises.  An event that is none of its kind, or that contradicts what it says it is, is
passed over and named in `Bench.damage`; everything else counts.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from typing import Any, Final, cast, get_args

from agent.bench.events import (
    Event,
    conditions_of,
    heats_of,
    number_of,
    outcome_of,
    readback_of,
    reading_of,
    run_of,
    wrong,
)
from agent.bench.rounds import MOVES, Laid, Round, Solved, Taken
from agent.bench.value import (
    BY_WORD,
    Bench,
    Past,
    Proof,
    Purpose,
    Refusal,
    Surprise,
    Transaction,
    Waiting,
    changed,
    merged,
    moved_since,
)
from agent.change.judgement import judge
from agent.change.outcome import KEPT, Outcome, fate_of
from agent.change.plan import Plan
from agent.errors import AgentError
from agent.model.heat import HeaterState, Heats, danger_of, eased
from agent.model.profile import Profile
from agent.model.roles import ROLES, Role
from agent.model.settings import Readback, kind_of, letter_of
from agent.model.survey import Check
from agent.store.checks import SHAPES

#: Unusable events that are named; more are only counted.
_NAMED: Final = 20

#: Events that say nothing of the state of the machine, so that what was refused stays refused.
_IDLE: Final = frozenset(
    {
        "refused",
        "note",
        "check",
        "look",
        "outcome",
        "proof",
        "attached",
        "detached",
        "lost",
        "heat",
        "profile",
    }
)


def fold(events: Iterable[Event], bench: Bench | None = None, *, checked: bool = False) -> Bench:
    """What `events` say of a machine, on top of `bench`; events come in their order.

    checked: their bodies were held against their kinds already, as the record does in reading
    """
    state = bench or Bench()
    number = state.number
    for event in events:
        state = _with(state, event, checked=checked)
        number = max(number, number_of(event))
    return changed(state, number=number)


def _with(bench: Bench, event: Event, *, checked: bool) -> Bench:
    problem = "" if checked and event.kind in SHAPES else wrong(event)
    if not problem:
        try:
            after = _STEPS.get(event.kind, _nothing)(bench, event)
        except (AgentError, KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
            problem = (
                f"the {event.kind} of {event.at} ({event.short}) cannot be used: {error!s:.80}"
            )
        else:
            clears = not (event.kind in _IDLE or _same_reading(bench, after, event))
            refused, machine = None if clears else after.refused, event.machine or after.machine
            if machine == after.machine and refused is after.refused:
                return after  # as a rule, and a whole life is folded before each verb
            return changed(after, machine=machine, refused=refused)
    damage = (*bench.damage, problem) if len(bench.damage) < _NAMED else bench.damage
    return changed(bench, damage=damage)


def _same_reading(before: Bench, after: Bench, event: Event) -> bool:
    """A read-back that says what the one before it said."""
    if event.kind != "readback" or before.readback is None or after.readback is None:
        return False
    return before.readback.settings == after.readback.settings


def _nothing(bench: Bench, event: Event) -> Bench:
    return bench


# --- the link ------------------------------------------------------------------------------------


def _attached(bench: Bench, event: Event) -> Bench:
    body = event.body
    return changed(
        bench,
        session=event.session,
        attached=True,
        port=body["port"],
        family=body["family"],
        identity=body["identity"],
        serial=str(body.get("serial") or bench.serial),
        lost="",
        halted=False,
        place_lost=bench.place_lost or bool(bench.laying) or bench.halted,
        heats=Heats(),
        heater_state="unknown",
        surprise=None,
        greeted=False,
    )


def _detached(bench: Bench, event: Event) -> Bench:
    return changed(bench, attached=False)


def _lost(bench: Bench, event: Event) -> Bench:
    return changed(bench, lost=event.body["port"])


def _profile(bench: Bench, event: Event) -> Bench:
    filed = profile_of(event.body["text"])
    mechanics, before = filed.mechanics, bench.filed
    edited = before is None or before.name != filed.name
    if before is not None and not edited:
        # the angle in use is the tune's, unless the file was given another one meanwhile
        edited = before.mechanics.gantry_angle_deg != mechanics.gantry_angle_deg
    if not edited:
        mechanics = replace(mechanics, gantry_angle_deg=bench.profile.mechanics.gantry_angle_deg)
    written = dict(bench.written)
    for key, saved in filed.settings.items():
        if saved.written is not None and saved.written not in written.get(key, ()):
            written[key] = (*written.get(key, ()), saved.written)
    after = changed(
        bench, filed=filed, profile=replace(filed, mechanics=mechanics), written=written
    )
    if before is not None and before.instrument != filed.instrument:
        after = changed(after, checks=())
    if edited or (before is not None and before.axes != filed.axes):
        after = changed(after, rounds=_begun(after.rounds, _round(after)), waiting=None)
    return after


def _checked(bench: Bench, event: Event) -> Bench:
    """A check of the instrument: the last of each length counts for what is read with it."""
    body = event.body
    if "deviation_mm" not in body or not body.get("u_mm", 0) > 0:
        return bench
    known = float(body["known_mm"])
    check = Check(known, float(body["deviation_mm"]), float(body["u_mm"]), event.at[:10])
    others = tuple(c for c in bench.checks if c.known_mm != known)
    return changed(bench, checks=(*others, check))


@lru_cache(maxsize=8)
def profile_of(text: str) -> Profile:
    """The profile that the text of a profile file describes.  Raises BadInput."""
    from agent.store.profiles import read_profile

    return read_profile(text.encode(), "the record")


def _readback(bench: Bench, event: Event) -> Bench:
    found = readback_of(event.body)
    if found.damaged:
        return changed(bench, readback=found, read_at=event.at)
    if bench.session != event.session:
        bench = _attached_before(bench, event, found)
    after = changed(
        bench, readback=found, read_at=event.at, first=bench.first or found, greeted=True
    )
    return after if bench.greeted else changed(after, surprise=_surprise(bench, found))


def _attached_before(bench: Bench, event: Event, found: Readback) -> Bench:
    """Version 0.1.0 began a session, and with it a new tune, by a read-back."""
    fresh = changed(bench, family=found.family, identity=found.identity, session=event.session)
    return changed(_begin(fresh, event), first=found, greeted=True, done=None, last=None)


def _surprise(bench: Bench, found: Readback) -> Surprise | None:
    """What is not as it was last seen, and why that may be."""
    before = bench.readback
    if before is None or before.damaged:
        return None
    moved = moved_since(before, found)
    if not moved and before.family == found.family:
        return None
    return Surprise(moved, _cause(bench, before, found, {m.key for m in moved}))


def _cause(bench: Bench, before: Readback, found: Readback, moved: set[str]) -> str:
    kinds = {event.kind for event in found.events}
    done = {c.key: c for c in bench.done.changes} if bench.done else {}
    back = all(key in done and found.settings[key].agrees_with(done[key].old) for key in moved)
    if before.family != found.family or (before.identity and before.identity != found.identity):
        return "other firmware was flashed, or this is another machine"
    if kinds & {"layout_mismatch", "checksum_of_storage", "defaults_live"}:
        return "factory values are live: the firmware was flashed, or its storage was lost"
    if back and done:
        return "the controller restarted before what was written was stored"
    if bench.broken:
        return "a change broke off"
    saved = bench.profile.settings
    if all(
        key in saved and found.settings[key].agrees_with(saved[key].setting.value) for key in moved
    ):
        return (
            "they are as the profile keeps them: stored values were loaded, or a restore was done"
        )
    values = {key: setting.value for key, setting in before.settings.items()}
    judged = judge(values, before.identity, found, bench.machine)
    if judged.kind in ("reflash", "mechanics", "tuned"):
        return judged.cause
    return "somebody or a job set them at the machine, or this is another machine"


# --- heaters and axes ----------------------------------------------------------------------------


def _heat(bench: Bench, event: Event) -> Bench:
    state = event.body["state"]
    if state not in get_args(HeaterState):
        raise ValueError(f"heaters are never {state!r}")
    heats, told = heats_of(event.body), str(event.body.get("danger", ""))
    after = changed(bench, heats=heats, heater_state=cast(HeaterState, state))
    if heats == Heats():  # a word alone; what was told before it says nothing of what comes after
        return changed(after, warmth=("", Heats()))
    since, warmth = bench.warmth
    told = told or danger_of(warmth, heats, _seconds(since, event.at))
    if not told and since and not eased(warmth, heats):  # too early to tell, or as bad as before
        return changed(after, warmth=bench.warmth)
    return changed(after, warmth=(event.at, heats), heat_danger=told)


def _seconds(since: str, until: str) -> float:
    """Seconds between two times of the record; zero where one is none."""
    try:
        return (datetime.fromisoformat(until) - datetime.fromisoformat(since)).total_seconds()
    except (TypeError, ValueError):
        return 0.0


def _halted(bench: Bench, event: Event) -> Bench:
    return changed(bench, halted=True, place_lost=True)


def _place(bench: Bench, event: Event) -> Bench:
    return changed(bench, place_lost=event.body["lost"])


def _tried(bench: Bench, event: Event) -> Bench:
    return changed(bench, untried=bench.untried - {_role(event.body["role"])})


def _role(name: str) -> Role:
    if name not in ROLES:
        raise ValueError(f"there is no axis {name!r}")
    return name


# --- pieces and readings -------------------------------------------------------------------------


def _round(bench: Bench, follows: Round | None = None) -> Round:
    conditions = replace(bench.now.conditions, minutes_since_print=None)
    return Round(bench.profile.mechanics.gantry_angle_deg, conditions=conditions, follows=follows)


def _begun(rounds: tuple[Round, ...], new: Round) -> tuple[Round, ...]:
    """A new round; one in which nothing happened yet is taken back."""
    return (*(rounds[:-1] if rounds[-1].empty else rounds), new)


def _in_round(bench: Bench, **changes: Any) -> Bench:
    return changed(bench, rounds=(*bench.rounds[:-1], replace(bench.now, **changes)))


def _laying(bench: Bench, event: Event) -> Bench:
    return changed(bench, laying=event.body["piece"])


def _stopped(bench: Bench, event: Event) -> Bench:
    return changed(bench, laying="", place_lost=bool(event.body.get("place_lost", True)))


def _piece(bench: Bench, event: Event) -> Bench:
    from agent.pieces import PIECES

    body = event.body
    if body["piece"] not in PIECES:
        raise ValueError(f"there is no piece {body['piece']!r}")
    at = event.at if bench.laying else ""  # printed by other means: nobody saw when
    laid = Laid(body["name"], body["piece"], dict(body["size"]), body["number"], bench.profile, at)
    others = tuple(one for one in bench.now.laid if one.name != laid.name)
    return changed(_in_round(bench, laid=(*others, laid)), laying="")


def _reading(bench: Bench, event: Event) -> Bench:
    """Readings of a feature as they stand; those of the same feature and piece give way.

    Readings without a name are each their own: nothing tells that two are of one feature.
    """
    now, taken = bench.now, Taken(reading_of(event.body), event.body["piece"])
    name = taken.reading.name
    named = [(old.piece, old.reading.name) for old in now.taken]
    of = (taken.piece, name)
    place = named.index(of) if name and of in named else None
    if not taken.reading.mm:
        kept = tuple(t for i, t in enumerate(now.taken) if i != place)
        return _in_round(bench, taken=kept, solved=None)
    if place is None:
        return _in_round(bench, taken=(*now.taken, taken), solved=None)
    again = dict(now.read_again)
    if not event.body.get("goes_on"):
        again.setdefault(name, now.taken[place].reading.mm)
    kept = (*now.taken[:place], taken, *now.taken[place + 1 :])
    return _in_round(bench, taken=kept, read_again=again, solved=None)


def _run(bench: Bench, event: Event) -> Bench:
    run = run_of(event.body)
    way = (run.axis, run.approach, run.load)
    others = tuple(old for old in bench.now.runs if (old.axis, old.approach, old.load) != way)
    return _in_round(bench, runs=(*others, run), solved=None)


def _conditions(bench: Bench, event: Event) -> Bench:
    found = conditions_of(event.body)
    solved = bench.now.solved if found == bench.now.conditions else None
    return _in_round(bench, conditions=found, asked=True, solved=solved)


def _feed(bench: Bench, event: Event) -> Bench:
    body = event.body
    values = (float(body["commanded_mm"]), tuple(map(float, body["mm"])))
    return changed(bench, feeds={**bench.feeds, body["feed"]: values})


def _readings(bench: Bench, event: Event) -> Bench:
    """All readings of a round at once, as version 0.1.0 noted them."""
    taken = tuple(Taken(reading_of(t), str(t.get("piece", MOVES))) for t in event.body["readings"])
    again = dict(bench.now.read_again)
    old = {(t.piece, t.reading.name): t.reading.mm for t in bench.now.taken}
    for one in taken:
        was = old.get((one.piece, one.reading.name))
        if was is not None and was != one.reading.mm:
            again.setdefault(one.reading.name, was)
    sheet = str(event.body.get("survey", ""))
    return _in_round(bench, taken=taken, read_again=again, solved=None, sheet=sheet)


def _estimate(bench: Bench, event: Event) -> Bench:
    if not bench.now.sheet:
        return _in_round(bench, solved=bench.to_solve())
    from agent.store.readings import read_readings

    found = read_readings(bench.now.sheet.encode(), "the record")
    solved = Solved(found.survey, found.family or bench.family, bench.readback)
    return _in_round(bench, solved=solved)


def _angle(bench: Bench, event: Event) -> Bench:
    """The slicing angle alone is changed: a state like any other, to which one may come back."""
    solved = bench.now if event.body.get("as_solved") and bench.now.solved else None
    after = changed(bench, past=_left(bench, event, "", str(event.body.get("to", ""))))
    return _new_state(after, float(event.body["deg"]), solved)


def _left(bench: Bench, event: Event, by: str, to: str) -> tuple[Past, ...]:
    """States to go back to, once this one is left; going back to one takes it off with the rest."""
    if to:
        return _back_to(bench.past, to)
    angle = bench.profile.mechanics.gantry_angle_deg
    return (*bench.past, Past(event.id, event.at, bench.exact, angle, by))


def _back_to(past: tuple[Past, ...], to: str) -> tuple[Past, ...]:
    place = next((i for i, state in enumerate(past) if state.id == to), None)
    return past if place is None else past[:place]


def _begin(bench: Bench, event: Event) -> Bench:
    """A new tune: what was read so far is set aside."""
    settled = not bench.unstored and not bench.fallen
    kept = bench if not settled else changed(bench, done=None, proofs=(), outcome=None, last=None)
    return changed(
        kept,
        rounds=(_round(bench),),
        feeds={},
        waiting=None,
        first=bench.readback,
        begun_at=event.at,
        transactions=bench.broken,
    )


def _new_state(bench: Bench, angle_deg: float | None, follows: Round | None) -> Bench:
    """What is laid and read from now on is of the changed machine."""
    after = bench
    if angle_deg is not None:
        mechanics = replace(bench.profile.mechanics, gantry_angle_deg=angle_deg)
        after = changed(bench, profile=replace(bench.profile, mechanics=mechanics))
    rounds = _begun(after.rounds, _round(after, follows))
    return changed(after, rounds=rounds, waiting=None)


# --- changes -------------------------------------------------------------------------------------


def _plan(bench: Bench, event: Event) -> Bench:
    body = event.body
    purpose = body.get("purpose", "tune")
    if purpose not in get_args(Purpose):
        purpose = "other"
    angle = body.get("angle_deg")
    waiting = Waiting(
        Plan.from_plain(body),
        cast(Purpose, purpose),
        None if angle is None else float(angle),
        bool(body.get("as_solved", "purpose" not in body)),  # 0.1.0 knew no other
        str(body.get("to", "")),
    )
    return changed(bench, waiting=waiting)


def _settled(bench: Bench, event: Event) -> Bench:
    """Changes that broke off, and what fell with the power, are dealt with."""
    way = event.body["way"]
    after = changed(bench, waiting=None)
    half = bench.half_done
    if half and way in ("finish", "leave") and bench.readback is not None:
        fates = tuple(fate_of(change, bench.readback) for change in half[-1].plan.changes)
        outcome = Outcome(half[-1].plan, fates, stages=("read back",))
        after = _written(after, half[-1], outcome, event.at)
    transactions = tuple(replace(t, settled=way) if t.open else t for t in after.transactions)
    after = changed(after, transactions=transactions)
    if bench.fallen and way in ("leave", "undo"):
        past = bench.past[:-1] if _back_at_last(bench) else bench.past
        after = changed(after, done=None, proofs=(), outcome=None, past=past)
    return after


def _back_at_last(bench: Bench) -> bool:
    """What fell with the power has fallen to the state that the last change had left."""
    if not bench.past or bench.done is None:
        return False
    last = bench.past[-1].settings
    return all(c.key in last and abs(last[c.key] - c.old) < 1e-9 for c in bench.done.changes)


def _journal(bench: Bench, event: Event) -> Bench:
    """One step of a change.  Entries of one change carry its identity."""
    body = event.body
    change = str(body.get("change") or event.session)
    step = body["step"]
    entry: Mapping[str, Any] = {"at": event.at, **body}
    # nearly always the last one
    known = next((t for t in reversed(bench.transactions) if t.id == change), None)
    after = bench
    if known is None:
        begun, waiting = step == "begun", bench.waiting
        known = Transaction(change, event.at, (), before=_before(bench, event) if begun else None)
        if begun and waiting and waiting.plan.digest == body.get("plan", {}).get("digest"):
            known = replace(
                known,
                purpose=waiting.purpose,
                angle_deg=waiting.angle_deg,
                as_solved=waiting.as_solved,
                to=waiting.to,
            )
        after = changed(after, transactions=(*after.transactions, known))
        if begun:
            after = _write_begun(after, event)
    grown = replace(
        known,
        entries=(*known.entries, entry),
        closed=known.closed or step in ("closed", "proved"),
    )
    place = after.transactions.index(known) if known is not after.transactions[-1] else -1
    others = after.transactions
    after = changed(after, transactions=(*others[:place], grown, *others[place:][1:]))
    finish = {"read back": _write_read, "stored": _stored, "proved": _proved}.get(step)
    return finish(after, grown, event) if finish is not None else after


def _before(bench: Bench, event: Event) -> Past:
    """The state that a write leaves; one that goes on with a broken one leaves the same as that."""
    half = bench.half_done
    if half and half[0].before is not None:
        return half[0].before
    angle = bench.profile.mechanics.gantry_angle_deg
    return Past(event.id, event.at, bench.exact, angle, event.body["plan"]["digest"])


def _write_begun(bench: Bench, event: Event) -> Bench:
    """A write begins: from now on its values may be live."""
    written = dict(bench.written)
    for key, value in Plan.from_plain(event.body["plan"]).wanted.items():
        written[key] = (value, *(v for v in written.get(key, ()) if v != value))
    return changed(bench, written=written, waiting=None)


def _write_read(bench: Bench, change: Transaction, event: Event) -> Bench:
    """The settings were read back behind a write."""
    return _written(bench, change, outcome_of(change.plan, event.body["outcome"]), event.at)


def _written(bench: Bench, change: Transaction, outcome: Outcome, at: str) -> Bench:
    """What became of a write: what took is done, and the state is a new one.

    Writes that broke before it are one with it: it goes on with them, or takes them back.
    """
    others = [t for t in bench.broken if t.id != change.id]
    half = [t for t in others if t.half_done]
    if outcome.verified:
        dealt = {t.id for t in half}
        transactions = tuple(
            replace(t, settled=change.purpose) if t.id in dealt else t for t in bench.transactions
        )
        bench = changed(bench, transactions=transactions, surprise=None)
        if change.to and change.to in {t.before.id for t in half if t.before is not None}:
            return changed(bench, waiting=None)  # as if they had never been begun
    confirmed = {fate.key for fate in outcome.fates if fate.state == "took"}
    if change.purpose == "finish" or (change.purpose == "undo" and others):
        # what a break had only displaced is put back, and nobody's change
        meant = [p.wanted.keys() for p in (bench.done, *(t.plan for t in half)) if p is not None]
        confirmed &= set().union(*meant)
    took = [_part(outcome.plan, confirmed)]
    if bench.readback is not None:
        took = [_live(t.plan, bench.readback) for t in half] + took
    keys = {c.key for part in took for c in part.changes}
    after = changed(bench, outcome=outcome, last=outcome.plan)
    if keys:
        done = None if "after a power cycle" in bench.stages else bench.done
        for part in took:
            stored = bool(bench.stages & KEPT)
            done = merged(done, part, stored=stored) if part.changes else done
        after = changed(
            after,
            done=done if done is not None and done.changes else None,
            untried=bench.untried | _moved_by(bench, keys),
            proofs=(Proof("read back", at),) if outcome.verified else (),
            stored_otherwise="",
        )
    if change.purpose == "finish" and all(t.purpose == "finish" for t in half):
        # what was displaced, or fell, is back, however often that broke
        return changed(after, waiting=None)
    if not keys:
        return after
    past = bench.past
    if change.to and outcome.verified:
        past = _back_to(bench.past, change.to)
    elif change.before is not None and change.before not in bench.past:
        past = (*bench.past, change.before)
    follows = bench.now if outcome.verified and change.as_solved and bench.now.solved else None
    angle = change.angle_deg if outcome.verified else None
    return _new_state(changed(after, past=past, feeds={}), angle, follows)


def _live(plan: Plan, readback: Readback) -> Plan:
    """The part of a plan that is live."""
    return _part(plan, {c.key for c in plan.changes if fate_of(c, readback).state == "took"})


def _part(plan: Plan, keys: Collection[str]) -> Plan:
    """The changes of these keys; of all of them the plan itself, digest and all."""
    changes = tuple(c for c in plan.changes if c.key in keys)
    return plan if changes == plan.changes else replace(plan, changes=changes)


def _moved_by(bench: Bench, keys: Collection[str]) -> set[Role]:
    """Axes whose steps are among these settings."""
    letters = [letter_of(key) for key in keys if kind_of(key) == "steps_per_mm"]
    roles = [bench.profile.axes.role(letter) for letter in letters]
    return {role for role in roles if role is not None}


def _stored(bench: Bench, change: Transaction, event: Event) -> Bench:
    outcome = outcome_of(bench.done or change.plan, event.body["outcome"])
    return changed(
        bench,
        outcome=outcome,
        proofs=_proofs(bench, outcome, event.at, ""),
        stored_otherwise=str(event.body.get("otherwise", "")),
    )


def _proved(bench: Bench, change: Transaction, event: Event) -> Bench:
    plan = bench.done or Plan.from_plain(event.body["plan"])
    outcome = outcome_of(plan, event.body["outcome"])
    evidence = str(event.body.get("evidence", ""))
    after = changed(bench, outcome=outcome, proofs=_proofs(bench, outcome, event.at, evidence))
    return changed(after, stored_otherwise="") if outcome.verified else after


def _proofs(bench: Bench, outcome: Outcome, at: str, evidence: str) -> tuple[Proof, ...]:
    """The proofs at hand and those that `outcome` adds; a verdict of no takes none away."""
    if not outcome.verified:
        return bench.proofs
    proofs = list(bench.proofs)
    for stage in outcome.stages:
        note = evidence if stage != "read back" else ""
        known = [p for p in proofs if p.stage == stage]
        if known and (note == BY_WORD or all(p.evidence != BY_WORD for p in known)):
            continue
        proofs = [p for p in proofs if p.stage != stage]
        proofs.append(Proof(stage, at, note))
    return tuple(proofs)


def _refused(bench: Bench, event: Event) -> Bench:
    return changed(bench, refused=Refusal(event.body["line"], event.body["why"]))


_STEPS: Final[dict[str, Callable[[Bench, Event], Bench]]] = {
    "attached": _attached,
    "detached": _detached,
    "lost": _lost,
    "profile": _profile,
    "check": _checked,
    "readback": _readback,
    "heat": _heat,
    "halted": _halted,
    "place": _place,
    "tried": _tried,
    "laying": _laying,
    "stopped": _stopped,
    "piece": _piece,
    "reading": _reading,
    "run": _run,
    "axis_run": _run,
    "conditions": _conditions,
    "feed": _feed,
    "readings": _readings,
    "estimate": _estimate,
    "angle": _angle,
    "begin": _begin,
    "plan": _plan,
    "settled": _settled,
    "lines": _nothing,
    "journal": _journal,
    "refused": _refused,
}
