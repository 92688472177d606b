"""Moves as a controller plans them: whole steps, speed caps, a queue of limited length.

A move takes its place in the queue at once and happens later, when those before it are done.
Only then do the motors turn; a queue thrown away leaves them where they are.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping

from agent.model.roles import ROLES, Axes
from sim.beads import Bed, Job, Trip
from sim.plant import Plant, Vector

#: end, steps of across, gantry, belt, E steps, commanded start and end, job.
_Queued = tuple[float, int, int, int, int, Vector, Vector, Job]


class Motion:
    """Coordinates, queue and motors of one controller; letters are upper case here."""

    def __init__(self, plant: Plant, bed: Bed, axes: Axes, queue_length: int = 16) -> None:
        self.plant = plant
        self.bed = bed
        self.queue_length = queue_length
        self.letters = [axes.letter(role).upper() for role in ROLES]
        self.signs = [axes.sign(role) for role in ROLES]
        self.index = {letter: i for i, letter in enumerate(self.letters)} | {"E": 3}
        self.steps_per_mm = [1.0] * 4
        self.max_speed = [math.inf] * 4  #: mm/s
        self.acceleration = 1000.0  #: mm/s2
        self.reset()

    def reset(self) -> None:
        """What a restart forgets: coordinates, modes and the queue; the motors stay put."""
        self.position = [0.0] * 4  #: commanded, in the controller's letters
        self.shift = [0.0] * 4  #: from commanded to the coordinates the steps count from
        self.count = [0] * 4  #: steps
        self.absolute = True
        self.absolute_e = True
        self.unit = 1.0  #: mm per commanded unit
        self.feed = 25.0  #: mm/s
        self.feed_factor = 1.0
        self.flow_factor = 1.0
        self.queue: deque[_Queued] = deque()
        self._last_end = 0.0

    def use(self, settings: Mapping[str, float]) -> None:
        """Take over steps, speed caps and acceleration from live settings (mm, s)."""
        for letter, i in self.index.items():
            name = "e0" if i == 3 else letter.lower()
            new = settings.get(f"steps_per_mm.{name}", 1.0)
            if new != self.steps_per_mm[i]:
                # the remembered millimetres stay true, the step counter is set anew
                self.steps_per_mm[i] = new
                self.count[i] = round((self.position[i] + self.shift[i]) * new)
            self.max_speed[i] = settings.get(f"max_speed.{name}", math.inf)
        self.acceleration = settings.get("acceleration.print", self.acceleration)

    def full_until(self, now: float) -> float | None:
        """Instant at which the full queue gets room again; None if it has room now."""
        self.settle(now)
        return self.queue[0][0] if len(self.queue) >= self.queue_length else None

    @property
    def idle_at(self) -> float:
        """Instant at which the last queued move ends (0 if none waits)."""
        return self._last_end if self.queue else 0.0

    @property
    def free_slots(self) -> int:
        return max(0, self.queue_length - 1 - len(self.queue))

    def settle(self, now: float) -> None:
        """Carry out the moves that have ended by `now`."""
        queue = self.queue
        while queue and queue[0][0] <= now:
            _, across, gantry, belt, e, start, end, job = queue.popleft()
            plant = self.plant
            plant.belt.stretch = job.stretch
            before = plant.travel
            after = plant.move((across, gantry, belt))
            if e and not (across or gantry or belt):
                self.bed.feeds.append(e * plant.filament_mm_per_step)
            elif e <= 0:
                trip = (end[0] - start[0], end[1] - start[1], end[2] - start[2])
                self.bed.trips.append(Trip(trip, before, after))
            elif after != before:
                volume = (
                    e * plant.filament_mm_per_step * plant.filament_area * (1 - plant.feed_slip)
                )
                job.rows.append((start, end, before, after, volume))

    def drop_queue(self, now: float) -> None:
        """Throw away what has not been done yet; coordinates are then untrue."""
        self.settle(now)
        self.queue.clear()

    def move(self, words: Mapping[str, float], now: float, *, cold: bool = False) -> bool:
        """Queue one straight move; returns False where the cold nozzle kept the filament back."""
        position, index = self.position, self.index
        start = (position[0], position[1], position[2])
        before_e = position[3]
        for letter, value in words.items():
            i = index.get(letter)
            if i is None:
                if letter == "F" and value > 0:
                    self.feed = value * self.unit / 60
                continue
            value *= self.unit
            absolute = self.absolute_e if i == 3 else self.absolute
            position[i] = value if absolute else position[i] + value
        shift, spm, count = self.shift, self.steps_per_mm, self.count
        steps = [0, 0, 0, 0]
        for i in (0, 1, 2, 3):
            target = round((position[i] + shift[i]) * spm[i])
            steps[i] = target - count[i]
            count[i] = target
        warm = True
        if cold and steps[3]:
            steps[3], warm = 0, False
        if not (steps[0] or steps[1] or steps[2] or steps[3]):
            return warm
        moved = [position[0] - start[0], position[1] - start[1], position[2] - start[2]]
        length = math.sqrt(moved[0] ** 2 + moved[1] ** 2 + moved[2] ** 2)
        by_e = abs(position[3] - before_e)
        seconds = (length or by_e) / (self.feed * self.feed_factor)
        caps = self.max_speed
        for i in (0, 1, 2):
            seconds = max(seconds, abs(moved[i]) / caps[i])
        seconds = max(seconds, by_e / caps[3])
        if not self.queue:  # from standstill: the ramp costs half of v/a at each end
            self._last_end = now
            seconds += (length or by_e) / seconds / self.acceleration if seconds else 0.0
        self._last_end += seconds
        signs = self.signs
        self.queue.append(
            (
                self._last_end,
                steps[0] * signs[0],
                steps[1] * signs[1],
                steps[2] * signs[2],
                round(steps[3] * self.flow_factor) if self.flow_factor != 1 else steps[3],
                (start[0] * signs[0], start[1] * signs[1], start[2] * signs[2]),
                (position[0] * signs[0], position[1] * signs[1], position[2] * signs[2]),
                self.bed.jobs[-1],
            )
        )
        return warm

    def set_position(self, words: Mapping[str, float]) -> None:
        """Give the present place new coordinates; a belt coordinate starts a new job."""
        named = [letter for letter in words if letter in self.index]
        for letter in named or list(self.index):
            i = self.index[letter]
            value = words.get(letter, 0.0) * self.unit
            self.shift[i] += self.position[i] - value
            self.position[i] = value
        if not named or self.letters[2] in named:
            self.bed.new_job()

    def home(self, words: Mapping[str, float], now: float) -> float:
        """Home the named axes (all if none); returns the instant it is done.

        Across and gantry run back to where they were switched on; the belt has no end and is
        set to zero where it stands.
        """
        self.settle(math.inf)
        named = [i for letter, i in self.index.items() if i < 3 and letter in words]
        seconds = 1.0
        for i in named or [0, 1, 2]:
            if i < 2:
                axis = (self.plant.across, self.plant.gantry)[i]
                seconds += abs(axis.travel) / 30
                axis.move(-axis.microsteps)
            else:
                self.bed.new_job()
            self.position[i] = self.shift[i] = 0.0
            self.count[i] = 0
        return max(now, self._last_end) + seconds
