"""Sections that hold readings against what is expected of them: by the estimate, and foretold."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from agent.bench.surveyed import Surveyed
from agent.estimate import agreement_limits, residual_limits
from agent.face.report import figures
from agent.face.report.digits import signed
from agent.face.report.parts import Part, Picture, Table, Words
from agent.face.report.tune import Tune, names_of


def misfits(measured: Surveyed) -> Sequence[Part]:
    solution = measured.solution
    names = names_of(measured)
    if not names:
        return ()
    limits = residual_limits(solution)
    rows = []
    for number, (name, r, limit) in enumerate(
        zip(names, solution.residuals, limits, strict=True), 1
    ):
        lonely = "" if limit is not None else "only reading of its kind, cannot be checked"
        rows.append(
            (
                str(number),
                name,
                f"{r.measured:.3f}",
                f"{r.predicted:.3f}",
                "" if limit is None else signed(r.residual, 3),
                "" if limit is None else f"± {limit:.3f}",
                "DOES NOT FIT" if r.outlier else lonely,
            )
        )
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
        Table(
            (
                ("no", "right"),
                ("reading", "wide"),
                ("read, mm", "right"),
                ("estimated", "right"),
                ("difference", "right"),
                ("allowed", "right"),
                ("", "left"),
            ),
            tuple(rows),
            _LIMIT.format(what="measured and estimated")
            + " Readings of a feature that stray among themselves"
            " do not fit either." + (_ALONE if None in limits else ""),
        ),
    )


#: How a list of readings is judged.
_LIMIT = (
    "Allowed: how far apart {what} may be; of a whole list of good readings all keep within it 99"
    " times in 100."
)
_ALONE = (
    " A reading that is the only one of its kind fits whatever it is, so that its fit proves"
    " nothing."
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
        Table(
            (
                ("no", "right"),
                ("reading", "wide"),
                ("expected, mm", "right"),
                ("change of size offset, mm", "right"),
                ("measured, mm", "right"),
                ("difference", "right"),
                ("allowed", "right"),
                ("", "left"),
            ),
            tuple(
                (
                    str(number),
                    row.name,
                    f"{row.foretold:.3f}",
                    signed(row.growth, 3) if row.growth else "",
                    f"{row.read:.3f}",
                    signed(row.apart, 3),
                    f"± {row.limit:.3f}",
                    row.verdict,
                )
                for number, row in enumerate(rows, 1)
            ),
            "Expected before the change was written. Change of size offset: how much wider beads"
            " come out with the new settings, the same for all faces of a direction. "
            + _LIMIT.format(what="measured and expected"),
        ),
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
    columns = (
        ("reading", "wide"),
        ("read, mm", "right"),
        ("expected", "right"),
        ("allowed", "right"),
    )
    yield Table(
        (*columns, ("read again (by hand)", "left")),
        rows,
        "Readings to expect of the same pieces, laid again after the change. "
        + _LIMIT.format(what="measured and expected"),
    )
