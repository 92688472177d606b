"""A slice of the crash campaign, and the proof that the campaign can fail."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from agent.bench import fold as folding
from agent.bench.value import Bench
from agent.change import resume
from agent.change.outcome import Fate
from agent.change.plan import Change
from agent.families import FAMILIES
from agent.model.settings import Readback
from agent.work.changes import Changes
from tests import crashes
from tests.crashes import KINDS, Campaign, campaign

#: So many places of a step are cut of each kind, when only a slice is wanted.
FAR = 100_000


def sliced(family: str, *steps: str, kinds: tuple[crashes.Kind, ...] = KINDS) -> Campaign:
    ends_there = family != "replay"  # one family goes on to the end of the whole job
    return campaign(family, FAR, only=steps, kinds=kinds, most=2, ends_there=ends_there)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_a_write_that_is_cut_is_gone_on_with(family: str) -> None:
    total = sliced(family, "write", kinds=("sent", "power", "before"))
    assert total.clean, total.found
    assert total.cuts >= 4


def test_a_store_that_is_cut_is_gone_on_with() -> None:
    total = sliced("replay", "store", kinds=("received", "after", "signal"))
    assert total.clean, total.found


# --- mutants: each of these must be found out ----------------------------------------------------

Mutant = Callable[[pytest.MonkeyPatch], None]


def always_took(monkeypatch: pytest.MonkeyPatch) -> None:
    """The verdict's states."""

    def took(change: Change, readback: Readback) -> Fate:
        return Fate(change.key, change.old, change.new, change.new, "took")

    monkeypatch.setattr(resume, "fate_of", took)


def finish_and_undo_swapped(monkeypatch: pytest.MonkeyPatch) -> None:
    finish, undo = resume.finish, resume.undo
    monkeypatch.setattr(resume, "finish", undo)
    monkeypatch.setattr(resume, "undo", finish)


def never_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    step = folding._STEPS["journal"]

    def left_open(bench: Bench, event: Any) -> Bench:
        after = step(bench, event)
        return replace(
            after, transactions=tuple(replace(t, closed=False) for t in after.transactions)
        )

    monkeypatch.setitem(folding._STEPS, "journal", left_open)


def heaters_always_off(monkeypatch: pytest.MonkeyPatch) -> None:
    step = folding._STEPS["heat"]

    def off(bench: Bench, event: Any) -> Bench:
        return replace(step(bench, event), heater_state="off")

    monkeypatch.setitem(folding._STEPS, "heat", off)


def printed_digits_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Bench, "exactly", lambda self, key, setting: setting.value)


def writes_unasked(monkeypatch: pytest.MonkeyPatch) -> None:
    write = Changes.write

    def meddling(changes: Changes, *args: Any, **how: Any) -> Any:
        outcome = write(changes, *args, **how)
        link, _ = changes.contact.joined()
        link.gate = None
        link.ask("M92 Y81")
        return outcome

    monkeypatch.setattr(Changes, "write", meddling)


@pytest.mark.parametrize(
    ("mutant", "step", "kind"),
    [
        (always_took, "write", "power"),
        (finish_and_undo_swapped, "write", "sent"),
        (never_closed, "write", "after"),
        (heaters_always_off, "lay", "received"),
        (printed_digits_only, "store", "after"),
        (writes_unasked, "write", "signal"),
    ],
)
def test_a_mutant_is_found_out(
    monkeypatch: pytest.MonkeyPatch, mutant: Mutant, step: str, kind: crashes.Kind
) -> None:
    mutant(monkeypatch)
    try:
        total = campaign(
            "replay", only=(step,), kinds=(kind,), most=12, until_found=True, ends_there=True
        )
    except AssertionError:
        return  # not even the job that nothing cuts ends well
    assert not total.clean
