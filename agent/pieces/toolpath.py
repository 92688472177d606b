"""G-code of a piece: the lines that are sent, and that a file holds, word for word.

Axes are absolute, the extruder relative (M83).  The across and gantry axes are homed, never the
belt, which has no end: its coordinate is set to nought where it stands, and the piece is laid
from there on.  Words are those of the open standard for numerical control (G0-G4, G20/G21, G28,
G90-G92: NIST RS274/NGC, 2000) and the M-codes in general use for heaters, fan and extruder.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

from agent.errors import Refused, Unknown
from agent.model.exact import number
from agent.model.geometry import commands
from agent.model.profile import TRAVEL, Material, Profile
from agent.model.roles import ROLES, Axes, Role
from agent.model.wording import USUAL_WORDING, Wording
from agent.pieces.bead import filament_area, filament_length
from agent.pieces.envelope import MARGIN_MM
from agent.pieces.layers import Layer, from_layer, layers
from agent.pieces.solid import Piece
from agent.pieces.strokes import Stroke, strokes

Place = tuple[float, float, float]  #: across, gantry, belt commands, mm
#: Commands of nominal points (x, s, h), by the geometry all parts share.
Commander = Callable[[float, float, float], Place]

#: Gantry height while heating, clear of the belt, mm.
_PARK_MM: Final = 10.0
#: Gantry lift off a finished piece, mm.
_CLEAR_MM: Final = 2.0
#: Belt feed beyond the end of a finished piece, mm.
END_FEED_MM: Final = 40.0
_PRIME_MM: Final = 60.0  #: length of the priming line
_PRIME_SHARE: Final = 2.0  #: its section against a planned bead's
#: Lost motion of the belt is taken up over this length before a measured edge is laid, mm.
_TAKE_UP_MM: Final = 2.0
#: Filament is drawn back on moves longer than this, mm; amounts are common practice for short
#: feed paths.
_RETRACT_BEYOND_MM: Final = 15.0
_RETRACT_MM: Final = 0.8
_RETRACT_SPEED: Final = 30.0  #: mm/s
_LIFT_SPEED: Final = 10.0  #: of the gantry off the belt, mm/s
#: Decimals of axis words and of the extruder's.
_AXIS_DIGITS: Final = 4
_E_DIGITS: Final = 5
#: Acceleration assumed where the profile has none, mm/s2.
_ACCELERATION: Final = 500.0


@dataclass(frozen=True, slots=True)
class Move:
    """A straight move to a place, with filament pushed on the way."""

    to: Place
    filament: float  #: mm; 0 for travel, negative to draw back
    speed: float  #: mm/s


@dataclass(frozen=True, slots=True)
class Summary:
    """What laying a piece takes, for the question before it."""

    lines: int
    layers: int
    filament_mm: float
    filament_cm3: float
    seconds: float  #: moves only; heating is not in it
    belt_mm: float  #: belt run, both ways together, the last feed included
    heats: Mapping[str, float] = field(default_factory=dict)  #: nozzle and bed, degrees C
    low: Place = (0.0, 0.0, 0.0)  #: least command of across, gantry, belt, mm
    high: Place = (0.0, 0.0, 0.0)  #: greatest command

    def worst_travel(self, bracket: Mapping[Role, float]) -> dict[Role, float]:
        """Farthest each axis gets from zero if its stored value is off, mm.

        `bracket` gives the relative error to reckon with, as 0.03; a role left out counts as true.
        """
        return {
            role: max(abs(low), abs(high)) * (1 + abs(bracket.get(role, 0.0)))
            for role, low, high in zip(ROLES, self.low, self.high, strict=True)
        }


def toolpath(piece: Piece, profile: Profile, wording: Wording = USUAL_WORDING) -> tuple[str, ...]:
    """Lines that lay `piece` on the machine of `profile`, heaters on to heaters off.

    Where axes are set by hand, they begin with `seat` and a stop (M0) for heating by hand.
    Raises Unknown where the profile lacks what they rest on, Refused where a move would leave
    the machine's travel, or a letter would stand for two axes.
    """
    before = () if wording.homes else (*seat(profile, wording), "M0")
    return (*before, *(line for line, _ in timed_toolpath(piece, profile, wording)))


def timed_toolpath(
    piece: Piece, profile: Profile, wording: Wording = USUAL_WORDING
) -> tuple[tuple[str, float], ...]:
    """The lines of `toolpath`, each with the time it takes, s.

    Only moves between heating and switching off count.  Where axes are set by hand, `seat` went
    before.

    Raises the same errors.
    """
    moves = _checked_moves(piece, profile)
    pushed = math.fsum(move.filament for move in moves)
    return (
        *((line, 0.0) for line in _start(profile, wording)),
        *_lines(moves, profile, wording),
        *((line, 0.0) for line in _end(profile, _last_feed(moves), wording, pushed)),
    )


def seat(profile: Profile, wording: Wording) -> tuple[str, ...]:
    """Lines for a cold nozzle that stands on the belt, across at its nought.

    All axes count from there, and the nozzle is raised, so that it gets hot clear of the belt.
    """
    axes = profile.axes
    letters = [axes.letter(role).upper() for role in ROLES]
    if wording.plastic in letters:
        raise Refused(
            f"the letter {wording.plastic} pushes the plastic on this controller, and is an axis of"
            " the profile as well",
            remedy="Check 'axes' in the profile. Nothing was moved",
        )
    places = " ".join(f"{letter}0" for letter in (*letters, wording.plastic))
    return ("G21", "G90", f"G92 {places}", _parked(profile))


def summary(piece: Piece, profile: Profile, wording: Wording = USUAL_WORDING) -> Summary:
    """What `toolpath(piece, profile)` takes; raises the same errors."""
    moves = _checked_moves(piece, profile)
    feed = _last_feed(moves)
    times = [seconds for _, seconds in _lines(moves, profile, wording)]
    filament = math.fsum(move.filament for move in moves)
    places = [move.to for move in moves]
    belt = [0.0, *(place[2] for place in places), places[-1][2] - feed]
    return Summary(
        lines=len(_start(profile, wording)) + len(times) + len(_end(profile, feed, wording, 0.0)),
        layers=len({round(layer.top, 6) for layer in layers(piece, profile.bead.height_mm)}),
        filament_mm=filament,
        filament_cm3=filament * filament_area(profile.material.filament_mm) / 1000,
        seconds=math.fsum(times),
        belt_mm=math.fsum(abs(b - a) for a, b in pairwise(belt)),
        heats=_told_heats(profile.material),
        low=(min(p[0] for p in places), min(p[1] for p in places), min(belt)),
        high=(max(p[0] for p in places), max(p[1] for p in places), max(belt)),
    )


def _told_heats(material: Material) -> dict[str, float]:
    """Temperatures that are known, degrees C: a piece can be drawn and judged without them."""
    told = {"nozzle": material.nozzle_c, "bed": material.bed_c}
    return {name: value for name, value in told.items() if value is not None}


def _checked_moves(piece: Piece, profile: Profile) -> list[Move]:
    """All moves between heating and switching off, inside the machine's travel."""
    travel = _known_travel(profile)
    moves = list(_moves(piece, profile))
    x, gantry, belt = moves[-1].to
    lifted = (x, min(gantry + _CLEAR_MM, travel["gantry"]), belt)
    moves.append(Move(lifted, 0.0, _LIFT_SPEED))
    _check_reach(piece, travel, moves)
    return moves


def _last_feed(moves: list[Move]) -> float:
    """Belt feed after the last move that brings the whole piece clear of the nozzle, mm."""
    return moves[-1].to[2] - min(move.to[2] for move in moves) + END_FEED_MM


def _moves(piece: Piece, profile: Profile) -> Iterator[Move]:
    to_command = _commander(profile.mechanics.gantry_angle)
    bead = profile.bead
    section = filament_length(1.0, bead.width_mm, bead.height_mm, profile.material.filament_mm)
    yield from _prime(piece, profile, to_command, section)
    here: tuple[float, float, float] | None = None  #: x, u and top of the layer, mm
    last: Place = (0.0, 0.0, 0.0)  #: its command
    for count, layer in enumerate(layers(piece, bead.height_mm)):
        for stroke in _layer_strokes(layer, profile, piece.flat, count):
            (x, u), *rest = stroke.points
            for place in _approach(here, (x, u, layer.top), stroke, piece.flat):
                to = to_command(place[0], *from_layer(place[1], place[2], piece.layer_angle))
                travel = Move(to, 0.0, bead.travel_speed_mm_s)
                if here is None or piece.flat or math.dist(here, place) <= _RETRACT_BEYOND_MM:
                    yield travel
                else:
                    yield Move(last, -_RETRACT_MM, _RETRACT_SPEED)
                    yield travel
                    yield Move(to, _RETRACT_MM, _RETRACT_SPEED)
                here, last = place, to
            for x, u in rest:
                assert here is not None
                length = math.hypot(x - here[0], u - here[1])
                s, h = from_layer(u, layer.top, piece.layer_angle)
                low = max(h, from_layer(here[1], layer.top, piece.layer_angle)[1])
                slow = low < 2 * bead.height_mm + bead.width_mm
                speed = bead.first_speed_mm_s if slow else bead.speed_mm_s
                last = to_command(x, s, h)
                yield Move(last, length * section, speed)
                here = (x, u, layer.top)


def _commander(gantry_angle: float) -> Commander:
    rows = commands(gantry_angle).tolist()

    def command(x: float, s: float, h: float) -> Place:
        across, gantry, belt = (a * x + b * s + c * h for a, b, c in rows)
        return across, gantry, belt

    return command


def _layer_strokes(layer: Layer, profile: Profile, flat: bool, count: int) -> Iterator[Stroke]:
    """Strokes of a layer; on odd tilted layers the bodies come in reverse, to save travel."""
    rects = layer.rects if flat or count % 2 == 0 else layer.rects[::-1]
    for rect in rects:
        yield from strokes(rect, profile.bead, flat=flat)


def _approach(here: Place | None, start: Place, stroke: Stroke, flat: bool) -> tuple[Place, ...]:
    """Places to travel through to the start (x, u, n) of a stroke.

    A measured edge on the belt is come to the way the belt feeds, so that lost motion does not
    enter its place.
    """
    if flat and stroke.edge and (here is None or here[1] < start[1] + 1e-9):
        return (start[0], start[1] + _TAKE_UP_MM, start[2]), start
    return (start,)


def _prime(piece: Piece, profile: Profile, to_command: Commander, section: float) -> Iterator[Move]:
    """A fat line across, ahead of the piece, to fill the nozzle."""
    bead = profile.bead
    left = max(MARGIN_MM, piece.bounds[0][0])
    right = left + min(_PRIME_MM, piece.bounds[0][1] - piece.bounds[0][0])
    start, end = (to_command(x, 0.0, bead.height_mm) for x in (left, right))
    above = (start[0], _PARK_MM, start[2])
    yield Move(above, 0.0, bead.travel_speed_mm_s)
    yield Move(start, 0.0, _LIFT_SPEED)
    yield Move(end, (right - left) * section * _PRIME_SHARE, bead.first_speed_mm_s)


def _known_travel(profile: Profile) -> Mapping[Role, float]:
    travel = profile.mechanics.travel_mm
    if missing := [role for role in ROLES if role not in travel]:
        raise Unknown(
            TRAVEL,
            f"the usable travel of the machine ({', '.join(missing)}) is not known, so nothing is"
            " laid on it",
        )
    return travel


def _check_reach(piece: Piece, travel: Mapping[Role, float], moves: Iterable[Move]) -> None:
    places = [move.to for move in moves]
    for i, role in enumerate(ROLES):
        low, high = min(p[i] for p in places), max(p[i] for p in places)
        if role == "belt":  # it may run either way from where it stands
            low, high = 0.0, high - low + END_FEED_MM
        if low < -1e-6 or high > travel[role] + 1e-6:
            raise Refused(
                f"{piece.name} would move the {role} axis from {low:.1f} to {high:.1f} mm, "
                f"beyond its travel of {travel[role]:g} mm",
                remedy="Choose a smaller piece.",
            )


def _word(axes: Axes, role: Role, value: float) -> str:
    return f"{axes.letter(role).upper()}{number(axes.sign(role) * value, _AXIS_DIGITS)}"


def _parked(profile: Profile) -> str:
    """The gantry raised off the belt to where the nozzle gets hot."""
    park = _word(profile.axes, "gantry", _PARK_MM)
    return f"G1 {park} F{number(60 * _LIFT_SPEED, 0)}"


def _start(profile: Profile, wording: Wording) -> tuple[str, ...]:
    if not wording.heats:
        return ("G21", "G90")
    axes = profile.axes
    home = " ".join(axes.letter(role).upper() for role in ("across", "gantry"))
    nozzle_c, bed_c = profile.material.heats
    nozzle, bed = number(nozzle_c, 1), number(bed_c, 1)
    heat_bed = (f"M140 S{bed}",) if bed_c > 0 else ()
    wait_bed = (f"M190 S{bed}",) if bed_c > 0 else ()
    return (
        "G21",
        "G90",
        "M83",
        "M107",
        # cold, so that a hot nozzle never rests on the belt
        f"G28 {home}",
        f"G92 {axes.letter('belt').upper()}0",
        _parked(profile),
        *heat_bed,
        f"M104 S{nozzle}",
        *wait_bed,
        f"M109 S{nozzle}",
    )


def _end(profile: Profile, belt_feed: float, wording: Wording, pushed: float) -> tuple[str, ...]:
    """Heaters and fan off first; motors stay on, or a tilted gantry could sink.

    pushed  filament that all moves together have pushed, mm
    """
    feed = _word(profile.axes, "belt", -belt_feed)
    off = ("M104 S0", "M140 S0", "M107") if wording.heats else ()
    back = number((0.0 if wording.relative else pushed) - _RETRACT_MM, _E_DIGITS)
    return (
        *off,
        f"G1 {wording.plastic}{back} F{number(60 * _RETRACT_SPEED, 0)}",
        "G91",
        f"G1 {feed} F{number(60 * profile.bead.first_speed_mm_s, 0)}",
        "G90",
    )


def _lines(
    moves: Iterable[Move], profile: Profile, wording: Wording
) -> Iterator[tuple[str, float]]:
    """Each move as a line, and its time, s; words that stay as they are are left out."""
    axes, seconds = profile.axes, _clock(profile)
    last: dict[Role, str] = {}
    feed, here, pushed = "", (0.0, 0.0, 0.0), 0.0
    for move in moves:
        words = []
        for role, value in zip(ROLES, move.to, strict=True):
            word = _word(axes, role, value)
            if last.get(role) != word:
                last[role] = word
                words.append(word)
        if move.filament:
            pushed = move.filament + (0.0 if wording.relative else pushed)
            words.append(f"{wording.plastic}{number(pushed, _E_DIGITS)}")
        if not words:
            continue
        speed = f"F{number(60 * move.speed, 0)}"
        if speed != feed:
            feed = speed
            words.append(speed)
        yield "G1 " + " ".join(words), seconds(here, move)
        here = move.to


def _clock(profile: Profile) -> Callable[[Place, Move], float]:
    """Time of a move from a place, s: from rest to rest, within the axes' stored speed caps."""
    stored = profile.settings.get("acceleration.print")
    acceleration = _ACCELERATION if stored is None else stored.setting.value
    caps = [profile.settings.get(f"max_speed.{profile.axes.letter(role)}") for role in ROLES]

    def seconds(here: Place, move: Move) -> float:
        steps = [abs(b - a) for a, b in zip(here, move.to, strict=True)]
        length = math.hypot(*steps) or abs(move.filament)
        speed = move.speed
        for step, cap in zip(steps, caps, strict=True):
            if cap is not None and step > 0:
                speed = min(speed, cap.setting.value * length / step)
        peak = min(speed, math.sqrt(acceleration * length))
        return length / peak + peak / acceleration if length else 0.0

    return seconds
