"""Readings files, `format: plumbelt-readings/1`: what was measured, on what, with what.

    format: plumbelt-readings/1
    mechanics: {gantry_angle_deg: 45}
    settings: {steps_per_mm: {x: 80, y: 80, z: 105.25}}
    instrument: {resolution_mm: 0.01, mpe_mm: 0.03}
    readings:
      - {feature: outside, along: [0, 20, 0], mm: [20.31, 20.30, 20.33]}    # along = (x, s, h)

Lengths in mm, angles in degrees, times in minutes.  Settings go by the controller's letters.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, get_args

from agent.families import FAMILIES
from agent.model.feature import KINDS, Reading, Side
from agent.model.profile import Mechanics
from agent.model.roles import ROLES
from agent.model.settings import of_kind
from agent.model.survey import BeltRun, Check, Conditions, Survey
from agent.store import machine
from agent.store.atomic import write_file
from agent.store.nodes import Items, Node, Sheet, read_file
from agent.store.strict import Choice, Key, ListOf, Number, Shape, Table, TableOf, Text, read_sheet
from agent.store.yamltext import dump

FORMAT: Final = "plumbelt-readings/1"

FAMILY_NAMES: Final = tuple(FAMILIES)


@dataclass(frozen=True, slots=True)
class LaidPiece:
    """A piece that readings were taken on: what it is, and its sizes in mm by their names."""

    name: str  #: `strip`, or `strip-2` for a second one
    piece: str
    size: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ReadingsFile:
    """All that a readings file holds."""

    survey: Survey
    settings: Mapping[str, float] = field(default_factory=dict)  #: by full key, `steps_per_mm.x`
    family: str | None = None  #: of the controller, if known: in its words the lines are given
    note: str = ""
    pieces: tuple[LaidPiece, ...] = ()


def load_readings(path: Path) -> ReadingsFile:
    """What the readings file at `path` holds.

    Raises BadInput with every mistake of the file, each with its line and key.
    """
    return read_readings(read_file(path), str(path))


def read_readings(data: bytes, source: str) -> ReadingsFile:
    """As `load_readings`, for bytes at hand; `source` is the name in the messages."""
    return read_sheet(data, source, _FILE)


def dump_readings(path: Path, file: ReadingsFile, *, expect: str | None = None) -> str:
    """Write `file` to `path`, wholly or not at all; returns the file's stamp.

    `expect`: see `agent.store.atomic.write_file`.  Reading it back gives an equal value.
    """
    return write_file(path, readings_text(file), expect=expect)


# --- from a file ---------------------------------------------------------------------------------


#: Letters that axes of controllers go by.
_AXIS_LETTERS: Final = "xyzabcuvw"

#: Kinds of readings that have a sign; all others are lengths.
_SIGNED: Final = ("lean", "sway", "gap")


def _reading(**found: Any) -> Reading:
    reading = Reading(**found)
    if reading.kind not in _SIGNED and min(reading.mm) <= 0:
        raise ValueError(f"expected {reading.kind} in mm above 0, found {min(reading.mm):g}")
    return reading


_VECTOR: Final = ListOf(Number("mm", least=-1e5, most=1e5), least=3, most=3)

_READING: Final = Table(
    _reading,
    {
        "feature": Key(Choice(KINDS), into="kind", required=True),
        "along": Key(_VECTOR, required=True),
        "mm": Key(ListOf(Number("mm", least=-1e5, most=1e5), least=1), required=True),
        "between": Key(Choice(("faces", "points", "edges"))),
        "u_mm": Key(Number("mm", above=0, most=100)),
        "name": Key(Text(most=80)),
        "side": Key(Choice(get_args(Side))),
    },
    "a reading: {feature: ..., along: [x, s, h], mm: [...]}",
)

_LENGTHS: Final = ListOf(Number("mm", least=-1e6, most=1e6), least=2)

_BELT_RUN: Final = Table(
    BeltRun,
    {
        "commanded": Key(_LENGTHS, required=True),
        "measured": Key(_LENGTHS, required=True),
        "approach": Key(Choice(("forward", "both"))),
        "load": Key(Choice(("empty", "part"))),
        "u_mm": Key(Number("mm", above=0, most=100)),
        "axis": Key(Choice(ROLES)),
    },
    "a run over marks: {commanded: [...], measured: [...]}",
)


def _size_name(key: str) -> str:
    return "" if re.fullmatch(r"[a-z0-9 ]{1,40}", key) else f"expected a size, found {key!r}"


_PIECE: Final = Table(
    LaidPiece,
    {
        "name": Key(Text(most=40), required=True),
        "piece": Key(Text(most=40), required=True),
        "size": Key(TableOf(Number("mm", above=0, most=1e5), _size_name)),
    },
    "a piece: {name: ..., piece: ..., size: {...}}",
)

_TEMPERATURE: Final = Number("degrees C", least=-40, most=400)

_CONDITIONS: Final = Table(
    Conditions,
    {
        "room_c": Key(_TEMPERATURE),
        "piece_c": Key(_TEMPERATURE),
        "minutes_since_print": Key(Number("min", least=0, most=1e7)),
    },
)

_CHECK: Final = Table(
    Check,
    {
        "known_mm": Key(Number("mm", above=0, most=1e5), required=True),
        "deviation_mm": Key(Number("mm", least=-100, most=100), required=True),
        "u_mm": Key(Number("mm", above=0, most=100), required=True),
        "on": Key(Text(most=40)),
    },
    "a check of the instrument: {known_mm: ..., deviation_mm: ..., u_mm: ...}",
)


@dataclass(frozen=True, slots=True)
class _OneOrMore:
    """One run, or a list of them."""

    one: Shape[BeltRun]
    many: Shape[tuple[BeltRun, ...]]

    @property
    def expected(self) -> str:
        return f"{self.one.expected}, or a list of them"

    def read(self, node: Node, key: str, sheet: Sheet) -> tuple[BeltRun, ...] | None:
        if isinstance(node, Items):
            return self.many.read(node, key, sheet)
        run = self.one.read(node, key, sheet)
        return None if run is None else (run,)


def _letter(key: str) -> str:
    if re.fullmatch(rf"(?:[{_AXIS_LETTERS}](?:_\d)?|e\d?)(?:@\w{{1,20}})?", key):
        return ""
    return f"expected the letter of an axis (x, y, z, e0), found {key!r}"


def _settings(**found: Any) -> dict[str, float]:
    return {
        f"{kind}.{letter}": value
        for kind, values in found.items()
        for letter, value in values.items()
    }


_SETTINGS: Final = Table(
    _settings,
    {
        "steps_per_mm": Key(TableOf(Number("step/mm", above=0, most=1e7), _letter)),
        "max_speed": Key(TableOf(Number("mm/s", above=0, most=1e6), _letter)),
        "max_acceleration": Key(TableOf(Number("mm/s2", above=0, most=1e8), _letter)),
    },
)


def _file(**found: Any) -> ReadingsFile:
    found.pop("format")
    settings: dict[str, float] = found.pop("settings", {})
    file = {key: found.pop(key) for key in ("family", "note", "pieces") if key in found}
    readings = found.pop("readings", ())
    if not readings and not found.get("belt_runs"):
        raise ValueError("expected at least one reading under readings, or a belt_run; found none")
    mechanics = found.get("mechanics", Mechanics())
    if mechanics.gantry_angle_deg is None and any(reading.rises for reading in readings):
        raise ValueError(
            "mechanics.gantry_angle_deg is missing: the angle, in degrees, for which the pieces"
            " were sliced; expected a line such as mechanics: {gantry_angle_deg: 35}"
        )
    survey = Survey(
        readings,
        steps_per_mm=of_kind(settings, "steps_per_mm"),
        max_speed=of_kind(settings, "max_speed"),
        **found,
    )
    return ReadingsFile(survey, settings, **file)


_FILE: Final = Table(
    _file,
    {
        "format": Key(Choice((FORMAT,)), required=True),
        "note": Key(Text()),
        "family": Key(Choice(FAMILY_NAMES)),
        "axes": Key(machine.AXES),
        "mechanics": Key(machine.MECHANICS),
        "settings": Key(_SETTINGS),
        "instrument": Key(machine.INSTRUMENT),
        "material": Key(machine.MATERIAL),
        "tolerance": Key(machine.TOLERANCE),
        "priors": Key(machine.PRIORS),
        "budget": Key(machine.BUDGET),
        "conditions": Key(_CONDITIONS),
        "checks": Key(ListOf(_CHECK)),
        "pieces": Key(ListOf(_PIECE)),
        "readings": Key(ListOf(_READING)),
        "belt_run": Key(_OneOrMore(_BELT_RUN, ListOf(_BELT_RUN, least=1)), into="belt_runs"),
    },
    "a readings file",
)


# --- to a file -----------------------------------------------------------------------------------


def readings_text(file: ReadingsFile) -> str:
    """The text of a readings file that reads back as `file`."""
    survey = file.survey
    settings: dict[str, dict[str, float]] = {}
    for key, value in file.settings.items():
        kind, _, letter = key.partition(".")
        settings.setdefault(kind, {})[letter] = value
    plain = {
        "format": FORMAT,
        "note": file.note,
        "family": file.family,
        "axes": machine.plain_fields(survey.axes),
        "mechanics": machine.mechanics_plain(survey.mechanics),
        "instrument": machine.told_fields(survey.instrument),
        "material": machine.plain_fields(survey.material),
        "tolerance": machine.plain_fields(survey.tolerance),
        "priors": machine.plain_fields(survey.priors),
        "budget": machine.unusual_fields(survey.budget),
        "settings": settings,
        "conditions": machine.plain_fields(survey.conditions),
        "checks": [machine.told_fields(check) for check in survey.checks],
        "pieces": [machine.plain_fields(piece) for piece in file.pieces],
        "belt_run": [_run_plain(run) for run in survey.belt_runs],
        "readings": [_reading_plain(reading) for reading in survey.readings],
    }
    return dump({key: value for key, value in plain.items() if value})


def _run_plain(run: BeltRun) -> dict[str, Any]:
    plain = machine.plain_fields(run)
    if run.axis == "belt":
        del plain["axis"]
    return plain


def _reading_plain(reading: Reading) -> dict[str, Any]:
    plain = machine.told_fields(reading)
    return {"feature": plain.pop("kind"), **plain}
