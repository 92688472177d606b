"""What the verbs ask of a record: the parts put together, each from the newest of what there is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from agent.workshop.asking import Asked
from agent.workshop.capability import Capability, capability
from agent.workshop.comparison import Fit, Verdict, fit, standing_out
from agent.workshop.fleet import ANGLES, SCALES, Machine
from agent.workshop.series import Charted, Lately, alike, charts, lives


def drift(asked: Asked, machine: str | None = None) -> Iterator[Charted]:
    """Every chart of every machine, or of one; one machine at a time is held."""
    for life in lives(asked, machine):
        yield from charts(life)


def compared(found: Sequence[Lately]) -> tuple[dict[str, Fit], list[Verdict]]:
    """Fits of each error over machines of the same parts, by batch; what stands out.

    Groups of other parts are fits of their own, named `error (2)` and so on.
    """
    batch = {one.machine: one.batch for one in found}
    fits: dict[str, Fit] = {}
    for error in (*SCALES, *ANGLES):
        for number, values in enumerate(alike(found, error), 1):
            made = fit(values, batch)
            if made is not None:
                fits[error if number == 1 else f"{error} ({number})"] = made
    return fits, list(standing_out(fits))


def capabilities(found: Sequence[Machine]) -> tuple[tuple[str, Capability], ...]:
    """Capability of each error as left, in shares of each machine's own tolerance."""
    made = []
    for error in (*SCALES, *ANGLES):
        shares = [
            m.left[error].value / m.left[error].limit
            for m in found
            if error in m.left and m.measured_since
        ]
        one = capability(shares, -1.0, 1.0)
        if one is not None:
            made.append((error, one))
    return tuple(made)
