"""What a profile does not know yet, what each gap forbids, and what in it cannot be right."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from agent.change.guards import plausible
from agent.change.judgement import judge_change
from agent.model.profile import ANGLE, BED, NOZZLE, Profile
from agent.model.roles import ROLES
from agent.model.settings import Readback
from agent.plain import Plain


@dataclass(frozen=True, slots=True)
class Gap(Plain):
    """Something that is not known."""

    key: str  #: dotted, as in the file
    forbids: str


@dataclass(frozen=True, slots=True)
class Checked:
    """A profile as it stands."""

    gaps: tuple[Gap, ...]
    findings: tuple[str, ...]

    @property
    def complete(self) -> bool:
        return not self.gaps

    def to_plain(self) -> dict[str, Any]:
        return {
            "complete": self.complete,
            "gaps": [gap.to_plain() for gap in self.gaps],
            "findings": list(self.findings),
        }


def check(profile: Profile, live: Readback | None = None) -> Checked:
    """Gaps of `profile` and what is doubtful in it, against the live machine where there is one."""
    return Checked(tuple(_gaps(profile)), tuple(_findings(profile, live)))


def _gaps(profile: Profile) -> Iterator[Gap]:
    known, material = profile.mechanics, profile.material
    if known.gantry_angle_deg is None:
        yield Gap(ANGLE, "lay and piece: every move of gantry and belt follows from the angle")
    for role in ROLES:
        if role not in known.drives:
            yield Gap(
                f"mechanics.drives.{role}",
                "a wrong stored value is not found, and how far a move could go at worst is not"
                " known",
            )
    for role in ROLES:
        if role not in known.travel_mm:
            yield Gap(f"mechanics.travel_mm.{role}", "lay: no piece is laid without its room")
    if material.nozzle_c is None:
        yield Gap(NOZZLE, "lay and feed")
    if material.bed_c is None:
        yield Gap(BED, "lay")
    if known.belt_loop_mm is None:
        yield Gap("mechanics.belt_loop_mm", "marks: a fault of the belt's joint is not named")
    if known.stand is None and known.screws is None:
        yield Gap("mechanics.bed", "gauge bed, and tilt in turns of screws")
    if not profile.settings:
        yield Gap("settings", "profile restore and compare: 'profile save' reads them")


def _findings(profile: Profile, live: Readback | None) -> Iterator[str]:
    bead = profile.bead
    if bead.height_mm > bead.width_mm:
        yield (
            f"bead: {bead.height_mm:g} mm high and {bead.width_mm:g} mm wide; beads are wider than"
            " high"
        )
    if live is None:
        return
    if live.damaged:
        yield "the controller was not read cleanly, so nothing is compared: read it again"
        return
    if profile.family is not None and profile.family != live.family:
        yield (
            f"family: the profile says '{profile.family}', the controller answers as"
            f" '{live.family}'"
        )
    for role in ROLES:
        letter = profile.axes.letter(role)
        if f"steps_per_mm.{letter}" not in live.settings:
            yield f"axes.{role}: the controller has no axis {letter.upper()}"
    yield from map(str, plausible(live, profile.mechanics, profile.axes))
    judged = judge_change(profile, live)
    if judged.kind != "same":
        yield judged.text
