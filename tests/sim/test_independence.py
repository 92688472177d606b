"""The simulator is a proof only as long as it shares no formula with what it proves."""

import ast
from pathlib import Path

import pytest

SIM = Path(__file__).parents[2] / "sim"
ALLOWED = {"agent.errors", "agent.model.roles"}


@pytest.mark.parametrize("path", sorted(SIM.glob("*.py")), ids=lambda path: path.stem)
def test_nothing_of_the_agent_but_errors_and_names_of_axes(path):
    imported = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            imported |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            imported.add(node.module or "")
    assert {name for name in imported if name.split(".")[0] == "agent"} <= ALLOWED
