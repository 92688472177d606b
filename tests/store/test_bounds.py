"""What a file may say: each number within its bounds, each text no longer than it may be.

The bounds stand here a second time, on purpose: one that is moved is moved for every file there is.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml

from agent.errors import BadInput
from agent.store.profiles import load_stand, read_profile
from agent.store.readings import read_readings

PROFILE = {"format": "plumbelt-profile/1", "name": "crane"}

_SCREWS = {"span_mm": 320, "pitch_mm": 0.7}
_AT = {"a": [0, 0], "b": [200, 0], "c": [0, 300]}
_STAND = {"pitch_mm": 0.7, "at": _AT}
_TOOTHED = {"full_steps": 200, "microsteps": 16, "teeth": 20, "pitch_mm": 2}
_ROLLER = {"full_steps": 200, "microsteps": 16, "roller_mm": 28, "belt_mm": 100}
_LEAD = {"full_steps": 200, "microsteps": 16, "lead_mm": 8}
_SETTING = {"value": 1, "digits": 2}

#: What must stand beside a key for its part to be whole, by the beginning of the key.
_BESIDE: dict[str, dict[str, Any]] = {
    "mechanics.screws": _SCREWS,
    "mechanics.bed": _STAND,
    "mechanics.drives.across": _TOOTHED,
    "mechanics.drives.gantry": _LEAD,
    "mechanics.drives.belt": _ROLLER,
    "settings.acceleration.print": _SETTING,
    "settings.home_offset.x": _SETTING,
}

#: Key, least and most; None for more than 0.
_NUMBERS: list[tuple[str, float | None, float]] = [
    ("mechanics.gantry_angle_deg", 5, 90),
    ("mechanics.travel_mm.across", None, 1e6),
    ("mechanics.belt_loop_mm", None, 1e6),
    ("mechanics.max_pulse_rate", None, 1e8),
    ("mechanics.yaw_span_mm", None, 1e6),
    ("mechanics.screws.span_mm", None, 1e6),
    ("mechanics.screws.pitch_mm", None, 100),
    ("mechanics.bed.pitch_mm", None, 100),
    ("mechanics.drives.across.full_steps", 1, 10_000),
    ("mechanics.drives.across.microsteps", 1, 1024),
    ("mechanics.drives.across.ratio", None, 10_000),
    ("mechanics.drives.across.teeth", 1, 10_000),
    ("mechanics.drives.across.pitch_mm", None, 1e6),
    ("mechanics.drives.across.u_relative", 0, 0.5),
    ("mechanics.drives.gantry.lead_mm", None, 1e6),
    ("mechanics.drives.belt.roller_mm", None, 1e6),
    ("mechanics.drives.belt.belt_mm", None, 1e6),
    ("mechanics.drives.belt.neutral_mm", 0, 100),
    ("mechanics.drives.belt.u_roller_mm", 0, 100),
    ("mechanics.drives.belt.u_belt_mm", 0, 100),
    ("mechanics.drives.belt.u_neutral_mm", 0, 100),
    ("mechanics.drives.belt.run_out_mm", 0, 100),
    ("material.shrink_percent", -10, 10),
    ("material.shrink_u_percent", None, 10),
    ("material.filament_mm", None, 10),
    ("material.nozzle_c", 0, 400),
    ("material.bed_c", 0, 200),
    ("bead.width_mm", None, 10),
    ("bead.height_mm", None, 10),
    ("bead.speed_mm_s", None, 1000),
    ("bead.first_speed_mm_s", None, 1000),
    ("bead.travel_speed_mm_s", None, 1000),
    ("instrument.resolution_mm", None, 10),
    ("instrument.mpe_mm", 0, 10),
    ("instrument.repeatability_mm", 0, 10),
    ("instrument.range_mm", None, 1e6),
    ("instrument.move_u_mm", None, 100),
    ("link.baud", 1, 10_000_000),
    ("tolerance.scale_percent", 1e-6, 50),
    ("tolerance.angle_deg", 1e-6, 45),
    ("priors.scale_percent", 1e-6, 50),
    ("priors.angle_deg", 1e-6, 45),
    ("priors.yaw_deg", 1e-6, 45),
    ("priors.rail_deg", 1e-6, 45),
    ("priors.roll_deg", 1e-6, 45),
    ("priors.offset_mm", None, 10),
    ("priors.form_mm", 0, 10),
    ("budget.zero_mm", 0, 10),
    ("budget.scan_percent", 0, 50),
    ("budget.sliced_deg", 0, 45),
    ("settings.acceleration.print.value", None, 1e9),
    ("settings.home_offset.x.value", -1e9, 1e9),
    ("settings.home_offset.x.digits", 0, 9),
    ("settings.home_offset.x.tolerance", None, 1e6),
]

_TEXTS = [
    ("name", 64),
    ("note", 1000),
    ("identity", 500),
    ("read_at", 40),
    ("read_from", 500),
    ("material.name", 80),
    ("instrument.link", 200),
    ("link.port", 300),
    ("mechanics.bed.fixed", 31),
    ("settings.home_offset.x.raw", 200),
]


def _parts(key: str) -> list[str]:
    """Names of a key; that of a setting has a point in it."""
    if key.startswith("settings."):
        head, rest = key.split(".", 1)
        name, last = rest.rsplit(".", 1)
        return [head, name, last]
    return key.split(".")


def _document(key: str, value: Any) -> bytes:
    document: dict[str, Any] = yaml.safe_load(yaml.safe_dump(PROFILE))
    parts, inner = _parts(key), document
    for depth, part in enumerate(parts[:-1], 1):
        inner = inner.setdefault(part, {})
        beside = _BESIDE.get(".".join(parts[:depth]), {})
        inner |= {k: v for k, v in beside.items() if k not in inner}
    inner[parts[-1]] = value
    return yaml.safe_dump(document, allow_unicode=True).encode()


def _accepted(key: str, value: Any) -> bool:
    try:
        read_profile(_document(key, value), "a file")
    except BadInput as refused:
        return ".".join(_parts(key)[:2]) not in str(refused)  # a refusal names the key
    return True


@pytest.mark.parametrize(("key", "least", "most"), _NUMBERS, ids=[key for key, *_ in _NUMBERS])
def test_numbers_within_their_bounds(key: str, least: float | None, most: float) -> None:
    whole = key.rpartition(".")[2] in ("full_steps", "microsteps", "teeth", "baud", "digits")
    step = 1 if whole else 1e-9 * most
    assert _accepted(key, most)
    assert not _accepted(key, most + step)
    if least is None:
        assert _accepted(key, 1e-9)
        assert not _accepted(key, 0)
    else:
        assert _accepted(key, int(least) if whole else least)
        assert not _accepted(key, least - (1 if whole else max(1e-9, 1e-9 * abs(least))))


@pytest.mark.parametrize(("key", "most"), _TEXTS)
def test_texts_no_longer_than_they_may_be(key: str, most: int) -> None:
    if key == "mechanics.bed.fixed":
        document = yaml.safe_load(_document(key, "a" * 31))
        document["mechanics"]["bed"]["at"]["a" * 31] = [1, 1]
        read_profile(yaml.safe_dump(document).encode(), "a file")
    else:
        assert _accepted(key, "a" * most)
    assert not _accepted(key, "a" * (most + 1))


@pytest.mark.parametrize(
    ("drive", "said"),
    [
        ({**_TOOTHED, "lead_mm": 8}, "one of"),
        ({"full_steps": 200, "microsteps": 16}, "one of"),
        ({"full_steps": 200, "microsteps": 16, "u_relative": 0.1}, "one of"),
        ({**_ROLLER, "u_relative": 0.1}, "u_relative does not go with roller_mm"),
        ({"full_steps": 200, "microsteps": 16, "roller_mm": 28}, "both roller_mm and belt_mm"),
        ({"full_steps": 200, "microsteps": 16, "belt_mm": 1}, "both roller_mm and belt_mm"),
        ({"full_steps": 200, "microsteps": 16, "teeth": 20}, "both teeth and pitch_mm"),
        ({"full_steps": 200, "microsteps": 16, "pitch_mm": 2}, "both teeth and pitch_mm"),
    ],
)
def test_a_drive_is_of_one_kind_and_whole(drive: dict[str, Any], said: str) -> None:
    with pytest.raises(BadInput, match=said):
        read_profile(_document("mechanics.drives.across", drive), "a file")


@pytest.mark.parametrize(
    ("bed", "said"),
    [
        ({"at": _AT}, "either screw"),
        ({"at": _AT, "screw": "M4", "pitch_mm": 0.7}, "either screw"),
        ({"at": {"a": [0, 0], "b": [1, 1]}, "screw": "M4"}, "three screws at least, found 2"),
        ({"at": _AT, "screw": "M4", "fixed": "d"}, "fixed names 'd'; the screws are a, b, c"),
        ({"at": {**_AT, "-d": [1, 1]}, "screw": "M4"}, "name of a screw"),
        ({"at": {**_AT, "d": [1, 1, 1]}, "screw": "M4"}, "d"),
        ({"at": {**_AT, "d": [1, 1e5 + 1]}, "screw": "M4"}, "d"),
        ({"at": {**_AT, "d": [-1e5 - 1, 1]}, "screw": "M4"}, "d"),
        ({"at": {**_AT, "d" * 32: [1, 1]}, "screw": "M4"}, "name of a screw"),
    ],
)
def test_a_bed_stands_on_three_screws_of_one_thread(bed: dict[str, Any], said: str) -> None:
    with pytest.raises(BadInput, match=said):
        read_profile(_document("mechanics.bed", bed), "a file")
    at = {"a" * 31: [0, 0], "b": [-1e5, 1e5], "c": [1, 1]}
    bed = {"at": at, "screw": "m4", "fixed": "b"}
    stand = read_profile(_document("mechanics.bed", bed), "a file").mechanics.stand
    assert stand is not None
    assert (stand.pitch_mm, stand.screw, stand.fixed) == (0.7, "M4", "b")


def test_axes_have_three_different_letters() -> None:
    for wrong in ({"across": "x", "gantry": "-x", "belt": "z"}, {"across": "xy"}):
        with pytest.raises(BadInput, match="letter"):
            read_profile(_document("axes", wrong), "a file")


def test_the_screws_of_a_bed_are_those_of_a_profile_or_stand_alone(tmp_path: Path) -> None:
    alone, profile, none = (tmp_path / name for name in ("bed.yaml", "crane.yaml", "none.yaml"))
    alone.write_text(yaml.safe_dump(_STAND))
    profile.write_bytes(_document("mechanics.bed", _STAND))
    none.write_text(yaml.safe_dump(PROFILE))
    assert load_stand(alone) == load_stand(profile)
    assert len(load_stand(alone).posts) == 3
    with pytest.raises(BadInput, match=r"mechanics\.bed is missing"):
        load_stand(none)


@pytest.mark.parametrize(
    ("key", "setting", "said"),
    [
        ("max_speed.x", {"value": 100, "digits": 2, "unit": "mm/min"}, "expected the unit mm/s"),
        ("max_speed.x", {"value": -1, "digits": 2}, "above 0, found -1"),
        ("max_speed.x", {"value": 1, "digits": 0, "written": 0}, "above 0, found 0"),
        (
            "max_speed.x",
            {"value": 1, "digits": 2, "written": 1.0051},
            "would not be printed as 1.00",
        ),
        ("max_sped.x", _SETTING, "unknown setting"),
        ("max_speed.x y", _SETTING, r"something like max_speed\.x"),
    ],
)
def test_a_saved_setting_has_the_unit_and_sign_of_its_kind(
    key: str, setting: dict[str, Any], said: str
) -> None:
    with pytest.raises(BadInput, match=said):
        read_profile(yaml.safe_dump({**PROFILE, "settings": {key: setting}}).encode(), "a file")
    right = {"value": 1, "digits": 2, "written": 1.0049, "unit": "mm/s"}
    document = yaml.safe_dump({**PROFILE, "settings": {"max_speed.x": right}}).encode()
    assert read_profile(document, "a file").settings["max_speed.x"].exact == 1.0049


# --- readings files ------------------------------------------------------------------------------

_READING = {"feature": "outside", "along": [10, 0, 0], "mm": [10.0]}
_RUN = {"commanded": [0, 10, 20], "measured": [0, 10, 20]}
_CHECK = {"known_mm": 10, "deviation_mm": 0, "u_mm": 0.01}
_PIECE = {"name": "one", "piece": "strip"}

#: What is put into a readings file, and whether it may be.
_GIVEN: list[tuple[dict[str, Any], str]] = [
    ({"readings": [{**_READING, "mm": [1e5]}]}, ""),
    ({"readings": [{**_READING, "mm": [1e5 + 1]}]}, "at most 100000"),
    ({"readings": [{**_READING, "mm": [10, 0]}]}, "above 0, found 0"),
    ({"readings": [{**_READING, "mm": [10, 1e-9]}]}, ""),
    ({"readings": [{**_READING, "mm": []}]}, "mm"),
    ({"readings": [{**_READING, "along": [1e5, -1e5, 0]}]}, ""),
    ({"readings": [{**_READING, "along": [1e5 + 1, 0, 0]}]}, "at most 100000"),
    ({"readings": [{**_READING, "along": [0, -1e5 - 1, 0]}]}, "at least -100000"),
    ({"readings": [{**_READING, "along": [10, 0]}]}, "along"),
    ({"readings": [{**_READING, "along": [10, 0, 0, 0]}]}, "along"),
    ({"readings": [{**_READING, "u_mm": 100}]}, ""),
    ({"readings": [{**_READING, "u_mm": 100.1}]}, "at most 100"),
    ({"readings": [{**_READING, "u_mm": 0}]}, "more than 0"),
    ({"readings": [{**_READING, "name": "a" * 80}]}, ""),
    ({"readings": [{**_READING, "name": "a" * 81}]}, "80"),
    ({"readings": []}, "at least one reading"),
    ({"readings": [], "belt_run": _RUN}, ""),
    ({"belt_run": [_RUN, {**_RUN, "axis": "across"}]}, ""),
    ({"belt_run": []}, "belt_run"),
    ({"belt_run": {**_RUN, "commanded": [0, 10, 1e6]}}, ""),
    ({"belt_run": {**_RUN, "commanded": [0, 10, 1e6 + 1]}}, "at most 1e"),
    ({"belt_run": {**_RUN, "measured": [-1e6 - 1, 10, 20]}}, "at least -1e"),
    ({"belt_run": {**_RUN, "measured": [-1e6, 10, 20]}}, ""),
    ({"belt_run": {**_RUN, "u_mm": 100}}, ""),
    ({"belt_run": {**_RUN, "u_mm": 101}}, "at most 100"),
    ({"belt_run": {"commanded": [0], "measured": [0]}}, "belt_run"),
    ({"checks": [{**_CHECK, "known_mm": 1e5, "deviation_mm": 100, "u_mm": 100}]}, ""),
    ({"checks": [{**_CHECK, "deviation_mm": -100, "on": "a" * 40}]}, ""),
    ({"checks": [{**_CHECK, "known_mm": 1e5 + 1}]}, "known_mm"),
    ({"checks": [{**_CHECK, "known_mm": 0}]}, "known_mm"),
    ({"checks": [{**_CHECK, "deviation_mm": 100.1}]}, "deviation_mm"),
    ({"checks": [{**_CHECK, "deviation_mm": -100.1}]}, "deviation_mm"),
    ({"checks": [{**_CHECK, "u_mm": 100.1}]}, "u_mm"),
    ({"checks": [{**_CHECK, "u_mm": 0}]}, "u_mm"),
    ({"checks": [{**_CHECK, "on": "a" * 41}]}, "40"),
    ({"pieces": [{"name": "a" * 40, "piece": "b" * 40, "size": {"a" * 40: 1e5}}]}, ""),
    ({"pieces": [{**_PIECE, "name": "a" * 41}]}, "40"),
    ({"pieces": [{**_PIECE, "piece": "a" * 41}]}, "40"),
    ({"pieces": [{**_PIECE, "size": {"a" * 41: 1}}]}, "expected a size"),
    ({"pieces": [{**_PIECE, "size": {"long": 1e5 + 1}}]}, "at most 100000"),
    ({"pieces": [{**_PIECE, "size": {"long": 0}}]}, "more than 0"),
    ({"conditions": {"room_c": -40, "piece_c": 400, "minutes_since_print": 1e7}}, ""),
    ({"conditions": {"room_c": -40.1}}, "at least -40"),
    ({"conditions": {"piece_c": 400.1}}, "at most 400"),
    ({"conditions": {"minutes_since_print": -0.1}}, "at least 0"),
    ({"conditions": {"minutes_since_print": 1e7 + 1}}, "at most 1e"),
    ({"settings": {"steps_per_mm": {"x": 1e7}, "max_speed": {"e0": 1e6}}}, ""),
    ({"settings": {"max_acceleration": {"y_1": 1e8, "z@left": 1}}}, ""),
    ({"settings": {"steps_per_mm": {"x": 1e7 + 1}}}, "at most 1e"),
    ({"settings": {"max_speed": {"x": 1e6 + 1}}}, "at most 1e"),
    ({"settings": {"max_acceleration": {"x": 1e8 + 1}}}, "at most 1e"),
    ({"settings": {"max_acceleration": {"x": 0}}}, "more than 0"),
    ({"settings": {"steps_per_mm": {"q": 80}}}, "letter of an axis"),
    ({"settings": {"steps_per_mm": {"x1": 80}}}, "letter of an axis"),
    ({"settings": {"steps_per_mm": {f"x@{'a' * 20}": 80}}}, ""),
    ({"settings": {"steps_per_mm": {f"x@{'a' * 21}": 80}}}, "letter of an axis"),
]


@pytest.mark.parametrize(("given", "said"), _GIVEN, ids=lambda given: str(given)[:60])
def test_readings_within_their_bounds(given: dict[str, Any], said: str) -> None:
    """Empty: it is read."""
    document = {"format": "plumbelt-readings/1", "readings": [_READING], **given}
    data = json.dumps(document).encode()
    if said:
        with pytest.raises(BadInput, match=said):
            read_readings(data, "a file")
    else:
        read_readings(data, "a file")


@pytest.mark.parametrize("kind", ["lean", "sway", "gap"])
def test_some_readings_have_a_sign(kind: str) -> None:
    reading = {"feature": kind, "along": [0, 0, 10], "mm": [-0.1]}
    mechanics = {"gantry_angle_deg": 45}
    document = {"format": "plumbelt-readings/1", "readings": [reading], "mechanics": mechanics}
    read = read_readings(yaml.safe_dump(document).encode(), "a file")
    assert read.survey.readings[0].mm == (-0.1,)


@pytest.mark.parametrize(
    ("part", "whole", "listed"),
    [
        ("readings", _READING, True),
        ("belt_run", _RUN, True),
        ("checks", _CHECK, True),
        ("pieces", _PIECE, True),
        ("", {"format": "plumbelt-readings/1", "readings": [_READING]}, False),
    ],
)
def test_what_must_stand_in_a_readings_file_is_missed(
    part: str, whole: dict[str, Any], listed: bool
) -> None:
    for key in [key for key in whole if key != "readings"]:
        less = {k: v for k, v in whole.items() if k != key}
        document = {"format": "plumbelt-readings/1", "readings": [_READING], part: [less]}
        with pytest.raises(BadInput, match=key):
            read_readings(json.dumps(document if listed else less).encode(), "a file")


@pytest.mark.parametrize(
    ("part", "whole", "wanted"),
    [
        ("mechanics.drives.across", _TOOTHED, ("full_steps", "microsteps")),
        ("mechanics.screws", _SCREWS, ("span_mm",)),
        ("mechanics.bed", _STAND, ("at",)),
        ("settings.home_offset.x", _SETTING, ("value", "digits")),
    ],
)
def test_what_must_stand_in_a_profile_is_missed(
    part: str, whole: dict[str, Any], wanted: tuple[str, ...]
) -> None:
    for key in wanted:
        less = {k: v for k, v in whole.items() if k != key}
        document = json.loads(json.dumps(PROFILE))
        inner = document
        names = (
            part.split(".") if not part.startswith("settings") else ["settings", "home_offset.x"]
        )
        for name in names[:-1]:
            inner = inner.setdefault(name, {})
        inner[names[-1]] = less
        with pytest.raises(BadInput, match=key):
            read_profile(json.dumps(document).encode(), "a file")
    for key in PROFILE:
        less = {k: v for k, v in PROFILE.items() if k != key}
        with pytest.raises(BadInput, match=key):
            read_profile(json.dumps(less).encode(), "a file")
