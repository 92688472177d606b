"""`feed`: guided feeds of filament, free and hot, and the flow that beads tell."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final, cast

import click

from agent.errors import Declined, Refused
from agent.face.answers import typed_length
from agent.face.cautions import acknowledge
from agent.face.changing import show_plan
from agent.face.desk import Desk
from agent.face.moving import asked_length
from agent.face.options import LENGTH, Count, Number, Verb
from agent.families.gate import named
from agent.pieces.feeds import WORTH_IT, feed_test, result_of

if TYPE_CHECKING:
    from agent.pieces.bead import Flow
    from agent.pieces.feeds import FeedKind, FeedResult, FeedTest

KEY: Final = "steps_per_mm.e0"

#: Heating takes this long at most, s.
HEATING_TIMEOUT: Final = 900.0


@click.command(cls=Verb)
@click.argument("kind", type=click.Choice(("free", "hot", "flow")), metavar="free|hot|flow")
@click.option("--length", type=LENGTH, default=50.0, show_default=True, help="of each feed, mm")
@click.option("--repeats", type=Count(2), default=5, show_default=True, help="how many feeds")
@click.option("--speed", type=Number("mm/s", above=0), default=1.0, show_default=True)
def feed(desk: Desk, /, kind: str, length: float, repeats: int, speed: float) -> None:
    """The extruder: several slow feeds of filament, running out free or through the hot nozzle.

    Only the free feeds may change the steps; what hot ones fall short of them is slip. 'flow'
    tells from the beads of a strip that was read and solved how much too wide they are laid.
    The guard against feeding cold stays on: the nozzle is heated for both.

    \b
    Example: plumbelt> feed free
    """
    if kind == "flow":
        show_flow(desk)
        return
    session = desk.session
    session.contact.joined()
    old = steps_now(desk)
    refuse_out_of_order(desk)
    test = feed_test(
        session.profile, cast("FeedKind", kind), length=length, repeats=repeats, speed=speed
    )
    acknowledge(desk)
    show_test(desk, test)
    if not desk.screen.agrees(f"{READY[kind]} Are hands clear of nozzle and drive?"):
        raise Declined("not fed", remedy="Nothing was moved or heated")
    values = fed(desk, test)
    if len(values) < 2:
        raise Refused("fewer than two feeds were read, which tells nothing", remedy="Feed again")
    session.readings.keep_feed(test.kind, length, values)
    result = result_of(old, session.bench.feeds)
    plan_for(desk, old, result)
    document = document_of(desk, old, result)
    desk.screen.answer(document, lambda: show_result(desk, old, result))


READY: Final = {
    "free": "Is the tube off the hot end, the filament free to run out, and the gantry raised?",
    "hot": "Is the filament in the nozzle, and the gantry raised by 50 mm or more?",
}


def steps_now(desk: Desk) -> float:
    """Live steps of the extruder.  Raises Refused where the controller reports none."""
    steps = desk.session.bench.live("steps_per_mm").get("e0")
    if steps is None:
        raise Refused(f"the controller reported no {KEY}", remedy="There is nothing to tune here")
    return steps


def refuse_out_of_order(desk: Desk) -> None:
    """The extruder comes last: belt and angle change how thick a layer is, and with it the flow."""
    solution, plan = desk.session.now.solution, desk.session.bench.plan
    waiting = plan is not None and set(plan.wanted) - {KEY}
    if waiting or (solution is not None and solution.warrants_change):
        raise Refused(
            "the axes are not corrected yet, and the extruder comes last: belt step and angle"
            " change the layer, and with it the flow",
            remedy="'preview' and 'write' first, or solve anew if no change is wanted",
        )


def show_test(desk: Desk, test: FeedTest) -> None:
    screen, session = desk.screen, desk.session
    screen.heading(f"Filament: {len(test.feeds)} {test.kind} feeds of {test.commanded_mm:g} mm")
    minutes = len(test.feeds) * test.seconds / 60
    screen.say(
        f"Heats the nozzle to {session.profile.material.heats[0]:g} °C. Each feed takes"
        f" {test.seconds:.0f} s; all of them {minutes:.0f} min, and"
        f" {len(test.feeds) * test.commanded_mm / 1000:.2f} m of filament. No axis moves."
    )
    for caution in test.cautions:
        screen.say(f"! {caution}")
    screen.say(
        "Mark the filament some way before the drive and note its distance; after each feed"
        " measure how far the mark has moved."
    )


def fed(desk: Desk, test: FeedTest) -> list[float]:
    """Heat, feed, ask; the heater is off again whatever happens."""
    session = desk.session
    link, _ = session.contact.joined()
    session.heaters.note("on", f"{test.kind} feeds")
    values: list[float] = []
    all_offered = False
    try:
        for line in test.before:
            with named(link, (line,), "move"):
                link.ask(line, timeout=HEATING_TIMEOUT)
        for number, lines in enumerate(test.feeds, start=1):
            session.contact.send_lines(lines, seconds=test.seconds)
            value, all_offered = read_feed(desk, test, number, all_offered)
            if value is not None:
                values.append(value)
    finally:
        if session.heaters.cool() is None:
            desk.screen.complain(
                "! The heater could NOT be switched off over the link: use the power switch."
            )
    return values


def read_feed(
    desk: Desk, test: FeedTest, number: int, all_offered: bool
) -> tuple[float | None, bool]:
    """How far the filament went in one feed, and whether the rest of a rehearsal is taken."""
    head = f"feed {number} of {len(test.feeds)}"
    if desk.rehearsal is None:
        question = f"  {head}: the mark moved, mm (Enter leaves it out)?"
        return asked_length(desk, question, test.commanded_mm), False
    offered = desk.rehearsal.measure_feeds(1, hot=test.kind == "hot")[0]
    if all_offered:
        return offered, True
    desk.screen.say(f"  {head}: the simulated rule shows {offered:.1f}")
    answer = desk.screen.ask("  mm (Enter takes it, 'all' takes all from here):")
    if answer and answer.lower() != "all":
        try:
            return typed_length(answer).mm, False
        except ValueError as refusal:
            desk.screen.say(f"  {refusal}; left out.")
            return None, False
    return offered, bool(answer)


def plan_for(desk: Desk, old: float, result: FeedResult | None) -> None:
    """Make the change that the free feeds ask for the plan that 'write' takes."""
    if result is None or not result.worth_it(old):
        return
    from agent.change.plan import make_plan

    session = desk.session
    _, family = session.contact.joined()
    plan = make_plan(
        session.bench.clean_readback,
        {KEY: result.steps_per_mm},
        family,
        machine=session.profile.name,
        profile=session.profile,
        why="free feeds of filament",
    )
    session.changes.propose(plan, "feed")


def document_of(desk: Desk, old: float, result: FeedResult | None) -> dict[str, Any]:
    """The answer as plain data."""
    plan = desk.session.bench.plan
    return {
        "feeds": {
            kind: {"commanded_mm": length, "mm": list(values)}
            for kind, (length, values) in desk.session.bench.feeds.items()
        },
        "old": old,
        "new": None if result is None else result.steps_per_mm,
        "u": None if result is None else result.u_steps_per_mm,
        "slip": None if result is None else result.slip,
        "u_slip": None if result is None else result.u_slip,
        "plan": None if plan is None else plan.to_plain(),
    }


def show_result(desk: Desk, old: float, result: FeedResult | None) -> None:
    screen = desk.screen
    for kind, (length, values) in desk.session.bench.feeds.items():
        screen.say(f"{kind}, commanded {length:g} mm: {' '.join(f'{mm:.1f}' for mm in values)}")
    if result is None:
        screen.say("Hot feeds alone never change the steps: 'feed free' tells step from slip.")
        return
    share = result.steps_per_mm / old - 1
    screen.say(
        f"Free feeds ask for {result.steps_per_mm:.2f} ± {2 * result.u_steps_per_mm:.2f} step/mm"
        f" (95 %) instead of {old:g}: {100 * share:+z.2f} %."
    )
    if result.slip is not None and result.u_slip is not None:
        screen.say(
            f"Slip behind the hot nozzle: {100 * result.slip:.1f} ± {200 * result.u_slip:.1f} %"
            + (
                ". That is much: look at the drive's grip and tension, the nozzle, the heat. The"
                " steps are not the cure."
                if result.slips
                else "."
            )
        )
    plan = desk.session.bench.plan
    if plan is None or not result.worth_it(old):
        screen.say(
            f"Leave the steps: a change counts beyond {100 * WORTH_IT:g} % and its uncertainty."
        )
        return
    show_plan(desk, plan)
    screen.say("'write' sends it once you have typed its digest; judge the flow anew after it.")


# --- flow ----------------------------------------------------------------------------------------


def show_flow(desk: Desk) -> None:
    """How much too wide beads are laid, after the bead growth that the solution found."""
    flow = flow_now(desk)
    way = "narrower" if flow.growth_mm < 0 else "wider"

    def show() -> None:
        screen = desk.screen
        screen.say(
            f"Beads of {flow.planned_mm:.2f} mm come out {abs(flow.growth_mm):.3f} ±"
            f" {2 * flow.u_mm:.3f} mm {way} (95 %), in x, including squash and corners."
        )
        if not flow.told:
            screen.say("That is within what these readings can tell: leave the flow.")
        else:
            screen.say(
                f"As flow that is {100 * (flow.factor - 1):+z.1f} % ±"
                f" {200 * flow.u_factor:.1f} %. In the slicer multiply the flow for this"
                f" material by {1 / flow.factor:.3f}. Do not change the extruder steps."
            )

    desk.screen.answer(asdict(flow), show)


def flow_now(desk: Desk) -> Flow:
    """Bead width and flow from the offset of faces across x.  Raises Refused without one."""
    from agent.pieces.bead import flow

    solution = desk.session.now.solution
    offset = None if solution is None else solution.parameters.get("offset.x")
    if offset is None or not offset.determined:
        raise Refused(
            "the bead width across x is not known in this state of the machine",
            remedy="'lay strip', 'gauge strip', 'solve', then 'feed flow'",
        )
    return flow(desk.session.profile.bead, offset.value, offset.u)
