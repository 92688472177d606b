"""Verbs of what is kept of a machine: `profile` (save, list, show, compare, restore, use) and
`mechanics`."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.errors import AgentError, BadInput, Refused
from agent.face import tables
from agent.face.cabling import port_options
from agent.face.changing import confirmed_write, finish, finish_stored
from agent.face.desk import Desk
from agent.face.history import when
from agent.face.linking import one_shot
from agent.face.options import Verb
from agent.face.profiling import profile_check, profile_edit, profile_new, profile_set
from agent.model.exact import as_printed
from agent.model.roles import ROLES
from agent.store.profiles import (
    load_profile,
    open_profile,
    profile_names,
    profile_path,
    profile_plain,
    profile_text,
    save_profile,
    with_settings,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from agent.change.compare import Difference
    from agent.change.outcome import Outcome
    from agent.change.restore import Restore
    from agent.model.profile import Profile
    from agent.store.profiles import ProfileFile
    from agent.work.session import Session

_PORT = click.option("--port", help="port of a machine that is not attached yet")


@click.group()
def profile() -> None:
    """What is kept of each machine: mechanics, material, instrument, settings."""


@profile.command("list", cls=Verb)
def profile_list(desk: Desk, /) -> None:
    """All profiles, saved ones and those that come with plumbelt.

    \b
    Example: plumbelt profile list
    """
    rows: list[tuple[str, str, str]] = []
    documents: list[dict[str, Any]] = []
    for name, path in profile_names().items():
        try:
            found = open_profile(path)
        except AgentError as error:
            rows.append((name, "", f"cannot be read: {error.what}"))
            documents.append({"name": name, "file": str(path), "error": error.what})
            continue
        where = "comes with plumbelt" if found.ready else "saved"
        read = when(found.profile.read_at) or "never"
        rows.append((name, where, read))
        documents.append({"name": name, "file": str(path), "ready": found.ready})
    desk.screen.answer(
        {"profiles": documents},
        lambda: desk.screen.table(["profile", "source", "last read"], rows),
    )


@profile.command("show", cls=Verb)
@click.argument("name")
def profile_show(desk: Desk, /, name: str) -> None:
    """What a profile NAME (or file) holds.

    \b
    Example: plumbelt profile show heron
    """
    found = open_profile(name)
    document = {**profile_plain(found.profile), "file": str(found.path)}
    desk.screen.answer(document, lambda: desk.screen.quote(profile_text(found.profile)))


@profile.command("use", cls=Verb)
@click.argument("name")
def profile_use(desk: Desk, /, name: str) -> None:
    """From now on the machine on the link is the one of profile NAME.

    \b
    Example: plumbelt> profile use heron
    """
    desk.use_profile(name)
    named = desk.session.profile.name
    desk.screen.answer({"profile": named}, lambda: desk.screen.say(f"The machine is {named} now."))


@profile.command("save", cls=Verb)
@click.argument("name")
@_PORT
@port_options
@click.option("--over", is_flag=True, help="replace the saved profile of this name")
@click.option("--like", help="take mechanics, material and the rest from this profile")
def profile_save(desk: Desk, /, name: str, port: str | None, over: bool, like: str | None) -> None:
    """Read the settings back and keep them, with everything known of the machine, as NAME.

    A value that was written here stays in full precision beside the printed one. A machine that
    has no profile yet takes its mechanics from a similar one (--like); mend them in the file.

    \b
    Example: plumbelt profile save heron --port /dev/ttyUSB0
    """
    from agent.store.atomic import ABSENT
    from agent.store.journal import utc_now

    saved = open_profile(name) if name in profile_names() else None
    place = profile_path(name)
    if saved is not None and not saved.ready and not over:
        raise Refused(
            f"a profile {name!r} is saved already ({saved.path})",
            remedy="Take another name, or '--over' to replace it. Nothing was saved",
        )
    session = desk.session
    if port is not None:
        # so the record knows whose settings were read
        session.contact.use(replace(_base(session, saved, like), name=name))
    with one_shot(desk, port):
        source = session.contact.joined()[0].transport.name
        readback = session.contact.read_back()
        base = replace(_base(session, saved, like), name=name)
        kept = with_settings(
            base, readback, read_at=utc_now(), read_from=source, written=session.bench.exact
        )
        stamp = saved.stamp if saved is not None and not saved.ready else ABSENT
        written = save_profile(kept, place, expect=stamp)
        session.contact.use(kept)  # what the file holds is what is known from now on
    document = {"file": str(written.path), "settings": len(kept.settings)}
    desk.screen.answer(
        document,
        lambda: desk.screen.say(
            f"{len(kept.settings)} settings saved as {name!r} in {written.path}."
            + (
                ""
                if kept.mechanics.drives
                else " Mechanics are unknown: add them ('profile edit', or '--like NAME')."
            )
        ),
    )


def _base(session: Session, saved: ProfileFile | None, like: str | None) -> Profile:
    """What is known of the machine: as `like`, or as its file holds it now, or as on the bench.

    Somebody may have edited the file meanwhile: only the slicing angle in use is the bench's.
    """
    if like is not None:
        return load_profile(like)
    if saved is None:
        return session.profile
    bench = session.bench
    if bench.filed is None or bench.machine != saved.profile.name:
        return saved.profile
    file, filed = saved.profile.mechanics, bench.filed.mechanics
    if file.gantry_angle_deg != filed.gantry_angle_deg:
        return saved.profile
    angle = bench.profile.mechanics.gantry_angle_deg
    return replace(saved.profile, mechanics=replace(file, gantry_angle_deg=angle))


@profile.command("compare", cls=Verb)
@click.argument("name")
@click.argument("other", required=False)
@_PORT
@port_options
def profile_compare(desk: Desk, /, name: str, other: str | None, port: str | None) -> None:
    """What differs between a profile NAME and OTHER, or the machine on the link.

    \b
    Example: plumbelt profile compare heron --port /dev/ttyUSB0
    """
    from agent.change.compare import compare_profiles, compare_with_live

    left = load_profile(name)
    found: Sequence[Difference]
    if other is not None:
        found, right = compare_profiles(left, load_profile(other)), other
    else:
        if port is not None:
            desk.session.contact.use(left)
        with one_shot(desk, port):
            live = desk.session.contact.read_back()
        found, right = compare_with_live(left, live), "live"

    def show() -> None:
        if not found:
            desk.screen.say(f"{name} and {right} do not differ.")
            return
        rows = [
            (
                d.key,
                d.left or "-",
                d.right or "-",
                d.unit,
                "" if d.percent is None else f"{d.percent:+z.2f}",
            )
            for d in found
        ]
        columns = ["setting", f">{name}", f">{right}", "unit", ">difference, %"]
        desk.screen.table(columns, rows)

    desk.screen.answer({"differences": [d.to_plain() for d in found]}, show)


@profile.command("restore", cls=Verb)
@click.argument("name")
@_PORT
@port_options
@click.option("--preview", "only_preview", is_flag=True, help="show what would be sent, no more")
@click.option("--approve", metavar="DIGEST", help="write exactly the plan of this digest")
@click.option("--store", "and_store", is_flag=True, help="with --approve: store it, too")
@click.option(
    "--file",
    "own_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="controller's own file: a copy with the lines in it is written beside it",
)
def profile_restore(
    desk: Desk,
    /,
    name: str,
    port: str | None,
    only_preview: bool,
    approve: str | None,
    and_store: bool,
    own_file: Path | None,
) -> None:
    """Bring the settings of profile NAME (or file) back, for example after a reflash.

    Each setting is kept, to be measured again, or never replayed, with the reason. Values go
    through the same preview and write as any change. Try it on a twin first:
    'plumbelt rehearse --profile NAME'. Where the controller keeps its settings in a file, --file
    puts the lines into a copy of it and sends nothing.

    \b
    Example: plumbelt profile restore heron --port /dev/ttyUSB0 --preview
    """
    from agent.change.restore import restore

    if and_store and approve is None and not desk.in_shell:
        raise BadInput("--store goes with --approve DIGEST", remedy="Nothing was sent")
    saved = load_profile(name)
    if own_file is not None:
        _into_file(desk, saved, own_file)
        return
    session = desk.session
    session.contact.use(saved)
    with one_shot(desk, port):
        link, family = session.contact.joined()
        found = restore(
            saved,
            session.contact.read_back(),
            family,
            events=tuple(link.events),
        )
        if only_preview or (approve is None and not desk.in_shell):
            desk.screen.answer(found.to_plain(), lambda: _only_shown(desk, found, name))
            return
        if not desk.screen.json:
            show_restore(desk, found)
        session.changes.propose(found.plan, "restore")
        if approve is not None:
            _approved(desk, found, approve, and_store)
        elif found.plan.empty:
            desk.screen.answer(found.to_plain(), lambda: None)
        else:
            finish(desk, confirmed_write(desk, found.plan))


def _into_file(desk: Desk, saved: Profile, path: Path) -> None:
    """The saved settings in a copy of the controller's own file, beside it; nothing is sent."""
    from agent.change.restore import sort_profile
    from agent.face.handing import into_copy
    from agent.families import FAMILIES

    family = FAMILIES.get(saved.family or "")
    if family is None:
        raise Refused(
            f"the profile of {saved.name!r} does not say what family its controller is of",
            remedy=f"'profile save {saved.name}' reads it. Nothing was written",
        )
    kept = {
        item.key: item.value
        for item in sort_profile(saved)
        if item.verdict == "keep" and item.value is not None
    }
    # where a family keeps no file, it says so itself
    held = {key: value for key, value in kept.items() if family.file_line(key, value) is not None}
    into_copy(desk, family, path, held or kept)


def _only_shown(desk: Desk, found: Restore, name: str) -> None:
    """A preview, and how to go on from it."""
    show_restore(desk, found)
    if not found.plan.empty:
        how = "" if desk.in_shell else f" --approve {found.plan.digest} --store"
        desk.screen.say(f"Nothing was sent. 'profile restore {name}{how}' writes exactly this.")


def _approved(desk: Desk, found: Restore, approve: str, and_store: bool) -> None:
    """Write, and store if wanted, under a digest that was approved elsewhere.

    What is live already is not written again; what is asked to be stored is stored all the same.
    """
    session = desk.session
    _, family = session.contact.joined()
    outcome: Outcome | None = None
    if not found.plan.empty:
        # Whoever names the digest has seen each value; there is nobody here to type them again.
        outcome = session.changes.write(found.plan, approve, retyped=found.plan.wanted)
        tables.outcome(desk.screen, outcome)
    if not and_store or family.words.writing_stores or (outcome and not outcome.verified):
        if outcome is None:
            desk.screen.answer(found.to_plain(), lambda: None)
        else:
            finish(desk, outcome)
        return
    try:
        looked = session.storage.look()
    except Refused as refusal:
        document = outcome.to_plain() if outcome is not None else found.to_plain()
        desk.screen.answer({"worst": refusal.what, **document}, lambda: None)
        raise
    if looked.others:
        listed = ", ".join(change.key for change in looked.others)
        what = f"written, not stored: storing would also make permanent {listed}"
        if outcome is None:
            what = f"not stored: what is live and not stored was not written here: {listed}"
        raise Refused(
            what,
            remedy=f"'store --approve {looked.digest} --others too' stores it all; '--others"
            " without' leaves that out",
        )
    outcome = session.storage.store(looked, looked.digest)
    tables.outcome(desk.screen, outcome)
    finish_stored(desk, outcome)


def show_restore(desk: Desk, found: Restore) -> None:
    """The plan of a restore, and what is not in it and why."""
    screen = desk.screen
    screen.heading("Settings to restore")
    if found.plan.empty:
        screen.say("Nothing: everything that can be kept is live already.")
    else:
        tables.plan(screen, found.plan)
    for title, items in (
        ("Measure again", found.measure_again),
        ("Not restored", found.cannot),
    ):
        if items:
            screen.heading(title)
            rows = [(item.key, item.reason) for item in items]
            screen.table(["setting", "reason"], rows)
    for role, why in found.blocked.items():
        screen.say(f"! The {role} axis must not move before this is written: {why}")
    for note in found.notes:
        screen.say(f"- {note}")


for _verb in (profile_new, profile_check, profile_edit, profile_set):
    profile.add_command(_verb)


@click.command(cls=Verb)
@click.option("--profile", "profile_name", help="of this machine: a name or a file")
def mechanics(desk: Desk, /, profile_name: str | None) -> None:
    """How the machine is built, and what steps per mm that gives against what is live.

    \b
    Example: plumbelt mechanics --profile heron
    """
    from agent.change.guards import plausible

    session = desk.session
    chosen = session.profile if profile_name is None else load_profile(profile_name)
    if not chosen.mechanics.drives:
        raise Refused(
            "no mechanics are known",
            remedy="Choose a profile: 'mechanics --profile NAME' ('profile list' shows all)",
        )
    known, axes = chosen.mechanics, chosen.axes
    attached = session.contact.link is not None and session.bench.readback is not None
    live = session.bench.clean_readback.settings if attached else {}
    rows, document = [], {}
    for role in ROLES:
        drive = known.drives.get(role)
        setting = live.get(f"steps_per_mm.{axes.letter(role)}")
        calculated = f"{drive.steps_per_mm:.3f}" if drive else "-"
        spread = f"{2 * drive.u_steps_per_mm:.3f}" if drive else "-"
        stored = as_printed(setting) if setting else "-"
        apart = (
            f"{100 * (setting.value / drive.steps_per_mm - 1):+z.2f}" if drive and setting else ""
        )
        rows.append((role, axes.letter(role).upper(), calculated, spread, stored, apart))
        document[role] = {
            "letter": axes.letter(role),
            "steps_per_mm": drive.steps_per_mm if drive else None,
            "u": drive.u_steps_per_mm if drive else None,
            "live": setting.value if setting else None,
        }
    columns = ["axis", "", ">calculated, step/mm", ">± (95 %)"]

    def show() -> None:
        screen = desk.screen
        angle = known.gantry_angle_deg
        leans = "at an angle that is not known" if angle is None else f"at {angle:g}°"
        screen.say(f"{chosen.name}: gantry {leans} to the belt.")
        screen.table([*columns, ">live", ">live vs calculated, %"], rows)
        for finding in plausible(session.bench.clean_readback, known, axes) if live else ():
            screen.say(f"! {finding}")
        screen.say(f"The parts come from the profile; see 'profile show {chosen.name}'.")

    desk.screen.answer({"gantry_angle_deg": known.gantry_angle_deg, "axes": document}, show)
