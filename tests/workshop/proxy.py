"""A cable between a bench and the server that can be cut after any message of either side.

It knows where a message of PostgreSQL's protocol ends (a letter, four bytes of length; the very
first of a client has no letter), passes whole ones on, and then passes no more.
"""

from __future__ import annotations

import contextlib
import socket
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self


@dataclass
class Cut:
    """After how many messages, both ways counted, the cable is cut; None: never."""

    after: int | None


class Proxy:
    """Listens on a Unix socket in a folder of its own and passes to the server's."""

    def __init__(self, server: Path, name: Path | None = None) -> None:
        self._server = server
        self._room = tempfile.TemporaryDirectory(prefix="cable-", dir="/tmp")
        self.folder = Path(self._room.name)
        self.messages = 0  #: of the connection at hand
        self._cut = Cut(None)
        self._listener: socket.socket | None = None
        self._open: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self.listen()

    def cut_after(self, cut: Cut) -> None:
        """Cut the next connection there; those after it are whole."""
        self._cut = cut

    def listen(self) -> None:
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        listener.bind(str(self.folder / ".s.PGSQL.5432"))
        listener.listen()
        self._listener = listener
        thread = threading.Thread(target=self._accept, args=(listener,), daemon=True)
        thread.start()
        self._threads.append(thread)

    def stop_listening(self) -> None:
        if self._listener is not None:
            with contextlib.suppress(OSError):
                self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
            self._listener = None
        (self.folder / ".s.PGSQL.5432").unlink(missing_ok=True)

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            server.connect(str(self._server))
            self._open += [client, server]
            self.messages = 0
            cut, self._cut = self._cut, Cut(None)
            lock = threading.Lock()
            for source, target, begun in ((client, server, False), (server, client, True)):
                thread = threading.Thread(
                    target=self._pass, args=(source, target, begun, cut, lock), daemon=True
                )
                thread.start()
                self._threads.append(thread)

    def _pass(
        self,
        source: socket.socket,
        target: socket.socket,
        begun: bool,
        cut: Cut,
        lock: threading.Lock,
    ) -> None:
        held = b""
        try:
            while data := source.recv(65536):
                held += data
                while (size := _whole(held, begun)) is not None:
                    with lock:
                        if cut.after is not None and self.messages >= cut.after:
                            return
                        self.messages += 1
                        target.sendall(held[:size])
                    held, begun = held[size:], True
        except OSError:
            return
        finally:
            for end in (source, target):
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.stop_listening()
        for end in self._open:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(timeout=10)
        for end in self._open:
            end.close()
        self._room.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.close()


def _whole(held: bytes, begun: bool) -> int | None:
    """Length of the first message of what was received; None if it is not there whole.

    The server's answer to a question for TLS is a letter alone; it says no (N) on a Unix socket,
    and clients do not ask there.
    """
    head = 1 if begun else 0
    if len(held) < head + 4:
        return None
    size = head + int.from_bytes(held[head : head + 4], "big")
    return size if len(held) >= size else None
