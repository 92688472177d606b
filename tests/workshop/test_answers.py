"""What each question of a workshop answers over a small record: as text, as data and as files."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from datetime import date
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from agent.face.main import run
from agent.store.record import Record
from tests.pinned import Pinned
from tests.workshop import shop
from tests.workshop.shop import STEPS, Writer, instant

TODAY = date(2026, 11, 2)
URL = "postgresql://anna@shop/db"

ANNA, BOB = "00000000-0000-4000-8000-00000000000a", "00000000-0000-4000-8000-00000000000b"


def _filled() -> Writer:
    """Six machines: one in order, one that creeps, one that stepped, one never stored, others."""
    w = Writer(random.Random(11), bench=ANNA)
    w.add("bench", ANNA, "anna", instant(0))
    w.add("bench", BOB, "bob", instant(1))
    for n in range(10):
        w.tune("avocet", 5.0 + 28 * n)
        w.tune("curlew", 6.0 + 28 * n, {"z": 105.25 * (1 + 0.0006 * n)})
        w.tune("egret", 7.0 + 28 * n, {"x": 80.0 * (1.004 if n > 5 else 1.0)})
    for n in range(3):
        w.tune("heron", 10.0 + 60 * n, {"y": 80.0 + 0.9 * (n == 2)})
    w.tune("ibis", 30.0, store=False, check=False)
    w.bench = BOB
    w.tune("jay", 200.0, {"x": 82.0, "y": 79.0})
    session = w.session("kite", 250.0)
    w.readback(session, 250.0, STEPS)
    session = w.session("heron", 240.0, "bench 2.0")
    w.entry(session, 240.0, "note", {"belt": "B-7", "text": "after 1,100 hours"})
    w.estimate(session, 240.1, {"x_scale": 0.002, "gantry_angle_deg": 0.21, "yaw_deg": 0.9})
    session = w.session("egret", 60.0)
    w.entry(session, 60.0, "note", {"belt": "B-6"})
    w.entry(session, 61.0, "note", {"roller": "R-2", "flash": "3.1"})
    session = w.session("curlew", 3.0)
    w.entry(session, 3.0, "note", {"belt": "B-6"})
    facts = {"scale_percent": 0.05, "angle_deg": 0.2, "due_days": 90}
    for n, (kind, name, machine, what) in enumerate(
        (
            ("profile", "heron", "heron", facts),
            ("card", "heron", "heron", {"place": "hall 2"}),
            ("card", "jay", "jay", {"place": "hall <3>", "due_days": 20}),
            ("report", "report-heron", "heron", {"date": "2026-02-02"}),
        ),
        1,
    ):
        identity = f"0000000{n}-0000-4000-8000-0000000000{n}0"
        text = json.dumps(what)
        w.add("document", identity, instant(100 + n), BOB, kind, name, machine, text, f"text {n}\n")
    w.add("clock", "00000000-0000-4000-8000-0000000000c1", BOB, instant(239), 7200.0)
    return w


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with that record; identities begin anew, so that they are always the same."""
    place = tmp_path_factory.mktemp("answers")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(shop, "_count", count(1))
        made = _filled()
    with Record(place / "record.db") as record:
        made.keep(record)
    return place


Give = Callable[..., str]


@pytest.fixture
def give(
    home: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Give:
    monkeypatch.setenv("PLUMBELT_HOME", str(home))
    monkeypatch.setenv("COLUMNS", "150")
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setattr("platform.node", lambda: "carla")
    monkeypatch.setattr("agent.face.shop.verbs.today", lambda: TODAY)
    monkeypatch.chdir(tmp_path)

    def given(*words: str) -> str:
        capsys.readouterr()
        code = run(["workshop", *words])
        out, err = capsys.readouterr()
        ended = f"ended with {code}\n" if code else ""
        text = f"$ {' '.join(words)}\n{ended}{out}{err}"
        return re.sub(r"([0-9a-f]{8}-){1}([0-9a-f]{4}-){3}[0-9a-f]{12}", "IDENTITY", text)

    return given


def _rounded(text: str) -> str:
    """JSON and files of numbers in full, to six decimals and without exponents."""
    return re.sub(
        r"-?\d+\.\d+(e-?\d+)?|-?\d+e-?\d+", lambda m: f"{float(m[0]) + 0.0:.6f}", text
    ).replace("-0.000000", "0.000000")


QUESTIONS = {
    "list": ["list"],
    "due": ["due"],
    "drift": ["drift"],
    "drift-curlew": ["drift", "curlew"],
    "drift-egret": ["drift", "egret"],
    "drift-heron": ["drift", "heron"],
    "drift-kite": ["drift", "kite"],
    "compare": ["compare"],
    "compare-roller": ["compare", "--by", "roller"],
    "show-heron": ["show", "heron"],
    "show-egret": ["show", "egret", "--most", "7"],
    "show-kite": ["show", "kite"],
    "show-heorn": ["show", "heorn"],
}


#: Too long as data, and of the same making as shorter ones.
LONG = ("drift", "drift-egret", "show-egret")


@pytest.mark.parametrize("name", QUESTIONS)
def test_a_question_is_answered_in_words(name: str, give: Give, pinned: Pinned) -> None:
    pinned(f"workshop/{name}", give(*QUESTIONS[name]))


@pytest.mark.parametrize("name", [n for n in QUESTIONS if n not in LONG])
def test_a_question_is_answered_as_data(name: str, give: Give, pinned: Pinned) -> None:
    pinned(f"workshop/{name}-data", _rounded(give(*QUESTIONS[name], "--json")))


@pytest.mark.parametrize("name", ["list", "due", "drift-curlew", "compare", "show-heron"])
def test_a_question_is_answered_in_a_file(
    name: str, give: Give, tmp_path: Path, pinned: Pinned
) -> None:
    table = tmp_path / "table.csv"
    said = give(*QUESTIONS[name], "--csv", "table.csv")
    assert "table.csv" in said
    pinned(f"workshop/{name}-file", _rounded(table.read_text(encoding="utf-8")))


def test_the_whole_is_one_page(give: Give, tmp_path: Path, pinned: Pinned) -> None:
    said = give("list", "--html", "page.html")
    assert said.endswith("Page written to page.html\n")
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    pinned("workshop/page", re.sub(r"<style>.*?</style>", "<style/>", text, flags=re.S))


def test_a_version_is_fetched_by_the_end_of_its_identity(give: Give, tmp_path: Path) -> None:
    assert "profile heron of 2026-04-16 is in a.yaml." in give(
        "fetch", "000000000010", "--out", "a.yaml"
    )
    assert (tmp_path / "a.yaml").read_text() == "text 1\n"
    assert "is there already" in give("fetch", "000000000010", "--out", "a.yaml")
    assert "Several documents end in '0'" in give("fetch", "0", "--out", "b.yaml")
    assert "No document ends in 'x'" in give("fetch", "x", "--out", "b.yaml")
    assert "Several documents end in ''" in give("fetch", "", "--out", "b.yaml")


def test_a_bench_without_a_record_says_so(
    give: Give, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pinned: Pinned
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "empty"))
    questions = (["list"], ["due"], ["drift"], ["compare"], ["show", "heron"], ["list", "--shared"])
    text = [give(*words) for words in questions]
    text += [give(*words, "--json") for words in questions[:4]]
    text += [give("sync"), give("note", "heron"), give("note", "heron", "hello", "--belt", "B-1")]
    text += [give("show", "heron"), give("list")]
    pinned("workshop/empty", re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d", "TIME", "\n".join(text)))


def test_making_joining_and_syncing_are_told(
    give: Give, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pinned: Pinned
) -> None:
    """What each does is done by others; this is what is said of it."""
    from agent.workshop.exchange import Carried, Exchanged
    from agent.workshop.sync import Synced

    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "joined"))
    (tmp_path / "joined").mkdir()
    done: list[tuple[str, ...]] = [("role made", "tables made"), ()]

    def made(url: str, technicians: tuple[str, ...], readers: tuple[str, ...]) -> tuple[str, ...]:
        assert (url, technicians, readers) == (URL, ("anna", "bob"), ("eve",))
        return done.pop(0)

    class Open:
        shown, identity = "db on shop", "w-1"

        def __init__(self, url: str) -> None:
            assert url == URL

        def __enter__(self) -> Open:
            return self

        def __exit__(self, *_: object) -> None:
            pass

    synced = [
        Synced(Exchanged(Carried(3), Carried(4), renewed=False), 0.0, 1, 0, ()),
        Synced(Exchanged(Carried(0), Carried(4, 2), renewed=False), 0.0, 0, 0, ()),
    ]

    def sync(record: Record, url: str, told: Callable[[str, int], None], **more: Any) -> Synced:
        assert url == URL
        assert more["patience"] in (0, 5)
        more["waits"]()
        told("sent", 150_000)
        return synced.pop(0)

    monkeypatch.setattr("agent.workshop.server.make_workshop", made)
    monkeypatch.setattr("agent.workshop.server.Shared", Open)
    monkeypatch.setattr("agent.workshop.sync.sync", sync)
    # the one that would start by itself now would look for the shop, and tell what came of it
    monkeypatch.setattr("agent.face.shop.afterwards.start", lambda: None)
    users = ("--technician", "anna", "--technician", "bob", "--reader", "eve")
    text = [give("init", URL, *users), give("init", URL, *users, "--json")]
    joined = " ".join(give("join", URL).split())  # the path is as long as it is, and wraps
    text += [
        re.sub(r"kept in .*?workshop\. ?y ?a ?m ?l", "kept in FILE", joined),
        give("join", URL, "--auto", "--due-days", "30", "--json"),
    ]
    text.append((tmp_path / "joined" / "workshop.yaml").read_text(encoding="utf-8"))
    text += [give("sync"), give("sync", "--patience", "5", "--json")]
    (tmp_path / "joined" / "workshop-last.json").write_text('{"error": "gone"}')
    text += [give("list"), give("list", "--json")]
    pinned("workshop/joining", "\n".join(text))
