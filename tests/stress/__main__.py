"""`python -m tests.stress`: the table of the campaign."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from typing import Any

from tests.stress import effects
from tests.stress.judging import INSIDE, Row, Verdict, figures, judged, rows_of

#: Machines worked at in one go; the drawn machines depend on it, not on the processes.
CHUNK = 50


def campaign(rows: Sequence[Row], machines: int, seed: int, jobs: int) -> list[dict[str, Any]]:
    """Figures of each row, by formula, in the order of `rows`."""
    parts = [
        (row, seed, start, min(CHUNK, machines - start))
        for row in rows
        for start in range(0, machines, CHUNK)
    ]
    found: dict[Row, list[Verdict]] = {row: [] for row in rows}
    seconds = dict.fromkeys(rows, 0.0)
    if jobs == 1:
        done = [judged(*part) for part in parts]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            done = list(pool.map(judged, *zip(*parts, strict=True)))
    for row, verdicts, took in done:
        found[row] += verdicts
        seconds[row] += took
    return [figures(row, found[row], seconds[row]) for row in rows]


def campaign_on_plant(
    rows: Sequence[Row], machines: int, seed: int, jobs: int
) -> list[dict[str, Any]]:
    """Figures of each row that the simulator can lay, through it."""
    from tests.stress.plant import can_be_laid, judged_on_plant

    rows = [row for row in rows if can_be_laid(row)]
    numbers = range(seed * 1_000_000, seed * 1_000_000 + machines)
    if jobs == 1:
        done = [judged_on_plant(rows, number) for number in numbers]
    else:
        with ProcessPoolExecutor(jobs) as pool:
            done = list(pool.map(judged_on_plant, [rows] * machines, numbers))
    return [figures(row, [verdicts[i] for verdicts in done]) for i, row in enumerate(rows)]


def show(table: Sequence[dict[str, Any]]) -> None:
    """The table for people; shares in percent."""
    names = {"x_scale": "x", "y_scale": "y", "z_scale": "z", "gantry_angle_deg": "angle"}
    columns = ["worst", "proposed", "silent_wrong", "flagged", "named", "visible"]
    columns += ["named_visible", "inside", "refused", "crashed"]
    heads = [*(names[p] for p in INSIDE), *(c.replace("_", " ") for c in columns)]
    print(f"{'':<28}{'95 % interval holds':>22}")
    print(f"{'':<28}" + "".join(f"{h:>{max(7, len(h) + 2)}}" for h in heads))
    for row in table:
        size = "" if row["size"] is None else f" {row['size']:g}"
        cells = [*(row["coverage"][p] for p in INSIDE), *(row[c] for c in columns)]
        text = [
            f"{'-' if cell is None else format(100 * cell, '.1f'):>{max(7, len(h) + 2)}}"
            for cell, h in zip(cells, heads, strict=True)
        ]
        print(f"{row['row'] + size:<28}" + "".join(text))


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.stress", description=__doc__)
    parser.add_argument("--machines", type=int, default=100, help="machines a row, by formula")
    parser.add_argument(
        "--plant", type=int, default=0, help="machines a row laid and read by the simulator"
    )
    parser.add_argument(
        "--only",
        action="append",
        default=[],
        metavar="EFFECT",
        help="one row (repeatable): an effect, also as NAME=SIZE, a mistake, a statement, `none`"
        " or `together`",
    )
    parser.add_argument(
        "--bench",
        choices=("none", "usual", "rough"),
        default="usual",
        help="sizes of the effects; none: the row without effects alone",
    )
    parser.add_argument(
        "--thorough",
        action="store_true",
        help="by formula, lean from both opposite faces and each move over two lengths",
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--list", action="store_true", help="the effects and their sizes")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    options = parser.parse_args()
    if options.list:
        for known in effects.EFFECTS.values():
            print(f"{known.name:<20} {known.usual:>6g} {known.rough:>6g}  {known.says}")
        return
    try:
        rows = rows_of(options.bench, options.only)
    except ValueError as error:
        parser.error(str(error))
    by_formula = [replace(row, thorough=options.thorough) for row in rows]
    table = (
        campaign(by_formula, options.machines, options.seed, options.jobs)
        if options.machines
        else []
    )
    laid = (
        campaign_on_plant(rows, options.plant, options.seed, options.jobs) if options.plant else []
    )
    if options.json:
        document = {"seed": options.seed, "bench": options.bench, "rows": table, "plant": laid}
        print(json.dumps(document))
        return
    for title, part in (("by formula", table), ("through the simulator", laid)):
        if part:
            print(title)
            show(part)


if __name__ == "__main__":
    main()
