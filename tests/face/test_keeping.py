"""Profiles and the log as verbs: one-shot against a served simulator, and in the shell."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.face.main import run
from agent.face.status import _near
from agent.rehearsal import Rehearsal, behind_a_terminal
from agent.store.profiles import load_profile
from agent.store.record import Record
from tests.face.bench import carry_out, desk_at, digest_in


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    return tmp_path


@pytest.fixture
def served() -> Iterator[Rehearsal]:
    rehearsal = behind_a_terminal(seed=3, listen="pty", speed=0.0)
    yield rehearsal
    rehearsal.close()


def answered(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict:
    assert run([*arguments, "--json"]) == code, capsys.readouterr()
    return json.loads(capsys.readouterr().out)


def test_save_flash_preview_approve(
    home: Path, served: Rehearsal, capsys: pytest.CaptureFixture[str]
) -> None:
    port = served.address
    saved = answered(capsys, "profile", "save", "bench", "--like", "heron", "--port", port)
    assert Path(saved["file"]) == home / "profiles" / "bench.yaml"

    served.machine.controller.live["steps_per_mm.z"] = 4000.0  # as a flash would leave it
    preview = answered(capsys, "profile", "restore", "bench", "--port", port, "--preview")
    assert preview["lines"] == ["M92 Z105.37"]
    assert "belt" in preview["blocked"]
    assert {item["key"] for item in preview["cannot"]} >= {"junction_deviation"}

    before = len(served.received)
    answered(capsys, "profile", "restore", "bench", "--port", port, "--approve", "00000000", code=1)
    assert not [line for line in served.received[before:] if line.startswith(("M92 ", "M500"))]

    done = answered(
        capsys,
        *("profile", "restore", "bench", "--port", port),
        *("--approve", preview["digest"], "--store"),
    )
    assert done["verified"]
    assert done["stored"]
    assert "reloaded from storage" in done["stages"]
    assert served.machine.controller.live["steps_per_mm.z"] == pytest.approx(105.37)


def test_a_saved_profile_is_not_replaced_by_accident(
    home: Path, served: Rehearsal, capsys: pytest.CaptureFixture[str]
) -> None:
    save = ("profile", "save", "bench", "--port", served.address)
    answered(capsys, *save)
    text = (home / "profiles" / "bench.yaml").read_text()
    refused = answered(capsys, *save, code=1)
    assert "saved already" in refused["error"]
    assert (home / "profiles" / "bench.yaml").read_text() == text
    answered(capsys, *save, "--over")


def test_saving_over_keeps_what_a_person_wrote_into_the_file(
    home: Path, served: Rehearsal, capsys: pytest.CaptureFixture[str]
) -> None:
    """Remarks, order and hand-set keys stay; only what the controller now prints is new."""
    save = ("profile", "save", "bench", "--like", "heron", "--port", served.address)
    answered(capsys, *save)
    place = home / "profiles" / "bench.yaml"
    text = place.read_text(encoding="utf-8")
    (steps,) = [line for line in text.splitlines() if line.startswith("  steps_per_mm.x:")]
    mine = text.replace(steps, f"{steps}  # pulley of the second batch")
    mine = mine.replace("mechanics:", "# rails changed in May\nmechanics:", 1)
    place.write_text(mine, encoding="utf-8")
    served.machine.controller.live["max_speed.x"] = 90.0
    answered(capsys, *save, "--over")
    now = place.read_text(encoding="utf-8")
    assert f"{steps}  # pulley of the second batch" in now
    assert "# rails changed in May\nmechanics:" in now
    changed = {line for line in now.splitlines() if line not in mine.splitlines()}
    named = {line.split(":")[0].strip() for line in changed}
    assert "read_at" in named
    assert named <= {"read_at", "max_speed.x", "value", "written", "raw"}, changed
    assert len(changed) <= 4
    assert load_profile("bench").settings["max_speed.x"].setting.value == 90.0


def test_compare_names_what_differs(
    home: Path, served: Rehearsal, capsys: pytest.CaptureFixture[str]
) -> None:
    served.machine.controller.live["max_speed.x"] = 90.0
    found = answered(capsys, "profile", "compare", "heron", "--port", served.address)
    assert [(d["key"], d["left"], d["right"]) for d in found["differences"]] == [
        ("max_speed.x", "180.00", "90.00")
    ]
    assert answered(capsys, "profile", "compare", "heron", "heron")["differences"] == []


@pytest.mark.parametrize(
    ("line", "code", "words"),
    [
        (["profile", "show", "herno"], 2, "did you mean"),
        (["profile", "save", "no/name", "--port", "x"], 2, "name"),
        (["profile", "restore", "heron", "--store"], 2, "--approve"),
        (["profile", "restore", "heron"], 1, "No machine is attached"),
        (["log", "show", "ffffffff"], 1, "No entry ends"),
        (["log", "merge", "absent.jsonl"], 2, "absent.jsonl"),
    ],
)
def test_wrong_use_says_what_and_what_next(
    home: Path, capsys: pytest.CaptureFixture[str], line: list[str], code: int, words: str
) -> None:
    assert run(line) == code
    told = " ".join(capsys.readouterr().err.split())
    assert words in told


def test_profiles_that_cannot_be_read_are_listed_as_such(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "profiles").mkdir()
    (home / "profiles" / "broken.yaml").write_text("format: plumbelt-profile/1\nname: [1]\n")
    listed = {item["name"]: item for item in answered(capsys, "profile", "list")["profiles"]}
    assert listed["heron"]["ready"]
    assert "error" in listed["broken"]


def test_log_lists_shows_exports_and_merges(
    home: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with Record() as record:
        session = record.begin("heron", port="test")
        for day, value in enumerate((0.001, 0.002, 0.003)):
            session.note(
                "estimate", {"parameters": {"z_scale": {"value": value, "u": 1e-4}}, "day": day}
            )
        session.traffic(0.5, ">", "M503")
        session.flush()
    listed = answered(capsys, "log", "list", "--machine", "heron")["entries"]
    assert [entry["kind"] for entry in listed] == ["estimate"] * 3
    shown = answered(capsys, "log", "show", listed[0]["short"], "--wire")
    assert shown["lines"][0]["text"] == "M503"
    trend = answered(capsys, "log", "trend", "estimate.z_scale", "--machine", "heron")
    assert [point["value"] for point in trend["points"]] == [0.001, 0.002, 0.003]
    assert run(["log", "trend", "estimate.z_scale", "--machine", "heron", "--most", "2"]) == 0
    told = capsys.readouterr().out
    assert ("0.001" in told, "0.002" in told, "0.003" in told) == (False, True, True)
    assert "1 older not shown" in told

    exported = tmp_path / "out" / "heron.jsonl"
    exported.parent.mkdir()
    answered(capsys, "log", "export", str(exported))
    answered(capsys, "log", "export", str(exported), code=1)  # never over a file
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "other"))
    assert answered(capsys, "log", "merge", str(exported))["new"] > 0
    assert answered(capsys, "log", "merge", str(exported))["new"] == 0


def test_restore_in_the_shell_asks_like_any_change(home: Path) -> None:
    desk = desk_at(answers={"To write": digest_in, "type": lambda q: "105.37"})
    assert carry_out(desk, ["attach", "profile save twin --like heron"]) == [0, 0]
    assert desk.rehearsal is not None
    desk.rehearsal.machine.controller.live["steps_per_mm.z"] = 4000.0
    assert carry_out(desk, ["profile restore twin"]) == [0]
    assert desk.rehearsal.machine.controller.live["steps_per_mm.z"] == pytest.approx(105.37)
    assert carry_out(desk, ["mechanics --profile heron", "profile use heron", "resume"]) == [
        0,
        0,
        0,
    ]
    assert desk.session.profile.name == "heron"


def test_a_mistyped_folder_is_not_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = tmp_path / "drawigns"
    assert run(["piece", "strip", "--svg", str(wrong / "strip.svg")]) == 1
    assert "there is no folder" in " ".join(capsys.readouterr().err.split()).lower()
    assert not wrong.exists()


def test_a_kind_that_no_entry_has_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["log", "list", "--kind", "foo"]) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert "nknown kind 'foo'" in told
    assert "reading" in told


def test_a_file_keeps_the_name_that_was_typed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["solve", "nofile"]) == 2
    assert "'nofile' cannot be read" in capsys.readouterr().err


def test_status_tells_how_near_each_error_is_and_what_comes_next(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["status"]) == 0
    out = capsys.readouterr().out
    assert out.count("not determined") == 4
    assert "To come: settings read, machine known, measured, solved, written, stored" in out
    assert "\nNext: " in out


@pytest.mark.parametrize(
    ("u95", "near"),
    [
        (None, ("-" * 16, "not determined")),
        (0.002, ("########--------", "not enough yet")),  # twice its tolerance: half the way
        (0.001, ("#" * 16, "enough")),  # up to the tolerance itself
        (0.0005, ("#" * 16, "enough")),
    ],
)
def test_how_near_an_error_is_to_its_tolerance(u95: float | None, near: tuple[str, str]) -> None:
    assert _near({"u95": u95, "tolerance": 0.001}) == near
