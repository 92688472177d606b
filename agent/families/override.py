"""`override`: settings in a configuration file, with a second file that overrides it.

`M503` prints `;` headings and bare code lines with five decimals.  `M500` writes the override
file, which from then on masks the configuration file; `M502` deletes it at once and leaves the
live values alone.
"""

from __future__ import annotations

from typing import Final

from agent.families.base import Evidence, StoreWords
from agent.families.codes import Code, per_axis
from agent.families.dump import READS, Dialect, DumpFamily
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
    sends = "keeps its settings in a file, and in a second one that overrides it"
    evidence = (
        Evidence(3, r".*config override"),
        Evidence(3, r"(?:echo:)*\s*M203\.1\b"),
        Evidence(3, r"M\d+ E\S+ P\d+$"),
        Evidence(2, r"M\d+ [A-Z]-?\d+\.\d{5}\b"),
        Evidence(3, r".*settings? stored to /"),
        Evidence(2, r"entering alarm"),
        Evidence(2, r"!!$|error:alarm lock"),
        Evidence(1, r"ok .*(?:emergency|M999)|rs N?\d"),
    )
    dialect = DIALECT
    words = StoreWords(store="M500", reload="M501", covers_steps=True)
    reads = READS
    sets = frozenset(CODES) | DIALECT.kept
