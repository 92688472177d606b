"""`drive AXIS`: after a roller, belt, pulley, gear, driver or motor was replaced."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from agent.errors import BadInput, Refused, Unknown
from agent.face.desk import Desk
from agent.face.options import number_from
from agent.model.profile import DRIVES
from agent.model.roles import Role

if TYPE_CHECKING:
    from agent.change.plan import Plan
    from agent.model.drive import Drive
    from agent.model.profile import Profile
    from agent.model.replaced import Replaced


def replaced(
    desk: Desk,
    role: Role,
    profile_name: str | None,
    parts: Mapping[str, float],
    measured: float | None,
    *,
    keep: bool,
) -> None:
    """Show what the setting should be now, and what to measure again; keep the part if wanted.

    parts     what was replaced, by the names of `agent.model.replaced.WORDS`; asked for if empty
    measured  step/mm that were right before; None: those of the record or the profile
    Raises Unknown where the drive before is not known.
    """
    from agent.model.replaced import after_replacing, with_parts
    from agent.store.profiles import load_profile

    profile = desk.session.profile if profile_name is None else load_profile(profile_name)
    old = profile.mechanics.drives.get(role)
    if old is None:
        raise Unknown(
            f"{DRIVES}.{role}",
            f"the drive of the {role} axis of {profile.name!r}, as it was before, is not known",
        )
    was = measured or _measured(desk, profile, role)
    given = dict(parts) or _asked(desk, role, old)
    try:
        new = with_parts(old, {name: value for name, value in given.items() if name[:2] != "u_"})
        found = after_replacing(role, old, new, was)
    except ValueError as refusal:
        raise BadInput(str(refusal), remedy="Nothing was calculated or kept") from None
    key = f"steps_per_mm.{profile.axes.letter(role)}"
    line = _line(desk, key, found.steps_per_mm)
    document = {**found.to_plain(), "setting": key, "line": line}
    plan = None
    if (
        line is not None
        and desk.session.contact.link is not None
        and profile is desk.session.profile
    ):
        plan = desk.session.changes.after_replacing(role, new, found.steps_per_mm)
        document["digest"] = plan.digest
    if keep:
        from agent.face.profiling import keep_drive

        document["file"] = str(keep_drive(desk, role, new, profile.name)[1])
    desk.screen.answer(document, lambda: _show(desk, found, key, line, keep=keep, plan=plan))


def _measured(desk: Desk, profile: Profile, role: Role) -> float:
    """The value that was right before, as exactly as it is known.

    What is live, where plumbelt wrote it to this machine; else as the profile keeps it; else as it
    is live.
    """
    key = f"steps_per_mm.{profile.axes.letter(role)}"
    bench = desk.session.bench
    if bench.machine == profile.name and bench.readback is not None:
        live = bench.readback.settings.get(key)
        if live is not None and any(map(live.agrees_with, bench.written.get(key, ()))):
            return bench.exactly(key, live)
    kept = profile.settings.get(key)
    if kept is not None:
        return kept.exact
    if bench.readback is not None and not bench.readback.damaged and key in bench.exact:
        return bench.exact[key]
    raise Refused(
        f"what {key} was before is not known",
        remedy="Give it: --measured-steps. Nothing was calculated",
    )


def _asked(desk: Desk, role: Role, old: Drive) -> dict[str, float]:
    from agent.model.replaced import PARTS, WORDS, parts_of

    if not desk.may_ask:
        raise BadInput(
            f"what was replaced on the {role} axis?",
            remedy="Give the new part: --roller, --belt, --teeth, --lead, --ratio, --microsteps",
        )
    choice = desk.screen.ask(f"What was replaced? {', '.join(parts_of(old))}:").lower()
    if choice not in parts_of(old):
        raise BadInput(f"{choice!r} is no part of this drive", remedy="Nothing was calculated")
    found = {}
    for name in PARTS[choice]:
        try:
            found[name] = number_from(desk.screen.ask(f"{WORDS[name]}:"))
        except ValueError as refusal:
            raise BadInput(str(refusal), remedy="Nothing was calculated") from None
    return found


def _line(desk: Desk, key: str, value: float) -> str | None:
    """The line that would set it, where a machine is attached that can."""
    family, readback = desk.session.contact.family, desk.session.bench.readback
    if family is None or readback is None or readback.damaged:
        return None
    try:
        return family.write_line(key, value, readback)
    except Refused:
        return None


def _show(
    desk: Desk, found: Replaced, key: str, line: str | None, *, keep: bool, plan: Plan | None
) -> None:
    screen = desk.screen
    share = 100 * (found.steps_per_mm / found.measured - 1)
    screen.say(
        f"  {key}   {found.measured:.4f} -> {found.steps_per_mm:.4f} ± {2 * found.u:.4f} step/mm"
        f" (95 %), {share:+z.2f} %"
    )
    if line is not None:
        screen.say(f"  as a command line    {line}")
    if plan is not None:
        screen.say("'write' shows the plan and asks for its digest; store it only once confirmed.")
    if found.u == 0:
        screen.say("Only counted parts changed, so that the value is as sure as it was before.")
    screen.say("Measure again:")
    for what in found.again:
        screen.say(f"  - {what}")
    if not keep:
        screen.say("'--keep' puts the new part into the profile.")
