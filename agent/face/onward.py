"""What comes next, in one line behind a verb: in the shell Enter does it, one-shot it is typed.

It is a word for whoever sits there: nothing of it in pipes, in scripts or beside JSON.
"""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

import click

if TYPE_CHECKING:
    from agent.face.desk import Desk

#: Verbs behind which the step that comes next on the attached machine is named.
LEADS_ON: Final = (
    *("advance", "attach", "begin", "cool", "feed", "gauge", "handover", "lay", "marks"),
    *("mechanics", "preview", "profile", "prove", "readback", "resume", "send", "solve"),
    *("store", "undo", "write"),
)


def _first_port(_given: Mapping[str, Any]) -> str:
    from agent.wire.listing import list_ports

    found = list_ports()
    return f"--port {shlex.quote(found[0].device) if len(found) == 1 else 'PORT'}"


def _report(given: Mapping[str, Any]) -> str:
    return shlex.join(["report", *map(str, given["files"])]) if given["files"] else ""


def _with_profile(given: Mapping[str, Any]) -> str:
    return f"--port PORT --profile {shlex.quote(str(given['name']))}"


#: The same where no machine was attached: verb -> the line, from what the verb was given.
_WITHOUT_MACHINE: Final[Mapping[str, Callable[[Mapping[str, Any]], str]]] = {
    "demo": lambda _given: "rehearse",
    "piece": lambda given: f"--port PORT lay {given['name']}",
    "ports": _first_port,
    "profile check": _with_profile,
    "profile edit": _with_profile,
    "profile new": _with_profile,
    "solve": _report,
}


def sits_there(desk: Desk) -> bool:
    """True where somebody reads what comes next: at a terminal, not beside JSON."""
    return not desk.screen.json and sys.stdin.isatty() and sys.stdout.isatty()


def name_next(desk: Desk) -> None:
    """In the shell: name what comes next in one line; Enter does it."""
    from agent.face.guide import step_now

    step = step_now(desk)
    desk.screen.say(f"Next: {step.line}" + (" (the tune is done)" if step.done else ""))
    desk.offered = step.line


def note_next(desk: Desk, port: str) -> None:
    """One-shot, while `port` is still attached: what comes next there, told by `tell_noted`."""
    verb = click.get_current_context().find_root().invoked_subcommand
    if desk.in_shell or verb not in LEADS_ON or not sits_there(desk):
        return
    from agent.face.guide import step_now

    line = step_now(desk).line
    place = "" if line.startswith("attach ") else f"--port {shlex.quote(port)} "
    desk.onward = place + line


def tell_noted(desk: Desk) -> None:
    """One-shot, behind a verb that was carried out: what comes next, as it is typed."""
    if desk.in_shell or not sits_there(desk):
        return
    verb, given = desk.carried_out
    line = desk.onward
    if not line and desk.opening is None and verb in _WITHOUT_MACHINE:
        line = _WITHOUT_MACHINE[verb](given)
    if line:
        desk.screen.say(f"Next: plumbelt {line}")
