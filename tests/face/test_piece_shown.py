"""`piece` and its parts one by one: what is chosen, written, foretold and shown of a piece."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from agent.errors import BadInput, Refused
from agent.face import benchwork
from agent.face.benchwork import (
    about,
    chosen_profile,
    foretold,
    reach_of,
    refuse_over,
    show_features,
    show_needs,
    show_picture,
    show_told,
    sizes_from,
    wanted,
    write_files,
)
from agent.face.desk import Desk
from agent.model.feature import Feature
from agent.store.profiles import load_profile
from tests.face.bench import carry_out, desk_at
from tests.pinned import Pinned

HERON = load_profile("heron")


@pytest.fixture
def desk(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    monkeypatch.setenv("COLUMNS", "80")
    there = desk_at()
    yield there
    there.close()


def told(capsys: pytest.CaptureFixture[str]) -> list[str]:
    return [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]


# --- what is chosen ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("in_shell", "rehearsal", "name", "found"),
    [
        (True, True, "egret", "egret"),
        (True, False, None, "curlew"),
        (False, True, None, "curlew"),
        (False, False, None, "heron"),
    ],
)
def test_a_piece_is_drawn_for_the_machine_at_hand(
    in_shell: bool, rehearsal: bool, name: str | None, found: str, desk: Desk
) -> None:
    """Where there is none it is drawn for the invented one."""
    desk.session.contact.use(load_profile("curlew"))
    desk.in_shell = in_shell
    desk.rehearsal = desk.rehearsal if rehearsal else None
    assert chosen_profile(desk, name).name == found


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ((), None),
        (("height=60",), {"height": 60.0}),
        (("wall-length=20,5", "step=0.1"), {"wall length": 20.5, "step": 0.1}),
        (("height",), "expected NAME=MM, as height=60"),
        (("height=0",), "must be above 0"),
        (("height=-1",), "must be above 0"),
        (("height=60", "height=61"), "given twice"),
    ],
)
def test_a_size_is_a_name_and_a_length(words: tuple[str, ...], found: object) -> None:
    if isinstance(found, str):
        with pytest.raises(BadInput) as refused:
            sizes_from(words, "piece")
        assert [found in str(problem) for problem in refused.value.problems] == [True]
    else:
        assert sizes_from(words, "piece") == found


@pytest.mark.parametrize(
    ("within", "reach", "reached"), [(None, 0.2, None), (0.2, 0.2, True), (0.2, 0.21, False)]
)
def test_a_wish_is_reached_at_its_limit(
    within: float | None, reach: float, reached: bool | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(benchwork, "reach_of", lambda *_: reach)
    piece: Any = SimpleNamespace(name="block")
    found = wanted(piece, HERON, within)
    if within is None:
        assert found is None
    else:
        assert found == {"parameter": "y_scale", "expanded95": 0.2, "reached": reached}


@pytest.mark.parametrize(("within", "missed"), [("0.2", False), ("0.0001", True)])
def test_a_wish_that_no_piece_reaches_is_told(
    within: str, missed: bool, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    assert carry_out(desk, [f"piece block --within {within}"]) == [0]
    said = " ".join(told(capsys))
    assert (f"Warning: {within} % is not reached by any block" in said) is missed
    assert ("where the caliper goes" in said) is False
    assert carry_out(desk, [f"piece block --within {within} --size height=30"]) == [2]


# --- what is written -----------------------------------------------------------------------------


class Solid:
    """Stands for the mesh of a piece: how it was turned before it was written."""

    def __init__(self) -> None:
        self.turned: list[float] = []

    def tilted(self, angle: float) -> Solid:
        self.turned.append(angle)
        return self

    def at_origin(self) -> Solid:
        return self

    def stl(self, head: str) -> bytes:
        return f"{head} turned {self.turned}".encode()


@pytest.mark.parametrize("tilted", [False, True])
def test_a_solid_is_turned_where_that_is_wanted(
    tilted: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the angle of the gantry, so that the layers lie level."""
    monkeypatch.setattr("agent.pieces.mesh.mesh", lambda piece: Solid())
    piece: Any = SimpleNamespace(name="block", size={"thick": 8.0}, features=())
    file = tmp_path / "a.stl"
    write_files(piece, HERON, {"stl": file}, tilted=tilted)
    turned = f"[{HERON.mechanics.gantry_angle}]" if tilted else "[]"
    assert file.read_text().endswith(f"in mm: thick 8 turned {turned}")
    if tilted:
        with pytest.raises(BadInput, match="--tilted needs --stl"):
            write_files(piece, HERON, {"svg": file}, tilted=True)


@pytest.mark.parametrize(
    ("family", "heats"), [("replay", True), ("numbered", False), (None, True), ("unheard", True)]
)
def test_lines_are_worded_for_the_family_and_begin_with_two_remarks(
    family: str | None, heats: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A controller that drives no heaters is told none; the usual words where none is known."""
    wordings: list[Any] = []

    def toolpath(piece: object, profile: object, wording: object) -> list[str]:
        wordings.append(wording)
        return ["G21", "G90", "M84"]

    monkeypatch.setattr("agent.pieces.toolpath", toolpath)
    piece: Any = SimpleNamespace(name="strip", size={"wide": 20.0, "long": 60.5}, features=())
    file = tmp_path / "a.gcode"
    write_files(piece, replace(HERON, family=family), {"gcode": file}, tilted=False)
    lines = file.read_text().splitlines()
    assert [line.partition(" ; ")[0] for line in lines] == ["G21", "G90", "M84"]
    assert lines[0].startswith("G21 ; strip no 1 of heron, 45 deg, 20")
    assert lines[1:] == ["G90 ; in mm: wide 20, long 60.5", "M84"]
    assert wordings[0].heats is heats


def test_a_file_says_what_it_is_of() -> None:
    piece: Any = SimpleNamespace(name="post", size={"height": 100.11})
    day = date(2026, 3, 2)
    assert about(piece, HERON, day) == (
        "post no 1 of heron, 45 deg, 2026-03-02",
        "in mm: height 100.11",
    )
    mechanics = replace(HERON.mechanics, gantry_angle_deg=None)
    assert "angle not known" in about(piece, replace(HERON, mechanics=mechanics), day)[0]


def test_files_that_are_there_are_all_named(tmp_path: Path) -> None:
    one, two, three = (tmp_path / name for name in "abc")
    refuse_over((one, two))
    one.touch()
    two.touch()
    with pytest.raises(Refused) as refusal:
        refuse_over((one, two, three))
    assert refusal.value.what == f"{one} and {two} would be written over"


@pytest.mark.parametrize("force", ["", "--force"])
def test_a_piece_names_the_files_that_it_wrote(
    force: str,
    desk: Desk,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    line = f"piece strip --gcode a.gcode --svg a.svg {force}"
    assert carry_out(desk, [line]) == [0]
    said = told(capsys)
    assert "G-code written to a.gcode" in said
    assert "Drawing (SVG) written to a.svg" in said
    assert not any("STL" in line for line in said)
    assert carry_out(desk, [line]) == [0 if force else 1]


# --- what it tells -------------------------------------------------------------------------------


@pytest.fixture
def foreseen(monkeypatch: pytest.MonkeyPatch) -> list[tuple[Any, Any]]:
    """What was asked of the forecast: of each the survey and the readings."""
    asked: list[tuple[Any, Any]] = []

    def foresee(survey: Any, readings: Any) -> dict[str, float]:
        asked.append((survey, readings))
        return (
            {"y_scale": 0.1 * len(readings), "only": 1.0} if len(asked) % 2 else {"y_scale": 0.02}
        )

    monkeypatch.setattr("agent.estimate.planning.foresee", foresee)
    return asked


@pytest.mark.parametrize("beside", [None, "shrink", "travel"])
def test_a_piece_is_foretold_beside_what_is_known_otherwise(
    beside: Any, foreseen: list[tuple[Any, Any]]
) -> None:
    """Before it there is one reading that tells nothing; moves stand beside it where they may."""
    features = (
        Feature("post lean", "lean", (0.0, 0.0, 60.0), side="opposite"),
        Feature("post h1", "outside", (0.0, 0.0, 60.0), between="edges"),
    )
    piece: Any = SimpleNamespace(features=features)
    assert foretold(piece, HERON, beside=beside) == {"y_scale": (0.02, 0.1)}
    (survey, nothing), (_, readings) = foreseen
    assert (nothing[0].kind, nothing[0].u_mm, len(nothing)) == ("travel", 1e6, 1)
    shrink = survey.material.shrink_u_percent
    assert (shrink < 1e-5) is (beside == "shrink")
    assert [(r.kind, r.between, r.side) for r in readings[:2]] == [
        ("lean", None, "opposite"),
        ("outside", "edges", None),
    ]
    assert [r.kind for r in readings[2:]] == ["travel"] * (3 if beside == "travel" else 0)


def test_a_reach_is_the_interval_in_the_unit_that_is_shown(foreseen: list[tuple[Any, Any]]) -> None:
    """Of a relative u of 0.02 the interval is twice that: 4 %."""
    piece: Any = SimpleNamespace(name="block", features=())
    assert reach_of(piece, HERON) == pytest.approx(4.0)


def a_piece(name: str, longest: float, **size: float) -> Any:
    along = (0.0, 0.0, longest)
    features = (Feature("a", "outside", along), Feature("b", "outside", (0.0, 3.0, 0.0)))
    return SimpleNamespace(name=name, size=size, features=features)


def test_what_a_piece_alone_tells_is_what_it_halves(
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    pinned: Pinned,
) -> None:
    others = (
        a_piece("rail", 50.0, count=1.0),
        a_piece("rail", 90.4, count=3.0),
        a_piece("rail", 90.4),
    )
    monkeypatch.setattr("agent.pieces.sizing.sizes", lambda name, profile: others)
    monkeypatch.setattr(benchwork, "reach_of", lambda *_: 0.25)
    found = {"x_scale": (0.001, 0.002), "y_scale": (0.0009, 0.002), "yaw_deg": (0.1, 1.0)}
    show_told(desk, a_piece("rail", 50.0), HERON, found)
    shown = capsys.readouterr().out
    pinned("face/told-by-a-piece", shown)
    sizes = " ".join(shown.split())
    assert "scale, across" not in sizes, "it halves what was known, and no more"
    assert "1 pitch 0.2" in sizes
    assert "3 pitches 0.2" in sizes
    assert "90 mm 0.2" in sizes


def test_features_and_needs_are_shown_as_they_are(
    desk: Desk, capsys: pytest.CaptureFixture[str], pinned: Pinned
) -> None:
    many = a_piece("rail", 50.0)
    many.features = many.features * 5
    show_features(desk, many)
    pinned("face/features", capsys.readouterr().out)
    takes: Any = SimpleNamespace(
        heats={"nozzle": 215.0, "bed": 60.5},
        lines=622,
        seconds=400.0,
        belt_mm=812.4,
        filament_mm=2345.0,
    )
    show_needs(desk, takes)
    assert " ".join(told(capsys)) == (
        "Heats: nozzle 215 °C and bed 60.5 °C. Moves: 622 lines, about 7 min after heating."
        " Belt travel, back and forth: 812 mm in total. Filament 2.35 m."
    )


@pytest.mark.parametrize(
    ("columns", "rows", "encoding", "asked"),
    [
        (50, 28, "utf-8", (60, 16, False)),
        (80, 29, "UTF8", (80, 20, False)),
        (140, 40, "latin-1", (80, 20, True)),
        (70, 29, "", (70, 20, True)),
    ],
)
def test_the_drawing_fits_the_window(
    columns: int,
    rows: int,
    encoding: str,
    asked: tuple[int, int, bool],
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Below it there is room for a question; signs that a window lacks are not used."""
    drawn: list[tuple[int, int, bool]] = []
    said: list[str] = []

    def picture(piece: object, *, width: int, height: int, plain: bool) -> str:
        drawn.append((width, height, plain))
        return f"  kept\n{'x' * width}\n\n"

    monkeypatch.setattr("agent.pieces.picture.picture", picture)
    screen = SimpleNamespace(
        console=SimpleNamespace(width=columns, encoding=encoding), rows=rows, say=said.append
    )
    monkeypatch.setattr(desk, "screen", screen)
    show_picture(desk, a_piece("rail", 50.0))
    assert drawn == [asked]
    assert said == ["  kept", f" {'x' * (asked[0] - 1)}"]
    monkeypatch.undo()
