"""One sync: the clock compared, profiles shared, and whatever either side lacks exchanged."""

from __future__ import annotations

import hashlib
import json
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from agent.errors import AgentError, LinkFailed, Refused
from agent.store.benches import bench_name
from agent.store.home import home, user_profiles
from agent.store.journal import utc_now
from agent.store.locks import PortLock
from agent.store.merging import fitting_now
from agent.store.record import Record
from agent.store.rows import new_identity
from agent.workshop.asking import Row
from agent.workshop.clocks import SLACK
from agent.workshop.exchange import Exchanged, Told, exchange
from agent.workshop.server import Shared
from agent.workshop.sides import Bench, Workshop, lacking

#: Space of the identities of documents: the same text of the same name is one version.
_DOCUMENTS: Final = uuid.UUID("0d4b6c1e-7f2b-5a55-8d0c-6a8f7b1f3c52")


@dataclass(frozen=True, slots=True)
class Synced:
    """What a sync did."""

    exchanged: Exchanged
    ahead: float  #: seconds that this computer's clock is before the workshop's
    shared: int  #: new versions of profiles
    came_in: int  #: rows that were kept apart before and fit now
    namesakes: tuple[str, ...]  #: identities of other benches with this one's name

    @property
    def clock_is_off(self) -> bool:
        return abs(self.ahead) > SLACK

    def to_plain(self) -> dict[str, Any]:
        found = self.exchanged
        return {
            "sent": found.sent.new,
            "received": found.received.new,
            "kept_apart": found.received.apart,
            "compared_from_the_beginning": found.received.anew or found.renewed,
            "new_identity": found.renewed,
            "reads_only": found.reads_only,
            "clock_ahead_s": round(self.ahead, 1) if self.clock_is_off else 0.0,
            "profiles_shared": self.shared,
            "came_in": self.came_in,
            "namesakes": list(self.namesakes),
        }


def _nothing() -> None:
    pass


def sync(
    record: Record,
    url: str,
    told: Told | None = None,
    *,
    patience: float = 0.0,
    waits: Callable[[], None] = _nothing,
    begun: Callable[[], object] = _nothing,
) -> Synced:
    """Exchange with the workshop at `url`; `patience`: seconds to wait for another sync's end.

    waits, begun: called once where it does wait, and before anything is looked at.

    Raises LinkFailed if it cannot be reached or the connection breaks (what was taken by then
    stays on both sides), Refused if it refuses.
    """
    with one_at_a_time(patience, waits):
        begun()
        return _sync(record, url, told)


def _sync(record: Record, url: str, told: Told | None) -> Synced:
    with Shared(url, bench=bench_name()) as shared:
        bench = Bench(record)
        ahead = _check_clock(bench, shared)
        fresh = share_profiles(bench)
        with record.writing() as db:
            came_in = fitting_now(db)
        found = exchange(bench, Workshop(shared), told)
        names = bench.ask(
            "SELECT b.id FROM bench b WHERE b.name = :name AND b.id <> :own "
            "AND b.id NOT IN (SELECT bench FROM own)",
            name=bench_name(),
            own=bench.identity,
        )
        return Synced(found, ahead, fresh, came_in, tuple(str(row[0]) for row in names))


def turn(what: str) -> PortLock:
    """The turn of this bench at something, wherever it is given.  Raises LinkFailed if taken."""
    return PortLock(f"workshop://{what}", home() / "locks")


@contextmanager
def one_at_a_time(patience: float = 0.0, waits: Callable[[], None] = _nothing) -> Iterator[None]:
    """One sync of this record at a time.  Raises Refused while another one runs."""
    until = time.monotonic() + patience
    while True:
        try:
            lock = turn("sync")
            break
        except LinkFailed as taken:
            if time.monotonic() >= until:
                raise Refused(
                    "another sync of this bench is under way",
                    remedy="It carries on; look again later",
                ) from taken
            waits()
            waits = _nothing
            time.sleep(0.1)
    with lock:
        yield


def _check_clock(bench: Bench, shared: Shared) -> float:
    """Seconds that our clock is ahead; kept where it is off, or is right again."""
    [(theirs,)] = shared.ask("SELECT extract(epoch FROM clock_timestamp())")
    ahead = datetime.now(UTC).timestamp() - float(theirs)
    kept = bench.ask(
        "SELECT ahead FROM clock WHERE bench = :bench ORDER BY id DESC LIMIT 1",
        bench=bench.identity,
    )
    known = float(kept[0][0]) if kept else None
    if known is None or abs(ahead - known) > SLACK:
        bench.add({"clock": [(new_identity(), bench.identity, utc_now(), ahead)]})
    return ahead


# --- documents -----------------------------------------------------------------------------------


def document_id(kind: str, name: str, text: str) -> str:
    digest = hashlib.sha256(text.encode()).hexdigest()
    return str(uuid.uuid5(_DOCUMENTS, f"{kind}\n{name}\n{digest}"))


def share_document(
    bench: Bench, kind: str, name: str, machine: str, text: str, facts: dict[str, Any]
) -> bool:
    """Keep a version of a profile or report; False if it is the newest already."""
    if _is_kept(bench, kind, name, text):
        return False
    bench.add({"document": [_document(bench, kind, name, machine, text, facts)]})
    return True


def _is_kept(bench: Bench, kind: str, name: str, text: str) -> bool:
    """The text is the newest that this bench has shared, or another one's that it took up."""
    own = bench.ask(
        "SELECT text FROM document WHERE kind = :kind AND name = :name AND bench = :own "
        "ORDER BY at DESC, id DESC LIMIT 1",
        kind=kind,
        name=name,
        own=bench.identity,
    )
    return (
        own[0][0] == text
        if own
        else not lacking(bench, "document", [document_id(kind, name, text)])
    )


def _document(
    bench: Bench, kind: str, name: str, machine: str, text: str, facts: dict[str, Any]
) -> Row:
    identity = document_id(kind, name, text)
    if not lacking(bench, "document", [identity]):  # taken back: the newest version again
        identity = new_identity()
    return (
        *(identity, utc_now(), bench.identity, kind, name, machine),
        json.dumps(facts, ensure_ascii=False),
        text,
    )


def share_profiles(bench: Bench) -> int:
    """Keep every saved profile that is new or changed; one that cannot be read stays out."""
    from agent.store.profiles import read_profile

    rows = []
    place = user_profiles()
    for path in sorted(place.glob("*.yaml")) if place.is_dir() else ():
        try:
            data = path.read_bytes()
            text = data.decode()
        except (OSError, UnicodeDecodeError):
            continue
        if _is_kept(bench, "profile", path.stem, text):
            continue  # known: no need to read its YAML
        try:
            profile = read_profile(data, str(path))
        except AgentError:
            continue
        facts = {
            "scale_percent": profile.tolerance.scale_percent,
            "angle_deg": profile.tolerance.angle_deg,
            "family": profile.family,
        }
        rows.append(_document(bench, "profile", path.stem, profile.name, text, facts))
    if rows:
        bench.add({"document": rows})
    return len(rows)
