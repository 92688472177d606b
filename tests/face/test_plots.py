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
from tests.pinned import Pinned

#: An invented run: slope 0.2 %, a sine of 0.25 mm at 97.4 mm.
COMMANDED = np.arange(0.0, 301.0, 15.0)
ERROR = 0.002 * COMMANDED + 0.25 * np.cos(2 * np.pi * COMMANDED / 97.4 - 1.0)


def a_run() -> BeltRun:
    measured = tuple(float(x) for x in COMMANDED + ERROR)
    return BeltRun(tuple(map(float, COMMANDED)), measured)


def fitted():
    return belt_run(COMMANDED, COMMANDED + ERROR, [Period("roller", 97.4)])


@pytest.mark.parametrize(
    ("value", "half", "drawn"),
    [
        (0.0, 0.0, "       o       "),
        (3.0, 1.0, "       : -o-   "),
        (0.0, 3.5, "   ----o----   "),
        (-3.0, 6.0, "----o--+---    "),
        (-7.0, 0.0, "o      :       "),
        (7.0, 0.0, "       :      o"),
        (7.6, 0.0, "       :      >"),
        (-7.6, 1.0, "<      :       "),
        (0.0, 99.0, "-------o-------"),
        (20.0, 15.0, "       :    -->"),
    ],
)
def test_interval_marks_value_spread_and_zero(value: float, half: float, drawn: str) -> None:
    """Seven characters to each side stand for the reach of 7: a character is 1."""
    assert plots.interval(value, half, 7.0) == drawn


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


def test_residuals_show_the_band_and_the_outlier() -> None:
    """Fifteen characters to each side stand for 1.05 times the largest, 0.21 mm: one is 0.014 mm.

    0.06 mm are then 4.3 characters from the middle, drawn at the fourth, 0.01 mm are 0.7, drawn at
    the first, and the largest, 0.2 mm, 14.3.
    """
    lines = plots.residuals(
        ["strip s1", "strip s2", "a name that is much longer than there is room for"],
        [
            Residual(20.0, 20.01, 0.01, 0.02, False),
            Residual(60.0, 59.8, -0.2, 0.02, True),
            Residual(60.0, 60.0, 0.0, 0.02, False),
        ],
        [0.06, 0.06, None],
    )
    assert lines == [
        "strip s1               +0.010  |           (   :o  )           |",
        "strip s2               -0.200  | #         (   :   )           |  read again",
        "a name that is much    +0.000  |               o               |",
        "                           mm  -0.210          0          +0.210",
    ]


def test_readings_that_leave_nothing_are_drawn_on_a_line_of_a_millimetre() -> None:
    (line, foot) = plots.residuals(["a"], [Residual(20.0, 20.0, 0.0, 0.0, False)], [None])
    assert line.index("o") == foot.index(" 0 ") + 1
    assert foot.split() == ["mm", "-1.000", "0", "+1.000"]


def test_a_belt_run_is_drawn_with_its_marks_and_what_was_fitted(pinned: Pinned) -> None:
    """Each mark stands at its place, the fitted line goes through them, nothing is too wide."""
    back = BeltRun(
        (50, 100, 150, 150, 100, 50),
        (50.03, 100.02, 150.05, 149.87, 99.85, 49.86),
        approach="both",
    )
    runs = [
        (a_run(), fitted()),
        (back, belt_run((50, 100, 150), (50.03, 100.02, 150.05), u_mm=0.02)),
    ]
    drawn = [plots.belt_run(run, found) for run, found in runs]
    assert [ahead for *_, ahead in plots.marks_of(back)] == [True] * 3 + [False] * 3
    assert "\n".join(drawn[0]).count("o") == len(COMMANDED) + 1 + 2  # of words: error, commanded
    pinned("face/belt runs", "\n\n".join("\n".join(lines) for lines in drawn))


def test_a_diagram_puts_marks_by_their_share_of_its_ranges() -> None:
    """Eleven columns over 0 to 10 are one for each; five rows over -1 to 1 one for each half."""
    diagram = plots.Diagram((0.0, 10.0), (-1.0, 1.0), 11, 5)
    diagram.level(0.5, "=")
    diagram.level(1.3, "?")  # above it
    diagram.level(-1.3, "?")
    diagram.curve(lambda x: x / 10 - 1, ".")
    diagram.mark(2.0, 1.0, "a")
    diagram.mark(10.0, -1.0, "b")
    diagram.mark(5.0, 1.3, "c")
    diagram.mark(5.0, -1.3, "d")
    assert diagram.lines("left", "right") == [
        " +1.000 |  a",
        "        |===========",
        " +0.000 |        ...",
        "        |   .....",
        " -1.000 |...       b",
        "        +-----------",
        "         left  right",
    ]


@pytest.mark.parametrize(
    ("low", "labels"),
    [
        (-1.0, ["+1.000", "", "+0.000", "", "-1.000"]),
        (0.0, ["+1.000", "", "", "", "+0.000"]),
        (-0.1, ["+1.000", "", "", "", "-0.100"]),  # nought is nearest to the last row
        (0.5, ["+1.000", "", "", "", "+0.500"]),
    ],
)
def test_the_ends_are_labelled_and_nought_where_it_has_a_row_of_its_own(
    low: float, labels: list[str]
) -> None:
    lines = plots.Diagram((0.0, 1.0), (low, 1.0), 3, 5).lines("", "")
    assert [line.partition("|")[0].strip() for line in lines[:5]] == labels


@pytest.mark.parametrize(
    ("values", "wanted"),
    [
        ((0.1, 0.3), (-0.018, 0.318)),  # nought is near, and belongs to it
        ((-0.3, -0.1), (-0.318, 0.018)),
        ((4.0, 5.0), (3.94, 5.06)),  # a fifth of the size apart: nought is too far away
        ((-5.0, -4.0), (-5.06, -3.94)),
        ((2.0, 2.0), (1.94, 2.06)),  # a single value has room as well
    ],
)
def test_a_diagram_reaches_a_little_beyond_its_values(
    values: tuple[float, float], wanted: tuple[float, float]
) -> None:
    """Six hundredths of the span are left free on either side."""
    assert plots._around(values) == pytest.approx(wanted)


def test_fitted_error_is_what_the_evaluation_fitted():
    """What is left of each mark is what the evaluation itself calls left."""
    found = fitted()
    left = [e - found.error_at(x) for x, e in zip(COMMANDED, ERROR, strict=True)]
    assert left == pytest.approx(found.residuals, abs=1e-9)


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
