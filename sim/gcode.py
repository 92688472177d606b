"""The words for moving and heating that most controllers share.

Letters and numbers are those of the open standard for numerical control (NIST RS274/NGC) and the
M-codes in general use for heaters, fans and reports.
"""

from __future__ import annotations

from sim.controller import ANSWERED, Controller, Hold

#: A nozzle colder than this keeps the filament back, degrees C.  Common practice.
COLD = 170.0


class MovingController(Controller):
    """Moves, coordinates and units."""

    heats = True  #: has a nozzle that must be hot to lay anything

    def on_G0(self, words: dict[str, float]) -> Hold | None:
        motion = self.motion
        if len(motion.queue) >= motion.queue_length:
            full = motion.full_until(self.now)
            if full is not None:
                return self.hold(full, lambda: self._move_late(words))
        if not motion.move(words, self.now, cold=self.heats and self.hotend.at(self.now) < COLD):
            self.cold_nozzle()
        return None

    on_G1 = on_G0  # noqa: N815

    def _move_late(self, words: dict[str, float]) -> Hold | None:
        hold = self.on_G0(words)
        if hold is None:
            self.ack()
        return hold

    def cold_nozzle(self) -> None:
        self.say("echo:nozzle too cold, filament not moved")

    def on_G4(self, words: dict[str, float]) -> Hold | None:
        pause = words.get("P", 0.0) / 1000 if "P" in words else words.get("S", 0.0)
        return self.hold(max(self.motion.idle_at, self.now) + pause)

    def on_G20(self, words: dict[str, float]) -> None:
        self.motion.unit = 25.4

    def on_G21(self, words: dict[str, float]) -> None:
        self.motion.unit = 1.0

    def on_G28(self, words: dict[str, float]) -> Hold | None:
        return self.hold(self.motion.home(words, self.now))

    def on_G90(self, words: dict[str, float]) -> None:
        self.motion.absolute = self.motion.absolute_e = True

    def on_G91(self, words: dict[str, float]) -> None:
        self.motion.absolute = self.motion.absolute_e = False

    def on_G92(self, words: dict[str, float]) -> None:
        self.motion.set_position(words)


class PrinterController(MovingController):
    """Heaters, fan, reports, and the extruder's words."""

    def on_M17(self, words: dict[str, float]) -> None:
        return

    def on_M18(self, words: dict[str, float]) -> Hold | None:
        return self.hold(self.motion.idle_at)

    on_M84 = on_M18  # noqa: N815

    def on_M82(self, words: dict[str, float]) -> None:
        self.motion.absolute_e = True

    def on_M83(self, words: dict[str, float]) -> None:
        self.motion.absolute_e = False

    def on_M104(self, words: dict[str, float]) -> None:
        self.hotend.set(words.get("S", 0.0), self.now)

    def on_M105(self, words: dict[str, float]) -> Hold | None:
        self.ack(self.temperatures())
        return ANSWERED

    def on_M106(self, words: dict[str, float]) -> None:
        """Fans turn nothing that is simulated."""

    on_M107 = on_M106  # noqa: N815

    def on_M109(self, words: dict[str, float]) -> Hold | None:
        self.hotend.set(words.get("S", words.get("R", 0.0)), self.now)
        return self.hold(self.hotend.reached(self.now), report=True)

    def on_M110(self, words: dict[str, float]) -> None:
        self._last_line = int(words.get("N", self._last_line))

    def on_M113(self, words: dict[str, float]) -> None:
        self.busy_seconds = max(0.0, words.get("S", self.busy_seconds))

    def on_M114(self, words: dict[str, float]) -> None:
        motion = self.motion
        order = sorted(motion.index.items(), key=lambda item: (item[1] == 3, item[0]))
        place = " ".join(f"{letter}:{motion.position[i]:.2f}" for letter, i in order)
        steps = " ".join(f"{letter}:{motion.count[i]}" for letter, i in order if i < 3)
        self.say(f"{place} Count {steps}")

    def on_M117(self, words: dict[str, float]) -> None:
        """The text for the display names the job that is being laid."""
        self.motion.bed.name_job(self.line[4:].strip())

    def on_M140(self, words: dict[str, float]) -> None:
        self.bed.set(words.get("S", 0.0), self.now)

    def on_M155(self, words: dict[str, float]) -> None:
        self._report_every = max(0.0, words.get("S", 0.0))
        self._next_report = self.now + self._report_every

    def on_M190(self, words: dict[str, float]) -> Hold | None:
        self.bed.set(words.get("S", words.get("R", 0.0)), self.now)
        return self.hold(self.bed.reached(self.now), report=True)

    def on_M220(self, words: dict[str, float]) -> None:
        self.motion.feed_factor = max(0.1, words.get("S", 100.0) / 100)

    def on_M221(self, words: dict[str, float]) -> None:
        self.motion.flow_factor = max(0.0, words.get("S", 100.0) / 100)

    def on_M400(self, words: dict[str, float]) -> Hold | None:
        return self.hold(self.motion.idle_at)
