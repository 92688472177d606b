"""A state of the machine that was measured and solved, as a bench or a readings file gives it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from agent.bench.value import Bench
from agent.model.feature import Reading
from agent.model.survey import Survey

if TYPE_CHECKING:
    from agent.estimate.remedies import Remedies
    from agent.estimate.solution import Solution


@dataclass(frozen=True, slots=True)
class Surveyed:
    """One state of the machine, measured and solved."""

    survey: Survey  #: with the readings that were taken, and no others
    solution: Solution
    pieces: tuple[str, ...] = ()  #: what each reading was taken on, in their order; or empty
    #: Readings that replaced earlier ones, by name; the earlier values, none if not kept.
    replaced: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    @property
    def readings(self) -> tuple[Reading, ...]:
        """What was solved: the readings taken, then those that stand for the belt runs."""
        from agent.estimate.foretelling import readings_of

        return readings_of(self.survey, self.solution)

    def standing(self, name: str) -> str:
        """How an error stands against its tolerance; see `agent.estimate.standing`."""
        from agent.estimate.standing import standing

        return standing(self.survey, self.solution, name)

    @property
    def outside(self) -> tuple[str, ...]:
        """Main errors outside their tolerance, by name."""
        from agent.estimate.standing import outside

        return tuple(outside(self.survey, self.solution))

    @property
    def remedies(self) -> Remedies | None:
        """What the estimate decided for each error; None if the fit is not at hand any more."""
        from agent.estimate.remedies import decide

        solution, belt = self.solution, self.solution.belt
        if solution.examined is None:
            return None
        survey = replace(self.survey, readings=self.readings)
        withheld = belt.withheld if belt is not None else {}
        return decide(survey, solution.examined, solution.parameters, withheld=withheld)


def surveyed(
    survey: Survey,
    solution: Solution,
    pieces: tuple[str, ...] = (),
    replaced: Mapping[str, tuple[float, ...]] | None = None,
) -> Surveyed:
    """A solved state; readings that stand for belt runs are told from those that were taken."""
    runs = solution.belt.readings if solution.belt is not None else ()
    taken = survey.readings
    if runs and taken[-len(runs) :] == runs:
        survey = replace(survey, readings=taken[: -len(runs)])
    known = pieces if len(pieces) == len(survey.readings) else ()
    return Surveyed(survey, solution, known, replaced or {})


def surveyed_states(bench: Bench) -> tuple[Surveyed, ...]:
    """The states of a bench that were solved; the present one is solved where it was read."""
    rounds = bench.rounds
    if rounds[-1].solved is None and (rounds[-1].taken or rounds[-1].runs):
        rounds = (*rounds[:-1], replace(rounds[-1], solved=bench.to_solve()))
    return tuple(
        surveyed(r.survey, r.solution, tuple(t.piece for t in r.taken), dict(r.read_again))
        for r in rounds
        if r.survey is not None and r.solution is not None
    )
