"""What the rules of advice may look at, and the words they share."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from agent.estimate.belt_findings import BeltFindings
from agent.estimate.consistency import Examined
from agent.estimate.fit import Fit
from agent.estimate.remedies import Remedies
from agent.estimate.solution import Advice, Combination, NextReading, Parameter, Residual
from agent.model.roles import Role
from agent.model.survey import Survey

#: Span used for yaw and shims where the machine's own is not known, mm.
SPAN = 300.0


@dataclass(frozen=True, slots=True)
class Findings:
    """All that the rules may look at."""

    survey: Survey
    examined: Examined
    parameters: Mapping[str, Parameter]
    remedies: Remedies
    derived: Mapping[str, Combination]
    residuals: tuple[Residual, ...]
    new_steps: Mapping[Role, tuple[float, float]]  #: role -> old, new of proposed settings
    next: NextReading | None
    belt: BeltFindings | None = None

    @property
    def fit(self) -> Fit:
        return self.examined.fit


Rule = Callable[[Findings], Iterator[Advice]]


def percent(x: float) -> str:
    return f"{100 * x:+z.3f} %"


def named(survey: Survey, i: int) -> str:
    reading = survey.readings[i]
    along = ", ".join(f"{x:g}" for x in reading.along)
    return reading.name or f"reading {i + 1} ({reading.kind} {along})"


def axis_words(survey: Survey, role: Role) -> str:
    return f"{role} axis ({survey.axes.letter(role).upper()})"
