"""A PostgreSQL server of our own: on a Unix socket in a temporary folder, gone afterwards."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.patience import PATIENCE

#: Debian keeps the server's programs outside of the search path.
_DEBIAN = Path("/usr/lib/postgresql")


def programs() -> Path | None:
    """Folder of the newest server's programs; None where there is no server."""
    found = [p.parent for p in sorted(_DEBIAN.glob("*/bin/initdb"), key=lambda p: p.parts[-3])]
    on_path = shutil.which("initdb")
    if found:
        return found[-1]
    return Path(on_path).resolve().parent if on_path else None


def why_not() -> str:
    """Why no server can be started here; empty if one can."""
    if programs() is None:
        return "PostgreSQL's server is not installed (Debian: apt-get install postgresql)"
    if os.geteuid() == 0 and _other_user() is None:
        return "PostgreSQL refuses to run as root and there is no user 'postgres'"
    try:
        import psycopg  # noqa: F401
    except ImportError:
        return "psycopg is not installed (pip install 'plumbelt[workshop]')"
    return ""


def _other_user() -> pwd.struct_passwd | None:
    try:
        return pwd.getpwnam("postgres")
    except KeyError:
        return None


class Server:
    """One server with its own folder; databases are made as they are asked for."""

    def __init__(self, room: Path | None = None) -> None:
        """room: where its folder is made, /tmp if it is not given."""
        self.port = 5432
        place = programs()
        assert place is not None
        self._programs = place
        # the path of a socket has 107 characters at most
        self.folder = Path(tempfile.mkdtemp(prefix="pg-", dir=room or "/tmp"))
        user = _other_user() if os.geteuid() == 0 else None
        self._as: dict[str, Any] = {}
        if user is not None:
            os.chown(self.folder, user.pw_uid, user.pw_gid)
            self._as = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
        self.data = self.folder / "data"
        self._count = 0
        self._process: subprocess.Popen[bytes] | None = None
        self._do(
            "initdb", "-D", str(self.data), "-U", "chief", "-A", "trust", "-E", "UTF8",
            "--locale=C", "--no-sync", "--no-instructions",
        )  # fmt: skip
        self.start()

    def _do(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [str(self._programs / program), *arguments],
            capture_output=True,
            cwd=self.folder,
            text=True,
            **self._as,
        )
        if done.returncode:
            raise RuntimeError(f"{program}: {done.stderr.strip()}")

    def start(self, *options: str) -> None:
        """Start, and wait until it answers; what a kill -9 left is recovered first."""
        (self.data / "postmaster.pid").unlink(missing_ok=True)
        settings = (
            "listen_addresses=",
            f"unix_socket_directories={self.folder}",
            f"port={self.port}",
            "fsync=off",
            "shared_buffers=64MB",
            "max_wal_size=2GB",
            "log_min_messages=fatal",
            *options,
        )
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [
                    str(self._programs / "postgres"), "-D", str(self.data),
                    *(word for setting in settings for word in ("-c", setting)),
                ],
                stdout=log,
                stderr=log,
                cwd=self.folder,
                **self._as,
            )  # fmt: skip
        give_up = time.monotonic() + PATIENCE
        while time.monotonic() < give_up:
            if self._answers():
                return
            if self._process.poll() is not None:
                raise RuntimeError((self.folder / "log").read_text(errors="replace")[-2000:])
            time.sleep(0.05)
        raise RuntimeError("the server does not answer")

    def _answers(self) -> bool:
        place = ["-h", str(self.folder), "-p", str(self.port)]
        asked = [str(self._programs / "pg_isready"), "-q", *place, "-U", "chief"]
        return subprocess.run(asked, capture_output=True).returncode == 0

    @property
    def socket(self) -> Path:
        return self.folder / f".s.PGSQL.{self.port}"

    def kill(self) -> None:
        """Kill it and all it started, as a power cut would."""
        assert self._process is not None
        children = subprocess.run(
            ["ps", "-o", "pid=", "--ppid", str(self._process.pid)], capture_output=True, text=True
        ).stdout.split()
        for pid in (self._process.pid, *map(int, children)):
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        self._process.wait()
        # shared memory of the dead is let go once no process of theirs is left
        for pid in map(int, children):
            for _ in range(200):
                if not Path(f"/proc/{pid}").exists():
                    break
                time.sleep(0.01)
        self.socket.unlink(missing_ok=True)
        (self.folder / f".s.PGSQL.{self.port}.lock").unlink(missing_ok=True)

    def back(self) -> None:
        """Start it where it has died, wait where it is recovering."""
        assert self._process is not None
        give_up = time.monotonic() + PATIENCE
        while time.monotonic() < give_up:
            if self._process.poll() is not None:
                self.kill()
                self.start()
                return
            if self._answers():
                return
            time.sleep(0.05)
        raise RuntimeError("the server does not come back")

    def stop(self) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
            self._process.wait()

    def close(self) -> None:
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.close()

    # --- databases -------------------------------------------------------------------------------

    def url(self, database: str, user: str = "chief") -> str:
        port = "" if self.port == 5432 else f"&port={self.port}"
        return f"postgresql://{user}@/{database}?host={self.folder}{port}"

    def listen(self) -> str:
        """Start anew with TLS on a port of this computer; file of the certificate to trust.

        Raises OSError where there is no `openssl` to make one.
        """
        import socket

        self.stop()
        key, certificate = self.folder / "key.pem", self.folder / "certificate.pem"
        subprocess.run(
            ["openssl", "req", "-x509", "-nodes", "-newkey", "rsa:2048", "-days", "2", "-subj",
             "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key),
             "-out", str(certificate)],
            check=True, capture_output=True,
        )  # fmt: skip
        key.chmod(0o600)
        if self._as:
            os.chown(key, self._as["user"], self._as["group"])
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.start(
            "listen_addresses=127.0.0.1", "ssl=on", f"ssl_key_file={key}",
            f"ssl_cert_file={certificate}",
        )  # fmt: skip
        return str(certificate)

    def ask_for_password(self, user: str, password: str) -> None:
        """Make a user who is let in with a password alone."""
        rules = self.data / "pg_hba.conf"
        rules.write_text(f"local all {user} scram-sha-256\n{rules.read_text()}")
        self.execute("postgres", "SELECT pg_reload_conf()")
        self.execute("postgres", f"CREATE ROLE {user} LOGIN PASSWORD '{password}'")

    def database(self) -> str:
        """A new empty database; its address."""
        self._count += 1
        name = f"shop{self._count}"
        self.execute("postgres", f"CREATE DATABASE {name}")
        return self.url(name)

    def execute(self, database: str, *statements: str) -> None:
        import psycopg

        with psycopg.connect(self.url(database), autocommit=True) as db:
            for statement in statements:
                db.execute(statement)  # type: ignore[arg-type]

    def rows(self, url: str, query: str, values: Sequence[Any] = ()) -> list[Any]:
        import psycopg

        with psycopg.connect(url, autocommit=True) as db:
            db.execute("SET search_path = plumbelt")
            return db.execute(query, values).fetchall()  # type: ignore[arg-type]
