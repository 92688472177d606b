"""Parts of the estimate over their whole range, and each bound from both sides."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from agent.errors import BadInput, Refused
from agent.estimate import solve
from agent.estimate.advice.angles import belt_in_lean
from agent.estimate.advice.axes import offsets
from agent.estimate.advice.practice import contradictory, scatter
from agent.estimate.belt_findings import BeltFindings, _by_mark, find, passes_of
from agent.estimate.belt_run import Period, belt_run, reversal, slip, tells, whole_turns
from agent.estimate.checking import checked, zero_and_scale
from agent.estimate.consistency import (
    Goodness,
    _anything_goes,
    _likeliest,
    _shortlist,
    _unlike,
    _unlike_others,
    _weighed,
    copied_rows,
    examine,
)
from agent.estimate.design import Ask, Candidate, Course, _State, course, doubted
from agent.estimate.drift import Dated, drift, recheck_days
from agent.estimate.effects import layout, own
from agent.estimate.fit import _inside, fit
from agent.estimate.foretelling import compare, growth_bound
from agent.estimate.linear import fit_linear, line
from agent.estimate.mistakes import (
    MANY,
    Suspicion,
    _guesses,
    joined,
    slip_limit,
    slip_odds,
    suspicions,
)
from agent.estimate.observation import Observations, noise_of, observe, turned_with_gantry
from agent.estimate.parameters import parameters_of
from agent.estimate.planning import _at_hand, _by_moves, _by_printing
from agent.estimate.positioning import positioning
from agent.estimate.proof import _tolerance as tolerance_of_proof
from agent.estimate.proof import proof, shown_errors
from agent.estimate.reliability import DELTA
from agent.estimate.remedies import (
    Verdict,
    _is_travelled,
    decide,
    errors_after,
    looks_like_material,
    power_of_two,
    several_speak,
)
from agent.estimate.repeats import apart, repeatability, strays, suspect, torn
from agent.estimate.shares import contributor
from agent.estimate.solution import Parameter, Residual, Solution
from agent.estimate.solve import list_deviate
from agent.estimate.spread import spread
from agent.estimate.standing import askew, standing, verdict
from agent.estimate.uncertainty import chi2_beyond, combined, coverage_factor, grubbs_critical
from agent.model.budget import CONTRIBUTORS
from agent.model.drive import Drive, Roller, Toothed
from agent.model.feature import Between, Kind, Reading
from agent.model.geometry import ERRORS, Array
from agent.model.materials import expansion
from agent.model.profile import Instrument, SavedSetting, Tolerance
from agent.model.roles import WANTED
from agent.model.settings import Event, Readback, Setting
from agent.model.survey import BeltRun, Check, Conditions, Survey
from tests.estimate.benches import GOOD, OFF, SURVEYS, UPRIGHT
from tests.estimate.cases import codes
from tests.estimate.telling import figures
from tests.listing import digits, row
from tests.pinned import Pinned


def refused(act: Callable[[], object]) -> str:
    try:
        act()
    except (ValueError, BadInput) as said:
        return str(said)
    return "taken"


# --- the short tune ------------------------------------------------------------------------------

#: Minutes that a gauge, a piece and a square want.
SETUPS = {"gauge": 3.0, "post": 25.0, "plate": 40.0, "ramp": 30.0, "strip": 15.0}


def candidates(base: Survey, *, again: bool = True) -> list[Candidate]:
    """Every feature of a survey; moves want the gauge, features their piece."""
    found = []
    for n, r in enumerate(base.readings):
        moved = r.kind == "travel"
        need = "gauge" if moved else r.name.split()[0]
        needs = (need,) if need in SETUPS else ()
        seconds = 20.0 + 5 * (n % 3)
        more = again and not moved
        found.append(Candidate(r, seconds, needs, more) if more else Candidate(r, seconds, needs))
    return found


def told(found: Course) -> Iterator[str]:
    for name in found.wanted:
        size = 100 if name.endswith("_scale") else 1
        sizes = (found.tolerance, found.now, found.after, found.slip)
        open_ = found.unreachable.get(name)
        yield (
            f"{name} {row([size * of[name] for of in sizes])}"
            f" unreachable {digits(None if open_ is None else size * open_)}"
        )
    for ask in found.asks:
        after = row(100 * u for u in ask.after.values())
        yield f"{ask.name} value {ask.value} {digits(ask.minutes)}: {after}"
    more = row([100 * u for u in found.more_after.values()])
    yield f"enough {found.enough}, outside {found.outside}, {digits(found.minutes)} minutes"
    yield f"more {found.more}: {more}"


def bare(base: Survey, scale: float, angle: float, *names: str) -> Survey:
    readings = tuple(r for r in base.readings if r.name.startswith(names)) if names else ()
    return replace(base, readings=readings, tolerance=Tolerance(scale, angle))


COURSES: dict[str, Callable[[], Course]] = {
    "from nothing": lambda: course(bare(OFF, 0.15, 0.15), candidates(OFF), SETUPS),
    "upright": lambda: course(bare(UPRIGHT, 0.15, 0.2), candidates(UPRIGHT), SETUPS),
    "out of reach": lambda: course(bare(OFF, 0.02, 0.02), candidates(OFF), SETUPS),
    "a little out of reach": lambda: course(bare(OFF, 0.06, 0.06), candidates(OFF), SETUPS),
    "post laid": lambda: course(
        bare(OFF, 0.15, 0.15, "post"), candidates(OFF), SETUPS, there=("post",)
    ),
    "moves taken": lambda: course(
        bare(OFF, 0.12, 0.12, "move"), candidates(OFF), SETUPS, there=("gauge",)
    ),
    "all read": lambda: course(bare(OFF, 0.15, 0.15, ""), candidates(OFF), SETUPS),
    "nothing to read": lambda: course(bare(OFF, 0.15, 0.15, "move z"), [], SETUPS),
    "the belt alone": lambda: course(
        bare(OFF, 0.15, 0.15), candidates(OFF), SETUPS, wanted=("z_scale",)
    ),
    "a sign that would not be seen": lambda: course(
        bare(OFF, 8.0, 3.0, "post l", "move z"), candidates(OFF), SETUPS,
        wanted=("gantry_angle_deg",), there=("post",),
    ),
    "leans alone": lambda: course(
        bare(OFF, 0.15, 0.4), [c for c in candidates(OFF) if c.reading.kind in ("lean", "travel")],
        SETUPS,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", COURSES)
def test_which_values_are_asked_for_and_what_is_known_after_each(name: str, pinned: Pinned) -> None:
    pinned(f"estimate/course {name}", "\n".join(told(COURSES[name]())))


def test_no_reading_wanted_is_a_course_of_nothing() -> None:
    found = course(bare(OFF, 0.15, 0.15), candidates(OFF), SETUPS, wanted=())
    assert (found.asks, found.enough, found.more) == ((), True, "")


def test_doubted_is_what_stands_off_by_more_than_2_58_uncertainties() -> None:
    examined = solve(OFF).examined
    assert examined is not None
    sizes = [(0.0257, 0.01), (-0.0258, 0.01), (0.05, 0.01), (1.0, 0.0), (1.0, 1e-9), (0.3, 2e-9)]
    assert doubted(examined, sizes) == [5, 2, 1]
    wrong = solve(SURVEYS["sign"]()).examined
    assert wrong is not None
    assert doubted(wrong, [(1.0, 0.01)] * 19)[0] == 18
    assert 6 not in doubted(wrong, [(1.0, 0.01)] * 19)


# --- what to read next ---------------------------------------------------------------------------


def test_what_could_be_read_next(pinned: Pinned) -> None:
    lines = []
    for name, base in (("off", OFF), ("good", GOOD), ("upright", UPRIGHT)):
        for stage in (_at_hand, _by_moves, _by_printing):
            for r in stage(base):
                lines.append(f"{name} {r.kind} {row(r.along)} {digits(r.u_mm)} {len(r.mm)}")
    pinned("estimate/candidates", "\n".join(lines))


# --- mistakes of the hand ------------------------------------------------------------------------


def test_every_guess_of_what_a_reading_should_have_been(pinned: Pinned) -> None:
    lines = []
    for kind, along, y in (
        ("outside", (25.0, 0.0, 0.0), 25.31), ("inside", (0.0, 7.5, 0.0), 17.52),
        ("pitch", (0.0, 0.0, 60.0), 2.36), ("lean", (0.0, 0.0, 60.0), -0.71),
        ("sway", (0.0, 0.0, 60.0), 29.9), ("gap", (150.0, 0.0, 0.0), 30.0),
        ("travel", (0.0, 120.0, 160.0), 201.2),
    ):  # fmt: skip
        lines.append(f"{kind} {row(along)} {y}")
        for g in _guesses(Reading(kind, along, (y,)), y, 3):  # type: ignore[arg-type]
            lines.append(f"  {g.mistake} {row([*g.change, g.before, g.log_odds])} {g.about}")
    pinned("estimate/guesses", "\n".join(lines))


@pytest.mark.parametrize(
    ("typed", "whole"),
    [
        ((25, 27, 25.26), (25.27, 25.26)),
        ((25.26, 25, 27), (25.26, 25.27)),
        ((90, 46, 90, 45), (90.46, 90.45)),
        ((25, 27), (25.27,)),
        ((25.5, 27, 25.5), None),
        ((25, 0, 25.1), (25.0, 25.1)),
        ((25, 999, 25.9), (25.999, 25.9)),
        ((25, 1000, 25.9), None),
        ((25, -1, 25.1), None),
        ((25, 27, 25.6), None),  # 0.33 apart, where 0.2 + 0.2 % of 25.4 is 0.25
        ((300, 10, 300.85), (300.10, 300.85)),  # 0.75 of 0.80
        ((300, 10, 300.95), None),  # 0.85
        ((25.1, 25.2), None),
        ((25,), None),
        ((), None),
    ],
)
def test_a_decimal_comma_is_mended_where_the_numbers_then_belong_together(
    typed: tuple[float, ...], whole: tuple[float, ...] | None
) -> None:
    assert joined(tuple(float(x) for x in typed)) == whole


def test_a_slip_is_as_likely_as_none_at_its_limit_and_odds_are_those_of_three_normals() -> None:
    """Shares and sizes of slips against the densities of scipy."""
    v, before = np.array([1e-4, 4e-3, 0.2]), np.array([0.014, 0.004, 0.014])
    at = slip_limit(v, before)
    assert slip_odds(v, at, before) == pytest.approx([0, 0, 0], abs=1e-6)
    for e in (0.02, 0.3, 2.0):
        of_slip = sum(
            share * stats.norm.pdf(e, 0, np.sqrt(v + tau**2))
            for share, tau in ((0.55, 0.4), (0.3, 1.5), (0.15, 20.0))
        )
        odds = np.log(before * of_slip) - stats.norm.logpdf(e, 0, np.sqrt(v))
        assert slip_odds(v, np.full(3, e), before) == pytest.approx(odds, rel=1e-9)


def _suspect(row_: int, odds: float, mistake: str = "sign", change: float = 1.0) -> Suspicion:
    return Suspicion(mistake, (row_,), (change,), odds)


def test_the_likeliest_mistake_is_of_the_readings_most_probably_wrong() -> None:
    """Two explanations of reading 0 at 1.5 each are together more than one of reading 1 at 2."""
    found = [_suspect(0, 1.5), _suspect(0, 1.4, "inch"), _suspect(1, 2.0)]
    assert _likeliest(found, 10) == found[0]
    assert _likeliest(found[1:], 10) == found[2]
    assert _likeliest([], 10) is None
    assert _likeliest([_suspect(0, -1e-9)], 10) is None
    assert _likeliest([_suspect(0, 0.0)], 10) is not None
    # of twice as many readings as MANY the odds must be twice as good
    assert _likeliest([_suspect(0, 0.68)], 2 * MANY) is None
    assert _likeliest([_suspect(0, 0.70)], 2 * MANY) is not None
    assert _likeliest([_suspect(0, 0.01)], MANY) is not None


def test_ten_explanations_are_tried_and_none_that_is_hopeless() -> None:
    many = [_suspect(n, 3.0 - n) for n in range(14)]
    assert _shortlist(many[::-1]) == many[:10]
    assert _shortlist([_suspect(0, 3.0), _suspect(1, -8.9), _suspect(2, -9.0)]) == [
        _suspect(0, 3.0), _suspect(1, -8.9),
    ]  # fmt: skip
    assert _shortlist([]) == []


def test_an_explanation_is_tried_once_whatever_its_odds() -> None:
    kinds = [
        _suspect(0, 1.0), _suspect(0, 2.0), _suspect(0, 1.0, change=1.0000004),
        _suspect(0, 1.0, change=1.00001), _suspect(1, 1.0), _suspect(0, 1.0, "inch"),
    ]  # fmt: skip
    assert _unlike_others(kinds) == [kinds[0], kinds[3], kinds[4], kinds[5]]
    for sizeless in ("off", "inside_for_outside"):
        one, other = _suspect(0, 1.0, sizeless), _suspect(0, 1.0, sizeless, 2.0)
        assert _unlike_others([one, other]) == [one]


# --- repeats -------------------------------------------------------------------------------------

_REPEATS: tuple[Sequence[float], ...] = (
    (20.0, 20.1), (20.0, 20.0, 20.05), (20.0, 20.0, 20.07), (20.0, 20.01, 19.99, 20.06),
    (20.0, 20.01, 19.99, 20.08), (20.0, 20.1, 19.9, 20.12), (20.0, 20.01, 20.0, 20.02, 20.2),
    (20.3, 20.01, 20.0, 20.02, 20.01), (20.0, 20.4, 20.0, 20.4, 19.0),
)  # fmt: skip


def test_values_that_do_not_belong_among_their_repeats(pinned: Pinned) -> None:
    lines = []
    for values in _REPEATS:
        for sigma in (0.0, 0.005, 0.02, 0.1):
            found = [suspect(values, sigma, *levels) for levels in ((), (0.05,), (0.002, 0.05))]
            lines.append(f"{values} at {sigma}: {found} apart {apart(values, sigma)}")
    for stated in (0.005, 0.02, 0.05):
        lines.append(f"all at {stated}: {strays(_REPEATS, stated)}")
        pooled = [repeatability(stated, _REPEATS[:n]) for n in range(1, 10)]
        lines.append(f"repeatability {row(pooled)}")
    spans = ((1.99, 0.0), (2.01, 0.0), (2.49, 100.0), (2.51, 100.0), (3.49, 300.0), (3.51, 300.0))
    lines.append(f"torn {[torn((50.0, 50.0 + by), length) for by, length in spans]}")
    lines.append(f"torn {torn((50.0,), 0.0)} {torn((), 0.0)}")
    pinned("estimate/repeats", "\n".join(lines))


def test_copies_by_luck_of_the_display() -> None:
    """n values on one step with (d / (s sqrt(2 pi)))^(n-1); d = 0.01, s = 0.02: 0.1995^(n-1).

    Among 4 readings three alike are to be expected once in 6, five alike once in 158.
    """

    def rows(*counts: int) -> tuple[int, ...]:
        readings = tuple(
            Reading("pitch", (50.0 + n, 0, 0), (50.0 + n,) * count)
            for n, count in enumerate(counts)
        )
        return copied_rows(replace(GOOD, readings=readings))

    assert rows(3, 1, 1, 1) == ()
    assert rows(5, 1, 1, 1) == (0,)  # 4 * 0.0016 = 0.006
    assert rows(5, 1, 1, 1, 1, 1, 1) == ()  # 7 * 0.0016 = 0.011
    assert rows(3, 3) == (0, 1)  # 2 where 0.08 were to be expected
    assert (
        rows(
            3,
        )
        == ()
    )


# --- the instrument ------------------------------------------------------------------------------


def test_checks_of_a_caliper(pinned: Pinned) -> None:
    lines = []
    for known, values, instrument in (
        (50.0, (50.01, 50.0, 50.01), Instrument()),
        (50.0, (50.03, 50.05, 50.01), Instrument(repeatability_mm=0.005)),
        (100.0, (100.12,), Instrument()),
        (150.0, (150.02, 150.03), Instrument(0.05, 0.08, 0.03)),
        (10.0, (10.08, 10.09, 10.08, 10.09), Instrument(0.01, 0.03, 0.004)),
    ):
        c = checked(known, values, instrument)
        sizes = row([c.known_mm, *c.mm, c.deviation_mm, c.u_mm, c.mpe_mm])
        lines.append(f"{sizes} {c.verdict}")
        assert c.to_plain() == {
            "known_mm": c.known_mm, "mm": list(values), "deviation_mm": c.deviation_mm,
            "u_mm": c.u_mm, "mpe_mm": c.mpe_mm, "verdict": c.verdict,
        }  # fmt: skip
    for checks in (
        (),
        (Check(50.0, 0.004, 0.003),),
        (Check(50.0, 0.09, 0.003),),
        (Check(30.0, 0.012, 0.004), Check(150.0, 0.03, 0.005), Check(100.0, -0.01, 0.002)),
    ):
        for longest in (0.0, 100.0, 180.0):
            zero, scale = zero_and_scale(replace(OFF, checks=checks), longest)
            lines.append(
                f"{len(checks)} {longest}: {row([*zero, 1e3 * scale.mean, 1e3 * scale.u])}"
            )
    pinned("estimate/checks", "\n".join(lines))


def test_a_check_read_on_another_length_is_none() -> None:
    """2 % of the length, or 0.5 mm where that is more."""
    instrument = Instrument()
    assert refused(lambda: checked(10.0, [10.5], instrument)) == "taken"
    assert "10.51 mm was read on a length of 10 mm" in refused(
        lambda: checked(10.0, [10.51], instrument)
    )
    assert refused(lambda: checked(100.0, [98.0], instrument)) == "taken"
    assert "was read on" in refused(lambda: checked(100.0, [97.99], instrument))
    assert "found only one number" in refused(lambda: checked(100.0, [], instrument))


# --- runs ----------------------------------------------------------------------------------------

_X = np.arange(12.0, 600.0, 37.0)
_WOBBLE = 0.01 * np.array([((7 * n) % 11) - 5 for n in range(len(_X))])
_Y = _X * 1.0021 + 0.12 * np.cos(2 * np.pi * _X / 93.0 - 0.7) + _WOBBLE + 0.05


def test_runs_with_and_without_periods_and_stated_uncertainty(pinned: Pinned) -> None:
    lines = []
    roller, loop = Period("roller", 92.0, 0.9), Period("loop", 380.0)
    for name, periods in (
        ("none", []), ("roller", [roller]), ("both", [roller, loop]), ("loop", [loop]),
        ("vague", [Period("roller", 33.0, 11.0)]),
    ):  # fmt: skip
        for u, least in ((None, 0.0), (None, 0.08), (0.03, 0.0)):
            run = belt_run(_X.tolist(), _Y.tolist(), periods, u, least_mm=least)
            sizes = [100 * run.scale, 100 * run.u_scale, run.factor95, run.offset]
            sizes += [run.trend, run.u_trend, run.scatter]
            lines.append(
                f"{name} {u} {least}: {row(sizes)} of {run.dof} {run.trend_is_significant}"
            )
            for w in run.waves:
                figures_ = row([w.period.mm, w.period.u_mm, w.amplitude, w.u, w.phase])
                lines.append(f"  {w.period.name} {figures_} {w.significant}")
            lines.append(f"  {row(run.residuals[:4])} {digits(run.error_at(77.0))}")
    same = belt_run([50.0] * 4, [50.1, 50.12, 50.11, 50.13])
    lines.append(f"same {row([same.scale, same.u_scale, same.offset, same.trend, same.u_trend])}")
    three = belt_run([10.0, 20.0, 30.0], [10.1, 20.1, 30.2])
    lines.append(f"three {row([three.scale, three.u_scale, three.trend, three.u_trend])}")
    for longest in (91.0, 92.0, 183.9, 184.0, 400.0):
        lines.append(f"whole turns to {longest}: {row(whole_turns(92.0, longest))}")
    for step in (10.0, 23.0, 40.0, 46.0, 92.0):
        marks = [step * n for n in range(9)]
        lines.append(f"every {step}: {tells(marks, [92.0])} {tells(marks, [92.0, 380.0])}")
    lines.append(f"few marks: {tells([0.0, 30.0, 50.0], [92.0])} {tells([0, 30, 55, 71], [92.0])}")
    pinned("estimate/runs", "\n".join(lines))


@pytest.mark.parametrize("u", [0.01, 0.3])
def test_a_reversal_is_uneven_where_chi_squared_is_beyond_its_95_per_cent(u: float) -> None:
    """Differences +-a about the mean at four marks: chi2 = 4 a^2 / (2 u^2), 3 degrees."""
    limit = math.sqrt(stats.chi2.ppf(0.95, 3) * 2 * u**2 / 4)
    for a, even in ((0.99 * limit, True), (1.01 * limit, False)):
        found = reversal([0.5 + a, 0.5 - a, 0.5 + a, 0.5 - a], [0.1] * 4, u)
        assert found.mean == pytest.approx(0.4)
        assert found.u == pytest.approx(math.sqrt(2) * u / 2)
        assert found.constant == even


def test_every_figure_of_positioning(pinned: Pinned) -> None:
    forward = np.array(
        [[0.01, 0.03, 0.02], [0.11, 0.12, 0.16], [-0.04, 0.01, -0.02], [0.2, 0.21, 0.19]]
    )
    backward = np.array(
        [[-0.05, -0.06, -0.01], [0.02, 0.09, 0.05], [-0.1, -0.16, -0.12], [0.25, 0.22, 0.27]]
    )
    lines = []
    for scale, shift in ((1.0, 0.0), (-1.0, 0.3)):
        lines += figures(positioning(scale * forward + shift, scale * backward))
    pinned("estimate/positioning", "\n".join(lines))
    for wrong in (forward[:1], forward[:, :1], forward[0], forward[:3]):
        other = wrong if wrong.ndim < 2 or min(wrong.shape) < 2 else backward
        assert refused(lambda w=wrong, o=other: positioning(w, o)).startswith("two targets")


# --- over the dates of a record ------------------------------------------------------------------


def test_drift_and_when_to_look_again(pinned: Pinned) -> None:
    lines = []
    histories = {
        "steady": [(0, 0.1, 0.05), (90, 0.12, 0.05), (200, 0.09, 0.05), (400, 0.11, 0.05)],
        "drifting": [(10, 0.0, 0.02), (100, 0.1, 0.02), (200, 0.22, 0.03), (300, 0.31, 0.02)],
        "back": [(10, 0.0, 0.02), (100, -0.1, 0.02), (200, -0.22, 0.03), (300, -0.31, 0.02)],
        "wild": [(0, 0.0, 0.01), (50, 0.3, 0.01), (100, 0.1, 0.01), (150, 0.5, 0.01)],
        "fast": [(0, 0.0, 0.02), (1, 0.5, 0.02), (2, 1.0, 0.02)],
    }
    for name, rows in histories.items():
        results = [Dated(*r) for r in rows]
        found = drift(results)
        assert found is not None
        lines.append(
            f"{name} {row([found.per_year, found.u, found.expanded95, found.offset])}"
            f" {digits(found.at(77.0))}"
            f" consistent {found.consistent} significant {found.significant}"
        )
        lines += [f"  {tol}: {recheck_days([(results, tol)])}" for tol in (0.01, 0.1, 0.3, 5.0)]
    both = [([Dated(*r) for r in histories[n]], 0.2) for n in ("steady", "fast", "drifting")]
    lines.append(f"all {recheck_days(both)} {recheck_days(both[2:])} {recheck_days([])}")
    pinned("estimate/drift", "\n".join(lines))


def test_a_drift_wants_three_results_of_two_days() -> None:
    two = [Dated(0, 0.0, 0.1), Dated(5, 0.1, 0.1)]
    assert drift(two) is None
    assert drift([Dated(3, v, 0.1) for v in (0.0, 0.1, 0.2)]) is None
    assert drift([*two, Dated(5, 0.2, 0.1)]) is not None
    assert recheck_days([(two, 1e-9)]) == (182, False)


# --- least squares and figures of uncertainty ----------------------------------------------------


def test_lines_are_those_of_numpy_with_and_without_stated_uncertainty() -> None:
    x, y = np.array([0.0, 1.0, 2.0, 4.0, 7.0]), np.array([0.1, 0.9, 2.2, 3.8, 7.1])
    plain = line(x, y)
    slope, cov = np.polyfit(x, y, 1, cov=True)
    assert plain.b == pytest.approx(slope[::-1])
    assert plain.cov == pytest.approx(cov[::-1, ::-1])
    u = np.array([0.1, 0.2, 0.1, 0.3, 0.2])
    stated = line(x, y, u)
    slope, cov = np.polyfit(x, y, 1, w=1 / u, cov="unscaled")
    assert stated.b == pytest.approx(slope[::-1])
    assert stated.cov == pytest.approx(cov[::-1, ::-1])
    assert stated.u == pytest.approx(np.sqrt(np.diag(cov))[::-1])
    left = y - np.polyval(slope, x)
    assert stated.rss == pytest.approx(np.sum((left / u) ** 2))
    assert (plain.dof, plain.s) == (3, pytest.approx(math.sqrt(plain.rss / 3)))
    assert stated.factor95 == pytest.approx(stats.norm.ppf(0.975))
    assert plain.factor95 == pytest.approx(stats.t.ppf(0.975, 3))
    together = stated.b @ np.linalg.solve(stated.cov, stated.b) / 2
    assert stated.variance_ratio([0, 1]) == pytest.approx(together)
    assert stated.variance_ratio([1]) == pytest.approx(stated.b[1] ** 2 / stated.cov[1, 1])


@pytest.mark.parametrize(
    ("X", "y", "u", "said"),
    [
        ([[1.0], [1.0]], [1.0, 2.0], None, "taken"),
        ([[1.0]], [1.0], None, "1 observations are too few for 1 coefficients"),
        ([[1.0]], [1.0], [0.1], "taken"),
        ([[1.0, 2.0]], [1.0], [0.1], "1 observations are too few for 2 coefficients"),
        ([[math.nan], [1.0]], [1.0, 2.0], None, "observations must be finite"),
        ([[1.0], [1.0]], [1.0, math.inf], None, "observations must be finite"),
        ([[1.0], [1.0]], [1.0, 2.0], [0.1, 0.0], "standard uncertainties must be positive"),
        ([[0.0], [0.0]], [1.0, 2.0], None, "a coefficient has no influence on any observation"),
        (
            [[1.0, 2.0], [2.0, 4.0], [3.0, 6.0]], [1.0, 2.0, 3.0], None,
            "the coefficients cannot be told apart by these observations",
        ),
    ],
)  # fmt: skip
def test_what_no_line_can_be_laid_through(
    X: list[list[float]], y: list[float], u: list[float] | None, said: str
) -> None:
    stated = None if u is None else np.array(u)
    assert refused(lambda: fit_linear(np.array(X), np.array(y), stated)) == said


def test_coverage_chi_squared_and_grubbs_are_those_of_scipy() -> None:
    for dof in (1, 2, 5.9, 30, 1000, 1000.5, math.inf):
        exact = stats.norm.ppf(0.975) if dof > 1000 else stats.t.ppf(0.975, math.floor(dof))
        assert coverage_factor(dof) == pytest.approx(exact)
        assert coverage_factor(dof, 0.99) > coverage_factor(dof)
    for statistic, dof in ((3.0, 1), (0.0, 2), (-1.0, 2), (20.0, 11)):
        assert chi2_beyond(statistic, dof) == pytest.approx(stats.chi2.sf(max(statistic, 0.0), dof))
    assert chi2_beyond(5.0, 0.5) == 1.0
    assert refused(lambda: grubbs_critical(2)) == "an outlier test wants three repeats at least"
    assert grubbs_critical(3) == pytest.approx(1.155, abs=5e-4)
    for wrong in ((0.99, 0.95), (5, 0.0), (5, 1.0), (math.nan, 0.95)):
        assert refused(lambda w=wrong: coverage_factor(*w)).startswith("coverage factor wants")
    u, dof = combined([(0.3, 4.0), (0.4, math.inf), (0.1, 9.0)])
    assert u == pytest.approx(math.sqrt(0.26))
    assert dof == pytest.approx(0.26**2 / (0.3**4 / 4 + 0.1**4 / 9))
    assert combined([(0.3, math.inf)]) == (pytest.approx(0.3), math.inf)


# --- the fit -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["decimal", "three mistakes", "of no one machine", "inch"])
def test_the_fit_with_long_tails_hardly_follows_a_gross_mistake(name: str, pinned: Pinned) -> None:
    obs, unknowns = observe(SURVEYS[name]())
    robust, plain = (fit(obs, unknowns, robust=long) for long in (True, False))
    sought = unknowns.sought
    lines = [f"{n} {digits(a, 4)} {digits(b, 4)}" for n, a, b in
             zip(unknowns.names[:sought], robust.p, plain.p, strict=False)]  # fmt: skip
    pinned(f"estimate/long tails {name}", "\n".join(lines))


@pytest.mark.parametrize(
    ("step", "share"),
    [
        ((0.5, 0, 0, 0), 1.0),
        ((-0.85, 0, 0, 0), 1.0),
        ((-1.8, 0, 0, 0), 0.25),  # half of the way from 0 to -0.9
        ((0, -3.6, 0, 0), 0.125),
        ((0, 0, -3.6, 0), 0.125),
        ((-1.8, -3.6, 0, 0), 0.125),
        ((0, 0, 0, 0.5), 1.0),
        ((0, 0, 0, 2 * (math.pi - 0.02 - 1.0)), 0.25),
        ((0, 0, 0, -4 * 0.98), 0.125),
        ((-1e9, 0, 0, 0), 1e-6),
    ],
)
def test_a_step_leaves_a_machine_that_can_exist(step: tuple[float, ...], share: float) -> None:
    """From a true machine at 1 rad: no scale below -0.9, no gantry flatter than 0.02 rad."""
    p = np.zeros(9)
    found = _inside(1.0, p, np.array([*step, 0, 0, 0, 0, 0]))
    assert found == pytest.approx(share)


def test_vectors_along_the_gantry_turn_with_it_and_others_stay() -> None:
    old, new = math.radians(45), math.radians(50)
    v = np.array([[0, 30, 30], [0, -30, -30], [0, 30, 0], [0, 0, 30], [10, 30, 30]], dtype=float)
    turned = turned_with_gantry(v, old, new)
    length = 30 * math.sqrt(2)
    assert turned[0] == pytest.approx([0, length * math.cos(new), length * math.sin(new)])
    assert turned[1] == pytest.approx(-turned[0])
    assert turned[2:] == pytest.approx(v[2:])
    assert turned_with_gantry(v, old, old) is v


# --- remedies at their bounds --------------------------------------------------------------------


def test_ratios_that_are_close_to_a_power_of_two() -> None:
    """Within 0.07 of a whole exponent: 4.7 to 5 % of 2, 4, 1/2."""
    for factor in (0.25, 0.5, 2.0, 4.0, 8.0):
        for by, near in (
            (2**0.069, True),
            (2**-0.069, True),
            (2**0.071, False),
            (2**-0.071, False),
        ):
            assert (power_of_two(factor * by - 1) == factor) is near
    assert power_of_two(0.01) is power_of_two(-0.02) is power_of_two(-0.995) is None


def _decided(parameters: dict[str, Parameter], **tolerance: float) -> tuple[dict[str, str], str]:
    survey = replace(OFF, tolerance=Tolerance(**tolerance))
    solution = solve(survey)
    assert solution.examined is not None
    found = decide(survey, solution.examined, {**solution.parameters, **parameters}, withheld={})
    return {role: v.reason for role, v in found.verdicts.items()}, found.angle_reason


def _known(value: float, **more: bool) -> Parameter:
    return Parameter(value, 1e-5, 0.03, 2e-5, **{"determined": True, "significant": True, **more})


@pytest.mark.parametrize(
    ("parameter", "reason"),
    [
        (_known(0.004), "scale"),
        (_known(-0.004), "scale"),
        (_known(0.0025), "small"),
        (_known(-0.0025), "small"),
        (_known(0.00251), "scale"),
        (_known(0.004, significant=False), "not_significant"),
        (_known(0.004, determined=False), "undetermined"),
        (_known(1.01), "microstep_mismatch"),
        (_known(-0.5), "microstep_mismatch"),
    ],
)
def test_what_is_done_about_a_scale(parameter: Parameter, reason: str) -> None:
    assert _decided({"x_scale": parameter}, scale_percent=0.25)[0]["across"] == reason


@pytest.mark.parametrize(
    ("parameter", "reason"),
    [
        (_known(0.4), "angle"),
        (_known(-0.4), "angle"),
        (_known(0.25), "small"),
        (_known(-0.25), "small"),
        (_known(0.4, significant=False), "not_significant"),
        (_known(0.4, determined=False), "undetermined"),
    ],
)
def test_what_is_done_about_the_angle(parameter: Parameter, reason: str) -> None:
    assert _decided({"gantry_angle_deg": parameter}, angle_deg=0.25)[1] == reason


def test_errors_that_are_left_once_others_are_taken_out() -> None:
    errors = np.array([0.01, -0.02, 0.03, 0.004, 0.005, 0.006, 0.007])
    applied = np.array([0.004, -0.02, 0.0, 0.003, 0.0, 0.0, 0.0])
    left = errors_after(errors, applied)
    assert left == pytest.approx([1.01 / 1.004 - 1, 0.0, 0.03, 0.001, 0.005, 0.006, 0.007])
    assert len(left) == len(ERRORS)


# --- how an error stands -------------------------------------------------------------------------


def _standing(parameter: Parameter, name: str = "x_scale") -> tuple[str, str]:
    survey = replace(OFF, tolerance=Tolerance(0.25, 0.25))
    solution = solve(survey)
    solution = replace(
        solution, parameters={**solution.parameters, name: parameter}, corrections=(),
        slicing_angle_deg=None,
    )  # fmt: skip
    return standing(survey, solution, name), verdict(name, parameter, solution, survey)


@pytest.mark.parametrize(
    ("value", "wide", "more", "stands", "follows"),
    [
        (0.001, 0.0005, {}, "in tolerance", "in tolerance"),
        (0.0015, 0.001, {}, "in tolerance", "in tolerance"),
        (-0.0015, 0.00101, {}, "in tolerance, not certain", "in tolerance"),
        (0.0025, 0.0, {}, "in tolerance", "in tolerance"),
        (0.00251, 0.0, {}, "OUTSIDE", "see notes"),
        (0.004, 0.01, {"significant": False}, "within uncertainty", "within uncertainty"),
        (0.004, 0.01, {"determined": False}, "not determined", "not determined"),
    ],
)
def test_how_a_scale_stands_against_a_tolerance_of_a_quarter_per_cent(
    value: float, wide: float, more: dict[str, bool], stands: str, follows: str
) -> None:
    parameter = replace(_known(value, **more), expanded95=wide)
    assert _standing(parameter) == (stands, follows)


def test_turns_are_for_the_hand_and_what_has_no_tolerance_is_for_slicing() -> None:
    assert _standing(_known(0.3), "yaw_deg") == ("OUTSIDE", "by hand")
    assert _standing(_known(0.25), "yaw_deg") == ("in tolerance, not certain", "in tolerance")
    assert _standing(_known(0.3), "gantry_angle_deg") == ("OUTSIDE", "see notes")
    assert _standing(_known(0.003), "shrink") == ("OUTSIDE", "slicer setting")


def test_what_stands_askew_beyond_the_tolerance() -> None:
    """Turns told by themselves, then pairs, by tolerance and by twice their uncertainty."""
    solution = solve(replace(OFF, readings=tuple(r for r in OFF.readings if "plate" in r.name)))
    pairs = {"plan_shear_deg": 0.31, "sway_deg": 0.29, "gap_deg": -0.5}
    derived = {
        n: replace(solution.derived["plan_shear_deg"], value=v, u=0.1) for n, v in pairs.items()
    }
    derived["gap_deg"] = replace(derived["gap_deg"], u=0.25)
    turns = {
        "yaw_deg": _known(0.3), "rail_deg": _known(-0.4, significant=False),
        "roll_deg": _known(0.4, determined=False),
    }  # fmt: skip
    found = replace(solution, derived=derived, parameters={**solution.parameters, **turns})
    told = [(name, alone) for name, _, alone in askew(found, Tolerance(0.1, 0.3))]
    assert told == [("plan_shear_deg", False)]  # 0.3 is not beyond 0.3
    told = [(name, alone) for name, _, alone in askew(found, Tolerance(0.1, 0.25))]
    assert told == [("yaw_deg", True), ("plan_shear_deg", False), ("sway_deg", False)]


# --- after a change ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["off", "upright", "good", "roller and joint"])
def test_readings_after_a_change_against_what_was_foretold(name: str, pinned: Pinned) -> None:
    survey = SURVEYS[name]()
    solution = solve(survey)
    lines = [f"bound {row([growth_bound(survey, solution, w) for w in (0.0, 0.45, 0.8)])}"]
    readings = (*survey.readings, *(solution.belt.readings if solution.belt else ()))
    now = [
        replace(r, mm=(expected + 0.02 * ((3 * n) % 7 - 2),) * 2)
        for n, (r, expected) in enumerate(zip(readings, solution.expected_next, strict=True))
        if n % 4 != 3
    ]
    for c in compare(survey, solution, now, 0.5):
        sizes = row([c.foretold, c.growth, c.read, c.u, c.limit, c.apart])
        lines.append(f"{c.name} {sizes} {c.verdict}")
    pinned(f"estimate/compared {name}", "\n".join(lines))


def test_the_largest_errors_that_a_proof_would_show() -> None:
    from agent.estimate.proof import Shows

    shown = [
        Shows(0, "a", "x_scale", 0.002, 3), Shows(1, "b", "z_scale", 0.001, 3),
        Shows(2, "c", "gantry_angle_deg", 0.15, 3),
    ]  # fmt: skip
    assert shown_errors(shown) == (0.002, 0.15)
    assert shown_errors(shown[:2]) == (0.002, 0.0)
    assert shown_errors(shown[2:]) == (0.0, 0.15)
    assert shown_errors([]) == (0.0, 0.0)


# --- plain forms and words -----------------------------------------------------------------------


@pytest.mark.parametrize("name", ["off", "sign", "one length"])
def test_parameters_and_residuals_come_back_from_their_plain_form(name: str) -> None:
    solution = solve(SURVEYS[name]())
    plain = solution.to_plain()
    assert plain["parameters"].keys() == solution.parameters.keys()
    for key, p in solution.parameters.items():
        assert Parameter.from_plain(plain["parameters"][key]) == p
    found = [Residual.from_plain(r) for r in plain["residuals"]]
    assert tuple(found) == solution.residuals
    assert plain["contradictory"] == (name == "sign")
    assert ("belt_run" in plain) is False
    assert plain["fit"] == {"statistic": solution.goodness.statistic, "dof": solution.goodness.dof,
                            "p": solution.goodness.p}  # type: ignore[union-attr]  # fmt: skip
    assert (plain["next"] is None) == (solution.next is None)


def test_every_contributor_in_words(pinned: Pinned) -> None:
    others = ("stated", "repeatability", "resolution", "second_order", "priors", "material")
    names = (*CONTRIBUTORS, *others, "size_offsets", "left out", "some_thing")
    pinned("estimate/contributors", "\n".join(f"{n}: {'; '.join(contributor(n))}" for n in names))


def test_a_piece_is_warm_from_half_the_tolerance_on_and_for_twenty_minutes() -> None:
    def warm(tolerance: float, **conditions: float) -> bool:
        survey = replace(
            GOOD, tolerance=Tolerance(tolerance, 0.1), conditions=Conditions(**conditions)
        )
        return "warm_part" in codes(solve(survey))

    exactly = 200 * expansion(1.0, 10.0)
    assert exactly / 200 == expansion(1.0, 10.0)
    assert warm(exactly, piece_c=30.0)
    assert not warm(1.001 * exactly, piece_c=30.0)
    assert warm(exactly, piece_c=10.0)
    assert warm(0.1, minutes_since_print=19.9)
    assert not warm(0.1, minutes_since_print=20.0)
    assert not warm(0.1)
    assert not warm(exactly, piece_c=21.0, minutes_since_print=1.0)  # the piece's own counts


def test_a_speed_is_told_where_its_pulses_are_beyond_the_controller() -> None:
    """Steps of the new setting: 79.6586 step/mm at 100 mm/s are 7966 pulses a second."""

    def said(limit: float) -> bool:
        mechanics = replace(OFF.mechanics, max_pulse_rate=limit)
        return "pulse_rate" in codes(
            solve(replace(OFF, mechanics=mechanics, max_speed={"x": 100.0}))
        )

    new = next(c.new for c in solve(OFF).corrections if c.setting == "steps_per_mm.x")
    assert not said(100.0 * new)
    assert said(100.0 * new - 0.01)


def test_wanted_are_three_scales_and_the_angle() -> None:
    assert WANTED == ("x_scale", "y_scale", "z_scale", "gantry_angle_deg")
    solution: Solution = solve(OFF)
    assert set(WANTED) <= solution.parameters.keys()


def test_pairs_are_looked_at_up_to_a_hundred_and_fifty_readings() -> None:
    def mistakes(count: int) -> set[str]:
        lengths = [50.0 + 0.75 * n for n in range(count)]
        readings = tuple(Reading("travel", (x, 0.0, 0.0), (x,), u_mm=0.05) for x in lengths)
        at = fit(*observe(replace(OFF, readings=readings)))
        return {s.mistake for s in suspicions(replace(OFF, readings=readings), at, spread(at))}

    assert "swapped" in mistakes(MANY)
    assert "swapped" not in mistakes(MANY + 1)


class _Counted(Observations):
    """Observations that count how often they are asked for a prediction."""

    looks = 0

    def predict(self, p: Array) -> tuple[Array, Array]:
        _Counted.looks += 1
        return Observations.predict(self, p)


_HARD = (
    "off", "good", "upright", "one length", "gap alone", "leans alone", "grown beads", "inch",
    "decimal", "unlike all others", "microsteps", "of no one machine",
)  # fmt: skip


@pytest.mark.parametrize("robust", [False, True])
def test_how_many_looks_a_fit_takes(robust: bool, pinned: Pinned) -> None:
    """Each step wants one look at least, more where it was too long."""
    lines = []
    for name in _HARD:
        obs, unknowns = observe(SURVEYS[name]())
        counted = _Counted(**{f: getattr(obs, f) for f in Observations.__dataclass_fields__})
        _Counted.looks = 0
        fit(counted, unknowns, robust=robust)
        lines.append(f"{name}: {_Counted.looks}")
    pinned(f"estimate/looks {'with long tails' if robust else 'plain'}", "\n".join(lines))


# --- where the plain way does not lead on --------------------------------------------------------


def test_readings_that_do_not_settle_are_refused_or_told_from_where_most_agree(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One step of the plain fit is too few for an inch among millimetres; long tails get there."""
    inch = SURVEYS["inch"]()
    monkeypatch.setattr("agent.estimate.fit._MOST_STEPS", 1)
    with pytest.raises(Refused, match="the estimate does not settle"):
        fit(*observe(inch))
    found = examine(inch)
    assert [(a.row, a.mistake) for a in found.accused] == [(3, "inch")]


def test_an_explanation_that_leads_nowhere_is_none(monkeypatch: pytest.MonkeyPatch) -> None:
    def nowhere(*_: object) -> None:
        raise Refused("nowhere")

    inch = SURVEYS["inch"]()
    obs, unknowns = observe(inch)
    slip, named = _suspect(3, 1.0, "off"), _suspect(3, 1.0, "inch", 173.0)
    monkeypatch.setattr("agent.estimate.consistency._settled", nowhere)
    for found in (slip, named):
        assert _weighed(inch, obs, unknowns, [], found, 0.0) is None


def test_readings_that_contradict_without_one_to_blame_are_told_as_such() -> None:
    examined = solve(OFF).examined
    assert examined is not None
    goodness = Goodness(61.4, 19, 1e-6)
    whole = replace(examined, agrees=False, goodness=goodness)
    told_ = list(contradictory(SimpleNamespace(examined=whole)))  # type: ignore[arg-type]
    assert [a.code for a in told_] == ["contradiction"]
    assert "no single one is to blame (chi-squared 61 for 19 readings)" in told_[0].text
    assert whole.contradictory
    assert list(contradictory(SimpleNamespace(examined=examined))) == []  # type: ignore[arg-type]
    assert not examined.contradictory


def test_edges_lie_on_the_belt() -> None:
    rising = Reading("outside", (0.0, 40.0, 0.1), (40.0,), "edges", name="a")
    assert "a: edges lie on the belt, but along" in refused(
        lambda: observe(replace(OFF, readings=(rising,)))
    )
    nameless = replace(rising, name="", along=(0.0, 40.0, 0.0))
    assert refused(lambda: observe(replace(OFF, readings=(nameless,)))) == "taken"


@pytest.mark.parametrize(
    ("output", "loop", "names"),
    [
        (Toothed(20, 2.0), 380.0, ["loop"]),
        (Toothed(20, 2.0), None, []),
        (Roller(29.0, 1.1), None, ["roller"]),
        (Roller(29.0, 1.1), 380.0, ["roller", "loop"]),
        (Roller(29.0, 1.1), 1380.0, ["roller"]),  # the run of 931 mm is no three quarters of it
        (Roller(29.0, 1.1), 1240.0, ["roller", "loop"]),
    ],
)
def test_periods_that_a_run_can_show(
    output: Roller | Toothed, loop: float | None, names: list[str]
) -> None:
    survey = SURVEYS["roller and joint"]()
    drives = {"belt": Drive(200, 16, 3.0, output)}
    mechanics = replace(survey.mechanics, drives=drives, belt_loop_mm=loop)
    found = find(replace(survey, mechanics=mechanics))
    assert found is not None
    assert [w.period.name for w in found.runs[0].waves] == names
    assert bool(found.best_lengths) == isinstance(output, Roller)
    across = tuple(replace(run, axis="across") for run in survey.belt_runs)
    other = find(replace(survey, mechanics=mechanics, belt_runs=across))
    assert other is not None
    assert other.runs[0].waves == ()


def test_a_run_without_scatter_has_the_uncertainty_of_the_instrument() -> None:
    """Exactly straight: nothing to estimate a scatter from, so that 0.02 and d/sqrt(12) stand."""
    marks = tuple(float(x) for x in range(0, 80, 16))
    run = BeltRun(marks, tuple(1.25 * x for x in marks), axis="across")
    found = find(replace(OFF, readings=(), belt_runs=(run,)))
    assert found is not None
    u = math.hypot(0.02, 0.01 / math.sqrt(12))
    expected = u / math.sqrt(np.var(marks) * len(marks))
    assert found.runs[0].u_scale == pytest.approx(expected)


def test_where_nothing_is_to_be_set_shared_motors_are_left_alone() -> None:
    solution = solve(replace(GOOD, mechanics=replace(GOOD.mechanics, coupling="motors")))
    assert "coupled_motors" not in codes(solution)


def test_nothing_wanted_to_be_foretold_keeps_list_deviates() -> None:
    """1 % shared out: 2.58 for one reading, 2.81 for two; none is taken as one."""
    normal = stats.norm.ppf
    for count, level in ((0, 0.01), (1, 0.01), (2, 0.005), (20, 0.0005)):
        assert list_deviate(count) == pytest.approx(normal(1 - level / 2))


def test_an_event_and_a_reading_of_settings_in_plain_form() -> None:
    assert Event("stored", {"by": "M500"}).to_plain() == {"kind": "stored", "by": "M500"}
    setting = Setting(80.0, "step/mm", 2, "as sent")
    read = Readback("replay", {"steps_per_mm.x": setting}, ("a line",), "me", (Event("loaded"),))
    assert read.to_plain() == {
        "family": "replay",
        "identity": "me",
        "settings": {"steps_per_mm.x": {"value": 80.0, "unit": "step/mm", "digits": 2}},
        "other": ["a line"],
        "events": [{"kind": "loaded"}],
        "damaged": False,
        "notes": [],
    }
    spoiled = replace(read, damage=("cut",), notes=("odd",))
    assert (spoiled.damaged, spoiled.to_plain()["notes"]) == (True, ["cut", "odd"])
    assert SavedSetting(setting, 80.001).exact == 80.001
    assert SavedSetting(setting, 80.01).exact == SavedSetting(setting).exact == 80.0


def test_nothing_is_known_of_a_machine_unlike_all_others() -> None:
    """Scales to 100 %, turns to ten times their size; all else as it is stated."""
    unknowns = observe(OFF)[1]
    free = _anything_goes(unknowns)
    assert free.u[:3].tolist() == [1.0, 1.0, 1.0]
    assert free.u[3:7] == pytest.approx(10 * unknowns.u[3:7])
    assert free.u[7:].tolist() == unknowns.u[7:].tolist()
    fixed = unknowns.u.copy()
    fixed[1] = 0.0
    assert _anything_goes(replace(unknowns, u=fixed)).u[:3].tolist() == [1.0, 0.0, 1.0]


def test_the_tolerance_of_a_proof_is_in_the_units_of_the_fit() -> None:
    survey = replace(OFF, tolerance=Tolerance(0.2, 0.3))
    assert tolerance_of_proof(survey, "x_scale") == 0.002
    assert tolerance_of_proof(survey, "gantry_angle_deg") == pytest.approx(math.radians(0.3))


def test_the_share_of_the_belt_in_a_lean_is_told_beyond_the_tolerance() -> None:
    solution = solve(OFF)
    belt = solution.parameters["z_scale"]
    share = math.degrees(belt.value / math.tan(OFF.mechanics.gantry_angle))

    def told_(tolerance: float, **changes: bool) -> bool:
        survey = replace(OFF, tolerance=Tolerance(0.1, tolerance))
        parameters = {"z_scale": replace(belt, **changes)}
        found = SimpleNamespace(survey=survey, parameters=parameters)
        return bool(list(belt_in_lean(found)))  # type: ignore[arg-type]

    assert told_(0.999 * share)
    assert not told_(share)
    assert not told_(0.1, determined=False)
    assert not told_(0.1, significant=False)


def test_marks_reached_within_a_twentieth_of_a_millimetre_are_one() -> None:
    """Both ways over 0, 4, 8 mm, each time a little elsewhere; 4.06 is a mark of its own."""
    commanded = (0.0, 4.0, 4.06, 8.0, 7.99, 4.01, 0.02)
    run = BeltRun(commanded, tuple(c + 0.1 * n for n, c in enumerate(commanded)), approach="both")
    forward, backward = zip(*_by_mark(run), strict=True)
    assert [len(f) for f in forward] == [1, 1, 1]
    assert [f[0] for f in forward] == pytest.approx([0.0, 0.1, 0.3])
    assert [b[0] for b in backward] == pytest.approx([0.6, 0.5, 0.4])


@pytest.mark.parametrize(
    ("groups", "spread_", "s", "dof"),
    [
        ([3, 3, 3], 0.001, 0.01 / math.sqrt(12), 6),  # enough, but rounding alone makes more
        ([3, 3, 3], 0.01, 0.01, 6),
        ([3, 3, 2], 0.01, 0.02, math.inf),  # five: what is stated stands
        ([3, 3, 2], 0.0199, 0.02, math.inf),
        ([3, 3, 2], 0.03, 0.03, 5),  # but not below what is seen
        ([1, 1], 0.0, 0.02, math.inf),
    ],
)
def test_the_repeatability_is_what_is_seen_often_enough_else_what_is_stated(
    groups: list[int], spread_: float, s: float, dof: float
) -> None:
    """Groups of two at +-s/sqrt(2), of three at -s, 0, +s: each has the deviation s."""
    shapes = {1: (0.0,), 2: (-math.sqrt(0.5), math.sqrt(0.5)), 3: (-1.0, 0.0, 1.0)}
    readings = tuple(
        Reading("pitch", (50.0, 0, 0), tuple(50 + spread_ * x for x in shapes[n])) for n in groups
    )
    copies = Reading("pitch", (60.0, 0, 0), (60.0,) * 9)
    stated = Reading("pitch", (70.0, 0, 0), (70.0, 71.0, 69.0, 70.5), u_mm=0.5)
    found = noise_of(replace(OFF, readings=(*readings, copies, stated)))
    assert (found.s, found.dof) == (pytest.approx(s), dof)


def test_which_unknowns_the_readings_determine() -> None:
    """Known to less than half of what it was before; the rest leans on what such machines are."""
    solution = solve(OFF)
    assert solution.examined is not None
    fit_ = solution.examined.fit
    i = fit_.unknowns.index("ex")
    for share, told_ in ((0.499, True), (0.5, False)):
        cov = fit_.cov.copy()
        cov[i, :] = cov[:, i] = 0.0
        cov[i, i] = (share * fit_.unknowns.u[i]) ** 2
        found = parameters_of(replace(fit_, cov=cov))["x_scale"]
        assert found.determined is told_


def test_a_parameter_is_significant_beyond_its_interval() -> None:
    solution = solve(OFF)
    assert solution.examined is not None
    fit_ = solution.examined.fit
    i = fit_.unknowns.index("delta")
    wide = fit_.coverage(i) * fit_.u[i]
    for value, beyond in ((wide, False), (1.0001 * wide, True), (-1.0001 * wide, True)):
        p = fit_.p.copy()
        p[i] = value
        assert parameters_of(replace(fit_, p=p))["gantry_angle_deg"].significant is beyond


@pytest.mark.parametrize(
    ("rows", "several"),
    [
        ((("travel", 100.0, None), ("travel", 100.0, None)), False),
        ((("travel", 100.0, None), ("travel", 100.0000001, None)), False),
        ((("travel", 100.0, None), ("travel", 100.001, None)), True),
        ((("travel", 100.0, None), ("travel", -100.0, None)), True),
        ((("travel", 100.0, None), ("pitch", 100.0, "points")), True),  # only one is of plastic
        ((("pitch", 100.0, "points"), ("pitch", 100.0, "faces")), True),
        ((("pitch", 100.0, "points"), ("outside", 100.0, "points")), True),
        ((("outside", 100.0, None), ("inside", 100.0, None)), True),
        ((("pitch", 100.0, None), ("sway", 0.0, None)), False),  # a sway tells nothing of it
        ((("sway", 0.0, None),), False),
    ],
)
def test_two_different_features_are_several(
    rows: tuple[tuple[Kind, float, Between | None], ...], several: bool
) -> None:
    readings = tuple(
        Reading(kind, (x, 0.0, 0.0 if x else 50.0), (abs(x),), between, 0.02)
        for kind, x, between in rows
    )
    at = fit(*observe(replace(OFF, readings=readings)))
    assert several_speak(at, 0) is several


def test_a_scale_of_the_plastic_alone_is_travelled_by_no_move() -> None:
    """A move along the gantry tells of the gantry, and of no other axis."""
    names = {"x": ("move x", "strip"), "y": ("move y", "strip"), "none": ("strip", "post")}
    for axis, of in names.items():
        survey = replace(OFF, readings=tuple(r for r in OFF.readings if r.name.startswith(of)))
        at = fit(*observe(survey))
        told_ = [_is_travelled(survey, at, column) for column in range(3)]
        assert told_ == [axis == letter for letter in "xyz"]


# --- bounds of what is told ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("form", "grade", "p", "told_"),
    [
        (1.0, 1.0, 0.5, False),
        (1.89, 1.89, 0.5, False),
        (1.91, 1.0, 0.5, True),
        (1.0, 1.91, 0.5, True),
        (1.0, 1.0, 0.0011, False),
        (1.0, 1.0, 0.0009, True),
    ],
)
def test_scatter_is_told_from_nearly_twice_the_stated_sizes_on(
    form: float, grade: float, p: float, told_: bool
) -> None:
    examined = SimpleNamespace(
        contradictory=False, unlike=(), goodness=Goodness(40.0, 19, p),
        spread=SimpleNamespace(form=form, grade=grade),
    )  # fmt: skip
    found = SimpleNamespace(examined=examined, survey=OFF)
    assert bool(list(scatter(found))) is told_  # type: ignore[arg-type]
    for other in ({"contradictory": True}, {"unlike": (0,)}):
        left = SimpleNamespace(**{**vars(examined), **other})
        of = SimpleNamespace(examined=left, survey=OFF)
        assert not list(scatter(of))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("at", "said"), [(4.9, 0), (5.1, 1), (5.9, 1), (499.0, 1), (500.5, 0), (-40.0, 0)]
)
def test_scale_and_offset_that_cancel_are_told_for_lengths_of_5_to_500_mm(
    at: float, said: int
) -> None:
    """A scale of 1 % beside a shrink of 0.5 %: the offset that cancels 0.5 % at that length."""
    scale, shrink, offset = _known(0.01), _known(0.005), _known(-0.005 * at)
    verdicts = {r: Verdict(r, scale, True, "scale") for r in ("across", "gantry", "belt")}
    found = SimpleNamespace(
        parameters={"shrink": shrink, "offset.x": offset},
        remedies=SimpleNamespace(verdicts=verdicts),
    )
    told_ = list(offsets(found))  # type: ignore[arg-type]
    assert [a.code for a in told_] == ["cancelling_length"] * said
    if said:
        assert f"at {at:.0f} mm the two errors cancel" in told_[0].text


def test_a_cheaper_reading_proves_a_change_where_it_shows_two_tolerances(pinned: Pinned) -> None:
    """Features cost less here than moves; where they show too little, the best reading is taken."""
    lines = []
    for tolerance in (0.03, 0.05, 0.07, 0.09, 0.11, 0.13, 0.16, 0.2, 0.25):
        survey = replace(OFF, tolerance=Tolerance(tolerance, tolerance))
        for dear in ("travel", "pitch"):
            shown = proof(survey, solve(survey), lambda r, d=dear: 9.0 if r.kind == d else 1.0)
            names = ", ".join(f"{s.parameter} by {s.name} {digits(s.error, 4)}" for s in shown)
            lines.append(f"{tolerance} {dear} dear: {names}")
    pinned("estimate/proofs", "\n".join(lines))


def test_an_error_is_unlike_such_machines_beyond_five_deviations_that_two_readings_tell() -> None:
    readings = tuple(Reading("travel", (x, 0, 0), (x,), u_mm=0.02) for x in (60.0, 100.0))
    obs, unknowns = observe(replace(OFF, readings=readings))
    at = fit(obs, unknowns)
    for size, found in ((4.99, ()), (5.01, (0,)), (-5.01, (0,))):
        p = at.p.copy()
        p[0] = size * unknowns.u[0]
        assert _unlike(replace(at, p=p), unknowns) == found
    p = at.p.copy()
    p[:3] = 6 * unknowns.u[:3]
    assert _unlike(replace(at, p=p), unknowns) == (0,)  # no reading tells of the others
    alone = observe(replace(OFF, readings=readings[:1]))
    one = fit(*alone)
    q = one.p.copy()
    q[0] = 6 * alone[1].u[0]
    assert _unlike(replace(one, p=q), alone[1]) == ()


def test_short_readings_have_a_direction_and_waves_too() -> None:
    """Half a millimetre: nothing in the layout counts in whole ones."""
    short = (
        Reading("pitch", (0.3, 0.4, 0.0), (0.5,)),
        Reading("travel", (0, 0.5, 0), (0.5,), u_mm=0.1),
    )
    survey = replace(OFF, readings=short)
    of = layout(survey)
    assert of.direction[0].tolist() == pytest.approx([0.6, 0.8, 0.0])
    obs, unknowns = observe(survey)
    J = obs.predict(unknowns.mean)[1]
    waves = own(survey, of, J)["roller_wave_mm"]
    # variance a^2 (1 - cos) with no period known: a^2, for the belt's share of the way
    assert waves[1] == pytest.approx(0.02**2)
    assert waves[0] == pytest.approx((0.02 * 0.8 * 0.997) ** 2, rel=1e-6)


def test_best_lengths_are_no_longer_than_600_mm() -> None:
    survey = SURVEYS["oval roller"]()
    roller = Roller(600.5 / 6 / math.pi - 1.0, 1.0)
    mechanics = replace(survey.mechanics, drives={"belt": Drive(200, 16, 3.0, roller)})
    found = find(replace(survey, mechanics=mechanics))
    assert found is not None
    assert found.best_lengths == pytest.approx([600.5 / 6 * n for n in range(1, 6)])


@pytest.mark.parametrize(("chi2", "consistent"), [(3.7, True), (3.95, False)])
def test_results_drift_consistently_up_to_two_deviations_of_chi_squared(
    chi2: float, consistent: bool
) -> None:
    """One degree of freedom: 1 + 2 sqrt(2) = 3.83.  The middle of three off by d: (2/3) d^2/u^2."""
    off = 0.1 * math.sqrt(1.5 * chi2)
    found = drift([Dated(0, 0.0, 0.1), Dated(50, off, 0.1), Dated(100, 0.0, 0.1)])
    assert found is not None
    assert found.consistent is consistent


def test_a_mark_repeated_at_the_end_is_reached_going_back() -> None:
    run = BeltRun((0.0, 50.0, 100.0, 100.0), (0.0, 50.0, 100.1, 100.0), approach="both")
    assert [ahead for _, ahead in passes_of(run)] == [True, True, True, False]
    turned = BeltRun((0.0, 50.0, 50.0, 100.0), (0.0, 50.0, 50.1, 100.0), approach="both")
    assert [ahead for _, ahead in passes_of(turned)] == [True, True, True, True]


def test_periods_below_a_millimetre_are_sought_too() -> None:
    x = np.array([0.13 * n * (1 + 0.01 * n) for n in range(24)])
    y = x + 0.05 * np.sin(2 * np.pi * x / 0.8)
    found = belt_run(x.tolist(), y.tolist(), [Period("cog", 0.82, 0.02)], 0.001)
    assert found.waves[0].period.mm == pytest.approx(0.8, abs=0.002)
    assert found.waves[0].amplitude == pytest.approx(0.05, abs=0.001)


@pytest.mark.parametrize(("mean", "worth"), [(0.000995, False), (0.001005, True)])
def test_the_mean_of_shared_motors_is_set_beyond_the_tolerance(mean: float, worth: bool) -> None:
    mechanics = replace(OFF.mechanics, coupling="motors")
    survey = replace(OFF, mechanics=mechanics, tolerance=Tolerance(0.1, 0.1))
    solution = solve(survey)
    assert solution.examined is not None
    pair = {"x_scale": _known(0.003), "y_scale": _known(2 * mean - 0.003)}
    found = decide(survey, solution.examined, {**solution.parameters, **pair}, withheld={})
    for role in ("across", "gantry"):
        assert (found.verdicts[role].apply, found.verdicts[role].reason) == (
            worth,
            "coupled_motors",
        )
    assert found.applied[:2] == pytest.approx([mean if worth else 0.0] * 2)


def test_what_is_outside_of_a_course_and_when_it_is_enough() -> None:
    def found(now: float, *asks: Ask) -> Course:
        return Course(("x_scale",), {"x_scale": 1.0}, {"x_scale": now}, {}, asks, {})

    ask = Ask(candidates(OFF)[0], 1, 2.5, {"x_scale": 0.5})
    assert [found(now).outside for now in (1.0, 1.0 + 1e-10, 1.00001, 1.5)] == [
        (), (), ("x_scale",), ("x_scale",),
    ]  # fmt: skip
    assert [found(1.0).enough, found(1.5).enough, found(1.0, ask).enough] == [True, False, False]
    assert found(1.0).after == {"x_scale": 1.0}
    assert found(1.0, ask).after == {"x_scale": 0.5}
    assert (found(1.0).minutes, found(1.0, ask, ask).minutes) == (0.0, 5.0)
    assert (found(1.0).more, found(1.0).more_after, found(1.0).doubt) == ("", {}, "")


def test_what_costs_nothing_to_have_costs_the_hand_alone() -> None:
    """The belt needs two moves; a bench that is not among the setups is there in no time."""
    moves = [r for r in OFF.readings if r.name.startswith("move z")]
    free = [Candidate(r, 30.0, ("bench", "gauge")) for r in moves]
    found = course(bare(OFF, 0.15, 0.15), free, {"gauge": 2.0}, wanted=("z_scale",))
    assert [ask.minutes for ask in found.asks] == [2.5, 0.5]


def _runs_of(*runs: BeltRun) -> BeltFindings:
    found = find(replace(SURVEYS["oval roller"](), belt_runs=runs))
    assert found is not None
    return found


def test_two_marks_reached_both_ways_tell_a_reversal_and_two_passes_the_positioning() -> None:
    """Forward over 0, 50, 100 and back over 50 and 0; the way back reads 0.2 mm less."""
    there = (0.0, 50.0, 100.0)

    def both(back: tuple[float, ...], times: int, off: float = 0.2) -> BeltRun:
        read = (*there, *(x - off for x in back))
        wobble = tuple(0.004 * ((3 * n) % 5 - 2) for n in range(len(read) * times))
        measured = tuple(x + w for x, w in zip(read * times, wobble, strict=True))
        return BeltRun((*there, *back) * times, measured, approach="both")

    assert _runs_of(both((50.0,), 1)).reversals == {}
    one = _runs_of(both((50.0, 0.0), 1))
    assert one.reversals["belt"].mean == pytest.approx(0.2, abs=0.01)
    assert one.positioning is None
    two = _runs_of(both((50.0, 0.0), 2), both((50.0, 0.0), 2, off=0.7))
    assert two.reversals["belt"].mean == pytest.approx(0.2, abs=0.01)  # of the first run
    assert two.positioning is not None
    assert two.positioning.B_mean == pytest.approx(0.2, abs=0.01)
    across = replace(both((50.0, 0.0), 2), axis="across")
    assert _runs_of(across).positioning is None  # the figures are told of the belt alone
    assert _runs_of(across).reversals.keys() == {"across"}
    ahead = replace(both((50.0, 0.0), 2), approach="forward")
    assert _runs_of(ahead).reversals == {}


@pytest.mark.parametrize(("count", "names"), [(5, []), (6, ["roller"]), (8, ["roller", "loop"])])
def test_a_period_wants_six_marks_and_each_further_one_two_more(
    count: int, names: list[str]
) -> None:
    marks = (0.0, 61.0, 117.0, 206.0, 271.0, 348.0, 383.0, 440.0)[:count]
    marks = (*marks[:-1], 440.0)
    run = BeltRun(marks, tuple(x + 0.01 * ((5 * n) % 7) for n, x in enumerate(marks)))
    assert [w.period.name for w in _runs_of(run).runs[0].waves] == names


def test_of_axes_run_empty_no_other_run_joins_the_estimate() -> None:
    marks = (0.0, 50.0, 110.0, 160.0)
    empty = BeltRun(marks, (0.0, 50.1, 110.22, 160.31))
    part = BeltRun(marks, (0.0, 50.1, 110.23, 160.3), load="part")
    across = replace(part, axis="across")
    assert [r.name for r in _runs_of(empty, part).readings] == ["belt run"] * 2
    assert [r.name for r in _runs_of(part).readings] == ["belt run"] * 2
    names = [r.name for r in _runs_of(empty, across).readings]
    assert names == ["belt run"] * 2 + ["across run"] * 2


def test_growth_of_all_faces_alike_is_taken_out_of_what_was_read_again() -> None:
    """0.3 mm wider outside, narrower inside, by a bead that may change by so much."""
    survey = SURVEYS["the other side of the walls"]()
    survey = replace(survey, readings=survey.readings[:4])
    change = replace(solve(OFF).corrections[0], old=100.0, new=102.0)
    solution = replace(solve(survey), corrections=(change,))
    named = replace(
        survey, readings=tuple(replace(r, name=f"r{n}") for n, r in enumerate(survey.readings))
    )
    now = [
        replace(r, mm=(expected + 0.3,))
        for r, expected in zip(named.readings, solution.expected_next, strict=True)
    ]
    wide = compare(named, solution, now, 20.0)  # 1.5 * 20 * 2 % = 0.6 mm
    assert [c.growth for c in wide] == pytest.approx([0.3] * 4)
    assert [c.agrees for c in wide] == [True] * 4
    assert [c.apart for c in wide] == pytest.approx([0.0] * 4, abs=1e-9)
    narrow = compare(named, solution, now, 5.0)  # 0.15 mm
    assert [c.growth for c in narrow] == pytest.approx([0.15] * 4)
    assert not any(c.agrees for c in narrow)


def test_what_leans_share_shows_less_once_another_reading_tells_of_the_same() -> None:
    """One unknown of 2 mm before; readings of 0.1 and 0.2 mm.  A slip shared by the first alone has
    the variance 0.1^2 + 2^2, and with the second 0.1^2 + 1 / (1/2^2 + 1/0.2^2)."""
    J, v, u0 = np.array([[1.0], [1.0]]), np.array([0.01, 0.04]), np.array([2.0])
    state = _State(J, v, np.diag(u0**2), u0, [1, 0])
    alone = math.sqrt(0.01 + 4.0)
    assert state.common_slip([0]) == pytest.approx(DELTA * alone, rel=1e-4)
    with_other = math.sqrt(0.01 + 1 / (1 / 4 + 1 / 0.04))
    assert state.common_slip([0], 1) == pytest.approx(DELTA * with_other, rel=1e-4)
    twice = math.sqrt(0.005 + 4.0)
    assert state.common_slip([0], 0) == pytest.approx(DELTA * twice, rel=1e-4)
    assert state.count == [1, 0]


@pytest.mark.parametrize(("ratio", "present"), [(2.5, False), (2.5000001, True)])
def test_scatter_two_and_a_half_times_as_large_is_slip(ratio: float, present: bool) -> None:
    run = belt_run(_X.tolist(), _Y.tolist())
    found = slip(replace(run, scatter=1.0), replace(run, scatter=ratio))
    assert found.present is present


def test_the_level_of_a_survey_is_shared_out_among_readings_of_three_and_more() -> None:
    """Triples: the farthest of one stands off by z(1 - 0.002 / (2 * 3 * count)) sigma sqrt(1.5)."""
    clean = [(20.0, 20.0, 20.0001)] * 19
    limits = [stats.norm.ppf(1 - 0.002 / (6 * n)) * 0.02 * math.sqrt(1.5) for n in (1, 20)]
    for off, found in ((1.02 * limits[1], ((0, 2),)), (0.98 * limits[1], ())):
        assert off > limits[0]  # of a single reading it would be asked about
        assert strays([(20.0, 20.0, 20.0 + off), *clean], 0.02) == found


@pytest.mark.parametrize(("size", "material"), [(-2.1, True), (-1.9, False), (-2.9, True)])
def test_the_material_is_short_by_more_than_two_uncertainties(size: float, material: bool) -> None:
    survey = SURVEYS["all short alike"]()
    at = fit(*observe(survey))
    p = at.p.copy()
    m = at.unknowns.index("shrink")
    p[m] = 0.0
    for column in (0, 2):
        gradient = np.zeros(len(p))
        gradient[[column, m]] = 1.0, -1.0
        p[column] = size * at.of(gradient)[1]
    assert looks_like_material(survey, replace(at, p=p)) is material


def test_six_degrees_of_freedom_speak_for_the_instrument_and_a_tie_is_no_more() -> None:
    groups = [(20.0, 20.25, 20.5)] * 3
    assert repeatability(0.1, groups) == pytest.approx(0.25)
    assert repeatability(0.1, [*groups[:2], (20.0,)]) == 0.1
    two = tuple(Reading("pitch", (50.0, 0, 0), mm) for mm in groups[:2])
    tie = replace(OFF, readings=two, instrument=Instrument(repeatability_mm=0.25))
    assert (noise_of(tie).s, noise_of(tie).dof) == (0.25, math.inf)
