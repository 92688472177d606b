"""What a new machine's profile needs, asked in few questions: a state machine without I/O.

Answers are kept as typed, by the key of their question and in their order; everything else follows
from them.  So going back is taking the last one away, and stopping is keeping them for later.  The
machine's own words (`Told`) give defaults and candidates; nothing is taken from them unasked.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from agent.model.bed import thread_pitch
from agent.model.drive import Drive, Output, Roller, Screw, Toothed
from agent.model.inference import Candidate, infer, signs_of
from agent.model.materials import USUAL, usual
from agent.model.profile import (
    Bead,
    BedScrews,
    Coupling,
    Instrument,
    Material,
    Mechanics,
    Port,
    Post,
    Profile,
    SavedSetting,
    Stand,
    Tolerance,
)
from agent.model.roles import ROLES, Axes, Role
from agent.model.settings import Readback

UNKNOWN: Final = "unknown"  #: answer for what nobody at the machine can tell now

#: Length of the move that shows which way an axis counts, mm.
SHOWN_MM: Final = 5.0

#: Drives that are offered for one axis.
OFFERED: Final = 4


@dataclass(frozen=True, slots=True)
class Told:
    """What is known before the first question."""

    name: str
    readback: Readback | None = None  #: None: no machine is attached
    port: str = ""
    read_at: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """One question; `check` raises ValueError, with words for the user, for no answer to it."""

    key: str
    text: str
    why: str
    help: str
    check: Callable[[str], Any]
    default: str | None = None  #: what Enter means; None: Enter is no answer
    may_be_unknown: bool = True
    offers: tuple[str, ...] = ()  #: lines to choose from by number
    moves: Role | None = None  #: this axis makes a short move before it is asked

    def read(self, text: str) -> Any:
        """The value of an answer as typed; None for unknown.  Raises ValueError."""
        typed = text.strip()
        if not typed:
            if self.default is None:
                raise ValueError("an answer is wanted" + self._or_unknown())
            typed = self.default
        if typed.lower() == UNKNOWN:
            if not self.may_be_unknown:
                raise ValueError("this must be known; '?' tells how to find out")
            return None
        return self.check(typed)

    def _or_unknown(self) -> str:
        return f"; '{UNKNOWN}' will do for now" if self.may_be_unknown else ""


@dataclass(frozen=True, slots=True)
class Interview:
    """The answers so far, and what follows from them."""

    told: Told
    given: Mapping[str, str] = field(default_factory=dict)  #: as typed, by key, in their order

    def next(self) -> Question | None:
        """The question to ask now; None when all are answered."""
        return next((q for q, _ in self._walk() if q.key not in self.given), None)

    def answer(self, text: str) -> Interview:
        """With one more answer.  Raises ValueError, with words for the user, for none to it."""
        question = self.next()
        if question is None:
            raise ValueError("nothing is left to ask")
        question.read(text)
        kept = text.strip() or (question.default or "")
        return replace(self, given={**self.given, question.key: kept})

    def back(self) -> Interview:
        """Without the last answer."""
        return replace(self, given=dict(list(self.given.items())[:-1]))

    @property
    def left(self) -> int:
        """How many questions are still to be asked, as far as can be told now."""
        return sum(q.key not in self.given for q, _ in self._walk())

    def values(self) -> dict[str, Any]:
        """Values of the answers; None for unknown, left out what was not asked yet."""
        return {q.key: value for q, value in self._walk() if q.key in self.given}

    def _walk(self) -> Iterator[tuple[Question, Any]]:
        """All questions in their order with the values of their answers."""
        found: dict[str, Any] = {}
        for question in _questions(self.told, found):
            answer = self.given.get(question.key)
            value = None if answer is None else question.read(answer)
            found[question.key] = value
            yield question, value

    def profile(self) -> Profile:
        """The profile that follows: only what was told, the rest unknown or usual."""
        return _profile(self.told, self.values())


# --- the questions -------------------------------------------------------------------------------


def _questions(told: Told, found: dict[str, Any]) -> Iterator[Question]:
    """Every question in its order; `found` fills with values as they are answered."""
    letters = _letters_of(told)
    usual_letters = "x y z" if {"x", "y", "z"} <= set(letters) or not letters else None
    yield Question(
        "axes",
        "Letters of the axes: across, gantry, belt",
        "Every line and every setting goes by the controller's letters.",
        "Across runs along the rail, gantry up the slanting plane, belt carries the part. Three"
        " letters with blanks between, such as x y z. Which way each counts is asked later, or put"
        " a '-' before the letter of an axis that you know to count the other way.",
        lambda text: _axes(text, letters),
        default=usual_letters,
        may_be_unknown=False,
    )
    axes: Axes = found.get("axes") or Axes()
    yield Question(
        "angle",
        "Angle between gantry and belt, degrees",
        "Every command of gantry and belt follows from it.",
        "The angle for which you slice: 45, 35, 30 are usual; 90 for an upright machine. It is on"
        " the maker's sheet, or put a protractor between the gantry's rail and the belt. Nothing"
        " is laid while it is unknown.",
        lambda text: _number(text, 5, 90, "degrees"),
    )
    yield from _drive_questions(told, axes, found)
    yield from _frame_questions(told, axes, found)
    yield from _plastic_questions(found)
    yield from _reading_questions()


def _drive_questions(told: Told, axes: Axes, found: dict[str, Any]) -> Iterator[Question]:
    """What moves each axis."""
    offered = _offers(told, axes)
    for role in ROLES:
        yield _drive_question(role, axes.letter(role), offered.get(role, ()))
        chosen = found.get(f"drive.{role}")
        if isinstance(chosen, Candidate) and chosen.output is None:
            yield Question(
                f"roller.{role}",
                "Roller's diameter and belt's thickness, mm, measured with the caliper",
                f"Together they should be about {chosen.roller_mm:.1f} mm.",
                "Two numbers, such as 28.0 1.0. The roller without the belt, in the middle of its"
                " width; the belt away from its joint.",
                lambda text: _numbers(text, ("diameter", "thickness"), 0.05, 500),
            )
    if _alike(found):
        yield Question(
            "coupling",
            "Do two motors move across and gantry together, both of them turning for either move",
            "Then unequal steps of the two would shear every part.",
            "Move across alone and look at the motors. 'no' where each axis has one of its own;"
            " where two share them, 'axes' if the controller keeps steps of the axes, 'motors' if"
            f" it keeps those of the motors. With 'motors' and '{UNKNOWN}' only what both have in"
            " common is ever proposed.",
            lambda text: _one_of(text, _COUPLINGS, f"{', '.join(_COUPLINGS)} or {UNKNOWN}"),
            default="no",
        )


def _frame_questions(told: Told, axes: Axes, found: dict[str, Any]) -> Iterator[Question]:
    """Travel, belt, bed, and which way the axes count."""
    yield Question(
        "travel",
        "Travel of across, gantry and belt, mm",
        "No move is made beyond it; the belt's is how far it may run in one piece.",
        "Three numbers, such as 220 200 5000. Usable travel from the switch, not the frame's size.",
        lambda text: _numbers(text, ROLES, 1, 1e6),
        default=_travel_told(told, axes),
    )
    yield Question(
        "loop",
        "Length of the belt once round, mm",
        "A fault of the belt's joint comes back at this length.",
        "Mark the belt, run it once round by hand, measure: or twice the roller distance plus one"
        " roller's circumference.",
        lambda text: _number(text, 50, 1e6, "mm"),
        default=UNKNOWN,
    )
    yield Question(
        "screws",
        "Screws that set the bed: thread, and where each stands",
        "Tilt is told in turns of these screws.",
        "Thread and distance for screws at both ends: M4 320. For three or four: M4 left 0 0 right"
        " 240 0 rear 120 300 (name, x across, s along, mm). A pitch in mm does instead of M4."
        " 'none' where the bed cannot be set.",
        _screws,
        default=UNKNOWN,
    )
    if told.readback is not None:
        yield Question(
            "moves",
            f"May each axis move {SHOWN_MM:g} mm, to see which way it counts?",
            "One axis that counts the other way mirrors every part.",
            "'yes' moves one axis after the other, slowly and once each, after the cautions. 'no'"
            " leaves the directions as the letters say.",
            lambda text: _one_of(text, {"yes": True, "no": False}, "'yes' or 'no'"),
            may_be_unknown=False,
        )
        if found.get("moves"):
            for role in ROLES:
                yield _way_question(role)


def _plastic_questions(found: dict[str, Any]) -> Iterator[Question]:
    """What is laid, and how hot and wide."""
    yield Question(
        "material",
        "Plastic",
        "Temperatures and shrink follow from it.",
        f"Known here: {', '.join(USUAL)}; any other name will do, then the temperatures are asked"
        " for without a proposal.",
        _material_name,
    )
    known = usual(found["material"]) if found.get("material") else None
    if found.get("material"):
        span = (
            f" Usual for {known.name}: nozzle {known.nozzle_c[0]:g}-{known.nozzle_c[1]:g},"
            f" bed {known.bed_c[0]:g}-{known.bed_c[1]:g} °C (common practice)."
            if known
            else ""
        )
        caution = f" {known.name}: {known.caution}." if known and known.caution else ""
        yield Question(
            "heats",
            "Temperatures of nozzle and bed, °C",
            "What the spool says counts." + span + caution,
            "Two numbers, such as 215 60; 0 for a bed without heating.",
            _heats,
            default=None if known is None else "{:g} {:g}".format(*known.middle),
        )
    yield Question(
        "filament",
        "Filament's and nozzle's diameter, mm",
        "Flow follows from the one, the bead from the other.",
        "Two numbers, such as 1.75 0.4. The filament measured at a few places.",
        lambda text: _numbers(text, ("filament", "nozzle"), 0.1, 10),
        default="1.75 0.4",
    )
    sizes = found.get("filament")
    nozzle = sizes[1] if sizes else 0.4
    yield Question(
        "bead",
        "Bead's width and height, mm",
        "Test pieces are made of whole beads.",
        "Two numbers; usual is 1.1 to 1.2 of the nozzle wide and about half the nozzle high.",
        lambda text: _numbers(text, ("width", "height"), 0.05, 10),
        default=f"{round(1.15 * nozzle, 2):g} {round(nozzle / 2, 2):g}",
    )


def _reading_questions() -> Iterator[Question]:
    """What reads, and what is good enough."""
    yield Question(
        "instrument",
        "Caliper: step of its display, permissible error, range, mm",
        "How sure each reading is.",
        "Three numbers, such as 0.01 0.03 150, from the sheet that came with it. 0.03 is usual for"
        " a workshop caliper of 150 mm.",
        lambda text: _numbers(text, ("step", "error", "range"), 0.0005, 5000),
        default="0.01 0.03 150",
    )
    yield Question(
        "gauge",
        "What measures a move, and how well can it be read, mm",
        "A move has no plastic in it: it tells the axes' own scale.",
        "One standard deviation: 0.3 for a steel rule, 0.05 for a caliper's depth rod, 0.01 for a"
        " dial gauge.",
        lambda text: _number(text, 0.0005, 10, "mm"),
        default="0.3",
    )
    yield Question(
        "tolerance",
        "Errors that may stay: of a scale in %, of the angle in degrees",
        "Nothing smaller is changed.",
        "Two numbers, such as 0.1 0.1.",
        lambda text: _numbers(text, ("scale", "angle"), 0.001, 40),
        default="0.1 0.1",
    )


def _drive_question(role: Role, letter: str, offers: Sequence[Candidate]) -> Question:
    lines = tuple(str(candidate) for candidate in offers)
    return Question(
        f"drive.{role}",
        f"Drive of the {role} axis ({letter.upper()})",
        "A stored value that cannot belong to the drive is then found before anything moves.",
        "A number from the list, or the parts: 'teeth 20 pitch 2', 'lead 8', 'roller 28 belt 1.0',"
        " with 'steps 400', 'micro 32', 'ratio 3' where they are not 200, 16 and 1. The list is"
        " inferred from the stored value: count the teeth, read the jumpers.",
        lambda text: _drive(text, offers),
        default="1" if offers else None,
        offers=lines,
    )


_WAYS: Final[dict[Role, tuple[str, str, str]]] = {
    "across": (
        "Stand so that you look the way the nozzle goes when the gantry rises. Did it go to the"
        " right or to the left",
        "right",
        "left",
    ),
    "gantry": ("Did the nozzle go up, away from the belt, or down", "up", "down"),
    "belt": (
        "When the gantry rises, the nozzle goes towards one end of the belt. Did the belt's surface"
        " now go away from that end or toward it",
        "away",
        "toward",
    ),
}


def _way_question(role: Role) -> Question:
    text, plus, minus = _WAYS[role]
    return Question(
        f"way.{role}",
        f"{text}? {plus} or {minus}",
        "The sign of this axis follows.",
        f"'{plus}', '{minus}', or '{UNKNOWN}' if nothing moved; 'again' moves once more. On an"
        " upright machine, where the nozzle rises straight, take the end of the belt that parts do"
        " not leave by.",
        lambda answer: _one_of(answer, {plus: 1, minus: -1}, f"'{plus}', '{minus}' or '{UNKNOWN}'"),
        moves=role,
    )


# --- answers -------------------------------------------------------------------------------------


def _float(word: str) -> float:
    if not re.fullmatch(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)", word):
        raise ValueError(f"expected a number such as 12.5, found {word!r}")
    return float(word.replace(",", "."))


def _number(text: str, least: float, most: float, unit: str) -> float:
    value = _float(text.removesuffix(unit).removesuffix("°").strip())
    if not least <= value <= most:
        raise ValueError(f"expected {least:g} to {most:g} {unit}, found {value:g}")
    return value


def _numbers(text: str, names: Sequence[str], least: float, most: float) -> tuple[float, ...]:
    words = [word for word in re.split(r"[\s;]+", text) if word not in ("", "mm")]
    if len(words) != len(names):
        raise ValueError(f"expected {len(names)} numbers ({', '.join(names)}), found {len(words)}")
    values = tuple(map(_float, words))
    for name, value in zip(names, values, strict=True):
        if not least <= value <= most:
            raise ValueError(f"{name}: expected {least:g} to {most:g}, found {value:g}")
    return values


def read_travel(text: str) -> dict[Role, float]:
    """Usable travel of each axis, mm, as three numbers in their order.  Raises ValueError."""
    return dict(zip(ROLES, _numbers(text, ROLES, 1, 1e6), strict=True))


def read_drive(text: str) -> Drive:
    """A drive by its parts in words, such as `teeth 20 pitch 2`.  Raises ValueError."""
    found = _drive(text, ())
    assert isinstance(found, Drive)  # there is no list to choose from
    return found


def _letters_of(told: Told) -> tuple[str, ...]:
    """Letters of axes for which the controller holds steps/mm."""
    if told.readback is None:
        return ()
    keys = [key for key in told.readback.settings if key.startswith("steps_per_mm.")]
    letters = [key.partition(".")[2] for key in keys]
    return tuple(letter for letter in letters if re.fullmatch(r"[a-z]", letter) and letter != "e")


def _axes(text: str, letters: Sequence[str]) -> Axes:
    words = re.split(r"[\s,;]+", text.lower().strip())
    if len(words) != 3 or not all(re.fullmatch(r"-?[a-z]", word) for word in words):
        raise ValueError("expected three letters, such as x y z")
    bare = [word.lstrip("-") for word in words]
    if len(set(bare)) < 3:
        raise ValueError(f"expected three different letters, found {' '.join(bare)}")
    missing = [letter for letter in bare if letters and letter not in letters]
    if missing:
        raise ValueError(
            f"the controller has no axis {', '.join(missing).upper()};"
            f" it has {', '.join(letters).upper()}"
        )
    return Axes(*words)


def _alike(found: Mapping[str, Any]) -> bool:
    """Whether across and gantry may share their motors: both on toothed belts, of the same parts.

    Where a drive is not known nobody need have looked at the motors either: asked all the same.
    """
    known = dict(_drives(found))
    across, gantry = known.get("across"), known.get("gantry")
    if across is None or gantry is None:
        return True
    return isinstance(across.output, Toothed) and math.isclose(
        across.steps_per_mm, gantry.steps_per_mm, rel_tol=1e-6
    )


_COUPLINGS: Final[dict[str, Coupling]] = {"no": "none", "axes": "axes", "motors": "motors"}


def _one_of(text: str, values: Mapping[str, Any], expected: str) -> Any:
    """What one of several words stands for."""
    if text.lower() not in values:
        raise ValueError(f"expected {expected}, found {text!r}")
    return values[text.lower()]


def _material_name(text: str) -> str:
    if len(text) > 80 or not text.isprintable():
        raise ValueError("expected a short name, such as PETG")
    return text


def _heats(text: str) -> tuple[float, ...]:
    nozzle, bed = _numbers(text.replace("°C", " "), ("nozzle", "bed"), 0, 400)
    if nozzle < 100:
        raise ValueError(f"nozzle: expected 100 to 400 °C, found {nozzle:g}")
    if bed > 200:
        raise ValueError(f"bed: expected 0 to 200 °C, found {bed:g}")
    return nozzle, bed


def _screws(text: str) -> Stand | BedScrews | str:
    if text.lower() == "none":
        return "none"
    first, *words = text.split()
    screw = ""
    try:
        pitch = _float(first)
        if not 0.1 <= pitch <= 10:
            raise ValueError(f"a pitch of {pitch:g} mm is none of a screw")
    except ValueError:
        if re.fullmatch(r"[\d.,]+", first):
            raise
        pitch, screw = thread_pitch(first), first.upper()
    if len(words) == 1:
        return BedScrews(_number(words[0], 5, 1e5, "mm"), pitch, screw)
    if len(words) < 9 or len(words) % 3:
        raise ValueError(
            "expected a thread and a distance (M4 320), or a thread and for each screw its name,"
            " x and s (M4 left 0 0 right 240 0 rear 120 300)"
        )
    posts: dict[str, Post] = {}
    for name, x, s in zip(*[iter(words)] * 3, strict=True):
        if name in posts or not re.fullmatch(r"[A-Za-z][A-Za-z0-9_-]{0,30}", name):
            raise ValueError(f"expected a new name of a screw, found {name!r}")
        posts[name] = Post(_float(x), _float(s))
    return Stand(pitch, posts, screw=screw)


_PARTS: Final = {
    "steps": 1, "micro": 1, "ratio": 0, "teeth": 1, "pitch": 0, "lead": 0, "roller": 0, "belt": 0,
}  # fmt: skip


def _drive(text: str, offers: Sequence[Candidate]) -> Candidate | Drive:
    """A number from the list, or parts in words.  Raises ValueError."""
    if re.fullmatch(r"\d", text.strip()):
        place = int(text)
        if not 1 <= place <= len(offers):
            raise ValueError(f"expected 1 to {len(offers)} of the list, or the parts")
        return offers[place - 1]
    words = [word.strip(",") for word in re.split(r"[\s;=]+", text.lower().strip(" ;,"))]
    if len(words) % 2 or not set(words[::2]) <= set(_PARTS):
        raise ValueError(
            "expected a number from the list, or parts such as 'teeth 20 pitch 2' or 'roller 28"
            f" belt 1.0 ratio 3'; known words: {', '.join(_PARTS)}"
        )
    parts = {name: _float(value) for name, value in zip(words[::2], words[1::2], strict=True)}
    for name, value in parts.items():
        if _PARTS[name] and value != int(value):
            raise ValueError(f"{name}: expected a whole number, found {value:g}")
    output: Output
    if {"teeth", "pitch"} <= parts.keys():
        output = Toothed(int(parts["teeth"]), parts["pitch"])
    elif "lead" in parts:
        output = Screw(parts["lead"])
    elif {"roller", "belt"} <= parts.keys():
        output = Roller(parts["roller"], parts["belt"])
    else:
        raise ValueError("expected among the parts: 'teeth N pitch P', 'lead L', 'roller D belt T'")
    return Drive(
        int(parts.get("steps", 200)), int(parts.get("micro", 16)), parts.get("ratio", 1.0), output
    )


def _offers(told: Told, axes: Axes) -> dict[Role, tuple[Candidate, ...]]:
    if told.readback is None or told.readback.damaged:
        return {}
    return infer(signs_of(told.readback, axes), OFFERED)


def _travel_told(told: Told, axes: Axes) -> str | None:
    if told.readback is None:
        return None
    keys = [f"max_travel.{axes.letter(role)}" for role in ROLES]
    settings = told.readback.settings
    if not all(key in settings and settings[key].value > 0 for key in keys):
        return None
    return " ".join(f"{settings[key].value:g}" for key in keys)


# --- the profile ---------------------------------------------------------------------------------


def _profile(told: Told, values: Mapping[str, Any]) -> Profile:
    axes = _signed(values.get("axes") or Axes(), values)
    travel = values.get("travel")
    screws = values.get("screws")
    mechanics = Mechanics(
        gantry_angle_deg=values.get("angle"),
        drives=dict(_drives(values)),
        travel_mm=dict(zip(ROLES, travel, strict=True)) if travel else {},
        belt_loop_mm=values.get("loop"),
        screws=screws if isinstance(screws, BedScrews) else None,
        stand=screws if isinstance(screws, Stand) else None,
        coupling=values["coupling"] or "unknown" if "coupling" in values else "none",
    )
    profile = Profile(told.name, axes=axes, mechanics=mechanics, material=_material(values))
    if beads := values.get("bead"):
        profile = replace(profile, bead=Bead(width_mm=beads[0], height_mm=beads[1]))
    profile = replace(profile, instrument=_instrument(values))
    if kept := values.get("tolerance"):
        profile = replace(profile, tolerance=Tolerance(*kept))
    if told.readback is None or told.readback.damaged:
        return profile
    read = told.readback
    return replace(
        profile,
        family=None if read.family == UNKNOWN else read.family,
        settings={
            key: SavedSetting(replace(setting, raw="")) for key, setting in read.settings.items()
        },
        other=read.other,
        identity=read.identity,
        read_at=told.read_at,
        read_from=told.port,
        link=Port(port=told.port),
    )


def _signed(axes: Axes, values: Mapping[str, Any]) -> Axes:
    """Letters with the signs that the moves showed; a move not seen leaves the letter's own."""
    signed = {}
    for role in ROLES:
        way = values.get(f"way.{role}")
        sign = axes.sign(role) * (way or 1)  # the move was commanded by the letter's own sign
        signed[role] = ("-" if sign < 0 else "") + axes.letter(role)
    return Axes(**signed)


def _drives(values: Mapping[str, Any]) -> Iterator[tuple[Role, Drive]]:
    for role in ROLES:
        chosen = values.get(f"drive.{role}")
        if isinstance(chosen, Drive):
            yield role, chosen
        elif isinstance(chosen, Candidate) and chosen.output is not None:
            yield role, chosen.drive()
        elif isinstance(chosen, Candidate):
            measured = values.get(f"roller.{role}")
            if measured is not None:  # else only D + 2 k is inferred, and that is no measurement
                yield role, chosen.drive(measured[1], measured[0])


def _material(values: Mapping[str, Any]) -> Material:
    name, heats, sizes = values.get("material"), values.get("heats"), values.get("filament")
    known = usual(name) if name else None
    return Material(
        name=name or Material().name,
        shrink_percent=known.shrink_percent if known else 0.0,
        shrink_u_percent=known.shrink_u_percent if known else Material().shrink_u_percent,
        filament_mm=sizes[0] if sizes else Material().filament_mm,
        nozzle_c=heats[0] if heats else None,
        bed_c=heats[1] if heats else None,
    )


def _instrument(values: Mapping[str, Any]) -> Instrument:
    read, gauge = values.get("instrument"), values.get("gauge")
    step, error, longest = read or (0.01, 0.03, math.nan)
    return Instrument(
        resolution_mm=step,
        mpe_mm=error,
        range_mm=None if math.isnan(longest) else longest,
        move_u_mm=gauge,
    )
