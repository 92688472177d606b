"""How a verb comes to an open port: what was typed, what the profile says, what is remembered.

Here, too, is the way to boards that say nothing while the modem lines are down.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final, TypeVar

import click

from agent.errors import BadInput, Unanswered
from agent.face.desk import Desk
from agent.face.options import Count

if TYPE_CHECKING:
    from agent.wire.identity import Opening
    from agent.wire.transport import Transport

T = TypeVar("T")
Function = TypeVar("Function", bound=Callable[..., Any])

_RAISE: Final = (
    "some boards say nothing while the modem lines are down; '--reset' raises them, which restarts"
    " many boards"
)


# --- options -------------------------------------------------------------------------------------


def port_options(function: Function) -> Function:
    """Add the options that say how a port is opened; they end up in `Desk.how`."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


def _say(ctx: click.Context, param: click.Parameter, value: Any) -> None:
    """Note what a line says of it, before the verb or behind it; earlier lines no longer count."""
    desk = ctx.find_object(Desk)
    if desk is None or ctx.resilient_parsing or (ctx.parent is not None and not value):
        return
    said = {param.name or "": value}
    if param.name == "reset":
        said = {"lines": "up" if value else None}
    elif param.name == "keep_lines":
        if not value:
            return
        if desk.how is not None and desk.how.lines is not None:
            raise BadInput("--reset and --keep-lines given together", remedy="Keep one of them")
        said = {"lines": "keep"}
    if desk.how is None:
        if not any(said.values()):
            return  # most commands say nothing, and start without that module
        from agent.wire.identity import Opening

        desk.how = Opening()
    desk.how = replace(desk.how, **said)


_option = partial(click.option, expose_value=False, callback=_say)
_flag = partial(_option, is_flag=True)

_OPTIONS: Final = (
    _option("--baud", type=Count(1), help="bits a second; else the profile's, or 115200"),
    _flag("--find-speed", help="try each usual speed until it answers"),
    # eager: before the other one, which looks at it
    _flag("--reset", is_eager=True, help="let the modem lines rise: restarts many boards"),
    _flag("--keep-lines", help="leave the modem lines up at the end: no restart next time"),
)


# --- opening -------------------------------------------------------------------------------------


def joined(
    desk: Desk, port: str, join: Callable[[Transport], T], *, again: bool = False
) -> tuple[Transport, T]:
    """Open `port` as is wanted and `join` what is there; (the open port, what `join` gave).

    again: the port of before, wherever it is now.  A port at which not a byte came while the
    modem lines were down is tried with the lines up, if the technician agrees; that is remembered
    for the port.  Raises LinkFailed, and what `join` raises.
    """
    if desk.rehearses(port):
        transport = desk.open(port)
        return transport, join(transport)
    how = desk.how
    transport = desk.open_again(port, how) if again else desk.open(port, how)
    try:
        result = join(transport)
    except Unanswered as silence:
        if not _may_rise(desk, how, silence):
            raise
        from agent.wire.identity import Opening

        baud = None if desk.opening is None else desk.opening.baud
        transport = desk.open(transport.name, replace(how or Opening(), baud=baud, lines="up"))
        result = join(transport)
        desk.remember_lines("up")
    desk.opened()
    return transport, result


def _may_rise(desk: Desk, how: Opening | None, silence: Unanswered) -> bool:
    """True if the modem lines are down by default, can rise, and may."""
    address = desk.opening
    if address is None or address.url.startswith("socket://"):
        return False
    if address.lines != "down" or (how is not None and how.lines is not None):
        return False
    if not (desk.in_shell or sys.stdin.isatty()):
        silence.remedy += f". Or: {_RAISE}"
        return False
    desk.screen.say(f"{silence.what}: {_RAISE}.")
    return desk.screen.agrees(
        f"Try {address.url} with the lines up? Not while a job runs; the gantry must be supported."
    )
