"""Advice on runs over marks: slip, reversal, run-out, joint, trend."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from agent.estimate.advice.findings import Findings
from agent.estimate.belt_run import Period
from agent.estimate.solution import Advice
from agent.model.roles import Role

_PLAY: Final[dict[Role, str]] = {
    "across": "belt tension, a loose pulley or carriage, not a setting",
    "gantry": "play of its nut or screw, belt tension or a loose pulley, not a setting",
    "belt": "belt tension or pulley, not a setting. Approach marks from the feed direction",
}
_GROWS: Final[dict[Role, str]] = {
    "across": "warming, a bent rail or gauge",
    "gantry": "warming, sag, a bent screw or gauge",
    "belt": "slip, warming or a walking belt",
}


def belt_runs(f: Findings) -> Iterator[Advice]:
    """What the runs over marks mean at the bench."""
    found = f.belt
    if found is None:
        return
    if found.slips and found.slip:
        yield Advice(
            "slip",
            f"Under load the belt falls {100 * found.slip.difference:.2f} % short of the empty run "
            f"and scatters {found.slip.scatter_ratio:.1f} times as much: it slips. Mend the "
            "traction (tension, clean roller, drag) first; no belt steps are proposed.",
        )
    for axis, reversal in found.reversals.items():
        if abs(reversal.mean) > 2 * reversal.u:
            even = "the same everywhere" if reversal.constant else "not the same everywhere"
            yield Advice(
                "reversal",
                f"Lost motion of {abs(reversal.mean):.3f} mm (± {2 * reversal.u:.3f}) of the "
                f"{axis} axis between the two ways, {even}: {_PLAY[axis]}.",
            )
    for axis, run in zip(found.axes, found.runs, strict=True):
        for wave in run.waves:
            if wave.significant:
                yield _wave_advice(wave.period, wave.amplitude, wave.u, found.best_lengths)
        if run.trend_is_significant:
            yield Advice(
                "trend",
                f"The error of the {axis} axis grows along the run ({run.trend:+z.2f} mm at its "
                f"end beyond a straight line): {_GROWS[axis]}. A longer run tells which.",
            )


def _wave_advice(period: Period, amplitude: float, u: float, best: tuple[float, ...]) -> Advice:
    size = f"{amplitude:.2f} mm (± {2 * u:.2f})"
    if period.name == "loop":
        return Advice(
            "belt_joint",
            f"The error repeats once per belt loop, amplitude {size}: the joint or an uneven belt. "
            "Keep test pieces off the joint.",
        )
    lengths = ", ".join(f"{length:.1f}" for length in best[:3])
    better = f" Test lengths of whole turns do not see it: {lengths} mm." if lengths else ""
    return Advice(
        "run_out",
        f"The roller is out of round by an amplitude of {size} at {period.mm:.1f} mm per turn: a "
        f"matter of mechanics, not of steps.{better}",
    )
