"""Pieces, moves and readings of one machine: everything up to what an estimate rests on."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from agent.errors import LinkFailed, Refused
from agent.model.feature import Feature, Reading
from agent.model.profile import Profile
from agent.model.roles import Role
from agent.model.survey import BeltRun, Conditions, Survey
from agent.work.attached import Attached
from agent.work.laying import Heats, Laying, Progress, heats_now
from agent.work.moves import (
    Advance,
    Marks,
    Travel,
    advance_move,
    gap_move,
    marks_run,
    standing,
    travel_move,
)
from agent.work.rounds import Laid, Round, Taken

if TYPE_CHECKING:
    from agent.model.settings import Readback
    from agent.pieces import Piece
    from agent.pieces.feeds import FeedKind
    from agent.work.notebook import Notebook
    from agent.work.worksheet import Worksheet


class Measuring(Attached):
    """A machine that pieces are laid on and readings are taken of, in one state or several."""

    def __init__(
        self,
        profile: Profile | None = None,
        *,
        notebook: Notebook | None = None,
    ) -> None:
        super().__init__(profile, notebook=notebook)
        self.rounds: list[Round] = [Round(self.profile.mechanics.gantry_angle_deg)]
        self.hot = False  #: heaters may be on
        self.heats = Heats()  #: what the controller reported of them when it was asked last
        self.feeds: dict[FeedKind, tuple[float, tuple[float, ...]]] = {}  #: commanded, measured mm
        self.untried: set[Role] = set()  #: axes whose steps were written and that have not moved
        self.conditions = Conditions()
        self.sheet: Worksheet | None = None  #: file that the readings of the present state go to

    def read_back(self) -> Readback:
        """Read all settings twice, and the heaters' targets where heaters may be on."""
        found = super().read_back()
        self.ask_heaters()
        return found

    def ask_heaters(self) -> None:
        """Heaters that may be on are asked about; reported off, they are off.

        Raises LinkFailed.
        """
        if self.link is not None and self.hot:
            self.heats = heats_now(self.link)
            self.hot = not self.heats.off

    @property
    def now(self) -> Round:
        """The round of the machine's present state."""
        return self.rounds[-1]

    def begin_round(self) -> None:
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

    def begin_laying(self, piece: Piece) -> Laying:
        """The laying of `piece`, nothing of it sent yet.

        Raises Refused if an axis must not move, or the controller knows of no nozzle to heat.
        """
        from agent.pieces import timed_toolpath

        link, family = self.joined()
        self.refuse_implausible()
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
            self.place_lost = True
            raise lost from failure
        except BaseException:
            self.stop_laying(laying)
            raise
        self.hot = not (finished and laying.heats.off)
        self.place_lost = self.place_lost and not finished  # every piece homes first
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
        self.refuse_implausible((role,))
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
        """A belt run; `wanted` and errors as of `agent.work.moves.marks_run`.

        Raises Refused if the belt must not move.
        """
        return marks_run(self.profile, self._steps_of("belt"), **wanted)

    def take(
        self, feature: Feature, values: Sequence[float], piece: str, u_mm: float | None = None
    ) -> Reading:
        """Keep the readings of one feature; those of the same feature before are replaced."""
        reading = Reading(
            feature.kind,
            feature.along,
            tuple(values),
            feature.between,
            u_mm,
            feature.name,
            feature.side,
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
            first = self.now.taken[same[0]].reading.mm
            self.now.read_again.setdefault(reading.name, first)
            self.now.taken[same[0]] = taken
        else:
            self.now.taken.append(taken)
        return reading

    def keep_run(self, run: BeltRun) -> None:
        """Keep a run of the belt; one made the same way before gives way."""
        self.now.solution = None
        way = (run.approach, run.load)
        self.now.runs = [old for old in self.now.runs if (old.approach, old.load) != way]
        self.now.runs.append(run)

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
            budget=profile.budget,
            conditions=self.conditions,
            belt_runs=tuple(self.now.runs),
        )
