"""Crash campaign: a whole job by the shipped verbs, cut everywhere, gone on with by new processes.

    python -m tests.crashes [--family NAME] [--step NAME] [--slice K] [--twice] [--whole] [--json]

The job attaches, moves, lays, gauges, solves, writes, stores, proves, undoes and restores, each
verb in a process of its own with the record on a file system in memory.  Each verb is cut

    sent       after n bytes to the controller: the cable is out
    power      the same, and the machine loses its power too
    received   after n bytes from the controller: the cable is out
    before     before the n-th event is on the disk: the agent is killed, without a word
    after      after it
    signal     at the n-th time it listens: the agent is asked to terminate

at every K-th place (and with --twice once more while it recovers).  Then new processes go on with
nothing but the record and the wire.  What they say of heaters, changes and values is held against
the simulator's own word, nothing may be sent that nobody confirmed, and what is live and stored
after each step, and the end (readings, proofs, heaters, what is known) must be that of the job that
nothing cut.  Where all that is known and true is the same again once the step is done, the rest is
the same too: then only one cut in eight, or with --whole every one, is gone on with to the end.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Final, Literal, get_args

from agent.bench.value import Bench
from agent.errors import LinkFailed
from agent.families import FAMILIES
from agent.pieces.resize import resized
from agent.store import record as records
from agent.store.rows import EntryRow
from agent.wire.transport import Transport
from agent.work.signals import Ended
from tests.bench.world import PORT, Told, World, written
from tests.change.bench import HERON
from tests.change.cuts import Killed

Kind = Literal["sent", "power", "received", "before", "after", "signal"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)

X, Z = "steps_per_mm.x", "steps_per_mm.z"

#: A limit that a job has left live, and steps that were tried with all their digits: nobody wants
#: to keep either.
JOB: Final = {"max_acceleration.x": 900.0, "steps_per_mm.e0": 412.34567}

#: A small strip: less to lay, the same lengths along.
SIZES: Final = {"plate across": 30.0, "plate along": 30.0}

#: Of cuts that leave no trace once their step is done, one in so many is gone on with to the end.
SAMPLED: Final = 8

#: How far into a recovery a second break may lie.
REACH: Final[dict[Kind, int]] = {
    "sent": 400,
    "power": 400,
    "received": 4000,
    "before": 15,
    "after": 15,
    "signal": 50,
}

#: Steps that end a recovery that does not get on.
PATIENCE: Final = 12


# --- the cable, and what may happen on it --------------------------------------------------------


@dataclass
class Fate:
    """Where the next process is cut; counts what passes meanwhile."""

    kind: Kind | None = None
    at: int = 0
    sent: int = 0
    received: int = 0
    events: int = 0
    reads: int = 0
    dead: bool = False  #: the process is gone: nothing of it reaches anything any more
    out: bool = False  #: the cable is out

    def counts(self) -> dict[Kind, int]:
        return {
            "sent": self.sent,
            "power": self.sent,
            "received": self.received,
            "before": self.events,
            "after": self.events,
            "signal": self.reads,
        }


@dataclass
class CutCable:
    """A transport that a fate hangs over."""

    inner: Transport
    fate: Fate
    name: str = PORT

    def now(self) -> float:
        return self.inner.now()

    def write(self, data: bytes) -> None:
        fate = self.fate
        self._check()
        if fate.kind in ("sent", "power") and fate.sent + len(data) > fate.at:
            part = data[: max(0, fate.at - fate.sent)]
            fate.sent += len(part)
            self.inner.write(part)
            fate.out = True
            self._check()
        fate.sent += len(data)
        self.inner.write(data)

    def read(self, until: float) -> bytes:
        fate = self.fate
        self._check()
        fate.reads += 1
        if fate.kind == "signal" and fate.reads == fate.at:
            raise Ended(15)
        data = self.inner.read(until)
        if fate.kind == "received" and fate.received + len(data) > fate.at:
            data = data[: max(0, fate.at - fate.received)]
            fate.out = True
            if not data:
                self._check()
        fate.received += len(data)
        return data

    def close(self) -> None:
        self.inner.close()

    def _check(self) -> None:
        if self.fate.dead:
            raise Killed
        if self.fate.out:
            raise LinkFailed("the cable is out", remedy="Attach again.")


@contextmanager
def hanging_over(fate: Fate) -> Iterator[None]:
    """Events of the process that runs meanwhile are counted, and cut where the fate says."""
    keep = records.Session.keep
    flush = records.Session.flush

    def kept(session: records.Session, entry: EntryRow) -> None:
        if fate.dead:
            raise Killed
        fate.events += 1
        if fate.kind == "before" and fate.events == fate.at:
            fate.dead = True
            raise Killed
        keep(session, entry)
        if fate.kind == "after" and fate.events == fate.at:
            fate.dead = True
            raise Killed

    def flushed(session: records.Session) -> None:
        if fate.dead:
            raise Killed
        flush(session)

    records.Session.keep = kept  # type: ignore[method-assign]
    records.Session.flush = flushed  # type: ignore[method-assign]
    try:
        yield
    finally:
        records.Session.keep = keep  # type: ignore[method-assign]
        records.Session.flush = flush  # type: ignore[method-assign]


# --- the job -------------------------------------------------------------------------------------


@dataclass
class Confirmed:
    """What the technician has agreed to: values to set, from when on."""

    values: list[tuple[float, dict[str, float]]] = field(default_factory=list)

    def allows(self, key: str, new: float | None, at: float) -> bool:
        agreed = [v[key] for since, v in self.values if since <= at and key in v]
        return new is not None and any(abs(new - one) < 1e-4 for one in agreed)


@dataclass
class Job:
    """One machine, one technician, and a process for every verb."""

    world: World
    confirmed: Confirmed = field(default_factory=Confirmed)
    fate: Fate = field(default_factory=Fate)
    past: int = 0  #: states to go back to when the job begins
    known: tuple[tuple[int, int], Bench] | None = None  #: rows of the record, and their bench
    takes_back: bool = False  #: whether this technician takes back a write that broke, at first

    @classmethod
    def new(cls, family: str) -> Job:
        job = cls(World.new(family, seed=3))
        job.world.wrap = lambda transport: CutCable(transport, job.fate)
        job.world.save_profile()
        words = job.family.words
        if words.covers_steps and not words.writing_stores:
            job.tries(JOB)
        else:
            limits = {key: value for key, value in JOB.items() if key.startswith("max_")}
            job.controller.live.update(limits)
        job.controller.apply()
        job.past = len(job.bench.past)
        return job

    def tries(self, values: Mapping[str, float]) -> None:
        """Values are written, stored and proved, and then storage is as it was before."""
        stored = self.controller.stored
        before = None if stored is None else dict(stored)
        digest = written(self.world, values)
        self.world.verb(f"store --approve {digest} --others too")
        self.world.verb("prove power", switch_the_machine_off=self.switches)
        self.controller.stored = before
        self.world.desks.clear()

    @property
    def controller(self) -> Any:
        return self.world.controller

    @property
    def now(self) -> float:
        return float(self.controller.now)

    def run(self, *words: str, port: bool = True) -> Told:
        """One verb in a process of its own, under whatever fate hangs over it."""
        answers: dict[str, Any] = {
            "To_write": self.agrees_to_write,
            "To_store": self.agrees_to_store,
            "large_change": self.types_again,
            "Are_they_in_it": self.edits_the_file,
            "switch_the_machine_off": self.switches,
            "Leave_all_the_same": "yes",
            "Keep_it": "yes",
            "1_of_3": "stop",
        }
        # whoever loads what is stored to look at it puts back what was live
        self.confirmed.values.append((self.now, dict(self.controller.live)))
        with hanging_over(self.fate):
            try:
                return self.world.run(*words, port=port, **answers)
            except Killed:
                return Told(-9, "", "")
            except Ended:
                return Told(143, "", "")
            finally:
                self.bury()

    def bury(self) -> None:
        """What a dead process held is free again."""
        for desk in self.world.desks:
            book = desk.session.book
            lock = getattr(book, "_lock", None)
            if lock is not None:
                lock.release()
            record = getattr(book, "_record", None)
            if record is not None:
                with suppress(Exception):
                    record.connection.close()
        self.world.desks.clear()

    def agrees_to_write(self, question: str) -> str:
        plan = self.world.desks[-1].session.bench.plan
        assert plan is not None
        self.confirmed.values.append((self.now, plan.wanted))
        return question.partition("digest ")[2][:4]

    def agrees_to_store(self, question: str) -> str:
        kept = {k: v for k, v in self.kept.items() if k in JOB}
        self.confirmed.values.append((self.now, kept))
        return question.partition("digest ")[2][:4]

    def types_again(self, question: str) -> str:
        plan = self.world.desks[-1].session.bench.plan
        assert plan is not None
        key = question.partition("new value of ")[2].partition(":")[0]
        return f"{plan.wanted[key]:.10g}"

    def edits_the_file(self, _question: str) -> str:
        done = self.world.desks[-1].session.bench.done
        if done is not None:
            self.world.rehearsal.edit_file(done.wanted)
        return "yes"

    def switches(self, _question: str) -> str:
        self.controller.power_on(self.now)
        return ""

    @property
    def kept(self) -> dict[str, float]:
        """What a restart would load: the controller's own file, and what is stored over it."""
        controller, words = self.controller, self.family.words
        file = getattr(controller, "file", {})
        by_file = not (words.covers_steps or words.writing_stores)
        return dict(file) if by_file else {**file, **(controller.stored or {})}

    @property
    def bench(self) -> Bench:
        """What a new process knows; asked more than once between two verbs, it is folded once."""
        found = rows_kept()
        if self.known is None or self.known[0] != found:
            self.known = (found, self.world.bench)
        return self.known[1]

    @property
    def family(self) -> Any:
        return FAMILIES[self.controller.family]


def rows_kept() -> tuple[int, int]:
    """How many sessions and entries the record holds: it is only ever added to."""
    path = records.record_path()
    if not path.exists():
        return 0, 0
    with closing(sqlite3.connect(path)) as db:
        return tuple(  # type: ignore[return-value]
            db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("session", "entry")
        )


@dataclass(frozen=True)
class Step:
    """One verb of the job: how it is done, and how a new process sees that it is."""

    name: str
    do: Callable[[Job], object]
    done: Callable[[Job], bool]
    prepare: Callable[[Job], object] = lambda job: None


def _gauge(name: str, *values: float, u: float | None = None) -> Step:
    given = [f"{value:g}" for value in values]
    given += [] if u is None else ["--u", f"{u:g}"]
    return Step(
        f"gauge {name}",
        lambda job: job.run("gauge", name, *given),
        lambda job: any(
            t.reading.name == name.replace("-", " ") and len(t.reading.mm) == len(values)
            for t in job.bench.now.taken
        ),
    )


def _lay(job: Job) -> object:
    if job.family.heats:
        sizes = [f"{name.replace(' ', '-')}={mm:g}" for name, mm in SIZES.items()]
        return job.run("lay", "strip", *(word for size in sizes for word in ("--size", size)))
    return job.run("gauge", "strip")  # printed by other means


def _restored(job: Job) -> bool:
    bench = job.bench
    by_file = not (job.family.words.covers_steps or job.family.words.writing_stores)
    return abs(job.controller.live[Z] - 105.37) < 1e-6 and not (
        (bench.unstored and not by_file) or bench.broken or bench.fallen
    )


def _restore(job: Job) -> object:
    shown = job.run("profile", "restore", "heron", "--preview", "--json")
    if shown.code:
        return shown
    document = shown.json
    values = {c["key"]: c["new"] for c in document["changes"]}
    job.confirmed.values.append((job.now, values))
    words = ("profile", "restore", "heron", "--approve", document["digest"])
    keeps = job.family.words.covers_steps and not job.family.words.writing_stores
    return job.run(*words, *(("--store",) if keeps else ()))


def _fall_out(job: Job) -> None:
    """A flash has put a factory value in place of a measured one."""
    kept = (job.controller.stored, getattr(job.controller, "file", None))
    for values in (job.controller.live, *kept):
        if values is not None:
            values[Z] = 104.0
    job.controller.apply()


def _live(job: Job, key: str, value: float) -> bool:
    return abs(job.controller.live[key] - value) < 1e-6


def _undone(job: Job) -> bool:
    bench = job.bench
    return not (len(bench.past) > job.past or bench.fallen or bench.broken)


def _written(job: Job) -> bool:
    bench = job.bench
    done = bench.done is not None and Z in bench.done.wanted
    return done and not (bench.fallen or bench.broken)


def steps_of(family: str) -> tuple[Step, ...]:
    """The whole job on a controller of this family."""
    words = FAMILIES[family].words
    keeps = words.covers_steps and not words.writing_stores
    by_file = not (words.covers_steps or words.writing_stores)
    prove = Step(
        "prove",
        lambda job: job.run("prove", "power"),
        lambda job: "after a power cycle" in job.bench.stages,
    )
    store = Step(
        "store",
        lambda job: job.run("store", "--others", "without"),
        lambda job: _written(job) and not job.bench.unstored,
    )
    kept = (store, prove) if keeps else (prove,)
    features = {f.name: f for f in resized("strip", HERON, SIZES).features}
    lengths = [
        (name, round(share * sum(c * c for c in features[name].along) ** 0.5 + 0.05, 2))
        for name, share in (
            ("strip s1", 1.0094),
            ("strip s3", 1.0094),
            ("strip s4", 1.0094),
            ("strip x1", 1.008),
            ("strip x3", 1.008),
        )
    ]
    return (
        Step(
            "attach",
            lambda job: job.run("attach", PORT, port=False),
            lambda job: bool(job.bench.family and job.bench.readback),
        ),
        _gauge("travel-belt", 275.9, u=0.05),
        _gauge("travel-across", 161.3, u=0.05),
        Step("lay", _lay, lambda job: bool(job.bench.now.laid)),
        *(
            _gauge(name.replace(" ", "-"), mm, round(mm + 0.01, 2), round(mm - 0.01, 2))
            for name, mm in lengths
        ),
        Step("solve", lambda job: job.run("solve"), lambda job: job.bench.now.solved is not None),
        Step("write", lambda job: job.run("write"), _written),
        *kept,
        Step("undo", lambda job: job.run("undo"), _undone),
        *(replace(step, name=f"{step.name} the undo") for step in kept[:1]),
        Step("restore", _restore, _restored, prepare=_fall_out),
        *((replace(prove, name="prove the restore"),) if by_file else ()),
    )


# --- going on after a cut ------------------------------------------------------------------------


@dataclass
class Verdict:
    """What one cut brought to light."""

    lost: list[str] = field(default_factory=list)
    wrong_reports: list[str] = field(default_factory=list)
    unconfirmed_writes: list[str] = field(default_factory=list)
    heaters_unknown: list[str] = field(default_factory=list)

    def to_plain(self) -> dict[str, list[str]]:
        return {name: list(getattr(self, name)) for name in NAMES}


NAMES: Final = ("lost", "wrong_reports", "unconfirmed_writes", "heaters_unknown")


def true_heaters(job: Job) -> str:
    if not job.family.heats:
        return "not reported"
    hot = job.controller.hotend.target or job.controller.bed.target
    return "on" if hot else "off"


def looked_over(job: Job, verdict: Verdict) -> None:
    """The first process after a cut: what it says, against the simulator's own word."""
    told = job.run("status", "--json")
    if told.code == LinkFailed.exit_code:  # it still carries out a move, and answers behind it
        told = job.run("status", "--json")
    if told.code:
        verdict.lost.append(f"status: exit {told.code}: {told.err.strip()[:200]}")
        return
    heaters = told.json["heaters"]
    if heaters == "unknown":
        verdict.heaters_unknown.append("the next process does not know of the heaters")
    elif heaters != true_heaters(job):
        verdict.wrong_reports.append(f"heaters {heaters}, and they are {true_heaters(job)}")
    bench = job.bench
    if bench.readback is not None:
        for key, setting in bench.readback.settings.items():
            if key in job.controller.live and not setting.agrees_with(job.controller.live[key]):
                verdict.wrong_reports.append(f"{key} {setting.value}, and it is something else")
    accounts = job.run("resume", "--json").json["accounts"]
    for account in accounts:
        for change in account["changes"]:
            holds = _holds(job, change["key"], change["old"], change["wanted"])
            if change["state"] != holds:
                verdict.wrong_reports.append(f"{change['key']} {change['state']}, it {holds}")


def _holds(job: Job, key: str, old: float, new: float) -> str:
    value = job.controller.live[key]
    setting = job.bench.readback
    near = 1e-4 if setting is None else setting.settings[key].half_digit * 1.01
    if abs(value - new) <= near:
        return "took"
    return "did not" if abs(value - old) <= near else "other"


def recovered(job: Job) -> None:
    """What `next` would have the technician do: cool, and finish what broke off."""
    if job.bench.heater_state in ("on", "unknown") and job.family.heats:
        job.run("cool")
    for _ in range(PATIENCE):
        bench = job.bench
        if not (bench.broken or bench.fallen):
            return
        way = "undo" if job.takes_back and bench.half_done else "finish"
        job.run("resume", way)


Passed = dict[str, dict[str, Any]]


def gone_on(
    job: Job,
    steps: tuple[Step, ...],
    place: int,
    enough: Callable[[str, dict[str, Any]], bool] = lambda step, passed: False,
    patience: int = PATIENCE,
) -> Passed:
    """Steps from `place` on, each until it is done; how things stand after each.

    enough: with a step and how things stand after it, whether the rest needs no trying
    patience: times that a step is begun at most; where nothing is cut, once is enough
    """
    passed: Passed = {}
    for number, step in enumerate(steps[place:]):
        if number:
            step.prepare(job)
        told: object = None
        for _ in range(patience):
            if step.done(job):
                break
            told = step.do(job)
            if isinstance(told, Told) and told.code and not step.done(job):
                recovered(job)
        if not step.done(job):
            raise AssertionError(f"{step.name} is never done: {told}")
        passed[step.name] = state(job)
        if enough(step.name, passed[step.name]):
            break
    return passed


def state(job: Job) -> dict[str, Any]:
    """All that what comes next depends on: what is true of the machine, and what is known."""
    bench = job.bench
    return {
        **ending(job),
        "laid": [[laid.name, laid.kind, laid.number] for laid in bench.now.laid],
        "solved": bench.now.solved is not None,
        "plan": bench.plan.digest if bench.plan else "",
        "done": dict(sorted(bench.done.wanted.items())) if bench.done else {},
        "stages": sorted(bench.stages),
        "untried": sorted(bench.untried),
        "place_lost": bench.place_lost,
        "laying": bench.laying,
        "surprise": bench.surprise is not None,
    }


def rounded(values: Mapping[str, float]) -> dict[str, float]:
    return {key: round(value, 5) for key, value in values.items()}


def ending(job: Job) -> dict[str, Any]:
    """What counts at the end, in plain form, so that it can be compared across processes."""
    bench = job.bench
    found = {
        "live": rounded(job.controller.live),
        "stored": rounded(job.kept),
        "readings": [
            [(t.piece, t.reading.name, t.reading.mm) for t in each.taken]
            for each in bench.rounds
            if each.taken
        ],
        "angle": bench.profile.mechanics.gantry_angle_deg,
        "exact": rounded(bench.exact),
        "unstored": bench.unstored,
        "broken": len(bench.broken),
        "past": len(bench.past),
        "heaters": (bench.heater_state, true_heaters(job)),
        "damage": bench.damage,
    }
    plain: dict[str, Any] = json.loads(json.dumps(found))
    return plain


def compared(
    job: Job, passed: Passed, wanted: Wanted, verdict: Verdict, *, restarted: bool
) -> None:
    """What was live and stored after each step, and the end, against the job that nothing cut.

    restarted: what nobody wanted to keep is gone with the power, and no loss.
    """
    for step, values in passed.items():
        for what in ("live", "stored"):
            for key, value in wanted.passed[step][what].items():
                found = values[what].get(key)
                if found != value and not (restarted and key in JOB):
                    verdict.lost.append(f"{key} {what} after {step}: {found} instead of {value}")
    if list(wanted.passed)[-1] not in passed:
        return  # all stood as it should, so that the rest was not tried
    if restarted and wanted.cut_short:
        return  # what fell with the power is missing until the restore at the whole job's end
    end = ending(job)
    for key, value in wanted.end.items():
        if end[key] != value:
            verdict.lost.append(f"{key}: {str(end[key])[:160]} instead of {str(value)[:160]}")


def confirmed_only(job: Job, since: int, verdict: Verdict) -> None:
    """The simulator's own list of what happened, against what was agreed to before."""
    for change in job.controller.changes[since:]:
        if change.kind == "set":
            if not job.confirmed.allows(change.key, change.new, change.at):
                verdict.unconfirmed_writes.append(f"{change.line}: {change.key} = {change.new}")
        elif change.kind in ("defaults", "erase"):
            verdict.unconfirmed_writes.append(f"{change.kind} by {change.line!r}")


# --- the campaign --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Wanted:
    """What the job that nothing cuts leads to."""

    passed: Passed  #: after each step
    end: dict[str, Any]
    cut_short: bool = False  #: the job ends before its last step


@dataclass(frozen=True)
class Cut:
    """Where one step is cut."""

    family: str
    step: str
    kind: Kind
    at: int

    def __str__(self) -> str:
        return f"{self.family}: {self.step}, {self.kind} {self.at}"


@contextmanager
def home_in_memory() -> Iterator[Path]:
    """A data folder on a file system in memory, where there is one."""
    shm = Path("/dev/shm")
    base = shm if os.access(shm, os.W_OK) else None
    before = os.environ.get("PLUMBELT_HOME")
    with tempfile.TemporaryDirectory(prefix="plumbelt-cuts-", dir=base) as folder:
        os.environ["PLUMBELT_HOME"] = folder
        try:
            yield Path(folder)
        finally:
            if before is None:
                del os.environ["PLUMBELT_HOME"]
            else:
                os.environ["PLUMBELT_HOME"] = before


def in_a_copy(work: Callable[[], Any]) -> Any:
    """`work` in a process with a copy of the machine and of the data folder; what it returns."""
    read, write = os.pipe()
    child = os.fork()
    if not child:
        code = 1
        try:
            os.close(read)
            with tempfile.TemporaryDirectory(dir=Path(os.environ["PLUMBELT_HOME"]).parent) as to:
                copy = Path(to) / "home"
                shutil.copytree(os.environ["PLUMBELT_HOME"], copy)
                os.environ["PLUMBELT_HOME"] = str(copy)
                found = json.dumps(work())
            with os.fdopen(write, "w") as pipe:
                pipe.write(found)
            code = 0
        finally:
            os._exit(code)
    os.close(write)
    with os.fdopen(read) as pipe:
        text = pipe.read()
    os.waitpid(child, 0)
    return json.loads(text) if text else None


def cut_once(
    job: Job,
    steps: tuple[Step, ...],
    place: int,
    cut: Cut,
    wanted: Wanted,
    *,
    twice: bool = False,
    whole: bool = False,
) -> tuple[dict[str, list[str]], bool]:
    """One cut of the step at `place`, and what comes after; whether that went on to the end."""
    verdict, since = Verdict(), len(job.controller.changes)
    chance = random.Random(str(cut))
    whole = whole or chance.randrange(SAMPLED) == 0
    job.takes_back = chance.random() < 0.5
    passed: Passed = {}

    def enough(step: str, stands: dict[str, Any]) -> bool:
        return not whole and stands == wanted.passed[step]

    try:
        restarted = broken_off(job, Fate(cut.kind, cut.at), lambda: steps[place].do(job))
        looked_over(job, verdict)
        if twice:
            fate = chance.choice(KINDS)
            second = Fate(fate, chance.randrange(1, REACH[fate]))
            step = steps[place]
            again = (lambda: recovered(job), lambda: step.done(job) or step.do(job))
            restarted |= broken_off(job, second, *again)
            looked_over(job, verdict)
        recovered(job)
        passed = gone_on(job, steps, place, enough)
        compared(job, passed, wanted, verdict, restarted=restarted)
    except Exception as error:  # whatever it is, it is a finding of the campaign
        verdict.lost.append(f"{type(error).__name__}: {error}")
    confirmed_only(job, since, verdict)
    return verdict.to_plain(), steps[-1].name in passed


def broken_off(job: Job, fate: Fate, *works: Callable[[], object]) -> bool:
    """Do the works until `fate` has cut one; whether the machine lost its power."""
    job.fate = fate
    for work in works:
        work()
        if fate.out or fate.dead:
            break
    job.fate = Fate()
    power = fate.kind == "power" and fate.out
    if power:
        job.world.power_cycle()
    return power


def measured(job: Job, step: Step) -> dict[Kind, int]:
    """How many places of each kind a step has."""

    def dry() -> dict[Kind, int]:
        job.fate = Fate()
        step.do(job)
        return job.fate.counts()

    counts: dict[Kind, int] = in_a_copy(dry)
    return counts


@dataclass
class Campaign:
    """Figures of all cuts."""

    cuts: int = 0
    to_the_end: int = 0  #: cuts after which the whole rest of the job was done
    found: dict[str, list[str]] = field(default_factory=lambda: {name: [] for name in NAMES})

    def add(self, cut: Cut, told: tuple[dict[str, list[str]], bool] | None) -> None:
        self.cuts += 1
        verdict, whole = told or ({"lost": ["the process that went on died"]}, False)
        self.to_the_end += whole
        for name, texts in verdict.items():
            if texts:
                self.found[name].append(f"{cut}: {texts[0]}")
                print(f"{name}: {cut}: {texts[0]}", file=sys.stderr, flush=True)

    def take_in(self, part: Campaign) -> None:
        self.cuts += part.cuts
        self.to_the_end += part.to_the_end
        for name in NAMES:
            self.found[name] += part.found[name]

    def to_plain(self) -> dict[str, int]:
        figures = {"cuts": self.cuts, "to_the_end": self.to_the_end}
        return {**figures, **{name: len(self.found[name]) for name in NAMES}}

    @property
    def clean(self) -> bool:
        return not any(self.found.values())


def places(count: int, every: int, offset: int, most: int | None = None) -> list[int]:
    """Every `every`-th of `count` places, the first and the last among them.

    most: no more than so many, spread from the first to the last.
    """
    if not count:
        return []
    found = sorted({1, count, *range(1 + offset % every, count + 1, every)})
    if most is None or len(found) <= most:
        return found
    return sorted({found[round(k * (len(found) - 1) / max(1, most - 1))] for k in range(most)})


def campaign(
    family: str,
    every: int = 1,
    *,
    twice: bool = False,
    whole: bool = False,
    only: tuple[str, ...] = (),
    kinds: tuple[Kind, ...] = KINDS,
    most: int | None = None,
    until_found: bool = False,
    ends_there: bool = False,
) -> Campaign:
    """Cut the whole job of one family.

    only: these steps; `most`: so many cuts of each kind; `until_found`: only up to the first that
    is not clean; `ends_there`: the job ends with the last step of `only`.
    """
    total = Campaign()
    with home_in_memory():
        job, steps = Job.new(family), steps_of(family)
        if ends_there:
            names = [step.name for step in steps]
            steps = steps[: names.index(only[-1]) + 1]

        def uncut() -> tuple[Passed, dict[str, Any]]:
            return gone_on(job, steps, 0, patience=1), ending(job)

        told = in_a_copy(uncut)
        assert told is not None, f"{family}: the job fails without any cut"
        wanted = Wanted(*told, cut_short=ends_there)
        for place, step in enumerate(steps):
            step.prepare(job)
            if not only or step.name in only:
                for kind, count in measured(job, step).items():
                    if kind not in kinds:
                        continue
                    for at in places(count, every, place, most):
                        cut = Cut(family, step.name, kind, at)
                        one = partial(
                            cut_once, job, steps, place, cut, wanted, twice=twice, whole=whole
                        )
                        total.add(cut, in_a_copy(one))
                        if until_found and not total.clean:
                            return total
                if only and step.name == only[-1]:
                    break
            gone_on(job, (*steps[: place + 1],), place)
    return total


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.crashes", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--family", choices=sorted(FAMILIES), help="only this family")
    parser.add_argument("--slice", type=int, default=1, metavar="K", help="every K-th place")
    parser.add_argument("--step", action="append", default=[], help="only this step of the job")
    parser.add_argument("--kind", action="append", choices=KINDS, help="only cuts of this kind")
    parser.add_argument("--most", type=int, help="so many cuts of each kind and step at most")
    parser.add_argument("--twice", action="store_true", help="a second break while it recovers")
    parser.add_argument("--whole", action="store_true", help="always go on to the job's end")
    parser.add_argument("--json", action="store_true", help="figures as JSON")
    options = parser.parse_args(arguments)
    total = Campaign()
    for family in [options.family] if options.family else list(FAMILIES):
        part = campaign(
            family,
            max(1, options.slice),
            twice=options.twice,
            whole=options.whole,
            only=tuple(options.step),
            kinds=tuple(options.kind or KINDS),
            most=options.most,
        )
        total.take_in(part)
    if options.json:
        print(json.dumps(total.to_plain()))
    else:
        for name, count in total.to_plain().items():
            print(f"{name:20} {count:7d}")
    return 0 if total.clean else 1


if __name__ == "__main__":
    sys.exit(main())
