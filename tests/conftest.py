"""Every test keeps its files in a folder of its own, never in the user's."""

from __future__ import annotations

from collections.abc import Iterator

import hypothesis
import pytest

# how long an example takes is a matter of what else the machine does
hypothesis.settings.register_profile("patient", deadline=None)
hypothesis.settings.load_profile("patient")


@pytest.fixture(scope="session", autouse=True)
def _own_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PLUMBELT_HOME", str(tmp_path_factory.mktemp("home")))
        patch.setattr("agent.store.locks._SYSTEM_WIDE", tmp_path_factory.mktemp("locks"))
        yield
