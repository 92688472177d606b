"""How the parts of a machine stand in profiles and in readings files, both ways.

Each part has a shape (file to value) and a plain form (value to file) side by side, so that what
one writes the other reads.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, Final

from agent.model.bed import thread_pitch
from agent.model.budget import CONTRIBUTORS, Budget
from agent.model.drive import Drive, Output, Roller, Screw, Toothed
from agent.model.profile import (
    Bead,
    BedScrews,
    Instrument,
    Material,
    Mechanics,
    Port,
    Post,
    Priors,
    Stand,
    Tolerance,
)
from agent.model.roles import ROLES, Axes
from agent.store.strict import Choice, Key, ListOf, Number, Table, TableOf, Text, Whole

_LENGTH: Final = Number("mm", above=0, most=1e6)
_UNCERTAINTY: Final = Number("mm", least=0, most=100)
_PERCENT: Final = Number("%", least=1e-6, most=50)
_DEGREES: Final = Number("degrees", least=1e-6, most=45)


# --- axes ----------------------------------------------------------------------------------------


#: A letter, with a leading `-` where the controller counts the other way.
_LETTER: Final = Text(pattern="-?[a-z]", expected="the letter of an axis, such as x or -x")


def _axes(**found: str) -> Axes:
    axes = Axes(**found)
    letters = [axes.letter(role) for role in ROLES]
    if len(set(letters)) < len(letters):
        raise ValueError(f"expected three different letters, found {', '.join(letters)}")
    return axes


AXES: Final = Table(_axes, {role: Key(_LETTER) for role in ROLES})


# --- drives --------------------------------------------------------------------------------------

#: Keys of a roller, and the field of it that each fills.
_ROLLER: Final = {
    "roller_mm": "diameter",
    "belt_mm": "belt",
    "neutral_mm": "neutral",
    "u_roller_mm": "u_diameter",
    "u_belt_mm": "u_belt",
    "u_neutral_mm": "u_neutral",
    "run_out_mm": "run_out",
}

#: Keys of each kind of output; all but `u_relative` say which kind is meant.
_OUTPUT_KEYS: Final = {
    "roller": tuple(_ROLLER),
    "teeth": ("teeth", "pitch_mm", "u_relative"),
    "lead": ("lead_mm", "u_relative"),
}


def _drive(full_steps: int, microsteps: int, ratio: float = 1.0, **output: float) -> Drive:
    return Drive(full_steps, microsteps, ratio, _output(output))


def _output(found: Mapping[str, float]) -> Output:
    given = found.keys() - {"u_relative"}
    kinds = [kind for kind, keys in _OUTPUT_KEYS.items() if given & set(keys)]
    if len(kinds) != 1:
        raise ValueError(
            "expected one of: roller_mm and belt_mm; teeth and pitch_mm; lead_mm. "
            f"Found {', '.join(found) or 'none'}"
        )
    (kind,) = kinds
    strange = sorted(set(found) - set(_OUTPUT_KEYS[kind]))
    if strange:
        raise ValueError(f"{', '.join(strange)} does not go with {_OUTPUT_KEYS[kind][0]}")
    if kind == "roller":
        return _roller(found)
    relative = {"u_relative": found["u_relative"]} if "u_relative" in found else {}
    if kind == "lead":
        return Screw(found["lead_mm"], **relative)
    if "teeth" not in found or "pitch_mm" not in found:
        raise ValueError("a toothed belt wants both teeth and pitch_mm")
    return Toothed(int(found["teeth"]), found["pitch_mm"], **relative)


def _roller(found: Mapping[str, float]) -> Roller:
    if "roller_mm" not in found or "belt_mm" not in found:
        raise ValueError("a roller wants both roller_mm and belt_mm (the belt's thickness)")
    return Roller(**{_ROLLER[key]: value for key, value in found.items()})


DRIVE: Final = Table(
    _drive,
    {
        "full_steps": Key(Whole(1, 10_000), required=True),
        "microsteps": Key(Whole(1, 1024), required=True),
        "ratio": Key(Number(above=0, most=10_000)),
        "roller_mm": Key(_LENGTH),
        "belt_mm": Key(_LENGTH),
        "neutral_mm": Key(Number("mm", least=0, most=100)),
        "u_roller_mm": Key(_UNCERTAINTY),
        "u_belt_mm": Key(_UNCERTAINTY),
        "u_neutral_mm": Key(_UNCERTAINTY),
        "run_out_mm": Key(_UNCERTAINTY),
        "teeth": Key(Whole(1, 10_000)),
        "pitch_mm": Key(_LENGTH),
        "lead_mm": Key(_LENGTH),
        "u_relative": Key(Number(least=0, most=0.5)),
    },
    "a drive: {full_steps: ..., microsteps: ..., ratio: ..., teeth: ..., pitch_mm: ...}",
)


def drive_plain(drive: Drive) -> dict[str, Any]:
    """A drive as it stands in a file; uncertainties only where they are not the usual ones."""
    plain: dict[str, Any] = {
        "full_steps": drive.full_steps,
        "microsteps": drive.microsteps,
        "ratio": drive.ratio,
    }
    output = drive.output
    if isinstance(output, Roller):
        usual = Roller(output.diameter, output.belt)
        for key, name in _ROLLER.items():
            value = getattr(output, name)
            if key in ("roller_mm", "belt_mm") or value != getattr(usual, name):
                plain[key] = value
        return plain
    if isinstance(output, Toothed):
        plain |= {"teeth": output.teeth, "pitch_mm": output.pitch}
        default = Toothed(output.teeth, output.pitch).u_relative
    else:
        plain |= {"lead_mm": output.lead}
        default = Screw(output.lead).u_relative
    if output.u_relative != default:
        plain["u_relative"] = output.u_relative
    return plain


# --- mechanics -----------------------------------------------------------------------------------


def _pitch(screw: str | None, pitch_mm: float | None) -> float:
    if screw is not None and pitch_mm is None:
        return thread_pitch(screw)
    if screw is None and pitch_mm is not None:
        return pitch_mm
    raise ValueError("expected either screw (such as M4) or pitch_mm")


def _screws(span_mm: float, screw: str | None = None, pitch_mm: float | None = None) -> BedScrews:
    return BedScrews(span_mm, _pitch(screw, pitch_mm), (screw or "").upper())


_SCREWS: Final = Table(
    _screws,
    {
        "span_mm": Key(_LENGTH, required=True),
        "screw": Key(Text(most=10)),
        "pitch_mm": Key(Number("mm", above=0, most=100)),
    },
)


_PLACE: Final = Number("mm", least=-1e5, most=1e5)


def _stand(
    at: Mapping[str, tuple[float, float]],
    screw: str | None = None,
    pitch_mm: float | None = None,
    fixed: str | None = None,
) -> Stand:
    pitch = _pitch(screw, pitch_mm)
    if len(at) < 3:
        raise ValueError(f"a bed stands on three screws at least, found {len(at)}")
    if fixed is not None and fixed not in at:
        raise ValueError(f"fixed names {fixed!r}; the screws are {', '.join(at)}")
    posts = {name: Post(*place) for name, place in at.items()}
    return Stand(pitch, posts, fixed, (screw or "").upper())


def _post_name(key: str) -> str:
    right = re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,30}", key)
    return "" if right else f"expected the name of a screw, such as front-left, found {key!r}"


STAND: Final = Table(
    _stand,
    {
        "screw": Key(Text(most=10)),
        "pitch_mm": Key(Number("mm", above=0, most=100)),
        "fixed": Key(Text(most=31)),
        "at": Key(TableOf(ListOf(_PLACE, least=2, most=2), _post_name), required=True),
    },
    "the screws of the bed: {screw: M4, at: {NAME: [x, s], ...}}",
)


def _thread(screws: BedScrews | Stand) -> dict[str, Any]:
    """A thread as it was told: a pitch of 0.5 may be that of M3 or of a fine M5."""
    return {"screw": screws.screw} if screws.screw else {"pitch_mm": screws.pitch_mm}


def _stand_plain(stand: Stand) -> dict[str, Any]:
    fixed = {} if stand.fixed is None else {"fixed": stand.fixed}
    at = {name: [post.x_mm, post.s_mm] for name, post in stand.posts.items()}
    return {**_thread(stand), **fixed, "at": at}


MECHANICS: Final = Table(
    Mechanics,
    {
        "gantry_angle_deg": Key(Number("degrees", least=5, most=90)),
        "travel_mm": Key(Table(dict, {role: Key(_LENGTH) for role in ROLES})),
        "belt_loop_mm": Key(_LENGTH),
        "max_pulse_rate": Key(Number("pulses/s", above=0, most=1e8)),
        "screws": Key(_SCREWS),
        "bed": Key(STAND, into="stand"),
        "coupling": Key(Choice(("none", "axes", "motors", "unknown"))),
        "yaw_span_mm": Key(_LENGTH),
        "drives": Key(Table(dict, {role: Key(DRIVE) for role in ROLES})),
    },
)


def mechanics_plain(mechanics: Mechanics) -> dict[str, Any]:
    screws = mechanics.screws
    plain: dict[str, Any] = {
        "gantry_angle_deg": mechanics.gantry_angle_deg,
        "travel_mm": dict(mechanics.travel_mm),
        "belt_loop_mm": mechanics.belt_loop_mm,
        "max_pulse_rate": mechanics.max_pulse_rate,
        "screws": screws and {"span_mm": screws.span_mm, **_thread(screws)},
        "bed": mechanics.stand and _stand_plain(mechanics.stand),
        "coupling": None if mechanics.coupling == "none" else mechanics.coupling,
        "yaw_span_mm": mechanics.yaw_span_mm,
        "drives": {role: drive_plain(drive) for role, drive in mechanics.drives.items()},
    }
    return {key: value for key, value in plain.items() if value not in (None, {})}


# --- what it prints with and is measured with ----------------------------------------------------

MATERIAL: Final = Table(
    Material,
    {
        "name": Key(Text(most=80)),
        "shrink_percent": Key(Number("%", least=-10, most=10)),
        "shrink_u_percent": Key(Number("%", above=0, most=10)),
        "filament_mm": Key(Number("mm", above=0, most=10)),
        "nozzle_c": Key(Number("degrees C", least=0, most=400)),
        "bed_c": Key(Number("degrees C", least=0, most=200)),
    },
)

BEAD: Final = Table(
    Bead,
    {
        "width_mm": Key(Number("mm", above=0, most=10)),
        "height_mm": Key(Number("mm", above=0, most=10)),
        "speed_mm_s": Key(Number("mm/s", above=0, most=1000)),
        "first_speed_mm_s": Key(Number("mm/s", above=0, most=1000)),
        "travel_speed_mm_s": Key(Number("mm/s", above=0, most=1000)),
    },
)

INSTRUMENT: Final = Table(
    Instrument,
    {
        "resolution_mm": Key(Number("mm", above=0, most=10)),
        "mpe_mm": Key(Number("mm", least=0, most=10)),
        "repeatability_mm": Key(Number("mm", least=0, most=10)),
        "range_mm": Key(_LENGTH),
        "move_u_mm": Key(Number("mm", above=0, most=100)),
        "link": Key(Text(most=200)),
    },
)

PORT: Final = Table(
    Port,
    {
        "port": Key(Text(most=300)),
        "baud": Key(Whole(1, 10_000_000)),
        "lines": Key(Choice(("down", "up", "keep"))),
    },
)


TOLERANCE: Final = Table(Tolerance, {"scale_percent": Key(_PERCENT), "angle_deg": Key(_DEGREES)})

PRIORS: Final = Table(
    Priors,
    {
        "scale_percent": Key(_PERCENT),
        "angle_deg": Key(_DEGREES),
        "yaw_deg": Key(_DEGREES),
        "rail_deg": Key(_DEGREES),
        "roll_deg": Key(_DEGREES),
        "offset_mm": Key(Number("mm", above=0, most=10)),
        "form_mm": Key(Number("mm", least=0, most=10)),
    },
)

_SIZES: Final = {
    "mm": Number("mm", least=0, most=10),
    "percent": Number("%", least=0, most=50),
    "deg": Number("degrees", least=0, most=45),
}

BUDGET: Final = Table(Budget, {name: Key(_SIZES[name.rpartition("_")[2]]) for name in CONTRIBUTORS})


def plain_fields(value: Any) -> dict[str, Any]:
    """All fields of a flat dataclass that hold something, by name."""
    found = {field.name: getattr(value, field.name) for field in fields(value)}
    return {name: item for name, item in found.items() if item is not None}


def told_fields(value: Any) -> dict[str, Any]:
    """As `plain_fields`, without empty texts."""
    return {name: item for name, item in plain_fields(value).items() if item != ""}


def unusual_fields(value: Any) -> dict[str, Any]:
    """As `plain_fields`, without those that are as usual."""
    usual = type(value)()
    return {k: item for k, item in plain_fields(value).items() if item != getattr(usual, k)}
