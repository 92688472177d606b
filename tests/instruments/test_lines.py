"""Lines of instruments: what is a reading, and that nothing broken ever is one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import BadInput
from agent.instruments.lines import KINDS, Damaged, Failed, Measured, kind_named, understand
from tests.listing import inline
from tests.pinned import Pinned

NUMBERS = st.decimals(-999, 999, places=2, allow_nan=False)


def line_of(kind, value, low=False):
    """A line as an instrument of this kind sends it."""
    number = f"{abs(value):.{kind.decimals}f}".rjust(kind.width - 1, "0")
    line = "A1"[: kind.identifier] + ("-" if value < 0 else "+") + number
    return line + (" mm" if kind.unit else "") + (f" {kind.low_battery}" if low else "")


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
@given(value=NUMBERS, low=st.booleans())
def test_a_whole_line_is_its_number(kind, value, low):
    found = understand(kind, line_of(kind, value, low))
    assert isinstance(found, Measured)
    assert (found.mm, found.low_battery, found.inch) == (float(value), low, False)


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
@given(value=NUMBERS, data=st.data())
def test_a_broken_line_is_no_reading(kind, value, data):
    line = line_of(kind, value)
    at = data.draw(st.integers(0, len(line) - 1))
    junk = data.draw(st.sampled_from("x?*~#"))
    broken = {
        "cut behind": line[:at],
        "cut in front": line[at + 1 :],
        "one lost": line[:at] + line[at + 1 :],
        "one doubled": line[:at] + line[at] + line[at:],
        "another one": line[:at] + junk + line[at + 1 :],
        "run together": line[: at + 1] + line,
        "twice": line + line,
    }
    for how, text in broken.items():
        # an identifier is any letters and digits: one of it doubled, cut or changed may be one
        found = understand(kind, text)
        if isinstance(found, Measured):
            assert found.mm == float(value), how
            assert kind.identifier, how
            assert at < kind.identifier, how


def test_inches_are_understood_by_their_unit_and_their_decimals():
    kind = kind_named("number-unit")
    found = understand(kind, "+000.7870 in")
    assert isinstance(found, Measured)
    assert found.mm == pytest.approx(19.9898)
    assert found.inch
    assert isinstance(understand(kind, "+00000.78 in"), Damaged)
    assert isinstance(understand(kind, "+019.9800 mm"), Damaged)


def test_what_the_instrument_says_instead_of_a_number():
    assert isinstance(understand(kind_named("number-unit"), "ERR"), Failed)
    assert isinstance(understand(kind_named("identifier-digits"), "A1E1"), Failed)


def test_an_unknown_kind_names_those_that_there_are():
    with pytest.raises(BadInput, match="identifier of two characters"):
        kind_named("morse")


def test_every_form_of_a_line_means_what_was_read(pinned: Pinned) -> None:
    """Numbers, signs, units, batteries, complaints, and what is a character off."""
    lines = {
        "number-unit": (
            "+00019.98 mm", "-00019.98 mm", "+   19.98 mm", "+00000.00 mm", "-00000.01 mm",
            "+000.7870 in", "-  0.7870 in", "+00019.98 mm B", "+00019.98 mm L", "+000.7870 in B",
            "+00019.98", "+00019.98mm", "+00019.98 cm", "+00019.980 mm", "+0019.98 mm",
            "+000199.8 mm", "+00019,98 mm", "+19 98.00 mm", "+.0019.98 mm", " 00019.98 mm",
            "ERR", "OVER", " ERR ", "ERR B", "E1", "", "+        mm", "+19.98    mm",
        ),
        "identifier-digits": (
            "A1+000019.98", "Z9-     0.10", "a1+999999.99", "A1+000019.98 L", "A1+000019.98 B",
            "A+000019.98", "A12+00019.98", "A1+000019.98 mm", "A1+00000.787", "A1+0000.7870",
            "A1E1", "A1E2", "A1 E2", "E1", "A1E3", "A1", "-1+000019.98",
        ),
        "request": ("+00019.98 mm", "+000.7870 in", "ERR", "OVER", "+00019.98 mm B"),
    }  # fmt: skip
    text = [
        f"{kind} {line!r}: {inline(understand(kind_named(kind), line), 6)}"
        for kind, some in lines.items()
        for line in some
    ]
    text += [inline(kind) for kind in KINDS.values()]
    pinned("instruments/lines", "\n".join(text))
