"""Ports without a port: what opening asks for, what each failure says, and what is waited for."""

from __future__ import annotations

import errno
import os
import socket
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import serial

from agent.errors import LinkFailed
from agent.model.profile import Lines
from agent.wire import listing, port
from agent.wire.framing import LONGEST_RECEIVED, LONGEST_SENT, LineCutter, clean, frame
from agent.wire.identity import USUAL_BAUD, Match, Opening, PortInfo, same_port
from agent.wire.link import USUAL_WINDOW
from agent.wire.port import Address, DeviceTransport, PortFailed, SerialTransport, open_port
from agent.wire.speed import USUAL_BAUDS, find_speed
from tests.pinned import Pinned
from tests.wire.test_link_talks import Timed


class Part:
    """A module of the system, but for what a test puts in its place."""

    def __init__(self, module: Any, **instead: Any) -> None:
        self.__dict__ |= instead
        self._module = module

    def __getattr__(self, name: str) -> Any:
        return getattr(self._module, name)


# --- opening -------------------------------------------------------------------------------------


class Port:
    """Stands for a port of the library; notes what is asked of it."""

    def __init__(self, url: str) -> None:
        self.__dict__["asked"] = [f"made for {url}"]
        self.__dict__["is_open"] = True

    def __setattr__(self, name: str, value: Any) -> None:
        shown = "a function" if callable(value) else value
        self.asked.append(f"{name} = {shown}")
        self.__dict__[name] = value

    def open(self) -> None:
        self.asked.append("opened")

    def close(self) -> None:
        self.asked.append("closed")

    def set_low_latency_mode(self, wanted: bool) -> None:
        self.asked.append(f"low latency {wanted}")

    def fileno(self) -> int:
        return 7


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[Port]:
    """Ports made by the library, which stands still here."""
    found: list[Port] = []

    def for_url(url: str, *, do_not_open: bool) -> Port:
        assert do_not_open
        found.append(Port(url))
        return found[-1]

    monkeypatch.setattr(port.serial, "serial_for_url", for_url)
    monkeypatch.setattr(port, "_shut", lambda handle, shut: found[-1].asked.append(f"shut {shut}"))

    def drop(handle: int, wanted: bool) -> bool:
        found[-1].asked.append(f"drop at close {wanted}")
        return True

    monkeypatch.setattr(port, "_drop_at_close", drop)
    slept = lambda s: found[-1].asked.append(f"slept {s:.3f}")  # noqa: E731
    monkeypatch.setattr(port, "time", Part(port.time, sleep=slept))
    return found


@pytest.mark.parametrize("lines", ["down", "up", "keep"])
def test_what_opening_asks_of_a_port(made: list[Port], lines: Lines, pinned: Pinned) -> None:
    for url in ("/dev/ttyUSB0", "socket://bench:1", "rfc2217://bench:1", "rfc2217://bench:1?x"):
        for alone in (False, True):
            transport = open_port(url, 250_000, lines=lines, alone=alone)
            assert isinstance(transport, DeviceTransport) == (url == "/dev/ttyUSB0")
            made[-1].asked.append("then:")
            transport.close()
    rows = [line for one in made for line in (*one.asked, "")]
    pinned(f"wire/opening-{lines}", "\n".join(rows))


def test_a_port_is_opened_at_the_usual_speed_with_its_lines_down(made: list[Port]) -> None:
    open_port("/dev/a")
    assert "baudrate = 115200" in made[-1].asked
    assert "dtr = False" in made[-1].asked
    assert USUAL_BAUD == 115_200


def test_a_port_that_cannot_be_settled_is_closed(
    made: list[Port], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(SerialTransport, "settle_in", broken)
    with pytest.raises(KeyboardInterrupt):
        open_port("/dev/a")
    assert made[-1].asked[-1] == "closed"


@pytest.mark.parametrize(
    ("url", "patient"),
    [
        ("/dev/a", "/dev/a"),
        ("socket://a:1", "socket://a:1"),
        ("rfc2217://a:1", "rfc2217://a:1?ign_set_control"),
        ("rfc2217://a:1?timeout=3", "rfc2217://a:1?timeout=3&ign_set_control"),
        ("rfc2217://a:1?ign_set_control", "rfc2217://a:1?ign_set_control"),
    ],
)
def test_no_answer_about_modem_lines_is_waited_for(url: str, patient: str) -> None:
    assert port._patient(url) == patient


# --- failures ------------------------------------------------------------------------------------


def _behind(inner: Exception, *, cause: bool) -> Exception:
    """An error of the library with the system's behind it."""
    try:
        try:
            raise inner
        except Exception as error:
            if cause:
                raise serial.SerialException("hm") from error
            raise serial.SerialException("hm")  # noqa: B904 - as the library does
    except serial.SerialException as outer:
        return outer


def _failures() -> dict[str, Exception]:
    numbers = (
        *("ENOENT", "ENODEV", "ENXIO", "EIO", "EBUSY", "EAGAIN", "EACCES", "EPERM", "ECONNREFUSED"),
        *("EHOSTUNREACH", "ENETUNREACH", "ETIMEDOUT", "ENOTTY", "EINVAL", "ENOTDIR", "EISDIR"),
        *("ENOMEM",),
    )
    found: dict[str, Exception] = {name: OSError(getattr(errno, name), "x") for name in numbers}
    return found | {
        "in its arguments": serial.SerialException(errno.EBUSY, "x"),
        "of the terminal": type("error", (Exception,), {})(errno.ENOTTY, "x"),
        "behind, as cause": _behind(OSError(errno.EACCES, "x"), cause=True),
        "behind, as context": _behind(OSError(errno.EACCES, "x"), cause=False),
        "printed": serial.SerialException("could not open: FileNotFoundError(2, 'x')"),
        "unknown host": _behind(socket.gaierror(-2, "x"), cause=True),
        "too late": _behind(TimeoutError("x"), cause=True),
        "of no number": ValueError("x"),
    }


def test_every_failure_of_an_opening_in_our_words(
    monkeypatch: pytest.MonkeyPatch, pinned: Pinned
) -> None:
    monkeypatch.setattr(port, "holder_of", lambda name: "cat (process 7)" if "a" in name else "")
    monkeypatch.setattr(port, "permission_remedy", lambda name: f"remedy of {name}")
    said: list[str] = []
    for name in ("/dev/a", "/dev/b", "socket://c:1", "rfc2217://c:1", "odd://c"):
        rows = []
        for what, error in _failures().items():
            told = port._cannot_open(name, error)
            rows.append(f"{what}: {told.cause}: {told}".replace(name, "NAME"))
        said += [name, *(f"  {row}" for row in rows if f"  {row}" not in said)]
    pinned("wire/cannot-open", "\n".join(said))


def test_what_was_lost_and_what_takes_nothing() -> None:
    lost = port._lost("/dev/a", OSError())
    assert lost.what == "/dev/a was lost: it has gone, or another program reads from it, too"
    full = port._lost("/dev/a", serial.SerialTimeoutException())
    assert full.what == "/dev/a takes no more bytes"
    assert (lost.cause, full.cause) == ("lost", "lost")
    assert "Check the cable" in lost.remedy


# --- bytes ---------------------------------------------------------------------------------------


class Slow:
    """A port of the library with bytes that are there, and a clock that its waits move."""

    is_open = True

    def __init__(self, *reads: bytes | Exception) -> None:
        self.reads = list(reads)
        self.now = 0.0
        self.timeouts: list[float] = []
        self.asked: list[int] = []
        self._timeout = -1.0

    @property
    def timeout(self) -> float:
        return self._timeout

    @timeout.setter
    def timeout(self, value: float) -> None:
        self._timeout = value
        self.timeouts.append(round(value, 3))

    @property
    def in_waiting(self) -> int:
        return len(self.reads[0]) if self.reads and isinstance(self.reads[0], bytes) else 0

    def read(self, count: int) -> bytes:
        self.asked.append(count)
        if not self.reads:
            self.now += self._timeout
            return b""
        given = self.reads.pop(0)
        if isinstance(given, Exception):
            raise given
        if not given:
            self.now += self._timeout
        return given


def _slow(*reads: bytes | Exception) -> tuple[SerialTransport, Slow]:
    slow = Slow(*reads)
    transport = SerialTransport("p", slow)  # type: ignore[arg-type]
    transport.now = lambda: slow.now  # type: ignore[method-assign]
    return transport, slow


def test_a_read_waits_in_short_steps_until_its_instant() -> None:
    transport, slow = _slow()
    assert transport.read(0.25) == b""
    assert slow.timeouts == [0.1, 0.05, 0.0][: len(slow.timeouts)]
    assert slow.now == pytest.approx(0.25)
    transport, slow = _slow()
    assert transport.read(-1.0) == b""
    assert slow.timeouts == [0.0]


def test_a_read_brings_all_that_is_there_and_no_more_than_a_chunk() -> None:
    transport, slow = _slow(b"ab", b"cd", b"")
    assert transport.read(1.0) == b"abcd"
    assert slow.asked == [2, 2]
    transport, slow = _slow(b"x" * 4095, b"y" * 3000, b"z")
    assert transport.read(1.0) == b"x" * 4095 + b"y" * 3000
    transport, slow = _slow(b"x" * 4096, b"y")
    assert transport.read(1.0) == b"x" * 4096
    transport, slow = _slow(b"", b"late")
    assert transport.read(1.0) == b"late"
    assert slow.asked == [1, 4]
    transport, _ = _slow(OSError())
    with pytest.raises(PortFailed, match="p was lost"):
        transport.read(1.0)


class Wire:
    """Two ends of a wire within this process, one of them as a port of the library."""

    is_open = True

    def __init__(self) -> None:
        self.ours, self.theirs = socket.socketpair()
        self.ours.setblocking(False)

    def fileno(self) -> int:
        return self.ours.fileno()

    def close(self) -> None:
        self.ours.close()
        self.theirs.close()


@pytest.fixture
def wire() -> Iterator[Wire]:
    made = Wire()
    yield made
    made.close()


def test_a_device_is_read_and_written_whole(wire: Wire) -> None:
    transport = DeviceTransport("p", wire)  # type: ignore[arg-type]
    transport.write(b"M503\n")
    assert wire.theirs.recv(99) == b"M503\n"
    assert transport.read(transport.now()) == b""
    assert transport.read(transport.now() - 1.0) == b""
    wire.theirs.send(b"x" * 5000)
    assert transport.read(transport.now()) == b"x" * 4096
    assert transport.read(transport.now() + 9.0) == b"x" * 904
    wire.theirs.close()
    with pytest.raises(PortFailed, match="p was lost"):
        transport.read(transport.now() + 9.0)
    with pytest.raises(PortFailed, match="p was lost"):
        transport.write(b"x")


def test_a_device_that_takes_nothing_is_given_up(
    wire: Wire, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(port, "_WRITE_TIMEOUT", 0.0)
    transport = DeviceTransport("p", wire)  # type: ignore[arg-type]
    with pytest.raises(PortFailed, match="p takes no more bytes"):
        transport.write(b"x" * 10_000_000)


def test_a_device_that_takes_a_part_gets_the_rest(wire: Wire) -> None:
    transport, taken = DeviceTransport("p", wire), [0]  # type: ignore[arg-type]
    real = os.write

    def a_part(handle: int, data: bytes) -> int:
        taken[0] += 1
        if taken[0] == 2:
            raise BlockingIOError
        return real(handle, data[:3])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(port, "os", Part(os, write=a_part))
        transport.write(b"M503 S0\n")
    assert wire.theirs.recv(99) == b"M503 S0\n"


def test_the_waits_of_ports() -> None:
    """Common practice, a second time: one that is moved is moved for every machine."""
    assert (port._POLL, port._CHUNK, port._WRITE_TIMEOUT) == (0.1, 4096, 10.0)
    assert (port._PULSE, port._BETWEEN, port._YOUNG, port.REOPENING) == (0.1, 0.1, 5.0, 10.0)
    assert (USUAL_WINDOW.lines, USUAL_WINDOW.bytes) == (4, None)
    assert (LONGEST_SENT, LONGEST_RECEIVED) == (96, 4096)


# --- which port ----------------------------------------------------------------------------------

BRIDGE = PortInfo("/dev/ttyUSB0", "a bridge", "A5", "maker", 0x0403, 0x6001, "1-2:1.0", "by-id")
BUILT_IN = PortInfo("/dev/ttyS0", "built in", None, None, None, None)


@pytest.mark.parametrize(
    ("found", "place", "interface", "usb", "key"),
    [
        (BRIDGE, "1-2", "1.0", "0403:6001", "0403:6001 A5 1.0"),
        (replace(BRIDGE, location="1-2"), "1-2", "", "0403:6001", "0403:6001 A5"),
        (replace(BRIDGE, location=None), "", "", "0403:6001", "0403:6001 A5"),
        (replace(BRIDGE, serial_number=None), "1-2", "1.0", "0403:6001",
         "0403:6001 at 1-2:1.0 1.0"),
        (replace(BRIDGE, serial_number="", location=None), "", "", "0403:6001",
         "0403:6001 at /dev/ttyUSB0"),
        (replace(BRIDGE, vid=None), "1-2", "1.0", "", "/dev/ttyUSB0"),
        (replace(BRIDGE, pid=None), "1-2", "1.0", "", "/dev/ttyUSB0"),
        (replace(BRIDGE, vid=0, pid=0), "1-2", "1.0", "0000:0000", "0000:0000 A5 1.0"),
        (BUILT_IN, "", "", "", "/dev/ttyS0"),
    ],
)  # fmt: skip
def test_what_a_port_is_known_by(
    found: PortInfo, place: str, interface: str, usb: str, key: str
) -> None:
    assert (found.place, found.interface, found.usb_name, found.key) == (
        place, interface, usb, key,
    )  # fmt: skip
    assert PortInfo.from_plain(found.to_plain()) == found


@pytest.mark.parametrize(
    ("change", "alike"),
    [
        ({"device": "/dev/x", "description": "x", "maker": "x", "by_id": "x"}, True),
        ({"location": "9-9:1.0"}, True),
        ({"location": "1-2:1.1"}, False),
        ({"serial_number": "B"}, False),
        ({"vid": 1}, False),
        ({"pid": 1}, False),
    ],
)
def test_what_tells_two_ports_apart(change: dict[str, Any], alike: bool) -> None:
    assert BRIDGE.like(replace(BRIDGE, **change)) == alike
    none = replace(BRIDGE, serial_number=None)
    assert none.like(replace(none, serial_number=""))


def _at(place: str | None, device: str = "/dev/x", number: str | None = "A5") -> PortInfo:
    return replace(BRIDGE, device=device, location=place, serial_number=number)


@pytest.mark.parametrize(
    ("known", "beside", "now", "match"),
    [
        (_at("1"), [], [_at("1", "/dev/y"), _at("1", "/dev/z")],  # twice in one place
         Match(several=(_at("1", "/dev/y"), _at("1", "/dev/z")))),
        (_at(None), [], [_at(None, "/dev/y")], Match(_at(None, "/dev/y"))),
        (_at(None), [_at(None, "/dev/y")], [_at(None, "/dev/y")], Match()),
        (_at("1", number=None), [], [_at("2", number="B")],
         Match(perhaps=_at("2", number="B"))),  # it has a number now
        (_at("1"), [], [_at("2", number=None)], Match(perhaps=_at("2", number=None))),
        (_at("1"), [], [_at("2", number="B")], Match()),
        (_at("1"), [_at("2", number=None)], [_at("2", number=None)], Match()),  # was there
        (_at("1"), [], [_at("2", number=None), _at("3", number="B")], Match()),  # two new ones
        (_at("1"), [], [_at("2", number=None), _at("3", number=None)], Match()),
        (_at("1"), [], [replace(_at("2", number=None), pid=1)], Match()),
    ],
)  # fmt: skip
def test_what_became_of_a_port(
    known: PortInfo, beside: list[PortInfo], now: list[PortInfo], match: Match
) -> None:
    assert same_port(known, beside, now) == match


class Clock:
    """A clock that sleeping moves."""

    def __init__(self) -> None:
        self.now = 100.0
        self.slept: list[float] = []

    def monotonic(self) -> float:
        return self.now

    def time(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.slept.append(seconds)
        self.now += seconds


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(port, "time", made)
    return made


def _failing(*causes: str) -> Callable[[], Any]:
    left = list(causes)

    def attempt() -> str:
        if left:
            cause = left.pop(0)
            raise PortFailed(cause, remedy="", cause=cause)  # type: ignore[arg-type]
        return "open"

    return attempt


@pytest.mark.parametrize(
    ("causes", "until", "raised", "slept"),
    [
        ((), 0.0, "", 0),
        (("absent", "busy", "permission"), 101.0, "", 3),
        (("lost",), 101.0, "lost", 0),
        (("refused",), 101.0, "refused", 0),
        (("unknown host",), 101.0, "unknown host", 0),
        (("other",), 101.0, "other", 0),
        (("busy",), 100.0, "busy", 0),
        (("busy",) * 99, 100.35, "busy", 4),
    ],
)
def test_only_what_passes_by_itself_is_waited_for(
    clock: Clock, causes: tuple[str, ...], until: float, raised: str, slept: int
) -> None:
    if raised:
        with pytest.raises(PortFailed, match=raised):
            port._patiently(_failing(*causes), until)
    else:
        assert port._patiently(_failing(*causes), until) == "open"
    assert clock.slept == [0.1] * slept


@pytest.mark.parametrize(
    ("age", "young"), [(0.0, True), (4.9, True), (5.1, False), (-4.9, True), (-5.1, False)]
)
def test_a_port_is_young_for_five_seconds(
    clock: Clock, monkeypatch: pytest.MonkeyPatch, age: float, young: bool
) -> None:
    stat = os.stat("/")
    changed = os.stat_result((*stat[:9], 0), {"st_ctime": clock.now - age})
    monkeypatch.setattr(port, "os", Part(os, stat=lambda url: changed))
    assert port._is_young("/dev/a") == young
    assert not port._is_young("socket://a:1")


def test_a_port_that_is_not_there_is_not_young(clock: Clock) -> None:
    assert not port._is_young("/dev/never-there")


@pytest.fixture
def there(monkeypatch: pytest.MonkeyPatch) -> list[PortInfo]:
    ports: list[PortInfo] = []
    monkeypatch.setattr(port, "list_ports", lambda: tuple(ports))
    return ports


def test_an_address_knows_its_port_and_those_beside_it(there: list[PortInfo]) -> None:
    there += [BUILT_IN, BRIDGE]
    found = Address.of(BRIDGE.device, 9600, "keep")
    assert (found.port, found.beside) == (BRIDGE, (BUILT_IN,))
    assert found.key == BRIDGE.key
    assert found.means(BRIDGE.device)
    assert not found.means("/dev/other")
    assert replace(found, url="by-id").means("by-id")
    assert Address.of("socket://a:1") == Address("socket://a:1", 115_200, "down")
    assert Address("socket://a:1").key == "socket://a:1"
    assert Address.of("/dev/other").port is None
    plain = found.to_plain()
    assert Address.from_plain(plain) == found
    assert Address.from_plain({"url": "x"}) == Address("x", 115_200, "down", None, ())
    used = found.using(Opening(250_000, "up"))
    assert (used.baud, used.lines) == (250_000, "up")
    assert found.using(Opening()) == found


def test_a_port_is_found_again_or_the_reason_is_told(
    clock: Clock, there: list[PortInfo], pinned: Pinned
) -> None:
    there.append(BRIDGE)
    known = Address.of(BRIDGE.device, 9600)
    moved = replace(BRIDGE, device="/dev/ttyUSB1")
    twin = replace(BRIDGE, device="/dev/ttyUSB2", location="1-9:1.0")
    far = replace(BRIDGE, device="/dev/ttyUSB3", location="1-8:1.0")
    blank = replace(twin, serial_number=None)
    nameless = replace(known, port=replace(BRIDGE, serial_number=None, location=None))
    cases: list[tuple[str, Address, list[PortInfo]]] = [
        ("as it was", known, [BRIDGE]),
        ("of another name", known, [moved]),
        ("gone", known, []),
        ("two fit", known, [twin, far]),
        ("a new one without a number", known, [blank]),
        ("two without a number", nameless, [blank, replace(far, serial_number=None)]),
        ("a socket", Address("socket://a:1", 9600), []),
    ]
    said = []
    for name, address, ports in cases:
        there[:] = ports
        for agrees in (True, False):
            clock.now, clock.slept = 100.0, []
            asked: list[str] = []

            def answer(one: PortInfo, asked: list[str] = asked, agrees: bool = agrees) -> bool:
                asked.append(one.device)
                return agrees

            try:
                found = address.found_again(100.25, answer)
                told = f"{found.url} at {found.baud}, {found.port and found.port.device}"
            except PortFailed as failed:
                told = f"{failed.cause}: {failed}"
            waited = len(clock.slept)
            said.append(f"{name}, {agrees}: {told}; asked {asked}, waited {waited}")
    pinned("wire/found-again", "\n".join(said))


def test_a_name_that_is_not_there_yet_is_awaited(
    clock: Clock, there: list[PortInfo], tmp_path: Path
) -> None:
    device = tmp_path / "ttyUSB0"
    assert Address.awaited(str(device), 100.35) == Address(str(device))
    assert clock.slept == [0.1] * 4
    device.touch()
    like = Address("/dev/old", 9600, "keep", BRIDGE)
    found = Address.awaited(str(device), 200.0, like=like)
    assert (found.url, found.baud, found.lines, found.port) == (str(device), 9600, "keep", None)
    assert len(clock.slept) == 4
    assert Address.awaited("socket://a:1", 200.0).url == "socket://a:1"


def test_a_listed_port_is_opened_alone_and_others_are_not(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[Any, ...]] = []

    def opening(url: str, baud: int, *, lines: Lines, alone: bool) -> str:
        asked.append((url, baud, lines, alone))
        if len(asked) < 3:
            raise PortFailed("busy", remedy="", cause="busy")
        return "open"

    monkeypatch.setattr(port, "open_port", opening)
    monkeypatch.setattr(port, "_is_young", lambda url: True)
    assert Address("/dev/a", 9600, "up", BRIDGE).open() == "open"  # young: waited for
    assert asked == [("/dev/a", 9600, "up", True)] * 3
    assert Address("/dev/a").open() == "open"
    assert asked[-1] == ("/dev/a", 115_200, "down", False)
    asked.clear()
    monkeypatch.setattr(port, "_is_young", lambda url: False)
    with pytest.raises(PortFailed):
        Address("/dev/a").open()
    assert len(asked) == 1


# --- what this computer has ----------------------------------------------------------------------


class Known:
    """A port as the library lists it."""

    def __init__(self, device: str, vid: int | None, pid: int | None) -> None:
        self.device, self.vid, self.pid = device, vid, pid
        self.description, self.manufacturer, self.serial_number = "d", "m", "s"


def test_ports_are_listed_with_those_on_the_bus_first(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "usb-bridge").symlink_to("/dev/b")
    monkeypatch.setattr(listing, "BY_ID", str(tmp_path))
    ports = [Known("/dev/d", None, None), Known("/dev/c", 1, 2), Known("/dev/b", 1, 2)]
    ports += [Known("/dev/a", None, None), Known("/dev/e", 1, None)]
    monkeypatch.setattr(listing._listing, "comports", lambda: ports)
    monkeypatch.setattr(listing, "has_hardware", lambda device: device != "/dev/a")
    found = listing.list_ports()
    assert [one.device for one in found] == ["/dev/b", "/dev/c", "/dev/e", "/dev/d"]
    assert [one.by_id for one in found] == [str(tmp_path / "usb-bridge"), "", "", ""]
    assert found[0] == PortInfo("/dev/b", "d", "s", "m", 1, 2, None, found[0].by_id)
    monkeypatch.setattr(listing, "_holders", lambda: {"/dev/b": "cat (process 7)"})
    monkeypatch.setattr(listing, "way_in", lambda device: "a way" if device == "/dev/c" else "")
    assert [(state.used_by, state.barred) for state in listing.states()] == [
        ("cat (process 7)", ""), ("", "a way"), ("", ""), ("", ""),
    ]  # fmt: skip
    assert listing.holder_of("/dev/b") == "cat (process 7)"
    assert listing.holder_of("/dev/c") == ""


def test_a_listing_that_fails_thrice_is_empty(monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[int] = []

    def failing() -> list[Any]:
        calls.append(1)
        raise OSError

    monkeypatch.setattr(listing._listing, "comports", failing)
    assert listing.list_ports() == ()
    assert len(calls) == 3


def test_who_may_open_a_port(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    import grp

    device = tmp_path / "ttyUSB0"
    device.touch()
    assert listing.way_in(str(device)) == ""
    own = "Only root may open it: give its group the right by a rule, see 'help ports'"
    group = next(g for g in grp.getgrall() if g.gr_gid not in (0, *os.getgroups()))

    def told(mode: int, gid: int, groups: tuple[int, ...] = ()) -> str:
        stat = device.stat()
        found = os.stat_result((mode, *stat[1:5], gid, *stat[6:10]))
        here = Part(
            os, stat=lambda path: found, getgroups=lambda: list(groups),
            access=lambda path, mode: False,
        )  # fmt: skip
        monkeypatch.setattr(listing, "os", here)
        return listing.way_in(str(device))

    add = f"sudo usermod -aG {group.gr_name} $USER, then log out and in"
    assert told(0o100660, group.gr_gid) == add
    assert told(0o100660, group.gr_gid, (group.gr_gid,)) == (
        f"Group {group.gr_name} may open it, and you are in it: log in anew"
    )
    assert told(0o100640, group.gr_gid) == own
    assert told(0o100620, group.gr_gid) == own
    assert told(0o100660, 0) == own
    assert told(0o100660, 2**31 - 7) == own  # a group without a name


def test_a_name_without_a_chip_has_no_hardware(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    place = {"/sys/class/tty": tmp_path}
    monkeypatch.setattr(listing, "Path", lambda name: place.get(name, Path(name)))
    (tmp_path / "ttyS9").mkdir()
    for text, there in (("0\n", False), ("4\n", True)):
        (tmp_path / "ttyS9" / "type").write_text(text)
        assert listing.has_hardware("/dev/ttyS9") == there
    assert listing.has_hardware("/dev/never-there")


def test_what_a_process_has_open_is_told_of_devices_alone(tmp_path: Path) -> None:
    handles = tmp_path / "fd"
    handles.mkdir()
    for number, target in enumerate(("/dev/ttyUSB0", "/dev/null", "/tmp/x", "socket:[7]")):
        (handles / str(number)).symlink_to(target)
    assert list(listing._opened(str(tmp_path))) == ["/dev/ttyUSB0"]
    assert list(listing._opened(str(tmp_path / "absent"))) == []
    with open("/dev/zero", "rb") as held:
        name = os.path.realpath(held.name)
        if Path("/proc/self/fd").exists():
            assert f"(process {os.getpid()})" in listing._holders()[name]


# --- speed ---------------------------------------------------------------------------------------


class Tuned(Timed):
    """Answers at one speed alone, after a while."""

    def __init__(self, right: int, said: bytes = b"ok\n", after: float = 0.1) -> None:
        super().__init__({})
        self._right, self._said, self._after, self.baud = right, said, after, 0

    def set_baud(self, baud: int) -> None:
        self.baud = baud
        self.log.append(f"{self.now():.3f} at {baud}")
        answer = [(self._after, self._said)] if baud == self._right else []
        self._answers = {"*": answer}


def test_speeds_are_tried_in_the_order_of_their_use() -> None:
    """Common practice; nothing but the one question goes out, twice at most."""
    usual = (115200, 250000, 57600, 230400, 9600, 19200, 38400, 500000, 1000000)
    assert usual == USUAL_BAUDS
    transport = Tuned(1)
    with pytest.raises(LinkFailed) as caught:
        find_speed(transport)
    assert caught.value.what == (
        f"timed answers at none of the speeds {', '.join(map(str, usual))}"
    )
    assert "has power" in caught.value.remedy
    assert [line for line in transport.log if ">" in line or " at " in line][:4] == [
        "0.000 at 115200", "0.100 > M115", "1.200 > M115", "3.200 at 250000",
    ]  # fmt: skip
    assert sum("> M115" in line for line in transport.log) == 2 * len(usual)


@pytest.mark.parametrize(
    ("said", "after", "found"),
    [
        (b"ok\n", 0.9, True),
        (b"ok\n", 1.9, True),
        (b"ok\n", 3.0, True),
        (b"ok\n", 3.2, False),
        (b"error:8\n", 0.1, True),
        (b"Entering alarm\n", 0.1, True),
        (b"start\n", 0.1, False),
        (b"\xfe\xff\n", 0.1, False),
    ],
)
def test_what_counts_as_an_answer_at_a_speed(said: bytes, after: float, found: bool) -> None:
    transport = Tuned(9600, said, after)
    if found:
        assert find_speed(transport, (57600, 9600)) == 9600
        assert transport.baud == 9600
    else:
        with pytest.raises(LinkFailed, match="none of the speeds 57600, 9600"):
            find_speed(transport, (57600, 9600))


# --- lines and bytes -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "cleaned"),
    [
        ("  a  ", "a"),
        ("\r\0\t a\0\r", "a"),
        ("a\0 b", "a b"),
        ("a \0\0b", "a b"),
        ("a\0b", r"a\x00b"),
        ("a\tb", "a b"),
        ("a\x1b[2J", r"a\x1b[2J"),
        ("a\u200bé", r"a\u200bé"),
        ("\x07", r"\x07"),
        ("", ""),
    ],
)
def test_what_is_shown_of_a_line(text: str, cleaned: str) -> None:
    assert clean(text) == cleaned


def test_a_cutter_gives_whole_lines_and_sizes_of_those_too_long() -> None:
    cutter = LineCutter(longest=10)
    assert cutter.feed(b"") == []
    assert cutter.feed(b"a\r\nb\n") == ["a", "b"]
    assert cutter.feed(b"\n") == [""]
    assert cutter.feed(b"x" * 10) == []
    assert cutter.feed(b"\n") == ["x" * 10]
    assert cutter.feed(b"x" * 11) == []
    assert cutter.feed(b"y" * 5) == []
    assert cutter.feed(b"\nok\n") == [16, "ok"]
    assert cutter.feed(b"a\x07\nb \n") == [r"a\x07", "b"]
    assert cutter.feed(b"\xfe\n") == [r"\xfe"]
    assert cutter.feed(b"ab\n" + b"z" * 11 + b"\n  c\n") == ["ab", 11, "c"]


def test_a_framed_line_may_have_ninety_six_bytes() -> None:
    assert frame("G" * 96) == b"G" * 96 + b"\n"
    with pytest.raises(ValueError, match="longer than 96 bytes: 'GGG"):
        frame("G" * 97)
    # N1 and a blank before it, an asterisk and two digits behind it: six bytes
    assert len(frame("G" * 90, 1)) == 97
    with pytest.raises(ValueError, match="longer"):
        frame("G" * 91, 1)
    assert frame("\x18") == b"\x18\n"
    for wrong in ("M117 \x18", "M92*", "M92\n", "\x07", "é"):
        with pytest.raises(ValueError, match="not a line that can be sent"):
            frame(wrong)


class Broken:
    """A port of the library that has gone, or takes nothing."""

    is_open = True

    def __init__(self, error: Exception | None) -> None:
        self.__dict__["error"] = error
        self.__dict__["taken"] = []

    def __setattr__(self, name: str, value: Any) -> None:
        self.taken.append((name, value))
        if self.error is not None:
            raise self.error

    def write(self, data: bytes) -> None:
        self.taken.append(data)
        if self.error is not None:
            raise self.error

    def close(self) -> None:
        self.write(b"closed")

    def reset_input_buffer(self) -> None:
        self.taken.append("emptied")

    def fileno(self) -> int:
        return -1


def test_a_port_that_has_gone_is_told_whatever_is_asked_of_it() -> None:
    for error, what in (
        (OSError(), "was lost"),
        (serial.SerialTimeoutException(), "takes no more"),
    ):
        transport = SerialTransport("p", Broken(error))  # type: ignore[arg-type]
        for act in (
            lambda t=transport: t.write(b"x"),
            lambda t=transport: t.set_baud(9600),
            transport.close,
        ):
            with pytest.raises(PortFailed, match=f"p {what}"):
                act()
    whole = Broken(None)
    transport = SerialTransport("p", whole)  # type: ignore[arg-type]
    transport.write(b"M503\n")
    transport.set_baud(9600)
    transport.close()
    assert whole.taken == [b"M503\n", ("baudrate", 9600), "emptied", b"closed"]


def test_on_another_system_a_port_in_use_is_told_as_forbidden(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import sys

    for module in (port, listing):
        monkeypatch.setattr(module, "sys", Part(sys, platform="win32"))
    assert port._cannot_open("COM3", OSError(errno.EACCES, "x")).cause == "busy"
    assert port._cannot_open("COM3", OSError(errno.ENOENT, "x")).cause == "absent"
    assert not port._is_young(str(tmp_path))
    assert listing.way_in("/dev/never-there") == ""
    assert listing.permission_remedy("COM3").startswith("Only root may open it")


def test_who_talks_without_end_is_asked_after_four_seconds_of_it() -> None:
    transport = Tuned(9600)
    transport._coming = [(0.05 * n, b"T:20 /0\n") for n in range(400)]
    assert find_speed(transport, (9600,)) == 9600
    asked = next(line for line in transport.log if "> M115" in line)
    assert 4.0 <= float(asked.split()[0]) <= 4.1
