"""The faults that are put into the code are faults, one at a time, and nothing else is changed."""

import ast
import json
from collections import Counter
from pathlib import Path

import pytest

from tests.mutants import reach
from tests.mutants.__main__ import TREE, Drawn, Room, chosen, note
from tests.mutants.faults import Fault, count, faults

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


MODULE = """
LIMIT = 3

class Scale:
    factor = 2

    def of(self, x):
        return [self.factor * y for y in x]

def f(x):
    def inner():
        return x < LIMIT
    return inner()
"""


@pytest.mark.parametrize(
    ("line", "function"),
    [(2, ""), (5, ""), (8, "Scale.of"), (10, "f"), (12, "f"), (13, "f")],
)
def test_the_function_around_a_line(line: int, function: str) -> None:
    assert reach.function_at(MODULE, line) == function


#: Tests with the seconds that they take, and the functions that they enter.
NOTED = {
    "tests/face/test_moving.py::test_all": (4.0, ["agent/store/rows.py::put"]),
    "tests/store/test_record.py::test_long": (9.0, ["agent/store/rows.py::put"]),
    "tests/store/test_record.py::test_short": (0.1, ["agent/store/rows.py::put"]),
    "tests/store/test_rows.py::test_put": (0.5, ["agent/store/rows.py::put"]),
    "tests/store/test_rows.py::test_get": (0.2, ["agent/store/rows.py::get"]),
    "tests/model/test_bed.py::test_tilt": (0.1, ["agent/model/bed.py::tilt"]),
}


@pytest.fixture
def known(tmp_path: Path) -> reach.Reach:
    rows, names = [], []
    for test, (seconds, entered) in NOTED.items():
        new = [name for name in entered if name not in names]
        names += new
        numbers = [names.index(name) for name in entered]
        row = {"test": test, "seconds": seconds, "passed": True, "new": new, "entered": numbers}
        rows.append(json.dumps(row))
    failed = {"test": "tests/store/test_rows.py::test_red", "seconds": 1, "passed": False}
    rows.append(json.dumps({**failed, "new": [], "entered": [0]}))
    (tmp_path / "reach.jsonl").write_text("\n".join(rows))
    return reach.read(tmp_path / "reach.jsonl")


def test_the_nearest_and_shortest_come_first_and_then_what_stands_beside(
    known: reach.Reach,
) -> None:
    assert chosen(known, "agent/store/rows.py", "put", 60) == [
        "tests/store/test_rows.py::test_put",
        "tests/store/test_record.py::test_short",
        "tests/store/test_record.py::test_long",
        "tests/face/test_moving.py::test_all",
        "tests/store/test_rows.py::test_get",
    ]


def test_no_more_tests_than_there_is_time_for(known: reach.Reach) -> None:
    within = chosen(known, "agent/store/rows.py", "put", 5)
    assert "tests/store/test_record.py::test_long" not in within
    assert sum(known.seconds[test] for test in within) <= 5


def test_a_test_that_is_noted_again_counts_as_it_was_the_last_time(tmp_path: Path) -> None:
    path, test = tmp_path / "reach.jsonl", "tests/store/test_rows.py::test_put"
    first = {"test": test, "seconds": 1, "passed": True, "new": ["a.py::f"], "entered": [0]}
    again = {**first, "seconds": 2, "new": ["a.py::g"], "entered": [1]}
    path.write_text("\n".join(map(json.dumps, (first, again))))
    known = reach.read(path)
    assert known.seconds == {test: 2}
    assert (known.tests("a.py", "f"), known.tests("a.py", "g")) == (frozenset(), {test})
    path.write_text("\n".join(map(json.dumps, (first, {**again, "passed": False}))))
    assert reach.read(path).seconds == {}


def test_what_no_test_enters_has_no_tests(known: reach.Reach) -> None:
    assert chosen(known, "agent/store/rows.py", "lost", 60) == []


def test_what_each_test_enters_is_noted(tmp_path: Path) -> None:
    path = tmp_path / "reach.jsonl"
    note(path, ["tests/model/test_bed.py"])
    noted = reach.read(path)
    assert "agent/model/bed.py::tilt" in noted.functions
    test = "tests/model/test_bed.py::test_lower_end_is_raised"
    assert test in noted.tests("agent/model/bed.py", "")
    assert noted.seconds[test] > 0


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Room:
    return Room(tmp_path_factory.mktemp("room"))


def test_a_fault_is_noticed_by_the_test_that_looks(room: Room) -> None:
    place = Drawn(TREE / "agent/model/bed.py", 0)
    before = place.path.read_text()
    tests = {"tests/model/test_bed.py": 1.0}
    untouched = Fault(1, "nothing", before)
    assert room.tried(place, untouched, tests).verdict == "survived"
    wrong = before.replace("return math.", "return 2 * math.", 1)
    assert wrong != before
    outcome = room.tried(place, Fault(1, "twice", wrong), tests)
    assert outcome.verdict == "killed"
    assert outcome.by.startswith("tests/model/test_bed.py::")
    assert room.tried(place, untouched, tests).verdict == "survived"


ENDLESS = """
def tilt(*args, **kwargs):
    while True:
        pass
"""


def test_a_fault_that_never_ends_is_killed(room: Room) -> None:
    place = Drawn(TREE / "agent/model/bed.py", 0)
    endless = Fault(1, "never ends", place.path.read_text() + ENDLESS)
    tests = {"tests/model/test_bed.py::test_lower_end_is_raised": -1.5}  # half a second is left
    assert room.tried(place, endless, tests).verdict == "killed"
