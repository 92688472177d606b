"""What a technician works with: one machine on a link, from the first read-back to the proof.

No printing and no questions here.  A session is three things: the book (all that is known, as
events and the bench that follows from them), the contact while a machine is attached, and doors,
each of which does one thing at the machine and appends what came of it.  Everything that a later
process would need is in the book.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from agent.bench.book import Book, RecordBook
from agent.bench.events import heats_plain, reading_plain, run_kind, run_plain
from agent.bench.rounds import Laid, Round
from agent.bench.value import BY_WORD, Bench, Past, Purpose
from agent.errors import AgentError, Contradicted, LinkFailed, Refused
from agent.model.feature import Feature, Reading
from agent.model.heat import HOT, HeaterState, Heats, danger_of
from agent.model.profile import UNNAMED, Profile
from agent.model.roles import ROLES, Role
from agent.model.settings import Readback
from agent.model.survey import BeltRun, Conditions, Survey
from agent.work.contact import Contact, same_controller
from agent.work.laying import Laying, Left, Progress, heaters_off, heats_now
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
from agent.work.signals import unbroken

if TYPE_CHECKING:
    from agent.change.guards import Finding
    from agent.change.outcome import Outcome, Stage
    from agent.change.plan import Plan
    from agent.change.resume import Account
    from agent.change.storing import Look, Others
    from agent.estimate.foretelling import Comparison
    from agent.estimate.solution import Solution
    from agent.families.base import Family
    from agent.model.drive import Drive
    from agent.pieces import Piece
    from agent.wire.link import Link
    from agent.wire.transport import Transport

_NOT_ATTACHED: Final = "Attach one first: 'attach PORT'; 'ports' lists the ports of this computer"

#: A board that boots may be silent for so long before its first word, s (common practice).
BOOT_QUIET: Final = 2.5


class Session:
    """One machine: its book, and its link while it is attached."""

    def __init__(self, profile: Profile | None = None, *, book: Book | None = None) -> None:
        self.book = book or Book()
        self._contact: Contact | None = None
        self._chosen = ""  # machine that this process was told to work on, as an option tells it
        if profile is not None:
            self.use(profile)

    # --- what is known ---------------------------------------------------------------------------

    @property
    def bench(self) -> Bench:
        """All that is known; without a machine on the link, of the one that was here last."""
        return self.book.bench

    @property
    def profile(self) -> Profile:
        return self.bench.profile

    @property
    def readback(self) -> Readback | None:
        return self.bench.readback

    @property
    def now(self) -> Round:
        return self.bench.now

    @property
    def rounds(self) -> tuple[Round, ...]:
        return self.bench.rounds

    @property
    def plan(self) -> Plan | None:
        return self.bench.plan

    @property
    def done(self) -> Plan | None:
        return self.bench.done

    @property
    def outcome(self) -> Outcome | None:
        return self.bench.outcome

    @property
    def stages(self) -> frozenset[Stage]:
        return self.bench.stages

    @property
    def unstored(self) -> bool:
        return self.bench.unstored

    @property
    def hot(self) -> bool:
        """Heaters are on, or may be."""
        return self.bench.hot

    @property
    def heats(self) -> Heats:
        return self.bench.heats

    @property
    def conditions(self) -> Conditions:
        return self.bench.conditions

    @property
    def feeds(self) -> Mapping[str, tuple[float, tuple[float, ...]]]:
        return self.bench.feeds

    @property
    def untried(self) -> frozenset[Role]:
        return self.bench.untried

    @property
    def place_lost(self) -> bool:
        return self.bench.place_lost

    @property
    def halted(self) -> bool:
        return self.bench.halted

    @property
    def trouble(self) -> str:
        """Why something could not be kept; empty if all was."""
        return self.book.trouble

    @property
    def clean_readback(self) -> Readback:
        """The latest read-back.  Raises Refused if there is none or it is damaged."""
        readback = self.bench.readback
        if readback is None:
            raise Refused("nothing was read back yet", remedy=_NOT_ATTACHED)
        if readback.damaged:
            raise Refused(
                "the last reading is damaged: " + "; ".join(readback.damage),
                remedy="'readback' reads again. Nothing may rest on such a reading",
            )
        return readback

    def known(self, kind: str) -> dict[str, float]:
        """Live values of one kind by letter; those of the profile where nothing was read."""
        return self.bench.known(kind)

    def live(self, kind: str) -> dict[str, float]:
        """Live values of one kind by the controller's letter, as exactly as they are known."""
        _ = self.clean_readback
        return self.bench.known(kind)

    def survey(self) -> Survey:
        return self.bench.survey()

    def compare(self) -> tuple[Comparison, ...]:
        """Readings of the present state against what the solution before it foretold."""
        return self.bench.compare()

    def findings(self) -> tuple[Finding, ...]:
        """What the live settings say against the mechanics."""
        from agent.change.guards import plausible

        return plausible(self.clean_readback, self.profile.mechanics, self.profile.axes)

    def refuse_implausible(self, roles: Sequence[Role] = ROLES) -> None:
        """Raise Refused if one of these axes must not move."""
        from agent.change.guards import blocked_roles

        blocked = blocked_roles(self.findings(), self.profile.axes)
        if reasons := [f"{role}: {blocked[role]}" for role in roles if role in blocked]:
            raise Refused(
                "this machine must not move: " + "; ".join(reasons),
                remedy="Set the profile or the controller right first. Nothing was moved",
            )

    # --- the machine and its profile -------------------------------------------------------------

    def use(self, profile: Profile) -> None:
        """The machine is the one of `profile`; on the link, its events are its own from now on."""
        named = "" if profile.name == UNNAMED else profile.name
        self._chosen = named
        contact = self._contact
        if contact is not None and named and named != self.bench.machine:
            before = self.bench
            self._take_up(named, contact, before.port, before.serial)
            if before.readback is not None:
                self._file(profile)
                self.book.readback(before.readback)
            self.book.append("heat", {**heats_plain(before.heats), "state": before.heater_state})
        elif contact is None and named:
            self.book.look_at(named)
        self._file(profile)

    def _file(self, profile: Profile) -> None:
        """Note how the machine is built, unless that is known already."""
        from agent.store.profiles import profile_text

        text, filed = profile_text(profile), self.book.bench.filed
        if filed is None or profile_text(filed) != text:
            self.book.append("profile", {"name": profile.name, "text": text})

    def _file_named(self) -> None:
        """The saved profile of the machine's name, as it is now: somebody may have edited it."""
        from agent.store.profiles import open_profile, profile_names

        name = self.book.bench.machine
        if name in profile_names():
            try:
                self._file(open_profile(name).profile)
            except AgentError as error:
                self.book.trouble = f"the profile of {name} cannot be read: {error.what}"

    # --- the link --------------------------------------------------------------------------------

    @property
    def contact(self) -> Contact | None:
        return self._contact

    @property
    def link(self) -> Link | None:
        return self._contact.link if self._contact else None

    @property
    def family(self) -> Family | None:
        return self._contact.family if self._contact else None

    def joined(self) -> tuple[Link, Family]:
        """The link and its family.  Raises Refused where nothing is attached."""
        contact = self._joined()
        return contact.link, contact.family

    def _joined(self) -> Contact:
        if self._contact is None:
            raise Refused("no machine is attached", remedy=_NOT_ATTACHED)
        return self._contact

    def attach(self, transport: Transport, *, serial: str = "") -> Readback:
        """Find the family by read-only evidence, ask the heaters, read the settings twice.

        The bench of this machine is taken up: of the one that `use` named, else of the one whose
        controller names itself so.  Raises LinkFailed if nobody answers in words, Refused if the
        family is not known.
        """
        return self._attach(transport, self._chosen, serial)

    def attach_again(self, transport: Transport) -> Readback:
        """After a power cycle or a lost cable.  Raises Refused if another controller answers."""
        known = self.bench
        return self._attach(transport, known.machine, known.serial, same=known)

    def _attach(
        self, transport: Transport, machine: str, serial: str, same: Bench | None = None
    ) -> Readback:
        from agent.families import identify, read_back_once_up
        from agent.families.gate import Gate
        from agent.wire.link import Link

        link = Link(transport)
        link.on_traffic = self.book.traffic
        try:
            family, identity = identify(link)
            if family is None:
                raise Refused(
                    f"plumbelt does not know the words in which {transport.name} answers"
                    + (f" ({identity})" if identity else ""),
                    remedy="Its settings were not touched",
                )
            link.gate = Gate(family)
            heats = heats_now(link)
            readback = read_back_once_up(link, family)
            known = same.readback if same is not None else None
            if same is not None and known is not None and not same_controller(known, readback):
                raise Refused(
                    f"another controller answers: {identity or family.name} instead of"
                    f" {same.identity or same.family}",
                    remedy="'attach' begins anew with it",
                )
        except BaseException:
            link.close()
            self.book.release()
            raise
        self._contact = Contact(link, family)
        self._take_up(machine, self._contact, transport.name, serial)
        self.book.append("heat", heats_plain(heats))
        if not isinstance(self.book, RecordBook):
            pass  # a rehearsal has the profile that it was begun with
        elif same is None and not self._chosen:
            self._file_named()
        self.book.readback(readback)
        return readback

    def _take_up(self, machine: str, contact: Contact, port: str, serial: str) -> None:
        family, identity = contact.family.name, contact.link.identity
        self.book.take_up(machine, port=port, family=family, identity=identity, serial=serial)
        self.book.append(
            "attached", {"port": port, "family": family, "identity": identity, "serial": serial}
        )

    def detach(self) -> None:
        """Let go of the port; what is known stays."""
        if self._contact is not None:
            self.let_go()
            self.book.append("detached", {})
        self.book.release()

    def let_go(self) -> None:
        """Close the port for a power cycle; `attach_again` takes it up."""
        contact, self._contact = self._contact, None
        if contact is not None:
            contact.link.close()

    def close(self) -> None:
        """Let go of port and record."""
        self.detach()
        self.book.close()

    @property
    def gone(self) -> bool:
        """True if the port itself has gone: a cable pulled, a board without power."""
        return self._contact is not None and self._contact.gone

    def lose(self, port: str) -> None:
        """Not even a reading came back from `port`: only attaching again helps."""
        if self.book.bench.lost != port:
            self.book.append("lost", {"port": port})

    def read_back(self) -> Readback:
        """Read all settings twice, and the heaters where they may be on.

        A clean reading also ends a doubt about the last line.
        """
        from agent.families import read_back_once_up
        from agent.wire.exchange import State

        link, family = self.joined()
        if link.state is State.DOUBT:
            link.settle()  # an answer that is still on its way is none to the questions now asked
        readback = read_back_once_up(link, family)
        if not readback.damaged and link.state is State.DOUBT:
            link.resync()
        self.book.readback(readback)
        if self.bench.hot:
            self.ask_heaters()
        return readback

    def send_lines(self, lines: Sequence[str], *, seconds: float = 0.0) -> None:
        """Send lines one by one, each waited for.  Raises Refused, LinkFailed."""
        self._joined().send_lines(lines, seconds=seconds)

    def halt(self) -> str:
        """Send the emergency word past everything that waits; what follows is in doubt.

        Returns the word sent.  Raises Refused where nothing is attached, LinkFailed.
        """
        contact = self._joined()
        word = contact.halt()
        self.book.traffic(contact.link.transport.now(), ">", word)
        self.book.append("halted", {"word": word})
        return word

    # --- heaters and axes ------------------------------------------------------------------------

    def heat(self, state: HeaterState, why: str = "") -> None:
        """Note what is known of the heaters; `on` before the first line that heats is sent."""
        self.book.append("heat", {"state": state, "why": why})

    def ask_heaters(self) -> Heats:
        """Ask for the heaters' targets.  Raises LinkFailed, Refused where nothing is attached."""
        heats = heats_now(self._joined().link)
        self.book.append("heat", heats_plain(heats))
        return heats

    def cool(self) -> Heats | None:
        """Switch the heaters off and ask for their targets; None: the link did not carry it.

        Nothing comes between: a signal waits until it is done.
        """
        contact = self._joined()
        with unbroken():
            heats = heaters_off(contact.link)
            if heats is None:
                self.heat("unknown", "the link did not carry the word that switches them off")
            else:
                self.book.append("heat", heats_plain(heats))
        return heats

    def watch_cooling(self) -> str:
        """Ask until a nozzle that was switched off has become cooler; what is wrong if it does not.

        Empty where it does, or is not hot.  Raises LinkFailed.
        """
        link = self._joined().link
        began, first = link.transport.now(), self.bench.heats
        heats = first
        while heats.nozzle is not None and first.nozzle is not None and heats.nozzle.now > HOT:
            if heats.nozzle.now < first.nozzle.now - 1.0:
                return ""
            seconds = link.transport.now() - began
            if danger := danger_of(first, heats, seconds):
                self.book.append("heat", {**heats_plain(heats), "danger": danger})
                return danger
            link.settle(quiet=2.0, limit=2.0)
            heats = heats_now(link)
        return ""

    def leave_cold(self) -> None:
        """Before the process ends: heaters off if they are on or may be; never raises."""
        with suppress(AgentError):
            if self._contact is not None and self.book.bench.hot:
                self.cool()

    def place(self, *, lost: bool, why: str = "") -> None:
        """Note whether the axes' places are known."""
        if self.bench.place_lost != lost:
            self.book.append("place", {"lost": lost, "why": why})

    def tried(self, role: Role) -> None:
        """An axis whose steps were changed has moved as it should."""
        self.book.append("tried", {"role": role})

    def standing(self) -> dict[Role, float]:
        """Where the controller believes its axes to stand, mm; empty if it does not say."""
        return standing(self.joined()[0], self.profile.axes)

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

    def marks(self, role: Role = "belt", **wanted: Any) -> Marks:
        """A run over marks; `wanted` and errors as of `agent.work.moves.marks_run`.

        Raises Refused if the axis must not move.
        """
        at = self.standing().get(role)
        return marks_run(self.profile, self._steps_of(role), role, at, **wanted)

    # --- pieces ----------------------------------------------------------------------------------

    def draw(self, name: str, sizes: Mapping[str, float] | None = None) -> Piece:
        """The piece `name` for the slicing angle in use.

        `sizes`: its own, by their names; None: those of the first one if it was laid before, so
        that the two can be compared, else the usual ones.  Raises Refused for an unknown name,
        BadInput for sizes it cannot have.
        """
        return self._recipe(name, sizes).piece

    def _recipe(self, name: str, sizes: Mapping[str, float] | None = None) -> Laid:
        from agent.pieces import PIECES

        if name not in PIECES:
            raise Refused(f"there is no piece '{name}'", remedy=f"There are {', '.join(PIECES)}")
        bench = self.bench
        number = 1 + sum(laid.kind == name for laid in bench.now.laid)
        if sizes is None:
            earlier = [one for each in bench.rounds for one in each.laid if one.kind == name]
            sizes = earlier[0].piece.size if earlier else {}
        return Laid(name, name, dict(sizes), min(number, 6), bench.profile)

    def begin_laying(self, piece: Piece) -> Laying:
        """The laying of `piece`, nothing of it sent yet.

        On a controller that knows no heaters, `seat` goes before it.
        Raises Refused if an axis must not move, or nothing on the controller pushes the plastic,
        or it should heat a nozzle and knows of none.
        """
        from agent.pieces import timed_toolpath

        link, family = self.joined()
        wording = family.wording
        self.refuse_implausible()
        if not wording.heats and "steps_per_mm.e0" not in self.clean_readback.settings:
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
            timed_toolpath(piece, self.profile, wording),
            self.profile.axes,
            piece.name,
            wording=wording,
            standstill=family.standstill,
        )

    def seat(self) -> None:
        """The cold nozzle stands on the belt, across at its nought: count from there, raise it.

        For controllers that cannot home across and gantry alone.  Raises Refused, LinkFailed.
        """
        from agent.pieces import seat

        _, family = self.joined()
        self.refuse_implausible()
        self.send_lines((*seat(self.profile, family.wording), "M400"), seconds=10.0)

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
        if not self.bench.laying:
            self.book.append("laying", {"piece": laying.name})
        if laying.wording.heats and self.bench.heater_state != "on":
            self.heat("on", f"laying {laying.name}")
        try:
            finished = laying.go_on(on_progress=on_progress, stop=stop)
        except LinkFailed as failure:
            lost, hot = laying.lost(failure)
            if laying.wording.heats:
                self.heat("unknown" if hot else "off", failure.what)
            self.book.append("stopped", {"lines": laying.done, "place_lost": True})
            raise lost from failure
        except Refused as danger:  # a heater that does not obey
            left = self.stop_laying(laying)
            raise Refused(danger.what, remedy=f"{left}. {danger.remedy}") from danger
        except BaseException:
            self.stop_laying(laying)
            raise
        if finished:
            if laying.wording.heats:
                self.book.append("heat", heats_plain(laying.heats))
            self.place(lost=False)  # every piece homes first, or the axes were set by hand
        return finished

    def stop_laying(self, laying: Laying) -> Left:
        """Heaters off, nozzle off the piece; how the machine is left.  No signal comes between."""
        with unbroken():
            left = laying.stop()
            if left.heaters == "unknown":
                self.heat("unknown", "the link did not carry the word that switches them off")
            elif left.heaters != "by hand":
                state = "off" if left.heaters == "sent" else left.heats.state
                self.book.append("heat", {**heats_plain(left.heats), "state": state})
            lost = self.bench.place_lost or left.heaters == "unknown"
            self.book.append("stopped", {"lines": laying.done, "place_lost": lost})
        return left

    def laid_whole(self, piece: Piece) -> Laid:
        """Keep a piece that was laid to its end, or was printed by other means."""
        count = sum(1 for laid in self.now.laid if laid.kind == piece.name)
        name = piece.name if not count else f"{piece.name}-{count + 1}"
        return self.add_piece(name, piece.name, piece.size, min(count + 1, 6))

    def add_piece(self, name: str, kind: str, size: Mapping[str, float], number: int = 1) -> Laid:
        """A piece is there, under its name in this round."""
        self.book.append(
            "piece", {"name": name, "piece": kind, "size": dict(size), "number": number}
        )
        return next(laid for laid in self.now.laid if laid.name == name)

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
                remedy=str(left),
            )
        return self.laid_whole(piece)

    # --- readings --------------------------------------------------------------------------------

    def take(
        self,
        feature: Feature,
        values: Sequence[float],
        piece: str,
        u_mm: float | None = None,
        *,
        goes_on: bool = False,
    ) -> Reading:
        """Keep the readings of one feature as they stand; without values it is taken back.

        goes_on: more of what was just being read, not the feature read again.
        """
        shared = {f.name for f in fields(Reading)} & {f.name for f in fields(Feature)}
        of_feature = {name: getattr(feature, name) for name in shared}
        reading = Reading(**of_feature, mm=tuple(values), u_mm=u_mm)
        return self.keep(reading, piece, goes_on=goes_on)

    def keep(self, reading: Reading, piece: str, *, goes_on: bool = False) -> Reading:
        """Keep a reading; one of the same feature of the same piece gives way."""
        body = reading_plain(reading, piece)
        if goes_on:
            body["goes_on"] = True
        self.book.append("reading", body)
        return reading

    def keep_run(self, run: BeltRun) -> None:
        """Keep a run over marks; one of the same axis made the same way before gives way."""
        self.book.append(run_kind(run), run_plain(run))

    def keep_conditions(self, conditions: Conditions) -> None:
        """Under what conditions the pieces of this round are read."""
        self.book.append("conditions", asdict(conditions))

    def keep_feed(self, kind: str, commanded_mm: float, values: Sequence[float]) -> None:
        """Keep how far filament went, mm."""
        self.book.append("feed", {"feed": kind, "commanded_mm": commanded_mm, "mm": list(values)})

    def take_file(self, path: Path) -> int:
        """Take up what the readings file at `path` holds; how many readings were new.

        The file is only read.  Errors as of `agent.bench.sheet.news`, nothing taken then.
        """
        from agent.bench.sheet import news
        from agent.store.readings import load_readings

        found = news(self.bench, load_readings(path), str(path))
        for piece in found.pieces:
            self.add_piece(piece.name, piece.piece, piece.size)
        for taken in found.taken:
            self.keep(taken.reading, taken.piece)
        for run in found.runs:
            self.keep_run(run)
        if found.conditions is not None:
            self.keep_conditions(found.conditions)
        return len(found.taken)

    def begin(self) -> None:
        """A new tune: what was read so far is set aside, and stays in the record."""
        self.book.append("begin", {})

    def solve(self) -> Solution:
        """The estimate from the readings of the present state."""
        now = self.now
        if not (now.taken or now.runs):
            raise Refused(
                "there are no readings yet",
                remedy="'lay' a piece and 'gauge' it; 'gauge --file FILE' takes those of a file",
            )
        solution = self.bench.to_solve().solution
        self.book.estimate(solution.to_plain())
        return solution

    # --- change ----------------------------------------------------------------------------------

    def _family_known(self) -> Family:
        """The family on the link, or as it was last seen: a preview sends nothing."""
        family = self.family or self.bench.known_family
        if family is None:
            raise Refused("no machine is attached", remedy=_NOT_ATTACHED)
        return family

    def preview(self) -> Plan:
        """The plan that follows from the solution; may be empty of lines.  Raises Contradicted."""
        from agent.change.plan import make_plan

        family = self._family_known()
        solution = self.now.solution or self.solve()
        if solution.contradictory:
            raise Contradicted
        plan = make_plan(
            self.clean_readback,
            {c.setting: c.new for c in solution.corrections},
            family,
            machine=self.profile.name,
            profile=self.profile,
            why={c.setting: c.why for c in solution.corrections},
        )
        return self.propose(plan, "tune", angle_deg=solution.slicing_angle_deg, as_solved=True)

    def after_replacing(self, role: Role, drive: Drive, steps_per_mm: float) -> Plan:
        """The plan that sets an axis for its new drive; judged by the new parts, not the old."""
        from agent.change.plan import make_plan

        _, family = self.joined()
        profile = self.profile
        mechanics = replace(profile.mechanics, drives={**profile.mechanics.drives, role: drive})
        plan = make_plan(
            self.clean_readback,
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
        past = self.bench.behind
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

        _, family = self.joined()
        readback = self.clean_readback
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
            machine=self.profile.name,
            profile=self.profile,
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

        link, family = self.joined()
        if self.plan is None or self.plan.digest != plan.digest:
            self.propose(plan, "other")
        waiting = self.bench.waiting
        if waiting is None or waiting.purpose not in ("finish", "undo"):
            self._refuse_broken()
        with self.book.journal() as journal:
            outcome = write(link, family, plan, approved, journal=journal, retyped=retyped)
        self.book.append("outcome", outcome.to_plain())
        self.read_back()
        return outcome

    def take_angle(self, deg: float, *, as_solved: bool = False, to: str = "") -> None:
        """The slicing angle from now on, where no line goes with it."""
        self.book.append("angle", {"deg": deg, "as_solved": as_solved, "to": to})

    def _refuse_broken(self) -> None:
        """Raise Refused while a change that broke off is not settled: nothing is built on that."""
        if self.bench.broken:
            raise Refused(
                "a change of this machine was broken off, and nothing rests on half a change",
                remedy="'resume' tells what took effect; 'resume finish', 'resume undo' or 'resume"
                " leave' settles it. Nothing was sent",
            )

    def to_keep(self) -> Plan:
        """What was written and is to be stored; empty where all that is live came otherwise."""
        from agent.change.plan import Plan

        if self.done is not None:
            return self.done
        return Plan(self.profile.name, self._family_known().name, (), (), "")

    def look(self) -> Look:
        """What storing now would make permanent."""
        from agent.change.storing import look

        link, family = self.joined()
        self._refuse_broken()
        with self.book.journal() as journal:
            return look(link, family, self.to_keep(), journal=journal, exactly=self.bench.exactly)

    def look_at_all(self) -> Look:
        """Everything that is live and not stored, whether written here or not."""
        from agent.change.compare import compare_live_with_stored

        link, family = self.joined()
        self._refuse_broken()
        with self.book.journal() as journal:
            return compare_live_with_stored(
                link, family, self.profile.name, journal=journal, exactly=self.bench.exactly
            )

    def store(self, looked: Look, approved: str, others: Others | None = None) -> Outcome:
        """Store what is live, reload it and compare."""
        from agent.change.storing import store

        link, family = self.joined()
        last = self.bench.last
        if last is not None and approved == last.digest and not looked.others:
            approved = looked.digest  # what was approved is live, with what came before it
        with self.book.journal() as journal:
            outcome = store(
                link,
                family,
                self.to_keep(),
                looked,
                approved,
                journal=journal,
                others=others,
                exactly=self.bench.exactly,
            )
        self.book.append("outcome", outcome.to_plain())
        self.read_back()
        return outcome

    def prove(self, stage: Stage, evidence: str) -> Outcome:
        """Read back after `stage` and compare with what was written.

        evidence: what the link saw of the stage, or that it is only said.
        """
        from agent.change.storing import prove

        link, family = self.joined()
        if self.done is None:
            raise Refused("nothing was written that is still to be proved", remedy=_WRITE_FIRST)
        with self.book.journal() as journal:
            outcome = prove(link, family, self.done, stage, journal=journal, evidence=evidence)
        self.book.append("proof", {**outcome.to_plain(), "evidence": evidence})
        self.read_back()
        return outcome

    def saw_power_cycle(self, mark: int, stood: Mapping[Role, float]) -> str:
        """What the link saw of a power cycle, on the port that was open meanwhile; or BY_WORD.

        mark: number of events heard before it;  stood: where the axes stood before it.
        """
        link = self._joined().link
        from agent.wire.exchange import State

        broke, now = "", dict[Role, float]()
        try:
            link.settle(quiet=BOOT_QUIET)
            if link.state is State.DOUBT:  # no line of ours is lost here: a boot text came
                broke = "the controller was interrupted"
            else:
                now = self.standing()
        except LinkFailed as failure:
            broke = failure.what
        heard = link.events[mark:]
        if any(event.kind == "restarted" for event in heard):
            return "seen on the link: the controller restarted"
        if any(event.kind == "resend" and event.detail["line"] <= 1 for event in heard):
            return "seen on the link: the controller counts its lines from the beginning again"
        if any(stood.values()) and now and not any(now.values()):
            return "seen on the link: the positions of the axes were lost"
        if broke:
            return f"seen on the link: {broke}"
        return BY_WORD

    def lines_are_in_its_file(self, lines: Sequence[str]) -> None:
        """The lines of what was written were put into the controller's own file."""
        self.book.append("lines", {"lines": list(lines)})

    # --- after a break ---------------------------------------------------------------------------

    def accounts(self) -> tuple[Account, ...]:
        """Where each change stands that broke off or that fell with the power, oldest first.

        Raises Refused for a damaged reading.
        """
        from agent.change.resume import Account, account

        bench = self.bench
        found = [told for t in bench.broken if (told := account(t.entries, bench.readback))]
        if not found and bench.fallen and bench.done is not None:
            found = [Account(bench.done, "writing", bench.fates(), fallen=True)]
        return tuple(found)

    def mending(self, found: Sequence[Account], way: str) -> Plan:
        """The plan that finishes or undoes what broke off; it waits for its approval."""
        from agent.change.resume import finish, undo

        bench = self.bench
        plan = (finish if way == "finish" else undo)(
            found, self.clean_readback, self._family_known(), bench.profile, exactly=bench.exactly
        )
        half = bench.half_done
        if way == "finish":
            last = half[-1] if half else None
            return self.propose(
                plan,
                "finish",
                angle_deg=last.angle_deg if last else None,
                as_solved=last.as_solved if last else False,
                to=last.to if last else "",
            )
        made = bench.past[-1] if bench.past and not found[0].fallen else None
        state = half[0].before if half else made
        return self.propose(
            plan,
            "undo",
            angle_deg=state.gantry_angle_deg if state else None,
            to=state.id if state else "",
        )

    def settle(self, way: str) -> None:
        """What broke off is dealt with."""
        self.book.append("settled", {"way": way})

    def refuse(self, line: str, why: str) -> None:
        """A step was refused: it is not offered again while nothing else has changed."""
        self.book.append("refused", {"line": line, "why": why})


_WRITE_FIRST: Final = "'write' comes first"
