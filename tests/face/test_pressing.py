"""Readings by the button of an instrument, on a real terminal, with typing beside it."""

import os
import re
import sys

import pytest

from sim.instrument import PocketCaliper, line_faults
from tests.patience import PATIENCE

pexpect = pytest.importorskip("pexpect")


def at_gauge(tmp_path, *options, term="vt100"):
    """`gauge strip` on a terminal, as far as its first question for a reading."""
    env = {**os.environ, "PLUMBELT_HOME": str(tmp_path), "TERM": term, "COLUMNS": "80"}
    arguments = ["-m", "agent.face.main", "gauge", "strip", "--profile", "heron", *options]
    gauge = pexpect.spawn(
        sys.executable, arguments, env=env, encoding="utf8", timeout=PATIENCE, dimensions=(60, 90)
    )
    gauge.expect("present state")
    gauge.sendline("yes")
    gauge.expect("temperature")
    gauge.sendline("")
    gauge.expect("Minutes")
    gauge.sendline("")
    gauge.expect("strip s1, 1 of 3")
    return gauge


def rest_of(gauge):
    gauge.expect(pexpect.EOF)
    gauge.close()
    return re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", gauge.before)


@pytest.mark.parametrize("term", ["vt100", "dumb"])
def test_presses_and_typing_side_by_side_until_the_cable_is_pulled(tmp_path, term):
    caliper = PocketCaliper("tcp:0", faults=line_faults(["cut:3", "low-battery:2", "unplug:6"]))
    try:
        gauge = at_gauge(tmp_path, "--instrument", caliper.address, term=term)
        assert caliper.attended.wait(PATIENCE)
        caliper.press(20.01)
        gauge.expect("20.01 mm")
        gauge.expect("s1, 2 of 3")
        caliper.press(20.02)
        gauge.expect("battery is low")
        gauge.expect("s1, 3 of 3")
        caliper.press(20.03)  # cut in the middle, and so is the line behind it
        caliper.press(20.03)
        gauge.expect("no reading")
        gauge.sendline("20.03")
        gauge.expect("s2, 1 of 3")
        caliper.press(60.01)
        gauge.expect("s2, 2 of 3")
        caliper.press(60.02)
        gauge.expect("instrument is gone")
        gauge.expect("s2, 2 of 3")
        gauge.sendline("60.02")
        gauge.expect("3 of 3")
        gauge.sendline("stop")
        words = rest_of(gauge)
        assert "20.01 20.02 20.03" in words
        assert "60.01 60.02" in words
    finally:
        caliper.close()


def test_a_keyboard_cable_types_without_pauses(tmp_path):
    """Digits and Enter at once, as such cables send them: three readings of two features."""
    gauge = at_gauge(tmp_path)
    gauge.send("20.01\r20.02\r20.03\r60.01\r60.02\r60.03\rstop\r")
    words = rest_of(gauge)
    assert "20.01 20.02 20.03" in words
    assert "60.01 60.02 60.03" in words
