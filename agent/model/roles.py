"""Axes by what they do, and the letters under which a controller knows them.

Roles: `across` (along the rail), `gantry` (up the tilted plane), `belt` (under it).  The
estimator names the same three x, y, z; a controller may use other letters or count the other
way, so every command line goes through `Axes`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Role = Literal["across", "gantry", "belt"]
ROLES: Final[tuple[Role, ...]] = ("across", "gantry", "belt")

#: Name of each role in parameters and readings files.
PARAMETER_LETTER: Final[dict[Role, str]] = {"across": "x", "gantry": "y", "belt": "z"}

#: What is sought above all; each has its tolerance.
WANTED: Final = ("x_scale", "y_scale", "z_scale", "gantry_angle_deg")

#: What is not a command line's business but a spanner's.
BY_HAND: Final = ("yaw_deg", "rail_deg", "roll_deg")


def scale_of(role: Role) -> str:
    """Public name of a role's scale error."""
    return f"{PARAMETER_LETTER[role]}_scale"


@dataclass(frozen=True, slots=True)
class Axes:
    """Letter of each role, with a leading `-` where the controller counts the other way.

    Positive `belt` is the way the nozzle travels over the belt when the gantry axis rises.
    """

    across: str = "x"
    gantry: str = "y"
    belt: str = "z"

    def letter(self, role: Role) -> str:
        """Lower-case letter of `role`, without sign."""
        return str(getattr(self, role)).lstrip("-")

    def sign(self, role: Role) -> int:
        """-1 where the controller counts `role` the other way, else 1."""
        return -1 if str(getattr(self, role)).startswith("-") else 1

    def role(self, letter: str) -> Role | None:
        """Role of a controller's letter, or None if no axis of the machine has it."""
        return next((role for role in ROLES if self.letter(role) == letter), None)
