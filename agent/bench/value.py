"""The bench as a value: what is known of one machine, and what follows from that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Literal

from agent.bench.rounds import Round, Solved
from agent.change.outcome import KEPT, Fate, Outcome, Stage, fate_of
from agent.change.plan import Change, Plan
from agent.errors import Refused
from agent.model import UNNAMED
from agent.model.exact import exact
from agent.model.heat import HeaterState, Heats
from agent.model.profile import Profile
from agent.model.roles import Role
from agent.model.settings import Readback, Setting, of_kind
from agent.model.survey import Check, Survey
from agent.plain import shared_fields

if TYPE_CHECKING:
    from agent.change.guards import Finding
    from agent.estimate.foretelling import Comparison
    from agent.families.base import Family

#: What a plan is for.
Purpose = Literal["tune", "feed", "restore", "replace", "undo", "finish", "other"]

#: What to do where nothing is on the link.
NOT_ATTACHED: Final = "'attach PORT' comes first; 'ports' lists the ports of this computer"

#: Said of a power cycle that only the technician has seen.
BY_WORD: Final = "said by the operator"


@dataclass(frozen=True, slots=True)
class Past:
    """A state of the machine that a change has left behind."""

    id: str  #: of the event that began the change
    at: str
    settings: Mapping[str, float]  #: as exactly as they were known
    gantry_angle_deg: float | None
    by: str  #: digest of the plan that left it

    @property
    def short(self) -> str:
        """The end of its identity: enough to name it by."""
        return self.id[-8:]


@dataclass(frozen=True, slots=True)
class Transaction:
    """One change as the record tells it, step by step: a write, a look, a store."""

    id: str
    at: str
    entries: tuple[Mapping[str, Any], ...]
    purpose: Purpose = "other"
    angle_deg: float | None = None  #: slicing angle that goes with it
    as_solved: bool = False  #: it carries out the solution of the round it was begun in
    to: str = ""  #: the earlier state that it goes back to
    before: Past | None = None  #: of a write: the state that it leaves behind
    closed: bool = False
    settled: str = ""  #: how it was dealt with after it broke

    @property
    def open(self) -> bool:
        """It broke off, and nobody has dealt with it."""
        return not self.closed and not self.settled

    @property
    def half_done(self) -> bool:
        """A write that broke before it was noted what became of it, and that is open still."""
        if not self.open or self.before is None:
            return False
        return not any(entry["step"] == "read back" for entry in self.entries)

    @property
    def plan(self) -> Plan:
        return Plan.from_plain(self.entries[0]["plan"])


@dataclass(frozen=True, slots=True)
class Waiting:
    """A plan that was previewed and waits for its approval."""

    plan: Plan
    purpose: Purpose = "tune"
    angle_deg: float | None = None
    as_solved: bool = False
    to: str = ""  #: for an undo: the state it goes back to


@dataclass(frozen=True, slots=True)
class Proof:
    """A stage that what was written has passed."""

    stage: Stage
    at: str
    evidence: str = ""  #: what the link saw, or BY_WORD

    def __str__(self) -> str:
        return f"{self.stage} ({self.evidence})" if self.evidence else self.stage


@dataclass(frozen=True, slots=True)
class Moved:
    """A setting that is not as it was last seen."""

    key: str
    was: float
    now: float
    unit: str

    def __str__(self) -> str:
        return f"{self.key} was {self.was:.10g} and is {self.now:.10g} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Surprise:
    """What an attach found otherwise than it was left, and what most likely did it."""

    moved: tuple[Moved, ...]
    cause: str


@dataclass(frozen=True, slots=True)
class Refusal:
    """A step that was refused, so that it is not offered again while nothing has changed."""

    line: str
    why: str


@dataclass(frozen=True)  # with a dict, which is copied at one go: see `changed`
class Bench:
    """All that is known of one machine.  Made by `fold`, never by hand."""

    machine: str = ""
    number: int = 0  #: of the last event
    session: str = ""  #: of the newest attachment
    attached: bool = False  #: as far as the record tells: no `detached` came behind the last attach
    port: str = ""
    family: str = ""
    identity: str = ""
    serial: str = ""
    lost: str = ""  #: port that went away
    filed: Profile | None = None  #: the profile as it was last taken from a file
    profile: Profile = field(default_factory=lambda: Profile(UNNAMED))
    first: Readback | None = None  #: what was live when the tune began
    readback: Readback | None = None  #: what is live, as last read
    read_at: str = ""
    greeted: bool = False  #: the settings were read since the newest attach
    begun_at: str = ""  #: when the tune was begun
    rounds: tuple[Round, ...] = (Round(),)
    feeds: Mapping[str, tuple[float, tuple[float, ...]]] = field(default_factory=dict)
    waiting: Waiting | None = None
    transactions: tuple[Transaction, ...] = ()  #: of this tune, and what is open of earlier ones
    #: Full-precision values that lines were to set, newest first, by key.
    written: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    past: tuple[Past, ...] = ()  #: states that changes have left behind, oldest first
    last: Plan | None = None  #: the last plan that was written
    done: Plan | None = None  #: all that was written since storage was last proved, as one plan
    outcome: Outcome | None = None
    proofs: tuple[Proof, ...] = ()  #: of what `done` holds
    stored_otherwise: str = ""  #: what storage gave back instead, where it was caught lying
    untried: frozenset[Role] = frozenset()  #: axes whose steps were written, not moved since
    heats: Heats = field(default_factory=Heats)
    heater_state: HeaterState = "unknown"
    warmth: tuple[str, Heats] = ("", Heats())  #: when temperatures were told last, and which
    heat_danger: str = ""  #: what the last two reports show of a heater that does not obey
    laying: str = ""  #: a piece that is being laid, or broke off
    halted: bool = False
    place_lost: bool = False
    surprise: Surprise | None = None
    refused: Refusal | None = None
    checks: tuple[Check, ...] = ()  #: of the instrument in use, the last of each length
    damage: tuple[str, ...] = ()  #: events that could not be used, and why

    # --- what follows ---------------------------------------------------------------------------

    @property
    def now(self) -> Round:
        """The round of the machine's present state."""
        return self.rounds[-1]

    @property
    def plan(self) -> Plan | None:
        return self.waiting.plan if self.waiting else None

    @property
    def known_family(self) -> Family | None:
        """The family as last seen, whether or not the machine is on the link."""
        from agent.families import FAMILIES

        return FAMILIES.get(self.family)

    @property
    def clean_readback(self) -> Readback:
        """The latest read-back.  Raises Refused if there is none or it is damaged."""
        if self.readback is None:
            raise Refused("nothing was read back yet", remedy=NOT_ATTACHED)
        if self.readback.damaged:
            raise Refused(
                "the last reading is damaged: " + "; ".join(self.readback.damage),
                remedy="'readback' reads again. Nothing may rest on such a reading",
            )
        return self.readback

    def findings(self) -> tuple[Finding, ...]:
        """What the live settings say against the mechanics."""
        from agent.change.guards import plausible

        return plausible(self.clean_readback, self.profile.mechanics, self.profile.axes)

    @property
    def hot(self) -> bool:
        """Heaters are on, or may be."""
        return self.heater_state in ("on", "unknown")

    @property
    def stages(self) -> frozenset[Stage]:
        """Proofs that what was written has passed; a word of the operator is none."""
        return frozenset(p.stage for p in self.proofs if p.evidence != BY_WORD)

    @property
    def broken(self) -> tuple[Transaction, ...]:
        """Changes that broke off and that nobody has dealt with, oldest first."""
        return tuple(t for t in self.transactions if t.open)

    @property
    def half_done(self) -> tuple[Transaction, ...]:
        """Writes of which nobody has noted yet what became of them, oldest first."""
        return tuple(t for t in self.transactions if t.half_done)

    @property
    def behind(self) -> tuple[Past, ...]:
        """States to go back to, oldest first: of changes that were made, and that broke."""
        broken = [t.before for t in self.half_done if t.before is not None]
        return (*self.past, *broken[:1])

    def fates(self) -> tuple[Fate, ...]:
        """What the last reading says of everything that was written and is not proved for good."""
        if self.done is None or self.readback is None:
            return ()
        return tuple(fate_of(change, self.readback) for change in self.done.changes)

    @property
    def fallen(self) -> bool:
        """Something was written and not stored, and by the last reading it is not live any more."""
        if self.kept:
            return False
        return any(fate.state in ("did not", "other") for fate in self.fates())

    @property
    def kept(self) -> bool:
        """What was written is stored: storage gave it back, or every line stores what it writes."""
        family = self.known_family
        if family is not None and family.words.writing_stores:
            return True
        return bool(self.stages & KEPT)

    @property
    def unstored(self) -> bool:
        """Something that was written is live and not proved to be stored."""
        if self.done is None or not self.done.changes or self.fallen:
            return False
        return not self.kept

    @property
    def exact(self) -> dict[str, float]:
        """Every live value: in full precision where one that was written agrees with the print."""
        settings = self.readback.settings if self.readback else {}
        return {key: self.exactly(key, setting) for key, setting in settings.items()}

    def exactly(self, key: str, setting: Setting) -> float:
        """The value behind a printed one, as exactly as it is known."""
        return exact(setting, *self.written.get(key, ()))

    def known(self, kind: str) -> dict[str, float]:
        """Live values of one kind by letter; those of the profile where nothing was read."""
        if self.readback is not None and not self.readback.damaged:
            return of_kind(self.exact, kind)
        return of_kind({key: s.exact for key, s in self.profile.settings.items()}, kind)

    def live(self, kind: str) -> dict[str, float]:
        """Live values of one kind by the controller's letter, as exactly as they are known.

        Raises Refused where none were read whole.
        """
        _ = self.clean_readback
        return self.known(kind)

    def survey(self) -> Survey:
        """What an estimate of the present state rests on."""
        return Survey(
            readings=self.now.readings,
            steps_per_mm=self.known("steps_per_mm"),
            max_speed=self.known("max_speed"),
            conditions=self.now.conditions,
            belt_runs=self.now.runs,
            checks=self.checks,
            **shared_fields(self.profile, Survey),
        )

    def to_solve(self) -> Solved:
        """The readings of the present state, ready to be solved."""
        return Solved(self.survey(), self.family or (self.profile.family or ""), self.readback)

    def compare(self) -> tuple[Comparison, ...]:
        """Readings of the present state against what the solution before it foretold."""
        before = self.now.follows
        if before is None or before.survey is None or before.solution is None:
            return ()
        if not self.now.taken:
            return ()
        from agent.estimate.foretelling import compare

        width = self.profile.bead.width_mm
        return compare(before.survey, before.solution, self.now.readings, width)

    @property
    def journal(self) -> tuple[Mapping[str, Any], ...]:
        """Steps of all changes, oldest first."""
        return tuple(e for t in self.transactions if t.at >= self.begun_at for e in t.entries)


def changed(bench: Bench, **changes: Any) -> Bench:
    """As `dataclasses.replace`, many times faster: a whole life is folded before each verb.

    Raises TypeError for what a bench does not have.
    """
    after = object.__new__(Bench)
    known = vars(after)
    known.update(vars(bench))
    places = len(known)
    known.update(changes)
    if len(known) != places:
        raise TypeError(f"a bench has no {sorted(changes.keys() - vars(bench).keys())}")
    return after


def merged(earlier: Plan | None, plan: Plan, *, stored: bool = False) -> Plan:
    """Two plans written one after the other, as one: what came back to where it was is no change.

    One plan alone stays as it is, digest and all.  stored: the earlier one is what storage holds,
    so that a change back is one that storage does not hold.
    """
    if earlier is None or not earlier.changes:
        return plan
    first = {change.key: change for change in earlier.changes}
    changes: dict[str, Change] = dict(first)
    for change in plan.changes:
        was = None if stored else first.get(change.key)
        changes[change.key] = change if was is None else replace(change, old=was.old)
    kept = tuple(c for c in changes.values() if not _same(c))
    lines = {
        c.key: line for p in (earlier, plan) for c, line in zip(p.changes, p.lines, strict=False)
    }
    return replace(
        plan,
        changes=kept,
        lines=tuple(lines[c.key] for c in kept if c.key in lines),
        rests_on={**earlier.rests_on, **plan.rests_on},
    )


def _same(change: Change) -> bool:
    return abs(change.new - change.old) <= 0.5 * 10.0**-change.digits


def moved_since(before: Readback, after: Readback) -> tuple[Moved, ...]:
    """Settings that another value is printed for than before."""
    return tuple(
        Moved(key, was.value, now.value, now.unit)
        for key, was in before.settings.items()
        if (now := after.settings.get(key)) is not None and now.value != was.value
    )
