"""Heaters as a controller reports them: on, off and not known are told apart."""

from __future__ import annotations

import pytest

from agent.model.heat import Heat, Heats

HOT, COLD = Heat(200.4, 215.0), Heat(21.0, 0.0)


@pytest.mark.parametrize(
    ("nozzle", "bed", "state", "off", "words"),
    [
        (None, None, "not reported", False, ""),
        (COLD, None, "off", True, ""),
        (COLD, COLD, "off", True, ""),
        (None, COLD, "unknown", False, ""),
        (HOT, None, "on", False, "nozzle 200 of 215 °C"),
        (HOT, COLD, "on", False, "nozzle 200 of 215 °C"),
        (COLD, HOT, "on", False, "bed 200 of 215 °C"),
        (None, HOT, "on", False, "bed 200 of 215 °C"),
        (HOT, HOT, "on", False, "nozzle 200 of 215 °C, bed 200 of 215 °C"),
    ],
)
def test_what_two_reports_amount_to(
    nozzle: Heat | None, bed: Heat | None, state: str, off: bool, words: str
) -> None:
    heats = Heats(nozzle, bed)
    assert (heats.state, heats.off, str(heats)) == (state, off, words)


@pytest.mark.parametrize(
    ("text", "nozzle", "bed"),
    [
        ("ok T:21.3 /0.0 B:22.1 /60.0 @:0", Heat(21.3, 0), Heat(22.1, 60)),
        ("T0:-4 /215", Heat(-4, 215), None),
        (" B:60 / 60", None, Heat(60, 60)),
        ("RIGHT:1 /2 TB:3 /4", None, None),
        ("T:21.3", None, None),
    ],
)
def test_a_report_is_read_and_what_it_leaves_out_stays(
    text: str, nozzle: Heat | None, bed: Heat | None
) -> None:
    assert Heats().seen(text) == Heats(nozzle, bed)
    assert Heats(HOT, HOT).seen(text) == Heats(nozzle or HOT, bed or HOT)
