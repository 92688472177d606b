"""`gauge PIECE --scan FILE`: a flat piece read from a flatbed scan instead of with a caliper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from agent.errors import BadInput, Refused
from agent.face.desk import Desk
from agent.model.feature import length

if TYPE_CHECKING:
    from agent.pieces import Piece
    from agent.scan.reading import ScanReading

#: Resolution of the simulated scanner where none is asked for.
USUAL_DPI = 300.0


def read_scan(
    desk: Desk, piece: Piece, name: str, path: Path, dpi: float | None, picture: Path | None
) -> ScanReading:
    """What the scan in `path` shows of `piece`; in a rehearsal a scan that is not there is made.

    Raises BadInput for a file that is no scan, Refused for one that cannot be relied on.
    """
    from agent.scan.image import load_scan
    from agent.scan.reading import read_scan

    if picture is not None and picture.exists():
        raise BadInput(f"{picture} is there already", remedy="Give the picture another name")
    if desk.rehearsal is not None and not path.exists():
        desk.rehearsal.scan(name, path, dpi or USUAL_DPI)
        desk.screen.say(f"The simulated scanner wrote {path}.")
    scan = load_scan(path, dpi)
    read = read_scan(scan, piece)
    if picture is not None:
        from agent.scan.picture import picture as drawn
        from agent.store.atomic import ABSENT, write_file

        write_file(picture, drawn(scan, read, piece), expect=ABSENT)
    return read


def told(desk: Desk, read: ScanReading, picture: Path | None) -> None:
    """What was read from a scan, and what it says of the scanner."""
    screen, plane = desk.screen, read.plane
    rows = [
        [
            one.feature.name,
            one.feature.kind,
            f"{length(one.feature.along):.2f}",
            f"{one.mm:.3f}",
            f"± {2 * one.u_mm:.3f}",
        ]
        for one in read.taken
    ]
    screen.table(["feature", "kind", ">nominal, mm", ">measured, mm", ">± (95 %)"], rows)
    for name, why in read.left_out.items():
        screen.say(f"! {name} is left out: {why}.")
    across, along = (f"{100 * scale:+z.2f} %" for scale in plane.scale)
    screen.say(
        f"By the rules the scanner is off by {across} across, {along} along and"
        f" {plane.askew_deg:+z.2f}° from square; that is taken out. Graduations fit to"
        f" {plane.residual:.3f} mm."
    )
    if picture is not None:
        screen.say(f"The edges taken and the jaw positions are in {picture}: look at it.")


def plain(read: ScanReading) -> dict[str, Any]:
    """What a scan gave, as plain data."""
    return {
        "features": [
            {"name": one.feature.name, "mm": round(one.mm, 5), "u_mm": round(one.u_mm, 5)}
            for one in read.taken
        ],
        "left_out": dict(read.left_out),
        "scanner": {
            "scale_percent": [round(100 * scale, 5) for scale in read.plane.scale],
            "askew_deg": round(read.plane.askew_deg, 5),
            "blur_mm": round(read.blur_mm, 4),
        },
    }


def meant(desk: Desk, what: str | None, sizes: dict[str, float] | None) -> tuple[Piece, str]:
    """The piece that a scan shows, and its name if it is a laid one, else ''.

    That of the name, the newest without one, or one that was printed otherwise.  Raises BadInput
    where no piece is named, Refused where a rehearsal laid none.
    """
    from agent.pieces import CATALOGUE

    session = desk.session
    laid = [piece for piece in session.now.laid if what in (None, piece.name)]
    if laid and sizes is None:
        return laid[-1].piece, laid[-1].name
    name = laid[-1].piece.name if laid else what
    if name not in CATALOGUE:
        raise BadInput(
            "a scan wants the name of the piece that it shows", remedy="'gauge strip --scan FILE'"
        )
    if desk.rehearsal is not None:
        raise Refused(
            f"no {name} has been laid, so none can lie on the glass", remedy=f"'lay {name}' first"
        )
    return session.pieces.draw(name, sizes), ""
