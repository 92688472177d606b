"""`override`: settings in a configuration file, with a second file that overrides it.

`M503` prints `;` headings and bare code lines with five decimals.  `M500` writes the override
file, which from then on masks the configuration file; `M502` deletes it at once and leaves the
live values alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from agent.errors import Refused
from agent.families.base import Query, StoreWords, notices_in
from agent.families.codes import Code, line_for, per_axis
from agent.families.dump import INCH_NOTE, Dialect
from agent.families.replay import KEPT
from agent.families.values import check_writable, plain_number
from agent.model.settings import Event, Readback
from agent.wire.exchange import Window

CODES: Final[dict[str, Code]] = {
    "M92": Code(per_axis("steps_per_mm"), tool_id="P", whole="XYZ"),
    "M203": Code(per_axis("max_speed"), tool_id="P", whole="XYZ", unset=True),
    "M201": Code(per_axis("max_acceleration"), tool_id="P", whole="XYZ", unset=True),
    "M204": Code({"S": "acceleration.print", "E": "max_acceleration.e"}, tool_id="P", unset=True),
    "M205": Code({"X": "junction_deviation", "S": "min_speed.print"}, unset=True),
    "M206": Code(per_axis("home_offset", "XYZ")),
    "M851": Code(per_axis("probe_offset", "XYZ")),
    "M301": Code(per_axis("hotend_pid", "PID"), tool="S"),
    "M304": Code(per_axis("bed_pid", "PID")),
}


DIALECT: Final = Dialect("override", CODES, KEPT | {"M203.1", "M907"})


class Override:
    """See the head of this module."""

    name = "override"
    words = StoreWords(store="M500", reload="M501", covers_steps=True)
    numbered_lines = True
    ack_first = False
    query_settings: tuple[Query, ...] = (Query("M503"),)
    names_itself: Query | None = None
    window = Window(lines=4)
    pause = 0.0

    def parse(self, lines: Sequence[str]) -> Readback:
        return DIALECT.parse(lines)

    def write_line(self, key: str, value: float, readback: Readback) -> str:
        setting = check_writable(key, value, readback)
        if INCH_NOTE in readback.notes:
            raise Refused("the controller is in inches, nothing is written", remedy=INCH_NOTE)
        line = line_for(key, plain_number(value), setting.raw, CODES)
        if line is None:
            raise Refused(
                f"{key} cannot be set by one line",
                remedy="Set it by hand with `send`, then read back",
            )
        return line

    def reply_events(self, line: str, reply: Sequence[str]) -> tuple[Event, ...]:
        return notices_in(reply)

    def file_line(self, key: str, value: float) -> str | None:
        return None
