"""What is proposed and advised, by figures: each of these once was wrong and no test said so."""

import math

import numpy as np
import pytest

from agent.estimate.belt_findings import find
from agent.estimate.belt_run import reversal
from agent.estimate.fit import fit
from agent.estimate.observation import observe
from agent.estimate.remedies import looks_like_material
from agent.estimate.solve import solve
from agent.families import FAMILIES
from agent.model.budget import Budget
from agent.model.drive import Drive, Roller, steps_after_change
from agent.model.profile import Instrument, Material, Mechanics, Priors
from agent.model.survey import BeltRun, Conditions
from tests.estimate.cases import NO_SHRINK, by_setting, codes, reading, survey


def text_of(solution, code):
    return next(a.text for a in solution.advice if a.code == code)


def test_a_scale_within_its_interval_is_not_proposed():
    """0.3 % from 0.2 mm of uncertainty over 200 and 250 mm: u = 0.09 %, then ten times less."""

    def found(u):
        return solve(
            survey(reading("travel", (200, 0, 0), 200.3, u),
                   reading("travel", (250, 0, 0), 250.375, u))
        )  # fmt: skip

    vague, sure = found(0.6), found(0.06)
    assert vague.parameters["x_scale"].determined
    assert vague.corrections == ()
    assert by_setting(sure)["steps_per_mm.x"].new == pytest.approx(80 / 1.0015, abs=0.01)


def test_a_slicing_angle_within_its_interval_is_not_proposed():
    def found(u):
        return solve(
            survey(reading("lean", (0, 0, 60), -0.3, u), reading("pitch", (0, 0, 60), 60.3, u),
                   reading("travel", (0, 200, 0), 200.0, 0.02))
        )  # fmt: skip

    vague, sure = found(0.4), found(0.01)
    assert vague.parameters["gantry_angle_deg"].determined
    assert abs(vague.parameters["gantry_angle_deg"].value) > 0.15
    assert vague.slicing_angle_deg is None
    assert sure.slicing_angle_deg == pytest.approx(45 + math.degrees(0.3 / 60), abs=0.02)


def test_two_diagonals_alone_tell_a_plan_out_of_square_in_words():
    plate = survey(
        reading("outside", (100, 100, 0), 142.16, 0.03),
        reading("outside", (100, -100, 0), 140.68, 0.03),
        reading("outside", (100, 0, 0), 100.0, 0.03),
        reading("outside", (0, 100, 0), 100.0, 0.03),
    )
    assert "+0.60°" in text_of(solve(plate), "plan_shear")


LONG = tuple(np.linspace(50.0, 1000.0, 20).tolist())


def along_the_belt(errors, load="empty", u=None):
    measured = tuple(c + e for c, e in zip(LONG, errors, strict=True))
    return BeltRun(LONG, measured, load=load, u_mm=u)


def solved(*runs):
    return solve(survey(instrument=Instrument(repeatability_mm=0.02), belt_runs=tuple(runs)))


NOISE = 0.02 * np.array([1, -1, -1, 1] * 5)
STRETCH = 0.004 * np.array(LONG)


def test_an_error_that_grows_along_the_run_is_told_and_withholds_the_scale():
    bent = solved(along_the_belt(STRETCH + NOISE + 1.5 * (np.array(LONG) / 1000) ** 2))
    straight = solved(along_the_belt(STRETCH + NOISE))
    assert "+1." in text_of(bent, "trend")
    assert bent.corrections == ()
    assert "trend" not in codes(straight)
    assert by_setting(straight)["steps_per_mm.z"].new == pytest.approx(154 / 1.004, abs=0.05)


def test_a_slipping_belt_gives_no_scale():
    empty = along_the_belt(STRETCH + NOISE)
    loaded = along_the_belt(STRETCH - 0.003 * np.array(LONG) + NOISE, load="part")
    slipping = solved(empty, loaded)
    assert "slip" in codes(slipping)
    assert slipping.corrections == ()
    assert not slipping.parameters["z_scale"].determined


def test_scatter_alone_shows_slip_too():
    loaded = along_the_belt(STRETCH + 10 * -NOISE, load="part")
    assert "slip" in codes(solved(along_the_belt(STRETCH + NOISE), loaded))
    assert "slip" not in codes(
        solved(along_the_belt(STRETCH + NOISE), along_the_belt(STRETCH - NOISE, load="part"))
    )


def test_a_run_that_scatters_more_than_it_states_is_no_surer_than_its_scatter():
    """Its own standard deviation over sqrt(Sxx), by hand, whatever was stated."""
    wide = 20 * NOISE
    plain = solved(along_the_belt(STRETCH + wide, u=0.01)).to_plain()["belt_run"]["runs"][0]
    x = np.array(LONG)
    slope, offset = np.polyfit(x, wide, 1)
    s = math.sqrt(float(np.sum((wide - slope * x - offset) ** 2)) / (len(x) - 2))
    expected = s / math.sqrt(float(np.sum((x - x.mean()) ** 2)))
    assert plain["u"] == pytest.approx(expected, rel=1e-6)


def test_reversal_is_as_sure_as_the_mean_of_its_differences():
    """u^2 = 2 u_one^2 / n."""
    found = reversal([50.17, 100.17, 150.17, 200.17], [50.0, 100.0, 150.0, 200.0], 0.02)
    assert (found.mean, found.u) == pytest.approx((0.17, math.sqrt(2) * 0.02 / 2))


@pytest.mark.parametrize(("piece_c", "told"), [(29.0, "+0.06"), (11.0, "-0.06"), (23.0, "")])
def test_pieces_are_held_against_20_degrees(piece_c, told):
    """ISO 1; 68e-6 of each degree."""
    length = reading("outside", (100, 0, 0), 100.0, 0.02)
    found = solve(survey(length, conditions=Conditions(piece_c=piece_c)))
    assert ("warm_part" in codes(found)) is bool(told)
    assert not told or told in text_of(found, "warm_part")


SHORT = [
    reading("outside", v, 0.96 * max(v), 0.01)
    for v in ((30, 0, 0), (180, 0, 0), (0, 30, 0), (0, 180, 0), (0, 0, 20), (0, 0, 80))
]


@pytest.mark.parametrize("travelled", [True, False])
def test_the_material_factor_makes_up_for_the_shrink(travelled):
    """Four per cent short: 1 / 0.96 = 1.0417, not 1.04."""
    travel = [reading("travel", (200, 0, 0), 200.0, 0.02),
              reading("travel", (0, 300, 0), 300.0, 0.02)]  # fmt: skip
    found = solve(
        survey(
            *SHORT,
            *(travel if travelled else ()),
            material=Material("", 3.9, 1.0) if travelled else NO_SHRINK,
        )
    )
    assert "factor 1.041" in text_of(found, "material")
    assert found.corrections == ()


def test_a_belt_that_goes_too_far_lays_thinner_once_it_is_mended():
    found = solve(survey(reading("travel", (0, 200, 0), 204.0, 0.02),
                         reading("travel", (0, 300, 0), 306.0, 0.02)))  # fmt: skip
    assert "by -1.96" in text_of(found, "flow")


def test_the_belt_that_stays_on_another_roller_is_one_uncertainty():
    """pi 2 u(k) |1/before - 1/after| of the value, and nothing else where diameters are known."""
    old = Drive(
        200, 16, 1, Roller(20.0, 2.0, u_diameter=0.0, u_belt=0.0, neutral=1.0, u_neutral=0.2)
    )
    new = Drive(
        200, 16, 1, Roller(30.0, 2.0, u_diameter=0.0, u_belt=0.0, neutral=1.0, u_neutral=0.2)
    )
    value, u = steps_after_change(100.0, old, new)
    assert value == pytest.approx(100 * 22 / 32)
    assert u == pytest.approx(value * 2 * 0.2 * (1 / 22 - 1 / 32))


def test_what_a_small_controller_can_hold_and_when_it_listens():
    """A receive buffer of 128 bytes, deaf while it writes its memory: figures of such boards."""
    numbered = FAMILIES["numbered"]
    assert 0 < numbered.window.bytes < 128
    assert numbered.pause >= 0.03


@pytest.mark.parametrize("family", ["table", "replay", "override"])
def test_a_dump_with_speeds_and_no_steps_is_damaged(family):
    lines = {"table": ["EPR:3 10 7000.000 X-axis max. feedrate [mm/min]"]}.get(
        family, ["echo:  M203 X300.00 Y300.00 Z5.00 E25.00"]
    )
    found = FAMILIES[family].parse(lines)
    assert any("steps_per_mm" in said and "missing" in said for said in found.damage)


def test_few_repeats_have_the_wide_intervals_of_student():
    """Two readings of the same length repeated four times: 6 degrees of freedom, t = 2.447."""
    rough = Instrument(resolution_mm=0.001, mpe_mm=0.001, repeatability_mm=0.001)
    values = [200.0, 200.3, 200.1, 200.2]
    found = solve(
        survey(reading("travel", (200, 0, 0), values), reading("travel", (150, 0, 0),
               [x - 50 for x in values]), instrument=rough, mechanics=Mechanics())
    )  # fmt: skip
    x = found.parameters["x_scale"]
    assert x.expanded95 / x.u == pytest.approx(2.447, abs=0.05)


def test_what_each_reading_has_for_itself_is_of_its_stated_size():
    """Run-out 0.02 mm of unknown period, form 0.05 mm from the profile: their squares."""
    length = reading("pitch", (0, 100, 0), 100.0)
    obs, _ = observe(
        survey(length, budget=Budget(roller_wave_mm=0.02), priors=Priors(form_mm=0.05))
    )
    assert obs.own["roller_wave_mm"] == pytest.approx([4e-4], rel=1e-6)
    assert obs.own["form_mm"] == pytest.approx([2.5e-3])


def test_slip_is_the_reason_for_leaving_the_belt_alone():
    empty = along_the_belt(STRETCH + NOISE)
    loaded = along_the_belt(STRETCH - 0.003 * np.array(LONG) + NOISE, load="part")
    runs = survey(instrument=Instrument(repeatability_mm=0.02), belt_runs=(empty, loaded))
    found = find(runs)
    assert found is not None
    assert found.withheld == {"belt": "slip"}


def test_a_travel_that_tells_a_scale_keeps_the_material_out_of_it():
    short = survey(*SHORT)
    told = survey(*SHORT, reading("travel", (200, 0, 0), 192.0, 0.02))
    assert looks_like_material(short, fit(*observe(short)))
    assert not looks_like_material(told, fit(*observe(told)))
