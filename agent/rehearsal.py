"""The bench for rehearsals: a simulated machine, its wire, and what caliper and gauge read there.

The only module of the product that imports the simulator.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from agent.model.feature import Feature
from agent.store.home import ready_profiles

if TYPE_CHECKING:
    from agent.wire.transport import Transport
    from sim.bench import Bench
    from sim.instrument import PocketCaliper
    from sim.machine import SimulatedMachine
    from sim.serve import Server

#: The invented machine that is rehearsed on where nothing else is asked for.
INVENTED = "heron"


def plain_profile(path: Path | None = None) -> dict[str, Any]:
    """Plain data of a profile file for the simulator; the invented machine's without a path.

    Raises BadInput, with every mistake, for a file that is no profile.
    """
    import yaml

    from agent.store.profiles import load_profile

    path = path or ready_profiles() / f"{INVENTED}.yaml"
    load_profile(path)  # names all mistakes with line and key; the simulator would not
    data: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return data


@dataclass
class Rehearsal:
    """A simulated machine on the bench."""

    machine: SimulatedMachine
    server: Server
    seed: int | None = None
    pocket: PocketCaliper | None = None  #: a caliper with a button and a cable, once asked for
    _seat: tuple[Feature, str] | None = None  #: feature and piece that it was put on last

    def instrument(self, form: str) -> PocketCaliper:
        """The rehearsal's own instrument on a serial port, from the first time it is asked for."""
        from sim.instrument import PocketCaliper

        if self.pocket is None or self.pocket.unplugged:
            self.pocket = PocketCaliper(form=form)
        return self.pocket

    def serve_instrument(self, listen: str, form: str, faults: Sequence[str]) -> str:
        """Serve a caliper with a button; returns its address.  Raises BadInput for what is not."""
        from sim.instrument import PocketCaliper, line_faults

        self.pocket = PocketCaliper(listen, form=form, faults=line_faults(faults))
        return self.pocket.address

    def pocket_press(self, shown: float | None) -> None:
        """Press that instrument's button; `shown`: what it is closed to first, mm."""
        if self.pocket is not None:
            self.pocket.press(shown)

    def press(self) -> None:
        """Put that instrument on the feature measured last, and press its button."""
        if self.pocket is not None and self._seat is not None:
            feature, piece = self._seat
            self.pocket.press(self._values(feature, piece, 1)[0])

    @property
    def address(self) -> str:
        """What to attach to."""
        return self.server.address

    def open(self) -> Transport:
        """A transport to the machine, as `attach` wants it."""
        from agent.wire.port import open_port

        return open_port(self.address)

    def power_cycle(self) -> None:
        """Switch the machine off and on: what was not stored is gone."""
        with self.server.lock:
            controller = self.machine.controller
            controller.power_on(controller.now)

    @property
    def received(self) -> tuple[str, ...]:
        """Every command line the controller accepted, framing removed, in order."""
        return tuple(self.machine.received)

    def laid(self, name: str) -> None:
        """Mark the newest piece on the belt with the name the session gave it."""
        self.machine.bed.laid_jobs[-1].label = name

    def measure(self, feature: Feature, piece: str, repeats: int) -> tuple[float, ...]:
        """What the simulated caliper or gauge reads, mm."""
        self._seat = (feature, piece)
        return self._values(feature, piece, repeats)

    def _values(self, feature: Feature, piece: str, repeats: int) -> tuple[float, ...]:
        plain: dict[str, Any] = {
            "kind": feature.kind,
            "along": feature.along,
            "between": feature.between,
            "jaws": feature.jaws,
            "side": feature.side,
        }
        return tuple(self.machine.measure(plain, piece, repeats))

    def wait(self, minutes: float) -> None:
        """Let the pieces on the bench cool for so long."""
        self.machine.wait(minutes)

    def scan(self, piece: str, path: Path, dpi: float) -> None:
        """Put a laid flat piece on the simulated scanner's glass; the scan goes to `path`.

        Raises Refused for a piece that was not laid or does not lie flat.
        """
        from sim.scanner import scan_to_file

        scan_to_file(self.machine, piece, path, dpi, self.seed or 0)

    def measure_feeds(self, count: int, *, hot: bool) -> tuple[float, ...]:
        """How far the last `count` feeds of filament went, off a simulated rule, mm."""
        return tuple(self.machine.measure_feeds(count, hot=hot))

    def truth(self) -> Mapping[str, float]:
        """True errors that remain with the live settings; `gantry_angle_deg` is the true angle."""
        return self.machine.truth()

    def slice_at(self, gantry_angle_deg: float) -> None:
        """Pieces from now on are sliced with this angle."""
        self.machine.slicing_angle_deg = gantry_angle_deg

    def edit_file(self, values: Mapping[str, float]) -> None:
        """Put settings into the controller's own file, as a technician does with an editor."""
        with self.server.lock:
            edit = getattr(self.machine.controller, "edit", None)
            for key, value in values.items():
                if edit is not None:
                    edit(key, value)

    def close(self) -> None:
        if self.pocket is not None:
            self.pocket.close()
        self.server.close()


def behind_a_terminal(
    profile: Mapping[str, Any] | None = None,
    *,
    seed: int | None = None,
    family: str = "replay",
    faults: Sequence[str] = (),
    listen: str | None = None,
    speed: float = 0.0,
    bench: Bench | None = None,
) -> Rehearsal:
    """A machine behind a real pseudo-terminal, served by a thread of this process.

    `listen` None: a TCP port where the system has no pseudo-terminals.  `speed` is how many of its
    seconds pass in one of ours; 0: nobody is kept waiting.
    """
    from sim.endings import USUAL_ENDING
    from sim.machine import build
    from sim.serve import serve

    machine = build(
        profile or plain_profile(), seed=seed, family=family, faults=faults, bench=bench
    )
    server = serve(machine, listen or USUAL_ENDING, speed=speed)
    return Rehearsal(machine, server, seed)


def bench_of(kind: str, effects: Sequence[str] = (), seed: int | None = None) -> Bench:
    """What a bench of this kind does, `effects` as texts on top, for the machine of `seed`.

    Raises BadInput for an unknown kind, and with every text that is no effect.
    """
    from sim.bench import bench_of

    return bench_of(kind, effects, seed)


def describe_effects() -> str:
    """All effects of a bench with their sizes, as lines of a help page."""
    from sim.bench import describe_effects

    return describe_effects()


def describe_faults() -> str:
    """All faults that can be asked for, as lines of a help page."""
    from sim.faults import describe_faults

    return describe_faults()
