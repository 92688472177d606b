"""A whole simulated machine: controller, mechanics, bed and instruments, from a profile.

What is true stays inside; whoever tunes the machine sees only the wire, the laid piece and what
the instruments read.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from agent.errors import BadInput, Refused
from agent.model.roles import PARAMETER_LETTER, ROLES, Axes, Role
from sim.beads import Bed, Job, Laid, lie
from sim.bench import Bench
from sim.bends import Bends
from sim.caliper import Surface, direction_name, true_size
from sim.controller import Controller
from sim.faults import apply_faults, parse_faults
from sim.hand import VALUE_MINUTES, Caliper, Grip
from sim.motion import Motion
from sim.numbered import Numbered
from sim.options import Options
from sim.override import Override
from sim.plant import Array, Plant, Vector, build_plant, nominal_mm_per_turn, steps_per_turn
from sim.plastic import Plastic
from sim.replay import Replay
from sim.script import Script
from sim.table import Table
from sim.truth import Growth, Truth, draw

__all__ = ["Growth", "SimulatedMachine", "Truth", "build", "draw"]

FAMILIES: dict[str, type[Controller]] = {
    family.family: family for family in (Replay, Numbered, Table, Override, Script)
}

#: What a freshly flashed board has: common values of upright machines, wrong for a belt.
FACTORY = {
    "steps_per_mm.x": 80.0,
    "steps_per_mm.y": 80.0,
    "steps_per_mm.z": 4000.0,
    "steps_per_mm.e0": 500.0,
    "max_speed.x": 300.0,
    "max_speed.y": 300.0,
    "max_speed.z": 5.0,
    "max_speed.e0": 25.0,
}

#: Two commanded moves are the same if no axis differs by more than this, mm.
_SAME_MOVE = 0.02


@dataclass(frozen=True, slots=True)
class Seen:
    """A size as a perfect instrument sees it on the cold piece, mm, and how it is taken."""

    size: float
    grip: Grip
    job: Job | None = None  #: the piece; None for a move


@dataclass
class SimulatedMachine:
    """One machine on the bench."""

    controller: Controller
    plant: Plant
    caliper: Caliper
    bed: Bed
    truth_drawn: Truth
    axes: Axes
    slicing_angle_deg: float  #: what the pieces are sliced with; the caliper needs it to find faces
    planned_height: float  #: bead height of the profile, mm
    plastic: Plastic
    bends: Bends
    minutes: float = 0.0  #: the bench's clock: time spent with readings, and waited
    _lying: dict[int, Laid] = field(default_factory=dict)

    @property
    def received(self) -> list[str]:
        """Every command line the controller accepted, framing removed, in order."""
        return self.controller.received

    def truth(self) -> dict[str, float]:
        """Errors that remain with the live settings, and the angles as they truly are.

        Scales: true travel of a commanded millimetre over whole roller turns, minus one.
        """
        live = self.controller.live
        scales = {}
        for role in ROLES:
            steps = live.get(f"steps_per_mm.{self.axes.letter(role)}", 0.0)
            scales[f"{PARAMETER_LETTER[role]}_scale"] = (
                steps * self.plant.axis(role).mm_per_step * self._grown(role) - 1
            )
        return {
            **scales,
            "gantry_angle_deg": math.degrees(self.plant.angle),
            "yaw_deg": self.truth_drawn.yaw_deg,
            "rail_deg": self.truth_drawn.rail_deg,
            "roll_deg": self.truth_drawn.roll_deg,
        }

    def _grown(self, role: Role) -> float:
        """Growth of an axis while it prints: what parts show is what counts."""
        return 1.0 if role == "belt" else 1 + self.bends.hot

    def true_size(self, feature: Mapping[str, Any], piece: str = "") -> float:
        """What perfect instruments would read on the cold piece, mm; see `measure`."""
        with self.controller.lock:
            self.controller.finish_moves()
            return self._seen(feature, piece).size

    def _seen(self, feature: Mapping[str, Any], piece: str) -> Seen:
        """The size of a feature or move, and how it is taken."""
        kind = str(feature.get("kind"))
        if kind == "travel":
            return Seen(self._travel(feature), Grip(kind))
        if kind == "gap":
            return Seen(self._gap(feature), Grip(kind))
        angle = math.radians(float(feature.get("slicing_angle_deg", self.slicing_angle_deg)))
        job, surface, size = self._found(feature, piece, angle)
        along = np.array(feature["along"], dtype=float)
        if surface.flat:
            size = self.plastic.chord(size, abs(float(along[1])))
        direction = direction_name(along / np.linalg.norm(along), angle)
        between = feature.get("between")
        grip = Grip(
            kind,
            direction=direction,
            faces=between != "points" and bool(direction),
            flat=surface.flat,
            opposite=feature.get("side") == "opposite",
            feature=f"{job.number} {feature.get('jaws')} {kind}",
        )
        return Seen((1 - self.plastic.shrink) * size, grip, job)

    def _found(
        self, feature: Mapping[str, Any], piece: str, angle: float
    ) -> tuple[Job, Surface, float]:
        """The piece that has such faces, and their size before it shrinks or curls."""
        jobs = self._jobs(piece)
        for number, job in enumerate(jobs, 1):
            surface = self._surface(job, angle)
            try:
                return job, surface, true_size(surface, feature)
            except Refused:
                if number == len(jobs):
                    raise
        raise Refused("nothing has been laid yet", remedy="Lay the piece first.")

    def name_job(self, name: str) -> None:
        """Call what was laid last `name`, as an `M117` line in it would have done."""
        with self.controller.lock:
            self.controller.finish_moves()
            for job in self.bed.laid_jobs[-1:]:
                job.label = name

    def surface(self, piece: str) -> Surface:
        """The laid beads of a piece, the newest of that name.  Raises Refused for none."""
        with self.controller.lock:
            self.controller.finish_moves()
            jobs = self._jobs(piece)
            if not jobs:
                raise Refused("nothing has been laid yet", remedy="Lay the piece first.")
            return self._surface(jobs[0], math.radians(self.slicing_angle_deg))

    def _surface(self, job: Job, angle: float) -> Surface:
        laid = self._lying.get(id(job))
        if laid is None or len(laid.width) != len(job.rows):
            laid = lie(job, self.plant.frame, self.planned_height, self.bends)
            self._lying[id(job)] = laid
        return Surface(laid, angle, self.plastic, str(job.number))

    def measure(self, feature: Mapping[str, Any], piece: str, repeats: int) -> list[float]:
        """Readings of one feature, mm.

        feature  plain mapping with `kind`, `along` (x, s, h), `between`, `jaws` (two nominal
                 contact points in the piece's coordinates), as agent.model.feature has them;
                 `slicing_angle_deg` where the piece was sliced at another angle than
                 `self.slicing_angle_deg`
        piece    name given by an `M117 NAME` line or `name_job`, the newest of that name, or
                 `NAME:2` the second one; with a name never given the newest piece is measured
                 that has such faces
        repeats  how often the caliper is put on anew

        `travel` reads the length gauges beside the axes: the last moves made that together were
        commanded like this one, or else a move made for it.  `gap` compares the nozzle's height
        at both ends of an across move.

        Raises BadInput for an unknown kind or missing jaws, Refused where the piece on the belt
        has no such faces.
        """
        with self.controller.lock:
            self.controller.finish_moves()
            seen = self._seen(feature, piece)
        if seen.grip.kind == "travel":
            return self.caliper.read_gauge(seen.size, repeats)
        sizes = []
        for _ in range(repeats):
            warmth = self._warmth(seen)
            sizes.append(seen.size * (1 + warmth))
            self.minutes += VALUE_MINUTES
        return self.caliper.read_each(sizes, seen.grip)

    def _warmth(self, seen: Seen) -> float:
        """Relative growth of the piece in hand, which cools from when it was taken up."""
        if seen.job is None:
            return 0.0
        if seen.job.taken_up is None:
            seen.job.taken_up = self.minutes
        return self.plastic.warmth(self.minutes - seen.job.taken_up)

    def wait(self, minutes: float) -> None:
        """Let pieces that lie there cool for so long."""
        with self.controller.lock:
            self.controller.finish_moves()
            for job in self.bed.laid_jobs:
                if job.taken_up is None:
                    job.taken_up = self.minutes
        self.minutes += minutes

    def _jobs(self, piece: str) -> list[Job]:
        """Where to look for a piece: the job of that name, or all jobs, newest first."""
        laid = self.bed.laid_jobs
        name, _, number = piece.partition(":")
        named = [job for job in laid if name and job.label == name]
        if not named:
            return laid[::-1]
        if not number:
            return named[-1:]
        if not number.isdigit() or not 1 <= int(number) <= len(named):
            raise BadInput(f"piece {piece!r}: {len(named)} of that name have been laid")
        return [named[int(number) - 1]]

    def _commands(self, along: Sequence[float]) -> Vector:
        """Axis moves (across, gantry, belt) that the nominal vector is commanded as, mm."""
        angle = math.radians(self.slicing_angle_deg)
        x, s, h = along
        return (x, h / math.sin(angle), s - h * math.cos(angle) / math.sin(angle))

    def _travel(self, feature: Mapping[str, Any]) -> float:
        wanted = self._commands(feature["along"])
        before, after = self._moves_made(wanted) or self._trial_move(wanted)
        return float(np.linalg.norm(self._place(after) - self._place(before)))

    def _place(self, travel: Vector) -> Array:
        """Where true travels lead without plastic, x, s, h in mm."""
        return self.bends.places(self.plant.frame, np.array(travel))

    def _moves_made(self, wanted: Vector) -> tuple[Vector, Vector] | None:
        """True travel at both ends of the newest moves in a row that add up to `wanted`."""
        trips = list(self.bed.trips)
        for last in range(len(trips) - 1, -1, -1):
            total = (0.0, 0.0, 0.0)
            for first in range(last, -1, -1):
                if first < last and trips[first].after != trips[first + 1].before:
                    break  # beads lie between
                c = trips[first].commanded
                total = (total[0] + c[0], total[1] + c[1], total[2] + c[2])
                if all(abs(a - b) <= _SAME_MOVE for a, b in zip(total, wanted, strict=True)):
                    return trips[first].before, trips[last].after
        return None

    def measure_feeds(self, count: int, *, hot: bool) -> list[float]:
        """The last `count` feeds of filament as read off a rule, mm, oldest first.

        `hot`: pushed through the nozzle, where the drive slips; else running out free.
        Raises Refused where fewer have been made.
        """
        with self.controller.lock:
            self.controller.finish_moves()
            made = list(self.bed.feeds)[-count:] if count else []
        if len(made) < count:
            raise Refused(
                f"{len(made)} feeds have been made, not {count}", remedy="Feed filament first."
            )
        share = 1 - self.plant.feed_slip if hot else 1.0
        return [self.caliper.read_rule(feed * share) for feed in made]

    def _trial_move(self, commanded: Vector) -> tuple[Vector, Vector]:
        """Make a move on a twin of the plant, after a run-up from the same side."""
        twin = self.plant.twin()
        size = math.hypot(*commanded) or 1.0
        twin.move(self._steps(tuple(-2 * c / size for c in commanded)))
        before = twin.move(self._steps(tuple(2 * c / size for c in commanded)))
        return before, twin.move(self._steps(commanded))

    def _steps(self, commanded: Sequence[float]) -> tuple[int, int, int]:
        live = self.controller.live
        across, gantry, belt = (
            round(mm * live[f"steps_per_mm.{self.axes.letter(role)}"])
            for role, mm in zip(ROLES, commanded, strict=True)
        )
        return across, gantry, belt

    def _gap(self, feature: Mapping[str, Any]) -> float:
        before, after = self._trial_move(self._commands(feature["along"]))
        return float(self._place(after)[2] - self._place(before)[2])


def build(
    profile: Mapping[str, Any],
    *,
    seed: int | None,
    family: str = "replay",
    truth: Truth | None = None,
    faults: Sequence[str] = (),
    options: Options | None = None,
    bench: Bench | None = None,
) -> SimulatedMachine:
    """A machine as a profile describes it.

    profile  plain data of a profile file (format plumbelt-profile/1)
    seed     None: a true machine with perfect instruments; else one drawn as `sim.truth.draw`
             says, the same for the same number
    truth    own errors instead of drawn ones
    faults   texts as `sim.faults` reads them
    options  how the board is built
    bench    what the bench does to machine, plastic, instrument and hand; None: nothing

    Raises BadInput for a family that is not known and for faults that cannot be.
    """
    if family not in FAMILIES:
        raise BadInput(f"no family {family!r}; known are {', '.join(FAMILIES)}")
    if truth is None:
        truth = Truth() if seed is None else draw(profile, seed)
    bench = bench or Bench()
    truth = _on_bench(truth, bench)
    axes = Axes(**profile.get("axes", {}))
    live = live_settings(profile, axes)
    by_role: dict[Role, float] = {role: live[f"steps_per_mm.{axes.letter(role)}"] for role in ROLES}
    plant = build_plant(profile, truth, by_role, seed or 0)
    material = profile.get("material", {})
    plant.filament_area = math.pi * float(material.get("filament_mm", 1.75)) ** 2 / 4
    plant.filament_mm_per_step = (1 + truth.extruder_scale) / live["steps_per_mm.e0"]
    plant.feed_slip = truth.feed_slip
    bed = Bed(bench)
    options = options or Options(name=_name(profile))
    motion = Motion(plant, bed, axes, options.queue_length)
    controller = FAMILIES[family](
        motion,
        live,
        defaults={**live, **{key: FACTORY[key] for key in FACTORY if key in live}},
        other=profile.get("other", ()),
        options=options,
    )
    apply_faults(controller, parse_faults(faults), seed or 0)
    mechanics = profile.get("mechanics", {})
    resolution = 0.0 if seed is None else profile.get("instrument", {}).get("resolution_mm", 0.01)
    return SimulatedMachine(
        controller=controller,
        plant=plant,
        caliper=Caliper(truth, float(resolution), seed, bench),
        bed=bed,
        truth_drawn=truth,
        axes=axes,
        slicing_angle_deg=float(mechanics.get("gantry_angle_deg", 45.0)),
        planned_height=float(profile.get("bead", {}).get("height_mm", 0.25)),
        plastic=Plastic.of(truth, bench),
        bends=Bends.drawn(bench, profile),
    )


def _on_bench(truth: Truth, bench: Bench) -> Truth:
    """A machine with the play and the eccentric roller that its bench has."""
    play, wave = bench.size("lost_motion"), bench.size("roller_wave")
    if play:
        truth = replace(truth, reversal_mm=dict.fromkeys(ROLES, play))
    if wave:
        phase = math.degrees(bench.phase("roller_wave"))
        truth = replace(truth, eccentricity_mm=wave, eccentricity_phase_deg=phase)
    return truth


def _name(profile: Mapping[str, Any]) -> str:
    """The name a twin goes by: the one the machine itself gave when its profile was saved."""
    given = re.search(r"MACHINE_TYPE:(\S+)", str(profile.get("identity", "")))
    return given[1] if given else str(profile.get("name", "bench"))


def live_settings(profile: Mapping[str, Any], axes: Axes) -> dict[str, float]:
    """Settings of a profile as plain numbers; steps that it lacks follow from its mechanics."""
    live: dict[str, float] = {}
    for key, entry in profile.get("settings", {}).items():
        value = entry.get("written", entry.get("value")) if isinstance(entry, Mapping) else entry
        live[key] = float(value)
    drives = profile.get("mechanics", {}).get("drives", {})
    for role in ROLES:
        key = f"steps_per_mm.{axes.letter(role)}"
        if key not in live:
            drive = drives.get(role, {"lead_mm": 40.0})
            live[key] = steps_per_turn(drive) / nominal_mm_per_turn(drive)
    live.setdefault("steps_per_mm.e0", 400.0)
    return live
