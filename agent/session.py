"""What a technician works with: one machine on a link, from the first read-back to the proof.

No printing and no questions here.  The session holds what is known (profile, read-back, pieces
laid, readings, solution, plan, outcome) and carries out the steps; the face shows and asks.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from agent.errors import LinkFailed, Refused
from agent.laying import Laying, heats_now
from agent.laying import Progress as Progress
from agent.model.feature import Feature, Reading
from agent.model.profile import Profile
from agent.model.roles import ROLES, Role
from agent.model.settings import Readback, kind_of, letter_of
from agent.model.survey import BeltRun, Conditions, Survey
from agent.moves import MOVES as MOVES
from agent.moves import (
    Advance,
    Marks,
    Travel,
    advance_move,
    gap_move,
    marks_run,
    standing,
    travel_move,
)
from agent.notebook import MemoryNotebook

if TYPE_CHECKING:
    from agent.change.guards import Finding
    from agent.change.outcome import Outcome, Stage
    from agent.change.plan import Plan
    from agent.change.storing import Look, Others
    from agent.estimate.solution import Solution
    from agent.families.base import Family
    from agent.foretelling import Comparison
    from agent.notebook import Notebook
    from agent.pieces import Piece
    from agent.pieces.feeds import FeedKind
    from agent.store.journal import Journal
    from agent.wire.link import Link
    from agent.wire.transport import Transport
    from agent.worksheet import Worksheet

#: Line whose answer comes once every move has ended: M-code in general use, and the dwell of NIST
#: RS274/NGC for the family that knows no such M-code (common practice: a dwell ends the queue).
WAIT = "M400"
_STANDSTILL = {"numbered": "G4 P0"}

_NOT_ATTACHED = "'attach PORT' does it; 'ports' lists the ports of this computer"


@dataclass(frozen=True, slots=True)
class Laid:
    """A piece that was laid."""

    name: str  #: unique in its round: `strip`, `strip-2`
    piece: Piece


@dataclass(frozen=True, slots=True)
class Taken:
    """One reading, and what it was taken on."""

    reading: Reading
    piece: str  #: name of the laid piece, or MOVES


def plain_reading(taken: Taken) -> dict[str, object]:
    """A reading as plain data, as the record and `gauge --json` give it."""
    reading = taken.reading
    return {
        "piece": taken.piece,
        "name": reading.name,
        "feature": reading.kind,
        "along": list(reading.along),
        "mm": list(reading.mm),
        "u_mm": reading.u_mm,
    }


def _same_name(one: str, other: str) -> bool:
    """Whether two ways in which a controller names itself, as a banner or as an answer, are of one.

    The shorter has no word that the longer lacks; a controller without a name is any.
    """
    words = [set(re.findall(r"[a-z0-9.]+", name.lower())) for name in (one, other)]
    return words[0] <= words[1] or words[1] <= words[0]


def _written(profile: Profile) -> dict[str, float]:
    """Full-precision values that a profile keeps beside the printed ones."""
    return {
        key: saved.written for key, saved in profile.settings.items() if saved.written is not None
    }


@dataclass
class Round:
    """One state of the machine: pieces laid in it, readings, and what was made of them."""

    gantry_angle_deg: float  #: slicing angle of the pieces
    laid: list[Laid] = field(default_factory=list)
    taken: list[Taken] = field(default_factory=list)
    read_again: set[str] = field(default_factory=set)  #: readings that were taken twice
    runs: list[BeltRun] = field(default_factory=list)  #: of the belt over marks
    asked: bool = False  #: the conditions of reading were asked for
    survey: Survey | None = None
    solution: Solution | None = None
    follows: Round | None = None  #: the round whose solution was carried out to come here

    @property
    def readings(self) -> tuple[Reading, ...]:
        return tuple(taken.reading for taken in self.taken)


class Session:
    """One machine on a link, and everything found out about it."""

    def __init__(
        self,
        profile: Profile | None = None,
        *,
        notebook: Notebook | None = None,
    ) -> None:
        self.profile = profile or Profile("unnamed")
        self.link: Link | None = None
        self.family: Family | None = None
        self.readback: Readback | None = None  #: what is live, as last read
        self.first: Readback | None = None  #: what was live at the attach: what undo restores
        self.first_angle_deg = self.profile.mechanics.gantry_angle_deg
        self.written: dict[
            str, float
        ] = {}  #: full-precision values that were written and read back
        self.rounds: list[Round] = [Round(self.first_angle_deg)]
        self.plan: Plan | None = None  #: previewed and not yet written
        self.done: Plan | None = None  #: the last plan that was written
        self.looked: Look | None = None
        self.outcome: Outcome | None = None
        self.stages: set[Stage] = set()  #: proofs that the last written plan has passed
        self.hot = False  #: heaters may be on
        self.feeds: dict[FeedKind, tuple[float, tuple[float, ...]]] = {}  #: commanded, measured mm
        self.untried: set[Role] = set()  #: axes whose steps were written and that have not moved
        self.conditions = Conditions()
        self.sheet: Worksheet | None = None  #: file that the readings of the present state go to
        self.notebook: Notebook = notebook or MemoryNotebook()

    def use(self, profile: Profile) -> None:
        """The machine on the link is the one of `profile`; what was read with another is set aside.

        Values that were written to it at an earlier time count where the printed ones agree.
        """
        self.profile = profile
        self.first_angle_deg = profile.mechanics.gantry_angle_deg
        self.written = {**_written(profile), **self.written}
        self.plan = None
        self._begin_round()

    # --- the link ---

    def attach(self, transport: Transport) -> Readback:
        """Greet the controller, find its family by read-only evidence, read it twice.

        Raises LinkFailed if nobody answers in words, Refused if the family is not known.
        """
        try:
            readback = self._join(transport)
        except BaseException:
            self.notebook.close()
            raise
        self.notebook.begin(self.profile.name, transport.name, readback)
        self.first = readback
        self.first_angle_deg = self.profile.mechanics.gantry_angle_deg
        self.written = _written(self.profile)
        self._begin_round()
        self.rounds = self.rounds[-1:]
        self.plan = self.done = self.looked = self.outcome = None
        self.stages = set()
        return readback

    def attach_again(self, transport: Transport) -> Readback:
        """After a power cycle or a lost cable: the same machine, all that is known of it stays.

        Raises Refused if another controller answers.
        """
        known = self.readback
        readback = self._join(transport)
        same = known is None or (
            known.family == readback.family and _same_name(known.identity, readback.identity)
        )
        if known is not None and not same:
            self.detach()
            raise Refused(
                f"another controller answers: {readback.identity or readback.family} instead of"
                f" {known.identity or known.family}",
                remedy="'attach' begins anew with it",
            )
        self.notebook.readback(readback)
        return readback

    def _join(self, transport: Transport) -> Readback:
        """Pair a link with a transport, find the family, read twice."""
        from agent.families import identify, read_back
        from agent.wire.link import Link

        link = Link(transport)
        link.on_traffic = self.notebook.traffic
        try:
            family, identity = identify(link)
            if family is None:
                raise Refused(
                    f"the controller on {transport.name} answers, but not in words known here"
                    + (f" ({identity})" if identity else ""),
                    remedy="Its settings were not touched",
                )
            self.readback = read_back(link, family)
        except BaseException:
            link.close()
            raise
        self.link, self.family = link, family
        return self.readback

    def detach(self) -> None:
        """Let go of the port; what was measured stays."""
        if self.link is not None:
            self.let_go()
            self.notebook.close()

    def let_go(self) -> None:
        """Close the port for a power cycle; the notebook stays open for `attach_again`."""
        if self.link is not None:
            self.link.close()
        self.link = self.family = None

    def joined(self) -> tuple[Link, Family]:
        """The link and its family.  Raises Refused where nothing is attached."""
        if self.link is None or self.family is None:
            raise Refused("no machine is attached", remedy=_NOT_ATTACHED)
        return self.link, self.family

    def read_back(self) -> Readback:
        """Read all settings twice; a clean reading also ends a doubt about the last line."""
        from agent.families import read_back
        from agent.wire.exchange import State

        link, family = self.joined()
        if link.state is State.DOUBT:
            link.settle()  # an answer that is still on its way is none to the questions now asked
        self.readback = read_back(link, family)
        if not self.readback.damaged and link.state is State.DOUBT:
            link.resync()
        self.notebook.readback(self.readback)
        return self.readback

    @property
    def clean_readback(self) -> Readback:
        """The latest read-back.  Raises Refused if there is none or it is damaged."""
        if self.readback is None:
            raise Refused("nothing was read back yet", remedy=_NOT_ATTACHED)
        if self.readback.damaged:
            raise Refused(
                "the last reading is damaged: " + "; ".join(self.readback.damage),
                remedy="'readback' reads again. Nothing may rest on such a reading",
            )
        return self.readback

    def known(self, kind: str) -> dict[str, float]:
        """Live values of one kind by letter; those of the profile where nothing was read."""
        if self.readback is not None:
            return self.live(kind)
        head = f"{kind}."
        return {
            key[len(head) :]: saved.setting.value if saved.written is None else saved.written
            for key, saved in self.profile.settings.items()
            if key.startswith(head)
        }

    def live(self, kind: str) -> dict[str, float]:
        """Live values of one kind by the controller's letter, as exactly as they are known."""
        head = f"{kind}."
        found = {}
        for key, setting in self.clean_readback.settings.items():
            if key.startswith(head):
                exact = self.written.get(key)
                known = exact is not None and setting.agrees_with(exact)
                found[key[len(head) :]] = exact if known and exact is not None else setting.value
        return found

    def findings(self) -> tuple[Finding, ...]:
        """What the live settings say against the mechanics."""
        from agent.change.guards import plausible

        return plausible(self.clean_readback, self.profile.mechanics, self.profile.axes)

    def _refuse_implausible(self, roles: Sequence[Role] = ROLES) -> None:
        """Raise Refused if one of these axes must not move."""
        from agent.change.guards import blocked_roles

        blocked = blocked_roles(self.findings(), self.profile.axes)
        if reasons := [f"{role}: {blocked[role]}" for role in roles if role in blocked]:
            raise Refused(
                "this machine must not move: " + "; ".join(reasons),
                remedy="Set the profile or the controller right first. Nothing was moved",
            )

    # --- pieces and moves ---

    @property
    def now(self) -> Round:
        """The round of the machine's present state."""
        return self.rounds[-1]

    def _begin_round(self) -> None:
        """A new round; one in which nothing happened yet is taken back."""
        if not (self.now.laid or self.now.taken or self.now.runs):
            self.rounds.pop()
        self.rounds.append(Round(self.profile.mechanics.gantry_angle_deg))

    def draw(self, name: str, sizes: Mapping[str, float] | None = None) -> Piece:
        """The piece `name` for the slicing angle in use.

        `sizes`: its own, by their names; None: those of the first one if it was laid before, so
        that the two can be compared, else the usual ones.  Raises Refused for an unknown name,
        BadInput for sizes it cannot have.
        """
        from agent.pieces import PIECES
        from agent.pieces.resize import resized

        if name not in PIECES:
            raise Refused(f"there is no piece '{name}'", remedy=f"There are {', '.join(PIECES)}")
        number = 1 + sum(laid.piece.name == name for laid in self.now.laid)
        earlier = [
            laid for round_ in self.rounds for laid in round_.laid if laid.piece.name == name
        ]
        if sizes is None:
            sizes = earlier[0].piece.size if earlier else {}
        return resized(name, self.profile, sizes, number=min(number, 6))

    def lines_of(self, piece: Piece) -> tuple[str, ...]:
        """The lines that `lay` sends for `piece`."""
        from agent.pieces import toolpath

        return toolpath(piece, self.profile)

    def begin_laying(self, piece: Piece) -> Laying:
        """The laying of `piece`, nothing of it sent yet.

        Raises Refused if an axis must not move, or the controller knows of no nozzle to heat.
        """
        from agent.pieces import timed_toolpath

        link, family = self.joined()
        self._refuse_implausible()
        if heats_now(link).nozzle is None:
            raise Refused(
                f"the controller reports no temperature of a nozzle (family '{family.name}'), so"
                " nothing can be laid on this machine",
                remedy="Moves and readings need no heater: 'gauge travel', 'marks'",
            )
        return Laying(link, timed_toolpath(piece, self.profile), self.profile.axes)

    def lay_on(
        self,
        laying: Laying,
        *,
        on_progress: Callable[[Progress], None] | None = None,
        stop: Callable[[], bool] | None = None,
    ) -> bool:
        """Lay on; False if `stop` said so: the heaters are still on then.

        If the link fails, the heaters are switched off if they can be, and LinkFailed says what
        the machine will still do.
        """
        self.hot = True
        try:
            finished = laying.go_on(on_progress=on_progress, stop=stop)
        except LinkFailed as failure:
            lost, self.hot = laying.lost(failure)
            raise lost from failure
        except BaseException:
            self.stop_laying(laying)
            raise
        self.hot = not finished
        return finished

    def stop_laying(self, laying: Laying) -> str:
        """Heaters off, nozzle off the piece; says in words how the machine is left."""
        left = laying.stop()
        self.hot = left.heaters == "unknown"
        return str(left)

    def laid_whole(self, piece: Piece) -> Laid:
        """Keep a piece that was laid to its end, or was printed by other means."""
        count = sum(1 for laid in self.now.laid if laid.piece.name == piece.name)
        laid = Laid(piece.name if not count else f"{piece.name}-{count + 1}", piece)
        self.now.laid.append(laid)
        return laid

    def lay(
        self,
        piece: Piece,
        *,
        on_progress: Callable[[Progress], None] | None = None,
        stop: Callable[[], bool] | None = None,
    ) -> Laid:
        """Lay `piece` from its first line to its last, and wait for its end.

        If `stop` says so, sending ends, the heaters are switched off, and Refused says how far it
        went; a link that fails raises LinkFailed as `lay_on` does.
        """
        laying = self.begin_laying(piece)
        if not self.lay_on(laying, on_progress=on_progress, stop=stop):
            left = self.stop_laying(laying)
            raise Refused(
                f"stopped after {laying.done} of {len(laying.lines)} lines of {piece.name}",
                remedy=left,
            )
        return self.laid_whole(piece)

    def _steps_of(self, role: Role) -> float:
        """Live steps/mm of an axis that may move.  Raises Refused if it must not."""
        self._refuse_implausible((role,))
        letter = self.profile.axes.letter(role)
        steps = self.live("steps_per_mm").get(letter)
        if steps is None:
            raise Refused(
                f"the controller reported no steps_per_mm.{letter} for the {role} axis",
                remedy="Check 'axes' in the profile. Nothing was moved",
            )
        return steps

    def standing(self) -> dict[Role, float]:
        """Where the controller believes its axes to stand, mm; empty if it does not say."""
        return standing(self.joined()[0], self.profile.axes)

    def travel_of(self, role: Role, mm: float | None = None) -> Travel:
        """The measured move of one axis.  Raises Refused if the axis must not or cannot move."""
        steps = self._steps_of(role)
        return travel_move(self.profile, role, steps, self.standing().get(role), mm)

    def gap_of(self) -> Travel:
        """The across move that shows the gap between nozzle and belt.  As `travel_of`."""
        steps = self._steps_of("across")
        return gap_move(self.profile, steps, self.standing().get("across"))

    def advance_of(self, mm: float) -> Advance:
        """The belt fed forward.  Raises Refused if it must not or cannot move."""
        return advance_move(self.profile, self._steps_of("belt"), mm)

    def marks(self, **wanted: Any) -> Marks:
        """A belt run; `wanted` as `agent.moves.marks_run` takes it, which also says what it raises.

        Raises Refused if the belt must not move.
        """
        return marks_run(self.profile, self._steps_of("belt"), **wanted)

    def halt(self) -> str:
        """Send the emergency word past everything that waits; what follows is in doubt.

        Returns the word sent.  Raises Refused where nothing is attached, LinkFailed.
        """
        link, family = self.joined()
        # 0x18 resets a `numbered` controller at once; M112 is the emergency stop of the others.
        word, data = ("Ctrl-X", b"\x18") if family.name == "numbered" else ("M112", b"M112\n")
        link.exchange.abandon()
        link.transport.write(data)
        self.notebook.traffic(link.transport.now(), ">", word)
        self.notebook.note("note", {"halted": word})
        return word

    def send_lines(self, lines: Sequence[str], *, seconds: float = 0.0) -> None:
        """Send lines one by one, each waited for; `seconds`: how long their moves take.

        Raises Refused at the first that is refused.
        """
        link, family = self.joined()
        for asked in lines:
            line = _STANDSTILL.get(family.name, WAIT) if asked == WAIT else asked
            reply = link.ask(line, timeout=60.0 + 2 * seconds)
            if not reply.ok:
                raise Refused(
                    f"the controller refused {line}: {reply.error or 'no reason given'}",
                    remedy="Nothing more was sent",
                )

    def take(
        self, feature: Feature, values: Sequence[float], piece: str, u_mm: float | None = None
    ) -> Reading:
        """Keep the readings of one feature; those of the same feature before are replaced."""
        reading = Reading(
            feature.kind, feature.along, tuple(values), feature.between, u_mm, feature.name
        )
        return self.keep(reading, piece)

    def keep(self, reading: Reading, piece: str) -> Reading:
        """Keep a reading; one of the same feature of the same piece gives way."""
        taken = Taken(reading, piece)
        self.now.solution = None
        same = [
            i
            for i, old in enumerate(self.now.taken)
            if (old.piece, old.reading.name) == (piece, reading.name)
        ]
        if same:
            self.now.taken[same[0]] = taken
            self.now.read_again.add(reading.name)
        else:
            self.now.taken.append(taken)
        return reading

    def keep_run(self, run: BeltRun) -> None:
        """Keep a run of the belt; one made the same way before gives way."""
        self.now.solution = None
        way = (run.approach, run.load)
        self.now.runs = [old for old in self.now.runs if (old.approach, old.load) != way]
        self.now.runs.append(run)

    # --- estimate and change ---

    def survey(self) -> Survey:
        """What an estimate of the present state rests on."""
        profile = self.profile
        return Survey(
            readings=self.now.readings,
            mechanics=profile.mechanics,
            steps_per_mm=self.known("steps_per_mm"),
            max_speed=self.known("max_speed"),
            axes=profile.axes,
            instrument=profile.instrument,
            material=profile.material,
            tolerance=profile.tolerance,
            priors=profile.priors,
            conditions=self.conditions,
            belt_runs=tuple(self.now.runs),
        )

    def solve(self) -> Solution:
        """The estimate from the readings of the present state."""
        from agent.estimate import solve
        from agent.store.readings import readings_text
        from agent.worksheet import sheet_of

        if not (self.now.taken or self.now.runs):
            raise Refused(
                "there are no readings yet", remedy="'lay' a piece and 'gauge' it, or 'solve FILE'"
            )
        survey = self.survey()
        readback, family = self.clean_readback, self.family

        def line(key: str, value: float) -> str | None:
            return None if family is None else family.write_line(key, value, readback)

        self.now.survey = survey
        self.now.solution = solve(survey, line=line)
        self.notebook.note(
            "readings",
            {
                "readings": [plain_reading(t) for t in self.now.taken],
                "survey": readings_text(sheet_of(self)),
            },
        )
        self.notebook.estimate(self.now.solution.to_plain())
        return self.now.solution

    def preview(self) -> Plan:
        """The plan that follows from the solution; may be empty of lines."""
        from agent.change.plan import make_plan

        _, family = self.joined()
        solution = self.now.solution or self.solve()
        self.plan = make_plan(
            self.clean_readback,
            {c.setting: c.new for c in solution.corrections},
            family,
            machine=self.profile.name,
            profile=self.profile,
            why={c.setting: c.why for c in solution.corrections},
        )
        self.notebook.note("plan", self.plan.to_plain())
        return self.plan

    def undoing(self) -> Plan:
        """The plan that brings back what was live at the attach."""
        from agent.change.plan import make_plan

        _, family = self.joined()
        if self.first is None or self.done is None:
            raise Refused("nothing was written in this session", remedy="Nothing was sent")
        self.plan = make_plan(
            self.clean_readback,
            {key: self.first.settings[key].value for key in self.done.wanted},
            family,
            machine=self.profile.name,
            profile=self.profile,
            why="as it was at the attach",
            origin="undo",
        )
        return self.plan

    def write(
        self, plan: Plan, approved: str, *, retyped: Mapping[str, float] | None = None
    ) -> Outcome:
        """Write `plan` under the approved digest and read it back; the state is then a new one.

        Raises Refused before anything is sent if the approval does not fit.
        """
        from agent.change.transaction import write

        link, family = self.joined()
        with self._journal(plan.digest) as journal:
            outcome = write(link, family, plan, approved, journal=journal, retyped=retyped)
        self.stages = set()
        self.feeds = {}  # measured with the steps as they were
        self._passed(outcome)
        self.read_back()
        for fate in outcome.fates:
            if fate.state == "took":
                self.written[fate.key] = fate.wanted
                role = self.profile.axes.role(letter_of(fate.key))
                if role is not None and kind_of(fate.key) == "steps_per_mm":
                    self.untried.add(role)
        self.done, self.plan, self.looked = plan, None, None
        return outcome

    def new_state(self, gantry_angle_deg: float | None = None, *, as_solved: bool = True) -> None:
        """Begin a new round: what is laid and read from now on is of the changed machine.

        gantry_angle_deg  the slicing angle from now on; None keeps the one in use
        as_solved         the solution was carried out, so that its foretold readings hold
        """
        solved = self.now if as_solved and self.now.solution is not None else None
        if gantry_angle_deg is not None:
            mechanics = replace(self.profile.mechanics, gantry_angle_deg=gantry_angle_deg)
            self.profile = replace(self.profile, mechanics=mechanics)
        self._begin_round()
        self.now.follows = solved

    def look(self) -> Look:
        """What storing now would make permanent."""
        from agent.change.storing import look

        link, family = self.joined()
        if self.done is None:
            raise Refused("nothing was written in this session", remedy="'write' comes first")
        with self._journal(self.done.digest) as journal:
            self.looked = look(link, family, self.done, journal=journal, written=self.written)
        return self.looked

    def look_at_all(self) -> Look:
        """Everything that is live and not stored, whether written here or not."""
        from agent.change.compare import compare_live_with_stored

        link, family = self.joined()
        with self._journal("look") as journal:
            return compare_live_with_stored(
                link, family, self.profile.name, journal=journal, written=self.written
            )

    def store(self, looked: Look, approved: str, others: Others | None = None) -> Outcome:
        """Store what is live, reload it and compare."""
        from agent.change.storing import store

        link, family = self.joined()
        assert self.done is not None
        with self._journal(looked.digest) as journal:
            outcome = store(
                link, family, self.done, looked, approved, journal=journal, others=others
            )
        self._passed(outcome)
        self.read_back()
        return outcome

    @property
    def unstored(self) -> bool:
        """True if something was written and is not proved to be stored."""
        return self.done is not None and not self.stages - {"read back"}

    def _passed(self, outcome: Outcome) -> None:
        """Keep an outcome and the proofs it brought."""
        self.outcome = outcome
        self.notebook.note("outcome", outcome.to_plain())
        if outcome.verified:
            self.stages.update(outcome.stages)

    def prove(self, stage: Stage) -> Outcome:
        """Read back after `stage` and compare with what was written."""
        from agent.change.storing import prove

        link, family = self.joined()
        if self.done is None:
            raise Refused("nothing was written in this session", remedy="'write' comes first")
        with self._journal(self.done.digest) as journal:
            outcome = prove(link, family, self.done, stage, journal=journal)
        self._passed(outcome)
        return outcome

    def compare(self) -> tuple[Comparison, ...]:
        """Readings of the present state against what the solution before it foretold."""
        from agent.foretelling import compare

        before = self.now.follows
        if before is None or before.survey is None or before.solution is None:
            return ()
        survey, solution = before.survey, before.solution
        if not self.now.taken:
            return ()
        return compare(survey, solution, self.now.readings, self.profile.bead.width_mm)

    def _journal(self, digest: str) -> AbstractContextManager[Journal]:
        return self.notebook.journal(self.profile.name, digest)
