"""What the model says over its whole range: parts, tables and questions."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import fields
from functools import partial
from itertools import product

import pytest

from agent.errors import Unknown
from agent.model.bed import COARSE_PITCH, Plane, Point, Turn, plane, short_path, tilt, turns_of
from agent.model.budget import CONTRIBUTORS, NO_BUDGET, Budget
from agent.model.caliper import limit_of_error
from agent.model.drive import Drive, Roller, Screw, Toothed, right_steps, steps_after_change
from agent.model.exact import (
    LEAST_OF_USE,
    MM_PER_INCH,
    MOST_OF_USE,
    as_printed,
    decimals,
    exact,
    factor,
    in_full,
    number,
    on_line,
    same,
    sendable,
)
from agent.model.feature import KINDS, Reading, direction_group
from agent.model.heat import Heat, Heats, danger_of, eased, heating_left
from agent.model.inference import (
    Candidate,
    Sign,
    _listed_outputs,
    _p_speed,
    infer,
    microsteps_told,
    signs_of,
)
from agent.model.interview import Interview, Told, read_drive
from agent.model.materials import USUAL, enlarged, expansion, usual
from agent.model.profile import Instrument, Material, Mechanics, Profile, Tolerance
from agent.model.replaced import PARTS, WORDS, after_replacing, parts_of, with_parts
from agent.model.roles import ROLES, Axes, Role
from agent.model.settings import POSITIVE, UNITS, Readback, Setting, kind_of, letter_of
from agent.model.survey import BeltRun
from agent.model.wording import USUAL_WORDING
from tests.listing import digits, leaves, row
from tests.pinned import Pinned


def refused(act: Callable[[], object]) -> str:
    """What is said of something that is no answer, or that it is taken."""
    try:
        act()
    except (ValueError, Unknown) as said:
        return str(said)
    return "taken"


# --- heaters -------------------------------------------------------------------------------------

#: Was, is, degrees: a part that cools, stays, warms; at and beyond every bound.
_OFF_PAIRS = (
    (200.0, 199.25), (200.0, 199.5), (200.0, 199.75), (200.0, 203.0), (60.5, 60.0), (60.0, 60.0),
    (60.25, 60.25),
    (60.5, 60.25), (25.0, 25.0),
)  # fmt: skip
_ON_PAIRS = (
    (100.0, 101.75), (100.0, 102.0), (100.0, 102.25), (100.0, 90.0), (204.0, 204.5),
    (205.0, 205.0), (206.0, 204.75), (212.5, 212.75), (215.0, 213.0), (215.0, 212.75),
)  # fmt: skip
_SECONDS = (0.0, 19.75, 20.0, 119.75, 120.0, 600.0, 600.25)


def test_what_two_reports_of_a_heater_show(pinned: Pinned) -> None:
    lines = []
    for name, target in product(("nozzle", "bed"), (0.0, 215.0)):
        for was, now in _ON_PAIRS if target else _OFF_PAIRS:
            before, after = Heats(**{name: Heat(was, target)}), Heats(**{name: Heat(now, target)})
            told = [danger_of(before, after, s) for s in _SECONDS]
            sort = {"": "-", "off": "COLDER?", "told": "WARMER?"}
            marks = [sort[words.split()[3] if words else ""] for words in told]
            left = row([heating_left(before, after, s) for s in _SECONDS], 2)
            lines.append(
                f"{name} {target:g} from {was} to {now}: {' '.join(marks)}; left {left};"
                f" eased {eased(before, after)}"
            )
    pinned("model/heaters", "\n".join(lines))


def test_the_words_of_a_heater_that_does_not_obey() -> None:
    off = danger_of(Heats(Heat(201.2, 0)), Heats(Heat(203.4, 0)), 31.0)
    assert off == (
        "the nozzle is off and gets NO COOLER: 203 °C, and 201 °C 31 s before."
        " Its output may be stuck ON"
    )
    on = danger_of(Heats(bed=Heat(30, 60)), Heats(bed=Heat(31, 60)), 120.0)
    assert on == (
        "the bed is told to reach 60 °C and gets NO WARMER: 31 °C, and 30 °C 120 s before."
        " Its heater may be broken, or its sensor out of place"
    )


def test_reports_that_cannot_be_compared_show_no_danger_and_no_ease() -> None:
    """Another target, or no report of the part before or after."""
    hot, other = Heat(200, 0), Heat(200, 100)
    for before, after in (
        (Heats(), Heats(hot)),
        (Heats(hot), Heats()),
        (Heats(hot), Heats(other)),
        (Heats(bed=hot), Heats(bed=other)),
    ):
        assert danger_of(before, after, 200.0) == ""
        assert eased(before, after)
    # the second part is looked at although the first cannot be compared
    assert danger_of(Heats(hot, hot), Heats(other, hot), 200.0).startswith("the bed is off")
    assert not eased(Heats(hot, hot), Heats(other, hot))


def test_how_long_heating_takes_is_told_by_the_slower_part() -> None:
    """20 K in 10 s with 50 K to go: 25 s; 5 K in 10 s with 20 K to go: 40 s."""
    before, after = Heats(Heat(130, 200), Heat(35, 60)), Heats(Heat(150, 200), Heat(40, 60))
    assert heating_left(before, after, 10.0) == pytest.approx(40.0)
    assert heating_left(Heats(before.nozzle), Heats(after.nozzle), 10.0) == pytest.approx(25.0)
    assert heating_left(before, after, 0.0) is None
    assert heating_left(Heats(), after, 10.0) is None
    assert heating_left(Heats(Heat(130, 190)), Heats(after.nozzle), 10.0) is None
    assert heating_left(before, Heats(Heat(198, 200), Heat(58, 60)), 10.0) == 0.0
    assert heating_left(before, Heats(), 10.0) == 0.0


# --- tables --------------------------------------------------------------------------------------


def test_usual_plastics(pinned: Pinned) -> None:
    lines = []
    for name, known in USUAL.items():
        assert name == known.name
        lines.append(
            f"{name}: nozzle {known.nozzle_c} bed {known.bed_c} middle {known.middle} shrink"
            f" {known.shrink_percent} u {known.shrink_u_percent} {known.caution}"
        )
    for typed in ("petg", "PLA+ blue", "abs-cf", " Tpu 95A", "PLAster", "", "-", "nylon"):
        found = usual(typed)
        lines.append(f"{typed!r}: {found.name if found else None}")
    lines.append(f"expansion {row([expansion(100.0, 20.0), expansion(50.0, -7.0, 12e-6)])}")
    lines.append(f"enlarged {row([enlarged(x) for x in (0.0, 0.003, 0.015, -0.01)])}")
    pinned("model/plastics", "\n".join(lines))


def test_the_usual_budget_of_a_bench(pinned: Pinned) -> None:
    lines = [
        f"{f.name}: {getattr(Budget(), f.name)} {'; '.join(CONTRIBUTORS[f.name])}"
        for f in fields(Budget)
    ]
    assert not any(getattr(NO_BUDGET, f.name) for f in fields(Budget))
    pinned("model/budget", "\n".join(lines))


def test_limits_of_calipers_at_and_beyond_every_length_of_the_table(pinned: Pinned) -> None:
    lengths = (0.0, 100.0, 300.0, 400.0, 500.0, 600.0, 700.0, 800.0, 900.0, 1000.0, 1600.0, 2000.0)
    lines = []
    for step in (0.01, 0.02, 0.05):
        for length in lengths:
            limits = [limit_of_error(length + more, step) for more in (0.0, 0.5)]
            lines.append(f"step {step} at {length:g}: {row(limits, 2)}")
    pinned("model/calipers", "\n".join(lines))


def test_a_machine_of_which_nothing_is_told(pinned: Pinned) -> None:
    lines = list(leaves(Profile("crane")))
    lines += leaves(USUAL_WORDING)
    lines += [
        f"{kind}: {unit}{' above zero' if kind in POSITIVE else ''}" for kind, unit in UNITS.items()
    ]
    lines += [
        f"{key}: {kind_of(key)} {letter_of(key)}" for key in ("max_speed.x@quiet", "jerk.z_2")
    ]
    pinned("model/untold", "\n".join(lines))


def test_what_is_unknown_says_which_key_of_the_profile_it_is() -> None:
    def key(act: Callable[[], object]) -> str:
        with pytest.raises(Unknown) as caught:
            act()
        return f"{caught.value.key}: {caught.value}".partition(". ")[0]

    assert key(lambda: Mechanics().angle_deg) == (
        "mechanics.gantry_angle_deg: the angle of the gantry to the belt is not known"
    )
    assert key(lambda: Mechanics().gantry_angle).startswith("mechanics.gantry_angle_deg")
    assert key(lambda: Material("PP").heats) == (
        "material.nozzle_c: the temperature of the nozzle for PP is not known"
    )
    assert key(lambda: Material("PP", nozzle_c=230).heats) == (
        "material.bed_c: the temperature of the bed for PP is not known"
    )
    assert Material(nozzle_c=230, bed_c=0).heats == (230, 0)


def test_what_a_caliper_may_be_off_by() -> None:
    """By its maker, else by DIN 862 (0.02 mm up to 100 mm, 0.03 beyond), at 150 mm if not told."""
    assert [Instrument().limit_mm(length) for length in (100, 101, 700)] == [0.02, 0.03, 0.04]
    assert Instrument(0.05).limit_mm(100) == 0.05
    assert Instrument(mpe_mm=0.07).limit_mm(900) == 0.07
    assert Instrument(mpe_mm=0.07).limit_words == "0.07 mm"
    assert Instrument().limit_words == "0.03 mm at 150 mm (DIN 862)"
    assert Instrument(range_mm=100.0).limit_words == "0.02 mm at 100 mm (DIN 862)"


def test_tolerances_are_shares_of_scales_degrees_of_angles_and_none_of_all_else() -> None:
    found = Tolerance(0.2, 0.3)
    assert [found.of(name) for name in ("x_scale", "yaw_deg", "gantry_angle_deg", "shrink")] == [
        pytest.approx(0.002), 0.3, 0.3, None,
    ]  # fmt: skip


def test_a_controllers_letters_have_their_sign_and_role() -> None:
    axes = Axes("-y", "z", "-x")
    assert [axes.letter(role) for role in ROLES] == ["y", "z", "x"]
    assert [axes.sign(role) for role in ROLES] == [-1, 1, -1]
    assert [axes.role(letter) for letter in "xyze"] == ["belt", "across", "gantry", None]


# --- settings as they are printed and sent -------------------------------------------------------


def test_a_value_stands_for_its_print_up_to_half_a_digit() -> None:
    printed = Setting(80.12, "step/mm", 2)
    assert printed.half_digit == pytest.approx(0.005)
    assert [printed.agrees_with(80.12 + by) for by in (0.005, -0.005, 0.0051, -0.0051)] == [
        True, True, False, False,
    ]  # fmt: skip
    coarse = Setting(3.0, "mm/s", 1, tolerance=0.25)
    assert coarse.half_digit == 0.25
    assert [coarse.agrees_with(3.0 + by) for by in (0.25, 0.2501)] == [True, False]
    assert Setting(0.0, "mm", 0, tolerance=0.0).agrees_with(1e-12)
    assert exact(printed, None, 80.2, 80.1234, 80.1199) == 80.1234
    assert exact(printed, 80.2) == exact(printed) == 80.12


def test_values_in_the_controllers_own_unit_and_decimals() -> None:
    """mm/min with one decimal: half a digit is 0.05 / 60 mm/s, which three decimals show."""
    plain, by_minute = Setting(80.0, "step/mm", 2), Setting(2.0, "mm/s", 1, tolerance=0.05 / 60)
    fine = Setting(1.5, "mm", 7)
    assert (factor(plain), factor(by_minute)) == (1.0, pytest.approx(1 / 60))
    assert [decimals(s) for s in (plain, by_minute, fine)] == [2, 3, 7]
    assert decimals(Setting(2.0, "mm/s", 0, tolerance=30.0)) == 0
    assert sendable(80.1234567) == sendable(80.1234567, plain) == 80.12346
    assert sendable(1.23456789, fine) == 1.2345679
    assert sendable(2.0000001, by_minute) == pytest.approx(120.00001 / 60, abs=1e-9)
    assert on_line(2.0, by_minute) == "120"
    assert on_line(1.23456789, fine) == "1.2345679"
    assert [number(x) for x in (80.0, 0.5, -1e-7, 100.0, 1e-5, -2.50)] == [
        "80", "0.5", "0", "100", "0.00001", "-2.5",
    ]  # fmt: skip
    assert (number(80.0, 0), number(1.26, 1)) == ("80", "1.3")
    assert same(1.000001, 1.0)
    assert not same(1.00001, 1.0)
    assert as_printed(plain) == "80.00"
    assert as_printed(by_minute, 2.0004) == "2.000"
    assert in_full(80.12345678912) == "80.12345679"
    assert (MM_PER_INCH, MOST_OF_USE, LEAST_OF_USE) == (25.4, 1e12, 1e-12)


# --- directions ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("along", "group"),
    [
        ((50, 0, 0), "x"), ((-50, 0, 0), "x"), ((50, 4e-5, 0), "x"), ((50, 6e-5, 0), "diagonal"),
        ((0, 50, 0), "s"), ((4e-5, 50, 0), "s"), ((6e-5, 50, 0), "diagonal"),
        ((0, 0, 50), "h"), ((0, 4e-5, 50), "h"), ((0, 6e-5, 50), "diagonal"),
        ((0, 40, 30), "gantry"), ((0, -40, -30), "gantry"), ((0, 30, 40), "diagonal"),
        ((1, 40, 30), "diagonal"), ((0, 0, 0), "diagonal"),
    ],
)  # fmt: skip
def test_the_direction_of_a_vector_on_a_gantry_of_3_to_4(
    along: tuple[float, float, float], group: str
) -> None:
    assert direction_group(along, math.atan2(3, 4)) == group


def test_a_reading_has_a_direction_and_rises_where_it_leads_off_the_belt() -> None:
    assert refused(lambda: Reading("travel", (0, 0, 0), (1.0,))) == (
        "expected a direction of 0.001 mm or more, found three zeros"
    )
    assert "found 0.0009 mm" in refused(lambda: Reading("travel", (0, 0, 9e-4), (1.0,)))
    assert refused(lambda: Reading("travel", (0, 0, 1e-3), (1.0,))) == "taken"
    assert [Reading(kind, (0, 1, h), ()).rises for kind in KINDS for h in (0, 1)] == [
        False,
        True,
    ] * 7


def test_marks_of_a_run_pair_up_and_tell_a_line_or_one_length() -> None:
    def said(commanded: tuple[float, ...], measured: tuple[float, ...]) -> str:
        return refused(lambda: BeltRun(commanded, measured))

    assert said((1, 2, 3), (1, 2)) == "3 commanded positions but 2 measured ones"
    assert said((0, 10, 20), (0, 10, 20)) == "taken"
    assert said((0, 10, 0, 10), (0, 10, 0, 10)).startswith("a run wants three different positions")
    assert said((50, 50), (50, 50)) == "taken"
    for wrong in ((50,), (0, 0), (-50, -50)):
        assert said(wrong, wrong) == "a run of one length wants it twice at least, above 0"


# --- drives --------------------------------------------------------------------------------------

DRIVES = {
    "pulley": Drive(200, 16, 1.0, Toothed(20, 2.0)),
    "small pulley": Drive(400, 32, 2.5, Toothed(16, 2.0, 0.003)),
    "screw": Drive(200, 16, 1.0, Screw(8.0)),
    "roller": Drive(200, 16, 3.0, Roller(28.0, 1.2)),
    "roller, cord known": Drive(200, 64, 57 / 11, Roller(31.0, 1.2, 0.3, u_neutral=0.05)),
    "roller, cord taken as known": Drive(200, 16, 3.0, Roller(31.0, 1.2, 0.3)),
    "larger roller": Drive(200, 16, 3.0, Roller(34.0, 1.2)),
    "roller, thick belt": Drive(200, 16, 3.0, Roller(28.0, 2.0, 0.0)),
}


def test_drives_of_every_kind_and_what_follows_where_one_replaces_another(pinned: Pinned) -> None:
    lines = []
    for name, drive in DRIVES.items():
        output = drive.output
        sizes = [output.travel_per_turn, output.u_travel_per_turn, drive.steps_per_mm]
        sizes += [drive.u_steps_per_mm, drive.mm_per_motor_turn]
        depth = f" depth u {digits(output.depth[1])}" if isinstance(output, Roller) else ""
        lines.append(f"{name}: {row(sizes)}{depth}; parts {parts_of(drive)}")
    for (a, old), (b, new) in product(DRIVES.items(), repeat=2):
        if a != b:
            lines.append(f"{a} to {b}: {row(steps_after_change(100.0, old, new))}")
    for e, half in product((0.0, 0.01, -0.02), (0.0, 0.005)):
        lines.append(f"right at {e}, {half}: {row(right_steps(154.31, e, 0.0004, half))}")
    pinned("model/drives", "\n".join(lines))


@pytest.mark.parametrize(
    ("act", "said"),
    [
        (lambda: Roller(0, 1), "roller must be a positive number, not 0"),
        (lambda: Roller(28, -1), "belt must be a positive number, not -1"),
        (lambda: Roller(28, 1, 1.01), "neutral line must lie inside the belt"),
        (lambda: Roller(28, 1, -0.01), "neutral line must lie inside the belt"),
        (lambda: Roller(28, 1, 0.0), "taken"),
        (lambda: Roller(28, 1, 1.0), "taken"),
        (lambda: Toothed(0, 2), "teeth must be a positive number, not 0"),
        (lambda: Toothed(20, math.inf), "pitch must be a positive number, not inf"),
        (lambda: Screw(0), "lead must be a positive number, not 0"),
        (lambda: Drive(0, 16, 1, Screw(8)), "full_steps must be"),
        (lambda: Drive(200, 0, 1, Screw(8)), "microsteps must be"),
        (lambda: Drive(200, 16, 0, Screw(8)), "ratio must be"),
        (lambda: steps_after_change(0, DRIVES["screw"], DRIVES["pulley"]), "old_steps must be"),
    ],
)
def test_parts_that_make_no_drive(act: Callable[[], object], said: str) -> None:
    assert refused(act).startswith(said)


_CHANGES: tuple[tuple[str, Role, dict[str, float]], ...] = (
    ("roller", "belt", {"roller": 34.0}),
    ("roller", "belt", {"belt": 1.6}),
    ("roller", "belt", {"neutral": 0.4}),
    ("roller, cord known", "belt", {"roller": 30.0}),
    ("roller, cord known", "belt", {"belt": 1.5}),
    ("pulley", "across", {"teeth": 16.0}),
    ("pulley", "belt", {"roller": 30.0, "belt": 1.0, "ratio": 3.0}),
    ("roller", "gantry", {"lead": 8.0}),
    ("roller", "belt", {"teeth": 20.0, "pitch": 2.0}),
    ("screw", "gantry", {"lead": 4.0}),
    ("screw", "gantry", {"teeth": 20.0, "pitch": 2.0}),
    ("pulley", "across", {"microsteps": 32.0}),
    ("pulley", "gantry", {"full_steps": 400.0, "ratio": 2.0}),
    ("screw", "across", {"ratio": 2.0}),
)


def test_what_follows_and_what_is_measured_again_after_a_part_was_replaced(pinned: Pinned) -> None:
    lines = [f"{part}: {names}" for part, names in PARTS.items()]
    lines += [f"{name}: {words}" for name, words in WORDS.items()]
    for name, role, parts in _CHANGES:
        old = DRIVES[name]
        plain = after_replacing(role, old, with_parts(old, parts), 160.0).to_plain()
        lines.append(f"{name} of {role}, {parts}")
        lines += [f"  {line}" for line in leaves(plain)]
    pinned("model/replaced", "\n".join(lines))


@pytest.mark.parametrize(
    ("name", "parts", "said"),
    [
        ("pulley", {"roller": 30.0}, "a roller wants its diameter and the belt's thickness"),
        ("pulley", {"belt": 1.0}, "a roller wants its diameter and the belt's thickness"),
        ("screw", {"teeth": 20.0}, "a toothed belt wants both teeth and pitch"),
        ("screw", {"pitch": 2.0}, "a toothed belt wants both teeth and pitch"),
        ("screw", {"lead": 0.0}, "lead must be"),
        ("pulley", {"teeth": 20.0}, "nothing differs from the drive in the profile"),
    ],
)
def test_parts_that_replace_nothing(name: str, parts: dict[str, float], said: str) -> None:
    old = DRIVES[name]
    assert refused(lambda: after_replacing("belt", old, with_parts(old, parts), 80.0)).startswith(
        said
    )


# --- drives inferred -----------------------------------------------------------------------------

SIGNS: dict[str, dict[Role, Sign]] = {
    "usual": {
        "across": Sign(80.0, 2, 200.0),
        "gantry": Sign(400.0, 2, 12.0),
        "belt": Sign(105.37, 2, 60.0),
    },
    "trimmed": {"across": Sign(78.74), "gantry": Sign(81.3, 1), "belt": Sign(37.5, 3)},
    "printed to four digits": {"across": Sign(80.0004, 4), "gantry": Sign(99.9996, 4)},
    "fine": {
        "across": Sign(320.0, 2, 150.0),
        "gantry": Sign(1600.0, 2, 20.0),
        "belt": Sign(1313.1),
    },
    "microsteps told": {
        "across": Sign(40.0, 2, 250.0, 8),
        "gantry": Sign(201.0, 2, None, 8),
        "belt": Sign(27.1, 2, None, 2),
    },
    "half steps": {"across": Sign(160.0, 2, 180.0), "belt": Sign(160.0, 2, 90.0)},
    "coarse pitch": {"across": Sign(66.67), "gantry": Sign(53.33), "belt": Sign(64.0)},
    "geared": {
        "across": Sign(414.5454),
        "gantry": Sign(1200.0, 1, 8.0),
        "belt": Sign(526.8, 1, 40.0),
    },
    "none": {"across": Sign(0.013), "gantry": Sign(987654.0), "belt": Sign(0.9)},
}


@pytest.mark.parametrize("name", SIGNS)
def test_drives_inferred_from_what_a_controller_tells(name: str, pinned: Pinned) -> None:
    lines = []
    for role, found in infer(SIGNS[name], most=9).items():
        lines.append(f"{role}: {len(found)}")
        for c in found:
            figures = row([100 * c.share, 100 * c.off, c.steps_per_mm, c.travel_per_turn], 3)
            lines.append(f"  {figures} {c.full_steps}x{c.microsteps}: {c}")
            lines.append(f"    {row([c.drive().steps_per_mm, c.drive(1.3, 31.0).steps_per_mm], 3)}")
    pinned(f"model/inferred {name}", "\n".join(lines))


def test_how_usual_every_part_is_taken_to_be(pinned: Pinned) -> None:
    """Of each role every output at its plain gear, and every gear with its first output."""
    lines = []
    for role in ROLES:
        listed = list(_listed_outputs(role))
        lines += [f"{role} {o}: {digits(100 * share)}" for o, ratio, share in listed if ratio == 1]
        for kind in (Toothed, Screw):
            first = next((o for o, _, _ in listed if isinstance(o, kind)), None)
            lines += [
                f"{role} {kind.__name__} gear {digits(ratio)}: {digits(100 * share)}"
                for o, ratio, share in listed
                if o == first
            ]
        lines.append(f"{role}: {len(listed)}, in all {digits(math.fsum(s for _, _, s in listed))}")
    pinned("model/usual parts", "\n".join(lines))


def test_an_axis_without_steps_is_not_inferred_and_one_without_speed_is() -> None:
    settings = {
        "steps_per_mm.x": Setting(80.0, "step/mm", 2),
        "steps_per_mm.y": Setting(math.nan, "step/mm", 2),
        "steps_per_mm.z": Setting(0.0, "step/mm", 2),
        "max_speed.x": Setting(0.0, "mm/s", 1),
    }
    found = signs_of(Readback("numbered", settings, ("M350 X8",)), Axes())
    assert found == {"across": Sign(80.0, 2, None, 8)}
    assert infer(found)["across"][0].microsteps == 8
    settings["steps_per_mm.z"] = Setting(-80.0, "step/mm", 2)
    assert signs_of(Readback("numbered", settings), Axes()).keys() == {"across"}
    for wrong in (0.0, -1.0, math.inf, math.nan):
        assert "must be a positive number" in refused(lambda w=wrong: infer({"belt": Sign(w)}))


def test_a_drive_that_fits_nothing_has_the_plain_share_of_none() -> None:
    one = Candidate(200, 16, 1.0, Toothed(20, 2.0), 40.0, 80.0)
    assert (one.share, one.off, one.roller_mm) == (0.0, 0.0, None)
    roller = Candidate(200, 16, 3.0, None, 30.0 * math.pi, 105.0)
    assert roller.roller_mm == pytest.approx(30.0)
    for belt, diameter in ((1.0, 29.0), (2.0, 28.0)):
        output = roller.drive(belt).output
        assert isinstance(output, Roller)
        assert (output.belt, output.diameter) == (belt, pytest.approx(diameter))
    assert roller.drive().output == roller.drive(1.0).output
    assert roller.drive(1.2, 28.5) == Drive(200, 16, 3.0, Roller(28.5, 1.2))


def test_a_stored_value_is_told_to_be_off_from_half_a_ten_thousandth_on() -> None:
    def said(off: float) -> str:
        return str(Candidate(200, 16, 1.0, Toothed(20, 2.0), 40.0, 80.0 * (1 + off)))

    assert said(4.9e-5).endswith("20 teeth: 80.00 step/mm")
    assert said(5.1e-5).endswith("80.00 step/mm, and the stored value is 0.0051 % above it")
    assert said(-5.1e-5).endswith("0.0051 % below it")


def test_microsteps_are_told_by_their_own_line_alone() -> None:
    lines = ("M350 X16 Y2 Z3 E512 I64", "X8 M350 X32", "M3500 X4", "M92 X64", "M350 Z1000")
    assert microsteps_told(lines[:1]) == {"x": 16, "y": 2}
    assert microsteps_told(lines[1:]) == {"x": 32}


# --- beds ----------------------------------------------------------------------------------------


def test_planes_tilts_and_turns_of_beds(pinned: Pinned) -> None:
    corners = {"a": (0.0, 0.0), "b": (240.0, 10.0), "c": (230.0, 310.0), "d": (-5.0, 300.0)}
    heights = {
        "flat": (0.0, 0.0, 0.0, 0.0),
        "tilted": (0.1, 0.62, 0.33, -0.24),
        "twisted": (0, 0.4, 0, 0.4),
    }
    lines = [f"{name}: {pitch}" for name, pitch in COARSE_PITCH.items()]
    for name, of in heights.items():
        points = [Point(x, s, h) for (x, s), h in zip(corners.values(), of, strict=True)]
        found = plane(points, 0.04)
        lines.append(f"{name}: {row([found.offset, 1e3 * found.slope_x, 1e3 * found.slope_s])}")
        lines += [f"  {row([1e6 * c for c in cov])}" for cov in found.covariance]
        lines.append(f"  left {row(found.residuals)} u {digits(found.u_height)} of {found.dof}")
        sizes = [found.tilt_along_deg, found.tilt_across_deg, *found.u_deg, found.twist_mm]
        lines.append(
            f"  {row(sizes)} twisted {found.twisted}"
            f" {row([found.at(30, 70), found.u_between(90, -40)])}"
        )
        for fixed in (None, "c"):
            for t in turns_of(found, corners, 0.7, fixed):
                lines.append(
                    f"  {fixed}: {t.direction} {t.screw} {row([t.turns, t.mm, t.u_turns])}"
                )
    for front, back in ((0.9, 0.2), (0.2, 0.9), (0.3, 0.3)):
        t = tilt(320.0, front, back, 0.7)
        lines.append(f"tilt {row([t.tilt_deg, t.height_mm, t.turns])} {t.which}")
    for count in range(9):
        places = {f"p{n}": (float((n * 37) % 90), float((n * 53) % 70)) for n in range(count)}
        lines.append(f"way of {count}: {' '.join(short_path(places))}")
    pinned("model/beds", "\n".join(lines))


def test_places_and_heights_are_finite_and_tell_a_plane() -> None:
    corners = [Point(0, 0, 0), Point(100, 0, 0), Point(0, 100, 0)]
    for wrong in (Point(math.inf, 0, 0), Point(0, math.nan, 0), Point(0, 0, math.inf)):
        said = refused(lambda w=wrong: plane([*corners, w]))
        assert said == "every place and height must be a finite number"
    # all but in one line: 1e-6 of the length is not beyond it
    line = [Point(0, 0, 0), Point(100, 0, 0), Point(200, 1e-4, 0)]
    assert refused(lambda: plane(line)).startswith("the points lie in one line")
    assert refused(lambda: plane([*line[:2], Point(200, 1e-2, 0)])) == "taken"
    assert (plane(corners).u_height, plane(corners).dof) == (0.03, 0)


def test_a_screw_is_left_below_half_a_hundredth_of_a_turn() -> None:
    screws = {"a": (0.0, 0.0), "b": (128.0, 0.0)}
    for mm, direction in ((0.0048828125, "leave"), (0.005126953125, "lower")):
        found = Plane(0.0, mm / 128, 0.0, ((0.0,) * 3,) * 3, (), 0.03, 0)
        assert turns_of(found, screws, 1.0, "a")[0].direction == direction
    exactly = Plane(0.0, 0.005, 0.0, ((0.0,) * 3,) * 3, (), 0.03, 0)
    assert turns_of(exactly, {"a": (0.0, 0.0), "b": (1.0, 0.0)}, 1.0, "a")[0].direction == "lower"
    assert Turn("a", 0.0, "leave", 0.0).u_turns == 0.0


# --- the interview -------------------------------------------------------------------------------


def machine(
    family: str = "numbered", *, steps_z: float = 105.37, damage: tuple[str, ...] = ()
) -> Told:
    """A controller that tells steps, travel and microsteps."""
    steps = {"x": 80.0, "y": 400.0, "z": steps_z, "e": 93.0}
    settings = {f"steps_per_mm.{letter}": Setting(v, "step/mm", 2) for letter, v in steps.items()}
    settings |= {
        f"max_travel.{letter}": Setting(v, "mm", 0)
        for letter, v in zip("xyz", (220.0, 180.0, 4000.0), strict=True)
    }
    settings["max_speed.x"] = Setting(200.0, "mm/s", 1)
    lines = ("M350 X16 Y16 Z16 E16",)
    return Told(
        "crane", Readback(family, settings, lines, "board 1", damage=damage), "port 3", "2026-02-03"
    )


def spoken(interview: Interview, given: dict[str, str], *, full: bool) -> Iterator[str]:
    """Every question, and what the profile then has that no untold one has.

    full: with all that is shown of a question.
    """
    while (q := interview.next()) is not None:
        yield f"{q.key} ({interview.left} left{', moves ' + q.moves if q.moves else ''}): {q.text}"
        if full or q.key == "heats":
            yield f"  why: {q.why}"
            yield f"  help: {q.help}"
        yield f"  default {q.default!r}, {'may be' if q.may_be_unknown else 'never'} unknown"
        yield from (f"  offer: {line}" for line in q.offers)
        by_enter = "yes" if q.key == "moves" else "unknown" if q.default is None else ""
        answer = given.get(q.key, by_enter)
        interview = interview.answer(answer)
        yield f"  answered {answer!r}: {interview.values()[q.key]!s}"
    usual = set(leaves(Profile("crane")))
    yield from (
        line
        for line in leaves(interview.profile())
        if line not in usual and (full or ".settings." not in line)
    )


WALKS: dict[str, tuple[Told, dict[str, str]]] = {
    "by enter": (machine(), {}),
    "nothing attached": (Told("crane"), {"material": "tpu", "travel": "200 190 900"}),
    "all told": (
        machine(),
        {
            "axes": "x -y z",
            "angle": "35",
            "drive.across": "teeth 20 pitch 2",
            "drive.gantry": "teeth 20 pitch 2 micro 16",
            "drive.belt": "2",
            "roller.belt": "28 1.1",
            "coupling": "motors",
            "loop": "1460",
            "screws": "M4 left 0 0 right 240 0 rear 120 300",
            "way.across": "left",
            "way.gantry": "down",
            "way.belt": "toward",
            "material": "ABS",
            "heats": "240 100",
            "filament": "1.75 0.6",
            "bead": "0.7 0.3",
            "instrument": "0.02 0.04 200",
            "gauge": "0.05",
            "tolerance": "0.2 0.3",
        },
    ),
    "two screws, own plastic": (
        machine("unknown"),
        {
            "moves": "no",
            "material": "my own",
            "heats": "210 0",
            "screws": "0,8 320",
            "coupling": "axes",
        },
    ),
    "a damaged reading": (
        machine(damage=("a line was lost",)),
        {"drive.belt": "roller 28 belt 1 ratio 3"},
    ),
}


@pytest.mark.parametrize("name", WALKS)
def test_an_interview_from_its_first_question_to_the_profile(name: str, pinned: Pinned) -> None:
    told, given = WALKS[name]
    lines = spoken(Interview(told), given, full=name == "all told")
    pinned(f"model/interview {name.replace(',', '')}", "\n".join(lines))


_NO_ANSWERS = {
    "axes": ("", "x", "x y zz", "x y y", "x y a", "unknown", "1 2 3"),
    "angle": ("", "4.9", "90.1", "steep", "1e1", "45 mm", "--45"),
    "drive.across": (
        "0",
        "5",
        "teeth",
        "teeth 20",
        "teeth x pitch 2",
        "micro 3.5 lead 2",
        "wheel 3",
        "lead 0",
        "roller 30",
    ),
    "travel": ("1 2", "0.9 1 1", "1 1 1000001", "a b c", "220 200 5000 1"),
    "loop": ("49.9", "1000001", "1460 m"),
    "screws": (
        "M7 320",
        "0.09 320",
        "10.1 320",
        "M4",
        "M4 4.9",
        "M4 a 0 0 b 240 0",
        "M4 a 0 0 a 1 1 b 2 2",
        "M4 1 0 0 b 1 1 c 2 2",
        "M4 a 0 0 b 1 1 c x 2",
        "2.5.1 320",
    ),
    "moves": ("perhaps", "unknown", ""),
    "way.across": ("up", "1"),
    "way.gantry": ("left",),
    "way.belt": ("forward",),
    "material": ("P" * 81, "a\tb", ""),
    "heats": ("99 60", "401 0", "215 201", "215", "hot cold", "215 -1"),
    "filament": ("0.09 0.4", "1.75 10.1", "1.75"),
    "bead": ("0.04 0.2", "0.4 11"),
    "instrument": ("0.0004 0.03 150", "0.01 0.03", "0.01 0.03 5001"),
    "gauge": ("0.0004", "10.1", "ten"),
    "tolerance": ("0.0009 0.1", "0.1 41", "0.1"),
}


def test_what_is_said_of_what_is_no_answer(pinned: Pinned) -> None:
    interview, lines = Interview(machine()), []
    while (question := interview.next()) is not None:
        for wrong in _NO_ANSWERS.get(question.key, ()):
            lines.append(
                f"{question.key} {wrong[:20]!r}: {refused(partial(interview.answer, wrong))}"
            )
        usual = {"moves": "yes", "material": "PLA"}
        interview = interview.answer(usual.get(question.key, question.default or "unknown"))
    pinned("model/no answers", "\n".join(lines))


def test_every_word_of_a_drive_may_be_used_at_once() -> None:
    """Teeth and pitch go before a lead, a lead before a roller."""
    motor = "steps 400 micro 32 ratio 2"
    roller = "roller 28 belt 1.2"
    read = [read_drive(f"{motor} {words}") for words in (
        f"teeth 20 pitch 2 lead 8 {roller}", f"lead 8 {roller}", roller
    )]  # fmt: skip
    outputs = (Toothed(20, 2.0), Screw(8.0), Roller(28.0, 1.2))
    assert read == [Drive(400, 32, 2.0, output) for output in outputs]
    assert read_drive(" ;lead 8, ") == Drive(200, 16, 1.0, Screw(8.0))


@pytest.mark.parametrize(("off", "near"), [(0.0599, True), (-0.0599, True), (0.0601, False)])
def test_drives_within_six_per_cent_of_a_stored_value_are_looked_at(off: float, near: bool) -> None:
    found = infer({"across": Sign(80.0 * (1 + off), 4)}, most=200)["across"]
    plain = [c.output for c in found if c.ratio == 1 and c.microsteps == 16]
    assert (Toothed(20, 2.0) in plain) == near


@pytest.mark.parametrize(
    ("across", "thinkable"), [(11.99, False), (12.01, True), (119.9, True), (120.1, False)]
)
def test_rollers_of_12_to_120_mm_are_thinkable(across: float, thinkable: bool) -> None:
    """One of 200 full steps at one microstep and no gear: 200 / (pi D) step/mm."""
    sign = Sign(200 / (math.pi * across), 6, microsteps=1)
    found = infer({"belt": sign}, most=500)["belt"]
    plain = [c for c in found if c.output is None and c.ratio == 1 and c.full_steps == 200]
    assert bool(plain) is thinkable


def test_a_tenth_is_shown_by_one_decimal() -> None:
    """Twice half a digit of 0.05 is a tenth, however its logarithm is rounded."""
    for half, places in ((0.5, 0), (0.05, 1), (0.005, 2), (0.0005, 3), (0.06, 1), (0.04, 2)):
        assert decimals(Setting(2.0, "mm/s", 1, tolerance=half)) == places


def test_speeds_of_a_motor_are_likeliest_at_three_and_a_half_turns_a_second() -> None:
    """A logarithmic normal of a factor of two: one such step off weighs exp(-1/2)."""
    one = Candidate(200, 16, 1.0, Toothed(20, 2.0), 40.0, 80.0)
    assert _p_speed(one, None) == 1.0
    assert _p_speed(one, 140.0) == pytest.approx(1.0)  # 3.5 turns of 40 mm
    for times in (2.0, 0.5):
        assert _p_speed(one, 140.0 * times) == pytest.approx(math.exp(-0.5))


def test_five_drives_are_told_of_an_axis_and_slow_axes_have_a_speed_too() -> None:
    assert len(infer({"across": Sign(80.0)})["across"]) == 5
    settings = {
        "steps_per_mm.x": Setting(80.0, "step/mm", 2),
        "max_speed.x": Setting(0.5, "mm/s", 1),
    }
    assert signs_of(Readback("numbered", settings), Axes())["across"].max_speed == 0.5
