"""The rail: one long layer whose rungs have their edges at an even pitch along the belt.

From edge to edge of the same side the width of the bead drops out.  Over whole roller turns an
eccentric roller gives no error; with several edges to a turn it shows itself.
"""

from __future__ import annotations

from collections.abc import Iterator

from agent.model.feature import Feature
from agent.model.profile import Profile
from agent.pieces.envelope import Envelope, check_sizes, in_range, period, whole_turns
from agent.pieces.marks import check_number, marks
from agent.pieces.sheet import LADDER_MM, RUNG_MM, Sheet, edge_feature
from agent.pieces.solid import START_S, Piece, Span

#: Length of the first rung, which carries the marks, mm.
_HEAD_MM = 12.0


def rail(
    profile: Profile,
    *,
    pitch: float | None = None,
    count: int = 5,
    reach: float = 200.0,
    number: int = 1,
) -> Piece:
    """Rail for the machine of `profile`.

    pitch   from edge to edge, mm; None: whole roller turns near 90, or 90
    count   how many pitches;  reach  greatest length the caliper takes, mm
    number  of the piece, 1 to 6, shown by pips

    Raises BadInput for sizes the machine has no room for.
    """
    room = Envelope.of(profile)
    if pitch is None:
        pitch = whole_turns(90.0, period(profile, "belt"), min(reach, 150.0))
    check_sizes(
        "rail",
        in_range("pitch", pitch, 3 * RUNG_MM, reach)
        + in_range("count", count, 1, 40, "")
        + in_range("length", pitch * count, 3 * RUNG_MM, 0.5 * room.belt)
        + in_range("width", LADDER_MM, 0.0, room.width)
        + check_number(number),
    )
    sheet = Sheet(profile.bead.height_mm)
    x = (room.middle - LADDER_MM / 2, room.middle + LADDER_MM / 2)
    edges = [START_S - _HEAD_MM - k * pitch for k in range(count + 1)]
    rungs: list[Span] = [(edges[0], START_S)]
    rungs += [(edge, edge + RUNG_MM) for edge in edges[1:]]
    # on the far half of the head, off the edge that is measured
    raised = marks(x, (START_S - 6.0, START_S - 0.5), sheet.height, sheet.height, number)
    head, *others = sheet.ladder(x, rungs)
    return Piece(
        name="rail",
        title="scale along the belt over a long run",
        prisms=(head, *raised, *others),
        features=tuple(_features(sheet, room.middle, edges, pitch, reach)),
        layer_angle=0.0,
        in_turn=True,
        size={"pitch": pitch, "count": float(count)},
    )


def _features(
    sheet: Sheet, x: float, edges: list[float], pitch: float, reach: float
) -> Iterator[Feature]:
    """Each single pitch, then the longest runs within reach, end to end."""
    for k in range(1, len(edges)):
        hint = f"from the -s edge of rung {k} to the -s edge of rung {k + 1}, jaws mid-rung"
        low, high = sheet.point(x, edges[k]), sheet.point(x, edges[k - 1])
        yield edge_feature(f"rail p{k}", "pitch", low, high, hint)
    run = min(int(reach / pitch + 1e-9), len(edges) - 1)
    if run < 2:
        return
    for number, k in enumerate(range(0, len(edges) - run, run), 1):
        hint = f"from the -s edge of rung {k + 1} to the -s edge of rung {k + 1 + run}"
        low, high = sheet.point(x, edges[k + run]), sheet.point(x, edges[k])
        yield edge_feature(f"rail r{number}", "pitch", low, high, hint)
