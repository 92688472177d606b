"""The demo's job on many machines: verified, and inside its tolerance?

python -m tests.demos --seeds 20 --bench usual --json
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from typing import Any, Final

from agent.face.demo import Job, whole_job
from agent.face.screen import Screen
from agent.rehearsal import Rehearsal, bench_of
from agent.store.profiles import load_profile
from agent.work.session import Session
from tests.memory import in_memory

SCALES: Final = ("x_scale", "y_scale", "z_scale")

#: What a job must end inside of: every scale, and the angle in degrees by bench.
INSIDE_SCALE: Final = 0.001
INSIDE_DEG: Final = {"none": 0.1, "usual": 0.15, "rough": 0.15}


def job_at(rehearsal: Rehearsal) -> Job:
    return Job(Screen(), Session(load_profile("heron")), rehearsal)


def carried_out(job: Job) -> dict[str, Any]:
    with contextlib.redirect_stdout(io.StringIO()):
        return whole_job(job)


def one(bench: Any, seed: int, storage: Any = "") -> dict[str, Any]:
    """Verified, and what is left, of one seed; `storage`: what is wrong with it."""
    rehearsal = in_memory(seed=seed, bench=bench_of(bench, (), seed))
    rehearsal.machine.controller.storage_fault = storage
    document = carried_out(job_at(rehearsal))
    scale = max(abs(document["after"][name]) for name in SCALES)
    angle = abs(document["after"]["gantry_angle_deg"])
    inside = scale <= INSIDE_SCALE and angle <= INSIDE_DEG[bench]
    return {
        "seed": seed,
        "verified": document["verified"],
        "stored": document["proofs"].get("reloaded from storage", False),
        "scale": round(scale, 6),
        "angle_deg": round(angle, 4),
        "inside": inside,
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=20, help="seeds 1 to this")
    parser.add_argument("--bench", choices=sorted(INSIDE_DEG), default="usual")
    storage = ("", "lies", "fails", "none")
    parser.add_argument("--storage", choices=storage, default="", help="a fault to be found out")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    options = parser.parse_args()
    seeds = range(1, options.seeds + 1)
    with ProcessPoolExecutor() as pool:
        rows = list(pool.map(partial(one, options.bench, storage=options.storage), seeds))
    if options.storage:  # what is not kept must never be called verified
        good = sum(not row["verified"] and not row["stored"] for row in rows)
    else:
        good = sum(row["verified"] and row["inside"] for row in rows)
    if options.json:
        print(json.dumps({"bench": options.bench, "good": good, "jobs": rows}))
    else:
        for row in rows:
            print("  ".join(f"{name} {value}" for name, value in row.items()))
        told = "found out" if options.storage else "verified and inside"
        print(f"{good} of {len(rows)} {told}")
    return 0 if good == len(rows) else 1


if __name__ == "__main__":
    sys.exit(main())
