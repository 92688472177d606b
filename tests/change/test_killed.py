"""A real agent process, a real socket, real files, and kill -9 in the middle of the write."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from agent.change.resume import account, finish
from agent.change.transaction import read_clean, write
from agent.families import identify
from agent.store.journal import close_journal, new_journal, open_journals
from agent.wire.link import Link
from sim.machine import build
from sim.serve import serve
from tests.change.bench import HERON, HERON_PLAIN, WANTED
from tests.patience import PATIENCE

#: Reads, plans, and writes; waits before the second line until it is killed.
AGENT = """
import sys, time
from pathlib import Path
from agent.change.plan import make_plan
from agent.change.transaction import read_clean, write
from agent.families import identify
from agent.store.journal import new_journal
from agent.wire.link import Link
from agent.wire.port import open_port
from tests.change.bench import HERON, WANTED

link = Link(open_port(sys.argv[1]))
family, _ = identify(link)
plan = make_plan(read_clean(link, family), WANTED, family, machine="heron", profile=HERON)
journal = new_journal("heron", plan.digest, Path(sys.argv[2]))
note = journal.note

def waiting(step, **data):
    note(step, **data)
    if step == "sending" and data["index"] == 1:
        print("half way", flush=True)
        time.sleep(60)

journal.note = waiting
write(link, family, plan, plan.digest, journal=journal)
"""


def test_a_killed_agent_is_followed_by_one_that_finishes_its_work(tmp_path: Path) -> None:
    machine = build(HERON_PLAIN, seed=None)
    with serve(machine, "tcp:0") as server:
        agent = subprocess.Popen(
            [sys.executable, "-c", AGENT, server.address, str(tmp_path)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert agent.stdout is not None
        assert agent.stdout.readline() == "half way\n"
        os.kill(agent.pid, signal.SIGKILL)
        assert agent.wait() == -signal.SIGKILL
        agent.stdout.close()

        link = attach(server.address)
        family, _ = identify(link)
        assert family is not None
        [broken] = open_journals("heron", tmp_path)
        readback = read_clean(link, family)
        found = account(broken.entries, readback)
        assert found is not None
        assert [fate.state for fate in found.fates] == ["took", "did not"]
        onward = finish(found, readback, family, HERON)
        with new_journal("heron", onward.digest, tmp_path) as journal:
            outcome = write(link, family, onward, onward.digest, journal=journal)
        assert outcome.verified
        close_journal(broken.path, f"finished by plan {onward.digest}")
        assert open_journals("heron", tmp_path) == ()
        link.close()
    assert {key: machine.controller.live[key] for key in WANTED} == WANTED


def attach(address: str) -> Link:
    """The server lets the next client in a moment after the last one went."""
    from agent.errors import LinkFailed
    from agent.wire.port import open_port

    give_up = time.monotonic() + PATIENCE
    while time.monotonic() < give_up:
        try:
            return Link(open_port(address))
        except LinkFailed:
            time.sleep(0.1)
    pytest.fail("the simulator took no second client")
