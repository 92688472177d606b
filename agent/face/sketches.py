"""Small drawings beside a remedy: which end, which way, by how much.

Each is seen as the drawings of the pieces are: x to the right, or s where it is seen from +x.
"""

from __future__ import annotations

from collections.abc import Mapping
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


def bed_screws(places: Mapping[str, tuple[float, float]], told: Mapping[str, str]) -> str:
    """A bed of four screws from above, what is to be done beside each.

    places: x and s of each screw, mm;  told: what is to be done there.  Empty where the screws do
    not stand two by two.
    """
    rows = [sorted(row, key=lambda name: places[name][0]) for row in _two_by_two(places)]
    if [len(row) for row in rows] != [2, 2]:
        return ""
    (a, b), (c, d) = rows
    wide = max(len(word) for name in (a, c) for word in (name, told[name]))
    inner = 18

    def line(left: str, between: str, right: str = "") -> str:
        return f"  {left:>{wide}} {between} {right}".rstrip()

    edge, above = "o" + "-" * inner + "o", "|" + "seen from above".center(inner) + "|"
    return "\n".join(
        (
            line(a, " " * len(edge), b),
            line(told[a], edge, told[b]),
            line("s ^    ", f"|{' ' * inner}|"),
            line("  |    ", above),
            line("  +--> x", f"|{' ' * inner}|"),
            line(told[c], edge, told[d]),
            line(c, " " * len(edge), d),
        )
    )


def _two_by_two(places: Mapping[str, tuple[float, float]]) -> tuple[list[str], list[str]]:
    """Names of the screws with the greater and with the smaller s."""
    middle = sum(s for _, s in places.values()) / max(len(places), 1)
    return (
        [name for name, (_, s) in places.items() if s > middle],
        [name for name, (_, s) in places.items() if s <= middle],
    )


def bed_ends(low: str, mm: float) -> str:
    """A bed of two ends whose lower one, `front` or `back`, is to be raised by `mm`."""
    high = "back" if low == "front" else "front"
    return (
        f"  {high:<6} ___\n"
        "            ---___      now\n"
        "                  ---___\n"
        f"                         {low} ^ raise by {mm:.2f} mm"
    )
