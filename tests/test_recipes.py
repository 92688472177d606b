"""DEVELOPERS.md works: its recipes, carried out as written in a copy of the tree."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.patience import PATIENCE

ROOT = Path(__file__).resolve().parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

#: A path in a line of its own, and the block that belongs to it.
BLOCK = re.compile(r"^(In )?`([^`]+)`:\n\n```(python|diff)\n(.*?)^```", re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of what ships, with all recipes carried out."""
    copy = tmp_path_factory.mktemp("tree")
    for folder in ("agent", "sim", "profiles"):
        shutil.copytree(ROOT / folder, copy / folder, ignore=shutil.ignore_patterns("__pycache__"))
    blocks = BLOCK.findall(GUIDE)
    assert len(blocks) == 8
    for changes, path, kind, text in blocks:
        assert bool(changes) == (kind == "diff"), path
        place = copy / path
        if kind == "python":
            assert not place.exists(), path
            place.write_text(text, encoding="utf-8")
        else:
            place.write_text(changed(place.read_text(encoding="utf-8"), text), encoding="utf-8")
    return copy


def changed(text: str, block: str) -> str:
    """`text` with each taken line of a block, there once, replaced by the lines given for it."""
    for taken, given in re.findall(r"^-(.*)\n((?:^\+.*\n)+)", block, re.MULTILINE):
        assert text.count(f"{taken}") == 1, taken
        new = "\n".join(line[1:] for line in given.splitlines())
        text = text.replace(taken, new)
    return text


def said(tree: Path, *words: str, typed: str = "") -> str:
    done = subprocess.run(
        [sys.executable, "-m", "agent.face.main", *words],
        cwd=tree,
        env={**os.environ, "PLUMBELT_HOME": str(tree / "home"), "PYTHONPATH": str(tree)},
        input=typed,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_new_family_is_recognised_and_rehearsed(tree: Path) -> None:
    told = said(tree, "rehearse", "--family", "murmur", "--bench", "none", typed="readback\nquit\n")
    assert "family 'murmur'" in told
    assert "steps_per_mm.z" in told
    log = tree / "boot.log"
    log.write_text("hm, it is me\nM92 X80.00 Y80.00 Z105.37 E415.00\nok\n", encoding="utf-8")
    assert json.loads(said(tree, "readback", "--from", str(log), "--json"))["family"] == "murmur"


def test_the_new_piece_is_drawn_sliced_and_chosen_by_size(tree: Path) -> None:
    place = tree / "plate.gcode"
    made = json.loads(said(tree, "piece", "plate", "--gcode", str(place), "--json"))
    assert made["size_mm"] == {"length": 60.0}
    assert place.read_text(encoding="utf-8").count("G1") > 10
    assert "plate" in said(tree, "lay", "--help")


def test_the_new_verb_stands_in_the_help_and_answers(tree: Path) -> None:
    assert "whose" in said(tree, "--help")
    assert "plumbelt whose" in said(tree, "whose", "--help")
    assert set(json.loads(said(tree, "whose", "--json"))) == {"machine"}


def test_what_the_recipes_make_is_typed_and_in_style(tree: Path) -> None:
    paths = [str(tree / path) for _, path, *_ in BLOCK.findall(GUIDE)]
    ruff = [sys.executable, "-m", "ruff", "check", "--config", str(ROOT / "pyproject.toml")]
    done = subprocess.run([*ruff, *paths], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
