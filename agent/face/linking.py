"""Verbs of the link: `ports`, `attach`, `detach`, `readback`."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click
from click.shell_completion import CompletionItem

from agent.errors import BadInput, BrokenByRestart, LinkFailed, Refused
from agent.face import tables
from agent.face.cabling import joined, port_options
from agent.face.desk import Desk
from agent.face.onward import note_next
from agent.face.options import Verb
from agent.model.exact import several

#: Lines of damage, and of notes, that are shown of one reading.
MOST_SHOWN: Final = 6

if TYPE_CHECKING:
    from agent.model.settings import Event, Readback
    from agent.wire.listing import PortState


@click.command(cls=Verb)
def ports(desk: Desk, /) -> None:
    """Serial ports of this computer, who holds them, and what a user without rights lacks.

    \b
    Example: plumbelt ports
    """
    from agent.wire.listing import states

    found = states()
    rows = [
        {
            **state.port.to_plain(),
            "usb": state.port.usb_name,
            "used_by": used_by(state),
            "no_permission": state.barred,
        }
        for state in found
    ]

    def show() -> None:
        if not found:
            desk.screen.say(
                "No serial port is there. Is the cable in, and the machine on?\n"
                "A controller on the network is attached as socket://HOST:PORT or"
                " rfc2217://HOST:PORT."
            )
            return
        desk.screen.table(
            ["port", "usb", "serial number", "what it is"],
            [
                (row["device"], row["usb"] or "-", row["serial_number"] or "-", row["description"])
                for row in rows
            ],
        )
        for row in rows:
            if row["by_id"]:
                desk.screen.say(f"{row['device']} is always {row['by_id']}")
            if row["used_by"]:
                desk.screen.say(f"! {row['device']} is in use by {row['used_by']}")
            if row["no_permission"]:
                desk.screen.say(f"! {row['device']}, no permission: {row['no_permission']}")

    desk.screen.answer({"ports": rows}, show)


def used_by(state: PortState) -> str:
    """Who holds a port: another agent, which says so itself, or any program that can be seen."""
    from agent.store.locks import holder_of_lock

    try:
        agent = holder_of_lock(state.port.device)
    except Refused:  # no place for locks
        agent = ""
    return agent or state.used_by


def complete_port(
    ctx: click.Context, param: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Ports of this computer that begin like `incomplete`, and a rehearsal's."""
    from agent.wire.listing import list_ports

    known = {port.device: port.description for port in list_ports()}
    desk = ctx.find_object(Desk)
    if desk is not None and desk.rehearsal is not None:
        known[desk.rehearsal.address] = "the simulated machine"
    return [CompletionItem(k, help=v) for k, v in known.items() if k.startswith(incomplete)]


@click.command(cls=Verb)
@click.argument("port", required=False, shell_complete=complete_port)
@port_options
@click.option("--profile", "profile_name", help="profile of the machine: a name or a file")
@click.option("--again", is_flag=True, help="the same machine: readings and plans stay")
def attach(
    desk: Desk,
    /,
    port: str | None,
    profile_name: str | None,
    again: bool,
) -> None:
    """Open PORT, find out what the controller speaks, read its settings twice.

    Nothing is written. Opening a port restarts many boards: not while a job runs, and only with
    the gantry supported. After a lost cable '--again' keeps all that was read and found.

    \b
    Example: plumbelt> attach /dev/ttyUSB0
    """
    session = desk.session
    port = port or (desk.last_port if again else "")
    if not port and desk.rehearsal is not None:
        port = desk.rehearsal.address
    if not port:
        raise BadInput("no port was named", remedy="'ports' lists those of this computer")
    desk.use_profile(profile_name)
    if again:
        reset_rehearsed(desk)
        session.contact.let_go()
        session.contact.lose(port)  # until it answers
        transport, readback = joined(desk, port, session.contact.attach_again, again=True)
    else:
        session.contact.detach()
        transport, readback = joined(
            desk, port, partial(session.contact.attach, serial=serial_of(port))
        )

    def show() -> None:
        desk.screen.say(
            f"Attached to {transport.name}: {readback.identity or 'a controller'}, family"
            f" '{readback.family}', {len(readback.settings)} settings read twice."
        )
        show_damage(desk, readback)
        if not readback.damaged:
            for finding in session.bench.findings():
                desk.screen.say(f"! {finding}")
        tell_change(desk, readback)
        tell_standing(desk)
        if others:
            desk.screen.say(f"! {others}.")

    others = desk.at_machine()
    desk.screen.answer(readback.to_plain(), show)
    if not desk.in_shell:  # one verb, one process: nothing stays open behind it
        note_next(desk, port)
        warn_at_leaving(desk)
        session.contact.detach()
    if readback.damaged:
        raise Refused("the settings were not read cleanly", remedy="'readback' reads again")


def serial_of(port: str) -> str:
    """USB serial number of a port of this computer; empty where none is known."""
    if "://" in port:
        return ""
    from agent.wire.listing import list_ports

    return next((p.serial_number or "" for p in list_ports() if p.device == port), "")


def tell_change(desk: Desk, readback: Readback) -> None:
    """Live settings plausible, but not as the profile keeps them: what did it, what next."""
    from agent.change.judgement import judge_change

    bench = desk.session.bench
    if bench.unstored or bench.broken:  # told with more reason by `tell_standing`
        return
    judged = judge_change(bench.profile, readback)
    if judged.kind == "same":
        return
    remedy = judged.remedy
    if any(finding.level == "refuse" for finding in bench.findings()):
        # what cannot be right is not kept, whoever set it
        remedy = f"'profile restore {bench.profile.name} --preview' sorts what to bring back"
    desk.screen.say(f"! Against the profile: {judged.text}. {remedy}.")


def tell_standing(desk: Desk) -> None:
    """Where the work stands, in order of danger: what was left, and what is not as it was left."""
    from agent.bench.standing import standing_of

    session = desk.session
    for told in standing_of(session.bench):
        desk.screen.say(f"! {told}")
    if session.book.trouble:
        desk.screen.say(f"! The record cannot be kept: {session.book.trouble}")
    for told in session.book.damage:
        desk.screen.say(f"! The record: {told}")


def warn_at_leaving(desk: Desk) -> None:
    """What is left hot or not stored when the port is let go; nothing if nothing is."""
    session = desk.session
    if session.contact.link is None:
        return
    if session.bench.unstored:
        from agent.bench.standing import keeps

        how = keeps(session.bench)
        desk.screen.complain(f"! What was written is live and NOT STORED: {how}")
    if session.bench.heater_state in ("on", "unknown"):
        desk.screen.complain(f"! {desk.heat_words()}")


def reset_rehearsed(desk: Desk) -> None:
    """A simulated machine that has halted is switched off and on, as one does with a real one."""
    from agent.wire.exchange import State

    session = desk.session
    silent = session.contact.link is not None and session.contact.link.state is State.HALTED
    if desk.rehearsal is not None and (session.bench.halted or silent):
        desk.rehearsal.power_cycle()
        desk.screen.say("The simulated machine was switched off and on.")


def show_damage(desk: Desk, readback: Readback) -> None:
    """Why a reading counts for nothing, and what was not understood in it; the first of many."""
    for why in readback.damage[:MOST_SHOWN]:
        desk.screen.say(f"! damaged: {why}")
    for note in readback.notes[:MOST_SHOWN]:
        desk.screen.say(f"- {note}")
    more = sum(max(len(said) - MOST_SHOWN, 0) for said in (readback.damage, readback.notes))
    if more:
        desk.screen.say(f"  and {more} more; '--json' gives all")
    if readback.damaged:
        desk.screen.say("plumbelt writes nothing until a clean read-back: type 'readback'.")


@click.command(cls=Verb)
def detach(desk: Desk, /) -> None:
    """Let go of the port; readings and results stay.

    \b
    Example: plumbelt> detach
    """
    heaters = desk.session.bench.heater_state
    warn_at_leaving(desk)
    desk.session.contact.detach()
    desk.leave()
    desk.screen.answer(
        {"attached": False, "heaters": heaters},
        lambda: desk.screen.say(
            "Detached; the heaters are OFF."
            if heaters == "off"
            else f"Detached. Heaters: {heaters.upper()}."
        ),
    )


@click.command(cls=Verb)
@click.option(
    "--port", shell_complete=complete_port, help="port of a machine that is not attached yet"
)
@click.option("--from", "log", type=click.Path(path_type=Path), help="a log file instead of a port")
@port_options
@click.option("--all", "whole", is_flag=True, help="also what is kept as text")
@click.option("--stored", "with_stored", is_flag=True, help="also what is stored, where it differs")
def readback(
    desk: Desk, /, port: str | None, log: Path | None, whole: bool, with_stored: bool
) -> None:
    """Read all settings, of the attached machine, of a PORT, or from a log file.

    --stored loads what is stored for a moment and puts the live values back: not during a job.

    \b
    Example: plumbelt readback --port /dev/ttyUSB0 --json
    """
    if port is not None and log is not None:
        raise BadInput("--port and --from given together", remedy="Keep one of them")
    if log is not None and with_stored:
        raise BadInput("a log file has no storage", remedy="Leave --stored out")
    stored: dict[str, float] = {}
    if log is not None:
        found = from_file(log)
    else:
        with one_shot(desk, port):
            found = read_or_lose(desk)
            if with_stored:
                looked = desk.session.storage.look_at_all()
                stored = {c.key: c.old for c in looked.others}

    def show() -> None:
        desk.screen.say(f"{found.identity or 'A controller'}, family '{found.family}'.")
        if found.settings:
            beside = beside_live(desk, log is None)
            if with_stored:
                live = {key: setting.value for key, setting in found.settings.items()}
                beside["stored"] = live | stored
            tables.settings(desk.screen, found, beside, plausible_notes(desk, found, log is None))
        if whole:
            for line in found.other:
                desk.screen.say(f"    {line}")
        elif found.other:
            more = several(len(found.other), "more line")
            desk.screen.say(f"{more} ('--all' shows them).")
        for event in found.events:
            desk.screen.say(f"- {event_words(event)}")
        show_damage(desk, found)

    document = found.to_plain()
    if with_stored:
        document["stored_differs"] = stored
    desk.screen.answer(document, show)
    if found.damaged:
        raise Refused(
            "the settings were not read cleanly, and nothing may rest on such a reading",
            remedy="'readback' reads again; check cable and speed if it stays so",
        )


def event_words(event: Event) -> str:
    """What a controller did or said, as words; what is empty is left out."""
    detail = ", ".join(
        f"{key.replace('_', ' ')} {_plain_words(value)}"
        for key, value in event.detail.items()
        if value not in (None, "", (), [])
    )
    return f"{event.kind.replace('_', ' ')}{': ' if detail else ''}{detail}"


def _plain_words(value: object) -> str:
    return " | ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)


def read_or_lose(desk: Desk) -> Readback:
    """Read back; a link that fails even at that counts as lost, unless the controller speaks."""
    link, _ = desk.session.contact.joined()
    try:
        return desk.session.contact.read_back()
    except LinkFailed as failure:
        if not isinstance(failure, BrokenByRestart):
            desk.session.contact.lose(link.transport.name)
        raise


def beside_live(desk: Desk, attached: bool) -> dict[str, dict[str, float]]:
    """The saved values of this machine's profile, if it has any."""
    saved = desk.session.profile.settings if attached else {}
    return {"saved": {key: kept.exact for key, kept in saved.items()}} if saved else {}


def plausible_notes(desk: Desk, found: Readback, attached: bool) -> dict[str, str]:
    """For each setting that the mechanics bear on: whether it can be right."""
    if not attached or found.damaged or not desk.session.profile.mechanics.drives:
        return {}
    from agent.change.guards import drive_of

    profile = desk.session.profile
    notes = {
        key: "plausible"
        for key in found.settings
        if key.startswith("steps_per_mm.") and drive_of(key, profile.mechanics, profile.axes)
    }
    for finding in desk.session.bench.findings():
        notes[finding.key] = "CANNOT BE RIGHT" if finding.level == "refuse" else "doubtful"
    return notes


def from_file(path: Path) -> Readback:
    """The reading in a log file.  Raises BadInput where there is none."""
    from agent.families import from_log
    from agent.store.nodes import read_file

    data = read_file(path)
    found = from_log(data.decode("utf-8", errors="surrogateescape"))
    if found.family == "unknown" and not (found.settings or found.other or found.events):
        raise BadInput(
            f"{path}: no settings of a controller are in this file",
            remedy="Expected is what a controller sent when it was asked for its settings",
        )
    return found


@contextmanager
def one_shot(desk: Desk, port: str | None) -> Iterator[None]:
    """Attached to `port` for the time of one command; without a port, what is attached stays."""
    if port is None:
        desk.session.contact.joined()
        yield
        return
    if desk.in_shell:
        raise BadInput(
            "--port is for one-shot use", remedy="In the shell, 'attach PORT' comes first"
        )
    if desk.session.contact.link is not None:
        raise BadInput("a machine is attached already", remedy="Name its port once")
    joined(desk, port, partial(desk.session.contact.attach, serial=serial_of(port)))
    tell_standing(desk)
    if others := desk.at_machine():
        desk.screen.say(f"! {others}.")
    try:
        yield
        note_next(desk, port)
    finally:
        warn_at_leaving(desk)
        desk.session.contact.detach()
