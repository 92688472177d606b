"""What a bench does to readings: the usual size of each contributor to their uncertainty.

The list follows the idea of ISO 14253-2 (PUMA): every contributor by name, whether it can be seen
in the readings or not.  Each size is a standard uncertainty; the defaults are what an ordinary
bench with a 150 or 200 mm digital caliper and a desktop printer shows.  All are common practice (no
source) unless said otherwise, and all can be stated for a machine or a bench of one's own.  How
each enters the estimate is told in `agent.estimate.effects`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any, Final


def _usual(size: float, words: str, remedy: str) -> Any:
    return field(default=size, metadata={"words": words, "remedy": remedy})


@dataclass(frozen=True, slots=True)
class Budget:
    """Standard uncertainty of each contributor; 0 leaves it out."""

    zero_mm: float = _usual(0.02, "zero of the caliper", "close the jaws, wipe them, set zero")
    inside_jaws_mm: float = _usual(
        0.03, "inside jaws against outside jaws", "read both on a ring or a known gap"
    )
    square_mm: float = _usual(
        0.03, "square, depth blade or step face", "turn the square round and read again"
    )
    by_length_mm: float = _usual(
        0.012, "error of the caliper by length", "check the caliper on blocks of known length"
    )
    caliper_scale_percent: float = _usual(
        0.01, "scale of the caliper", "check the caliper on a block of known length"
    )
    scan_percent: float = _usual(
        0.01, "scale of what else reads a piece", "compare the rule of a scan with a known length"
    )
    squeeze_percent: float = _usual(
        0.02, "closing force on thin strips", "close the jaws lightly on thin strips"
    )
    hand_mm: float = _usual(0.02, "the hand, by direction", "let a second person read")
    seating_mm: float = _usual(
        0.015, "what all repeats of a reading share", "take the caliper off between repeats"
    )
    form_mm: float = _usual(0.02, "form of single faces", "read away from seams and corners")
    first_layer_mm: float = _usual(
        0.05, "first layer wider than planned, each side", "scrape the edges of flat pieces"
    )
    foot_mm: float = _usual(
        0.1, "elephant foot where lean and sway start", "read lean from both opposite faces"
    )
    corner_mm: float = _usual(
        0.05, "corner swell of short lengths", "read short lengths away from the corners"
    )
    shrink_by_direction_percent: float = _usual(
        0.05, "shrink that differs by direction", "confirm scales by moves, without plastic"
    )
    warm_percent: float = _usual(0.04, "a piece not yet cool", "let the piece cool for longer")
    lost_motion_mm: float = _usual(
        0.03, "lost motion of the moves", "approach from one side, or read a second, short move"
    )
    gauge_mm: float = _usual(
        0.03, "offset of the gauge of the moves", "read a second, short move of the axis"
    )
    gauge_percent: float = _usual(
        0.01, "scale of the gauge of the moves", "check the gauge on a known length"
    )
    belt_percent: float = _usual(
        0.02, "scale of the belt from piece to piece", "read the belt at more than one place"
    )
    roller_wave_mm: float = _usual(
        0.02, "roller out of round", "choose whole turns of the roller as lengths"
    )
    loop_wave_mm: float = _usual(
        0.05, "wave of the belt loop", "read the belt at more than one place of its loop"
    )
    belt_walk_mm: float = _usual(
        0.1, "belt that walks sideways", "read the belt at more than one place of its loop"
    )
    bow_mm: float = _usual(
        0.03, "bow of the rail and sag of the gantry, on 160 mm", "read an axis over two lengths"
    )
    hot_frame_percent: float = _usual(
        0.01, "frame that grows when hot", "take the moves with the machine as warm as in printing"
    )
    sliced_deg: float = _usual(
        0.0, "angle as sliced, of pieces printed by other means", "ask for the angle as sliced"
    )


#: Name, words and remedy of each contributor, in the order of the list.
CONTRIBUTORS: Final[dict[str, tuple[str, str]]] = {
    f.name: (f.metadata["words"], f.metadata["remedy"]) for f in fields(Budget)
}

#: A budget without any contributor: readings that follow the model but for what is stated of them.
NO_BUDGET: Final = Budget(**dict.fromkeys(CONTRIBUTORS, 0.0))
