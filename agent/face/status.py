"""`status`: where the work stands, as a few lines or as one document for a program."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import click

from agent.bench.standing import standing_of
from agent.bench.value import Bench
from agent.face.desk import Desk, at_desk
from agent.face.guide import step_now
from agent.face.options import Verb, as_json
from agent.face.screen import bar
from agent.face.words import MAIN, shown

#: Parameters that are angles; their tolerance is one of angles.
_ANGLE: Final = "gantry_angle_deg"


@click.command(cls=Verb)
@as_json
@at_desk
def status(desk: Desk, /) -> None:
    """Where the work stands: heaters, what waits, what is known, what is next.

    \b
    Example: plumbelt status --json
    """
    document = status_of(desk)

    def show() -> None:
        bench = desk.session.bench
        desk.screen.say(f"{document['machine']}: {document['link']}. {desk.heat_words()}")
        for told in standing_of(bench):
            desk.screen.say(f"! {told}")
        rows = [
            (
                shown(row["parameter"]).words,
                "-" if row["u95"] is None else shown(row["parameter"]).spread(row["u95"]),
                f"{row['tolerance'] * shown(row['parameter']).factor:g}",
                shown(row["parameter"]).unit,
                *_near(row),
            )
            for row in document["wanted"]
        ]
        columns = [("wanted", False), ("± (95 %)", True), ("tolerance", True), ("", False)]
        desk.screen.table([*columns, ("how near", False), ("", False)], rows)
        for title, done in (("Done", True), ("To come", False)):
            named = [part["step"] for part in document["course"] if part["done"] is done]
            if named:
                desk.screen.say(f"{title}: {', '.join(named)}.")
        desk.screen.say(f"Next: {document['next']['line']}")
        desk.screen.say(document["next"]["why"])

    desk.screen.answer(document, show)


def _near(row: Mapping[str, Any]) -> tuple[str, str]:
    """How near an uncertainty is to its tolerance: a full bar and a word where it is enough."""
    if row["u95"] is None:
        return bar(0.0, 16), "not determined"
    enough = row["u95"] <= row["tolerance"]
    share = 1.0 if enough else row["tolerance"] / row["u95"]
    return bar(share, 16), "enough" if enough else "not enough yet"


def status_of(desk: Desk) -> dict[str, Any]:
    """The document of `status --json`."""
    session = desk.session
    bench, step = session.bench, step_now(desk)
    link = "not attached" if session.contact.link is None else session.contact.link.state.value
    now = bench.now
    return {
        "machine": bench.machine or bench.profile.name,
        "link": "lost" if bench.lost else "halted" if bench.halted else link,
        "heaters": bench.heater_state if session.contact.link is not None else "unknown",
        "unstored": bench.unstored,
        "plan": None if bench.plan is None or bench.plan.empty else bench.plan.digest,
        "round": {
            "number": len(bench.rounds),
            "gantry_angle_deg": now.gantry_angle_deg,
            "pieces": [laid.name for laid in now.laid],
            "readings": len(now.taken),
            "runs": len(now.runs),
            "solved": now.solved is not None,
        },
        "wanted": wanted(bench),
        "course": [{"step": name, "done": done} for name, done in course_of(bench)],
        "steps": bench.known("steps_per_mm"),
        "next": {"line": step.line, "why": step.why, "done": step.done},
        "standing": list(standing_of(bench)),
    }


def course_of(bench: Bench) -> list[tuple[str, bool]]:
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
    changes = solution is None or bool(
        solution.corrections or solution.slicing_angle_deg is not None
    )
    if not changes and bench.done is None:
        return course
    written = now.follows is not None or bench.done is not None
    return [
        *course,
        ("written", written),
        ("stored", written and bench.kept),
        ("proved by a power cycle", written and "after a power cycle" in bench.stages),
        ("measured again", now.follows is not None and bool(bench.compare())),
    ]


def wanted(bench: Bench) -> list[dict[str, Any]]:
    """What is to be known, how well it is known (95 %), and how well it must be."""
    tolerance, solution = bench.profile.tolerance, bench.now.solution
    rows = []
    for name in MAIN:
        known = solution.parameters.get(name) if solution is not None else None
        limit = tolerance.angle_deg if name == _ANGLE else tolerance.scale_percent / 100
        u95 = known.expanded95 if known is not None else None
        rows.append({"parameter": name, "u95": u95, "tolerance": limit})
    return rows
