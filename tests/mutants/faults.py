"""Where a module can be made wrong, and the module with one fault in it.

A fault is one change of the syntax tree: another comparison, another sign, a number off by one, a
condition turned round, a statement left out.  Texts for people, types and imports are left alone.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}

OPERATORS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div,
    ast.Mod: ast.FloorDiv,
    ast.Pow: ast.Mult,
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One change of a module."""

    line: int
    what: str  #: the change in words, with the code as it was
    source: str  #: the whole module with the fault in it


def faults(source: str) -> list[Fault]:
    """All faults of a module, in the order of its lines."""
    found = [fault(source, number) for number in range(count(source))]
    return sorted(found, key=lambda one: one.line)


def count(source: str) -> int:
    """How many faults a module has room for."""
    return sum(1 for _ in _places(ast.parse(source)))


def fault(source: str, number: int) -> Fault:
    """The fault of this number, from 0."""
    tree = ast.parse(source)  # each fault in a tree of its own
    node, what, change = next(p for i, p in enumerate(_places(tree)) if i == number)
    before = ast.unparse(node)
    change()
    text = ast.unparse(ast.fix_missing_locations(tree))
    return Fault(getattr(node, "lineno", 0), f"{what}: {before}", text)


_Place = tuple[ast.AST, str, Callable[[], None]]


def _places(tree: ast.AST) -> Iterator[_Place]:
    """Every place of a tree that can be changed, and what changes it."""
    for parent, node in _code(tree):
        if isinstance(node, ast.Compare):
            for place, op in enumerate(node.ops):
                if type(op) in COMPARISONS:
                    yield node, "comparison", _set(node.ops, place, COMPARISONS[type(op)]())
        elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in OPERATORS:
            if not _joins_texts(node):
                yield node, "operator", _put(node, "op", OPERATORS[type(node.op)]())
        elif isinstance(node, ast.BoolOp):
            other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield node, "and/or", _put(node, "op", other)
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
            yield node, "sign", _replace(parent, node, node.operand)
        elif isinstance(node, ast.Constant) and type(node.value) in (bool, int, float):
            other_value = not node.value if type(node.value) is bool else node.value + 1
            if not _says_that_lengths_agree(parent, node):
                yield node, "constant", _put(node, "value", other_value)
        elif isinstance(node, ast.If | ast.While | ast.IfExp):
            turned = ast.UnaryOp(ast.Not(), node.test)
            yield node.test, "condition turned round", _put(node, "test", turned)
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
            yield node, "statement left out", _replace(parent, node, ast.Pass())
        elif isinstance(node, ast.Raise) and node.exc is not None:
            yield node, "error not raised", _replace(parent, node, ast.Pass())


def _code(tree: ast.AST) -> Iterator[tuple[ast.AST, ast.AST]]:
    """Parents and nodes that run: no annotations, no texts, nothing that is for types only."""
    for name, value in ast.iter_fields(tree):
        if name in ("annotation", "returns", "decorator_list", "type_comment", "bases"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or _for_types(child):
                continue
            if isinstance(child, ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Global):
                continue
            if isinstance(child, ast.FormattedValue):
                continue
            yield tree, child
            yield from _code(child)


def _for_types(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.If)
        and isinstance(node.test, ast.Name)
        and node.test.id == "TYPE_CHECKING"
    )


def _says_that_lengths_agree(parent: ast.AST, node: ast.Constant) -> bool:
    """`strict` of `zip`: of two that are known to be as long, nothing could be observed."""
    return isinstance(parent, ast.keyword) and parent.arg == "strict" and node.value is True


def _joins_texts(node: ast.BinOp | ast.AugAssign) -> bool:
    """Texts are added, not numbers: another operator would only be a wrong type."""
    sides = (node.left, node.right) if isinstance(node, ast.BinOp) else (node.value,)
    return any(
        isinstance(side, ast.JoinedStr | ast.List | ast.Tuple)
        or (isinstance(side, ast.Constant) and isinstance(side.value, str | bytes))
        for side in sides
    )


def _set(values: list[ast.cmpop], place: int, value: ast.cmpop) -> Callable[[], None]:
    return lambda: values.__setitem__(place, value)


def _put(node: ast.AST, name: str, value: object) -> Callable[[], None]:
    return lambda: setattr(node, name, value)


def _replace(parent: ast.AST, node: ast.AST, by: ast.AST) -> Callable[[], None]:
    def change() -> None:
        for name, value in ast.iter_fields(parent):
            if value is node:
                setattr(parent, name, by)
            elif isinstance(value, list) and any(one is node for one in value):
                setattr(parent, name, [by if one is node else one for one in value])

    return change
