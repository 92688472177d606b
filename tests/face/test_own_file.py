"""`profile restore --file`: saved settings in a copy of a controller's own file."""

import json

import pytest

from agent.face.main import run

SCRIPT = """; start-up of an invented machine
G90
M92 X80.000 Y97.009 Z160.000 E690:690 ; steps
M203 X12000 Y3600 Z9000
; M92 X1 is an old remark
M906 X700 Y900:900
"""


def test_restore_into_a_file_writes_beside_it(tmp_path, capsys):
    own = tmp_path / "config.txt"
    own.write_text(SCRIPT.replace("Y97.009", "Y95.000"))
    assert run(["profile", "restore", "avocet", "--file", str(own), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    beside = tmp_path / "config.txt.new"
    assert found["file"] == str(beside)
    assert "Y97.009" in beside.read_text()
    assert "Y95.000" in own.read_text()
    assert run(["profile", "restore", "avocet", "--file", str(own)]) == 1  # it is there already
    capsys.readouterr()
    beside.unlink()
    assert run(["profile", "restore", "avocet", "--file", str(own)]) == 0
    said = capsys.readouterr().out
    assert "+M92 X80.000 Y97.009 Z160.000" in said


@pytest.mark.parametrize("name", ["heron", "egret", "curlew", "stilt"])
def test_a_controller_that_keeps_its_settings_itself_has_no_file(name, tmp_path, capsys):
    own = tmp_path / "config.txt"
    own.write_text(SCRIPT)
    assert run(["profile", "restore", name, "--file", str(own)]) == 1
    assert "keeps its settings by its store word" in capsys.readouterr().err.replace("\n", " ")
