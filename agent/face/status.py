"""`status`: where the work stands, as a few lines or as one document for a program."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from agent.bench.standing import progress_of, standing_of, wanted_of
from agent.face.desk import Desk
from agent.face.guide import step_now
from agent.face.options import Verb
from agent.face.screen import bar
from agent.face.words import shown


@click.command(cls=Verb)
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
        desk.screen.table(["wanted", ">± (95 %)", ">tolerance", "", "how near", ""], rows)
        for title, done in (("Done", True), ("To come", False)):
            named = [part["step"] for part in document["course"] if part["done"] is done]
            if named:
                desk.screen.say(f"{title}: {', '.join(named)}.")
        if document["next"]["line"] != "status":  # at the end of a tune there is no other
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
        "wanted": wanted_of(bench),
        "course": [{"step": name, "done": done} for name, done in progress_of(bench)],
        "steps": bench.known("steps_per_mm"),
        "next": {"line": step.line, "why": step.why, "done": step.done},
        "standing": list(standing_of(bench)),
    }
