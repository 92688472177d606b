"""`gauge check` and `gauge PIECE --toolpath FILE`: what readings rest on, checked beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from agent.errors import BadInput, Problem, Refused
from agent.face.desk import Desk

#: What `gauge` takes instead of a piece for a check of the caliper.
CHECK: Final = "check"


def check_instrument(desk: Desk, numbers: Sequence[float]) -> None:
    """Check the caliper on a known length, the first of `numbers`; the result is kept.

    Raises Refused where it is proved to be off by more than it may.
    """
    from agent.estimate.checking import checked

    if not numbers:
        raise BadInput(
            "a check needs a known length and what the display showed",
            remedy="For example: gauge check 50 50.01 50.00 50.01",
        )
    found = checked(numbers[0], numbers[1:], desk.session.profile.instrument)
    said = (
        f"Caliper on {found.known_mm:g} mm: {found.deviation_mm:+z.3f} mm ± {2 * found.u_mm:.3f}"
        f" (95 %), allowed ± {found.mpe_mm:g}: {found.verdict}."
    )
    desk.session.book.append("check", {"text": said, **found.to_plain()})
    kept = "Kept with its day: what is read with this caliper from now on is judged by it."
    desk.screen.answer(found.to_plain(), lambda: desk.screen.say(f"{said} {kept}"))
    if found.verdict == "does not conform":
        raise Refused(
            "the caliper is off by more than its stated error",
            remedy="Clean its jaws and set its zero, or give its true error in the profile",
        )


def check_slicing(desk: Desk, what: str | None, path: Path) -> None:
    """Hold the slicing angle that a toolpath file tells against the one in use.

    Raises Refused where they differ: every reading of that piece would mislead.
    """
    from agent.pieces import PIECES
    from agent.pieces.sliced import sliced_angle
    from agent.store.nodes import read_file

    if what not in PIECES:
        raise BadInput(
            "a toolpath file belongs to one piece",
            problems=[Problem("command line", None, "--toolpath", "expected a piece before it")],
            remedy="For example: gauge post --toolpath post.gcode",
        )
    text = read_file(path).decode("utf-8", errors="replace")
    found = sliced_angle(
        text.splitlines(), desk.session.pieces.draw(what), desk.session.profile.axes
    )
    stated = desk.session.profile.mechanics.angle_deg
    if not found.fits(stated):
        raise Refused(
            f"{path} was sliced at {found.angle_deg:.2f}°, but {stated:g}° is in use",
            remedy="Slice it anew, or give that angle to the profile. No reading was taken",
        )
    desk.screen.say(f"{path} was sliced at {found.angle_deg:.2f}°, as stated.")
