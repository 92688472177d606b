"""Imports run one way: no circle anywhere, and no arrow that runs back up, not even for types."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import agent
import sim

ROOT = Path(agent.__file__).parent.parent

#: Packages of the product from the ground up: each may use those before it and itself.
LAYERS = (
    "agent.errors",
    "agent.plain",
    "agent.model",
    "agent.wire",
    "agent.families",
    "agent.estimate",
    "agent.pieces",
    "agent.store",
    "agent.change",
    "agent.workshop",
    "agent.bench",
    "agent.work",
    "agent.rehearsal",
    "agent.face",
)


def modules() -> dict[str, Path]:
    """Every module of the product and of the simulator, by name."""
    found = {}
    for package in (agent, sim):
        for path in sorted(Path(package.__file__ or "").parent.rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imported(name: str, path: Path, known: dict[str, Path]) -> Iterator[str]:
    """What a module brings in, wherever it says so: at its head, in a function, for types."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in known)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name} imports by dots"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                if whole in known:
                    yield whole
                elif node.module in known:
                    yield str(node.module)


@cache
def graph() -> dict[str, set[str]]:
    known = modules()
    return {name: {*imported(name, path, known)} - {name} for name, path in known.items()}


def circles(edges: dict[str, set[str]]) -> list[list[str]]:
    """Sets of modules that reach each other (Tarjan 1972, strongly connected components)."""
    index: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(node: str) -> None:
        index[node] = low[node] = len(index)
        stack.append(node)
        for other in sorted(edges[node]):
            if other not in index:
                visit(other)
                low[node] = min(low[node], low[other])
            elif other in stack:
                low[node] = min(low[node], index[other])
        if low[node] == index[node]:
            part = []
            while True:
                part.append(stack.pop())
                if part[-1] == node:
                    break
            if len(part) > 1:
                found.append(sorted(part))

    for node in sorted(edges):
        if node not in index:
            visit(node)
    return found


def layer(name: str) -> int | None:
    fitting = [i for i, head in enumerate(LAYERS) if name == head or name.startswith(f"{head}.")]
    return fitting[0] if fitting else None


def test_no_modules_import_each_other() -> None:
    assert circles(graph()) == []


def test_no_arrow_runs_back_up() -> None:
    upward = []
    for name, others in graph().items():
        mine = layer(name)
        if mine is None:
            continue
        upward += [f"{name} -> {o}" for o in sorted(others) if (layer(o) or 0) > mine]
    assert upward == []


def test_only_the_rehearsal_knows_the_simulator() -> None:
    both = [
        f"{name} -> {other}"
        for name, others in graph().items()
        for other in sorted(others)
        if (name.split(".")[0], other.split(".")[0]) in (("agent", "sim"), ("sim", "agent"))
        and name != "agent.rehearsal"
    ]
    assert [edge for edge in both if edge.startswith("agent")] == []
    # how a refusal looks and what the axes are called is one language for both
    common = ("agent.errors", "agent.model.roles")
    assert [edge for edge in both if edge.startswith("sim") and not edge.endswith(common)] == []


def test_a_circle_and_an_arrow_back_up_would_be_found() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"a"}, "d": {"a"}}) == [["a", "b", "c"]]
    assert layer("agent.face.main") == len(LAYERS) - 1
    assert layer("sim.plant") is None
