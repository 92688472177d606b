"""Each family stands on one card; nothing outside `agent/families` asks for one by its name."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.families import FAMILIES, USUAL
from agent.store.readings import FAMILY_NAMES

AGENT = Path(__file__).parents[2] / "agent"


def is_name(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and node.value in FAMILIES


def names_asked_for(tree: ast.AST) -> Iterator[ast.AST]:
    """Comparisons with a family's name, cases of one, and tables with several as keys."""
    for node in ast.walk(tree):
        match node:
            case ast.Compare(left=left, ops=ops, comparators=others):
                equal = [
                    other
                    for op, other in zip(ops, others, strict=True)
                    if isinstance(op, (ast.Eq, ast.NotEq))
                ]
                if equal and any(map(is_name, [left, *equal])):
                    yield node
            case ast.MatchValue(value=value) if is_name(value):
                yield node
            case ast.Dict(keys=keys) if sum(is_name(k) for k in keys if k is not None) > 1:
                yield node
            case ast.Tuple(elts=items) | ast.List(elts=items) | ast.Set(elts=items):
                if sum(map(is_name, items)) > 1:
                    yield node


@pytest.mark.parametrize(
    "code",
    [
        'if family.name == "numbered": ...',
        'if "table" != name: ...',
        'WORDS = {"numbered": 1, "replay": 2}',
        'NAMES = ("replay", "script")',
        'match name:\n    case "override": ...',
    ],
)
def test_what_is_looked_for_is_found(code: str) -> None:
    assert list(names_asked_for(ast.parse(code)))


def test_no_module_outside_asks_for_a_family_by_its_name() -> None:
    found = [
        f"{path.relative_to(AGENT)}:{getattr(node, 'lineno', 0)}"
        for path in AGENT.rglob("*.py")
        if path.parent.name != "families"
        for node in names_asked_for(ast.parse(path.read_text()))
    ]
    assert found == []


def test_every_family_is_known_by_its_own_name_everywhere() -> None:
    from sim.machine import FAMILIES as SIMULATED

    assert set(FAMILY_NAMES) == set(FAMILIES) == set(SIMULATED)
    assert USUAL in FAMILIES
    for name, family in FAMILIES.items():
        assert family.name == name
        assert family.sends
        assert family.decided_by <= {"M115", "M92", "M503", "M205"}


@pytest.mark.parametrize("family", FAMILIES.values(), ids=FAMILIES)
def test_a_card_asks_only_what_it_lists_as_reading(family: object) -> None:
    from agent.families.base import Family
    from agent.families.gate import effect_of

    assert isinstance(family, Family)
    asked = [query.line for query in family.query_settings]
    asked += [family.names_itself.line] if family.names_itself else []
    assert [line for line in asked if effect_of(line, family) != "reads"] == []
