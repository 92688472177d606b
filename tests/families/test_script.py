"""The family that keeps its settings in a script."""

from agent.families import from_log


def test_the_script_s_own_text_is_no_reading() -> None:
    """Asked for its settings it prints the script: not what is live, in mm/min, maybe cut."""
    text = "M92 X80.000 Y80.000 E420.000:415.000\nM566 X900.00\nM203 X6000.00\nok\n"
    found = from_log(text)
    assert (found.family, dict(found.settings)) == ("script", {})
    assert all("not the live value" in note for note in found.notes)
    assert len(found.notes) == 3
