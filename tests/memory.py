"""A port without a port: the controller in the same process, on a clock that jumps.

Waiting costs nothing: the clock goes straight to the next thing that happens, so an hour of
laying takes seconds and every timeout is exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import nullcontext
from types import SimpleNamespace
from typing import Any

from agent.errors import LinkFailed
from agent.rehearsal import Rehearsal, plain_profile
from sim.bench import Bench
from sim.cable import Cable
from sim.controller import Controller
from sim.machine import SimulatedMachine, build


class MemoryTransport:
    """Byte pipe with a virtual clock, as `agent.wire.transport` wants it."""

    def __init__(
        self,
        controller: Controller,
        *,
        baud: int | None = 115200,
        name: str = "memory://",
    ) -> None:
        self.name = name
        self.cable = Cable(controller, baud=baud)
        self._now = controller.now
        self._open = True
        self.cable.open(self._now)

    def now(self) -> float:
        return self._now

    def write(self, data: bytes) -> None:
        self._check()
        self._now += len(data) * self.cable.seconds_per_byte
        self.cable.write(data, self._now)

    def read(self, until: float) -> bytes:
        self._check(unplugged=False)
        cable = self.cable
        while True:
            instant = cable.next_instant()
            self._now = max(self._now, until if instant is None else min(until, instant))
            data = cable.read(self._now)
            if data:
                return data
            self._check()
            if self._now >= until:
                return b""

    def close(self) -> None:
        self._open = False

    def _check(self, *, unplugged: bool = True) -> None:
        """Raise LinkFailed where the port is closed or, if that matters, the cable is out."""
        if not self._open:
            raise LinkFailed(f"{self.name} is closed", remedy="Attach again.")
        if unplugged and self.cable.unplugged:
            raise LinkFailed(f"{self.name} has gone", remedy="Put the cable in and attach again.")


class InMemory(Rehearsal):
    """A rehearsal in this process: no port, no thread, and a clock that jumps."""

    def __init__(self, machine: SimulatedMachine, seed: int | None = None) -> None:
        nobody = SimpleNamespace(address="memory://", lock=nullcontext(), close=lambda: None)
        super().__init__(machine, nobody, seed)  # type: ignore[arg-type]

    def open(self) -> MemoryTransport:
        return MemoryTransport(self.machine.controller, name=self.address)


def in_memory(
    profile: Mapping[str, Any] | None = None,
    *,
    seed: int | None = None,
    family: str = "replay",
    faults: Sequence[str] = (),
    bench: Bench | None = None,
) -> Rehearsal:
    """A machine in this process on a clock that jumps: an hour of laying takes a second."""
    plain = profile or plain_profile()
    return InMemory(build(plain, seed=seed, family=family, faults=faults, bench=bench), seed)
