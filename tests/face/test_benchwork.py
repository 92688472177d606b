"""`piece`: what it would tell, its sizes, its files."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from agent.errors import BadInput
from agent.face.benchwork import foretold, reach_of, sizes_from
from agent.face.main import run
from agent.pieces import PIECES, toolpath
from agent.pieces.catalogue import CATALOGUE
from agent.pieces.resize import resized, size_names
from agent.store.profiles import load_profile
from tests.face.bench import carry_out, desk_at


def document(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, object]:
    assert run(["piece", *words, "--json"]) == 0
    found: dict[str, object] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize("name", CATALOGUE)
def test_the_page_fits_80_columns(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["piece", name]) == 0
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80
    for words in ("Heats: nozzle 215 °C", "from this piece alone", "by size, ±"):
        assert words in shown


def test_files_are_those_of_the_piece(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    heron = load_profile("heron")
    files = {kind: tmp_path / f"post.{kind}" for kind in ("gcode", "stl", "svg")}
    found = document(
        capsys, "post", *(word for kind, file in files.items() for word in (f"--{kind}", str(file)))
    )
    assert found["files"] == {kind: str(file) for kind, file in files.items()}
    assert len(files["gcode"].read_text().splitlines()) == found["lines"]
    assert files["svg"].read_text().startswith("<svg")
    data = files["stl"].read_bytes()
    assert len(data) == 84 + 50 * int.from_bytes(data[80:84], "little")  # binary STL, its layout
    # every file says which piece it is, of which machine, for which angle, and when it was made
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    for file in files.values():
        content = file.read_bytes().decode("utf-8", "replace").replace("45° gantry", "45 deg")
        assert f"post no 1 of heron, 45 deg, {today}" in content, file
        assert "height 100.11" in content, file
    first = files["gcode"].read_text().splitlines()[0]
    assert first.partition(" ;")[0] == toolpath(PIECES["post"](heron), heron)[0]


def test_a_tilted_solid_is_another_one(tmp_path: Path) -> None:
    upright, tilted = tmp_path / "a.stl", tmp_path / "b.stl"
    assert run(["piece", "block", "--stl", str(upright)]) == 0
    assert run(["piece", "block", "--stl", str(tilted), "--tilted"]) == 0
    assert upright.read_bytes() != tilted.read_bytes()
    assert run(["piece", "block", "--tilted"]) == 2


@pytest.mark.parametrize(
    ("name", "word", "key", "mm"),
    [
        ("post", "height=60", "height", 60),
        ("strip", "plate-across=80,5", "plate across", 80.5),
        ("block", "gantry-long=60", "gantry long", 60),
        ("rail", "count=3", "count", 3),
    ],
)
def test_sizes_are_given_by_name(
    capsys: pytest.CaptureFixture[str], name: str, word: str, key: str, mm: float
) -> None:
    found = document(capsys, name, "--size", word)
    assert found["size_mm"][key] == mm  # type: ignore[index]


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_piece_comes_again_from_its_sizes(name: str) -> None:
    profile = load_profile("heron")
    usual = resized(name, profile, {})
    assert resized(name, profile, usual.size) == usual
    assert set(usual.size) <= set(size_names(name, profile))


def test_wrong_sizes_are_all_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["piece", "post", "--size", "height=tall", "--size", "step=-3"]) == 2
    err = capsys.readouterr().err
    assert "height=tall" in err
    assert "step=-3" in err
    assert run(["piece", "post", "--size", "wide=20"]) == 2
    assert "expected one of height, step, width, depth" in capsys.readouterr().err


def test_the_smallest_piece_within_the_wish_is_chosen(capsys: pytest.CaptureFixture[str]) -> None:
    profile = load_profile("heron")
    found = document(capsys, "block", "--within", "0.2")
    long = found["size_mm"]["gantry long"]  # type: ignore[index]
    assert found["wanted"] == {"parameter": "y_scale", "expanded95": 0.2, "reached": True}
    assert reach_of(resized("block", profile, {"gantry long": long}), profile) <= 0.2
    assert document(capsys, "block", "--within", "0.0001")["wanted"]["reached"] is False  # type: ignore[index]
    assert run(["piece", "block", "--within", "0.1", "--size", "thick=8"]) == 2


def test_what_was_foretold_is_what_the_solution_then_has(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Uncertainties before printing against those after laying, reading and solving.

    The forecast takes each contributor as stated; the solution learns how far this bench strays.
    """
    desk = desk_at(seed=3)
    assert carry_out(desk, ["attach", "lay strip", "gauge strip --repeats 5", "solve"]) == [0] * 4
    solution = desk.session.now.solution
    assert solution is not None
    told = foretold(desk.session.now.laid[0].piece, desk.session.profile)
    for name in ("x_scale", "z_scale"):
        assert told[name][0] == pytest.approx(solution.parameters[name].u, rel=0.3)
    assert told["roll_deg"][0] == pytest.approx(told["roll_deg"][1], rel=0.05)


def test_longer_pieces_tell_more() -> None:
    profile = load_profile("heron")
    for name, size in (("block", "gantry long"), ("post", "height")):
        reaches = [reach_of(resized(name, profile, {size: mm}), profile) for mm in (45, 70, 100)]
        assert reaches == sorted(reaches, reverse=True)
        assert CATALOGUE[name].purpose in foretold(resized(name, profile, {}), profile)


def test_files_are_not_written_over_unasked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "strip.gcode"
    file.write_text("mine\n")
    assert run(["piece", "strip", "--gcode", str(file)]) == 1
    assert file.read_text() == "mine\n"
    assert "--force" in capsys.readouterr().err
    assert run(["piece", "strip", "--gcode", str(file), "--force"]) == 0
    assert file.read_text().startswith("G21")


@pytest.mark.parametrize("second", ["wall-length=30", "wall length=30"])
def test_a_size_with_two_values_is_refused(second: str) -> None:
    """With the blank of a name written either way."""
    with pytest.raises(BadInput) as refused:
        sizes_from(("wall-length=20", second), "piece")
    assert "given twice" in str(refused.value.problems[0])
