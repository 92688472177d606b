"""Readings of an ordinary bench: the budget, the spread they show, one wrong reading among them."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, norm

from agent.estimate import preposterior, solve
from agent.estimate.consistency import examine
from agent.estimate.mistakes import SIDE, Suspicion, slip_limit, slip_odds, undone
from agent.estimate.observation import observe
from agent.estimate.parameters import PUBLIC, public_unit
from agent.estimate.uncertainty import chi2_beyond
from agent.model.budget import NO_BUDGET, Budget
from agent.model.drive import Drive, Roller
from agent.model.profile import Material, Mechanics
from agent.model.survey import BeltRun, Survey
from tests.estimate.cases import reading, survey
from tests.stress.judging import Row, rows_of, surveys


@pytest.fixture(scope="module")
def sound() -> Survey:
    """One machine on a bench without effects, the standard survey."""
    (row,) = rows_of("none", [])
    return next(iter(surveys(row, 7, 0, 1)))[0]


def spoiled(survey: Survey, i: int, mm) -> Survey:
    readings = list(survey.readings)
    readings[i] = replace(readings[i], mm=tuple(mm(x) for x in readings[i].mm))
    return replace(survey, readings=tuple(readings))


def row_of(survey: Survey, kind: str, least: float = 0.0) -> int:
    return next(
        i for i, r in enumerate(survey.readings) if r.kind == kind and math.hypot(*r.along) > least
    )


def test_a_sound_survey_agrees_and_its_shares_add_up(sound: Survey) -> None:
    solution = solve(sound)
    assert not solution.contradictory
    assert solution.goodness.p > 0.05
    for parameter in solution.parameters.values():
        assert sum(share.share for share in parameter.budget) == pytest.approx(1.0)
        assert all(share.share > 0 for share in parameter.budget)


@pytest.mark.parametrize(
    ("kind", "least", "mm", "mistake"),
    [
        ("outside", 80.0, lambda x: round(x / 25.4, 3), "inch"),
        ("outside", 80.0, lambda x: x / 10, "decimal"),
        ("inside", 0.0, lambda x: x - 10, "jaws_10mm"),
        ("travel", 100.0, lambda x: x + 0.8, "off"),
    ],
)
def test_one_wrong_reading_is_named_explained_and_does_not_pull(
    sound: Survey, kind: str, least: float, mm, mistake: str
) -> None:
    i = row_of(sound, kind, least)
    good, bad = solve(sound), solve(spoiled(sound, i, mm))
    assert [k for k, r in enumerate(bad.residuals) if r.outlier] == [i]
    assert bad.residuals[i].explanation.mistake == mistake
    assert (bad.corrections, bad.slicing_angle_deg, bad.contradictory) == ((), None, True)
    assert {a.code for a in bad.advice} <= {"outlier", "contradiction", "poor_fit", "copied"}
    for name in ("x_scale", "y_scale", "z_scale", "gantry_angle_deg"):
        off = bad.parameters[name].value - good.parameters[name].value
        assert abs(off) < bad.parameters[name].expanded95


def test_outside_typed_for_inside_is_told_by_the_offset_that_others_show() -> None:
    [(_, *_), (survey, *_)] = surveys(Row("none", "none"), 7, 0, 2)
    named = []
    for i in (row_of(survey, "inside"), row_of(survey, "outside", 80.0)):
        readings = list(survey.readings)
        kind = "outside" if readings[i].kind == "inside" else "inside"
        readings[i] = replace(readings[i], kind=kind)
        wrong = replace(survey, readings=tuple(readings))
        named += [(a.row, a.mistake) for a in examine(wrong).accused] or [(i, "nothing")]
        assert undone(wrong, Suspicion("inside_for_outside", (i,), (0.0,), 0.0)) == survey
    assert named == [(row_of(survey, "inside"), SIDE), (row_of(survey, "outside", 80.0), SIDE)]


@pytest.mark.parametrize("by", [-10.0, -5.0, -1.0, 1.0, 5.0, 10.0])
def test_a_nominal_mistyped_by_whole_millimetres_is_named(sound: Survey, by: float) -> None:
    i = row_of(sound, "outside", 150.0)
    was = sound.readings[i]
    size = math.hypot(*was.along)
    x, s, h = ((size + by) / size * c for c in was.along)
    readings = (*sound.readings[:i], replace(was, along=(x, s, h)), *sound.readings[i + 1 :])
    [accused] = examine(replace(sound, readings=readings)).accused
    assert (accused.row, accused.mistake) == (i, "nominal")
    assert f"{size:g} mm nominal" in accused.text


def test_a_lean_ten_times_too_large_is_answered() -> None:
    # the search with long tails once went on for ever here: steps that no longer grew shorter
    survey = surveys(Row("none", "none"), 7, 0, 2)[1][0]
    i = row_of(survey, "lean")
    [accused] = examine(spoiled(survey, i, lambda x: 10 * x)).accused
    assert (accused.row, accused.mistake) == (i, "decimal")


def test_exchanged_directions_never_end_in_an_unasked_line(sound: Survey) -> None:
    """Every printed length with x and s exchanged, one at a time."""
    for i, r in enumerate(sound.readings):
        x, s, h = r.along
        if r.kind in ("lean", "sway") or h or x == -s or abs(x - s) < 5:
            continue
        readings = list(sound.readings)
        readings[i] = replace(r, along=(s, x, h))
        solution = solve(replace(sound, readings=tuple(readings)))
        if not solution.contradictory:
            # Taken for the other direction it still fits: then nothing may have moved by it.
            good = solve(sound)
            for name in ("x_scale", "y_scale", "z_scale"):
                off = solution.parameters[name].value - good.parameters[name].value
                assert abs(off) < good.parameters[name].expanded95


@pytest.mark.parametrize("name", ["x_scale", "z_scale", "gantry_angle_deg"])
def test_a_slip_that_stays_unseen_moves_no_more_than_is_told(sound: Survey, name: str) -> None:
    """Every reading in turn is put off by what its residual shows 4 times in 5, by solving anew."""
    fit = solve(sound).fit
    i = fit.unknowns.index(PUBLIC[name])
    obs, size = fit.observations, fit.unknowns.u
    cov = np.linalg.inv(
        (fit.J * size).T @ (fit.J * size / obs.independent[:, None]) + np.eye(len(size))
    )
    cov = cov * np.outer(size, size)
    hat = fit.J @ cov @ fit.J.T / obs.independent
    moved = []
    for k in range(obs.size):
        least = (norm.ppf(0.995) + norm.ppf(0.8)) * math.sqrt(obs.independent[k] / (1 - hat[k, k]))
        off = np.zeros(obs.size)
        off[k] = least
        moved.append(abs((cov @ fit.J.T @ (off / obs.independent))[i]))
        residual = (np.eye(obs.size) - hat) @ off
        spread = math.sqrt(obs.independent[k] * (1 - hat[k, k]))
        assert norm.cdf(residual[k] / spread - norm.ppf(0.995)) == pytest.approx(0.8)
    told = solve(sound).parameters[name]
    assert told.unseen_slip == pytest.approx(max(moved) * public_unit(name), rel=1e-3)
    assert 3 <= told.told_by < obs.size


def test_copied_values_count_once(sound: Survey) -> None:
    """Zero spread is no information on repeatability."""
    copied = replace(
        sound, readings=tuple(replace(r, mm=(r.mm[0],) * len(r.mm)) for r in sound.readings)
    )
    honest, typed = solve(sound), solve(copied)
    assert typed.parameters["x_scale"].u > 0.9 * honest.parameters["x_scale"].u
    assert "copied" in {a.code for a in typed.advice}


def test_a_component_stated_larger_widens_what_it_enters(sound: Survey) -> None:
    def u(budget: Budget) -> float:
        fit = preposterior(replace(sound, budget=budget), [])
        return float(fit.u[fit.unknowns.index("ex")])

    none, usual = u(NO_BUDGET), u(Budget())
    assert none < usual < u(replace(Budget(), lost_motion_mm=0.5))


def test_slip_odds_are_the_mixture_of_normals() -> None:
    """Against scipy.stats: slips of N(0, 0.4), N(0, 1.5), N(0, 20) mm, 0.4 % of readings."""
    v, e, share = np.array([0.03**2]), np.array([0.3]), 4e-3
    slips = ((0.55, 0.4), (0.3, 1.5), (0.15, 20.0))
    wrong = sum(w * norm.pdf(0.3, scale=math.hypot(0.03, tau)) for w, tau in slips)
    expected = math.log(share * wrong / norm.pdf(0.3, scale=0.03))
    assert slip_odds(v, e, share) == pytest.approx([expected])
    assert slip_odds(v, slip_limit(v, share), share) == pytest.approx([0.0], abs=1e-3)


def test_chi_squared_against_scipy() -> None:
    assert chi2_beyond(35.2, 23) == pytest.approx(chi2.sf(35.2, 23))
    assert chi2_beyond(1.0, 0) == 1.0


def test_the_linear_grid_is_the_generalised_least_squares(sound: Survey) -> None:
    """Marginal likelihood of a node against scipy's multivariate normal with V + H H'."""
    from scipy.stats import multivariate_normal

    grid = examine(sound).spread
    log = []
    for k in (0, len(grid.log) - 1):
        S = np.diag(grid.V[k]) + grid.H[k] @ grid.H[k].T
        log.append(multivariate_normal(cov=S).logpdf(grid.r))
    prior = -0.5 * np.sum(
        ((np.log(grid.factors) - [0.0, math.log(0.8)]) / math.log(2)) ** 2, axis=1
    )
    ours = (grid.log - prior)[[0, -1]]
    assert ours[1] - ours[0] == pytest.approx(log[1] - log[0], rel=1e-6)


@pytest.mark.parametrize("step", [1.0, 0.5])
def test_a_belt_run_at_whole_and_half_roller_turns(step: float) -> None:
    """There the sine of the roller cannot be told from an offset: it is not sought."""
    roller = Roller(28.0, 1.0, neutral=0.5)
    turn = roller.travel_per_turn
    marks = tuple(round(turn * step * k, 2) for k in range(1, 8))
    noise = (0.01, -0.02, 0.02, 0.0, -0.01, 0.02, -0.02)
    measured = tuple(round(m * 1.002 + e, 2) for m, e in zip(marks, noise, strict=True))
    mechanics = Mechanics(drives={"belt": Drive(200, 16, 5, roller)})
    solution = solve(Survey((), mechanics, {"z": 100.0}, belt_runs=(BeltRun(marks, measured),)))
    run = solution.belt.runs[0]
    assert run.waves == ()
    assert run.scale == pytest.approx(0.002, abs=run.factor95 * run.u_scale)
    assert run.factor95 == pytest.approx(2.571, abs=1e-3)  # Student's t, 5 degrees of freedom


def test_iso_230_2_takes_marks_as_commanded() -> None:
    """A perfect axis has no deviation, whatever digits its marks have."""
    marks = (10.02, 20.04, 30.07)
    there_and_back = (*marks, *reversed(marks)) * 2
    run = BeltRun(there_and_back, there_and_back, approach="both")
    found = solve(Survey((), belt_runs=(run,))).belt.positioning
    assert (pytest.approx(0.0, abs=1e-12), pytest.approx(0.0, abs=1e-12)) == (found.E, found.A)


def test_one_length_repeated_is_a_belt_run() -> None:
    run = BeltRun((300.0,) * 6, (300.5, 300.55, 300.6, 300.52, 300.48, 300.55))
    solution = solve(Survey((), Mechanics(), {"z": 100.0}, belt_runs=(run,), material=Material()))
    assert solution.belt.runs[0].scale == pytest.approx(0.533 / 300, rel=1e-2)
    assert solution.corrections == ()
    assert "single_length" in {a.code for a in solution.advice}


def test_an_angle_as_sliced_that_is_not_sure_is_the_gantry_s_as_far_as_pieces_tell(
    sound: Survey,
) -> None:
    """Pieces printed by other means: nothing read on them is surer of the angle than that."""
    other = replace(sound, budget=replace(sound.budget, sliced_deg=0.2))
    angle, doubted = (solve(s).parameters["gantry_angle_deg"] for s in (sound, other))
    assert angle.u < 0.05
    assert doubted.budget[0].component == "sliced_deg"
    assert doubted.u > 2 * angle.u


@pytest.mark.parametrize(
    ("kind", "component", "sign"),
    [("travel", "lost_motion_mm", -1), ("lean", "foot_mm", 1)],
)
def test_what_errs_one_way_is_expected_so(
    sound: Survey, kind: str, component: str, sign: int
) -> None:
    """Half its usual size with the sign it has; its mean square about 0 is the size stated."""
    observations, unknowns = observe(sound)
    rows = [i for i, r in enumerate(sound.readings) if r.kind == kind and r.side != "opposite"]
    own = [i for i, name in enumerate(unknowns.names) if name.startswith(f"{component}:")]
    J = observations.predict(unknowns.mean)[1][rows][:, own]
    assert (J @ unknowns.mean[own] * sign > 0).all()
    size = getattr(sound.budget, component)
    assert np.hypot(unknowns.mean[own], unknowns.u[own]) == pytest.approx(size)


def many_readings(count: int) -> Survey:
    """Single lengths of one machine on a bench as the budget has it, all different."""
    dice = np.random.default_rng(11)
    kinds = ("outside", "inside", "pitch", "travel", "lean", "sway")
    ways = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0))
    readings = []
    for i, size in enumerate(dice.uniform(15, 200, count).tolist()):
        kind = kinds[i % len(kinds)]
        way = (0, 0, 1) if kind in ("lean", "sway") else ways[i // len(kinds) % len(ways)]
        readings.append(reading(kind, [size * c for c in way], 0.0))
    blank = survey(*readings, material=Material(), budget=Budget())
    obs, unknowns = observe(blank)
    p = unknowns.mean.copy()
    p[:3] = 0.004, -0.003, 0.006
    mm = obs.predict(p)[0] + np.sqrt(obs.independent) * dice.normal(size=count)
    read = zip(readings, mm.tolist(), strict=True)
    return replace(blank, readings=tuple(replace(r, mm=(x,)) for r, x in read))


def test_the_more_good_readings_the_less_is_one_of_them_doubted() -> None:
    """What speaks neither for nor against a mistake must not add up to one over thousands."""
    examined = examine(many_readings(4000))
    assert examined.accused == ()
    assert not examined.contradictory


def test_a_mistake_among_thousands_is_still_named() -> None:
    wrong = spoiled(many_readings(2000), 12, lambda x: x / 10)
    (accused,) = examine(wrong).accused
    assert (accused.row, accused.mistake) == (12, "decimal")
