"""Sections that hold readings against what is expected of them: by the estimate, and foretold."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from agent.bench.surveyed import Surveyed
from agent.estimate import agreement_limits, residual_limits
from agent.face import described
from agent.face.columns import headed
from agent.face.parts import Part, Picture, Table, Words
from agent.face.report import figures
from agent.face.report.tune import Tune, names_of


def misfits(measured: Surveyed) -> Sequence[Part]:
    solution = measured.solution
    names = names_of(measured)
    if not names:
        return ()
    limits = residual_limits(solution)
    return (
        Picture(
            figures.misfits(
                "misfits",
                names,
                [r.residual for r in solution.residuals],
                [limit or 0.0 for limit in limits],
                [r.outlier for r in solution.residuals],
                "measured minus estimated",
            ),
            "Residuals: each reading less what the estimate says it should be; grey: what is"
            " allowed.",
        ),
        described.residuals(measured.readings, solution.residuals, limits),
    )


def foretold(tune: Tune) -> Sequence[Part]:
    if not tune.compared:
        if tune.plan is None and tune.before.solution.slicing_angle_deg is None:
            return ()
        if tune.after is not None:
            words = (
                "Measured again; what was expected for each reading was not kept beside it. The"
                " results stand side by side below."
            )
            return (Words(words),)
        return (
            Words(
                "Not measured again: whether parts come out as expected is not known.", strong=True
            ),
            *_expected(tune.before),
        )
    rows = tune.compared
    return (
        Picture(
            figures.misfits(
                "foretold",
                [row.name for row in rows],
                [row.apart for row in rows],
                [row.limit for row in rows],
                [not row.agrees for row in rows],
                "measured minus expected",
            ),
            "What is left between the readings after the change and those expected before it;"
            " grey: what is allowed.",
        ),
        described.comparison(rows),
    )


def _expected(measured: Surveyed) -> Iterator[Part]:
    """What the same readings should be after the change."""
    solution = measured.solution
    if not solution.u_expected:
        return
    rows = tuple(
        (name, f"{r.measured:.3f}", f"{expected:.3f}", f"± {limit:.3f}", "")
        for name, r, expected, limit in zip(
            names_of(measured),
            solution.residuals,
            solution.expected_next,
            agreement_limits(solution),
            strict=True,
        )
    )
    columns = headed("~reading", ">read, mm", ">expected", ">allowed", "read again (by hand)")
    yield Table(
        columns,
        rows,
        "Readings to expect of the same pieces, laid again after the change. " + described.ALLOWED,
    )
