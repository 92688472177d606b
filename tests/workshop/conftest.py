"""One server for all tests of a process; where there is none, the tests say so and are skipped."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.workshop.postgres import Server, why_not


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    if why := why_not():
        pytest.skip(why)
    with Server() as running:
        yield running


@pytest.fixture
def url(server: Server) -> str:
    """Address of a new workshop."""
    from agent.workshop.server import make_workshop

    address = server.database()
    make_workshop(address)
    return address
