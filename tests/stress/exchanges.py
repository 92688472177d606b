"""Every two readings exchanged, and every mistake at every reading it can be made at.

    python -m tests.stress.exchanges --machines 5 --json

The machines are drawn, the readings follow by formula; a table for each machine, nothing sampled.
A line is unasked where a change is wrong and nothing in the answer doubts the readings.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from agent.estimate import solve
from agent.model.feature import Reading
from agent.model.survey import Survey
from tests.stress import mistakes
from tests.stress.judging import Case, Row, Verdict, after_change, judge, surveys

#: Name of the row in which two readings change places.
EXCHANGED = "exchanged"


@dataclass(frozen=True)
class Cell:
    """One spoiled survey of the table."""

    what: str  #: `exchanged`, or a family of mistakes
    at: tuple[int, ...]  #: the readings that are wrong
    case: Case


class Aimed:
    """A generator that picks one reading wherever that may be picked; all else by chance."""

    def __init__(self, at: int, seed: int) -> None:
        self.at = at
        self._rng = np.random.default_rng((seed, at))

    def choice(self, options: Sequence[Any]) -> Any:
        places = all(isinstance(option, int) for option in options)
        return self.at if places and self.at in options else self._rng.choice(options)

    def integers(self, most: int) -> int:
        return int(self._rng.integers(most))

    def uniform(self, low: float, high: float) -> float:
        return float(self._rng.uniform(low, high))


def machine(number: int, seed: int = 1) -> tuple[Survey, dict[str, float]]:
    """Sound readings of a drawn machine, and its true errors."""
    [(survey, true, *_)] = surveys(Row("none", "none"), seed, number, 1)
    return survey, true


def exchanged(survey: Survey, i: int, j: int) -> Survey:
    """Two readings with their values in each other's place, as often as each is read."""
    readings = list(survey.readings)
    a, b = readings[i], readings[j]
    readings[i], readings[j] = _with(a, b.mm), _with(b, a.mm)
    return replace(survey, readings=tuple(readings))


def _with(reading: Reading, mm: Sequence[float]) -> Reading:
    count = len(reading.mm)
    values = (tuple(mm) * count)[:count]
    if reading.kind not in ("lean", "sway", "gap"):  # a length is never typed with a minus
        values = tuple(max(abs(x), 0.01) for x in values)
    return replace(reading, mm=values)


def table(number: int, seed: int = 1) -> Iterator[Cell]:
    """The whole table of one machine."""
    survey, true = machine(number, seed)
    for i, j in itertools.combinations(range(len(survey.readings)), 2):
        where = frozenset({i, j})
        case = (exchanged(survey, i, j), true, ("swapped",), where, False)
        yield Cell(EXCHANGED, (i, j), case)
    for name, make in mistakes.MISTAKES.items():
        for i in range(len(survey.readings)):
            slip = make(survey.readings, Aimed(i, number))  # type: ignore[arg-type]
            if i in slip.where:
                spoiled = replace(survey, readings=slip.readings)
                case = (spoiled, true, mistakes.NAMES[name], slip.where, False)
                yield Cell(name, tuple(sorted(slip.where)), case)


def unasked(verdict: Verdict) -> bool:
    """A wrong line, or no answer at all, and nobody was asked about the readings."""
    return verdict.failed.startswith("crashed") or (verdict.wrong and not verdict.flagged)


def beyond_told(case: Case) -> bool:
    """Whether a change is off by more than its line tells.

    Beside each change stands by how much a slip that no reading can show could move it; with its
    uncertainty that is what a technician is told of a line that is not doubted.
    """
    survey, true, *_ = case
    found = solve(survey)
    _, changed = after_change(survey, found.to_plain(), true)
    return any(
        abs(found.parameters[name].value - true[name])
        > (found.parameters[name].unseen_slip or 0.0) + found.parameters[name].expanded95
        for name in changed
    )


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.stress.exchanges", description=__doc__)
    parser.add_argument("--machines", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    wanted = parser.parse_args()
    counts: dict[str, Counter[str]] = {}
    for number in range(wanted.machines):
        names = [r.name for r in machine(number, wanted.seed)[0].readings]
        for cell in table(number, wanted.seed):
            verdict = judge(*cell.case)
            count = counts.setdefault(cell.what, Counter())
            count.update(
                surveys=1,
                proposed=int(verdict.proposed),
                wrong=int(verdict.wrong),
                flagged=int(verdict.flagged),
                unasked=int(unasked(verdict)),
            )
            if unasked(verdict):
                untold = not verdict.failed and beyond_told(cell.case)
                count.update(beyond_what_is_told=int(untold))
                if not wanted.json:
                    print(number, cell.what, [names[i] for i in cell.at], verdict.failed, untold)
    if wanted.json:
        print(json.dumps(counts))
    else:
        for what, count in counts.items():
            print(f"{what:20}", "  ".join(f"{key} {n}" for key, n in count.items()))


if __name__ == "__main__":
    main()
