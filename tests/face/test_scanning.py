"""What is told of a scan: each feature, what was left out, and the scanner itself."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from agent.errors import BadInput, Refused
from agent.face import scanning
from agent.face.desk import Desk
from agent.face.main import run
from agent.pieces import PIECES
from agent.store.profiles import load_profile
from tests.face.bench import carry_out, desk_at, lay

STRIP = PIECES["strip"](load_profile("heron"))


def a_reading(left_out: dict[str, str] | None = None) -> Any:
    """As a scan of the strip gives it, numbers by hand."""
    taken = [
        SimpleNamespace(feature=feature, mm=mm, u_mm=0.0123456)
        for feature, mm in zip(STRIP.features[:2], (20.0123456, 60.1), strict=True)
    ]
    plane = SimpleNamespace(scale=(0.00123456, -0.0004), askew_deg=-0.0512345, residual=0.0061)
    return SimpleNamespace(taken=taken, left_out=left_out or {}, plane=plane, blur_mm=0.123456)


@pytest.mark.parametrize("kept", [None, "drawn.png"])
def test_a_scan_is_told_with_what_the_scanner_adds(
    kept: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    """Uncertainties are told for 95 %, twice the standard ones; scales in percent."""
    read = a_reading({"strip s3": "a corner of it is not seen"})
    scanning.told(Desk(), read, Path(kept) if kept else None)
    lines = capsys.readouterr().out.splitlines()
    heads = "feature kind nominal, measured, ± (95"
    assert [word for word in heads.split() if word not in lines[0].split()] == []
    first, second = (line.split() for line in lines[2:4])
    assert first == ["strip", "s1", "outside", "20.00", "20.012", "±", "0.025"]
    assert second == ["strip", "s2", "outside", "60.00", "60.100", "±", "0.025"]
    words = " ".join(lines[4:])
    assert words.startswith("Warning: strip s3 is left out: a corner of it is not seen. By the rul")
    assert "off by +0.12 % across, -0.04 % along and -0.05° from square" in words
    assert "Graduations fit to 0.006 mm." in words
    assert ("jaw positions are in drawn.png: look at it." in words) == (kept is not None)


def test_a_scan_for_a_program() -> None:
    """Lengths to a hundredth of a micrometre, the scanner's own errors as they were found."""
    assert scanning.plain(a_reading({"strip s3": "hidden"})) == {
        "features": [
            {"name": "strip s1", "mm": 20.01235, "u_mm": 0.01235},
            {"name": "strip s2", "mm": 60.1, "u_mm": 0.01235},
        ],
        "left_out": {"strip s3": "hidden"},
        "scanner": {"scale_percent": [0.12346, -0.04], "askew_deg": -0.05123, "blur_mm": 0.1235},
    }


def test_which_piece_a_scan_shows() -> None:
    """The newest that was laid where none is named; with other sizes one printed otherwise."""
    desk = desk_at()
    carry_out(desk, ["attach"])
    with pytest.raises(Refused, match="no strip has been laid"):
        scanning.meant(desk, "strip", None)
    names = [lay(desk.session, STRIP).name for _ in range(2)]
    for what, found in ((names[0], names[0]), (names[1], names[1]), (None, names[1])):
        piece, name = scanning.meant(desk, what, None)
        assert (piece.name, name) == ("strip", found)
    with pytest.raises(Refused, match="no rail has been laid"):
        scanning.meant(desk, "rail", None)
    desk.rehearsal = None  # a real bench: what was printed elsewhere may be scanned
    piece, name = scanning.meant(desk, names[1], {"plate along": 60.0})
    assert (piece.size["plate along"], name) == (60.0, "")
    assert scanning.meant(desk, "rail", None)[0].name == "rail"
    for nothing in (None, "cube"):
        with pytest.raises(BadInput, match="wants the name of the piece"):
            scanning.meant(Desk(), nothing, None)


@pytest.fixture
def scanned(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[Any]:
    """What is asked of scanner and reader, which here find what was written down."""
    asked: list[Any] = []
    read = a_reading()

    def load(path: Path, dpi: float | None) -> str:
        asked.append((path.name, dpi))
        return "scan"

    monkeypatch.setattr("agent.scan.image.load_scan", load)
    monkeypatch.setattr("agent.scan.reading.read_scan", lambda scan, piece: read)
    monkeypatch.setattr("agent.scan.picture.picture", lambda *given: "drawn")
    monkeypatch.chdir(tmp_path)
    return asked


@pytest.mark.parametrize(("dpi", "made_at"), [(None, 300.0), (600.0, 600.0)])
def test_in_a_rehearsal_a_scan_that_is_not_there_is_made(
    dpi: float | None,
    made_at: float,
    scanned: list[Any],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = desk_at()
    assert desk.rehearsal is not None
    made: list[Any] = []
    monkeypatch.setattr(desk.rehearsal, "scan", lambda *given: made.append(given))
    path = Path("glass.png")
    scanning.read_scan(desk, STRIP, "strip 1", path, dpi, None)
    assert made == [("strip 1", path, made_at)]
    assert "The simulated scanner wrote glass.png." in capsys.readouterr().out
    path.touch()
    scanning.read_scan(desk, STRIP, "strip 1", path, dpi, None)
    scanning.read_scan(Desk(), STRIP, "", Path("elsewhere.png"), dpi, None)
    assert len(made) == 1
    assert scanned == [("glass.png", dpi), ("glass.png", dpi), ("elsewhere.png", dpi)]


def test_the_picture_of_a_scan_takes_the_place_of_no_other(scanned: list[Any]) -> None:
    picture = Path("drawn.png")
    scanning.read_scan(Desk(), STRIP, "", Path("glass.png"), None, picture)
    assert picture.read_text() == "drawn"
    with pytest.raises(BadInput, match=r"drawn\.png is there already"):
        scanning.read_scan(Desk(), STRIP, "", Path("glass.png"), None, picture)


def test_readings_of_a_scan_are_kept_even_where_some_were_left_out(
    scanned: list[Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = desk_at()
    desk.rehearsal = None
    assert run(["gauge", "strip", "--scan", "glass.png"], desk) == 0
    kept = [(one.reading.name, one.reading.mm, one.reading.u_mm) for one in desk.session.now.taken]
    assert kept == [("strip s1", (20.0123456,), 0.0123456), ("strip s2", (60.1,), 0.0123456)]
    assert {one.piece for one in desk.session.now.taken} == {desk.session.now.laid[-1].name}
    less = a_reading({"strip s3": "hidden"})
    monkeypatch.setattr("agent.scan.reading.read_scan", lambda scan, piece: less)
    assert run(["gauge", "strip", "--scan", "glass.png"], desk) == 1
    assert f"1 of {len(STRIP.features)} features were left out" in capsys.readouterr().err
