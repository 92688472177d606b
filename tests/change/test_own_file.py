"""Lines put into a copy of a controller's own file."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.change.own_file import with_lines
from agent.face.main import run

SCRIPT = """; start-up of an invented machine
G90
M92 X80.000 Y97.009 Z160.000 E690:690 ; steps
M203 X12000 Y3600 Z9000
; M92 X1 is an old remark
M906 X700 Y900:900
"""


def test_the_value_changes_in_its_place_and_nothing_else_does():
    edited = with_lines(SCRIPT, ["M92 X79.7477", "M92 E702", "M203 Y3600"])
    assert edited.text == SCRIPT.replace("X80.000", "X79.7477").replace("E690:690", "E702:690")
    assert edited.changed == ("M92 X79.7477", "M92 E702")
    assert edited.kept == ("M203 Y3600",)
    assert edited.added == ()


def test_the_last_line_of_its_kind_counts_and_what_has_no_place_is_added():
    text = "M92 X80\r\nM92 X81\r\n"
    edited = with_lines(text, ["M92 X79.5", "M201 X500"])
    assert edited.text == "M92 X80\r\nM92 X79.5\r\nM201 X500\r\n"
    assert edited.added == ("M201 X500",)


@given(st.text(alphabet="GMXYZE0123456789.:; \n-", max_size=200))
def test_a_second_time_nothing_is_left_to_do(text):
    wanted = ["M92 X79.5", "M203 Z3000"]
    once = with_lines(text, wanted)
    again = with_lines(once.text, wanted)
    assert again.text == once.text
    assert again.changed == again.added == ()


def test_restore_into_a_file_writes_beside_it(tmp_path, capsys):
    own = tmp_path / "config.txt"
    own.write_text(SCRIPT.replace("Y97.009", "Y95.000"))
    assert run(["profile", "restore", "avocet", "--file", str(own), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["changed"] == ["M92 Y97.009"]
    beside = tmp_path / "config.new.txt"
    assert found["written"] == str(beside)
    assert "Y97.009" in beside.read_text()
    assert "Y95.000" in own.read_text()
    assert run(["profile", "restore", "avocet", "--file", str(own)]) == 1  # it is there already
    capsys.readouterr()
    beside.unlink()
    assert run(["profile", "restore", "avocet", "--file", str(own)]) == 0
    said = capsys.readouterr().out
    assert "+M92 X80.000 Y97.009 Z160.000" in said
    assert "is as it was" in said.replace("\n", " ")


@pytest.mark.parametrize("name", ["heron", "egret", "curlew", "stilt"])
def test_a_controller_that_keeps_its_settings_itself_has_no_file(name, tmp_path, capsys):
    own = tmp_path / "config.txt"
    own.write_text(SCRIPT)
    assert run(["profile", "restore", name, "--file", str(own)]) == 1
    assert "keeps its settings itself" in capsys.readouterr().err.replace("\n", " ")
