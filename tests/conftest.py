"""Every test keeps its files in a folder of its own, never in the user's."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture(scope="session", autouse=True)
def _own_home(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PLUMBELT_HOME", str(tmp_path_factory.mktemp("home")))
        yield
