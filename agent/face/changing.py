"""Verbs that lead to a change: `preview`, `write`, `store`, `prove`, `undo`.

Nothing is sent that was not shown, and nothing is sent without the digest typed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

import click

from agent.errors import LinkFailed, Refused
from agent.face import tables
from agent.face.desk import Desk, at_desk
from agent.face.options import Verb, as_json, number_from
from agent.model.exact import in_full, same

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

#: What the technician does at the machine for a stage.
REQUESTS: Final = {
    "homing": "Home the across and gantry axes at the machine, never the belt.",
    "job": "Start a usual job at the machine, and stop it once it has begun.",
}


@click.command(cls=Verb)
@as_json
@at_desk
def preview(desk: Desk, /) -> None:
    """The changes that the solution asks for: table, exact lines, digest. Sends nothing.

    \b
    Example: plumbelt> preview
    """
    plan = desk.session.preview()

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
    if solution is None or survey is None:
        return
    if solution.slicing_angle_deg is not None:
        screen.say(
            f"And from then on: slice at {solution.slicing_angle_deg:.3f} deg instead of"
            f" {survey.mechanics.angle_deg:g} deg (no line is sent for this)."
        )


def show_effects(desk: Desk) -> None:
    """Side effects of each line, and the readings to expect afterwards."""
    from agent.estimate.foretelling import readings_of

    now = desk.session.now
    if now.solution is not None and now.survey is not None:
        desk.screen.heading("What each line alone does to the readings, mm; then all together")
        tables.effects(desk.screen, readings_of(now.survey, now.solution), now.solution)
        if now.solution.slicing_angle_deg is not None:
            desk.screen.say("'then' counts the new slicing angle along, for which no line is sent.")


@click.command(cls=Verb)
@click.option("--approve", metavar="DIGEST", help="write the plan of this digest, unasked")
@as_json
@at_desk
def write(desk: Desk, /, approve: str | None) -> None:
    """Show the plan and, once its digest is typed, write it and read it back.

    Writing changes what is live; 'store' makes it permanent.

    \b
    Example: plumbelt> write
    """
    session = desk.session
    plan = session.plan or session.preview()
    solution = session.now.solution
    if plan.empty:
        angle = solution.slicing_angle_deg if solution else None
        desk.screen.say("There is no line to write.")
        if angle is not None and desk.screen.agrees(f"Slice at {angle:.3f} deg from now on?"):
            take_state(desk, angle)
        desk.screen.answer({"lines": [], "verified": False}, lambda: None)
        return
    outcome = confirmed_write(desk, plan, approve)
    if outcome.verified:
        take_state(desk, solution.slicing_angle_deg if solution else None)
    finish(desk, outcome)


def take_state(desk: Desk, angle_deg: float | None, *, as_solved: bool = True) -> None:
    """From here on pieces and readings are of the changed machine."""
    desk.session.new_state(angle_deg, as_solved=as_solved)
    if desk.rehearsal is not None:
        desk.rehearsal.slice_at(desk.session.profile.mechanics.angle_deg)
    if angle_deg is not None:
        desk.screen.say(f"Pieces are drawn for {angle_deg:.3f} deg from now on.")


def confirmed_write(desk: Desk, plan: Plan, approve: str | None = None) -> Outcome:
    """Ask everything that a plan asks, then write it.  Raises Refused, with nothing sent.

    `approve`: a digest that was confirmed elsewhere, with every value of its plan in view.
    """
    screen = desk.screen
    address = desk.session.joined()[0].transport.name
    show_plan(desk, plan)
    if approve is not None:
        retyped = plan.wanted
        approved(plan.digest, approve)
    else:
        retyped = {key: asked_again(desk, key, plan.wanted[key]) for key in plan.retype}
        confirm(desk, plan.digest, "write")
    try:
        outcome = desk.session.write(plan, plan.digest, retyped=retyped)
    except LinkFailed:
        desk.session.plan = None  # part of it may be live: what is left is previewed anew
        desk.lost = address
        raise
    tables.outcome(screen, outcome)
    return outcome


def asked_again(desk: Desk, key: str, value: float) -> float:
    """A large new value, typed again by the technician."""
    answer = desk.screen.ask(f"This is a large change. Type the new value of {key} again:")
    try:
        typed = number_from(answer)
    except ValueError as refusal:
        raise Refused(f"{key}: {refusal}", remedy="Nothing was sent") from None
    if not same(typed, value):
        raise Refused(f"{key}: {in_full(typed)} is not {in_full(value)}", remedy="Nothing was sent")
    return typed


def confirm(desk: Desk, digest: str, act: Literal["write", "store"]) -> None:
    """Have the start of a digest typed.  Raises Refused, with nothing sent, for anything else."""
    typed = desk.screen.ask(
        f"To {act} exactly this, type the first {TYPED} characters of the digest {digest}"
        " (anything else sends nothing):"
    ).lower()
    if len(typed) < TYPED or not digest.startswith(typed):
        raise Refused(
            f"not confirmed: {typed!r} is not the start of {digest}", remedy="Nothing was sent"
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
    if not outcome.verified:
        raise Refused(
            "not everything is proved: " + "; ".join(map(str, outcome.fates)),
            remedy="'readback' shows what is live; 'undo' brings back what was there before",
        )


@click.command(cls=Verb)
@click.option("--approve", metavar="DIGEST", help="store under this digest, unasked")
@click.option(
    "--others", type=click.Choice(["too", "without"]), help="what else differs: too or not"
)
@as_json
@at_desk
def store(desk: Desk, /, approve: str | None, others: str | None) -> None:
    """Make what was written permanent, load it again from storage, and compare.

    Storing keeps everything that is live, so what else differs is shown and asked about first.

    \b
    Example: plumbelt> store
    """
    screen, session = desk.screen, desk.session
    looked = session.look()
    screen.heading("What storing would make permanent")
    tables.look(screen, looked)
    if looked.others and others is None and approve is None:
        others = screen.ask(
            "Other settings differ as well. Type 'too' to store them, 'without' to put the"
            " stored values back first, anything else to store nothing:"
        ).lower()
        if others not in ("too", "without"):
            raise Refused("not stored", remedy="Nothing was stored")
    screen.say(f"Digest {looked.digest}.")
    if approve is None:
        confirm(desk, looked.digest, "store")
    choice: Others | None = None
    if looked.others and others is not None:
        choice = "store them too" if others == "too" else "leave them out"
    outcome = session.store(looked, approve or looked.digest, choice)
    tables.outcome(screen, outcome)
    finish(desk, outcome)


@click.command(cls=Verb)
@click.argument("after", type=click.Choice(list(STAGE_WORDS)), metavar="power|homing|job")
@as_json
@at_desk
def prove(desk: Desk, /, after: str) -> None:
    """Read back after a power cycle, homing, or a job's start, and compare with the plan.

    \b
    Example: plumbelt> prove power
    """
    link, _ = desk.session.joined()
    address = link.transport.name
    if desk.session.done is None:
        raise Refused("nothing was written in this session", remedy="'write' comes first")
    if after == "power":
        power_cycle(desk, address)
    elif not desk.screen.agrees(f"{REQUESTS[after]} Done?"):
        raise Refused("not proved", remedy="Nothing was sent")
    outcome = desk.session.prove(STAGE_WORDS[after])
    tables.outcome(desk.screen, outcome)
    finish(desk, outcome)


def edit_file(desk: Desk) -> None:
    """Have the lines put into the controller's own file, where storing does not keep them."""
    from agent.change.plan import file_lines

    _, family = desk.session.joined()
    done = desk.session.done
    if done is None or family.words.writing_stores or family.words.covers_steps:
        return
    desk.screen.say("These lines belong into the controller's own file:")
    for line in file_lines(family, done.changes):
        desk.screen.say(f"    {line}")
    if desk.rehearsal is not None:
        desk.rehearsal.edit_file(done.wanted)
        desk.screen.say("They were put into the file of the simulated controller.")
    elif not desk.screen.agrees("Are they in it?"):
        raise Refused("not proved", remedy="Edit the file first. Nothing was sent")


def power_cycle(desk: Desk, address: str) -> None:
    """Let go of the machine, have it switched off and on, and attach to it again."""
    edit_file(desk)
    desk.session.let_go()
    if desk.rehearsal is not None:
        desk.rehearsal.power_cycle()
        desk.screen.say("The simulated machine was switched off and on.")
    else:
        desk.screen.ask(
            "Support the gantry, switch the machine off, wait ten seconds, switch it on, and wait"
            " until it is up. A cable that feeds the board has to be pulled as well. Enter:"
        )
    desk.session.attach_again(desk.open_again(address))


@click.command(cls=Verb)
@as_json
@at_desk
def undo(desk: Desk, /) -> None:
    """Bring back what was live at the attach, by the same preview and confirmation.

    \b
    Example: plumbelt> undo
    """
    session = desk.session
    plan = session.undoing()
    if plan.empty:
        desk.screen.answer(plan.to_plain(), lambda: desk.screen.say("Nothing differs any more."))
        return
    outcome = confirmed_write(desk, plan)
    if outcome.verified:
        take_state(desk, session.first_angle_deg, as_solved=False)
    finish(desk, outcome)
