"""The working day of three benches, with the verbs as a user types them: all of it is real.

Three simulated machines stand in the shop; each verb is a process of its own on one of three
benches, which share one PostgreSQL through a cable that can be cut.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from agent.model.roles import ROLES
from agent.rehearsal import plain_profile
from agent.store.home import ready_profiles
from agent.store.record import Record
from sim.machine import build
from tests.bench.world import Told, World
from tests.workshop.postgres import Server
from tests.workshop.proxy import Cut, Proxy
from tests.workshop.test_exchange import content

#: Two lengths for each axis: one cannot tell a scale from an offset.
LENGTHS = (40.0, 160.0)

#: Of a dial gauge, mm.
U = 0.005

SHARE = {"across": "x_scale", "gantry": "y_scale", "belt": "z_scale"}


@dataclass
class Shop:
    """Machines by name, and benches in a folder each."""

    folder: Path
    patch: pytest.MonkeyPatch
    machines: dict[str, World] = field(default_factory=dict)

    def at(self, bench: str) -> None:
        """Sit down at a bench."""
        self.patch.setenv("PLUMBELT_HOME", str(self.folder / bench))
        self.patch.setattr("platform.node", lambda: bench)

    def type(self, bench: str, *words: str, code: int = 0) -> Told:
        """A verb that needs no machine."""
        self.at(bench)
        told = World.new().run(*words, port=False)
        assert told.code == code, f"{words}: exit {told.code}\n{told.out}\n{told.err}"
        return told

    def machine(self, bench: str, name: str, *words: str, code: int = 0) -> Told:
        """A verb at a machine."""
        self.at(bench)
        told = self.machines[name].run("--profile", name, *words)
        assert told.code == code, f"{words}: exit {told.code}\n{told.out}\n{told.err}"
        return told

    def script(self, bench: str, name: str, *lines: str) -> Told:
        """Lines in one session at a machine."""
        file = self.folder / "lines.txt"
        file.write_text("\n".join(lines) + "\n")
        return self.machine(bench, name, "run", str(file))

    def new_machine(self, bench: str, name: str, seed: int) -> None:
        """A machine of the shop, and the profile that its bench has of it."""
        self.machines[name] = World.new(seed=seed)
        profiles = self.folder / bench / "profiles"
        profiles.mkdir(parents=True)
        text = (ready_profiles() / "heron.yaml").read_text(encoding="utf-8")
        (profiles / f"{name}.yaml").write_text(text.replace("name: heron", f"name: {name}"))

    def gauge(self, name: str) -> list[str]:
        """Lines that give a dial gauge's readings of moves."""
        truth = self.machines[name].machine.truth()
        return [
            f"gauge travel-{role} {length * (1 + truth[SHARE[role]]):.3f} --mm {length} --u {U}"
            for role in ROLES
            for length in LENGTHS
        ]

    def tune(self, bench: str, name: str) -> None:
        """Read, solve, write, store, and read again."""
        self.script(bench, name, *self.gauge(name), "solve")
        digest = self.machine(bench, name, "preview", "--json").json["digest"]
        self.machine(bench, name, "write", "--approve", digest)
        self.machine(bench, name, "store", "--approve", digest)
        self.script(bench, name, *self.gauge(name), "solve")

    def records(self) -> list[dict[str, set[tuple[Any, ...]]]]:
        found = []
        for bench in ("anna", "bob", "carol"):
            with Record(self.folder / bench / "record.db") as record:
                found.append(content(record))
        return found


def flashed(seed: int) -> World:
    """The machine of this seed after new firmware was written to it."""
    plain = plain_profile()
    return World(build(plain, seed=seed, family=plain["family"], faults=["layout"]))


def test_a_working_day_of_three_benches_by_the_verbs_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, server: Server
) -> None:
    shop = Shop(tmp_path, monkeypatch)
    address = server.database()
    name = address.partition("@/")[2].partition("?")[0]
    pairs = (("anna", "alder"), ("bob", "birch"), ("carol", "cedar"))
    with Proxy(server.socket, tmp_path / "cable") as cable:
        through = f"postgresql://{{}}@/{name}?host={cable.folder}"
        # before the day: the owner makes the workshop, each bench joins
        people = [word for bench, _ in pairs for word in ("--technician", bench)]
        shop.type("chief", "workshop", "init", address, *people)
        for seed, (bench, machine) in enumerate(pairs, 3):
            shop.new_machine(bench, machine, seed)
            shop.type(bench, "workshop", "join", through.format(bench))

        # the morning: each tunes its machine, keeps its settings and exchanges
        for bench, machine in pairs:
            shop.tune(bench, machine)
            shop.machine(bench, machine, "profile", "save", machine, "--over")
            shop.type(bench, "workshop", "note", machine, "--place", f"bay of {bench}")
            assert shop.type(bench, "workshop", "sync", "--json").json["sent"] > 100

        # bob's machine is flashed: its settings are gone, and come back from the profile
        shop.machines["birch"] = flashed(4)
        back = shop.machine("bob", "birch", "profile", "restore", "birch", "--preview", "--json")
        digest = back.json["digest"]
        shop.machine("bob", "birch", "profile", "restore", "birch", "--approve", digest, "--store")
        shop.type("bob", "workshop", "note", "birch", "--flash", "2.1")

        # carol's machine gets a new belt, which is a little longer, and is tuned again
        shop.machines["cedar"].machine.plant.belt.slip -= 0.004
        shop.type("carol", "workshop", "note", "cedar", "--belt", "B-0417")
        shop.tune("carol", "cedar")

        # the cable is cut in the middle of anna's exchange; it carries on when it is whole
        shop.script("anna", "alder", "readback")
        cable.cut_after(Cut(30))
        told = shop.type("anna", "workshop", "sync", code=3)
        assert "carries on when it answers" in told.text
        assert shop.type("anna", "workshop", "sync", "--json").json["sent"] > 0

        # bob takes up what the others know, fetches alder's profile, and goes out: no network
        shop.type("bob", "workshop", "sync")
        kept = shop.type("bob", "workshop", "show", "alder", "--json").json["documents"]
        profile = next(d["id"] for d in kept if d["kind"] == "profile")
        place = tmp_path / "bob" / "profiles" / "alder.yaml"
        shop.type("bob", "workshop", "fetch", profile[-8:], "--out", str(place))
        cable.stop_listening()
        before = dict(shop.machines["alder"].controller.live)
        shop.machines["alder"].machine.plant.belt.slip -= 0.003  # it has stretched
        shop.tune("bob", "alder")
        assert shop.machines["alder"].controller.live != before
        shop.type("bob", "workshop", "list")
        assert "cannot be reached" in shop.type("bob", "workshop", "sync", code=3).text
        cable.listen()

        # the evening
        for bench in ("bob", "carol", "anna", "bob", "carol"):
            shop.type(bench, "workshop", "sync")
        one, two, three = shop.records()
        assert one == two == three

        page = tmp_path / "fleet.html"
        listed = shop.type("carol", "workshop", "list", "--html", str(page), "--json").json
        found = {m["machine"]: m for m in listed["machines"]}
        assert {m: one["where"] for m, one in found.items()} == {
            "alder": "bay of anna",
            "birch": "bay of bob",
            "cedar": "bay of carol",
        }
        # what the page says of each machine is what the machine is truly off by
        for machine in ("alder", "cedar"):
            stands, truth = found[machine], shop.machines[machine].machine.truth()
            assert (stands["standing"], stands["open"]) == ("within", [])
            for error in SHARE.values():
                left = stands["as_left"][error]
                assert abs(left["value"] - truth[error]) < 3 * left["u"]
        assert found["birch"]["standing"] == "unknown"
        assert found["birch"]["open"] == ["not measured since the change"]
        text = page.read_text(encoding="utf-8")
        for words in ("3 machines: 2 within, 1 unknown", "0 due", "1 with something open"):
            assert words in text
        for bench in ("anna", "bob"):
            assert shop.type(bench, "workshop", "list", "--json").json == {
                "machines": listed["machines"]
            }
        shared = shop.type("bob", "workshop", "list", "--shared", "--json").json["machines"]
        assert shared == listed["machines"]

        # the stretched belt is seen, and a new belt is no drift
        shown = {m: shop.type("anna", "workshop", "show", m, "--json").json for m in found}
        [drift] = shown["alder"]["signals"]
        assert drift["error"] == "scale, belt"
        assert drift["value"].startswith(("-0.29", "-0.30"))
        assert not shown["birch"]["signals"]
        assert not shown["cedar"]["signals"]
        assert "a step larger than both uncertainties explain" in text

        # each life tells what was done, by whom
        life = shown["cedar"]["events"]
        assert {e["bench"] for e in life} == {"carol"}
        assert "belt B-0417" in [e["text"] for e in life if e["what"] == "note"]
        life = shown["alder"]["events"]
        assert life[-1]["bench"] == "bob"
        assert {e["bench"] for e in life} == {"anna", "bob"}
        life = shown["birch"]["events"]
        assert "flash 2.1" in [e["text"] for e in life if e["what"] == "note"]
