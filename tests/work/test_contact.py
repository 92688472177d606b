"""A controller on a link: which one it is, lines that are waited for, the emergency word."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from agent.bench.book import Book
from agent.errors import LinkFailed, Refused
from agent.families import FAMILIES
from agent.model.settings import Readback, Setting
from agent.work.contact import Attached, Contact, same_controller, same_name
from tests.bench.world import PORT, World
from tests.face.bench import carry_out, desk_at, forge


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("FIRMWARE_NAME: bench 1.0", "firmware_name:bench 1.0", True),
        ("bench 1.0", "bench 1.0 (built in May)", True),
        ("bench 1.0 (built in May)", "bench 1.0", True),
        ("bench 1.0", "bench 1.1", False),
        ("bench 1.0 May", "bench 1.0 June", False),
    ],
)
def test_a_name_is_the_same_where_the_shorter_has_no_word_of_its_own(
    one: str, other: str, same: bool
) -> None:
    assert same_name(one, other) is same


def read(identity: str, *values: float, family: str = "replay") -> Readback:
    settings = {f"steps_per_mm.{n}": Setting(v, "step/mm", 2) for n, v in enumerate(values)}
    return Readback(family, settings, identity=identity)


@pytest.mark.parametrize(
    ("known", "now", "same"),
    [
        (read("bench 1", 1, 2), read("bench 1", 3, 4), True),
        (read("bench 1", 1, 2), read("bench 2", 1, 2), False),
        (read("bench 1", 1, 2), read("bench 1", 1, 2, family="numbered"), False),
        # without a name half of the settings have to be as they were, and no other be there
        (read("", 1, 2), read("", 1, 3), True),
        (read("bench 1", 1, 2), read("", 1, 3), True),
        (read("", 1, 2, 3), read("", 1, 3, 4), False),
        (read("", 1, 2), read("", 1, 2, 3), False),
    ],
)
def test_a_controller_is_known_by_its_name_or_by_its_settings(
    known: Readback, now: Readback, same: bool
) -> None:
    assert same_controller(known, now) is same


class Link:
    """Notes what is asked of it; refuses what it is told to."""

    def __init__(self, refused: str = "") -> None:
        self.told: list[Any] = []
        self.refused = refused
        self.exchange = SimpleNamespace(
            abandon=lambda: self.told.append("abandon"), revive=lambda: self.told.append("revive")
        )
        self.transport = SimpleNamespace(write=self.told.append, read=self.read, now=lambda: 0.0)
        self.gate = None
        self.there = True

    def read(self, seconds: float) -> bytes:
        if not self.there:
            raise LinkFailed("gone")
        return b""

    def ask(self, line: str, *, timeout: float) -> Any:
        self.told.append((line, timeout))
        return SimpleNamespace(ok=line != self.refused, error="too far")


def contact_on(link: Link, family: Any) -> Contact:
    contact = Contact(Book())
    contact._attached = Attached(link, family)  # type: ignore[arg-type]
    return contact


def test_lines_are_waited_for_by_what_they_take_and_end_at_the_first_refused() -> None:
    """A minute, and twice the seconds of their moves; waiting has a word of the family's own."""
    link = Link(refused="G1 X2")
    contact = contact_on(link, replace_standstill("M400 P1"))
    contact.send_lines(("G1 X1", "M400"), seconds=5.0)
    assert link.told == [("G1 X1", 70.0), ("M400 P1", 70.0)]
    with pytest.raises(Refused, match="the controller refused G1 X2: too far"):
        contact.send_lines(("G1 X2", "G1 X3"))
    assert link.told[2:] == [("G1 X2", 60.0)]


def replace_standstill(word: str) -> Any:
    return SimpleNamespace(standstill=word, stop=SimpleNamespace(data=b"M112\n", word="M112"))


def test_the_emergency_word_goes_past_all_that_waits() -> None:
    link = Link()
    assert contact_on(link, replace_standstill("M400")).halt() == "M112"
    assert link.told == ["abandon", "revive", b"M112\n"]


def test_a_port_that_cannot_be_read_is_gone() -> None:
    link = Link()
    contact = contact_on(link, FAMILIES["replay"])
    assert not contact.gone
    link.there = False
    assert contact.gone
    nobody = Contact(desk_at().session.book)
    assert not nobody.gone
    with pytest.raises(Refused, match="no machine is attached"):
        nobody.joined()
    with pytest.raises(Refused, match="no machine is attached"):
        nobody.family_known()
    assert nobody.link is nobody.family is None


def test_a_lost_port_is_noted_once_and_letting_go_leaves_what_is_known() -> None:
    desk = desk_at()
    assert carry_out(desk, ["attach"]) == [0]
    contact, book = desk.session.contact, desk.session.book
    kinds = [event.kind for event in book.events]
    assert kinds.count("attached") == 1
    for _ in range(2):
        contact.lose("memory://")
    assert [event.kind for event in book.events].count("lost") == 1
    family = contact.family
    contact.let_go()
    assert contact.link is None
    assert contact.family_known() is family
    contact.detach()
    assert [event.kind for event in book.events].count("detached") == 0, "nothing was on the link"


def test_reading_back_asks_for_the_heaters_where_they_may_be_on() -> None:
    desk = desk_at()
    assert carry_out(desk, ["attach"]) == [0]
    book = desk.session.book

    def asked() -> int:
        return [event.kind for event in book.events].count("heat")

    forge(desk, heater_state="off")
    before = asked()
    desk.session.contact.read_back()
    assert asked() == before
    forge(desk, heater_state="on")
    desk.session.contact.read_back()
    assert asked() == before + 1
    assert book.bench.heater_state == "off"


def test_a_profile_is_filed_once_and_again_where_it_says_something_else() -> None:
    desk = desk_at()
    assert carry_out(desk, ["attach"]) == [0]
    contact, book = desk.session.contact, desk.session.book

    def filed() -> int:
        return [event.kind for event in book.events].count("profile")

    before, profile = filed(), book.bench.profile
    contact.use(profile)
    assert filed() == before
    contact.use(replace(profile, note="moved to bay 3"))
    assert filed() == before + 1
    assert book.bench.profile.note == "moved to bay 3"


@pytest.mark.parametrize(
    ("identity", "told"),
    [
        ("gadget 9", r"in which memory:// answers \(gadget 9\)\. Its settings were not touched"),
        ("", r"in which memory:// answers\. Its settings were not touched"),
    ],
)
def test_a_controller_in_other_words_is_let_go_of(
    identity: str, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = desk_at()
    assert desk.rehearsal is not None
    monkeypatch.setattr("agent.families.identify", lambda link: (None, identity))
    with pytest.raises(Refused, match=told):
        desk.session.contact.attach(desk.rehearsal.open())
    assert desk.session.contact.link is None


def test_only_the_controller_that_was_there_is_attached_again() -> None:
    """By its name; what it was called, and what answers now, is told."""
    desk = desk_at()
    assert desk.rehearsal is not None
    assert carry_out(desk, ["attach"]) == [0]
    contact, known = desk.session.contact, desk.session.bench.clean_readback
    contact.let_go()
    contact.attach_again(desk.rehearsal.open())
    contact.let_go()
    forge(desk, readback=replace(known, identity="gadget 9"), identity="gadget 9")
    with pytest.raises(
        Refused, match=r"another controller answers: .*replay.* instead of gadget 9"
    ):
        contact.attach_again(desk.rehearsal.open())
    assert contact.link is None


def test_a_profile_that_was_chosen_counts_and_else_the_saved_one_as_it_is_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    world = World.new()
    world.save_profile()
    desk = world.desk()
    contact = desk.session.contact
    saved = desk.session.bench.profile
    contact.use(replace(saved, note="as it was told on the command line"))
    contact.attach(desk.open(PORT))
    assert desk.session.bench.profile.note == "as it was told on the command line"
    desk.close()
    other = world.desk()
    other.session.contact.attach(other.open(PORT))
    assert other.session.bench.profile.note == saved.note
    # somebody edits the file: what is on the link stays as it was taken up
    (path,) = tmp_path.rglob("heron.yaml")
    text = path.read_text()
    path.write_text(text.replace("note: ", "note: edited, ", 1))
    assert path.read_text() != text
    other.session.contact.let_go()
    other.session.contact.attach_again(other.open_again(PORT))
    assert other.session.bench.profile.note == saved.note
    other.close()
    last = world.desk()
    last.session.contact.attach(last.open(PORT))
    assert "edited" in last.session.bench.profile.note
    last.close()


def test_a_machine_that_gets_its_name_on_the_link_is_known_before_it_is_read() -> None:
    """Its book then begins with how it is built; what was read and heated goes with it."""
    desk = desk_at()
    assert carry_out(desk, ["attach"]) == [0]
    contact, book = desk.session.contact, desk.session.book
    readback = book.bench.readback
    forge(desk, heater_state="on")
    contact.use(replace(book.bench.profile, name="kite"))
    assert [event.kind for event in book.events] == ["attached", "profile", "readback", "heat"]
    assert book.bench.machine == book.bench.profile.name == "kite"
    assert book.bench.readback == readback
    assert book.bench.heater_state == "on"
    # by the same name, or by none, nothing is begun anew
    before = len(book.events)
    contact.use(book.bench.profile)
    assert len(book.events) == before
