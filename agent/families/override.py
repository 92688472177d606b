"""`override`: settings in a configuration file, with a second file that overrides it.

`M503` prints `;` headings and bare code lines with five decimals.  `M500` writes the override
file, which from then on masks the configuration file; `M502` deletes it at once and leaves the
live values alone.
"""

from __future__ import annotations

from typing import Final

from agent.families.base import StoreWords
from agent.families.codes import Code, per_axis
from agent.families.dump import Dialect, DumpFamily
from agent.families.replay import KEPT

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


class Override(DumpFamily):
    """See the head of this module."""

    name = "override"
    dialect = DIALECT
    words = StoreWords(store="M500", reload="M501", covers_steps=True)
