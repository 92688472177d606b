"""`replay`: answers M503 with the code lines that would make its settings.

Live values are in RAM; `M500` stores all of them, `M501` loads what is stored over them.
"""

from __future__ import annotations

from typing import Final

from agent.families.base import Evidence, StoreWords
from agent.families.codes import Code, per_axis
from agent.families.dump import READS, Dialect, DumpFamily

CODES: Final[dict[str, Code]] = {
    "M92": Code(per_axis("steps_per_mm"), tool="T", whole="XYZ"),
    "M203": Code(per_axis("max_speed"), tool="T", whole="XYZ"),
    "M201": Code(per_axis("max_acceleration"), tool="T", whole="XYZ"),
    "M204": Code(
        {"P": "acceleration.print", "R": "acceleration.retract", "T": "acceleration.travel"},
        with_s={"S": "acceleration.print", "T": "acceleration.retract"},
    ),
    "M205": Code(
        {
            "S": "min_speed.print",
            "T": "min_speed.travel",
            "B": "segment_time",
            "Q": "segment_time",
            **per_axis("jerk"),
            "J": "junction_deviation",
        },
        x_for_y=True,
    ),
    "M206": Code(per_axis("home_offset", "XYZ")),
    "M851": Code(per_axis("probe_offset", "XYZ")),
    "M301": Code(per_axis("hotend_pid", "PID"), tool="E"),
    "M304": Code(per_axis("bed_pid", "PID")),
    "M906": Code(per_axis("motor_current"), tool="T", motor="I"),
    "M852": Code(per_axis("skew", "IJKS")),
}

#: Settings that stay text, most of them because their meaning differs between controllers.
#: Those up to M914 are seen in dumps; the last row is common practice.
_KEPT: Final = """
    G29 G54 M145 M149 M200 M207 M208 M209 M210 M211 M212 M218 M250 M350 M412 M413 M414 M420
    M422 M569 M603 M665 M666 M710 M808 M900 M913 M914
    M217 M281 M309 M425 M430 M575 M593 M672 M871 M919
"""
KEPT: Final = frozenset(_KEPT.split())


DIALECT: Final = Dialect("replay", CODES, KEPT)


class Replay(DumpFamily):
    """See the head of this module."""

    name = "replay"
    sends = "answers M503 with the code lines that would make its settings; live until M500"
    evidence = (
        Evidence(2, r"(?:echo:)+\s+[GM]\d"),
        Evidence(2, r"M92 X"),
        Evidence(2, r"(?:echo:\s*)*(?:V\d+\s+)?stored settings retr"),
        Evidence(2, r".*settings? stored \("),
        Evidence(2, r".*version mismatch\s*\("),
        Evidence(1, r"error:.*(?:last line:|halted|kill|stopped)"),
        Evidence(1, r".*ok\b.*\bP\d+ B\d+$"),
        Evidence(1, r"echo:"),
    )
    dumps_at_boot = True
    dialect = DIALECT
    words = StoreWords(store="M500", reload="M501", covers_steps=True)
    reads = READS | {"M503 S0", "M503 S1", "M31", "M201", "M204", "M205", "M206", "M851"}
    sets = frozenset(CODES) | KEPT
