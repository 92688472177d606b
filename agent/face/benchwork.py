"""`piece`: a test piece before it is laid: what it tells, what it takes, its picture and files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from agent.errors import BadInput, Problem, Refused
from agent.face.desk import Desk
from agent.face.options import COMMAND_LINE, Number, Verb, number_from, wrong_line
from agent.face.words import shown
from agent.model.feature import length
from agent.pieces.catalogue import CATALOGUE, Beside

if TYPE_CHECKING:
    from agent.model.profile import Profile
    from agent.pieces import Piece, Summary

_BESIDE_WORDS: Final[dict[Beside, str]] = {
    "shrink": "excluding shrink, which a 'travel' reading removes",
    "travel": "beside one 'travel' reading of each axis",
}

#: A parameter counts as told by a piece if its uncertainty falls below this share of what was
#: known before.
TOLD: Final = 0.5

#: As good as no uncertainty of the shrink, percent.
_NO_SHRINK: Final = 1e-6

#: Rows of a terminal that the picture may take.
_PICTURE_ROWS: Final = 20
#: Rows of a drawing in a window of fewer rows than `_ROOMY`: the first question fits below it.
_LEAST_ROWS: Final = 16
_ROOMY: Final = 29


#: What each file of a piece is called.
_FILE_WORDS: Final = {"gcode": "G-code", "stl": "Solid (STL)", "svg": "Drawing (SVG)"}


@click.command(cls=Verb)
@click.argument("name", type=click.Choice(tuple(CATALOGUE)), metavar="|".join(CATALOGUE))
@click.option("--profile", "profile_name", help="profile of the machine: a name or a file")
@click.option("--size", "sizes", multiple=True, metavar="NAME=MM", help="a size; may be repeated")
@click.option(
    "--within",
    type=Number("", above=0),
    metavar="LIMIT",
    help="choose the size that tells its error to this (95 %): % of a scale, degrees of an angle",
)
@click.option("--where", is_flag=True, help="where the caliper goes, in words")
@click.option("--gcode", type=click.Path(path_type=Path), help="write the lines to this file")
@click.option("--stl", type=click.Path(path_type=Path), help="write the solid to this file")
@click.option("--tilted", is_flag=True, help="turn the solid so that its layers lie level")
@click.option("--svg", type=click.Path(path_type=Path), help="write the drawing to this file")
@click.option("--force", is_flag=True, help="write over files that are there")
def piece(
    desk: Desk,
    /,
    name: str,
    profile_name: str | None,
    sizes: tuple[str, ...],
    within: float | None,
    where: bool,
    gcode: Path | None,
    stl: Path | None,
    tilted: bool,
    svg: Path | None,
    force: bool,
) -> None:
    """A test piece: what it would tell, what it takes, its picture, and its files.

    \b
    Example: plumbelt piece post --gcode post.gcode
    """
    from agent.pieces import summary

    profile = chosen_profile(desk, profile_name)
    given = sizes_from(sizes, "piece")
    if within is not None and given:
        raise wrong_line([Problem(COMMAND_LINE, None, "--within", "goes without --size")], "piece")
    drawn = drawn_piece(name, profile, given, within)
    takes = summary(drawn, profile)
    told = foretold(drawn, profile)
    named = {"gcode": gcode, "stl": stl, "svg": svg}
    files = {kind: path for kind, path in named.items() if path is not None}
    if not force:
        refuse_over(files.values())
    write_files(drawn, profile, files, tilted=tilted)
    wish = wanted(drawn, profile, within)
    document = {
        "name": drawn.name,
        "gantry_angle_deg": profile.mechanics.gantry_angle_deg,
        "size_mm": dict(drawn.size),
        "features": [
            {
                "name": feature.name,
                "feature": feature.kind,
                "along": list(feature.along),
                "between": feature.between,
                "hint": feature.hint,
            }
            for feature in drawn.features
        ],
        "lines": takes.lines,
        "seconds": takes.seconds,
        "filament_mm": takes.filament_mm,
        "belt_mm": takes.belt_mm,
        "tells": {key: {"u": u, "prior_u": prior} for key, (u, prior) in told.items()},
        "wanted": wish,
        "files": {kind: str(path) for kind, path in files.items()},
    }

    def show() -> None:
        show_picture(desk, drawn)
        desk.screen.say(
            "Sizes, mm: " + ", ".join(f"{key} {value:g}" for key, value in drawn.size.items())
        )
        show_needs(desk, takes)
        show_told(desk, drawn, profile, told)
        if wish is not None and not wish["reached"]:
            desk.screen.say(
                f"! {within:g}{shown(CATALOGUE[name].purpose).behind} is not reached by any {name}"
                " that this machine and a caliper of 200 mm allow; this is the best."
                " More readings help."
            )
        if where:
            show_features(desk, drawn)
        for kind, path in files.items():
            desk.screen.say(f"{_FILE_WORDS[kind]} written to {path}")

    desk.screen.answer(document, show)


def wanted(drawn: Piece, profile: Profile, within: float | None) -> dict[str, Any] | None:
    """What was wanted of the piece, and whether it is reached; None where nothing was."""
    if within is None:
        return None
    purpose = CATALOGUE[drawn.name].purpose
    reached = reach_of(drawn, profile)
    return {"parameter": purpose, "expanded95": within, "reached": reached <= within}


def chosen_profile(desk: Desk, name: str | None) -> Profile:
    """The profile named, else the session's, else the invented machine's."""
    from agent.store.profiles import load_profile

    if name is not None:
        return load_profile(name)
    if desk.in_shell or desk.rehearsal is not None:
        return desk.session.profile
    return load_profile("heron")


def sizes_from(words: tuple[str, ...], verb: str) -> dict[str, float] | None:
    """Sizes from `name=mm`, blanks in a name as `-`; None without any.

    Raises BadInput with every wrong one.
    """
    found: dict[str, float] = {}
    problems = []
    for word in words:
        key, _, value = word.partition("=")
        key = key.replace("-", " ")
        try:
            number = number_from(value)
        except ValueError:
            problems.append(Problem(COMMAND_LINE, None, word, "expected NAME=MM, as height=60"))
            continue
        if key in found or number <= 0:
            why = "given twice" if key in found else "must be above 0"
            problems.append(Problem(COMMAND_LINE, None, word, why))
        found[key] = number
    if problems:
        raise wrong_line(problems, verb)
    return found or None


def drawn_piece(
    name: str, profile: Profile, sizes: dict[str, float] | None, within: float | None
) -> Piece:
    """The piece in the sizes given, in the size that tells its error well enough, or as usual."""
    from agent.pieces.resize import resized
    from agent.pieces.sizing import choose_size

    if within is None:
        return resized(name, profile, sizes or {})
    return choose_size(name, profile, lambda drawn: reach_of(drawn, profile), within)


# --- what it tells before it is printed ----------------------------------------------------------


def foretold(
    drawn: Piece, profile: Profile, *, beside: Beside | None = None
) -> dict[str, tuple[float, float]]:
    """Standard uncertainty of each parameter after reading this piece, and before, public units.

    beside: what is taken as known otherwise; see `Beside`
    """
    from agent.estimate.planning import U_TRAVEL, foresee, planned
    from agent.pieces import travel_features
    from agent.work.tuning import bare_survey

    material = profile.material
    if beside == "shrink":
        material = replace(material, shrink_u_percent=_NO_SHRINK)
    survey = bare_survey(replace(profile, material=material))
    readings = [
        replace(planned(f.kind, f.along), between=f.between, side=f.side) for f in drawn.features
    ]
    if beside == "travel":
        readings += [planned(f.kind, f.along, U_TRAVEL) for f in travel_features(profile)]
    # A reading that tells nothing stands for none at all.
    before = foresee(survey, [planned("travel", (1e-3, 0.0, 0.0), 1e6)])
    after = foresee(survey, readings)
    return {key: (u, before[key]) for key, u in after.items() if key in before}


def reach_of(drawn: Piece, profile: Profile) -> float:
    """How well a piece tells what it is laid for: 95 %, in the unit it is shown in."""
    parameter = CATALOGUE[drawn.name].purpose
    u = foretold(drawn, profile, beside=CATALOGUE[drawn.name].beside)[parameter][0]
    return 2 * u * shown(parameter).factor


def show_told(
    desk: Desk, drawn: Piece, profile: Profile, told: dict[str, tuple[float, float]]
) -> None:
    """What this piece alone tells, and how its size bears on that."""
    from agent.pieces.sizing import sizes

    rows = [
        (shown(key).words, shown(key).interval(2 * prior), shown(key).interval(2 * u))
        for key, (u, prior) in told.items()
        if u < TOLD * prior
    ]
    desk.screen.say("Expected uncertainty from this piece alone, ± (95 %):")
    desk.screen.table(["error", ">now", ">with this piece"], rows)
    words = shown(CATALOGUE[drawn.name].purpose)
    steps = {
        _size_words(other): f"{reach_of(other, profile):.{words.digits}f}"
        for other in sizes(drawn.name, profile)
    }
    listed = ", ".join(f"{size} {reach}" for size, reach in steps.items())
    desk.screen.say(
        f"{words.words.capitalize()} by size, ± {words.unit}: {listed}"
        f" ({_BESIDE_WORDS[CATALOGUE[drawn.name].beside]})."
    )


def _size_words(drawn: Piece) -> str:
    """What tells sizes of a piece apart."""
    if "count" in drawn.size:
        count = drawn.size["count"]
        return "1 pitch" if count == 1 else f"{count:g} pitches"
    return f"{max(length(feature.along) for feature in drawn.features):.0f} mm"


# --- files, picture, needs -----------------------------------------------------------------------


def refuse_over(paths: Iterable[Path]) -> None:
    """Raises Refused if one of the files is there already."""
    if there := [str(path) for path in paths if path.exists()]:
        raise Refused(
            f"{' and '.join(there)} would be written over",
            remedy="Give another name, or '--force'. Nothing was written",
        )


def write_files(drawn: Piece, profile: Profile, files: Mapping[str, Path], *, tilted: bool) -> None:
    """The files of a piece that are wanted, by what they are; each whole or not at all."""
    from agent.families import FAMILIES
    from agent.model.wording import USUAL_WORDING
    from agent.pieces import drawing, mesh, toolpath
    from agent.store.atomic import write_file

    if tilted and "stl" not in files:
        raise BadInput("--tilted needs --stl FILE")
    told = about(drawn, profile, datetime.now(UTC).date())
    if "gcode" in files:
        family = FAMILIES.get(profile.family or "")
        wording = USUAL_WORDING if family is None else family.wording
        lines = toolpath(drawn, profile, wording)
        # as remarks behind the first lines: the file has as many as are sent
        remarked = [f"{line} ; {words}" for line, words in zip(lines, told, strict=False)]
        write_file(files["gcode"], "\n".join([*remarked, *lines[len(told) :]]) + "\n")
    if "stl" in files:
        solid = mesh.mesh(drawn)
        if tilted:
            solid = solid.tilted(profile.mechanics.gantry_angle)
        write_file(files["stl"], solid.at_origin().stl(" ".join(told)))
    if "svg" in files:
        write_file(files["svg"], drawing.svg(drawn, told[0].replace(" deg", "° gantry")))


def about(drawn: Piece, profile: Profile, day: date) -> tuple[str, str]:
    """What a file of a piece says of itself: two lines, the sizes last."""
    angle = profile.mechanics.gantry_angle_deg
    sliced = "angle not known" if angle is None else f"{angle:g} deg"
    sizes = ", ".join(f"{name} {mm:g}" for name, mm in drawn.size.items())
    return f"{drawn.name} no 1 of {profile.name}, {sliced}, {day}", f"in mm: {sizes}"


def show_picture(desk: Desk, drawn: Piece) -> None:
    """The drawing in signs, with the numbers under which `gauge` asks."""
    from agent.pieces.picture import picture

    width = max(60, min(desk.screen.console.width, 80))
    encoding = (desk.screen.console.encoding or "").lower()
    height = _PICTURE_ROWS if desk.screen.rows >= _ROOMY else _LEAST_ROWS
    text = picture(drawn, width=width, height=height, plain=not encoding.startswith("utf"))
    for line in text.rstrip("\n").split("\n"):
        # Lines that start with a blank are kept as they are.
        desk.screen.say(line if line.startswith(" ") else f" {line}"[:width])


def show_features(desk: Desk, drawn: Piece) -> None:
    rows = [
        (str(n), f.name, f.kind, f"{length(f.along):.2f}", f.hint)
        for n, f in enumerate(drawn.features, start=1)
    ]
    desk.screen.table([">no", "feature", "kind", ">mm", "where the caliper goes"], rows)


def show_needs(desk: Desk, takes: Summary) -> None:
    heats = " and ".join(f"{what} {degrees:g} °C" for what, degrees in takes.heats.items())
    desk.screen.say(
        f"Heats: {heats}. Moves: {takes.lines} lines, about {takes.seconds / 60:.0f} min after"
        f" heating. Belt travel, back and forth: {takes.belt_mm:.0f} mm in total."
        f" Filament {takes.filament_mm / 1000:.2f} m."
    )
