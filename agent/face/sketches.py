"""Small drawings beside a remedy: which end, which way, by how much.

Each is seen as the drawings of the pieces are: x to the right, or s where it is seen from +x.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from agent.estimate.solution import Advice

#: `/` is the gantry as it stands, `:` where it belongs.
_STEEPER: Final = """\
        : <- /     seen from +x
        :   /      / now   : wanted
        :  /       the upper end goes back (-s)
        : /        by {mm:.1f} mm over {span:g} mm
   _____:/_____ s"""

_FLATTER: Final = """\
     / -> :        seen from +x
    /    :         / now   : wanted
   /   :           the upper end goes forward (+s)
  /  :             by {mm:.1f} mm over {span:g} mm
 /_:__________ s"""

_LOW: Final = """\
 {up:>6}              ^    {seen}
   |  --..__        |    -- now   .. wanted
   |  ......--..__..|    the +x end goes {way}
   |              --|    by {mm:.1f} mm over {span:g} mm
   +--------------- x"""

_HIGH: Final = """\
 {up:>6}            __|    {seen}
   |        __--''  |    -- now   .. wanted
   |  __--''........|    the +x end goes {way}
   |  ''            v    by {mm:.1f} mm over {span:g} mm
   +--------------- x"""

#: Code of an advice: what stands upright in its picture, from where it is seen, and the way of the
#: +x end where it is too low in the picture and where it is too high.
_ENDS: Final = {
    "yaw": ("s", "seen from above", "forward (+s)", "back (-s)"),
    "rail": ("gantry", "seen square to the gantry", "up the gantry", "down the gantry"),
    "roll": ("h", "seen from behind (from -s)", "up", "down"),
}


def sketch(advice: Advice) -> str:
    """The drawing of a remedy; empty where there is nothing to turn."""
    turn = advice.turn
    if turn is None:
        return ""
    size = {"mm": abs(turn.mm), "span": turn.span_mm}
    if advice.code == "angle":
        return (_STEEPER if turn.mm > 0 else _FLATTER).format(**size)
    if advice.code not in _ENDS:
        return ""
    up, seen, raised, lowered = _ENDS[advice.code]
    low = turn.mm > 0
    return (_LOW if low else _HIGH).format(up=up, seen=seen, way=raised if low else lowered, **size)


def bed_ends(low: str, mm: float) -> str:
    """A bed of two ends whose lower one, `front` or `back`, is to be raised by `mm`."""
    high = "back" if low == "front" else "front"
    return (
        f"  {high:<6} ___\n"
        "            ---___      now\n"
        "                  ---___\n"
        f"                         {low} ^ raise by {mm:.2f} mm"
    )
