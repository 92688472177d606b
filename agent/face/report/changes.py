"""Sections about the change: what was written, what was answered, what is proved, what was not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

from agent.bench.surveyed import Surveyed
from agent.bench.value import BY_WORD
from agent.change.outcome import STAGES, STATE_WORDS, Stage, failed_stages
from agent.face import described
from agent.face.columns import headed
from agent.face.digits import angle
from agent.face.parts import Items, Part, Table, Wire, Words
from agent.face.report.reasons import kept
from agent.face.report.story import transactions_of
from agent.face.report.tune import Job, Tune, names_of
from agent.face.words import shown
from agent.model.exact import in_full
from agent.model.roles import BY_HAND

if TYPE_CHECKING:
    from agent.estimate.solution import Correction


def state(tune: Tune) -> str:
    """The outcome of the tune in one line."""
    solution = tune.before.solution
    if tune.put_back:
        return "Put back: every setting is as it was before the tune."
    if tune.plan is None:
        if tune.previewed or solution.corrections:
            return "Measured. A change is proposed and was NOT written."
        if solution.slicing_angle_deg is not None:
            return "Measured. No setting needs a change; another slicing angle does."
        return "Measured. No change is warranted."
    if tune.outcome is not None and not tune.outcome.verified:
        return "Changed, and NOT PROVED: see below before the machine is used."
    proof = "stored" if tune.stored else "read back, NOT PROVED TO BE STORED"
    if not tune.compared:
        again = "measured again, not compared" if tune.after is not None else "not measured again"
        return f"Changed and {proof}; {again}."
    apart = sum(1 for row in tune.compared if not row.agrees)
    if apart:
        are = "reading is" if apart == 1 else "readings are"
        return f"Changed and {proof}; {apart} {are} NOT as expected."
    told = f"Changed, {proof}, and measured again: every reading is as expected"
    left = [shown(name).words for name in tune.rounds[-1].outside]
    if left:
        told += f"; still OUTSIDE the tolerance: {', '.join(left)}"
    return f"{told}."


def what_changed(tune: Tune) -> Sequence[Part]:
    parts: list[Part] = []
    solution = tune.before.solution
    if tune.plan is not None:
        parts += written(tune, {c.setting: c for c in solution.corrections})
    elif solution.corrections:
        parts += _proposed(tune)
    else:
        parts.append(Words("No setting was changed, and none is proposed."))
    if solution.slicing_angle_deg is not None:
        used = tune.before.survey.mechanics.gantry_angle_deg
        words = (
            f"Slicing angle: {angle(solution.slicing_angle_deg)} instead of {angle(used)}. No line"
            " is sent for it; the slicing program is set to it by hand."
        )
        if tune.slicing_angle_deg == solution.slicing_angle_deg != used:
            words += " The pieces read again were drawn for the new angle."
        parts.append(Words(words))
    return parts


def written(job: Job, found: Mapping[str, Correction] | None = None) -> Iterator[Part]:
    """What the plan of a job set, and what became of it; `found`: what it rests on, by setting."""
    plan, outcome = job.plan, job.outcome
    assert plan is not None
    fates = {fate.key: fate for fate in outcome.fates} if outcome is not None else {}
    rows = []
    for change in plan.changes:
        fate = fates.get(change.key)
        spread = (found or {}).get(change.key)
        rows.append(
            (
                change.key,
                f"{change.old:.{change.digits}f}",
                in_full(change.new),
                "" if spread is None or spread.new != change.new else f"± {2 * spread.u:.4f}",
                "" if change.percent is None else f"{change.percent:+z.3f} %",
                *(("-", "") if fate is None else described.fate_cells(fate)[1:]),
                change.why,
            )
        )
    columns = headed(
        "setting", ">old", ">sent", ">± (95 %)", ">change", ">read back", "result", "~why"
    )
    headings = [name for name, _ in columns if name[0] != "±"]
    caption = f"Approved under the digest {plan.digest}, over lines, machine and read-back."
    yield Table(columns, tuple(rows), caption).without_empty(*headings)
    if plan.asks:
        yield Words("To be checked before it was approved, and approved:")
        yield Items(plan.asks)
    if plan.warnings:
        yield Words("Warned of before it was written:")
        yield Items(plan.warnings)
    if outcome is None:
        return
    if outcome.moved:
        yield Words(
            "Settings that changed although no line of the plan names them: "
            + "; ".join(map(str, outcome.moved)),
            strong=True,
        )
    notes = (*outcome.notes, *outcome.hand_over)
    if notes:
        yield Items(notes)


def _proposed(tune: Tune) -> Iterator[Part]:
    yield Words("Nothing was written. The readings propose:", strong=True)
    yield described.corrections(tune.before.solution)


def lines(tune: Job) -> Sequence[Part]:
    """Every line that could change a setting, with its answer; nothing if none was sent."""
    told = transactions_of(tune.journal)
    if not told:
        if tune.plan is None:
            return ()
        return (
            Words("The answers were not kept. Lines of the plan, in the order of sending:"),
            Wire("\n".join(tune.plan.lines)),
        )
    parts: list[Part] = []
    for part in told:
        times = [at for at in (part.at, *part.again_at) if at]
        when = f" at {' and at '.join(times)}" if times else ""
        if part.again_at:
            when = f", {len(part.again_at) + 1} times alike{when}"
        digest = f", digest {part.digest}" if part.digest else ""
        caption = f"{part.title}{when}{digest}: {part.end}."
        if part.sent:
            rows = tuple((str(n), s.line, s.answer) for n, s in enumerate(part.sent, 1))
            columns = headed(">no", "line, as it was sent", "~answer")
            parts.append(Table(columns, rows, caption))
        else:
            parts.append(Words(f"{caption} No line was sent for this."))
    return parts


#: What each stage of proof means.
_STAGE_WORDS: dict[Stage, str] = {
    "read back": "the live value, as printed, agrees with what was sent",
    "reloaded from storage": "loaded again from storage, it still agrees",
    "after a power cycle": "switched off and on, it still agrees",
    "after homing": "homing has not put it back",
    "after a job's start": "the first lines of a job have not put it back",
}


def proof(tune: Job) -> Sequence[Part]:
    if tune.plan is None:
        return (Words("Nothing was written, so there is nothing to prove."),)
    failed = failed_stages(tune.journal)

    def passed(stage: Stage) -> str:
        if stage in tune.stages:
            return "PASSED"
        if tune.evidence.get(stage) == BY_WORD:
            return BY_WORD
        return "FAILED" if stage in failed else "not done"

    def meaning(stage: Stage) -> str:
        seen = tune.evidence.get(stage, "")
        if seen == BY_WORD:
            return f"{_STAGE_WORDS[stage]}; that it was off, nobody but the operator has seen"
        return f"{_STAGE_WORDS[stage]} ({seen})" if seen else _STAGE_WORDS[stage]

    rows = tuple((stage, passed(stage), meaning(stage)) for stage in STAGES)
    return (
        Table(headed("stage", "", "~what it means"), rows),
        Words("An acknowledgement, or a notice that something was saved, counts as no stage."),
    )


def kept_back(tune: Tune) -> Sequence[Part]:
    columns = headed("~what", ">found, 95 %", "~why it was left")
    return (Table(columns, tuple(kept(tune))), Words(_NEVER))


_NEVER = (
    "The controller's skew correction was not used: it assumes a box-shaped machine, and on an"
    " endless belt it drives the nozzle away from the belt or into it as a job goes on."
)


def verified(job: Job) -> str:
    """The stages of proof that were passed, and what was seen of them, in a sentence."""
    passed = [stage for stage in STAGES if stage in job.stages]
    told = [f"{stage} ({job.evidence[stage]})" if stage in job.evidence else stage
            for stage in passed]  # fmt: skip
    return f"Verified: {'; '.join(told) or 'NOTHING'}."


def not_held(job: Job) -> Iterator[str]:
    """Values that the controller does not hold as they were sent."""
    for fate in job.outcome.fates if job.outcome is not None else ():
        if fate.state != "took":
            yield f"{fate.key}: {STATE_WORDS[fate.state]}."


def not_proved(job: Job) -> Iterator[str]:
    missing = [stage for stage in STAGES if stage not in job.stages]
    if missing:
        yield f"Not proved: {', '.join(missing)}."


def outside(measured: Surveyed) -> Iterator[str]:
    """Main errors outside their tolerance, each with its interval."""
    for name in measured.outside:
        words, p = shown(name), measured.solution.parameters[name]
        yield (
            f"OUTSIDE the tolerance: {words.words} {words.value(p.value)}"
            f" {words.spread(p.expanded95)} (95 %)."
        )


def open_points(tune: Tune) -> Iterator[str]:
    """What somebody who signs should know is open."""
    yield from not_held(tune)
    if tune.plan is not None and not tune.put_back:
        yield from not_proved(tune)
        if not tune.read_after:
            yield "No piece was laid and read after the change."
    latest = tune.after or tune.before
    if tune.after is not None or tune.plan is None:
        yield from outside(latest)
    for name in BY_HAND:
        found = latest.solution.parameters.get(name)
        if found is not None and found.determined and found.significant:
            words = shown(name)
            yield (
                f"Needs mechanical adjustment: {words.words} {words.value(found.value)}"
                f" {words.spread(found.expanded95)}."
            )
    strays = [
        name
        for name, residual in zip(names_of(latest), latest.solution.residuals, strict=True)
        if residual.outlier
    ]
    if strays:
        yield (
            f"Not in keeping with the other readings, or with its own repeats, and counted all the"
            f" same: {', '.join(strays)}."
        )
    for row in tune.compared:
        if not row.agrees:
            yield (
                f"{row.name} was read {row.apart:+z.3f} mm off what was expected, beyond the"
                f" {row.limit:.3f} mm allowed."
            )
