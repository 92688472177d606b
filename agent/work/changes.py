"""Changes of the controller's settings: proposed, approved, written, gone back on."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from agent.bench.book import BookJournal
from agent.bench.value import Past, Purpose
from agent.errors import Contradicted, Refused
from agent.model.roles import Role
from agent.work.contact import Contact
from agent.work.readings import Readings

if TYPE_CHECKING:
    from agent.change.outcome import Outcome
    from agent.change.plan import Plan
    from agent.model.drive import Drive


class Changes:
    """The plan that waits for its approval, and what is written of it."""

    def __init__(self, contact: Contact, readings: Readings) -> None:
        self.book, self.contact, self.readings = contact.book, contact, readings

    def preview(self) -> Plan:
        """The plan that follows from the solution; may be empty of lines.  Raises Contradicted."""
        from agent.change.plan import make_plan

        family = self.contact.family_known()
        solution = self.book.bench.now.solution or self.readings.solve()
        if solution.contradictory:
            raise Contradicted
        plan = make_plan(
            self.book.bench.clean_readback,
            {c.setting: c.new for c in solution.corrections},
            family,
            machine=self.book.bench.profile.name,
            profile=self.book.bench.profile,
            why={c.setting: c.why for c in solution.corrections},
        )
        return self.propose(plan, "tune", angle_deg=solution.slicing_angle_deg, as_solved=True)

    def after_replacing(self, role: Role, drive: Drive, steps_per_mm: float) -> Plan:
        """The plan that sets an axis for its new drive; judged by the new parts, not the old."""
        from agent.change.plan import make_plan

        _, family = self.contact.joined()
        profile = self.book.bench.profile
        mechanics = replace(profile.mechanics, drives={**profile.mechanics.drives, role: drive})
        plan = make_plan(
            self.book.bench.clean_readback,
            {f"steps_per_mm.{profile.axes.letter(role)}": steps_per_mm},
            family,
            machine=profile.name,
            profile=replace(profile, mechanics=mechanics),
            why=f"a part of the {role} drive was replaced",
        )
        return self.propose(plan, "replace")

    def propose(
        self,
        plan: Plan,
        purpose: Purpose,
        *,
        angle_deg: float | None = None,
        as_solved: bool = False,
        to: str = "",
    ) -> Plan:
        """From now on this plan waits for its approval."""
        self.book.append(
            "plan",
            {
                **plan.to_plain(),
                "purpose": purpose,
                "angle_deg": angle_deg,
                "as_solved": as_solved,
                "to": to,
            },
        )
        return plan

    def state_to(self, entry: str | None = None) -> tuple[Past, bool]:
        """The earlier state that `undo` goes to, and whether it is on the way back.

        None: the one before the last change.  Raises Refused where there is none.
        """
        past = self.book.bench.behind
        if entry is None:
            if not past:
                raise Refused("nothing was written that could be undone", remedy="Nothing was sent")
            return past[-1], True
        for state in past:
            if state.id.endswith(entry):
                return state, True
        bench, event = self.book.bench_at(entry)
        if bench.readback is None:
            raise Refused(f"at {entry!r} nothing had been read yet", remedy="Choose a later entry")
        angle = bench.profile.mechanics.gantry_angle_deg
        return Past(event.id, event.at, bench.exact, angle, ""), False

    def undoing(self, to: Past) -> Plan:
        """The plan that brings back an earlier state: every setting that differs, and its angle."""
        from agent.change.plan import make_plan

        _, family = self.contact.joined()
        readback = self.book.bench.clean_readback
        wanted: dict[str, float] = {}
        for key, value in to.settings.items():
            setting = readback.settings.get(key)
            if setting is None or setting.agrees_with(value):
                continue
            with suppress(Refused):
                family.write_line(key, value, readback)
                wanted[key] = value
        plan = make_plan(
            readback,
            wanted,
            family,
            machine=self.book.bench.profile.name,
            profile=self.book.bench.profile,
            why=f"as it was on {to.at[:16].replace('T', ' ')}",
            origin="undo",
        )
        angle = to.gantry_angle_deg
        return self.propose(plan, "undo", angle_deg=angle, to=to.id)

    def write(
        self, plan: Plan, approved: str, *, retyped: Mapping[str, float] | None = None
    ) -> Outcome:
        """Write `plan` under the approved digest and read it back; the state is then a new one.

        Raises Refused before anything is sent if the approval does not fit.
        """
        from agent.change.transaction import write

        link, family = self.contact.joined()
        waiting = self.book.bench.waiting
        if waiting is None or waiting.plan.digest != plan.digest:
            self.propose(plan, "other")
            waiting = self.book.bench.waiting
        if waiting is None or waiting.purpose not in ("finish", "undo"):
            self.refuse_broken()
        journal = BookJournal(self.book)
        outcome = write(link, family, plan, approved, journal=journal, retyped=retyped)
        self.book.append("outcome", outcome.to_plain())
        self.contact.read_back()
        return outcome

    def take_angle(self, deg: float, *, as_solved: bool = False, to: str = "") -> None:
        """The slicing angle from now on, where no line goes with it."""
        self.book.append("angle", {"deg": deg, "as_solved": as_solved, "to": to})

    def refuse_broken(self) -> None:
        """Raise Refused while a change that broke off is not settled: nothing is built on that."""
        if self.book.bench.broken:
            raise Refused(
                "a change of this machine was broken off, and nothing rests on half a change",
                remedy="'resume' tells what took effect; 'resume finish', 'resume undo' or 'resume"
                " leave' settles it. Nothing was sent",
            )
