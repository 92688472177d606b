"""Tables of the terminal, each a heading and plain rows: no state, no questions, no link."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from agent.face import described
from agent.face.screen import Screen
from agent.face.words import reading_name
from agent.model.exact import as_printed, in_full
from agent.model.feature import Reading
from agent.model.settings import Readback
from agent.model.survey import Survey

if TYPE_CHECKING:
    from agent.change.outcome import Outcome
    from agent.change.plan import Plan
    from agent.change.storing import Look
    from agent.estimate.solution import Solution


def parameters(screen: Screen, survey: Survey, solution: Solution) -> None:
    """Every parameter with its 95 % interval, and what follows from it."""
    screen.show(described.parameters(survey, solution))
    tolerance = survey.tolerance
    screen.say(
        f"Tolerance {tolerance.scale_percent:g} % and {tolerance.angle_deg:g}°: what is within it"
        " is left as it is."
    )


def settings(
    screen: Screen,
    readback: Readback,
    beside: Mapping[str, Mapping[str, float]] | None = None,
    notes: Mapping[str, str] | None = None,
    *,
    only: str = "",
) -> None:
    """Settings of a read-back whose key starts with `only`.

    beside  further columns of values by key (saved, stored); what differs is marked `(!)`
    notes   a few words by key, in a last column
    """
    others = beside or {}
    rows = []
    for key, setting in readback.settings.items():
        if not key.startswith(only):
            continue
        row = [key, as_printed(setting), setting.unit]
        for values in others.values():
            value = values.get(key)
            if value is None:
                row.append("-")
            elif setting.agrees_with(value):
                row.append("same")
            else:
                row.append(f"(!) {as_printed(setting, value)}")
        rows.append([*row, notes.get(key, "")] if notes else row)
    columns = ["setting", ">live", "unit"]
    columns += [f">{name}" for name in others]
    screen.table([*columns, ""] if notes else columns, rows)


def plan(screen: Screen, plan: Plan) -> None:
    """What would change, then the exact lines in their order, then the digest."""
    if plan.empty:
        screen.say("No line to send.")
    else:
        rows = [
            (
                c.key,
                f"{c.old:.{c.digits}f}",
                in_full(c.new),
                c.unit,
                "" if c.percent is None else f"{c.percent:+z.3f} %",
                c.why,
            )
            for c in plan.changes
        ]
        screen.table(["setting", ">old", ">new", "unit", ">change", "why"], rows)
        screen.say("Lines, exactly as they are sent and in this order:")
        for line in plan.lines:
            screen.say(f"    {line}")
    for text in plan.asks:
        screen.say(f"- Check before you approve: {text.rstrip('.')}.")
    for text in plan.warnings:
        screen.say(f"- Note: {text.rstrip('.')}.")
    if not plan.empty:
        screen.say(f"Digest {plan.digest}, over lines, machine and read-back.")


def outcome(screen: Screen, outcome: Outcome, evidence: str = "") -> None:
    """What became of each change, and how far it is proved; `evidence` of the last stage."""
    if outcome.fates:
        screen.show(described.outcome(outcome))
    for change in outcome.moved:
        screen.say(f"! Changed although no line of the plan names it: {change}")
    for note in outcome.notes:
        screen.say(f"- {note}")
    behind = f" ({evidence})" if evidence and len(outcome.stages) > 1 else ""
    screen.say(f"Verified: {', '.join(outcome.stages) or 'nothing'}{behind}.")


def look(screen: Screen, look: Look) -> None:
    """What storing would make permanent."""
    if not (look.own or look.others):
        screen.say(f"Live and stored do not differ: '{look.line}' would change nothing.")
    else:
        screen.say(f"'{look.line}' would make these permanent:")
        marked = [(c, "") for c in look.own] + [(c, "not of the plan") for c in look.others]
        rows = [(c.key, in_full(c.old), in_full(c.new), c.unit, note) for c, note in marked]
        screen.table(["setting", ">stored", ">live", "unit", ""], rows)
    for note in look.notes:
        screen.say(f"- {note[0].upper()}{note[1:]}.")


def effects(screen: Screen, readings: Sequence[Reading], solution: Solution) -> None:
    """What each proposed line alone does to each reading, and what is expected of all together."""
    names = [c.setting.replace("steps_per_mm.", "steps ") for c in solution.corrections]
    rows = [
        (
            reading_name(reading),
            f"{residual.measured:.3f}",
            *(f"{c.effects[i]:+z.3f}" for c in solution.corrections),
            f"{expected:.3f}",
        )
        for i, (reading, residual, expected) in enumerate(
            zip(readings, solution.residuals, solution.expected_next, strict=True)
        )
    ]
    screen.table(["reading", ">now", *(f">{name}" for name in names), ">then"], rows)
