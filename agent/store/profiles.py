"""Machine profiles, `format: plumbelt-profile/1`: how a machine is built and how it was set.

A profile keeps two numbers for a setting where it can: `value` is what the controller printed,
with its `digits`; `written` is the full-precision value that was sent, kept only as long as the
printed one agrees with it.  `profiles/heron.yaml` shows all there is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from agent.errors import BadInput, Problem, Refused
from agent.model.exact import as_printed, exact, in_full
from agent.model.profile import Material, Profile, SavedSetting, Stand
from agent.model.roles import ROLES
from agent.model.settings import POSITIVE, UNITS, Readback, Setting, kind_of
from agent.store import machine
from agent.store.atomic import ABSENT, stamp_of, write_file
from agent.store.editing import with_key
from agent.store.home import ready_profiles, user_profiles
from agent.store.names import is_device
from agent.store.nodes import read_file
from agent.store.readings import FAMILY_NAMES
from agent.store.strict import (
    Choice,
    Key,
    ListOf,
    Number,
    Table,
    TableOf,
    Text,
    Whole,
    nearest,
    read_sheet,
)
from agent.store.yamltext import dump, fixed, number

FORMAT: Final = "plumbelt-profile/1"

#: Names of profiles are names of files: no folder, no hidden file, no name that a shell must quote.
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")

_NAME_WORDS: Final = "a name of letters, digits, '.', '_' and '-'"


@dataclass(frozen=True, slots=True)
class ProfileFile:
    """A profile and the file it was read from."""

    profile: Profile
    path: Path
    stamp: str  #: of the file when it was read; hand it back when saving over it

    @property
    def ready(self) -> bool:
        """True for a profile that came with plumbelt: saved as the user's own, never over."""
        return self.path.parent == ready_profiles()


# --- finding -------------------------------------------------------------------------------------


def find_profile(name: str) -> Path:
    """File of the profile `name`: a path to a file, a saved profile, or a ready one.

    Raises BadInput, with the names that there are, if none is found.
    """
    direct = Path(name).expanduser()
    if direct.suffix in (".yaml", ".yml") or len(direct.parts) > 1:
        return direct
    for folder in (user_profiles(), ready_profiles()):
        path = folder / f"{name}.yaml"
        if _NAME.fullmatch(name) and path.is_file():
            return path
    known = list(profile_names())
    raise BadInput(
        f"no profile is named {name!r}{nearest(name, known)}",
        remedy="'profile list' shows all there are; a path to a file will do as well",
    )


def profile_names() -> dict[str, Path]:
    """All profiles by name; a saved one hides the ready one of the same name."""
    found: dict[str, Path] = {}
    for folder in (ready_profiles(), user_profiles()):
        if folder.is_dir():
            found |= {path.stem: path for path in sorted(folder.glob("*.yaml"))}
    return found


# --- reading -------------------------------------------------------------------------------------


def load_profile(path: Path | str) -> Profile:
    """The profile at `path` (or of that name, see `find_profile`).

    Raises BadInput with every mistake of the file, each with its line and key.
    """
    return open_profile(path).profile


def open_profile(path: Path | str) -> ProfileFile:
    """As `load_profile`, with the file's place and stamp for saving over it later."""
    place = find_profile(path) if isinstance(path, str) else path
    data = read_file(place)
    return ProfileFile(read_profile(data, str(place)), place, stamp_of(data))


def read_profile(data: bytes, source: str) -> Profile:
    """As `load_profile`, for bytes at hand; `source` is the name in the messages."""
    return read_sheet(data, source, _FILE)


def load_stand(path: Path) -> Stand:
    """The screws of a bed: of a profile file, or of a file that holds their table alone.

    Raises BadInput with every mistake, and for a profile without them.
    """
    data = read_file(path)
    if re.search(rb"^format:", data, re.MULTILINE) is None:
        return read_sheet(data, str(path), machine.STAND)
    stand = read_profile(data, str(path)).mechanics.stand
    if stand is None:
        raise BadInput(f"{path}: mechanics.bed is missing, the screws of the bed")
    return stand


def setting_key_problem(key: str) -> str:
    """Why `key` is not the key of a setting; empty if it is one."""
    kind, dot, rest = key.partition(".")
    if kind not in UNITS:
        return f"unknown setting{nearest(kind, UNITS)}"
    if dot and not re.fullmatch(r"[a-z]{1,8}\d?(?:_\d)?(?:@\w{1,20})?", rest):
        return f"expected something like {kind}.x, found {key!r}"
    return ""


@dataclass(frozen=True, slots=True)
class _Saved:
    """A saved setting before its key is known."""

    value: float
    digits: int
    unit: str | None = None
    written: float | None = None
    raw: str = ""
    tolerance: float | None = None


_SETTING: Final = Table(
    _Saved,
    {
        "value": Key(Number(least=-1e9, most=1e9), required=True),
        "digits": Key(Whole(0, 9), required=True),
        "unit": Key(Text(most=20)),
        "written": Key(Number(least=-1e9, most=1e9)),
        "raw": Key(Text(most=200)),
        "tolerance": Key(Number(above=0, most=1e6)),
    },
    "a setting: {value: ..., digits: ...}",
)


def _value_problem(key: str, saved: _Saved) -> str:
    """Why a setting cannot have this value; empty if it can."""
    kind = kind_of(key)
    unit = UNITS.get(kind, "")
    if saved.unit not in (None, unit):
        return f"expected the unit {unit}, found {saved.unit}"
    for value in (saved.value, saved.written):
        if kind in POSITIVE and value is not None and value <= 0:
            return f"expected a number above 0, found {value:g}"
    if saved.written is not None and not _setting(key, saved).agrees_with(saved.written):
        printed = as_printed(_setting(key, saved))
        return f"written is {in_full(saved.written)}, which would not be printed as {printed}"
    return ""


def _setting(key: str, saved: _Saved) -> Setting:
    unit = UNITS[kind_of(key)]
    return Setting(saved.value, unit, saved.digits, saved.raw, saved.tolerance)


def _profile(**found: Any) -> Profile:
    found.pop("format")
    saved: Mapping[str, _Saved] = found.pop("settings", {})
    settings = {key: SavedSetting(_setting(key, item), item.written) for key, item in saved.items()}
    return Profile(settings=settings, **found)


_FILE: Final = Table(
    _profile,
    {
        "format": Key(Choice((FORMAT,)), required=True),
        "name": Key(Text(most=64, pattern=_NAME.pattern, expected=_NAME_WORDS), required=True),
        "note": Key(Text(most=1000)),
        "family": Key(Choice(FAMILY_NAMES)),
        "axes": Key(machine.AXES),
        "mechanics": Key(machine.MECHANICS),
        "material": Key(machine.MATERIAL),
        "bead": Key(machine.BEAD),
        "instrument": Key(machine.INSTRUMENT),
        "tolerance": Key(machine.TOLERANCE),
        "priors": Key(machine.PRIORS),
        "budget": Key(machine.BUDGET),
        "link": Key(machine.PORT),
        "settings": Key(TableOf(_SETTING, setting_key_problem, _value_problem)),
        "other": Key(ListOf(Text(most=500))),
        "identity": Key(Text(most=500)),
        "read_at": Key(Text(most=40)),
        "read_from": Key(Text(most=500)),
    },
    "a profile",
)


# --- writing -------------------------------------------------------------------------------------


def profile_text(profile: Profile) -> str:
    """The text of a profile that reads back as `profile`."""
    known = _known_plain(profile)
    blocks = [_HEAD]
    for section, remark in _SECTIONS:
        told = {key: known[key] for key in section if key in known}
        gaps = _GAPS[section[0]](profile) if section[0] in _GAPS else []
        if not told and not gaps:
            continue
        lines = [f"# {line}" for line in remark]
        if told:
            lines.append(dump(told).rstrip())
        blocks.append("\n".join([*lines, *gaps]))
    return "\n\n".join(blocks) + "\n"


#: Sections of a profile's text in the order of use, with the remark over each.
_SECTIONS: Final[tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]] = (
    (("format", "name", "note", "family"), ()),
    (
        ("axes",),
        ("Letters of the controller; a leading '-' where it counts the other way. Along the belt",
         "counts positive the way the nozzle travels over it when the gantry rises."),
    ),
    (("mechanics",), ("How it is built: lengths in mm, angles in degrees.",)),
    (("material",), ("Plastic in use: shrink in %, temperatures in degrees C.",)),
    (("bead",), ("Planned bead, mm, and speeds, mm/s.",)),
    (("instrument",), ("Caliper: step of the display, permissible error, range, mm.",)),
    (("tolerance",), ("Errors that may stay: nothing smaller is changed.",)),
    (("priors",), ("How far off such machines are before anything is measured (one standard",
                   "deviation).")),
    (("budget",), ("Sizes of noise components that are not the usual ones.",)),
    (("link",), ("Where the controller is found.",)),
    (
        ("identity", "read_at", "read_from", "settings", "other"),
        ("As the controller printed its settings; 'written' is what was sent in full precision.",),
    ),
)  # fmt: skip

_HEAD: Final = (
    "# What is not in this file is not known, or as usual; 'plumbelt profile check' tells what a\n"
    "# gap forbids. Standard uncertainties (u_...) may be added where they are known better."
)


def _mechanics_gaps(profile: Profile) -> list[str]:
    found = profile.mechanics
    gaps = []
    if found.gantry_angle_deg is None:
        gaps.append("  # gantry_angle_deg: not known")
    if len(found.travel_mm) < len(ROLES):
        gaps.append("  # travel_mm: not known for every axis")
    gaps += [f"  # drives.{role}: not known" for role in ROLES if role not in found.drives]
    return gaps


def _material_gaps(profile: Profile) -> list[str]:
    told = profile.material
    if told.name == Material().name:
        return []
    names = {"nozzle_c": told.nozzle_c, "bed_c": told.bed_c}
    return [f"  # {name}: not known" for name, value in names.items() if value is None]


_GAPS: Final[dict[str, Callable[[Profile], list[str]]]] = {
    "mechanics": _mechanics_gaps,
    "material": _material_gaps,
}


def _known_plain(profile: Profile) -> dict[str, Any]:
    """`profile_plain` without what is merely usual."""
    plain, usual = profile_plain(profile), profile_plain(Profile(profile.name))
    for key in ("material", "bead", "instrument", "tolerance", "priors"):
        if plain.get(key) == usual.get(key):
            plain.pop(key, None)
    for key, name in (("material", "name"), ("mechanics", "max_pulse_rate")):
        if key in plain and plain[key].get(name) == usual[key][name]:
            del plain[key][name]
    return {key: value for key, value in plain.items() if value}


def profile_plain(profile: Profile) -> dict[str, Any]:
    """A profile as plain data, in the order and with the keys of its file."""
    plain: dict[str, Any] = {
        "format": FORMAT,
        "name": profile.name,
        "note": profile.note,
        "family": profile.family,
        "identity": _clean(profile.identity, 500),
        "read_at": profile.read_at,
        "read_from": profile.read_from,
        "axes": machine.plain_fields(profile.axes),
        "mechanics": machine.mechanics_plain(profile.mechanics),
        "material": machine.plain_fields(profile.material),
        "bead": machine.plain_fields(profile.bead),
        "instrument": machine.told_fields(profile.instrument),
        "tolerance": machine.plain_fields(profile.tolerance),
        "priors": machine.plain_fields(profile.priors),
        "budget": machine.unusual_fields(profile.budget),
        "link": machine.unusual_fields(profile.link),
        "settings": {key: _setting_plain(saved) for key, saved in profile.settings.items()},
        "other": [_clean(line, 500) for line in profile.other],
    }
    return {key: value for key, value in plain.items() if value not in (None, "", {}, [])}


def _setting_plain(saved: SavedSetting) -> dict[str, Any]:
    setting = saved.setting
    plain: dict[str, Any] = {
        "value": fixed(setting.value, setting.digits),
        "digits": setting.digits,
        "unit": setting.unit,
    }
    if saved.written is not None:
        plain["written"] = number(saved.written)
    if setting.tolerance is not None:
        plain["tolerance"] = number(setting.tolerance)
    if setting.raw:
        plain["raw"] = _clean(setting.raw, 200)
    return plain


def _clean(text: str, most: int) -> str:
    """Text of a controller, fit for a file: what cannot be printed is shown as `?`."""
    return "".join(c if c.isprintable() else "?" for c in text)[:most]


def amended_text(text: str, profile: Profile) -> str:
    """`text`, a profile's file, with only what differs set in place, so that it reads as `profile`.

    Remarks, order and spelling of all else stay as the person wrote them.  What cannot be put in
    place that way (a key that went, a table too deep) is written anew, whole.
    """
    want = profile_plain(profile)
    try:
        have = profile_plain(read_profile(text.encode(), ""))
        for key, value in want.items():
            old = have.get(key)
            if isinstance(value, dict) and isinstance(old, dict) and value.keys() >= old.keys():
                for name in value:
                    if value[name] != old.get(name):
                        text = with_key(text, f"{key}.{name}", value[name])
            elif value != old:
                text = with_key(text, key, value)
        if read_profile(text.encode(), "") == profile:
            return text
    except (ValueError, BadInput):
        pass
    return profile_text(profile)


def profile_path(name: str) -> Path:
    """Where the profile `name` is saved.  Raises BadInput for a name that is no file name."""
    if not _NAME.fullmatch(name) or is_device(name):
        problem = Problem("command line", None, "NAME", f"expected {_NAME_WORDS}, found {name!r}")
        raise BadInput("that is no name for a profile", problems=[problem])
    return user_profiles() / f"{name}.yaml"


def save_profile(
    profile: Profile, path: Path | None = None, *, expect: str | None = ABSENT
) -> ProfileFile:
    """Write `profile`, wholly or not at all; `path` defaults to its place among the saved ones.

    `expect` is the stamp of the file that may be replaced; by default none may be.  What a person
    wrote into that file stays where it does not differ.  Raises Refused if the file is there, has
    changed, or cannot be written.
    """
    place = profile_path(profile.name) if path is None else path
    if expect != ABSENT and place.exists():
        text = amended_text(place.read_text(encoding="utf-8"), profile)
    else:
        text = profile_text(profile)
    read_profile(text.encode(), str(place))  # what is written must be readable
    return ProfileFile(profile, place, write_file(place, text, expect=expect))


def with_settings(
    profile: Profile,
    readback: Readback,
    *,
    read_at: str,
    read_from: str,
    written: Mapping[str, float] | None = None,
) -> Profile:
    """`profile` with the settings just read.

    A full-precision value stays beside the printed one where the two agree: from `written`
    (what was sent just now) or from the profile.  Raises Refused for a damaged reading.
    """
    if readback.damaged:
        raise Refused(
            "The settings were not read cleanly: " + "; ".join(readback.damage),
            remedy="Read them again. Nothing was saved",
        )
    sent = {key: saved.written for key, saved in profile.settings.items()} | dict(written or {})
    settings = {}
    for key, setting in readback.settings.items():
        value = sent.get(key)
        kept = value if exact(setting, value) == value else None
        settings[key] = SavedSetting(setting, kept)
    return replace(
        profile,
        family=readback.family if readback.family in FAMILY_NAMES else profile.family,
        settings=settings,
        other=readback.other,
        identity=readback.identity,
        read_at=read_at,
        read_from=read_from,
    )
