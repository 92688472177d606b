"""A row of machines in one sitting: what belongs to one never reaches another."""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from agent.errors import BadInput, Refused
from agent.face.main import run
from agent.face.screen import Screen
from agent.face.shop.row import (
    Place,
    Result,
    Row,
    cover,
    read_row,
    refuse_existing,
    results,
    save_cover,
    sit,
    yield_words,
)
from agent.rehearsal import behind_a_terminal
from agent.store.profiles import load_profile
from agent.work.session import Session
from agent.workshop.fleet import Left
from tests.face.bench import WILLING, Technician, digest_in
from tests.memory import in_memory

DAY = date(2026, 3, 1)


def row_of(count: int, folder: Path) -> Row:
    """Simulated machines in memory, differently out of true."""
    answers = {**WILLING, "To write": digest_in, "To store": digest_in}
    places = [Place(f"heron-{n}", f"memory{n}", "heron") for n in range(1, count + 1)]
    row = Row.set_up(places, Screen(Technician(answers)))
    for n, desk in enumerate(row.desks.values(), 3):
        desk.rehearsal = in_memory(seed=n)
        profile = desk.session.profile
        desk.session = Session(profile)  # keeps its notes in memory
    return row


def lines(*typed: str) -> Callable[[str], str]:
    waiting = list(typed)

    def read(_: str) -> str:
        if not waiting:
            raise EOFError
        return waiting.pop(0)

    return read


def test_a_row_is_tuned_by_enter_alone_and_ends_with_certificates_and_a_cover_sheet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row = row_of(2, tmp_path)
    screen = next(iter(row.desks.values())).screen
    assert sit(row, screen, lines(*[""] * 80)) == 0
    assert row.behind() is None
    told = capsys.readouterr().out
    assert "At heron-1 (1 of 2)" in told
    assert "At heron-2 (2 of 2)" in told
    plans = [desk.session.bench.done for desk in row.desks.values()]
    assert all(plan is not None for plan in plans)
    assert len({plan.digest for plan in plans if plan is not None}) == 2
    for desk in row.desks.values():
        assert desk.rehearsal is not None
        truth = desk.rehearsal.truth()
        assert abs(truth["z_scale"]) < 0.001
    found = results(row, DAY, tmp_path)
    assert [Path(r.certificate).name for r in found] == [
        "report-heron-1-2026-03-01.html",
        "report-heron-2-2026-03-01.html",
    ]
    assert all({"x_scale", "y_scale", "z_scale"} <= set(r.left) for r in found)
    place = save_cover(found, DAY, tmp_path)
    text = place.read_text(encoding="utf-8")
    assert "heron-1" in text
    assert yield_words(found)[:10] in text
    _, capable, made = cover(found)
    assert made["z_scale"].n == 2
    assert capable.rows
    with pytest.raises(Refused, match="is there already"):
        refuse_existing(tmp_path, DAY)
    row.close()


def test_a_cover_sheet_tells_yield_and_capability_of_the_row(tmp_path: Path) -> None:
    """Indices from their definitions (ISO 22514-2), intervals by scipy."""
    dice = np.random.default_rng(3)
    found = []
    for n, value in enumerate(dice.normal(0.0002, 0.0003, 24)):
        left = Left(float(value), 1e-5, 0.001)
        wide = {"z_scale": left, "yaw_deg": Left(0.01, 0.001, 0.1)}
        found.append(Result(f"heron-{n}", wide, left.standing, f"report-{n}.html"))
    found.append(Result("gone", {}, "unknown", "", "no answer"))
    shares = np.array([r.left["z_scale"].value for r in found[:-1]]) / 0.001
    s = float(np.std(shares, ddof=1))
    sheet, capable, made = cover(found)
    assert len(capable.rows) == 1
    one = made["z_scale"]
    assert one.n == 24
    assert one.within == int(np.sum(np.abs(shares) <= 1))
    assert one.cp == pytest.approx(2 / (6 * s))
    assert one.cpk == pytest.approx((1 - abs(float(np.mean(shares)))) / (3 * s))
    low, high = (one.cp * math.sqrt(stats.chi2.ppf(p, 23) / 23) for p in (0.025, 0.975))
    assert one.cp_interval == pytest.approx((low, high))
    assert one.cpk_interval[0] < one.cpk < one.cpk_interval[1]
    assert "yaw_deg" not in made  # all equal: nothing can be said
    within = sum(r.standing == "within" for r in found)
    assert yield_words(found) == (
        f"Yield: {within} of 25 machines within tolerance with 95 % confidence; "
        f"of {1 + sum(r.standing == 'open' for r in found)} it is not known."
    )
    assert sheet.rows[-1] == ("gone", "unknown", "", "none: no answer")
    text = save_cover(found, DAY, tmp_path).read_text(encoding="utf-8")
    for word in (f"{one.cp:.2f}", f"{one.cpk:.2f}", "Yield", "heron-23", "no answer"):
        assert word in text
    assert not re.search(r"https?://|src=|@import|url\(|<script|<link|<img", text)


def test_a_folder_that_is_not_there_is_told_before_the_sitting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    file = tmp_path / "row.yaml"
    file.write_text(
        "format: plumbelt-row/1\nmachines: [{name: a, port: /nowhere, profile: heron}]\n"
    )
    monkeypatch.setattr("sys.stdin", io.StringIO("\n\ndone\n"))
    wanted = str(tmp_path / "certificates")
    assert run(["workshop", "tune", "--machines", str(file), "--out", wanted]) == 1
    told = capsys.readouterr()
    assert "no folder that can be written to" in " ".join(told.err.split())
    assert "At a" not in told.out


def test_machines_go_on_side_by_side_and_a_name_goes_elsewhere(tmp_path: Path) -> None:
    row = row_of(3, tmp_path)
    screen = next(iter(row.desks.values())).screen
    sit(row, screen, lines("", "", "heron-3: attach memory://", "heron-3: readback", "row"))
    assert row.here != "heron-3" or row.behind() is not None
    assert all(desk.session.contact.link is not None for desk in row.desks.values())
    found = row.behind()
    assert found is not None
    assert found[1].line == "gauge travel --enough"
    row.close()


def test_one_that_does_not_answer_holds_up_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    served = behind_a_terminal(seed=3, listen="pty", speed=0.0)
    try:
        file = tmp_path / "row.yaml"
        file.write_text(
            "format: plumbelt-row/1\nmachines:\n"
            f"  - {{name: gone, port: {tmp_path}/nothing, profile: heron}}\n"
            f"  - {{name: there, port: {served.address}, profile: heron}}\n"
        )
        monkeypatch.setattr("sys.stdin", io.StringIO("\n\ndone\n"))
        capsys.readouterr()
        out = str(tmp_path)
        assert run(["workshop", "tune", "--machines", str(file), "--out", out, "--json"]) == 1
        document = capsys.readouterr().out
        told = json.loads(document[document.index('{\n  "machines"') :])
        assert [m["standing"] for m in told["machines"]] == ["unknown", "unknown"]
        assert all(m["certificate"] is None for m in told["machines"])
        assert Path(told["cover"]).exists()
    finally:
        served.close()


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("machines: []", "format"),
        ("format: plumbelt-row/1\nmachines: [{name: a, port: b}, {name: a, port: c}]", "name a"),
        ("format: plumbelt-row/1\nmachines: [{name: a, port: b}, {name: c, port: b}]", "port b"),
        ("format: plumbelt-row/1\nmachines: [{name: a b, port: c}]", "name"),
        ("format: plumbelt-row/1\nmachines: [{name: a, prot: c}]", "prot"),
    ],
)
def test_mistakes_of_the_file_are_told_before_anything_is_opened(
    tmp_path: Path, text: str, what: str
) -> None:
    file = tmp_path / "row.yaml"
    file.write_text(text)
    with pytest.raises(BadInput) as caught:
        read_row(file)
    assert what in str(caught.value)


def test_a_profile_is_of_the_machine_it_is_used_for(tmp_path: Path) -> None:
    row = row_of(2, tmp_path)
    assert [desk.session.profile.name for desk in row.desks.values()] == ["heron-1", "heron-2"]
    assert load_profile("heron").name == "heron"
    row.close()
