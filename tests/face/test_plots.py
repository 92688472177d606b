"""Pictures of plain characters: they fit, and what should be marked is marked."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.estimate.belt_run import Period, belt_run
from agent.estimate.drift import Dated, drift
from agent.estimate.solution import Residual
from agent.face import plots
from agent.model.survey import BeltRun

#: An invented run: slope 0.2 %, a sine of 0.25 mm at 97.4 mm.
COMMANDED = np.arange(0.0, 301.0, 15.0)
ERROR = 0.002 * COMMANDED + 0.25 * np.cos(2 * np.pi * COMMANDED / 97.4 - 1.0)


def a_run(**more):
    measured = tuple(float(x) for x in COMMANDED + ERROR)
    return BeltRun(tuple(map(float, COMMANDED)), measured, **more)


def fitted():
    return belt_run(COMMANDED, COMMANDED + ERROR, [Period("roller", 97.4)])


@pytest.mark.parametrize(
    ("value", "half", "reach", "drawn"),
    [
        (0.0, 0.0, 1.0, "     o     "),
        (0.4, 0.2, 1.0, "     :-o-  "),
        (0.0, 0.5, 1.0, "   --o--   "),
        (-0.4, 0.9, 1.0, "---o-+--   "),
        (3.0, 0.1, 1.0, "     :    >"),
        (-3.0, 0.1, 1.0, "<    :     "),
    ],
)
def test_interval_marks_value_spread_and_zero(value, half, reach, drawn):
    assert plots.interval(value, half, reach, 11) == drawn


def test_interval_without_reach_is_refused():
    with pytest.raises(ValueError, match="reach must be positive"):
        plots.interval(1.0, 0.1, 0.0)


def test_bars_stand_below_each_other():
    rows = [
        plots.Bar("travel", 0.5, 0.1, 1.0, "+0.500 %", "correct it"),
        plots.Bar("gantry angle", 0.0, 0.1, 1.0, "+0.000 deg", "leave it"),
    ]
    first, second = plots.bars(rows)
    assert first.startswith("travel          +0.500 %  ")
    assert first.endswith("  correct it")
    assert second.endswith("  leave it")
    assert second.index("o") == first.index(":")
    assert plots.bars([]) == []


#: Numbers as they come in readings: nothing smaller than a micrometre.
_SIZES = st.floats(-1e3, 1e3).map(lambda x: round(x, 6))
_SPREADS = st.floats(0, 10).map(lambda x: round(x, 6))


@given(
    st.lists(st.tuples(st.text("abc ", max_size=40), _SIZES, _SPREADS, st.booleans()), max_size=9)
)
def test_residuals_never_leave_the_screen(found):
    residuals = [Residual(20.0, 20.0 + r, r, u, out) for _, r, u, out in found]
    limits = [3 * u or None for _, _, u, _ in found]
    lines = plots.residuals([name for name, *_ in found], residuals, limits)
    assert all(len(line) <= 80 for line in lines)
    assert len(lines) == (len(found) + 1 if found else 0)
    assert [line.endswith("read again") for line in lines[:-1]] == [out for *_, out in found]


def test_residuals_show_the_band_and_the_outlier():
    lines = plots.residuals(
        ["strip s1", "strip s2"],
        [Residual(20.0, 20.01, 0.01, 0.02, False), Residual(60.0, 60.1, 0.1, 0.02, True)],
        [0.06, 0.06],
        width=60,
    )
    good, bad, foot = lines
    assert good.index("(") < good.index(":") < good.index("o") < good.index(")")
    assert bad.index(")") < bad.index("#")
    assert "o" not in bad[bad.index("|") : bad.rindex("|")]
    assert ("-0.105" in foot, "+0.105" in foot) == (True, True)


def test_belt_run_draws_marks_and_the_sine_through_them():
    lines = plots.belt_run(a_run(), fitted())
    assert all(len(line) <= 80 for line in lines)
    body = "\n".join(lines[1:-2])
    assert body.count("o") == len(COMMANDED)
    assert body.count(".") > 40
    assert lines[-1].split() == ["0", "commanded", "300", "mm"]
    assert "going back" not in lines[0]


def test_belt_run_tells_the_two_ways_apart():
    back = BeltRun(
        (50, 100, 150, 150, 100, 50),
        (50.03, 100.02, 150.05, 149.87, 99.85, 49.86),
        approach="both",
    )
    lines = plots.belt_run(back, belt_run((50, 100, 150), (50.03, 100.02, 150.05), u_mm=0.02))
    body = "\n".join(lines[1:])
    assert (body.count("x"), "x read going back" in lines[0]) == (3, True)
    assert [ahead for *_, ahead in plots.marks_of(back)] == [True] * 3 + [False] * 3


def test_fitted_error_is_what_the_evaluation_fitted():
    """What is left of each mark is what the evaluation itself calls left."""
    found = fitted()
    left = [e - found.error_at(x) for x, e in zip(COMMANDED, ERROR, strict=True)]
    assert left == pytest.approx(found.residuals, abs=1e-9)


def test_drift_draws_results_bars_and_line():
    results = [Dated(day, 0.1 + 0.001 * day, 0.01) for day in (0.0, 50.0, 120.0, 200.0)]
    found = drift(results)
    assert found is not None
    lines = plots.drift(results, found, ("2026-01-01", "2026-07-20"), unit="%")
    body = "\n".join(lines[1:-2])
    assert all(len(line) <= 80 for line in lines)
    assert (body.count("o"), "|" in body, "." in body) == (4, True, True)
    assert lines[0].startswith("%: o result")
    assert lines[-1].split() == ["2026-01-01", "2026-07-20"]
    assert plots.drift([], None, ("", "")) == []


def test_drift_line_is_the_weighted_line():
    """A straight series is met exactly, whatever the weights (numpy's weighted fit as oracle)."""
    results = [Dated(0.0, 1.0, 0.1), Dated(10.0, 1.4, 0.2), Dated(40.0, 1.9, 0.1)]
    found = drift(results)
    assert found is not None
    oracle = np.polyfit(
        [r.day for r in results], [r.value for r in results], 1, w=[1 / r.u for r in results]
    )
    line = found.at
    assert [line(d) for d in (0.0, 25.0)] == pytest.approx(np.polyval(oracle, [0.0, 25.0]))
