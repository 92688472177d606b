"""Syncing by itself: after each verb that changed the record, and never in the way of the bench.

A process of its own does it; the verb is done and its exit code given without waiting.  What came
of the last one stands in a file, and 'workshop list' tells if it failed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from agent.store.home import home

#: How long it waits for a sync that is under way, seconds.
PATIENCE = 60

_RUN = "from agent.face.shop.afterwards import carry_out; carry_out()"


def last_path() -> Path:
    """Where the answer of the last sync by itself stands."""
    return home() / "workshop-last.json"


@contextmanager
def synced_afterwards() -> Iterator[None]:
    """Let what is done within be followed by a sync, if it changed the record."""
    before = _state()
    try:
        yield
    finally:
        if _state() != before:
            with suppress(Exception):  # it is for later: nothing of it may spoil what was done
                start()


def _state() -> tuple[Any, ...]:
    """What changes with the record; nothing where no workshop was joined, or none by itself."""
    place = home()
    try:
        if b"sync: auto" not in (place / "workshop.yaml").read_bytes():
            return ()
    except OSError:
        return ()
    found = []
    for name in ("record.db", "record.db-wal"):
        with suppress(OSError):
            status = os.stat(place / name)
            found.append((name, status.st_size, status.st_mtime_ns))
    return tuple(found)


def start() -> None:
    """Start a sync that outlives this process."""
    import subprocess
    import sys

    from agent.workshop.settings import joined

    settings = joined()
    if settings is None or settings.sync != "auto":
        return
    process = subprocess.Popen(
        [sys.executable, "-c", _RUN],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    process.returncode = 0  # nobody waits for it: it outlives us, and init takes it over


def carry_out() -> None:
    """Sync, and leave what came of it for `last_failure`; that it runs for `under_way`.

    Where one waits for its turn already, that one takes along what was noted by now.
    """
    import json

    from agent.errors import AgentError, LinkFailed
    from agent.store.atomic import write_file
    from agent.store.journal import utc_now
    from agent.store.record import Record
    from agent.workshop.settings import must_be_joined
    from agent.workshop.sync import sync, turn

    try:
        waiting = turn("waiting")
    except LinkFailed:
        return
    with suppress(AgentError):
        write_file(last_path(), json.dumps({**_last(), "since": utc_now()}))
    try:
        with waiting, Record() as record:
            url = must_be_joined().url
            found = sync(record, url, patience=PATIENCE, begun=waiting.release).to_plain()
    except AgentError as error:
        found = {"error": error.what, "remedy": error.remedy}
    write_file(last_path(), json.dumps(found))


def _last() -> dict[str, Any]:
    import json

    try:
        found = json.loads(last_path().read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def last_failure() -> str:
    """Why the last sync by itself failed; empty if it did not."""
    return str(_last().get("error", ""))


def under_way() -> str:
    """Since when a sync by itself is under way or waits for another one; empty if none is."""
    from agent.errors import Refused
    from agent.workshop.sync import one_at_a_time

    since = str(_last().get("since", ""))
    if since:
        with suppress(Refused), one_at_a_time():
            return ""  # it ended without a word: killed, or the computer went off
    return since
