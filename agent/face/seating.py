"""One feature under the caliper: the jaws put on anew for each reading, and what may be typed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from statistics import fmean
from typing import Final

from agent.bench.rounds import Laid
from agent.errors import Refused
from agent.face.answers import Typed, typed_lengths
from agent.face.desk import Desk
from agent.model.exact import MM_PER_INCH
from agent.model.feature import Feature, Vector, length

#: A reading further from its nominal length than this share, and than this many mm, is asked
#: about: digits swapped, the wrong feature, an inch display.  The first pair holds while nothing
#: is known of the machine, the second once a solution was carried out.
FAR: Final = (0.05, 1.0)
FAR_ONCE_SOLVED: Final = (0.02, 0.5)

#: A signed reading larger than this share of its length is asked about.
MUCH: Final = 0.2

#: Two features run the same way if the sine of the angle between them is below this.
SAME_WAY: Final = 0.01

#: How near a slip of the unit or of the decimal point has to come to the nominal length.
LIKELY: Final = 0.06

#: Slips that a factor mends.
_SLIPS: Final = ((MM_PER_INCH, "in inches"), (10.0, "a decimal short"), (0.1, "a decimal long"))

#: Times an answer that is no reading is asked for again before the feature is left out.
TRIES: Final = 6

#: Kinds of reading with a sign, whose nominal value is zero.
SIGNED: Final = ("lean", "sway", "gap")

WORDS: Final = """\
  A number and Enter: a reading; several with blanks between are several.
  19,98 or 0.787 in   comma and inches are understood, and shown as understood
  Enter               done with this feature (left out if nothing was read)
  back                takes the last reading back, then the feature before
  again               this feature from the start
  fix 2 19.98         the second reading was 19.98
  stop                ends; 'gauge' goes on where it was"""


class Step(Enum):
    """Where to go after a feature."""

    ON = "on"
    BACK = "back"
    STOP = "stop"
    ALL = "all"  #: the simulated caliper reads the rest of a rehearsal


@dataclass(frozen=True, slots=True)
class Seat:
    """A feature on a piece, its place in the drawing, and what was read of it before."""

    laid: Laid
    feature: Feature
    number: int
    of: int
    values: tuple[float, ...] = ()


class Values:
    """The values read of one feature so far; each change is handed on at once."""

    def __init__(self, seat: Seat, keep: Callable[[Sequence[float], bool], None]) -> None:
        self.now = seat.values
        self._keep = keep
        self._begun = bool(seat.values)  # what is added goes on with what was read before

    def put(self, values: Sequence[float]) -> None:
        """From now on these are the values."""
        if tuple(values) != self.now:
            self.now = tuple(values)
            self._keep(self.now, self._begun)
            self._begun = True

    def __len__(self) -> int:
        return len(self.now)


def read_one(
    desk: Desk,
    seat: Seat,
    repeats: int,
    values: Values,
    *,
    many: bool = False,
    offer_more: bool = False,
) -> Step:
    """Readings of one feature from the technician into `values`; returns where to go next.

    offer_more: the simulated caliper also adds to what was read before
    """
    screen, feature = desk.screen, seat.feature
    sign = ", with its sign" if feature.kind in SIGNED else ""
    screen.say(
        f"\n{feature.name} (no {seat.number} of {seat.of} in the drawing): {feature.kind},"
        f" {length(feature.along):.2f} mm{sign}"
    )
    screen.say(f"  {feature.hint}")
    had = values.now
    more = max(repeats - len(had), 1)
    offered = offered_by_bench(desk, seat, more) if offer_more or not had else ()
    if offered:
        screen.say(f"  The simulated caliper shows {' '.join(f'{v:.2f}' for v in offered)}")
    if values.now:
        screen.say(f"  so far {_listed(values.now)}")
    kept_odd = False
    for _ in range(TRIES + 4 * repeats):
        if len(values) == repeats == 2 and _two_apart(desk, feature, values):
            repeats = 3
            if offered:  # whoever takes what is offered takes the third as well
                values.put((*values.now, *offered_by_bench(desk, seat, 1)))
        if len(values) >= repeats:
            if kept_odd or not (odd := _odd_one(desk, feature, values)):
                return _finish(desk, feature, values.now)
            kept_odd = odd == "keep"
            continue
        now = values.now
        shown = bool(offered) and now == had
        asked = _question(feature, now, repeats, offered=shown, many=many)
        answer = screen.ask(asked, reading=True)
        if not answer and not shown:
            return _finish(desk, feature, now)
        if not answer:
            values.put((*had, *offered))
            kept_odd = True
        elif answer.lower() == "all" and offered and many:
            if shown:
                values.put((*had, *offered))
                _finish(desk, feature, values.now)
            return Step.ALL
        elif step := _taken(desk, feature, values, answer):
            return step
    screen.say(f"  {feature.name} is left; 'gauge {feature.name.replace(' ', '-')}' comes back.")
    return Step.ON


def _taken(desk: Desk, feature: Feature, values: Values, answer: str) -> Step | None:
    """Carry out what was typed; where to go next, or None to go on with this feature."""
    now = values.now
    word, _, rest = answer.lower().partition(" ")
    match word:
        case "stop":
            return Step.STOP
        case "back" if not now:
            return Step.BACK
        case "back":
            values.put(now[:-1])
            desk.screen.say(f"  {now[-1]:.2f} is taken back.")
        case "again":
            values.put(())
        case "?":
            desk.screen.say(WORDS)
        case "fix":
            _fix(desk, feature, values, rest)
        case _:
            values.put((*now, *_typed_values(desk, feature, answer, now)))
    return None


def offered_by_bench(desk: Desk, seat: Seat, repeats: int) -> tuple[float, ...]:
    """What the simulated caliper reads; nothing without one, or without that piece on its belt."""
    if desk.rehearsal is None:
        return ()
    try:
        return desk.rehearsal.measure(seat.feature, seat.laid.name, repeats)
    except Refused:
        return ()


def _question(
    feature: Feature, values: Sequence[float], repeats: int, *, offered: bool, many: bool
) -> str:
    head = f"  {feature.name}, {len(values) + 1} of {repeats}, mm"
    if offered:
        return head + " (Enter takes these" + (", 'all' takes all from here):" if many else "):")
    return head + ":"


def _finish(desk: Desk, feature: Feature, values: Sequence[float]) -> Step:
    if not values:
        desk.screen.say(f"  {feature.name} is left out.")
    elif len(values) > 1:
        desk.screen.say(
            f"  {feature.name}: {_listed(values)}  mean {fmean(values):.3f} mm,"
            f" spread {max(values) - min(values):.2f} mm"
        )
    return Step.ON


def _listed(values: Sequence[float]) -> str:
    return " ".join(f"{value:.2f}" for value in values)


def _odd_one(desk: Desk, feature: Feature, read: Values) -> str:
    """Ask about a value that does not belong to the others: '' none, 'keep', or 'again'.

    With 'again' the value is taken out of `values`, to be read anew.
    """
    from agent.estimate.repeats import others_mean, suspect

    values = read.now
    odd = suspect(values, _repeats_within(desk, feature))
    if odd is None:
        return ""
    off = values[odd] - others_mean(values, odd)
    desk.screen.say(f"  {values[odd]:.2f} stands {off:+z.2f} off the others ({_listed(values)}).")
    answer = desk.screen.ask("  Enter reads it again, 'keep' keeps it:", reading=True)
    if answer.lower() == "keep":
        return "keep"
    left = (*values[:odd], *values[odd + 1 :])
    if answer[:1].isdigit():  # a caliper with a cable may have been read again already
        left = (*left, *_typed_values(desk, feature, answer, left))
    read.put(left)
    return "again"


def _repeats_within(desk: Desk, feature: Feature) -> float:
    """Repeatability of instrument and hand, mm, as the other features tell it, too."""
    from agent.estimate.repeats import repeatability

    stated = desk.session.profile.instrument.repeatability_mm
    taken = (taken.reading for taken in desk.session.now.taken)
    # those of the feature itself are what is judged
    return repeatability(stated, [r.mm for r in taken if r.name != feature.name])


def _two_apart(desk: Desk, feature: Feature, read: Values) -> bool:
    """Two values that do not belong together: a third one tells which of them is off."""
    from agent.estimate.repeats import apart

    if not apart(read.now, _repeats_within(desk, feature)):
        return False
    first, second = read.now
    desk.screen.say(
        f"  {first:.2f} and {second:.2f} stand {abs(first - second):.2f} apart: once more."
    )
    return True


def _fix(desk: Desk, feature: Feature, read: Values, rest: str) -> None:
    """Put another value in place of one: `2 19.98`."""
    values = read.now
    number, _, new = rest.partition(" ")
    if not number.isdigit() or not 1 <= int(number) <= len(values) or not new.strip():
        desk.screen.say(f"  Expected 'fix N MM', N from 1 to {len(values)}; nothing was changed.")
        return
    found = _typed_values(desk, feature, new, values)
    if len(found) == 1:
        place = int(number) - 1
        read.put((*values[:place], found[0], *values[place + 1 :]))
        desk.screen.say(f"  Now {_listed(read.now)}")


def _typed_values(
    desk: Desk, feature: Feature, answer: str, before: Sequence[float]
) -> list[float]:
    """The readings in an answer that are to be kept."""
    try:
        typed = typed_lengths(answer)
    except ValueError as refusal:
        desk.screen.say(f"  {refusal}; '?' says what may be typed.")
        return []
    kept: list[float] = []
    for one in typed:
        if one.reworded:
            desk.screen.say(f"  {one.echo}")
        value = believed(desk, feature, one, [*before, *kept])
        if value is not None:
            kept.append(value)
    return kept


def believed(
    desk: Desk, feature: Feature, typed: Typed, before: Sequence[float] = ()
) -> float | None:
    """The value, asked about if it is far from what it should be; None: it is not kept.

    before: what was kept of the same feature; a value that was asked about speaks for the next
    """
    nominal, value = length(feature.along), typed.mm
    odd = [mm for mm in before if not near(desk, mm, nominal)]
    if feature.kind in SIGNED:
        if abs(value) <= MUCH * nominal:
            return value
        far = f"A lean of {value:g} mm over {nominal:g} mm is unusually large"
    elif value <= 0:
        desk.screen.say(f"  {value:g}: a length is above zero.")
        return None
    elif any(near(desk, value, mm) for mm in (nominal, *odd, *as_before(desk, feature))):
        return value
    else:
        for factor, slip in _SLIPS:
            if abs(value * factor / nominal - 1) <= LIKELY and desk.screen.agrees(
                f"  {value:g} looks {slip}. Did you mean {value * factor:.2f} mm?"
            ):
                return value * factor
        far = f"{value:g} mm is far from {nominal:.2f} mm"
    return value if desk.screen.keeps(f"  {far}.") else None


def near(desk: Desk, value: float, nominal: float) -> bool:
    """True if a length is near enough to what it should be to need no question."""
    share, mm = FAR if desk.session.now.follows is None else FAR_ONCE_SOLVED
    return abs(value - nominal) <= max(share * nominal, mm)


def as_before(desk: Desk, feature: Feature) -> list[float]:
    """Lengths that would be off by as much as readings kept of features that run the same way.

    A machine that is off by a tenth is asked about once, not at every reading.
    """
    nominal = length(feature.along)
    return [
        nominal * fmean(taken.reading.mm) / length(taken.reading.along)
        for taken in desk.session.now.taken
        if taken.reading.kind not in SIGNED and same_way(taken.reading.along, feature.along)
    ]


def same_way(one: Vector, other: Vector) -> bool:
    """True if two vectors lie on one line."""
    (a, b, c), (d, e, f) = one, other
    cross = math.hypot(b * f - c * e, c * d - a * f, a * e - b * d)
    return cross <= SAME_WAY * length(one) * length(other)
