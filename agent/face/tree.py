"""The verbs by name, each brought in when it is first used: the prompt is there at once."""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping
from importlib import import_module
from typing import Final

import click

#: Verb -> module of this package and the command in it.
PLACES: Final[dict[str, str]] = {
    "attach": "linking:attach",
    "cautions": "helping:cautions",
    "completion": "scripting:completion",
    "demo": "demo:demo",
    "detach": "linking:detach",
    "drive": "calculate:drive",
    "gauge": "gauging:gauge",
    "halt": "wiring:halt",
    "help": "helping:help_page",
    "lay": "laying:lay",
    "log": "history:log",
    "marks": "moving:marks",
    "mechanics": "keeping:mechanics",
    "next": "guide:next_step",
    "piece": "benchwork:piece",
    "ports": "linking:ports",
    "preview": "changing:preview",
    "profile": "keeping:profile",
    "prove": "changing:prove",
    "readback": "linking:readback",
    "rehearse": "simulating:rehearse",
    "report": "report.verb:report",
    "resume": "resuming:resume",
    "run": "scripting:run",
    "send": "wiring:send",
    "shim": "calculate:shim",
    "sim": "simulating:sim",
    "solve": "solving:solve",
    "store": "changing:store",
    "undo": "changing:undo",
    "write": "changing:write",
}


class Verbs(MutableMapping[str, click.Command]):
    """Commands by name; iterating tells the names and brings nothing in."""

    def __init__(self) -> None:
        self._known: dict[str, click.Command] = {}
        self._places = dict(PLACES)

    def __getitem__(self, name: str) -> click.Command:
        if name not in self._known:
            module, _, attribute = self._places[name].partition(":")
            self._known[name] = getattr(import_module(f"agent.face.{module}"), attribute)
        return self._known[name]

    def __setitem__(self, name: str, command: click.Command) -> None:
        self._known[name] = command
        self._places.setdefault(name, "")

    def __delitem__(self, name: str) -> None:
        del self._places[name]
        self._known.pop(name, None)

    def __iter__(self) -> Iterator[str]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)
