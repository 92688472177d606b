"""`next`: the one best step now, and why.

A list of rules, asked in order; the first that has something to say wins.  Each sees the desk
alone, so that the advice never depends on how one came here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Final

import click

from agent.bench.rounds import MOVES, Taken
from agent.bench.standing import stored_otherwise
from agent.face import short
from agent.face.desk import Desk
from agent.face.options import Verb
from agent.face.words import shown
from agent.model.exact import several
from agent.model.feature import length
from agent.pieces.catalogue import CATALOGUE


@dataclass(frozen=True, slots=True)
class Step:
    """What to do now: a line of the shell, and the reason."""

    line: str
    why: str
    done: bool = False  #: True: the job is finished, the line is only what may come after


def attach(desk: Desk) -> Step | None:
    if desk.session.contact.link is not None:
        return None
    if desk.lost:
        return Step(
            f"attach {desk.lost} --again",
            "The link was lost. Check cable and power; what was read and found stays.",
        )
    if desk.rehearsal is not None:
        return Step(f"attach {desk.rehearsal.address}", "The simulated machine waits there.")
    from agent.wire.listing import list_ports

    found = list_ports()
    if len(found) == 1:
        what = found[0].description
        named = f" ({what})" if what and what != "n/a" else ""
        return Step(
            f"attach {found[0].device}", f"This is the only serial port on this computer{named}."
        )
    return Step("ports", "Nothing is attached yet; this lists what can be.")


def read_cleanly(desk: Desk) -> Step | None:
    from agent.wire.exchange import State

    bench, link = desk.session.bench, desk.session.contact.link
    if link is not None:
        if desk.lost:
            return Step(
                f"attach {desk.lost} --again",
                "The link is lost. Check cable and power; what was read and found stays.",
            )
        if bench.halted or link.state is State.HALTED:
            return Step(
                f"attach {link.transport.name} --again",
                "The controller has halted: reset it, or switch it off and on, then attach again.",
            )
        if link.state is State.DOUBT:
            return Step("readback", "The effect of the last line is not known; reading back tells.")
    if bench.readback is None or bench.readback.damaged:
        return Step("readback", "The last reading is damaged; nothing may rest on it.")
    return None


def cool_down(desk: Desk) -> Step | None:
    """Heaters that something left on are switched off first."""
    bench = desk.session.bench
    if not bench.hot:
        return None
    told = str(bench.heats)
    known = f"Heaters are on ({told})" if told else "Heaters may still be on"
    return Step("cool", f"{known}: switch them off.")


def home_first(desk: Desk) -> Step | None:
    """After something broke off the axes are homed, where one word homes them without the belt."""
    session = desk.session
    if not session.bench.place_lost or session.contact.family is None:
        return None
    axes = session.profile.axes
    line = session.contact.family.homes(
        [axes.letter(role).upper() for role in ("across", "gantry")]
    )
    if line is None:
        return None
    return Step(
        f"send {line}",
        "Where the axes stand is not known since the work broke off: home across and gantry before"
        " the next move, once the nozzle is free of the piece.",
    )


def know_machine(desk: Desk) -> Step | None:
    """Without its travel and drives nothing is laid on a machine, and nothing held against it."""
    mechanics = desk.session.profile.mechanics
    if mechanics.travel_mm and mechanics.drives:
        return None
    return Step(
        "profile list",
        "Nothing is known of how this machine is built. 'profile use NAME' says which one it is;"
        " for a new one, copy and change the file of 'heron' ('profile show heron').",
    )


def restore_first(desk: Desk) -> Step | None:
    """Where an axis must not move and the profile knows better, its settings come back first."""
    from agent.change.guards import blocked_roles

    session = desk.session
    blocked = blocked_roles(session.bench.findings(), session.profile.axes)
    if not blocked or session.bench.done is not None or not session.profile.settings:
        return None
    role, why = next(iter(blocked.items()))
    return Step(
        f"profile restore {session.profile.name}",
        f"The {role} axis must not move: {why}. The profile holds what was there before.",
    )


def save_first(desk: Desk) -> Step | None:
    """Before anything is changed, the machine as it is goes to a file."""
    from agent.store.profiles import profile_path

    session = desk.session
    if desk.rehearsal is not None or session.bench.done is not None:
        return None
    name = session.profile.name
    if profile_path(name).is_file():
        return None
    return Step(f"profile save {name}", "Save the machine as it is, before anything is changed.")


def mend(desk: Desk) -> Step | None:
    """A change that broke off is settled before anything else is done."""
    bench = desk.session.bench
    if bench.broken:
        return Step(
            "resume", "A change of this machine was broken off: this tells what took effect."
        )
    if bench.fallen:
        return Step(
            "resume finish",
            "What was written is not live any more (the controller restarted before it was"
            " stored): this writes it again.",
        )
    return None


def measure(desk: Desk) -> Step | None:
    """What the tune, or its proof, still needs: moves first, then one small piece.

    Whatever else was read counts along; nothing more is asked once it is enough.
    """
    now = desk.session.now
    wished = short.wishes(desk)
    if not wished:
        return None
    first = wished[0]
    if first.piece == MOVES:
        return Step(f"gauge {MOVES} --enough", _moves_why(desk, wished))
    if any(one.name == first.piece for one in now.laid):
        left = sum(wish.piece == first.piece for wish in wished)
        told = f"{several(left, 'feature')} {'is' if left == 1 else 'are'}"
        doubt = _doubt(desk)
        why = doubt or f"The {first.piece} is laid; {told} worth reading."
        return Step(f"gauge {first.piece} --enough", why)
    again = "again, to prove the change" if now.follows is not None else "now"
    why = f"{CATALOGUE[first.piece].shows}. Lay it {again}."
    if desk.session.contact.family is not None and not desk.session.contact.family.heats:
        why = f"{why} Nozzle and bed are heated by hand there: 'lay' says when."
    if not now.laid and short.out_of_reach(desk):
        why = f"{why}\n! {short.out_of_reach(desk)} 'outlook' tells what would help."
    return Step(f"lay {first.piece}", why)


def _moves_why(desk: Desk, wished: Sequence[short.Wish]) -> str:
    moves = [wish for wish in wished if wish.piece == MOVES]
    count = several(len(moves), "move")
    if desk.session.now.follows is not None:
        return (
            f"Now measure again and compare with what was expected: first {count}."
            f" {short.power_words(desk)}"
        )
    if doubt := _doubt(desk):
        return doubt
    if desk.session.now.taken:
        return f"{count} more would tell what is wanted, or show a slip in those that were read."
    return (
        "Measure plain moves first: they separate axis travel from plastic shrink ('help travel')."
        f" Over two lengths of each axis what a gauge adds to both drops out: {count} in all."
    )


def _doubt(desk: Desk) -> str:
    """Why one more value is asked although all are there; empty where that is not so."""
    course = short.course_now(desk) if desk.session.now.follows is None else None
    if course is None or not course.doubt:
        return ""
    return "Readings stand further apart than good ones do: one more tells which of them is off."


def solve(desk: Desk) -> Step | None:
    now = desk.session.now
    if now.solution is not None or not (now.taken or now.runs):
        return None
    if now.follows is not None and desk.session.bench.compare():
        return None  # a proof is held against what was foretold, not solved anew
    course = short.course_now(desk)
    enough = course is not None and course.enough
    return Step("solve", f"{short.ENOUGH.capitalize()}." if enough else "All readings are there.")


def read_again(desk: Desk) -> Step | None:
    """A reading that does not belong is asked about before anything rests on it."""
    now = desk.session.now
    if now.solution is None:
        return None
    # What a belt run adds to the readings comes after those that were taken.
    called_wrong = [
        (taken, residual)
        for taken, residual in zip(now.taken, now.solution.residuals, strict=False)
        if residual.outlier and taken.reading.name not in now.read_again
    ]
    if not called_wrong:
        return None
    taken, residual = max(called_wrong, key=lambda of: abs(of[1].residual) / of[1].u)
    return Step(
        line_again(taken),
        f"It stands {residual.residual:+z.3f} mm off what all the others say: read it again"
        " ('preview' goes on without).",
    )


def line_again(taken: Taken) -> str:
    """The line that takes a reading again."""
    reading = taken.reading
    if taken.piece != MOVES:
        return f"gauge {(reading.name or taken.piece).replace(' ', '-')}"
    # a reading of a file may have no name
    x, _, h = reading.along
    axis = "across" if x else "gantry" if h else "belt"
    kind, *rest = reading.name.split() or (reading.kind, axis, f"{length(reading.along):g}")
    if kind != MOVES:
        return f"gauge {kind}"
    role, *mm = rest
    return f"gauge {MOVES}-{role}" + "".join(f" --mm {length}" for length in mm)


def carry_out(desk: Desk) -> Step | None:
    """A plan that was previewed waits for its approval."""
    session = desk.session
    if session.bench.plan is None or session.bench.plan.empty:
        return None
    waiting = session.bench.waiting
    verb = "undo" if waiting is not None and waiting.purpose == "undo" else "write"
    return Step(
        verb, f"Plan {session.bench.plan.digest} is ready. '{verb}' asks you for its digest."
    )


def change(desk: Desk) -> Step | None:
    session = desk.session
    solution = session.now.solution
    if session.bench.unstored or solution is None or not solution.warrants_change:
        return None
    if session.bench.plan is not None:
        return Step("write", "No line is to be sent, but the slicing angle is to be changed.")
    return Step("preview", "The solution asks for a change; this shows it and sends nothing.")


def keep(desk: Desk) -> Step | None:
    """What is live and not stored is stored, where the controller has a word for it."""
    session = desk.session
    done, family = session.bench.done, session.contact.family
    if not session.bench.unstored or session.now.taken or family is None or done is None:
        return None
    if not family.words.covers_steps:
        from agent.change.plan import file_lines

        lines = " | ".join(file_lines(family, done.changes, done.lines))
        return Step(
            "prove power",
            f"This controller's store word does not keep steps. Put into its file: {lines}. Then"
            " switching off and on proves it.",
        )
    if session.bench.stored_otherwise:
        worst = stored_otherwise(session.bench)
        return Step("store", f"{worst}. Storing once more may help; else undo.")
    return Step("store", "The new values are live but would be lost at power-off.")


def take_back(desk: Desk) -> Step | None:
    """Where storing was tried and storage holds other values, the old ones are brought back."""
    bench = desk.session.bench
    if not bench.stored_otherwise or bench.refused is None or bench.refused.line != "store":
        return None
    worst = stored_otherwise(bench)
    return Step("undo", f"{worst}. Bring the old ones back, or 'store' once more.")


def prove_power(desk: Desk) -> Step | None:
    session = desk.session
    proofs = session.bench.proofs
    if session.bench.done is None or any(p.stage == "after a power cycle" for p in proofs):
        return None
    family = session.contact.family
    if session.bench.unstored and family is not None and family.words.covers_steps:
        return None  # it is to be stored first
    if session.now.taken or session.now.laid:
        return None
    return Step("prove power", "Stored. Now switch off and on to prove that it is permanent.")


def disagree(desk: Desk) -> Step | None:
    """A second measurement that is not as expected is no end of a tune."""
    apart = [row.name for row in desk.session.bench.compare() if not row.agrees]
    if not apart:
        return None
    now = desk.session.now
    for taken in now.taken:
        if taken.reading.name in apart and taken.reading.name not in now.read_again:
            return Step(
                line_again(taken),
                f"{taken.reading.name} is not as expected: read it again before anything rests on"
                " it.",
            )
    return Step(
        "undo",
        f"These readings are not as expected: {', '.join(apart)}. Read them again with 'gauge', or"
        " bring the old settings back.",
    )


def keep_profile(desk: Desk) -> Step | None:
    """The tuned state, with its slicing angle and full-precision values, goes to the profile."""
    from agent.change.outcome import KEPT

    session = desk.session
    if desk.rehearsal is not None or not session.bench.stages & KEPT or not session.bench.compare():
        return None
    from agent.store.profiles import load_profile, profile_path

    path = profile_path(session.profile.name)
    if path.is_file():
        saved = load_profile(path)
        angles = (saved.mechanics.gantry_angle_deg, session.profile.mechanics.gantry_angle_deg)
        written = session.bench.done.changes if session.bench.done is not None else ()
        if angles[0] == angles[1] and all(
            c.key in saved.settings
            and saved.settings[c.key].exact == session.bench.exact.get(c.key)
            for c in written
        ):
            return None
    return Step(
        f"profile save {session.profile.name} --over",
        "The tune is proved: keep the machine as it is now, with its slicing angle and the values"
        " in full precision.",
    )


def tell_which(desk: Desk) -> Step | None:
    """Where something stands askew and nothing tells what, the one reading that tells is asked."""
    solution = desk.session.now.solution
    if solution is None or any(reading.kind == "gap" for reading in desk.session.now.readings):
        return None
    askew = [text for text, told in standing_errors(desk) if not told]
    if not askew:
        return None
    return Step(
        "gauge gap",
        f"{askew[0]} stands outside the tolerance, and nothing read so far tells what it comes"
        " from: the gap between nozzle and belt at the two ends of an across move does.",
    )


def standing_errors(desk: Desk) -> list[tuple[str, bool]]:
    """Errors that no setting takes out and that stand outside the tolerance, in words.

    Each with whether it is told by itself; False: only a combination of such errors is known.
    """
    rounds = (desk.session.now, desk.session.now.follows)
    solution = next((r.solution for r in rounds if r is not None and r.solution), None)
    if solution is None:
        return []
    from agent.estimate.standing import askew

    found = askew(solution, desk.session.profile.tolerance)
    return [(f"{shown(name).words} {shown(name).value(deg)}", told) for name, deg, told in found]


def finished(desk: Desk) -> Step:
    """What is left at the end: a change that was not carried out, or the report."""
    session = desk.session
    if session.now.solution is not None and session.now.solution.warrants_change:
        return Step(
            "solve", "A change is warranted and was not carried out: this shows once more why."
        )
    standing = ", ".join(text for text, _ in standing_errors(desk))
    proved = bool(session.bench.compare())
    if proved and standing:
        why = (
            f"What settings can do is done, the tune is not: {standing} stands outside the"
            " tolerance and needs mechanical adjustment. Then 'begin' anew."
        )
    elif proved:
        why = "The tune is done; this writes its report. Last, check the flow: 'feed flow'."
    elif standing:
        why = (
            f"No setting is to be changed, but {standing} stands outside the tolerance and needs"
            " mechanical adjustment: 'solve' says which end, which way and how far."
        )
    elif (course := short.course_now(desk)) is not None and course.outside:
        known = short.enough_words(course)
        why = f"No change is warranted by these readings, and not all is known: {known}"
    else:
        why = "No change is warranted: every wanted error is inside its tolerance."
    if proved:
        why = f"{f'Every reading is as expected. {short.power_words(desk)}'.rstrip()} {why}"
    return Step("report", why, done=True)


def is_over(desk: Desk) -> Step | None:
    """What is to be reported was reported, and nothing has been done since."""
    if desk.reported is None or not finished(desk).done:
        return None
    path, bench = desk.reported
    if bench != desk.session.bench:
        return None
    return Step(
        "status",
        f"The report is written to {path}, and nothing is left to do. 'feed flow' checks the flow"
        " of this material; 'begin' starts a new tune; 'quit' leaves.",
        done=True,
    )


#: Asked in this order.
RULES: Final[tuple[Callable[[Desk], Step | None], ...]] = (
    attach,
    read_cleanly,
    cool_down,
    mend,
    know_machine,
    restore_first,
    save_first,
    keep,
    take_back,
    prove_power,
    home_first,
    carry_out,
    read_again,
    measure,
    solve,
    disagree,
    tell_which,
    change,
    keep_profile,
    is_over,
    finished,
)


def step_now(desk: Desk) -> Step:
    """The one best step now; never one that was just refused, as long as nothing has changed."""
    refused = desk.session.bench.refused
    for rule in RULES:
        step = rule(desk)
        if step is not None and (refused is None or step.line != refused.line):
            return step
    assert refused is not None
    return Step("readback", f"'{refused.line}' was refused: {refused.why}. See what is live first.")


@click.command("next", cls=Verb)
def next_step(desk: Desk, /) -> None:
    """The one best step now, and why; Enter on an empty line does it.

    \b
    Example: plumbelt> next
    """
    step = step_now(desk)

    def show() -> None:
        desk.screen.say(step.why)
        desk.screen.say(f"  {step.line}" + ("      (Enter does it)" if desk.in_shell else ""))

    desk.screen.answer(asdict(step), show)
    desk.offered = step.line
