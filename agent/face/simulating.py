"""Verbs of the simulated machine: `rehearse` and `sim`."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click

from agent.errors import BadInput
from agent.face.desk import Desk, at_desk
from agent.face.options import Count, Number, Verb, as_json
from agent.face.screen import wrapped

DEFAULT_SEED: Final = 7

LISTEN: Final = "where; [default: pty, on Windows tcp:0]"


@click.command(cls=Verb)
@click.option("--profile", "profile_name", help="profile of the machine: a name or a file")
@click.option("--seed", type=Count(0), default=DEFAULT_SEED, show_default=True, help="which plant")
@click.option("--family", default="replay", show_default=True, help="what the controller speaks")
@click.option("--fault", "faults", multiple=True, metavar="SPEC", help="a fault, may be repeated")
@click.option("--speed", type=Number("times", least=0), default=0.0, show_default=True)
@click.option("--faults", "list_faults", is_flag=True, help="list all faults and leave")
@at_desk
def rehearse(
    desk: Desk,
    /,
    profile_name: str | None,
    seed: int,
    family: str,
    faults: tuple[str, ...],
    speed: float,
    list_faults: bool,
) -> None:
    """The shell on a simulated machine, attached: nothing can break.

    With '--fault layout' the machine was just flashed: factory values are live, and a restore
    can be tried. --speed is how many seconds of the machine pass in one of ours: 1 is a real one's
    pace, 0 keeps nobody waiting.

    \b
    Example: plumbelt rehearse --seed 3
    """
    if list_faults:
        show_faults(desk)
        return
    from agent.face.shell import run_shell
    from agent.rehearsal import INVENTED, behind_a_terminal, plain_profile
    from agent.store.profiles import find_profile, load_profile
    from agent.work.session import Session

    if desk.in_shell:
        raise BadInput("this is a shell already", remedy="'quit', then 'plumbelt rehearse'")
    path = find_profile(profile_name or INVENTED)
    profile = load_profile(path)
    desk.rehearsal = behind_a_terminal(
        plain_profile(path), seed=seed, family=family, faults=faults, speed=speed
    )
    desk.session = Session(profile)
    desk.screen.say(f"Simulated machine '{profile.name}', plant {seed}: no real one is touched.")
    click.get_current_context().exit(run_shell(desk, port=desk.rehearsal.address))


class _WithFaults(Verb):
    """A verb whose help page ends with all faults of the simulator."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        from agent.rehearsal import describe_faults

        with formatter.section("Faults"):
            for line in describe_faults().splitlines():
                formatter.write("\n".join(wrapped(f"  {line}", 80)) + "\n")


@click.command(cls=_WithFaults)
@click.option("--listen", metavar="pty|tcp:PORT|rfc2217:PORT", help=LISTEN)
@click.option("--profile", "profile_name", help="profile of the machine: a name or a file")
@click.option("--family", default="replay", show_default=True, help="what the controller speaks")
@click.option("--fault", "faults", multiple=True, metavar="SPEC", help="a fault, may be repeated")
@click.option("--seed", type=Count(0), help="which plant; without it the machine is true")
@click.option("--speed", type=Number("times", least=0), default=1.0, show_default=True)
@click.option("--faults", "list_faults", is_flag=True, help="list all faults and leave")
@as_json
@at_desk
def sim(
    desk: Desk,
    /,
    listen: str | None,
    profile_name: str | None,
    family: str,
    faults: tuple[str, ...],
    seed: int | None,
    speed: float,
    list_faults: bool,
) -> None:
    """A simulated machine for any serial program; the first line is the address to attach to.

    Runs until Ctrl-C. --speed is how many of its seconds pass in one of ours; 0 waits for nobody.

    \b
    Example: plumbelt sim --listen tcp:0 --seed 3
    """
    from agent.rehearsal import INVENTED, behind_a_terminal, plain_profile
    from agent.store.profiles import find_profile

    if list_faults:
        show_faults(desk)
        return
    path: Path = find_profile(profile_name or INVENTED)
    bench = behind_a_terminal(
        plain_profile(path), seed=seed, family=family, faults=faults, listen=listen, speed=speed
    )
    try:
        desk.screen.answer({"address": bench.address}, lambda: click.echo(bench.address))
        assert bench.server is not None
        bench.server.wait()
    finally:
        bench.close()


def show_faults(desk: Desk) -> None:
    """The page of all faults."""
    from agent.rehearsal import describe_faults

    page = describe_faults()
    desk.screen.answer({"faults": page.splitlines()}, lambda: desk.screen.say(page))
