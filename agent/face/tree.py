"""The verbs by name, each brought in when it is first used: the prompt is there at once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from importlib import import_module
from typing import Any, Final

import click

#: Verb -> module of this package and the command in it, and its line on the page of all verbs.
PLACES: Final[dict[str, tuple[str, str]]] = {
    "advance": ("running:advance", "Feed the belt forward, to bring a piece off."),
    "attach": ("linking:attach", "Open a port, find out what is there, read its settings twice."),
    "begin": ("changing:begin", "Begin a new tune; what was read so far is set aside."),
    "cautions": ("helping:cautions", "The cautions that come before the first motion or heat."),
    "completion": ("scripting:completion", "Lines that make your shell complete the commands."),
    "cool": ("changing:cool", "Switch all heaters off, and have the controller say so."),
    "demo": ("demo:demo", "The whole job on a simulated machine, from byte to proof."),
    "detach": ("linking:detach", "Let go of the port; readings and results stay."),
    "drive": ("calculate:drive", "Steps per mm from the parts of a drive train."),
    "feed": ("feeding:feed", "The extruder: slow feeds of filament, free and hot; the flow."),
    "gauge": ("gauging:gauge", "Take readings: of a piece, of one feature, or of a move."),
    "halt": ("wiring:halt", "Tell the controller to stop everything at once."),
    "handover": ("handing:handover", "Put what was written into a copy of the controller's file."),
    "help": ("helping:help_page", "A page on a topic or a command; without one, what there is."),
    "lay": ("laying:lay", "Lay a test piece on the attached machine."),
    "log": ("history:log", "What was read, measured, planned, sent and proved, and when."),
    "marks": ("running:marks", "Run the belt over marks and read where it stands at each."),
    "mechanics": ("keeping:mechanics", "How the machine is built, and the steps per mm of that."),
    "next": ("guide:next_step", "The one best step now, and why."),
    "outlook": (
        "outlook:outlook",
        "The short tune before it begins: steps, minutes, what it tells.",
    ),
    "piece": ("benchwork:piece", "A test piece: what it would tell, its drawing, its files."),
    "ports": ("linking:ports", "Serial ports of this computer."),
    "preview": ("changing:preview", "What would be changed: table, exact lines, digest."),
    "profile": ("keeping:profile", "What is kept of each machine: save, compare, restore."),
    "prove": ("changing:prove", "Read back after a power cycle, homing or a job's start."),
    "readback": ("linking:readback", "Read all settings: of a machine, a port or a log file."),
    "rehearse": ("simulating:rehearse", "The shell on a simulated machine: nothing can break."),
    "report": ("report.verb:report", "A report of the tune as one file, to print and sign."),
    "resume": ("resuming:resume", "What a broken-off change did; finish it or undo it."),
    "run": ("scripting:run", "Carry out commands from a file, one a line, in one session."),
    "send": ("wiring:send", "Send one line that reads, and show the answer."),
    "shim": ("levelling:shim", "Tilt of the bed, and which screws take it out by how many turns."),
    "sim": ("simulating:sim", "A simulated machine for any serial program."),
    "solve": ("solving:solve", "Every error of the machine at once, from its readings."),
    "status": ("status:status", "Where the work stands: heaters, what waits, what is next."),
    "store": ("changing:store", "Make what was written permanent, and prove it by a reload."),
    "undo": ("changing:undo", "Bring an earlier state back: settings and angle."),
    "workshop": ("shop.verbs:workshop", "One record for many machines and many benches."),
    "write": ("changing:write", "Show the plan, take its digest, write and read back."),
}


#: What verbs are for, in the order of a job.
GROUPS: Final[dict[str, tuple[str, ...]]] = {
    "Connect": ("ports", "attach", "detach", "readback", "send", "cool", "halt"),
    "Measure": ("outlook", "piece", "lay", "advance", "gauge", "marks", "feed"),
    "Understand": ("status", "next", "begin", "solve", "mechanics", "drive", "shim"),
    "Change": ("preview", "write", "store", "prove", "undo", "resume", "handover"),
    "Keep": ("profile", "log", "report", "workshop", "run", "completion"),
    "Practise": ("demo", "rehearse", "sim", "cautions", "help"),
}

#: Words that people try, and the line that does what they are after.
MEANT: Final[dict[str, str]] = {
    "calibrate": "next",
    "check": "status",
    "config": "profile show",
    "connect": "attach",
    "disconnect": "detach",
    "eeprom": "store",
    "emergency": "halt",
    "estop": "halt",
    "exit": "quit",
    "level": "shim",
    "load": "profile restore",
    "measure": "gauge",
    "print": "lay",
    "recover": "resume",
    "restore": "profile restore",
    "reset": "undo",
    "revert": "undo",
    "rollback": "undo",
    "save": "store",
    "settings": "readback",
    "show": "status",
    "skew": "help yaw",
    "square": "help yaw",
    "start": "attach",
    "steps": "mechanics",
    "stop": "halt",
    "test": "rehearse",
    "tilt": "shim",
    "verify": "prove",
}


def meant(word: str, known: Iterable[str]) -> str:
    """The line that was likely meant by `word`; empty if nothing is near."""
    import difflib

    if word.lower() in MEANT:
        return MEANT[word.lower()]
    near = difflib.get_close_matches(word.lower(), list(known), 1)
    return near[0] if near else ""


def brought_in(place: str) -> Any:
    """What stands at `module:name` of this package, brought in when it is first wanted."""
    module, _, attribute = place.partition(":")
    return getattr(import_module(f"agent.face.{module}"), attribute)


class Tree(click.Group):
    """The verbs; the page that lists them brings none of them in."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, names in GROUPS.items():
            with formatter.section(title):
                formatter.write_dl([(name, PLACES[name][1]) for name in names])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        word = args[0]
        if word in self.commands or word.startswith("-"):
            return super().resolve_command(ctx, args)
        line = meant(word, self.commands)
        hint = f" Did you mean '{line}'?" if line else ""
        raise click.UsageError(f"unknown command '{word}'.{hint}", ctx)


class Verbs(Mapping[str, click.Command]):
    """Commands by name; iterating tells the names and brings nothing in."""

    def __getitem__(self, name: str) -> click.Command:
        place, short = PLACES[name]
        command: click.Command = brought_in(place)
        command.short_help = short
        return command

    def __iter__(self) -> Iterator[str]:
        return iter(PLACES)

    def __len__(self) -> int:
        return len(PLACES)
