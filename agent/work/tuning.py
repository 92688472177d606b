"""The short tune of one machine: what could be read, what it takes, and what is worth it.

The choice is `agent.estimate.design`'s; here stand the moves and pieces of this machine and the
minutes they cost.  Times of the hand are common practice.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Final

from agent.bench.rounds import MOVES, Laid, Round, Written
from agent.model.feature import Feature, Reading
from agent.model.profile import Profile
from agent.model.roles import ROLES, WANTED, Role
from agent.model.survey import Survey
from agent.plain import shared_fields

if TYPE_CHECKING:
    from agent.estimate.consistency import Examined
    from agent.estimate.design import Ask, Candidate, Course
    from agent.estimate.proof import Shows
    from agent.pieces import Piece

#: The piece of the short tune.
SHORT_PIECE: Final = "stem"

#: Standard uncertainty of a move read with an ordinary steel rule, mm: half a millimetre of
#: reading at both ends (common practice).
U_RULE: Final = 0.3

#: Standard uncertainty of the gauges beside simulated axes, mm.
U_GAUGE: Final = 0.05

#: Shares of the usual move over which an axis is moved as well; the first is the usual move.
_SHARES: Final = (1.0, 0.75, 0.5, 0.875, 0.625)

#: Seconds to seat and type one value: a caliper, a square, a gauge beside a move (common practice).
_SECONDS: Final[Mapping[str, float]] = {"lean": 40.0, "sway": 40.0, "travel": 45.0, "gap": 120.0}
_USUAL_SECONDS: Final = 25.0

#: Minutes to bring a gauge to an axis, and to heat a machine (common practice).
_GAUGE_MINUTES: Final = 1.5
_HEAT_MINUTES: Final = 5.0


@dataclass(frozen=True, slots=True)
class Times:
    """Minutes of a piece that is yet to be laid."""

    laying: float
    cooling: float

    @property
    def whole(self) -> float:
        return _HEAT_MINUTES + self.laying + self.cooling


def moves_of(profile: Profile, role: Role) -> tuple[Feature, ...]:
    """The measured moves of an axis, the usual one first, each under a name of its own."""
    from agent.pieces import move_over, travel_features

    usual = travel_features(profile)[ROLES.index(role)]
    whole = math.hypot(*usual.along)
    return tuple(move_over(usual, round(whole * share, 2)) for share in _SHARES)


def mm_of(feature: Feature | Reading) -> float:
    """Length of a move, mm."""
    return math.hypot(*feature.along)


def planned_of(feature: Feature, u_mm: float | None = None) -> Reading:
    """A reading of a feature that is yet to be taken."""
    return Reading(**shared_fields(feature, Reading), mm=(math.nan,), u_mm=u_mm)


def times_of(piece: Piece, profile: Profile) -> Times:
    """Minutes that a piece takes; raises as `agent.pieces.summary`."""
    from agent.pieces import summary
    from agent.pieces.cooling import cooling_minutes

    return Times(summary(piece, profile).seconds / 60, cooling_minutes(piece, profile))


def short_piece(profile: Profile) -> tuple[Piece, Times] | None:
    """The piece of the short tune and its minutes; None where it cannot be laid."""
    return _short_piece(Written(repr(profile), profile))


@lru_cache(maxsize=32)
def _short_piece(written: Written[Profile]) -> tuple[Piece, Times] | None:
    from agent.errors import AgentError
    from agent.pieces import PIECES

    try:
        piece = PIECES[SHORT_PIECE](written.value)
        return piece, times_of(piece, written.value)
    except AgentError:  # travel or angle not known: 'outlook' and 'lay' say what is missing
        return None


def pool(
    profile: Profile,
    laid: Sequence[Laid],
    taken: Iterable[Reading],
    u_move: float,
) -> tuple[list[Candidate], dict[str, float], set[str]]:
    """All that could be read, minutes of what it needs, and what of that is there.

    u_move: standard uncertainty of what measures a move, mm
    """
    from agent.estimate.design import Candidate

    found: list[Candidate] = []
    setups: dict[str, float] = {}
    there: set[str] = set()
    reach = profile.instrument.reach_mm
    moved = {r.name: r for r in taken}
    for role in ROLES:
        gauge = f"gauge at {role}"
        setups[gauge] = _GAUGE_MINUTES
        for move in moves_of(profile, role):
            if move.name in moved:
                there.add(gauge)
            found.append(Candidate(planned_of(move, u_move), _SECONDS["travel"], (gauge,)))
    for one in laid:
        there.add(one.name)
        setups[one.name] = 0.0
        found += _features(one.piece, one.name, reach)
    short = short_piece(profile)
    if short is not None and not any(one.kind == SHORT_PIECE for one in laid):
        piece, times = short
        setups[piece.name] = times.whole
        found += _features(piece, piece.name, reach)
    return found, setups, there


def _features(piece: Piece, name: str, reach: float) -> Iterator[Candidate]:
    from agent.estimate.design import Candidate

    for feature in piece.features:
        if feature.kind in ("lean", "sway") or mm_of(feature) <= reach:
            seconds = _SECONDS.get(feature.kind, _USUAL_SECONDS)
            yield Candidate(planned_of(feature), seconds, (name,), again=True)


def u_of_moves(profile: Profile, taken: Iterable[Reading], usual: float) -> float:
    """Standard uncertainty of what reads moves, mm: as the last move had it, or as is told."""
    own = [r.u_mm for r in taken if r.kind == "travel" and r.u_mm is not None]
    told = profile.instrument.move_u_mm
    return own[-1] if own else usual if told is None else told


def bare_survey(profile: Profile) -> Survey:
    """A survey of a machine of which nothing was read."""
    return Survey((), **shared_fields(profile, Survey))


def course_of(
    profile: Profile,
    survey: Survey,
    now: Round,
    u_move: float,
) -> Course:
    """What is still worth reading in the present round, in its order, until it is enough.

    Where nothing more is worth it but readings stand apart by more than their 99 % interval, one
    more value tells which of them was off.
    """
    from agent.estimate.consistency import examine
    from agent.estimate.design import course

    candidates, setups, there = pool(profile, now.laid, now.readings, u_move)
    examined = examine(survey) if survey.readings else None
    found = course(survey, candidates, setups, examined=examined, wanted=WANTED, there=there)
    if examined is None or any(is_move(ask.name) for ask in found.asks):
        return found
    # moves are held against each other while the gauge is at hand, all else at the end
    more = _doubted(survey, examined, candidates, moves_alone=bool(found.asks))
    if more is None:
        return found
    return replace(found, asks=(more, *found.asks), doubt=more.name)


def _doubted(
    survey: Survey, examined: Examined, candidates: Sequence[Candidate], *, moves_alone: bool
) -> Ask | None:
    """One more value beside a reading that stands apart from what the others say."""
    from agent.estimate.design import MOST_VALUES, Ask, doubted
    from agent.estimate.solve import residuals_of

    read = {r.name: len(r.mm) for r in survey.readings}
    for row in doubted(examined, [(r.residual, r.u) for r in residuals_of(survey, examined)]):
        reading = survey.readings[row]
        for candidate in candidates:
            name = candidate.reading.name
            count = read.get(name, 0)
            same = name == reading.name and candidate.again and count < MOST_VALUES
            beside = reading.kind == "travel" and not count and _axis(name) == _axis(reading.name)
            if beside or (same and not moves_alone):
                return Ask(candidate, count + 1, candidate.seconds / 60, {})
    return None


def _axis(name: str) -> str:
    """`travel across` of the name of any move of that axis; empty for anything else."""
    return " ".join(name.split()[:2]) if is_move(name) else ""


def is_move(name: str) -> bool:
    """True for the name of a measured move of an axis."""
    return name.startswith(f"{MOVES} ")


@dataclass(frozen=True, slots=True)
class Again:
    """A reading of the proof that is still to be taken."""

    name: str
    piece: str  #: kind of the piece it is taken on, or MOVES
    sizes: Mapping[str, float]  #: of that piece
    mm: float  #: length, of a move its own
    values: int


def proof_of(profile: Profile, now: Round) -> tuple[Shows, ...]:
    """Readings that would show that the change before the round `now` failed; none without one."""
    before = now.follows
    if before is None:
        return ()
    key = repr((before.solved, profile.mechanics, profile.bead, profile.material))
    return _proof(Written(key, (profile, before)))


@lru_cache(maxsize=1)  # nothing is designed twice in one process
def _proof(written: Written[tuple[Profile, Round]]) -> tuple[Shows, ...]:
    from agent.estimate.proof import proof

    profile, before = written.value
    if before.solution is None or before.survey is None:
        return ()
    pieces = {taken.reading.name: taken.piece for taken in before.taken}
    laid = {one.name: one for one in before.laid}
    minutes = {name: times_of(one.piece, profile).whole for name, one in laid.items()}

    def cost(reading: Reading) -> float:
        seconds = _SECONDS.get(reading.kind, _USUAL_SECONDS)
        own = minutes.get(pieces.get(reading.name, ""), _GAUGE_MINUTES)
        return own + seconds / 60

    return proof(before.survey, before.solution, cost)


def still_to_prove(profile: Profile, now: Round) -> tuple[Again, ...]:
    """What of the proof is not read yet, moves first."""
    before = now.follows
    if before is None:
        return ()
    first = {taken.reading.name: taken for taken in before.taken}
    kinds = {one.name: one for one in before.laid}
    read = {taken.reading.name for taken in now.taken}
    found = []
    for shows in proof_of(profile, now):
        taken = first.get(shows.name)
        if taken is None or shows.name in read:
            continue
        laid = kinds.get(taken.piece)
        found.append(
            Again(
                shows.name,
                laid.kind if laid is not None else MOVES,
                laid.piece.size if laid is not None else {},
                mm_of(taken.reading),
                shows.values,
            )
        )
    return tuple(sorted(found, key=lambda again: again.piece != MOVES))
