"""The usual cautions, shown before the first motion or heating of a session."""

from __future__ import annotations

from typing import Final

from agent.errors import Declined
from agent.face.desk import Desk
from agent.face.screen import broken, text_width

#: Each danger by its word, and what to do about it.
_DANGERS: Final = (
    (
        "Heat",
        "The nozzle reaches over 200 °C, the bed over 50 °C; both stay hot after they are switched"
        " off. Do not touch; keep paper away.",
    ),
    (
        "Motion",
        "Belt and rollers draw in fingers, sleeves and hair. Keep clear while anything moves; do"
        " not remove a part while it runs.",
    ),
    (
        "Surprise",
        "With a wrong setting an axis may travel ten times too far. Stay at the power switch until"
        " you have seen the first short move go the right distance.",
    ),
    (
        "Mains",
        "Heaters may be fed from the mains. Do not open covers while the machine is powered.",
    ),
    ("Sinking", "A tilted gantry may sink when its motors lose power. Support it."),
    (
        "Stop",
        "The power switch is the emergency stop: commands sent over this link may wait behind"
        " queued moves. Know where the switch is.",
    ),
    ("Fumes", "Ventilate, and do not leave a heated machine alone."),
)

_LOCAL: Final = (
    "Local codes and the maker's instructions come first. Work on mains wiring and guards is for"
    " people licensed to do it where you are."
)


def cautions_text(width: int = 78) -> str:
    """The cautions in lines of at most `width` columns."""
    lines = ["BEFORE THE MACHINE MOVES OR HEATS"]
    for word, text in _DANGERS:
        lines += broken(text, width, head=f"  {word:<10}", under=" " * 12)
    return "\n".join([*lines, *broken(_LOCAL, width)])


def acknowledge(desk: Desk) -> None:
    """Show the cautions once a session and have them acknowledged.

    Raises Refused if they are not; nothing has moved then.
    """
    if desk.cautioned:
        return
    desk.screen.say(cautions_text(text_width()))
    if desk.rehearsal is not None:
        desk.screen.say("(This machine is simulated; on a real one all of this holds.)")
    if not desk.screen.agrees("\nRead and understood?", "understood"):
        raise Declined(
            "cancelled: the cautions were not acknowledged",
            remedy="Nothing was moved or heated. Type the command again, and 'understood' (not"
            " 'yes') to continue",
        )
    desk.cautioned = True
