"""The short tune at the desk: what is to be read next, how near it is to enough, and in words.

What the guide, `gauge --enough` and the foot of the shell share.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from agent.bench.rounds import MOVES, Round
from agent.errors import AgentError
from agent.face.words import shown
from agent.model.exact import several
from agent.model.feature import length
from agent.model.roles import WANTED
from agent.work.tuning import (
    U_GAUGE,
    U_RULE,
    course_of,
    proof_of,
    still_to_prove,
    u_of_moves,
)

if TYPE_CHECKING:
    from agent.estimate.design import Course
    from agent.face.desk import Desk

ENOUGH: Final = "enough: every wanted parameter is known to within its tolerance"

#: Words of the four in one line of 80 columns.
_FOOT: Final = {
    "x_scale": "across",
    "y_scale": "gantry",
    "z_scale": "belt",
    "gantry_angle_deg": "angle",
}


@dataclass(frozen=True, slots=True)
class Wish:
    """A feature or move to be read now, and how many values of it in all."""

    name: str
    piece: str  #: name of the laid piece, or kind of one to be laid; MOVES for a move
    mm: float  #: its length
    values: int  #: in all, with those already taken


def u_move(desk: Desk, u_mm: float | None = None) -> float:
    """Standard uncertainty with which this bench reads moves, mm; `u_mm` where it was just told."""
    if u_mm is not None:
        return u_mm
    usual = U_RULE if desk.rehearsal is None else U_GAUGE
    return u_of_moves(desk.session.profile, desk.session.now.readings, usual)


#: The course looked at last, by what it rests on.
_KEPT: dict[str, Course] = {}


def course_now(desk: Desk, u_mm: float | None = None) -> Course | None:
    """What is still worth reading in this round; None where nothing can be said of it yet."""
    session = desk.session
    survey, u = session.bench.survey(), u_move(desk, u_mm)
    key = repr((survey, session.now.laid, u))
    if key not in _KEPT:
        try:
            found = course_of(session.profile, survey, session.now, u)
        except AgentError:  # readings that lead nowhere: `solve` says why
            return None
        _KEPT.clear()
        _KEPT[key] = found
    return _KEPT[key]


def wishes(desk: Desk, u_mm: float | None = None) -> tuple[Wish, ...]:
    """What is to be read now, in its order: the tune's own readings, or those of its proof."""
    now = desk.session.now
    if now.follows is not None:
        return _proof_wishes(desk, now)
    course = course_now(desk, u_mm)
    if course is None:
        return ()
    found: dict[str, Wish] = {}
    for ask in course.asks:
        needs = ask.candidate.needs
        move = ask.candidate.reading.kind == "travel"
        mm = length(ask.candidate.reading.along)
        found[ask.name] = Wish(ask.name, MOVES if move else needs[0], mm, ask.value)
    return tuple(found.values())


def _proof_wishes(desk: Desk, now: Round) -> tuple[Wish, ...]:
    laid = {one.kind: one.name for one in now.laid}
    return tuple(
        Wish(again.name, laid.get(again.piece, again.piece), again.mm, again.values)
        for again in still_to_prove(desk.session.profile, now)
    )


def progress(course: Course) -> str:
    """The four uncertainties against their tolerances, in a line."""
    limits, now = course.tolerance, course.now
    scales = "  ".join(f"{_FOOT[name]} {100 * min(now[name], 9.999):.3f}" for name in WANTED[:3])
    angle = now[WANTED[3]]
    return (
        f"± {scales} of {100 * limits[WANTED[0]]:g} %"
        f"  {_FOOT[WANTED[3]]} {angle:.3f} of {limits[WANTED[3]]:g}°"
    )


def foot(desk: Desk) -> tuple[str, str]:
    """The foot of the shell in the middle of `gauge`, in long and short words.

    How near it is to enough, or what of the proof is left.
    """
    if desk.session.now.follows is not None:
        left = len(wishes(desk))
        words = f"proof: {several(left, 'reading')} left" if left else "proof: all read"
        return words, words
    course = course_now(desk)
    if course is None:
        return "", ""
    u, limits = course.now, course.tolerance
    scales = " ".join(f"{100 * min(u[name], 9.999):.3f}" for name in WANTED[:3])
    brief = f"± {scales}/{100 * limits[WANTED[0]]:g} % {u[WANTED[3]]:.3f}/{limits[WANTED[3]]:g}°"
    return progress(course), brief


def tell(desk: Desk, before: Course | None) -> None:
    """After a reading: that it is enough, or as much as pays, where that reading brought it."""
    if desk.session.now.follows is not None:
        return
    now = course_now(desk)
    if now is None or now.asks or before is None or not before.asks:
        return
    desk.screen.say(enough_words(now))


def enough_words(course: Course) -> str:
    """That it is enough, and what more would bring, in two lines."""
    if course.enough:
        return f"{ENOUGH}\n{more_words(course)}".rstrip()
    left = ", ".join(
        f"{shown(name).words} ± {shown(name).amount(course.now[name], 3)}"
        for name in course.outside
    )
    return f"This is as far as it pays: {left}. More readings of this kind would hardly help."


def more_words(course: Course) -> str:
    """What the reading that helps most would still bring."""
    if not course.more:
        return ""
    worst = max(WANTED, key=lambda name: course.now[name] / course.tolerance[name])
    words = shown(worst)
    return (
        f"More would bring little: '{course.more}' takes {words.words} from"
        f" ± {words.amount(course.now[worst], 3)} to ± {words.amount(course.more_after[worst], 3)}."
    )


def power_words(desk: Desk) -> str:
    """What the proof would show, in a sentence; empty where nothing is to be proved."""
    from agent.estimate.proof import POWER, shown_errors

    scale, angle = shown_errors(proof_of(desk.session.profile, desk.session.now))
    told = [f"{100 * scale:.2f} %" * bool(scale), f"{angle:.2f}°" * bool(angle)]
    errors = " or ".join(text for text in told if text)
    if not errors:
        return ""
    return f"This would show an error of {errors} with a probability of {100 * POWER:.0f} %."


def out_of_reach(desk: Desk, u_mm: float | None = None) -> str:
    """That the tolerance cannot be reached with this instrument, in a sentence; else empty."""
    from agent.face.outlook import cannot_words

    course = course_now(desk, u_mm)
    if desk.session.now.follows is not None or course is None or not course.unreachable:
        return ""
    return cannot_words(course)


def cannot(desk: Desk, u_mm: float | None = None) -> str:
    """Why the tolerance cannot be reached with this instrument, and what would; else empty."""
    from agent.face.outlook import way_out
    from agent.work.costs import cost_of

    told = out_of_reach(desk, u_mm)
    if not told:
        return ""
    profile, u = desk.session.profile, u_move(desk, u_mm)
    return f"{told} {way_out(profile, u, cost_of(profile, u))}"
