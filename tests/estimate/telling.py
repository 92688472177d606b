"""All that an estimate says of a survey, as a text with fixed digits."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from agent.estimate import agreement_limits, foresee, planned, solve
from agent.estimate.belt_findings import BeltFindings
from agent.estimate.combinations import combination, of_readings_alone
from agent.estimate.consistency import Examined, copied_rows
from agent.estimate.curvature import bent
from agent.estimate.effects import layout, own, shared
from agent.estimate.fit import fit
from agent.estimate.mistakes import suspicions
from agent.estimate.observation import observe
from agent.estimate.positioning import Positioning
from agent.estimate.proof import changed, proof
from agent.estimate.solution import Parameter, Solution
from agent.estimate.spread import spread
from agent.estimate.standing import askew, outside, standing, verdict
from agent.model.geometry import Array
from agent.model.survey import Survey
from tests.listing import digits, leaves, row

#: Every combination that is told of.
COMBINATIONS = (
    "plan_shear_deg", "sway_deg", "gap_deg", "lean_deg", "printed_x_percent", "printed_s_percent",
    "printed_h_percent",
)  # fmt: skip

#: Beyond so many readings only each so-manieth of them is told, and those that are wrong.
FEW = 20


def told(survey: Survey, *, deep: bool = False, laid: bool = False) -> str:
    """The solution of a survey; `deep`: also what it rests on; `laid`: and who shares what."""
    solution = solve(survey, line=lambda setting, value: f"set {setting} to {value:.5f}")
    whole = _whole(survey, solution)
    examined = solution.examined
    assert examined is not None
    parts: list[Iterator[str]] = [
        _parameters(solution, deep=deep),
        _remedies(whole, solution),
        _residuals(solution),
        _examined(whole, examined),
        _belt(solution.belt),
    ]
    if deep:
        parts += [
            _standing(whole, solution),
            _spread(examined),
            _suspected(whole),
            _foreseen(whole),
            _combined(examined),
        ]
    if laid:
        parts.append(_layout(whole))
    return "\n".join(line for part in parts for line in part)


def _whole(survey: Survey, solution: Solution) -> Survey:
    """The survey with the readings of its runs, as the estimate had it."""
    belt = solution.belt.readings if solution.belt else ()
    mechanics = survey.mechanics
    if mechanics.gantry_angle_deg is None:
        mechanics = replace(mechanics, gantry_angle_deg=90.0)
    return replace(survey, mechanics=mechanics, readings=(*survey.readings, *belt))


def _parameters(solution: Solution, *, deep: bool) -> Iterator[str]:
    for name, p in solution.parameters.items():
        size = 100 if name.endswith("_scale") or name == "shrink" else 1
        yes = [word for word in ("determined", "significant") if getattr(p, word)]
        slip = None if p.unseen_slip is None else size * p.unseen_slip
        yield (
            f"{name} {row([size * p.value, size * p.u, size * p.prior_u, size * p.expanded95])}"
            f" slip {digits(slip)} told by {p.told_by} {' '.join(yes)}"
        )
        budget = _budget(p)
        if deep:
            yield f"  {budget}"
    for name, c in solution.derived.items():
        yield f"{name} {row([c.value, c.u])}"


def _budget(p: Parameter) -> str:
    """Shares above a ten-thousandth by name; they come largest first and add up to one."""
    sizes = [share.share for share in p.budget]
    assert sizes == sorted(sizes, reverse=True)
    assert not sizes or math.isclose(math.fsum(sizes), 1.0, rel_tol=1e-9)
    listed = sorted((s.component, s.share) for s in p.budget if s.share >= 1e-4)
    return ", ".join(f"{name} {digits(share, 4)}" for name, share in listed)


def _remedies(survey: Survey, solution: Solution) -> Iterator[str]:
    for c in solution.corrections:
        yield f"{c.setting}: {row([c.old, c.new, c.u])} {c.line}; {c.why}"
        yield f"  {row(c.effects)}"
    yield f"slicing angle {digits(solution.slicing_angle_deg)}"
    for advice in solution.advice:
        turn = f" [{row([advice.turn.mm, advice.turn.span_mm])}]" if advice.turn else ""
        yield f"{advice.code}{turn}: {advice.text}"
    if solution.next is None:
        yield "next: none"
    else:
        n = solution.next
        size = 100 if n.parameter.endswith("_scale") else 1
        sizes = row([size * n.u_now, size * n.u_then])
        yield f"next: {n.feature} {row(n.along)} for {n.parameter} {sizes}"
    yield f"to prove: {', '.join(changed(survey, solution)) or 'nothing'}"
    for shows in proof(survey, solution, lambda r: 2.0 if r.kind == "travel" else 5.0):
        size = 100 if shows.parameter.endswith("_scale") else 1
        yield (
            f"  {shows.row} {shows.name} {shows.parameter} {digits(size * shows.error)}"
            f" in {shows.values} values"
        )


def _residuals(solution: Solution) -> Iterator[str]:
    lists = (solution.residuals, solution.expected_next, solution.u_expected)
    ratios = {
        digits(limit / u) for limit, u in zip(agreement_limits(solution), lists[2], strict=True)
    }
    yield f"agrees within {' '.join(ratios)} u"
    yield "reading: predicted measured residual u allowed; expected u"
    for i, (r, expected, u) in enumerate(zip(*lists, strict=True)):
        if i >= FEW and i % FEW and not r.outlier:
            continue
        why = f" {r.explanation.mistake}: {r.explanation.text}" if r.explanation else ""
        yield (
            f"{i} {row([r.predicted, r.measured, r.residual, r.u, r.allowed])};"
            f" {row([expected, u])}{' WRONG' if r.outlier else ''}{why}"
        )


def _standing(survey: Survey, solution: Solution) -> Iterator[str]:
    for name, p in solution.parameters.items():
        yield f"{name}: {standing(survey, solution, name)}; {verdict(name, p, solution, survey)}"
    yield f"outside: {', '.join(outside(survey, solution)) or 'none'}"
    for name, value, alone in askew(solution, survey.tolerance):
        yield f"askew: {name} {digits(value)} {'by itself' if alone else 'together'}"


def _examined(survey: Survey, examined: Examined) -> Iterator[str]:
    g = examined.goodness
    yield f"chi-squared {digits(g.statistic)} of {g.dof}, p {digits(g.p)}"
    yield (
        f"agrees {examined.agrees}, contradictory {examined.contradictory},"
        f" unlike {examined.unlike}, stray {examined.stray}, copied {copied_rows(survey)}"
    )
    for a in examined.accused:
        yield f"accused: {a.row} {a.mistake} {a.partner} {a.text}"
    s = examined.spread
    yield f"form {digits(s.form)} grade {digits(s.grade)} evidence {digits(s.evidence)}"
    yield f"factors {row(examined.fit.factor95[: examined.fit.unknowns.sought])}"


def _belt(belt: BeltFindings | None) -> Iterator[str]:
    if belt is None:
        return
    for axis, run in zip(belt.axes, belt.runs, strict=True):
        yield (
            f"run of {axis}: {row([100 * run.scale, 100 * run.u_scale, run.factor95, run.offset])}"
            f" trend {row([run.trend, run.u_trend])} {run.trend_is_significant}"
            f" scatter {digits(run.scatter)} of {run.dof}"
        )
        for w in run.waves:
            sizes = row([w.period.mm, w.period.u_mm, w.amplitude, w.u, w.phase])
            yield f"  {w.period.name} {sizes} {w.significant}"
        yield f"  {row(run.residuals)}"
        yield f"  {row([run.error_at(x) for x in (0.0, 40.0, 333.0)])}"
    for axis, found in belt.reversals.items():
        yield f"reversal of {axis} {row([found.mean, found.u])} {found.constant}"
    if belt.slip is not None:
        s = belt.slip
        yield f"slip {row([100 * s.difference, 100 * s.u, s.scatter_ratio])} {s.present}"
    yield f"withheld {dict(belt.withheld)}, best lengths {row(belt.best_lengths)}"
    if belt.positioning is not None:
        yield from figures(belt.positioning)
    yield from leaves(belt.to_plain())
    for r in belt.readings:
        yield f"{r.kind} {row(r.along)} {row(r.mm)} {digits(r.u_mm)} {r.name} {r.slope}"


def figures(found: Positioning) -> Iterator[str]:
    """Every figure of a positioning run."""
    for name in Positioning.__dataclass_fields__:
        value = getattr(found, name)
        yield f"{name} {row(np.atleast_1d(value).tolist())}"


def _spread(examined: Examined) -> Iterator[str]:
    """Every node of the grid with its weight."""
    s = examined.spread
    yield f"by readings {s.of_readings}"
    for factors, log, quadratic in zip(s.factors, s.log, s.quadratic, strict=True):
        yield f"node {row(factors, 2)} {row([log, quadratic])}"


def _suspected(survey: Survey) -> Iterator[str]:
    """Mistakes weighed at the plain fit, but for the hopeless ones."""
    obs, unknowns = observe(survey)
    at = fit(obs, unknowns)
    found = [s for s in suspicions(survey, at, spread(at)) if s.log_odds > -7]
    for s in sorted(found, key=lambda s: (s.rows, s.mistake, s.change)):
        sizes = f"{row(s.change, 3)} odds {row([s.log_odds, s.before], 3)}"
        yield f"suspected: {s.rows} {s.mistake} {sizes} {s.about}".rstrip()


def _layout(survey: Survey) -> Iterator[str]:
    """Who shares what, with its column, and what each reading has for itself."""
    obs, unknowns = observe(survey)
    bare = unknowns.sought
    J = obs.predict(unknowns.mean)[1][:, :bare]
    of = layout(survey)
    yield f"pieces {' '.join(p or '-' for p in of.piece)}; flat {of.flat.astype(int).tolist()}"
    for s in shared(survey, of, J):
        yield f"{s.component} of {s.of or 'all'}: {row([s.u, s.mean], 6)}: {row(s.column.tolist())}"
    for name, variance in {**obs.own, **own(survey, of, J)}.items():
        yield f"own {name}: {row(np.sqrt(variance).tolist())}"
    yield f"noise {row([obs.noise.s, obs.noise.dof])}"
    curved = bent(fit(obs, unknowns))
    if len(curved.p) == len(unknowns.names):
        yield "not bent"
    else:
        extra: Array = curved.observations.Z[:, len(unknowns.names) - bare :]
        # the sign of a direction of equal spread is arbitrary, and so is the order of equal ones
        sizes = sorted(np.linalg.norm(extra, axis=0).tolist())
        yield f"bent by {row(sizes)}, {row(curved.unknowns.u[len(unknowns.names) :])}"


def _combined(examined: Examined) -> Iterator[str]:
    """What pieces show directly, and what is known of the turns without their priors."""
    for name in COMBINATIONS:
        found, before = combination(examined.fit, name)
        yield f"{name} {row([found.value, found.u, before])}"
    alone = of_readings_alone(examined.fit)
    yield "alone " + ", ".join(f"{name} {digits(u)}" for name, u in alone.items())


def _foreseen(survey: Survey) -> Iterator[str]:
    """What further readings would tell."""
    for extra in (
        [],
        [planned("travel", (0.0, 250.0, 0.0), 0.05)],
        [planned("lean", (0.0, 0.0, 75.0)), planned("outside", (130.0, 0.0, 0.0))],
    ):
        found = foresee(survey, extra)
        yield "foreseen " + ", ".join(f"{name} {digits(u, 6)}" for name, u in found.items())
