"""Verbs that lead to a change: `preview`, `write`, `store`, `prove`, `undo`.

Nothing is sent that was not shown, and nothing is sent without the digest typed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import click

from agent.bench.standing import stored_otherwise
from agent.bench.value import BY_WORD
from agent.errors import Declined, LinkFailed, Refused
from agent.face import tables
from agent.face.desk import Desk
from agent.face.history import when
from agent.face.options import Verb, number_from
from agent.model.exact import in_full, same, several
from agent.work.laying import SWITCH_OFF

if TYPE_CHECKING:
    from agent.change.outcome import Outcome, Stage
    from agent.change.plan import Plan
    from agent.change.storing import Others

#: So many first characters of a digest confirm it.
TYPED: Final = 4

#: Stages that only the technician can bring about, by a word for the command line.
STAGE_WORDS: Final[dict[str, Stage]] = {
    "power": "after a power cycle",
    "homing": "after homing",
    "job": "after a job's start",
}

#: What `store` does with settings that differ and are not of the plan; two older words still count.
OTHERS: Final[dict[str, Others]] = {
    "all": "store them too",
    "plan": "leave them out",
    "too": "store them too",
    "without": "leave them out",
}

#: What the technician does at the machine for a stage.
REQUESTS: Final = {
    "homing": "Home the across and gantry axes at the machine, never the belt.",
    "job": "Start any normal job at the machine and stop it as soon as it has begun.",
}


@click.command(cls=Verb)
def preview(desk: Desk, /) -> None:
    """The changes that the solution asks for: table, exact lines, digest. Sends nothing.

    \b
    Example: plumbelt> preview
    """
    plan = desk.session.changes.preview()

    def show() -> None:
        show_effects(desk)
        show_plan(desk, plan)

    desk.screen.answer(plan.to_plain(), show)


def show_plan(desk: Desk, plan: Plan) -> None:
    """Table, lines and digest, and what else is to be done."""
    screen, now = desk.screen, desk.session.now
    screen.heading("What would change")
    tables.plan(screen, plan)
    solution, survey = now.solution, now.survey
    if solution is not None and survey is not None and solution.slicing_angle_deg is not None:
        screen.say(
            f"And from then on: set the gantry angle in your slicer to"
            f" {solution.slicing_angle_deg:.3f}° (was {survey.mechanics.angle_deg:g}°). This is not"
            " sent to the controller."
        )


def show_effects(desk: Desk) -> None:
    """Side effects of each line, and the readings to expect afterwards."""
    from agent.estimate.foretelling import readings_of

    now = desk.session.now
    if now.solution is not None and now.survey is not None:
        desk.screen.heading("What each line alone does to the readings, mm; then all together")
        tables.effects(desk.screen, readings_of(now.survey, now.solution), now.solution)
        if now.solution.slicing_angle_deg is not None:
            desk.screen.say("'then' includes the new slicing angle, for which no line is sent.")


@click.command(cls=Verb)
@click.option("--approve", metavar="DIGEST", help="confirm with this digest; do not ask")
def write(desk: Desk, /, approve: str | None) -> None:
    """Show the plan and, once its digest is typed, write it and read it back.

    Writing changes what is live; 'store' makes it permanent.

    \b
    Example: plumbelt> write
    """
    session = desk.session
    plan = session.bench.plan or session.changes.preview()
    if plan.empty:
        taken = no_lines(desk)
        desk.screen.answer({"lines": [], "verified": taken}, lambda: None)
        return
    finish(desk, confirmed_write(desk, plan, approve))


def no_lines(desk: Desk) -> bool:
    """A plan without lines: the slicing angle alone, if there is one to change."""
    session, waiting = desk.session, desk.session.bench.waiting
    desk.screen.say("There is no line to write.")
    angle = waiting.angle_deg if waiting else None
    if waiting is None or angle is None or angle == session.profile.mechanics.gantry_angle_deg:
        return False
    if not desk.screen.agrees(f"Slice at {angle:.3f}° from now on?"):
        return False
    session.changes.take_angle(angle, as_solved=waiting.as_solved, to=waiting.to)
    tell_angle(desk)
    return True


def tell_angle(desk: Desk) -> None:
    """Pieces and readings from here on are of the changed machine; say so where it matters."""
    angle = desk.session.profile.mechanics.angle_deg
    if desk.rehearsal is not None:
        desk.rehearsal.slice_at(angle)
    desk.screen.say(f"Pieces are drawn for {angle:.3f}° from now on.")


def confirmed_write(desk: Desk, plan: Plan, approve: str | None = None) -> Outcome:
    """Ask everything that a plan asks, then write it.  Raises Refused, with nothing sent.

    `approve`: a digest that was confirmed elsewhere, with every value of its plan in view.
    """
    screen = desk.screen
    address = desk.session.contact.joined()[0].transport.name
    show_plan(desk, plan)
    if approve is not None:
        retyped = plan.wanted
        approved(plan.digest, approve)
    else:
        retyped = {key: asked_again(desk, key, plan.wanted[key]) for key in plan.retype}
        confirm(desk, plan.digest, "write")
    before = desk.session.profile.mechanics.gantry_angle_deg
    try:
        outcome = desk.session.changes.write(plan, plan.digest, retyped=retyped)
    except LinkFailed:
        desk.session.contact.lose(address)
        raise
    tables.outcome(screen, outcome)
    if desk.session.profile.mechanics.gantry_angle_deg != before:
        tell_angle(desk)
    return outcome


def asked_again(desk: Desk, key: str, value: float) -> float:
    """A large new value, typed again by the technician."""
    answer = desk.screen.ask(f"Large change. To confirm it, type the new value of {key}:")
    try:
        typed = number_from(answer)
    except ValueError as refusal:
        raise Refused(f"{key}: {refusal}", remedy="Nothing was sent") from None
    if not same(typed, value):
        raise Refused(f"{key}: {in_full(typed)} is not {in_full(value)}", remedy="Nothing was sent")
    return typed


def confirm(desk: Desk, digest: str, act: Literal["write", "store"]) -> None:
    """Have the start of a digest typed.  Raises Refused, with nothing changed, for anything else.

    Before storing is asked for, lines that look at what is stored were sent.
    """
    sends, sent = {"write": ("sends", "sent"), "store": ("stores", "stored")}[act]
    typed = desk.screen.ask(
        f"To {act} exactly this, type the first {TYPED} characters of the digest {digest}"
        f" (anything else {sends} nothing):"
    ).lower()
    if len(typed) < TYPED or not digest.startswith(typed):
        raise Declined(
            f"not confirmed: type at least {TYPED} characters of {digest}",
            remedy=f"Nothing was {sent}. Type the command again to go on",
        )


def approved(digest: str, named: str) -> None:
    """Raise Refused, with nothing sent, unless the digest named is the one of the plan."""
    if named.strip().lower() != digest:
        raise Refused(
            f"the digest is {digest}, and {named.strip()[:20]!r} was approved",
            remedy="Look at the preview again. Nothing was sent",
        )


def finish(desk: Desk, outcome: Outcome) -> None:
    """Answer with an outcome; a change that is not proved is an error."""
    desk.screen.answer(outcome.to_plain(), lambda: None)
    trouble = desk.session.book.trouble
    if trouble:
        desk.screen.complain(f"! The record cannot be kept: {trouble}")
    if not outcome.verified:
        raise Refused(
            "not everything is proved: " + "; ".join(map(str, outcome.fates)),
            remedy="'readback' shows what is live; 'undo' brings back what was there before",
        )


@click.command(cls=Verb)
@click.option("--approve", metavar="DIGEST", help="confirm with this digest; do not ask")
@click.option(
    "--others",
    type=click.Choice(list(OTHERS)),
    metavar="all|plan",
    help="other differing settings: store them too, or only the plan",
)
def store(desk: Desk, /, approve: str | None, others: str | None) -> None:
    """Make what was written permanent, load it again from storage, and compare.

    Storing keeps everything that is live, so what else differs is shown and asked about first.

    \b
    Example: plumbelt> store
    """
    screen, session = desk.screen, desk.session
    looked = session.storage.look()
    screen.heading("What storing would make permanent")
    tables.look(screen, looked)
    if session.bench.done is None and not looked.others:
        screen.answer(looked.to_plain(), lambda: None)
        return
    if looked.others and others is None and approve is None:
        others = screen.ask(
            "Other settings differ as well. Type 'all' to store these as well, 'plan' to store only"
            " the plan (the others go back to their stored values), anything else to cancel:"
        ).lower()
        if others not in OTHERS:
            raise Declined("cancelled", remedy="Nothing was stored")
    screen.say(f"Digest {looked.digest}.")
    if approve is None:
        confirm(desk, looked.digest, "store")
    choice: Others | None = None
    if looked.others and others is not None:
        choice = OTHERS[others]
    outcome = session.storage.store(looked, approve or looked.digest, choice)
    tables.outcome(screen, outcome)
    finish_stored(desk, outcome)


def finish_stored(desk: Desk, outcome: Outcome) -> None:
    """Answer with the outcome of storing; a value that did not come back is not stored."""
    bench = desk.session.bench
    if bench.stored_otherwise:
        worst = stored_otherwise(bench)
        desk.screen.answer({"worst": worst, **outcome.to_plain()}, lambda: None)
        raise Refused(worst, remedy="What was written is live still. 'store' tries once more")
    if outcome.verified and not outcome.stored:
        desk.screen.answer(outcome.to_plain(), lambda: None)
        raise Refused(
            "stored as the controller says, and not proved",
            remedy="'prove power' proves it: what comes back after a power cycle is stored",
        )
    finish(desk, outcome)


@click.command(cls=Verb)
@click.argument("after", type=click.Choice(list(STAGE_WORDS)), metavar="power|homing|job")
def prove(desk: Desk, /, after: str) -> None:
    """Read back after a power cycle, homing, or a job's start, and compare with the plan.

    \b
    Example: plumbelt> prove power
    """
    link, family = desk.session.contact.joined()
    address = link.transport.name
    if desk.session.bench.done is None:
        raise Refused(
            "nothing was written that is still to be proved", remedy="'write' comes first"
        )
    evidence = BY_WORD
    if after == "power":
        evidence = power_cycle(desk, address)
    elif not desk.screen.agrees(f"{REQUESTS[after]} Done?"):
        raise Declined("not proved", remedy="Nothing was sent")
    outcome = desk.session.storage.prove(STAGE_WORDS[after], evidence)
    tables.outcome(desk.screen, outcome, evidence)
    if not outcome.verified or after != "power" or evidence != BY_WORD:
        finish(desk, outcome)
        return
    # a word is no proof: stored is what was proved to be otherwise
    document = {"evidence": evidence, **outcome.to_plain(), "stored": desk.session.bench.kept}
    desk.screen.answer(document, lambda: None)
    by_file = family.words.kept_by == "file"
    raise Refused(
        "the link saw no power cycle: that the machine was off is only said by the operator"
        + (", and a controller that keeps its settings in a file is not proved by that" * by_file),
        remedy="'prove power' again, with any USB cable that powers the board unplugged",
    )


def edit_file(desk: Desk) -> None:
    """Have the lines put into the controller's own file, where storing does not keep them."""
    from agent.change.plan import file_lines

    _, family = desk.session.contact.joined()
    done = desk.session.bench.done
    if done is None or family.words.kept_by != "file":
        return
    lines = file_lines(family, done.changes, done.lines)
    desk.screen.say("These lines belong into the controller's own file:")
    for line in lines:
        desk.screen.say(f"    {line}")
    if desk.rehearsal is not None:
        desk.rehearsal.edit_file(done.wanted)
        desk.screen.say("They were put into the file of the simulated controller.")
    elif not desk.screen.agrees("Are they in it?"):
        raise Declined("not proved", remedy="Edit the file first. Nothing was sent")
    desk.session.storage.lines_are_in_its_file(lines)


def power_cycle(desk: Desk, address: str) -> str:
    """Have the machine switched off and on, and attach to it again; what the link saw of that."""
    session = desk.session
    edit_file(desk)
    link, _ = session.contact.joined()
    stood, mark = session.moves.places(), len(link.events)
    if desk.rehearsal is not None:
        desk.rehearsal.power_cycle()
        desk.screen.say("The simulated machine was switched off and on.")
    else:
        desk.screen.ask(
            "Support the gantry, switch the machine off, unplug any USB cable that powers the"
            " board, wait 10 s, reconnect, switch on, and wait until it has started. Then press"
            " Enter:"
        )
    evidence = session.storage.saw_power_cycle(mark, stood)
    session.contact.let_go()
    session.contact.attach_again(desk.open_again(address))
    desk.screen.say(f"The power cycle: {evidence}.")
    return evidence


@click.command(cls=Verb)
@click.option("--to", "entry", metavar="ENTRY", help="the state after this entry ('undo --list')")
@click.option("--list", "listed", is_flag=True, help="the states that changes have left behind")
@click.option("--approve", metavar="DIGEST", help="write the plan of this digest, unasked")
def undo(desk: Desk, /, entry: str | None, listed: bool, approve: str | None) -> None:
    """Bring an earlier state back: every setting and the slicing angle, in full precision.

    Without --to: the state before the last change. It goes by the same preview and confirmation
    as any change.

    \b
    Example: plumbelt> undo
    """
    session = desk.session
    if listed:
        show_past(desk)
        return
    to, _ = session.changes.state_to(entry)
    plan = session.changes.undoing(to)
    if plan.empty:
        no_lines(desk)
        desk.screen.answer(plan.to_plain(), lambda: desk.screen.say("No setting differs any more."))
        return
    finish(desk, confirmed_write(desk, plan, approve))


def show_past(desk: Desk) -> None:
    """The states one may go back to, newest first."""
    past = desk.session.bench.behind[::-1]
    document = {
        "states": [
            {"entry": p.short, "at": p.at, "gantry_angle_deg": p.gantry_angle_deg, "left_by": p.by}
            for p in past
        ]
    }

    def show() -> None:
        if not past:
            desk.screen.say("Nothing was changed that could be undone.")
            return
        rows = [
            (
                p.short,
                when(p.at),
                p.by or "-",
                "-" if p.gantry_angle_deg is None else f"{p.gantry_angle_deg:g}",
            )
            for p in past
        ]
        desk.screen.table(["entry", "state up to", "left by plan", ">angle, °"], rows)

    desk.screen.answer(document, show)


@click.command(cls=Verb)
def cool(desk: Desk, /) -> None:
    """Switch all heaters off, and have the controller say so.

    \b
    Example: plumbelt --port /dev/ttyUSB0 cool
    """
    heats = desk.session.heaters.cool()
    bench = desk.session.bench
    danger = desk.session.heaters.watch_cooling() if bench.heater_state == "off" else ""
    if danger:
        desk.screen.answer({"worst": danger, "heaters": "off", "off": False}, lambda: None)
        raise Refused(danger, remedy=SWITCH_OFF)
    document = {"heaters": bench.heater_state, "off": heats is not None and heats.off}
    desk.screen.answer(document, lambda: desk.screen.say(desk.heat_words()))
    if bench.heater_state == "on" or heats is None:
        raise Refused(
            "the heaters could NOT be switched off over the link", remedy="Use the power switch"
        )
    if bench.heater_state == "unknown":
        raise Refused("the controller does not say that its heaters are off", remedy="Look at it")


@click.command(cls=Verb)
def begin(desk: Desk, /) -> None:
    """Begin a new tune: readings and pieces so far are set aside, and stay in the record.

    \b
    Example: plumbelt> begin
    """
    count = len(desk.session.now.taken)
    desk.session.readings.begin()
    desk.screen.answer(
        {"set_aside": count},
        lambda: desk.screen.say(
            f"A new tune; {several(count, 'reading')} {'was' if count == 1 else 'were'} set aside."
        ),
    )
