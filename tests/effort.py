"""What a tune costs the technician, and what it brings, on many simulated machines.

python -m tests.effort --machines 40 --json

Three ways on the same machines of one bench, each through the shipped verbs as a shell would call
them:

    guided    whatever `next` says, line by line, to its end
    practice  one 20 mm part, measured once along each axis: new = old x nominal / measured
    survey    one move of each axis, then strip, post and block, every feature three times

A machine is inside where every scale and the angle are within the tolerance, truly, as only the
simulator knows.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from functools import partial
from statistics import fmean, median
from typing import Any, Final

from agent.face.desk import Desk
from agent.face.guide import step_now
from agent.face.shell import run_line
from agent.model.feature import Feature
from agent.model.profile import Tolerance
from agent.model.roles import WANTED
from agent.pieces import PIECES, summary
from agent.rehearsal import bench_of
from agent.work.session import Session
from tests.face.bench import TO_A_PLAN, desk_at, digest_in, lay
from tests.memory import in_memory

SCALES: Final = WANTED[:3]

#: Steps of the guide after which a tune is called endless.
MOST_STEPS: Final = 60

#: Side of the part that the usual practice measures, mm.
PART_MM: Final = 20.0

SURVEY: Final = (*TO_A_PLAN, "write")


@dataclass(frozen=True, slots=True)
class Effort:
    """One machine tuned one way; of the guided way also what the proof round took."""

    way: str
    seed: int
    features: int  #: of the first round: features and moves read
    values: int  #: typed in it
    inputs: int  #: lines and answers, each ended by Enter, to the very end
    pieces: int  #: laid in the first round
    minutes: float  #: of laying in the first round
    proof_values: int
    proof_minutes: float
    scale: float  #: largest error left after one round, relative
    angle_deg: float
    inside: bool
    done: bool  #: it came to its end: proved, or nothing to be changed
    said: str = ""  #: the guide's last words


def at(seed: int, bench: str, tolerance: Tolerance) -> Desk:
    """A desk at one machine of the bench, with a technician who agrees to everything."""

    def retyped(question: str) -> str:
        """A large new value, read off the table and typed again."""
        plan = desk.session.bench.plan
        wanted = {} if plan is None else plan.wanted
        return next((f"{value:.12g}" for key, value in wanted.items() if key in question), "")

    answers = {"To write": digest_in, "To store": digest_in, "the new value of": retyped}
    desk = desk_at(answers={**answers, "'all' takes": ""})  # each feature is an input of its own
    desk.rehearsal = in_memory(seed=seed, bench=bench_of(bench, (), seed))
    desk.session.contact.use(replace(desk.session.profile, tolerance=tolerance))
    return desk


def left_of(desk: Desk) -> dict[str, float]:
    """True errors with the live settings and the slicing angle in use."""
    assert desk.rehearsal is not None
    truth, angle = desk.rehearsal.truth(), desk.session.profile.mechanics.angle_deg
    return {n: truth[n] - (angle if n == "gantry_angle_deg" else 0.0) for n in WANTED}


def counted(desk: Desk, lines: Iterable[str]) -> tuple[int, bool]:
    """Inputs of the lines, each an Enter, with the answers to their questions; all went well?"""
    before = len(_asked(desk))
    count, well = 0, True
    for line in lines:
        count += 1
        well = run_line(desk, line) == 0 and well
    return count + len(_asked(desk)) - before, well


def _asked(desk: Desk) -> list[str]:
    asked: list[str] = desk.screen._ask.asked  # type: ignore[attr-defined]
    return asked


def guided_lines(desk: Desk) -> Iterator[str]:
    """What the guide says, until it says that it is done."""
    for _ in range(MOST_STEPS):
        step = step_now(desk)
        if step.done:
            return
        yield step.line


def guided(seed: int, bench: str, tolerance: Tolerance) -> Effort:
    desk = at(seed, bench, tolerance)
    inputs, well = counted(desk, guided_lines(desk))
    step = step_now(desk)
    return _effort("guided", seed, desk, inputs, tolerance, well and step.done, step.why)


def surveyed(seed: int, bench: str, tolerance: Tolerance) -> Effort:
    desk = at(seed, bench, tolerance)
    inputs, _ = counted(desk, SURVEY)
    return _effort("survey", seed, desk, inputs, tolerance, done=True)


def practised(seed: int, bench: str, tolerance: Tolerance) -> Effort:
    """One part, its three sides read once, and the ratio of each as the new steps."""
    desk = at(seed, bench, tolerance)
    session, rehearsal = desk.session, desk.rehearsal
    assert rehearsal is not None
    counted(desk, ["attach"])
    before = left_of(desk)
    part = PIECES["stem"](session.profile, height=PART_MM, width=PART_MM, depth=PART_MM)
    with contextlib.redirect_stdout(io.StringIO()):
        laid = lay(session, part)
    rehearsal.laid(laid.name)
    rehearsal.wait(60.0)
    left = dict(before)
    for name, feature in _sides(part.features[-1]).items():
        read = rehearsal.measure(feature, laid.name, 1)[0]
        left[name] = (1 + before[name]) * PART_MM / read - 1
    scale = max(abs(left[n]) for n in SCALES)
    angle = abs(left["gantry_angle_deg"])
    minutes = summary(part, session.profile).seconds / 60
    inside = scale <= tolerance.scale_percent / 100 and angle <= tolerance.angle_deg
    return Effort("practice", seed, 3, 3, 3, 1, minutes, 0, 0.0, scale, angle, inside, True)


def _sides(height: Feature) -> dict[str, Feature]:
    """The three sides of the part, through its middle; `height` is the one that is drawn."""
    assert height.jaws is not None
    (x, s, _), _ = height.jaws
    half, up = PART_MM / 2, PART_MM / 2 + 2.0
    return {
        "x_scale": Feature(
            "x", "outside", (PART_MM, 0.0, 0.0), jaws=((x - half, s, up), (x + half, s, up))
        ),
        "y_scale": height,
        "z_scale": Feature(
            "s", "outside", (0.0, PART_MM, 0.0), jaws=((x, s - half, up), (x, s + half, up))
        ),
    }


def _effort(
    way: str, seed: int, desk: Desk, inputs: int, tolerance: Tolerance, done: bool, said: str = ""
) -> Effort:
    session: Session = desk.session
    rounds = [r for r in session.bench.rounds if not r.empty]
    first = rounds[0]
    later = [r for r in rounds[1:] if r.follows is not None]
    minutes = [
        sum(summary(one.piece, one.profile).seconds / 60 for one in each.laid) for each in rounds
    ]
    left = left_of(desk)
    scale = max(abs(left[name]) for name in SCALES)
    angle = abs(left["gantry_angle_deg"])
    return Effort(
        way,
        seed,
        features=len(first.taken),
        values=sum(len(t.reading.mm) for t in first.taken),
        inputs=inputs,
        pieces=len(first.laid),
        minutes=minutes[0],
        proof_values=sum(len(t.reading.mm) for r in later for t in r.taken),
        proof_minutes=max(minutes[1:], default=0.0),
        scale=scale,
        angle_deg=angle,
        inside=scale <= tolerance.scale_percent / 100 and angle <= tolerance.angle_deg,
        done=done,
        said=said,
    )


WAYS: Final = {"guided": guided, "practice": practised, "survey": surveyed}


def one(ways: tuple[str, ...], bench: str, tolerance: Tolerance, seed: int) -> list[Effort]:
    """All ways on one machine, without their output."""
    found = []
    for way in ways:
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            found.append(WAYS[way](seed, bench, tolerance))
    return found


def summed(efforts: list[Effort]) -> dict[str, Any]:
    """Medians and shares of one way."""
    shares = {
        "inside": fmean(e.inside for e in efforts),
        "done": fmean(e.done for e in efforts),
    }
    middle = ("features", "values", "inputs", "pieces", "minutes", "proof_values", "proof_minutes")
    return {
        "machines": len(efforts),
        **{name: round(float(median(getattr(e, name) for e in efforts)), 1) for name in middle},
        "most_values": max(e.values for e in efforts),
        "most_inputs": max(e.inputs for e in efforts),
        "most_minutes": round(max(max(e.minutes, e.proof_minutes) for e in efforts), 1),
        **{name: round(share, 3) for name, share in shares.items()},
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--machines", type=int, default=40)
    parser.add_argument("--first", type=int, default=1, help="number of the first machine")
    parser.add_argument("--bench", default="usual", choices=("none", "usual", "rough"))
    parser.add_argument("--scale", type=float, default=0.1, help="tolerance, %%")
    parser.add_argument("--angle", type=float, default=0.15, help="tolerance, degrees")
    parser.add_argument("--only", choices=sorted(WAYS), help="one way alone")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    options = parser.parse_args()
    ways = (options.only,) if options.only else tuple(WAYS)
    tolerance = Tolerance(options.scale, options.angle)
    seeds = range(options.first, options.first + options.machines)
    with ProcessPoolExecutor() as pool:
        each = list(pool.map(partial(one, ways, options.bench, tolerance), seeds))
    found = {way: [row[i] for row in each] for i, way in enumerate(ways)}
    rows = {way: summed(efforts) for way, efforts in found.items()}
    if options.json:
        machines = [asdict(effort) for row in each for effort in row]
        print(json.dumps({"bench": options.bench, "ways": rows, "machines": machines}, indent=1))
        return 0
    print(f"{options.machines} machines, bench {options.bench}, {options.scale:g} % and", end="")
    print(f" {options.angle:g} deg; medians a round, shares after one round")
    head = ("values", "features", "inputs", "pieces", "minutes", "inside", "done")
    print(f"{'':10}" + "".join(f"{name:>10}" for name in head))
    for way, row in rows.items():
        print(f"{way:10}" + "".join(f"{row[name]:>10}" for name in head))
    if "guided" in rows:
        row = rows["guided"]
        print(
            f"proof: {row['proof_values']} values, {row['proof_minutes']} min; at most"
            f" {row['most_values']} values a round, {row['most_minutes']} min, {row['most_inputs']}"
            " inputs to the end"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
