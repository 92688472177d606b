"""From a piece's drawing to the piece that lies on the belt."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from agent.bench.events import heats_plain
from agent.bench.rounds import Laid
from agent.errors import LinkFailed, Refused
from agent.work.asking import heats_now
from agent.work.contact import Contact
from agent.work.heaters import Heaters
from agent.work.laying import Laying, Left, Progress
from agent.work.motion import Moves
from agent.work.signals import unbroken

if TYPE_CHECKING:
    from agent.pieces import Piece


class Pieces:
    """The pieces of the present round."""

    def __init__(self, contact: Contact, heaters: Heaters, moves: Moves) -> None:
        self.book, self.contact, self.heaters, self.moves = contact.book, contact, heaters, moves

    def draw(self, name: str, sizes: Mapping[str, float] | None = None) -> Piece:
        """The piece `name` for the slicing angle in use.

        `sizes`: its own, by their names; None: those of the first one if it was laid before, so
        that the two can be compared, else the usual ones.  Raises Refused for an unknown name,
        BadInput for sizes it cannot have.
        """
        from agent.pieces import PIECES

        if name not in PIECES:
            raise Refused(f"there is no piece '{name}'", remedy=f"There are {', '.join(PIECES)}")
        bench = self.book.bench
        number = 1 + sum(laid.kind == name for laid in bench.now.laid)
        if sizes is None:
            earlier = [one for each in bench.rounds for one in each.laid if one.kind == name]
            sizes = earlier[0].piece.size if earlier else {}
        return Laid(name, name, dict(sizes), min(number, 6), bench.profile).piece

    def begin(self, piece: Piece) -> Laying:
        """The laying of `piece`, nothing of it sent yet.

        On a controller that knows no heaters, `Moves.seat` goes before it.
        Raises Refused if an axis must not move, or nothing on the controller pushes the plastic,
        or it should heat a nozzle and knows of none.
        """
        from agent.pieces import timed_toolpath

        bench = self.book.bench
        link, family = self.contact.joined()
        wording = family.wording
        self.moves.refuse_implausible()
        if not wording.heats and "steps_per_mm.e0" not in bench.clean_readback.settings:
            raise Refused(
                f"the controller (family '{family.name}') lists no axis {wording.plastic} that"
                " pushes the plastic, so nothing can be laid on this machine",
                remedy="Moves and readings need none: 'gauge travel', 'marks'",
            )
        if wording.heats and heats_now(link).nozzle is None:
            raise Refused(
                f"the controller reports no temperature of a nozzle (family '{family.name}'), so"
                " nothing can be laid on this machine",
                remedy="Moves and readings need no heater: 'gauge travel', 'marks'",
            )
        return Laying(
            link,
            timed_toolpath(piece, bench.profile, wording),
            bench.profile.axes,
            piece.name,
            wording=wording,
            standstill=family.standstill,
        )

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
        if not self.book.bench.laying:
            self.book.append("laying", {"piece": laying.name})
        if laying.wording.heats and self.book.bench.heater_state != "on":
            self.heaters.note("on", f"laying {laying.name}")
        try:
            finished = laying.go_on(on_progress=on_progress, stop=stop)
        except LinkFailed as failure:
            lost, hot = laying.lost(failure)
            if laying.wording.heats:
                self.heaters.note("unknown" if hot else "off", failure.what)
            self.book.append("stopped", {"lines": laying.done, "place_lost": True})
            raise lost from failure
        except Refused as danger:  # a heater that does not obey
            left = self.stop(laying)
            raise Refused(danger.what, remedy=f"{left}. {danger.remedy}") from danger
        except BaseException:
            self.stop(laying)
            raise
        if finished:
            if laying.wording.heats:
                self.book.append("heat", heats_plain(laying.heats))
            self.moves.place(lost=False)  # every piece homes first, or the axes were set by hand
        return finished

    def stop(self, laying: Laying) -> Left:
        """Heaters off, nozzle off the piece; how the machine is left.  No signal comes between."""
        with unbroken():
            left = laying.stop()
            if left.heaters == "unknown":
                self.heaters.note(
                    "unknown", "the link did not carry the word that switches them off"
                )
            elif left.heaters != "by hand":
                state = "off" if left.heaters == "sent" else left.heats.state
                self.book.append("heat", {**heats_plain(left.heats), "state": state})
            lost = self.book.bench.place_lost or left.heaters == "unknown"
            self.book.append("stopped", {"lines": laying.done, "place_lost": lost})
        return left

    def laid_whole(self, piece: Piece) -> Laid:
        """Keep a piece that was laid to its end, or was printed by other means."""
        count = sum(1 for laid in self.book.bench.now.laid if laid.kind == piece.name)
        name = piece.name if not count else f"{piece.name}-{count + 1}"
        return self.add(name, piece.name, piece.size, min(count + 1, 6))

    def add(self, name: str, kind: str, size: Mapping[str, float], number: int = 1) -> Laid:
        """A piece is there, under its name in this round."""
        self.book.append(
            "piece", {"name": name, "piece": kind, "size": dict(size), "number": number}
        )
        return next(laid for laid in self.book.bench.now.laid if laid.name == name)
