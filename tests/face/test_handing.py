"""`handover`: file lines in a copy of the controller's own file."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.change.plan import Plan, make_plan
from agent.errors import BadInput, Refused
from agent.face.desk import Desk
from agent.face.handing import into_copy
from agent.face.screen import Screen
from agent.families import FAMILIES
from agent.store.profiles import load_profile
from agent.work.session import Session
from tests.face.bench import WILLING, Technician, carry_out, digest_in, forge
from tests.memory import in_memory

FILE = """\
; start-up of the machine
M92 X80.00 Y80.00 Z105.37 E420.0:410.0 ; steps, X first
M203 X10800 Y9600 Z3600
m92 z104
M201 X900
"""

SCRIPT = FAMILIES["script"]


def test_a_value_goes_into_the_last_line_that_sets_it_and_all_else_stays() -> None:
    edited = SCRIPT.edited(FILE, {"steps_per_mm.z": 105.98765, "steps_per_mm.e1": 411.5})
    assert edited == FILE.replace("z104", "z105.98765").replace("420.0:410.0", "420.0:411.5")


def test_speeds_go_in_by_the_minute_and_what_has_no_line_gets_one() -> None:
    edited = SCRIPT.edited(FILE, {"max_speed.x": 150.0, "jerk.x": 5.0, "max_acceleration.y": 800})
    assert "M203 X9000 Y9600 Z3600\n" in edited
    assert edited.endswith("M201 X900\nM201 Y800\nM566 X300\n")


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_line_ends_stay_as_the_file_has_them(end: str, tmp_path: Path) -> None:
    """A card is edited on every system; a controller may read no mixture."""
    text = FILE.replace("\n", end)
    wanted = {"steps_per_mm.x": 80.5, "max_acceleration.y": 800, "jerk.x": 5.0}
    edited = SCRIPT.edited(text, wanted)
    assert "M92 X80.5 Y80.00" in edited
    assert edited.replace("\r\n", "\n").count("\n") == edited.count(end)
    assert edited.endswith(f"M566 X300{end}")
    bare = SCRIPT.edited(f"M201 X900{end}M92 Z104", {"jerk.x": 5.0})  # no end at its end
    assert bare == f"M201 X900{end}M92 Z104{end}M566 X300{end}"


def test_what_cannot_be_put_in_is_refused() -> None:
    with pytest.raises(Refused, match="by hand"):
        SCRIPT.edited(FILE, {"steps_per_mm.e2": 411.5})
    with pytest.raises(Refused, match="no line"):
        SCRIPT.edited(FILE, {"home_offset.x": 1.0})
    with pytest.raises(Refused, match="store word"):
        FAMILIES["replay"].edited(FILE, {"steps_per_mm.x": 80.0})


def at_a_script_controller() -> Desk:
    answers = WILLING | {"digest": digest_in}
    desk = Desk(Screen(Technician(answers)), in_memory(seed=3, family="script"), in_shell=True)
    desk.session = Session(load_profile("heron"))
    assert carry_out(desk, ["attach"]) == [0]
    return desk


def test_a_copy_is_written_once_and_the_file_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk, path = at_a_script_controller(), tmp_path / "start.txt"
    path.write_text(FILE)
    assert carry_out(desk, [f"handover {path}"]) == [1]  # nothing was written yet
    session = desk.session
    plan = make_plan(
        session.bench.clean_readback,
        {"steps_per_mm.x": 80.21},
        SCRIPT,
        machine=session.profile.name,
    )
    session.changes.write(plan, plan.digest)
    assert carry_out(desk, [f"handover {path}", f"handover {path}"]) == [0, 1]
    assert path.read_text() == FILE
    assert (tmp_path / "start.txt.new").read_text() == FILE.replace("X80.00", "X80.21")
    told = capsys.readouterr().out
    assert "+M92 X80.21 Y80.00" in told
    assert "Put it in the place of start.txt on the controller" in " ".join(told.split())
    assert carry_out(desk, [f"handover {path} --out {path}"]) == [1]
    assert "The copy would be the file itself" in " ".join(capsys.readouterr().err.split())
    assert path.read_text() == FILE


def test_what_is_in_the_file_already_makes_no_difference(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk, path, out = at_a_script_controller(), tmp_path / "start.txt", tmp_path / "out.txt"
    path.write_text(FILE)
    capsys.readouterr()
    into_copy(desk, SCRIPT, path, {"steps_per_mm.x": 80.0}, out)
    assert "(no difference: the file holds these values already)" in capsys.readouterr().out
    assert out.read_text() == FILE
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(BadInput, match="is no text"):
        into_copy(desk, SCRIPT, path, {"steps_per_mm.x": 80.0})


@pytest.mark.parametrize("wanted", [None, {}])
def test_what_was_not_written_is_not_handed_over(
    wanted: dict[str, float] | None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk, path = at_a_script_controller(), tmp_path / "start.txt"
    path.write_text(FILE)
    forge(desk, done=None if wanted is None else Plan("heron", "script", (), (), "abc"))
    assert carry_out(desk, [f"handover {path}"]) == [1]
    assert "Nothing was written in this session" in capsys.readouterr().err
    assert not (tmp_path / "start.txt.new").exists()


def test_only_the_lines_around_a_difference_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line before and one behind: enough to find the place."""
    desk, path = at_a_script_controller(), tmp_path / "start.txt"
    lines = ["; a", "; b", "M92 X80.00", "; c", "; d"]
    path.write_text("\n".join(lines) + "\n")
    capsys.readouterr()
    into_copy(desk, SCRIPT, path, {"steps_per_mm.x": 81.0})
    shown = [line.strip() for line in capsys.readouterr().out.splitlines()]
    assert "; b" in shown
    assert "; c" in shown
    assert not {"; a", "; d"} & set(shown)
