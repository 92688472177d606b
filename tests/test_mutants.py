"""The faults that are put into the code are faults, one at a time, and nothing else is changed."""

import ast
from collections import Counter

import pytest

from tests.mutants.__main__ import TREE, Drawn, rings
from tests.mutants.faults import count, faults

SOURCE = '''
"""Words."""
from typing import Final
LIMIT: Final[int] = 3

def f(x: "int < 4") -> "a + b":
    """More words, 3 < 4."""
    if x < LIMIT and not x == 2:
        raise ValueError(f"{x + 1} is wrong")
    g(-x)
    return x * 2 if x else "a" + "b"
'''


def test_every_kind_of_fault_is_found_once() -> None:
    kinds = [fault.what.partition(":")[0] for fault in faults(SOURCE)]
    assert Counter(kinds) == {
        "comparison": 2,
        "constant": 3,
        "condition turned round": 2,
        "and/or": 1,
        "sign": 2,
        "operator": 1,
        "error not raised": 1,
        "statement left out": 1,
    }


@pytest.mark.parametrize("number", range(count(SOURCE)))
def test_a_fault_changes_the_code_and_leaves_texts_alone(number: int) -> None:
    found = faults(SOURCE)[number]
    plain = ast.unparse(ast.parse(SOURCE))
    assert found.source != plain
    changed = [
        (was, now)
        for was, now in zip(plain.splitlines(), found.source.splitlines(), strict=True)
        if was != now
    ]
    assert len(changed) == 1
    for words in ('"""Words."""', "3 < 4.", "'a' + 'b'"):
        assert words in found.source


def test_the_nearest_tests_come_first_and_none_twice() -> None:
    nearest, folder, others = rings(Drawn(TREE / "agent/store/rows.py", 0))
    assert nearest == ["tests/store/test_rows.py"]
    assert "tests/store/test_record.py" in folder
    assert "tests/published/test_uncertainty.py" in folder
    assert others
    assert not any(path.startswith("tests/store/") for path in others)
    everything = [*nearest, *folder, *others]
    assert len(everything) == len(set(everything))


def test_a_package_without_a_folder_of_tests_is_tried_by_whole_verbs() -> None:
    tried = [path for ring in rings(Drawn(TREE / "agent/work/moves.py", 0)) for path in ring]
    assert {"tests/bench/test_defects.py", "tests/face/test_moving.py"} <= set(tried)
    near = [path for ring in rings(Drawn(TREE / "agent/model/heat.py", 0)) for path in ring]
    assert "tests/bench/test_defects.py" not in near
