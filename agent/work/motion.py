"""How the axes move: what forbids it, the measured moves, and what is known of their places."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from agent.errors import Refused
from agent.model.roles import ROLES, Role
from agent.work.asking import places_now
from agent.work.contact import Contact
from agent.work.moves import (
    Advance,
    Marks,
    Travel,
    advance_move,
    gap_move,
    marks_run,
    travel_move,
)


class Moves:
    """The axes of the machine on the link."""

    def __init__(self, contact: Contact) -> None:
        self.book, self.contact = contact.book, contact

    def refuse_implausible(self, roles: Sequence[Role] = ROLES) -> None:
        """Raise Refused if one of these axes must not move."""
        from agent.change.guards import blocked_roles

        blocked = blocked_roles(self.book.bench.findings(), self.book.bench.profile.axes)
        if reasons := [f"{role}: {blocked[role]}" for role in roles if role in blocked]:
            raise Refused(
                "this machine must not move: " + "; ".join(reasons),
                remedy="Set the profile or the controller right first. Nothing was moved",
            )

    def place(self, *, lost: bool, why: str = "") -> None:
        """Note whether the axes' places are known."""
        if self.book.bench.place_lost != lost:
            self.book.append("place", {"lost": lost, "why": why})

    def tried(self, role: Role) -> None:
        """An axis whose steps were changed has moved as it should."""
        self.book.append("tried", {"role": role})

    def places(self) -> dict[Role, float]:
        """Where the controller believes its axes to stand, mm; empty if it does not say."""
        return places_now(self.contact.joined()[0], self.book.bench.profile.axes)

    def _steps_of(self, role: Role) -> float:
        """Live steps/mm of an axis that may move.  Raises Refused if it must not."""
        self.refuse_implausible((role,))
        letter = self.book.bench.profile.axes.letter(role)
        steps = self.book.bench.live("steps_per_mm").get(letter)
        if steps is None:
            raise Refused(
                f"the controller reported no steps_per_mm.{letter} for the {role} axis",
                remedy="Check 'axes' in the profile. Nothing was moved",
            )
        return steps

    def travel(self, role: Role, mm: float | None = None) -> Travel:
        """The measured move of one axis.  Raises Refused if the axis must not or cannot move."""
        steps = self._steps_of(role)
        return travel_move(self.book.bench.profile, role, steps, self.places().get(role), mm)

    def gap(self) -> Travel:
        """The across move that shows the gap between nozzle and belt.  As `travel`."""
        steps = self._steps_of("across")
        return gap_move(self.book.bench.profile, steps, self.places().get("across"))

    def advance(self, mm: float) -> Advance:
        """The belt fed forward.  Raises Refused if it must not or cannot move."""
        return advance_move(self.book.bench.profile, self._steps_of("belt"), mm)

    def marks(self, role: Role = "belt", **wanted: Any) -> Marks:
        """A run over marks; `wanted` and errors as of `agent.work.moves.marks_run`.

        Raises Refused if the axis must not move.
        """
        at = self.places().get(role)
        return marks_run(self.book.bench.profile, self._steps_of(role), role, at, **wanted)

    def seat(self) -> None:
        """The cold nozzle stands on the belt, across at its nought: count from there, raise it.

        For controllers that cannot home across and gantry alone.  Raises Refused, LinkFailed.
        """
        from agent.pieces import seat

        _, family = self.contact.joined()
        self.refuse_implausible()
        self.contact.send_lines(
            (*seat(self.book.bench.profile, family.wording), "M400"), seconds=10.0
        )
