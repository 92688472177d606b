"""TLS is as the address says: libpq's modes and files are passed through and hold."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.errors import LinkFailed
from agent.workshop.server import Shared, make_workshop
from tests.workshop.postgres import Server, why_not


@pytest.fixture(scope="module")
def over_tcp() -> Iterator[tuple[str, str]]:
    """Address of a workshop on a port with TLS, without its parameters; file of its certificate."""
    if why := why_not():
        pytest.skip(why)
    if shutil.which("openssl") is None:
        pytest.skip("no openssl is here that could make a certificate")
    with Server() as server:
        trusted = server.listen()
        name = server.database().partition("@/")[2].partition("?")[0]
        address = f"postgresql://chief@127.0.0.1:{server.port}/{name}"
        make_workshop(address)
        yield address, trusted


def encrypted(address: str) -> bool:
    with Shared(address) as shared:
        [(ssl,)] = shared.ask("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()")
    return bool(ssl)


def test_the_address_says_whether_it_is_encrypted(over_tcp: tuple[str, str]) -> None:
    address, _ = over_tcp
    assert encrypted(f"{address}?sslmode=require")
    assert not encrypted(f"{address}?sslmode=disable")


def test_a_server_is_only_trusted_with_the_right_certificate(
    over_tcp: tuple[str, str], tmp_path: Path
) -> None:
    address, trusted = over_tcp
    assert encrypted(f"{address}?sslmode=verify-full&sslrootcert={trusted}")
    nobody = tmp_path / "nobody.pem"
    nobody.write_text("")
    for mode in ("verify-ca", "verify-full"):
        with pytest.raises(LinkFailed, match=r"certificate|root|SSL"):
            encrypted(f"{address}?sslmode={mode}&sslrootcert={nobody}")


def test_another_name_than_the_certificate_has_is_refused(over_tcp: tuple[str, str]) -> None:
    address, trusted = over_tcp
    other = address.replace("127.0.0.1", "localhost")
    with pytest.raises(LinkFailed, match="localhost"):
        encrypted(f"{other}?sslmode=verify-full&sslrootcert={trusted}")
    assert encrypted(f"{other}?sslmode=verify-ca&sslrootcert={trusted}")
