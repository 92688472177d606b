"""Where the work stands, in words and in order of danger: what an attach tells first."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from agent.bench.value import Bench, Surprise
from agent.model.exact import several
from agent.model.roles import WANTED

#: Settings that are named one by one; more are counted.
_NAMED: Final = 4


def standing_of(bench: Bench) -> tuple[str, ...]:
    """What is to be known before anything is done, the worst first; empty if nothing is."""
    return tuple(_told(bench))


def keeps(bench: Bench) -> str:
    """What makes permanent what is live and not stored."""
    family = bench.known_family
    if family is None or family.words.covers_steps:
        return "'store' keeps it."
    return "Its lines belong into the controller's own file; 'prove power' shows them."


def stored_otherwise(bench: Bench) -> str:
    """What storage holds instead of what was written, and why that is a danger."""
    return (
        "STORAGE HOLDS OTHER VALUES, which will be live after the next power-on:"
        f" {bench.stored_otherwise}"
    )


def _told(bench: Bench) -> Iterator[str]:
    if bench.heat_danger:
        yield f"DANGER: {bench.heat_danger}. Use the power switch."
    if bench.heater_state == "on":
        heats = f" ({bench.heats})" if str(bench.heats) else ""
        yield f"THE HEATERS ARE ON{heats}. 'cool' switches them off."
    elif bench.heater_state == "unknown":
        yield "Whether the heaters are on is not known: 'cool', or the power switch."
    if bench.stored_otherwise:
        yield stored_otherwise(bench)
    if bench.laying:
        yield (
            f"The laying of a {bench.laying} broke off: where the axes stand is not known. Home"
            " across and gantry before the next move, once the nozzle is free."
        )
    yield from _changes(bench)
    if bench.surprise is not None:
        yield _surprise(bench.surprise)
    if bench.plan is not None and not bench.plan.empty:
        yield f"Plan {bench.plan.digest} was previewed and waits: 'write'."
    yield from _readings(bench)


def _changes(bench: Bench) -> Iterator[str]:
    count = len(bench.broken)
    if count:
        what = "A change of this machine was" if count == 1 else f"{count} changes were"
        yield f"{what} broken off earlier: 'resume' tells what took effect."
    elif bench.fallen:
        yield (
            "What was written is NOT LIVE ANY MORE: the controller restarted before it was stored."
            " 'resume' shows it and writes it again."
        )
    elif bench.unstored:
        yield f"What was written is live and NOT STORED: it is lost with the power. {keeps(bench)}"


def _surprise(surprise: Surprise) -> str:
    named = "; ".join(map(str, surprise.moved[:_NAMED]))
    more = len(surprise.moved) - _NAMED
    rest = f"; and {more} more" if more > 0 else ""
    what = f"Not as it was last seen: {named}{rest}" if named else "Not as it was last seen"
    return f"{what}. Likely: {surprise.cause}."


def _readings(bench: Bench) -> Iterator[str]:
    now = bench.now
    unread = [laid.name for laid in now.laid if not any(t.piece == laid.name for t in now.taken)]
    count = len(now.taken) + len(now.runs)
    if count:
        since = f", begun {bench.begun_at[:16].replace('T', ' ')}" if bench.begun_at else ""
        solved = "solved" if now.solved else "not solved yet"
        are, them = ("is", "it") if count == 1 else ("are", "them")
        yield (
            f"{several(count, 'reading')} of this state {are} at hand ({solved}{since});"
            f" 'begin' sets {them} aside."
        )
    if unread:
        yield f"Laid and not read yet: {', '.join(unread)}."


def progress_of(bench: Bench) -> list[tuple[str, bool]]:
    """The steps of a tune in their order, and whether each is done.

    Where the readings ask for no change, nothing is to come between solving and the report.
    """
    now, first = bench.now, bench.now.follows or bench.now
    solution = first.solution
    mechanics = bench.profile.mechanics
    course = [
        ("settings read", bench.readback is not None and not bench.readback.damaged),
        ("machine known", bool(mechanics.drives and mechanics.travel_mm)),
        ("measured", solution is not None or bool(first.taken or first.runs)),
        ("solved", solution is not None),
    ]
    if solution is not None and not solution.warrants_change and bench.done is None:
        return course
    written = now.follows is not None or bench.done is not None
    return [
        *course,
        ("written", written),
        ("stored", written and bench.kept),
        ("proved by a power cycle", written and "after a power cycle" in bench.stages),
        ("measured again", now.follows is not None and bool(bench.compare())),
    ]


def wanted_of(bench: Bench) -> list[dict[str, Any]]:
    """What is to be known, how well it is known (95 %), and how well it must be.

    A change takes out what was found and leaves how well it was known: until the readings that
    follow it are solved themselves, the solution before it says so.
    """
    tolerance, now = bench.profile.tolerance, bench.now
    solution = now.solution or (now.follows.solution if now.follows is not None else None)
    rows = []
    for name in WANTED:
        known = solution.parameters.get(name) if solution is not None else None
        u95 = known.expanded95 if known is not None else None
        rows.append({"parameter": name, "u95": u95, "tolerance": tolerance.of(name)})
    return rows
