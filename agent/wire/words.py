"""What kind of thing a received line is, told from its words alone.

Only patterns that stand for a kind of line in some family are here; everything else is data.
Case matters in one place: `error:` answers a line in place of an acknowledgement, `Error:` is
a remark with an acknowledgement still to come.
"""

from __future__ import annotations

import re
from typing import Final

#: An acknowledgement at the start of a line always counts.
ACKNOWLEDGED: Final = re.compile(
    r"ok(?![a-z])(?:\s+N?(?P<number>-?\d+)(?![\d.:]))?(?:\s+P(?P<planner>\d+)\s+B(?P<slots>\d+))?"
    r"\s*(?P<rest>.*)"
)

#: Behind other text it counts with a line number or with both numbers of free slots.
GLUED: Final = re.compile(
    r"(?<![\sa-zA-Z])(?:N(?P<echo>\d+))?ok"
    r"(?:\s+N?(?P<number>\d+))?(?:\s+P(?P<planner>\d+)\s+B(?P<slots>\d+))?\s*$"
)

#: What most lines of a settings list begin with; none of the other kinds does.
PLAIN: Final = re.compile(r"(?:echo:\s+)?(?:;|[GM]\d)|echo:;|\$|EPR:")

#: Data behind a report that was cut off: what it says is lost, and must not go unnoticed.
BURIED: Final = re.compile(r"echo:\s|[GM]\d+ [A-Z]-?\d|\$\d+=|EPR:")

#: The first word of a boot, alone or behind junk or a debug word.
START: Final = re.compile(r"(?:^|\S)(?<!re)(?<!Re)start$")

_KINDS: Final = re.compile(
    r"""
      (?P<acknowledged> (?-i:ok(?![a-z])) )
    | (?P<resend>       (?:resend|rs)\b:?\s*N?(?P<wanted>-?\d+) )
    | (?P<complaint>    error:.*last\ line:\s*-?\d+ )
    | (?P<halted>       error:.*(?:halted|killed|kill\(\)|stopped)
                        | entering\ alarm | alarm:\s*\d+ )
    | (?P<rejected>     (?-i:error:) (?!.*(?:crc|size\ error|writing)) | !! )
    | (?P<busy>         (?:echo:)?\s*busy:\s*(?P<reason>.*) )
    | (?P<idle>         wait$ )
    | (?P<foreign>      (?:echo:)?\s*enqu[eu]*ing\b.*?"(?P<command>.*)" )
    | (?P<restarted>    (?:echo:)?\s*(?P<cause>(?:power-?\ ?up|external|brown-?\ ?out|watchdog
                        |software)\ reset)$ | .*\['\$'\ for\ help\]$ )
    | (?P<unsolicited>  T\d?:\s*-?\d | [BC]:\s*-?\d+\.\d+\s*/ | // | [XYZ]:\s*-?\d+\.\d+\s[XYZE]:
                        | (?:echo:)?\s*(?:sd\ init\ fail|sd\ card\ ok|no\ sd\ card
                        | not\ sd\ printing | sd\ printing\ byte) | <[a-z]+[|,:>] | \[(?:msg|echo):
                        | >\S.*:(?:ok|error:\d+)$ )
    """,
    re.VERBOSE | re.IGNORECASE,
)


def recognised(text: str) -> re.Match[str] | None:
    """Match whose `lastgroup` ends the kind of line, or None for data."""
    return _KINDS.match(text)


#: Why a line of the `numbered` family was refused.
REFUSALS: Final = {
    2: "bad number",
    3: "unknown command",
    4: "negative value",
    5: "a setting it depends on is off",
    7: "stored settings could not be read, defaults are live",
    8: "not idle",
    9: "locked by an alarm or a jog",
    10: "a setting it depends on is off",
    11: "line too long",
    12: "step rate too high",
    17: "a setting it depends on is off",
}

#: Why a controller of the `numbered` family has stopped.
ALARMS: Final = {
    1: "hard limit",
    2: "soft limit",
    3: "reset while moving",
    4: "probe in the wrong state",
    5: "probe found nothing",
    6: "homing: reset",
    7: "homing: door open",
    8: "homing: switch still pressed",
    9: "homing: switch not found",
}


def refusal(text: str) -> str:
    """Reason given by an answer that stands in place of an acknowledgement."""
    if text == "!!":
        return "halted"
    said = text.partition(":")[2].strip()
    meaning = REFUSALS.get(int(said), "") if said.isdecimal() else ""
    return f"{said} ({meaning})" if meaning else said


def halt_reason(text: str) -> str:
    """Reason in a line that announces a halt; empty if an earlier line has told it."""
    word, _, said = text.partition(":")
    said = said.strip()
    match word.lower():
        case "alarm":
            return f"alarm {said}: {ALARMS.get(int(said), 'unknown')}" if said.isdecimal() else text
        case "error":
            return said
        case _:
            return "" if word.lower().startswith("entering") else text
