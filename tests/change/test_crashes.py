"""A slice of the crash campaign, and the proof that the campaign can fail."""

from __future__ import annotations

import json

import pytest

from agent.change import outcome, resume
from agent.change.outcome import Fate
from agent.change.plan import Change
from agent.families import FAMILIES
from agent.model.settings import Readback
from sim.machine import SimulatedMachine
from tests import crashes
from tests.crashes import KINDS, Cut, campaign, cuts_of, main, run

#: A prime, so that no pattern of lines is met at the same place each time.
STEP = 211


@pytest.mark.parametrize("family", list(FAMILIES))
def test_a_slice_of_the_campaign_loses_nothing(family: str) -> None:
    total = campaign([family], STEP)
    assert (total.lost, total.wrong_reports, total.unconfirmed_writes) == ([], [], [])
    assert total.cuts > 10


@pytest.mark.parametrize("kind", KINDS)
def test_the_first_cut_of_each_kind_finds_the_machine_untouched(kind: crashes.Kind) -> None:
    assert run(Cut("replay", kind, 1)) == crashes.Verdict()


def test_cuts_are_the_same_every_time() -> None:
    assert list(cuts_of("numbered", 50)) == list(cuts_of("numbered", 50))
    assert {cut.kind for cut in cuts_of("numbered", 50)} == set(KINDS)


def test_a_report_that_always_says_took_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    def always(change: Change, readback: Readback) -> Fate:
        return Fate(change.key, change.old, change.new, change.new, "took")

    monkeypatch.setattr(resume, "fate_of", always)
    total = campaign(["replay"], 400)
    assert total.wrong_reports


def test_an_agent_that_sends_what_nobody_confirmed_is_found_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    session = crashes.Agent.session

    def meddling(agent: crashes.Agent) -> None:
        session(agent)
        agent.link.ask("M92 Y81")
        agent.link.ask("M500")

    monkeypatch.setattr(crashes.Agent, "session", meddling)
    verdict = run(Cut("replay", "after", 10_000))
    assert len(verdict.unconfirmed_writes) == 2


def test_a_state_that_is_not_the_one_wanted_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = crashes.bench

    def lying(family: str) -> SimulatedMachine:
        machine = bench(family)
        machine.controller.storage_fault = "lies"
        return machine

    monkeypatch.setattr(crashes, "bench", lying)
    assert run(Cut("replay", "sent", 300)).lost


def test_the_figures_come_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--family", "numbered", "--slice", "500", "--jobs", "1", "--json"]) == 0
    figures = json.loads(capsys.readouterr().out)
    assert figures.pop("cuts") > 0
    assert figures == {"lost": 0, "wrong_reports": 0, "unconfirmed_writes": 0}


def test_every_state_has_its_words() -> None:
    assert set(outcome.STATE_WORDS) == {"took", "did not", "other", "unknown"}
