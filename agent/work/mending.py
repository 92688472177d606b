"""Changes that broke off, or fell with the power: told, finished or undone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from agent.work.changes import Changes

if TYPE_CHECKING:
    from agent.change.plan import Plan
    from agent.change.resume import Account


class Mending:
    """What is still open of earlier changes."""

    def __init__(self, changes: Changes) -> None:
        self.book, self.contact, self.changes = changes.book, changes.contact, changes

    def accounts(self) -> tuple[Account, ...]:
        """Where each change stands that broke off or that fell with the power, oldest first.

        Raises Refused for a damaged reading.
        """
        from agent.change.resume import Account, account

        bench = self.book.bench
        found = [told for t in bench.broken if (told := account(t.entries, bench.readback))]
        if not found and bench.fallen and bench.done is not None:
            found = [Account(bench.done, "writing", bench.fates(), fallen=True)]
        return tuple(found)

    def plan(self, found: Sequence[Account], way: str) -> Plan:
        """The plan that finishes or undoes what broke off; it waits for its approval."""
        from agent.change.resume import finish, undo

        bench = self.book.bench
        plan = (finish if way == "finish" else undo)(
            found,
            bench.clean_readback,
            self.contact.family_known(),
            bench.profile,
            exactly=bench.exactly,
        )
        half = bench.half_done
        if way == "finish":
            last = half[-1] if half else None
            return self.changes.propose(
                plan,
                "finish",
                angle_deg=last.angle_deg if last else None,
                as_solved=last.as_solved if last else False,
                to=last.to if last else "",
            )
        made = bench.past[-1] if bench.past and not found[0].fallen else None
        state = half[0].before if half else made
        return self.changes.propose(
            plan,
            "undo",
            angle_deg=state.gantry_angle_deg if state else None,
            to=state.id if state else "",
        )

    def settle(self, way: str) -> None:
        """What broke off is dealt with."""
        self.book.append("settled", {"way": way})
