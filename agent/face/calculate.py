"""`drive`: steps per mm from the parts of a drive train, and after one of them was replaced."""

from __future__ import annotations

from typing import Any

import click

from agent.errors import BadInput, Problem
from agent.face.desk import Desk
from agent.face.options import COMMAND_LINE, LENGTH, RATIO, Count, Number, Verb, wrong_line
from agent.model.drive import Drive, Output, Roller, Screw, Toothed, steps_after_change
from agent.model.roles import ROLES, Role

_UNGIVEN = click.core.ParameterSource.DEFAULT

#: Options of each kind of output: those that must be there, then those that may be.
_OUTPUTS = {
    "roller": (("roller", "belt"), ("neutral", "u_roller", "u_belt")),
    "toothed belt": (("teeth", "pitch"), ()),
    "screw": (("lead",), ()),
}


@click.command(cls=Verb)
@click.argument("axis", required=False, type=click.Choice(ROLES), metavar="[across|gantry|belt]")
@click.option("--profile", "profile_name", help="of this machine: a name or a file")
@click.option("--keep", is_flag=True, help="with an axis: put the new part into the profile")
@click.option(
    "--full-steps", type=Count(1), default=200, show_default=True, help="full steps per motor turn"
)
@click.option("--microsteps", type=Count(1), default=16, show_default=True)
@click.option(
    "--ratio", type=RATIO, default=1.0, show_default=True, help="motor turns per output turn"
)
@click.option("--roller", type=LENGTH, help="diameter of the bare driven roller, mm")
@click.option("--belt", type=LENGTH, help="thickness of the belt, mm")
@click.option("--neutral", type=Number("mm", least=0), help="neutral line above the roller, mm")
@click.option("--u-roller", type=Number("mm", least=0), help="standard uncertainty, mm [0.03]")
@click.option("--u-belt", type=Number("mm", least=0), help="standard uncertainty, mm [0.03]")
@click.option("--teeth", type=Count(1), help="teeth of the pulley")
@click.option("--pitch", type=LENGTH, help="pitch of the toothed belt, mm")
@click.option("--lead", type=LENGTH, help="travel of the screw in a turn, mm")
@click.option("--measured-steps", type=RATIO, help="step/mm measured before a part was replaced")
@click.option(
    "--was-microsteps", type=Count(1), help="value before the replacement (default: unchanged)"
)
@click.option("--was-ratio", type=RATIO, help="value before the replacement (default: unchanged)")
@click.option("--was-roller", type=LENGTH, help="value before the replacement (default: unchanged)")
@click.option("--was-belt", type=LENGTH, help="value before the replacement (default: unchanged)")
@click.option(
    "--was-neutral",
    type=Number("mm", least=0),
    help="value before the replacement (default: unchanged)",
)
@click.option(
    "--was-teeth", type=Count(1), help="value before the replacement (default: unchanged)"
)
@click.option("--was-pitch", type=LENGTH, help="value before the replacement (default: unchanged)")
@click.option("--was-lead", type=LENGTH, help="value before the replacement (default: unchanged)")
def drive(
    desk: Desk,
    /,
    axis: Role | None,
    profile_name: str | None,
    keep: bool,
    full_steps: int,
    microsteps: int,
    ratio: float,
    measured_steps: float | None,
    **given: float | None,
) -> None:
    """Steps per mm from the parts of a drive train.

    Give a roller with its belt, a toothed belt, or a screw. After a part was replaced, give the
    measured steps and what it was before: the measured value carries what no calculation knows.
    With an axis the profile tells what it was, and only what was replaced is given (or asked for).

    \b
    Example: plumbelt drive --ratio 3 --roller 28 --belt 1
    Example: plumbelt drive belt --profile heron --roller 31.5
    Example: plumbelt drive --ratio 5 --roller 31.5 --belt 0.9
             --measured-steps 176.02 --was-roller 28
    """
    was = {name[4:]: given.pop(name) for name in list(given) if name.startswith("was_")}
    if axis is not None:
        if was_given := [f"--was-{name}" for name, value in was.items() if value is not None]:
            reason = "goes without an axis: the profile tells what it was"
            raise wrong_line([Problem(COMMAND_LINE, None, n, reason) for n in was_given], "drive")
        typed = {**given, "full_steps": full_steps, "microsteps": microsteps, "ratio": ratio}
        source = click.get_current_context().get_parameter_source
        told = {n: v for n, v in typed.items() if v is not None and source(n) is not _UNGIVEN}
        from agent.face.replacing import replaced

        replaced(desk, axis, profile_name, told, measured_steps, keep=keep)
        return
    train = Drive(full_steps, microsteps, ratio, _output(given))
    change = _change(measured_steps, was, given, train)
    document = {
        **({"after_change": {"steps_per_mm": change[0], "u": change[1]}} if change else {}),
        "steps_per_mm": train.steps_per_mm,
        "u_steps_per_mm": train.u_steps_per_mm,
        "mm_per_motor_turn": train.mm_per_motor_turn,
        "travel_per_turn_mm": train.output.travel_per_turn,
    }

    def show() -> None:
        low, high = (train.steps_per_mm + k * train.u_steps_per_mm for k in (-2, 2))
        desk.screen.say(
            f"  steps per mm         {train.steps_per_mm:12.4f}   {low:.3f} to {high:.3f} (95 %)\n"
            f"  mm per motor turn    {train.mm_per_motor_turn:12.5f}\n"
            f"  mm per output turn   {train.output.travel_per_turn:12.5f}"
        )
        if change:
            desk.screen.say(
                f"  after the change     {change[0]:12.4f}   (± {2 * change[1]:.3f}, take this)\n"
                "It follows from the value measured before, which knows what the parts do not say."
                " Confirm it by one direct run before it is stored."
            )

    desk.screen.answer(document, show)


def _change(
    measured: float | None, was: dict[str, Any], given: dict[str, Any], train: Drive
) -> tuple[float, float] | None:
    """Steps/mm after a change and their standard uncertainty; None where nothing was changed."""
    before = {name: value for name, value in was.items() if value is not None}
    if measured is None and not before:
        return None
    if measured is None or not before:
        missing = "--measured-steps" if measured is None else "--was-roller"
        reason = "is missing: a change wants the measured steps and what the part was before"
        raise wrong_line([Problem(COMMAND_LINE, None, missing, reason)], "drive")
    old = Drive(
        train.full_steps,
        int(before.pop("microsteps", train.microsteps)),
        before.pop("ratio", train.ratio),
        _output(_instead(given, before)),
    )
    return steps_after_change(measured, old, train)


def _instead(given: dict[str, Any], before: dict[str, Any]) -> dict[str, Any]:
    """Options of the output before the change; another kind of output replaces all of it."""
    if not before:
        return given
    kind = next(k for k, (must, may) in _OUTPUTS.items() if {*must, *may} & before.keys())
    names = {*_OUTPUTS[kind][0], *_OUTPUTS[kind][1]}
    return {**{name: value for name, value in given.items() if name in names}, **before}


def _output(given: dict[str, Any]) -> Output:
    """The output that the options name.  Raises BadInput with every mistake."""
    told = {name: value for name, value in given.items() if value is not None}
    kinds = [kind for kind, (must, may) in _OUTPUTS.items() if told.keys() & {*must, *may}]
    if not kinds:
        raise BadInput(
            "the output of the drive train is missing",
            remedy="Give --roller and --belt, or --teeth and --pitch, or --lead",
        )
    if len(kinds) > 1:
        raise BadInput(
            f"{' and '.join(kinds)} given together, of which one drives the axis",
            remedy="Keep the options of one of them",
        )
    must, _ = _OUTPUTS[kinds[0]]
    if absent := [name for name in must if name not in told]:
        raise wrong_line(
            [
                Problem(COMMAND_LINE, None, f"--{name}", f"is missing for a {kinds[0]}")
                for name in absent
            ],
            "drive",
        )
    try:
        if kinds[0] == "roller":
            return Roller(
                told["roller"],
                told["belt"],
                told.get("neutral"),
                told.get("u_roller", 0.03),
                told.get("u_belt", 0.03),
            )
        if kinds[0] == "toothed belt":
            return Toothed(told["teeth"], told["pitch"])
        return Screw(told["lead"])
    except ValueError as refusal:
        raise wrong_line([Problem(COMMAND_LINE, None, "", str(refusal))], "drive") from None
