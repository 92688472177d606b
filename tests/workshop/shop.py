"""An invented workshop: machines with errors, tunes and changes of parts, at stated times."""

from __future__ import annotations

import json
import random
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import count

from agent.store.record import Record
from agent.store.rows import ADD

Rows = dict[str, list[tuple[object, ...]]]

START = datetime(2026, 1, 5, 8, tzinfo=UTC)
STEPS = {"x": 80.0, "y": 80.0, "z": 105.25}


def instant(day: float) -> str:
    """A time `day` days behind the beginning of the invented year."""
    return (START + timedelta(days=day)).isoformat(timespec="milliseconds")


_count = count(1)


def identity(dice: random.Random) -> str:
    """An identity that sorts behind earlier ones, as those of the record do."""
    made = 0x18EB << 112 | next(_count) << 80 | 8 << 76 | 2 << 62 | dice.getrandbits(62)
    return str(uuid.UUID(int=made))


@dataclass
class Writer:
    """Rows of sessions as a bench would note them."""

    dice: random.Random = field(default_factory=lambda: random.Random(1))
    bench: str = ""
    rows: Rows = field(default_factory=dict)

    def add(self, table: str, *values: object) -> None:
        self.rows.setdefault(table, []).append(values)

    def session(self, machine: str, day: float, controller: str = "bench 1.0") -> str:
        made = identity(self.dice)
        self.add("session", made, instant(day), machine, "memory://", "replay", controller, "0")
        if self.bench:
            self.add("origin", made, self.bench)
        return made

    def entry(
        self,
        session: str,
        day: float,
        kind: str,
        body: Mapping[str, object],
        figures: Mapping[str, tuple[float, float | None]] | None = None,
    ) -> str:
        made = identity(self.dice)
        text = json.dumps(body, separators=(",", ":"))
        self.add("entry", made, session, instant(day), kind, text)
        for key, (value, u) in (figures or {}).items():
            self.add("figure", made, key, value, u)
        return made

    def readback(self, session: str, day: float, steps: Mapping[str, float]) -> None:
        settings = {
            f"steps_per_mm.{k}": {"value": v, "unit": "step/mm", "digits": 2}
            for k, v in steps.items()
        }
        figures = {key: (s["value"], None) for key, s in settings.items()}
        body = {"family": "replay", "identity": "", "settings": settings, "damaged": False}
        self.entry(session, day, "readback", body, figures)  # type: ignore[arg-type]

    def estimate(
        self, session: str, day: float, errors: Mapping[str, float], u: float = 0.0002
    ) -> str:
        parameters = {
            name: {"value": value, "u": u, "prior_u": 0.03, "expanded95": 2 * u}
            | {"determined": True, "significant": abs(value) > 2 * u}
            for name, value in errors.items()
        }
        figures = {f"estimate.{name}": (value, u) for name, value in errors.items()}
        return self.entry(session, day, "estimate", {"parameters": parameters}, figures)

    def outcome(self, session: str, day: float, *stages: str, verified: bool = True) -> None:
        fate = {"key": "steps_per_mm.z", "old": 105.25, "wanted": 105.0, "found": 105.0}
        body = {
            "digest": "01234567",
            "verified": verified,
            "stored": "reloaded from storage" in stages,
            "changes": [{**fate, "state": "took"}],
            "moved": [],
            "stages": list(stages),
            "events": [],
            "notes": [],
            "hand_over": [],
        }
        self.entry(session, day, "outcome", body)

    def tune(
        self,
        machine: str,
        day: float,
        right: Mapping[str, float] | None = None,
        *,
        store: bool = True,
        check: bool = True,
        noise: float = 0.0001,
    ) -> None:
        """One tune: found, written, stored, measured again; `right`: steps that would be true."""
        true = {**STEPS, **(right or {})}
        session = self.session(machine, day)
        self.readback(session, day, STEPS)
        self.estimate(session, day + 0.01, self._errors(STEPS, true, noise))
        self.outcome(session, day + 0.02, "read back")
        self.readback(session, day + 0.03, true)
        if check:
            self.estimate(session, day + 0.04, self._errors(true, true, noise))
        if store:
            self.outcome(session, day + 0.05, "reloaded from storage")

    def _errors(
        self, steps: Mapping[str, float], true: Mapping[str, float], noise: float
    ) -> dict[str, float]:
        return {f"{k}_scale": steps[k] / true[k] - 1 + self.dice.gauss(0, noise) for k in "xyz"}

    def keep(self, record: Record) -> None:
        """Add what was made so far to a record."""
        with record.writing() as db:
            for table in ("bench", "session", "origin", "entry", "figure", "clock", "document"):
                db.executemany(ADD[table], self.rows.pop(table, []))


def year(machine: str, writer: Writer, tunes: int = 10) -> Iterator[float]:
    """Tunes of a machine over a year that does not drift; the days they were on."""
    for n in range(tunes):
        day = 5.0 + n * 30
        writer.tune(machine, day)
        yield day
