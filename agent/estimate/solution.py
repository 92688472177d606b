"""What an estimate says, as plain values.  `to_plain` is the form other programs rely on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from agent.estimate.belt_findings import BeltFindings
from agent.estimate.consistency import Examined, Goodness
from agent.estimate.fit import Fit
from agent.model.feature import Vector
from agent.plain import Plain


@dataclass(frozen=True, slots=True)
class Share(Plain):
    """Part of a parameter's variance that one contributor brings."""

    component: str
    share: float  #: all of a parameter add up to 1


@dataclass(frozen=True, slots=True)
class Explanation(Plain):
    """The mistake that would make a reading agree with all others."""

    mistake: str  #: see `agent.estimate.mistakes`
    text: str


@dataclass(frozen=True, slots=True)
class Parameter(Plain):
    """One unknown; scales and shrink relative, angles in degrees, offsets in mm."""

    value: float
    u: float  #: standard uncertainty
    prior_u: float  #: what was known before
    expanded95: float  #: half width of the 95 % interval
    determined: bool  #: these readings, not the prior, say what it is
    significant: bool  #: different from zero beyond the 95 % interval
    budget: tuple[Share, ...] = ()  #: where its variance comes from, largest first
    told_by: int | None = None  #: how many readings tell of it
    unseen_slip: float | None = None  #: what a slip of one that stays unseen could move it by

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Parameter:
        """The parameter that `to_plain` described; older ones have no budget."""
        budget = tuple(Share(**share) for share in plain.get("budget", ()))
        return cls(**{**plain, "budget": budget})


@dataclass(frozen=True, slots=True)
class Correction(Plain):
    """A motor setting to change."""

    setting: str
    old: float
    new: float
    u: float  #: standard uncertainty of `new`
    line: str | None
    why: str
    effects: tuple[float, ...] = ()  #: change of each reading by this line alone, mm


@dataclass(frozen=True, slots=True)
class Residual(Plain):
    """A reading against what the estimate says it should be, mm."""

    predicted: float
    measured: float
    residual: float  #: measured minus predicted
    u: float  #: standard uncertainty of the residual
    outlier: bool
    explanation: Explanation | None = None
    allowed: float | None = None  #: how large it may be and still fit; None: it always fits

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Residual:
        """The residual that `to_plain` described; older ones have neither of the last two."""
        why = plain.get("explanation")
        return cls(**{**plain, "explanation": Explanation(**why) if why else None})


@dataclass(frozen=True, slots=True)
class Turn:
    """How far one end of a part is to be moved.

    Of the gantry angle: the upper end, positive back towards -s (steeper).  Of yaw, rail skew and
    roll: the +x end, positive towards +s, up the gantry, and off the belt.
    """

    mm: float
    span_mm: float


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to know or do; `code` stays the same when the wording improves."""

    code: str
    text: str
    turn: Turn | None = None  #: what to move by hand, where there is such a thing

    def to_plain(self) -> dict[str, str]:
        return {"code": self.code, "text": self.text}


@dataclass(frozen=True, slots=True)
class NextReading(Plain):
    """The reading that helps most; uncertainties in the unit of the parameter."""

    feature: str
    along: Vector
    parameter: str
    u_now: float
    u_then: float


@dataclass(frozen=True, slots=True)
class Combination(Plain):
    """A combination of parameters that is known better than they are."""

    value: float
    u: float


@dataclass(frozen=True, slots=True)
class Solution:
    """The whole answer."""

    parameters: Mapping[str, Parameter]
    corrections: tuple[Correction, ...]
    slicing_angle_deg: float | None
    derived: Mapping[str, Combination]
    residuals: tuple[Residual, ...]
    expected_next: tuple[float, ...]  #: mm, in the order of the readings
    advice: tuple[Advice, ...]
    next: NextReading | None
    belt: BeltFindings | None = None
    u_expected: tuple[float, ...] = ()  #: standard uncertainty of each expected reading, mm
    goodness: Goodness | None = None
    contradictory: bool = False  #: the readings contradict each other: nothing rests on them
    examined: Examined | None = field(default=None, repr=False, compare=False)

    @property
    def warrants_change(self) -> bool:
        """True if it asks for a change, of a setting or of the slicing angle."""
        return bool(self.corrections) or self.slicing_angle_deg is not None

    @property
    def fit(self) -> Fit | None:
        """The fit it rests on, where it is at hand."""
        return self.examined.fit if self.examined else None

    def to_plain(self) -> dict[str, Any]:
        return {
            "parameters": {name: p.to_plain() for name, p in self.parameters.items()},
            "corrections": [c.to_plain() for c in self.corrections],
            "slicing_angle_deg": self.slicing_angle_deg,
            "derived": {name: c.to_plain() for name, c in self.derived.items()},
            "residuals": [r.to_plain() for r in self.residuals],
            "expected_next": list(self.expected_next),
            "advice": [a.to_plain() for a in self.advice],
            "next": self.next.to_plain() if self.next else None,
            "fit": self.goodness.to_plain() if self.goodness else None,
            "contradictory": self.contradictory,
            **({"belt_run": self.belt.to_plain()} if self.belt else {}),
        }
