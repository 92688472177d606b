"""The usual cautions, shown before the first motion or heating of a session."""

from __future__ import annotations

from typing import Final

from agent.errors import Declined
from agent.face.desk import Desk

CAUTIONS: Final = """\
BEFORE THE MACHINE MOVES OR HEATS
  Heat      The nozzle reaches over 200 C and the bed over 50 C, and both stay
            hot after they are switched off. Do not touch; keep paper away.
  Motion    Belt and rollers draw in fingers, sleeves and hair. Keep clear
            while anything moves, and pull no part off during a run.
  Surprise  After a wrong setting an axis may travel ten times too far. Until
            the first short move was seen to be right, stand by the switch.
  Mains     Heaters may be fed from the mains. Open no cover under power.
  Sinking   A tilted gantry may sink when its motors are let go. Support it.
  Stop      The power switch is the emergency stop: words on this link may
            wait behind moves that are queued. Know where the switch is.
  Fumes     Ventilate, and do not leave a heated machine alone.
Local codes and the maker's instructions come first. Work on mains wiring and
guards is for people licensed to do it where you are."""


def acknowledge(desk: Desk) -> None:
    """Show the cautions once a session and have them acknowledged.

    Raises Refused if they are not; nothing has moved then.
    """
    if desk.cautioned:
        return
    desk.screen.say(CAUTIONS)
    if desk.rehearsal is not None:
        desk.screen.say("(This machine is simulated; on a real one all of this holds.)")
    if not desk.screen.agrees("\nRead and understood?", "understood"):
        raise Declined(
            "the cautions were not acknowledged",
            remedy="Nothing was moved or heated. Give the command again when you are ready",
        )
    desk.cautioned = True
