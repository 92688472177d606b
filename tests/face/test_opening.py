"""How a port is opened for a verb, wish by wish; with a stub in place of the port."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from agent.errors import LinkFailed, Unanswered
from agent.face.cabling import joined
from agent.face.desk import Desk
from agent.face.linking import attach
from agent.face.screen import Screen
from agent.store.habits import habit, remember
from agent.store.locks import holder_of_lock
from agent.wire.identity import Opening
from agent.wire.port import Address
from agent.wire.transport import Transport
from tests.face.bench import Technician, bare_desk, carry_out


@pytest.fixture(autouse=True)
def _own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    monkeypatch.setattr("agent.wire.port.REOPENING", 2.0)


class NotingDesk(Desk):
    """A desk whose ports are stubs: what is opened is noted, with how that was wished."""

    def __init__(self, address: Address, answer: str = "", *, in_shell: bool = True) -> None:
        self.technician = Technician({"with the lines up": answer})
        super().__init__(Screen(self.technician), in_shell=in_shell)
        self.address = address
        self.opens: list[tuple[str, str, Opening | None]] = []
        self.gone = False

    def open(self, port: str, how: Opening | None = None) -> Transport:
        return self._noted("open", port, how)

    def open_again(self, port: str, how: Opening | None = None) -> Transport:
        return self._noted("open again", port, how)

    def _noted(self, way: str, port: str, how: Opening | None) -> Transport:
        self.opens.append((way, port, how))
        if self.gone:
            raise LinkFailed(f"{port} is not there", remedy="Look at the cable")
        self.opening = self.address if how is None else self.address.using(how)
        return cast("Transport", SimpleNamespace(name=port))

    def hears(self, _: Transport) -> str:
        """What is there answers while the lines are up."""
        if self.opening is None or self.opening.lines != "up":
            raise Unanswered("not a byte came", remedy="Look at the cable")
        return "it answers"


PORT = "/dev/ttyBOARD"


def test_a_silent_board_is_tried_with_its_lines_up_if_somebody_agrees() -> None:
    """At the speed of the first try, and as it was wished otherwise; that is remembered."""
    there = NotingDesk(Address(PORT, 57600), "yes")
    there.how = Opening(find_speed=True)
    transport, said = joined(there, PORT, there.hears)
    assert (transport.name, said) == (PORT, "it answers")
    assert there.opens == [
        ("open", PORT, Opening(find_speed=True)),
        ("open", PORT, Opening(57600, "up", find_speed=True)),
    ]
    assert habit(PORT) == {"lines": "up"}
    assert there.last_port == PORT


def test_a_board_that_answers_is_opened_once_and_nothing_is_remembered() -> None:
    there = NotingDesk(Address(PORT, lines="up"))
    assert joined(there, PORT, there.hears, again=True)[1] == "it answers"
    assert there.opens == [("open again", PORT, None)]
    assert (there.technician.asked, habit(PORT), there.last_port) == ([], {}, PORT)


@pytest.mark.parametrize(
    ("address", "how", "asked"),
    [
        (Address(PORT), None, True),
        (Address(PORT), Opening(9600), True),
        (Address(PORT), Opening(lines="keep"), False),
        (Address(PORT, lines="keep"), None, False),
        (Address("socket://10.0.0.9:23"), None, False),
    ],
    ids=["by default", "at a speed", "kept as typed", "kept as remembered", "no lines at all"],
)
def test_only_lines_that_are_down_by_default_may_rise(
    address: Address, how: Opening | None, asked: bool
) -> None:
    """No is no: then, and where nothing could rise, the first silence stands."""
    there = NotingDesk(address, "no")
    there.how = how
    with pytest.raises(Unanswered, match=r"Look at the cable$"):
        joined(there, address.url, there.hears)
    assert len(there.technician.asked) == asked
    assert len(there.opens) == 1
    assert (habit(address.key), there.last_port) == ({}, "")


@pytest.mark.parametrize("terminal", [False, True])
def test_without_anybody_to_ask_the_way_is_named(
    terminal: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: terminal))
    there = NotingDesk(Address(PORT), "no", in_shell=False)
    with pytest.raises(Unanswered) as silence:
        joined(there, PORT, there.hears)
    assert len(there.technician.asked) == terminal
    assert ("'--reset' raises them" in silence.value.remedy) is not terminal


@pytest.mark.parametrize(
    ("typed", "how"),
    [
        ("", None),
        ("--baud 9600", Opening(9600)),
        ("--find-speed", Opening(find_speed=True)),
        ("--reset", Opening(lines="up")),
        ("--keep-lines", Opening(lines="keep")),
        ("--keep-lines --baud 1", Opening(1, "keep")),
        ("--reset --find-speed", Opening(lines="up", find_speed=True)),
    ],
)
def test_what_is_typed_of_a_port_counts_for_this_command(typed: str, how: Opening | None) -> None:
    there = NotingDesk(Address(PORT))
    there.gone = True
    assert carry_out(there, [f"attach {PORT} {typed}"]) == [3]
    assert there.opens[0] == ("open", PORT, how)
    assert carry_out(there, [f"attach {PORT}"]) == [3]
    assert there.opens[-1] == ("open", PORT, None if how is None else Opening())


@pytest.mark.parametrize(
    ("before", "behind", "how"),
    [
        ("--baud 9600", "", Opening(9600)),
        ("--find-speed", "", Opening(find_speed=True)),
        ("--reset", "", Opening(lines="up")),
        ("--keep-lines", "", Opening(lines="keep")),
        ("--baud 9600", "--baud 19200", Opening(19200)),
        ("--baud 9600", "--keep-lines", Opening(9600, "keep")),
    ],
)
def test_what_stands_before_the_verb_counts_as_what_stands_behind_it(
    before: str, behind: str, how: Opening
) -> None:
    there = NotingDesk(Address(PORT))
    there.gone = True
    carry_out(there, [f"{before} attach {PORT} {behind}".rstrip()])
    assert there.opens[0] == ("open", PORT, how)
    carry_out(there, [f"attach {PORT}"])
    assert there.opens[-1] == ("open", PORT, Opening()), "and for that line alone"


def test_completing_a_line_says_nothing_of_a_port() -> None:
    """A line that is only completed is read too, and may say what no command could."""
    there = NotingDesk(Address(PORT))
    line = ["--baud", "9600", "--keep-lines", "--reset", "--find-speed"]
    attach.make_context("attach", list(line), obj=there, resilient_parsing=True)
    assert there.how is None


# --- the desk's own part of it -------------------------------------------------------------------


class Opened:
    """Stands for the opening of a real port: what was opened, and whether it was closed again."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.addresses: list[tuple[Address, float]] = []
        self.closed = 0
        self.fail: Exception | None = None
        monkeypatch.setattr(Address, "open", lambda address, until=0.0: self._open(address, until))

    def _open(self, address: Address, until: float) -> Opened:
        self.addresses.append((address, until))
        if self.fail is not None:
            raise self.fail
        return self

    def close(self) -> None:
        self.closed += 1


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> Opened:
    return Opened(monkeypatch)


@pytest.mark.parametrize(
    ("remembered", "lines"),
    [("up", "up"), ("keep", "keep"), ("down", "down"), ("sideways", "down")],
)
def test_what_is_remembered_of_a_port_counts_if_it_can_be(
    remembered: str, lines: str, opened: Opened
) -> None:
    remember(PORT, lines=remembered)
    with bare_desk() as there:
        there.open(PORT)
        assert there.opening == Address(PORT, lines=lines)  # type: ignore[arg-type]
        assert opened.addresses == [(there.opening, 0.0)]
        assert holder_of_lock(PORT)
    assert not holder_of_lock(PORT)


def test_a_port_that_does_not_open_is_let_go_of(opened: Opened) -> None:
    opened.fail = LinkFailed("no rights", remedy="Ask")
    with bare_desk() as there:
        with pytest.raises(LinkFailed):
            there.open(PORT)
        assert not holder_of_lock(PORT)
        assert there.opening is None


def test_the_speed_that_was_found_is_told_and_kept(
    opened: Opened, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("agent.wire.speed.find_speed", lambda transport: 57600)
    with bare_desk() as there:
        there.open(PORT, Opening(baud=9600))
        assert there.opening == Address(PORT, 9600)
        assert capsys.readouterr().out == ""
        there.open(PORT, Opening(find_speed=True))
        assert there.opening == Address(PORT, 57600)
    assert capsys.readouterr().out == "The controller answers at 57600 bits a second.\n"
    assert opened.closed == 0


def test_where_no_speed_is_found_the_port_is_closed(
    opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    def silent(_: object) -> int:
        raise LinkFailed("it answers at none", remedy="Look at the cable")

    monkeypatch.setattr("agent.wire.speed.find_speed", silent)
    with bare_desk() as there:
        with pytest.raises(LinkFailed, match="at none"):
            there.open(PORT, Opening(find_speed=True))
        assert opened.closed == 1
        assert not holder_of_lock(PORT)


def test_a_port_of_this_session_is_waited_for(
    opened: Opened, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By what it is known by; another name is awaited, and opened like the one before."""
    awaited: list[tuple[str, Address | None]] = []

    def await_it(url: str, until: float, *, like: Address | None = None) -> Address:
        awaited.append((url, like))
        return Address(url, 1200 if like is None else like.baud)

    monkeypatch.setattr(Address, "awaited", await_it)
    monkeypatch.setattr(Address, "found_again", lambda address, until, agrees: Address("/dev/new"))
    monkeypatch.setattr("time.monotonic", lambda: 100.0)
    with bare_desk() as there:
        there.open_again(PORT)
        there.open(PORT, Opening(9600))
        there.opened()
        there.open_again("/dev/other", Opening(lines="up"))
        there.open_again(PORT, Opening(2400))
    assert awaited == [(PORT, None), ("/dev/other", Address(PORT, 9600))]
    assert opened.addresses == [
        (Address(PORT, 1200), 102.0),  # 2 s is how long these tests wait for a port
        (Address(PORT, 9600), 0.0),
        (Address("/dev/other", 9600, "up"), 102.0),
        (Address("/dev/new", 2400), 102.0),
    ]


def test_what_cannot_be_remembered_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], opened: Opened
) -> None:
    with bare_desk() as there:
        there.remember_lines("up")  # nothing was opened: there is nothing to remember
        assert capsys.readouterr().out == ""
        there.open(PORT)
        (tmp_path / "home" / "ports.json").mkdir(parents=True)
        there.remember_lines("up")
    assert "That cannot be remembered:" in capsys.readouterr().out
