"""Every file of tests keeps what it writes in a home of its own, never in the user's.

Its locks of ports lie apart as well: several runs on one computer do not hold each other up.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import hypothesis
import pytest

from tests.pinned import Pinned, hold, pin

# how long an example takes is a matter of what else the machine does
hypothesis.settings.register_profile("patient", deadline=None)
hypothesis.settings.load_profile("patient")

#: Files that take longest, the longest first: begun last, they would keep one process at work while
#: the others have nothing left.
LONG: Final = (
    "bench/test_crashes.py",
    "bench/test_terminal.py",
    "face/test_report.py",
    "test_demo.py",
    "face/test_cabling.py",
    "test_platforms.py",
    "families/test_gate.py",
    "bench/test_signals.py",
    "scan/test_reading.py",
    "bench/test_one_by_one.py",
    "estimate/test_unasked.py",
    "wire/test_flood.py",
)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--pin", action="store_true", help="keep what is said today in tests/pins")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first; within a file all stays in its order."""
    here = Path(__file__).parent
    rank = {here / name: place for place, name in enumerate(LONG)}
    if missing := [str(path) for path in rank if not path.exists()]:
        raise pytest.UsageError(f"tests/conftest.py names files that are not there: {missing}")
    items.sort(key=lambda item: rank.get(item.path, len(rank)))


@pytest.fixture(scope="module", autouse=True)
def _own_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PLUMBELT_HOME", str(tmp_path_factory.mktemp("home")))
        yield


@pytest.fixture(scope="module", autouse=True)
def _own_locks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("agent.store.locks._SYSTEM_WIDE", tmp_path_factory.mktemp("locks"))
        yield


@pytest.fixture(scope="session")
def pinned(pytestconfig: pytest.Config) -> Pinned:
    """Holds a text to the one kept under a name; `--pin` keeps it instead."""
    return pin if pytestconfig.getoption("--pin") else hold
