"""What the record tells of all machines: standing, due, drift, which one stands out, in order."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest

from agent.face.shop.holding import Presence
from agent.store.record import Record
from agent.store.tables import TABLES
from agent.workshop.asking import Asked, OwnRecord
from agent.workshop.exchange import exchange
from agent.workshop.fleet import Left, Machine, as_left, due, machines
from agent.workshop.life import events
from agent.workshop.notes import note
from agent.workshop.questions import capabilities, compared, drift
from agent.workshop.series import lately, lives
from agent.workshop.server import Shared
from agent.workshop.settings import Joined, join
from agent.workshop.sides import Bench, Load, Workshop
from tests.patience import PATIENCE
from tests.workshop.postgres import Server, why_not
from tests.workshop.shop import STEPS, Writer, instant, year


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    with Record(tmp_path / "record.db") as kept:
        yield kept


@pytest.fixture(params=["sqlite", "postgresql"])
def asking(request: pytest.FixtureRequest, record: Record) -> Iterator[Callable[[], Asked]]:
    """The record as either engine holds it."""
    if request.param == "sqlite":
        yield lambda: OwnRecord(record)
        return
    if why := why_not():
        pytest.skip(why)
    url = request.getfixturevalue("url")
    with Shared(url) as shared:

        def shared_now() -> Asked:
            exchange(Bench(record), Workshop(shared))
            return shared

        yield shared_now


def by_name(found: tuple[Machine, ...]) -> dict[str, Machine]:
    return {machine.name: machine for machine in found}


def test_a_list_tells_how_each_machine_stands(record: Record, asking: Callable[[], Asked]) -> None:
    w = Writer()
    w.tune("done", 10)
    w.tune("unstored", 10, store=False)
    w.tune("unmeasured", 10, check=False)
    session = w.session("off", 10)
    w.estimate(session, 10, {"z_scale": 0.02})
    session = w.session("vague", 10)
    w.estimate(session, 10, {"z_scale": 0.0009, "x_scale": 0.03}, u=0.0004)
    session = w.session("broken", 10)
    w.outcome(session, 10, verified=False)
    w.keep(record)
    found = by_name(machines(asking(), due_days=30))
    assert {name: m.standing for name, m in found.items()} == {
        "done": "within",
        "unstored": "within",
        "unmeasured": "unknown",
        "off": "beyond",
        "vague": "beyond",
        "broken": "unknown",
    }
    assert found["done"].open == ()
    assert found["unstored"].open == ("unstored",)
    assert found["unmeasured"].open == ("not measured since the change",)
    assert found["broken"].open == ("unproved",)
    assert found["vague"].left["z_scale"].standing == "open"
    assert found["done"].due == date(2026, 2, 14)
    names = [m.name for m in due(tuple(found.values()), date(2026, 3, 1))]
    assert names == ["done", "off", "unmeasured", "unstored", "vague", "broken"]
    assert due(tuple(found.values()), date(2026, 2, 1)) == (found["broken"],)


@pytest.mark.parametrize(
    ("value", "u", "standing"),
    [
        # the limit is 1, and the interval twice the uncertainty to either side
        (0.5, 0.25, "within"),
        (0.5, 0.26, "open"),
        (1.5, 0.25, "open"),
        (1.5, 0.24, "beyond"),
        (-1.5, 0.24, "beyond"),
        (-0.5, 0.25, "within"),
    ],
)
def test_an_error_stands_where_its_whole_interval_does(
    value: float, u: float, standing: str
) -> None:
    left = Left(value, u, 1.0)
    assert left.standing == standing
    told = {"value": value, "u": u, "tolerance": 1.0, "standing": standing}
    assert left.to_plain() == told
    machine = Machine("heron", "bay", "", None, {"z_scale": left})
    assert machine.standing == standing
    assert machine._replace(measured_since=False).standing == "unknown"
    assert machine._replace(left={}).standing == "unknown"


def test_the_worst_error_is_that_of_the_machine() -> None:
    within, open_, beyond = Left(0.0, 0.1, 1.0), Left(0.9, 0.1, 1.0), Left(2.0, 0.1, 1.0)
    for left, standing in (
        ((within, open_), "open"),
        ((within, open_, beyond), "beyond"),
        ((within,), "within"),
    ):
        named = {str(n): one for n, one in enumerate(left)}
        assert Machine("heron", "", "", None, named).standing == standing


def test_what_is_open_of_a_machine_and_how_long_it_is_due() -> None:
    plain = Machine("heron", "bay", "2026-01-05", date(2026, 2, 4))
    assert (plain.open, plain.clock_off) == ((), False)
    assert plain.to_plain() == {
        "machine": "heron",
        "where": "bay",
        "last_tune": "2026-01-05",
        "due": "2026-02-04",
        "standing": "unknown",
        "as_left": {},
        "measured_since": True,
        "open": [],
        "clock_off": False,
    }
    every = plain._replace(unproved=True, unstored=True, edit_file=True, measured_since=False)
    assert every.open == (
        *("unproved", "unstored", "edit its file"), "not measured since the change",
    )  # fmt: skip
    assert plain.days_over(date(2026, 2, 6)) == 2
    assert plain.days_over(date(2026, 2, 1)) == -3
    never = plain._replace(due=None)
    assert never.days_over(date(2026, 2, 1)) is None
    assert due((plain, never), date(2026, 2, 4)) == (plain, never)
    assert due((plain, never), date(2026, 2, 3)) == (never,)


def test_an_error_counts_where_readings_determined_it() -> None:
    """Its uncertainty is less than half of what is known of such machines beforehand: of a scale
    1.5 %, of the angle 0.75 degrees, of yaw half a one, of rail and roll a quarter."""
    most = {
        **dict.fromkeys(("x_scale", "y_scale", "z_scale"), 0.015),
        "gantry_angle_deg": 0.75,
        "yaw_deg": 0.5,
        "rail_deg": 0.25,
        "roll_deg": 0.25,
    }
    for name, bound in most.items():
        assert list(as_left([(name, 0.1, bound * 0.999)], {})) == [name]
        assert as_left([(name, 0.1, bound)], {}) == {}
        assert as_left([(name, None, 0.001)], {}) == as_left([(name, 0.1, None)], {}) == {}
    facts = {"scale_percent": 0.4, "angle_deg": 0.3}
    left = as_left([("x_scale", 0.1, 0.001), ("yaw_deg", 0.1, 0.001)], facts)
    assert {name: one.limit for name, one in left.items()} == {"x_scale": 0.004, "yaw_deg": 0.3}
    for foreign in (1e5, 0, -1, True, "0.4", [1]):
        usual = as_left([("yaw_deg", 0.1, 0.001)], {"angle_deg": foreign})
        assert usual["yaw_deg"].limit == as_left([("yaw_deg", 0.1, 0.001)], {})["yaw_deg"].limit
    stated = as_left([("yaw_deg", 0.1, 0.001)], {"angle_deg": 99_999})
    assert stated["yaw_deg"].limit == 99_999


def test_errors_that_no_reading_determined_are_not_shown(record: Record) -> None:
    w = Writer()
    w.estimate(w.session("heron", 1), 1, {"z_scale": 0.01, "yaw_deg": 0.3}, u=0.6)
    w.keep(record)
    assert machines(OwnRecord(record))[0].left == {}
    assert list(lives(OwnRecord(record))) == []


def test_cards_and_profiles_say_where_and_how_close(
    record: Record, asking: Callable[[], Asked]
) -> None:
    w = Writer()
    w.tune("heron", 10)
    facts = json.dumps({"scale_percent": 0.001, "angle_deg": 0.1})
    w.add("document", "5" * 8 + "-0000-4000-8000-" + "0" * 12, instant(1), "b", "profile", "heron",
          "heron", facts, "text")  # fmt: skip
    w.keep(record)
    note(record, "heron", {}, {"place": "bay 3"})
    note(record, "heron", {"belt": "B-7"}, {"due_days": 10})
    [found] = machines(asking())
    assert (found.place, found.due) == ("bay 3", date(2026, 1, 25))
    assert found.left["z_scale"].limit == pytest.approx(0.00001)


def test_a_note_is_kept_as_a_whole_or_not_at_all(
    record: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    def dies(*_: object) -> str:
        raise KeyboardInterrupt

    with monkeypatch.context() as cut:
        cut.setattr("agent.store.record.Session.note", dies)
        with pytest.raises(KeyboardInterrupt):
            note(record, "heron", {"belt": "B-1"}, {"place": "bay 1"})
    for table in ("session", "entry", "document"):
        assert record.rows(f"SELECT count(*) FROM {table}") == [(0,)]
    assert note(record, "heron", {"belt": "B-1"}, {"place": "bay 1"})
    assert [m.place for m in machines(OwnRecord(record))] == ["bay 1"]


@pytest.mark.parametrize("foreign", ["[1]", "no JSON", '{"place": "bay 3"}'])
def test_a_foreign_card_cannot_break_a_note(record: Record, foreign: str) -> None:
    w = Writer()
    w.tune("heron", 10)
    w.add("document", "5" * 8 + "-0000-4000-8000-" + "0" * 12, instant(1), "b", "card", "heron",
          "heron", foreign, "")  # fmt: skip
    w.keep(record)
    note(record, "heron", {}, {"due_days": 7})
    [found] = machines(OwnRecord(record))
    assert found.due == date(2026, 1, 22)
    assert (found.place == "bay 3") is ("bay" in foreign)


@pytest.mark.parametrize("wrong", ["much", 0, -1, True, [], {}, float("nan"), 10**400])
def test_a_foreign_profile_cannot_break_the_list(
    record: Record, asking: Callable[[], Asked], wrong: object
) -> None:
    w = Writer()
    w.tune("heron", 10)
    facts = json.dumps(dict.fromkeys(("scale_percent", "angle_deg", "due_days"), wrong))
    w.add("document", "5" * 8 + "-0000-4000-8000-" + "0" * 12, instant(1), "b", "profile", "heron",
          "heron", facts, "text")  # fmt: skip
    w.keep(record)
    [found] = machines(asking(), due_days=30)
    assert (found.standing, found.due) == ("within", date(2026, 2, 14))
    assert found.left["z_scale"].limit == pytest.approx(0.001)


def test_a_machine_that_does_not_drift_shows_none_whatever_was_written(
    record: Record, asking: Callable[[], Asked]
) -> None:
    w = Writer()
    assert len(list(year("heron", w, tunes=12))) == 12
    w.keep(record)
    charts = {c.error: c for c in drift(asking(), "heron")}
    assert set(charts) == {"x_scale", "y_scale", "z_scale"}
    for c in charts.values():
        assert len(c.points) == 24  # found, and as left, of each tune
        assert [s.rule for s in c.chart.signals if s.rule == "beyond"] == []


def test_a_belt_that_gives_way_is_seen_and_a_new_belt_begins_a_new_chart(
    record: Record, asking: Callable[[], Asked]
) -> None:
    w = Writer()
    for n in range(12):
        z = STEPS["z"] * (1 + (0.004 if n >= 8 else 0.0))
        w.tune("heron", 10 + 20 * n, {"z": z}, check=False)
    session = w.session("heron", 255)
    w.entry(session, 255, "note", {"belt": "B-0417"})
    for n in range(3):
        w.tune("heron", 260 + 20 * n, {"z": STEPS["z"] * 1.01})
    w.keep(record)
    first, second = (c for c in drift(asking(), "heron") if c.error == "z_scale")
    fired = {(first.points[s.place].at[:10], s.rule) for s in first.chart.signals}
    assert (instant(170)[:10], "range") in fired
    assert second.since is not None
    assert (second.since.part, second.since.what) == ("belt", "B-0417")
    assert second.chart.signals == ()
    assert {s.usually for s in first.chart.signals} != {""}


def test_a_tune_whose_every_verb_had_a_session_of_its_own_is_one_tune(
    record: Record, asking: Callable[[], Asked]
) -> None:
    w = Writer()
    true = {**STEPS, "z": STEPS["z"] * 1.004}
    off = {"x_scale": 0.0, "y_scale": 0.0, "z_scale": STEPS["z"] / true["z"] - 1}
    good = dict.fromkeys(off, 0.0)
    w.readback(w.session("heron", 10), 10, STEPS)
    w.estimate(w.session("heron", 10.01), 10.01, off)
    w.estimate(w.session("heron", 10.02), 10.02, off)  # solved again: the same readings
    w.outcome(w.session("heron", 10.03), 10.03, "read back")
    w.keep(record)
    [machine] = machines(asking())
    assert (machine.standing, machine.open) == (
        "unknown",
        ("unstored", "not measured since the change"),
    )
    w.readback(w.session("heron", 10.04), 10.04, true)
    w.estimate(w.session("heron", 10.05), 10.05, good)
    w.outcome(w.session("heron", 10.06), 10.06, "reloaded from storage")
    w.estimate(w.session("heron", 40), 40, good)  # looked at again, nothing to change
    w.keep(record)
    [machine] = machines(asking())
    assert (machine.standing, machine.open) == ("within", ())
    [life] = lives(asking())
    points = life.points["z_scale"]
    assert [p.at[:10] for p in points] == [instant(day)[:10] for day in (10, 10, 40)]
    assert [p.value for p in points] == pytest.approx([true["z"]] * 3)


def test_a_batch_of_belts_that_stands_out_is_named(
    record: Record, asking: Callable[[], Asked]
) -> None:
    w = Writer()
    for i in range(18):
        batch = f"B-{i % 3}"
        session = w.session(f"machine {i:02}", 1)
        w.entry(session, 1, "note", {"belt": batch})
        shift = 1.003 if batch == "B-2" else 1.0
        for n in range(3):
            right = {"z": STEPS["z"] * shift * (1 + w.dice.gauss(0, 0.0003))}
            w.tune(f"machine {i:02}", 10 + 30 * n, right)
    w.keep(record)
    fits, found = compared([lately(life, "belt") for life in lives(asking())])
    assert found[0].to_plain() | {"p": 0, "p_held": 0, "value": 0} == {
        "error": "z_scale", "what": "batch", "name": "B-2", "value": 0, "p": 0, "p_held": 0,
    }  # fmt: skip
    assert found[0].value == pytest.approx(0.3, abs=0.05)
    assert {v.error for v in found} == {"z_scale"}
    assert fits["z_scale"].f_dof == (2, 15)
    made = dict(capabilities(machines(asking())))
    assert made["x_scale"].n == 18
    assert made["x_scale"].cp > 1


def test_a_clock_that_was_a_year_ahead_puts_nothing_out_of_order(
    record: Record, asking: Callable[[], Asked]
) -> None:
    good, bad = "1" * 8 + "-0000-4000-8000-" + "0" * 12, "2" * 8 + "-0000-4000-8000-" + "0" * 12
    w = Writer(bench=good)
    w.add("bench", good, "anna", instant(0))
    w.add("bench", bad, "anna", instant(0))
    w.add("clock", identity_of(3), good, instant(1), 0.1)
    w.add("clock", identity_of(4), bad, instant(1), 0.2)
    w.add("clock", identity_of(5), bad, instant(376), 365 * 86400.0)
    w.tune("heron", 5)
    w.tune("heron", 20)
    w.bench = bad
    w.tune("heron", 2)
    w.tune("heron", 365 + 12)  # noted by the wrong clock, on day 12
    w.keep(record)
    found = events(asking(), "heron")
    days = [e.at[:10] for e in found if e.what == "estimate"]
    assert days == [instant(day)[:10] for day in (2, 2, 5, 5, 12, 12, 20, 20)]
    assert {e.at[:10] for e in found if e.ahead} == {instant(12)[:10]}
    [machine] = machines(asking())
    assert machine.tuned[:10] == instant(20)[:10]


def identity_of(number: int) -> str:
    return f"{number:08}-0000-4000-8000-{0:012}"


def test_a_life_tells_of_another_firmware_and_of_entries_by_their_own_count(
    record: Record,
) -> None:
    w = Writer()
    for day, controller in ((1, "bench 1.0"), (2, "bench 1.0"), (3, "bench 2.0")):
        session = w.session("heron", day, controller)
        w.entry(session, day, "note", {"text": f"day {day}", "n": day})
    w.keep(record)
    found = events(OwnRecord(record), "heron")
    assert [e.text for e in found if e.what == "answers"] == [
        "the controller answers as bench 1.0",
        "the controller answers as bench 2.0 (before: bench 1.0)",
    ]


def test_both_engines_give_the_same_answers(record: Record, request: pytest.FixtureRequest) -> None:
    if why := why_not():
        pytest.skip(why)
    url = request.getfixturevalue("url")
    w = Writer()
    for name in ("heron", "Egret", "stork ü", "zebra"):
        list(year(name, w, tunes=9))
    w.keep(record)
    own = OwnRecord(record)
    with Shared(url) as shared:
        exchange(Bench(record), Workshop(shared))
        assert machines(own) == machines(shared)
        assert list(drift(own)) == list(drift(shared))
        assert list(lives(own)) == list(lives(shared))
        assert [e.at for e in events(own, "heron")] == [e.at for e in events(shared, "heron")]


_COPY = "INSERT INTO {} OVERRIDING SYSTEM VALUE SELECT * FROM {}"


def test_roles_may_do_what_they_are_for_and_nobody_changes_anything(
    record: Record, server: Server
) -> None:
    import psycopg

    from agent.errors import Refused
    from agent.workshop.server import make_workshop

    url = server.database()
    made = make_workshop(url, technicians=["anna"], readers=["rita"])
    assert any("anna" in line for line in made)
    name = url.partition("@/")[2].partition("?")[0]
    anna, rita = server.url(name, "anna"), server.url(name, "rita")
    list(year("heron", writer := Writer(), tunes=1))
    writer.keep(record)
    with Shared(rita) as shared, pytest.raises(Refused, match="permission denied"):
        Workshop(shared).take(Load({"bench": [("a", "b", "c")]}), "", None)
    with Shared(anna) as shared:
        assert exchange(Bench(record), Workshop(shared)).sent.new
    with Record(record.path.parent / "of rita" / "record.db") as other, Shared(rita) as shared:
        met = exchange(Bench(other), Workshop(shared))  # who may only read takes what is there
        assert (met.reads_only, met.complete, met.sent.new) == (True, False, 0)
        assert len(other.entries("heron")) == len(record.entries("heron"))
    server.execute(name, "CREATE ROLE stranger LOGIN")
    with pytest.raises(Refused, match="may not look into"):
        Shared(server.url(name, "stranger"))
    with Shared(rita) as shared:
        assert [m.name for m in machines(shared)] == ["heron"]
    for user in (url, anna, rita):
        for table in (*TABLES, "mark"):
            column = TABLES[table].names[0] if table in TABLES else "n"
            for verb in ("DELETE FROM {}", "TRUNCATE {} CASCADE", "UPDATE {} SET {} = {}"):
                statement = verb.format(table, column, column)
                with psycopg.connect(user, autocommit=True) as db:
                    db.execute("SET search_path = plumbelt")
                    with pytest.raises(psycopg.Error):
                        db.execute(statement)  # type: ignore[arg-type]
    with psycopg.connect(anna, autocommit=True) as db:
        db.execute("SET search_path = plumbelt")
        for own in ("arrival", "latest", "milestone", "about", "presence"):
            for verb in ("DELETE FROM {}", "TRUNCATE {}", _COPY):
                with pytest.raises(psycopg.errors.InsufficientPrivilege):
                    db.execute(verb.format(own, own))  # type: ignore[arg-type]
    assert make_workshop(url) == ()


def test_the_second_at_a_machine_is_told_who_has_it(server: Server, url: str) -> None:
    with Shared(url) as one, Shared(url) as two:
        assert one.hold("heron", "anna on bench 1") == ""
        assert one.hold("egret", "anna on bench 1") == ""
        told = two.hold("heron", "bob on bench 2")
        assert told.startswith("anna on bench 1 since 20")
    with Shared(url) as two:
        assert two.hold("heron", "bob on bench 2") == ""


def heard(at: Shared, machine: str) -> list[str]:
    """Who has come, once the server has said so."""
    until = time.monotonic() + PATIENCE
    while not (found := at.came(machine)) and time.monotonic() < until:
        time.sleep(0.01)
    return found


def test_whoever_was_first_hears_of_the_second_and_the_third_of_both(url: str) -> None:
    with Shared(url) as one, Shared(url) as two, Shared(url) as three:
        assert one.hold("heron", "anna on bench 1") == ""
        assert one.came("heron") == []  # of herself nothing
        three.hold("egret", "carol on bench 3")
        two.hold("heron", "bob on bench 2")
        assert heard(one, "heron") == ["bob on bench 2"]
        assert one.came("heron") == []
        one.hold("crane", "anna on bench 1")
        with Shared(url) as hostile:
            hostile.hold("crane", "eve\n! all is well\n" + "x" * 5000)
            [told] = heard(one, "crane")
            assert told.startswith("eve ! all is well xxx")
            assert len(told) == 200
        told = three.hold("heron", "carol on bench 3")
        assert re.fullmatch(r"anna on bench 1 since 20.* UTC, bob on bench 2 since 20.* UTC", told)
        one.close()
        until = time.monotonic() + PATIENCE
        while "anna" in told and time.monotonic() < until:
            [(told,)] = three.ask("SELECT hold_machine('heron')")
        assert told.startswith("bob on bench 2 since")


def test_two_who_come_at_the_same_instant_both_hear_of_the_other(url: str) -> None:
    together = threading.Barrier(2)
    told: dict[tuple[int, str], list[str]] = {}

    def come(who: str) -> None:
        for turn in range(12):
            machine = f"heron {turn}"
            with Shared(url) as shared:
                together.wait(PATIENCE)
                at_once = shared.hold(machine, who)
                together.wait(PATIENCE)  # both have come
                found = [at_once] if at_once else []
                told[turn, who] = found or heard(shared, machine)
                together.wait(PATIENCE)

    both = [threading.Thread(target=come, args=(who,)) for who in ("anna", "bob")]
    for one in both:
        one.start()
    for one in both:
        one.join(PATIENCE)
    for turn in range(12):
        assert any("bob" in words for words in told[turn, "anna"])
        assert any("anna" in words for words in told[turn, "bob"])


def test_who_left_without_a_word_is_at_no_machine(server: Server, url: str) -> None:
    """A row of somebody whose computer has died stays, and its process is gone."""
    server.rows(url, "INSERT INTO presence VALUES ('heron', 1, 'old', now()) RETURNING 1")
    with Shared(url) as one:
        assert one.hold("heron", "anna") == ""
        assert server.rows(url, "SELECT holder FROM presence") == [("anna",)]


def test_a_shell_is_told_who_has_come_and_that_the_workshop_is_gone(
    server: Server, url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("agent.face.shop.holding.PATIENCE", PATIENCE)
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    join(Joined(url))
    one = Presence()
    assert one.news() == []
    assert one.take("heron") == ""
    server.rows(url, "SELECT pg_notify('plumbelt_presence', '[nonsense')")
    with Shared(url) as two:
        two.hold("heron", "bob at bench 2")
        told: list[str] = []
        until = time.monotonic() + PATIENCE
        while not told and time.monotonic() < until:
            told = one.news()
        assert len(told) == 1
        assert "bob at bench 2 has come to heron" in told[0]
        assert one.news() == []
        [(pid,)] = server.rows(url, "SELECT pid FROM presence WHERE holder NOT LIKE 'bob%%'")
        server.rows(url, f"SELECT pg_terminate_backend({pid})")
        told = []
        until = time.monotonic() + PATIENCE
        while not told and time.monotonic() < until:
            told = one.news()
        assert "not known" in told[0]
        assert one.news() == []


def test_an_attach_that_waits_says_so_and_the_word_comes_later(
    url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    monkeypatch.setattr("agent.face.shop.holding.PATIENCE", 0.02)
    monkeypatch.setattr("agent.face.shop.holding.SILENT", 0.01)
    join(Joined(url))
    go_on = threading.Event()
    hold = Shared.hold

    def slowly(self: Shared, machine: str, holder: str) -> str:
        go_on.wait(PATIENCE)
        return hold(self, machine, holder)

    monkeypatch.setattr(Shared, "hold", slowly)
    for machine, other in (("heron", False), ("egret", True)):
        go_on.clear()
        one, said = Presence(), []
        with Shared(url) as two:
            if other:
                hold(two, machine, "bob at bench 2")
            assert "it is told when it comes" in one.take(machine, said.append)
            assert said == [f"Asking the workshop who else is at {machine} ..."]
            assert one.news() == []
            go_on.set()
            told: list[str] = []
            until = time.monotonic() + PATIENCE
            while not told and time.monotonic() < until:
                told = one.news()
            expected = "in the hands of bob at bench 2" if other else f"nobody else is at {machine}"
            assert len(told) == 1
            assert expected in told[0]
            assert one.news() == []
        one.close()


def test_an_attach_asks_who_else_is_at_the_machine(
    server: Server, url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("agent.face.shop.holding.PATIENCE", PATIENCE)
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    one, two = Presence(), Presence()
    assert one.take("heron") == ""  # no workshop was joined
    join(Joined(url))
    assert one.take("heron") == ""
    assert two.take("egret") == ""
    assert "heron is in the hands of" in two.take("heron")
    one.close()
    assert two.take("heron") == ""
    two.close()
    join(Joined("postgresql://nobody@127.0.0.1:9/plumbelt"))
    assert "not known" in one.take("heron")  # and nothing is held up by it


def test_a_word_that_comes_late_holds_no_machine(
    url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    join(Joined(url))
    asked_it, go_on = threading.Event(), threading.Event()
    hold = Shared.hold

    def slowly(self: Shared, machine: str, holder: str) -> str:
        asked_it.set()
        go_on.wait(PATIENCE)
        return hold(self, machine, holder)

    monkeypatch.setattr(Shared, "hold", slowly)
    monkeypatch.setattr("agent.face.shop.holding.PATIENCE", 0.01)
    one = Presence()
    assert "no word came in time" in one.take("heron")
    [asking] = [t for t in threading.enumerate() if getattr(t, "_target", None) == one._ask]
    assert asked_it.wait(PATIENCE)
    one.close()
    go_on.set()
    asking.join(PATIENCE)
    assert not asking.is_alive()
    until = time.monotonic() + PATIENCE
    with Shared(url) as other:  # the server lets go a moment after the connection has closed
        while hold(other, "heron", "bob") and time.monotonic() < until:
            time.sleep(0.02)
        assert hold(other, "heron", "bob") == ""
