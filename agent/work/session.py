"""What a technician works with: one machine on a link, from the first read-back to the proof.

No printing and no questions here.  The session holds what is known (profile, read-back, pieces
laid, readings, solution, plan, outcome) and carries out the steps; the face shows and asks.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import replace
from typing import TYPE_CHECKING

from agent.errors import Refused
from agent.model.exact import exact_values
from agent.model.profile import Profile
from agent.model.settings import Readback, kind_of, letter_of
from agent.work.attached import same_controller, written_values
from agent.work.measuring import Measuring
from agent.work.rounds import plain_reading

if TYPE_CHECKING:
    from agent.change.outcome import Outcome, Stage
    from agent.change.plan import Plan
    from agent.change.storing import Look, Others
    from agent.estimate.foretelling import Comparison
    from agent.estimate.solution import Solution
    from agent.store.journal import Journal
    from agent.wire.transport import Transport
    from agent.work.notebook import Notebook


class Session(Measuring):
    """One machine on a link, and everything found out about it."""

    def __init__(
        self,
        profile: Profile | None = None,
        *,
        notebook: Notebook | None = None,
    ) -> None:
        super().__init__(profile, notebook=notebook)
        self.first: Readback | None = None  #: what was live at the attach: what undo restores
        self.first_exact: Mapping[str, float] = {}  #: the same in full precision where it is known
        self.first_angle_deg = self.profile.mechanics.gantry_angle_deg
        self.plan: Plan | None = None  #: previewed and not yet written
        self.done: Plan | None = None  #: the last plan that was written
        self.looked: Look | None = None
        self.outcome: Outcome | None = None
        self.stages: set[Stage] = set()  #: proofs that the last written plan has passed

    def use(self, profile: Profile) -> None:
        """The machine on the link is the one of `profile`; what was read with another is set aside.

        Values that were written to it at an earlier time count where the printed ones agree.
        """
        self.profile = profile
        self.first_angle_deg = profile.mechanics.gantry_angle_deg
        self.written = {**written_values(profile), **self.written}
        if self.first is not None:
            self.first_exact = exact_values(
                self.first.settings, self.first_exact, written_values(profile)
            )
        self.plan = None
        self.begin_round()

    def attach(self, transport: Transport) -> Readback:
        """Greet the controller, find its family by read-only evidence, read it twice.

        Raises LinkFailed if nobody answers in words, Refused if the family is not known.
        """
        try:
            readback = self.join(transport)
        except BaseException:
            self.notebook.close()
            raise
        self.notebook.begin(self.profile.name, transport.name, readback)
        self.first = readback
        self.first_angle_deg = self.profile.mechanics.gantry_angle_deg
        self.written = written_values(self.profile)
        self.first_exact = exact_values(readback.settings, self.written)
        self.begin_round()
        self.rounds = self.rounds[-1:]
        self.plan = self.done = self.looked = self.outcome = None
        self.stages = set()
        return readback

    def attach_again(self, transport: Transport) -> Readback:
        """After a power cycle or a lost cable: the same machine, all that is known of it stays.

        Raises Refused if another controller answers.
        """
        known = self.readback
        readback = self.join(transport)
        if known is not None and not same_controller(known, readback):
            self.readback = known  # of the machine that is still meant
            self.detach()
            raise Refused(
                f"another controller answers: {readback.identity or readback.family} instead of"
                f" {known.identity or known.family}",
                remedy="'attach' begins anew with it",
            )
        self.notebook.readback(readback)
        self.ask_heaters()
        return readback

    # --- estimate and change ---

    def solve(self) -> Solution:
        """The estimate from the readings of the present state."""
        from agent.estimate import solve
        from agent.store.readings import readings_text
        from agent.work.worksheet import sheet_of

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
            {key: self.first_exact[key] for key in self.done.wanted},
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
        self.begin_round()
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
                link,
                family,
                self.done,
                looked,
                approved,
                journal=journal,
                others=others,
                written=self.written,
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
        from agent.estimate.foretelling import compare

        before = self.now.follows
        if before is None or before.survey is None or before.solution is None:
            return ()
        survey, solution = before.survey, before.solution
        if not self.now.taken:
            return ()
        return compare(survey, solution, self.now.readings, self.profile.bead.width_mm)

    def _journal(self, digest: str) -> AbstractContextManager[Journal]:
        return self.notebook.journal(self.profile.name, digest)
