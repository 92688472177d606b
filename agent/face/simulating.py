"""Verbs of the simulated machine: `rehearse` and `sim`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from agent.errors import BadInput, Refused
from agent.face.desk import Desk
from agent.face.options import Count, Number, Verb, number_from
from agent.face.screen import wrapped

if TYPE_CHECKING:
    from agent.model.feature import Feature
    from agent.rehearsal import Rehearsal

LISTEN: Final = "where; [default: pty, on Windows tcp:0]"

#: Kinds of bench, and the one where none is named.
BENCHES: Final = ("none", "usual", "rough")
DEFAULT_BENCH: Final = "usual"


_EFFECT = click.option(
    "--effect",
    "effects",
    multiple=True,
    metavar="NAME=SIZE",
    help="one effect of a bench at its own size, may be repeated",
)


def bench_options(default: str | None = DEFAULT_BENCH) -> Callable[..., Any]:
    """The options `--bench` and `--effect` of the verbs that simulate a machine."""

    def add(function: Callable[..., Any]) -> Callable[..., Any]:
        bench = click.option(
            "--bench",
            "bench_kind",
            type=click.Choice(BENCHES),
            default=default,
            show_default=default or "usual with --seed, else none",
            help="how far machine, plastic, instrument and hand stray from the ideal",
        )
        return bench(_EFFECT(function))

    return add


#: The option `--seed` of a verb that always draws a machine.
seed_option: Final = click.option(
    "--seed",
    type=Count(0),
    default=7,
    show_default=True,
    help="random seed: which simulated machine",
)


@click.command(cls=Verb, json=False)
@click.option("--profile", "profile_name", help="profile of the machine: a name or a file")
@seed_option
@click.option("--family", default="replay", show_default=True, help="what the controller speaks")
@bench_options()
@click.option("--fault", "faults", multiple=True, metavar="SPEC", help="a fault, may be repeated")
@click.option("--speed", type=Number("times", least=0), default=0.0, show_default=True)
@click.option("--faults", "list_faults", is_flag=True, help="list all faults and leave")
@click.option("--effects", "list_effects", is_flag=True, help="list all effects and leave")
def rehearse(
    desk: Desk,
    /,
    profile_name: str | None,
    seed: int,
    family: str,
    bench_kind: str,
    effects: tuple[str, ...],
    faults: tuple[str, ...],
    speed: float,
    list_faults: bool,
    list_effects: bool,
) -> None:
    """The shell on a simulated machine, attached: nothing can break.

    With '--fault layout' the machine was just flashed: factory values are live, and a restore
    can be tried. --speed is the speed factor of the simulated clock: 1 = real time, 0 = no waiting.
    --bench says how ordinary the bench is: a caliper that is never quite true, plastic that is
    never quite square.

    \b
    Example: plumbelt rehearse --seed 3
    """
    if list_faults or list_effects:
        show_lists(desk, faults=list_faults, effects=list_effects)
        return
    from agent.face.shell import run_shell
    from agent.rehearsal import INVENTED, behind_a_terminal, bench_of, plain_profile
    from agent.store.profiles import find_profile, load_profile
    from agent.work.session import Session

    if desk.in_shell:
        raise BadInput("this is a shell already", remedy="'quit', then 'plumbelt rehearse'")
    path = find_profile(profile_name or INVENTED)
    profile = load_profile(path)
    desk.rehearsal = behind_a_terminal(
        plain_profile(path),
        seed=seed,
        family=family,
        faults=faults,
        speed=speed,
        bench=bench_of(bench_kind, effects, seed),
    )
    desk.session = Session(profile)
    desk.screen.say(f"Simulated machine '{profile.name}', seed {seed}: no real one is touched.")
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
@bench_options(None)
@click.option("--fault", "faults", multiple=True, metavar="SPEC", help="a fault, may be repeated")
@click.option(
    "--seed",
    type=Count(0),
    help="random seed: which simulated machine; without it the machine is true",
)
@click.option("--speed", type=Number("times", least=0), default=1.0, show_default=True)
@click.option("--instrument", metavar="pty|tcp:PORT", help="a caliper with a button, besides")
@click.option("--lines", default="number-unit", show_default=True, help="what a line of it is")
@click.option(
    "--instrument-fault",
    "line_specs",
    multiple=True,
    metavar="SPEC",
    help="a fault of its line, as cut:3; may be repeated",
)
@click.option("--faults", "list_faults", is_flag=True, help="list all faults and leave")
@click.option("--effects", "list_effects", is_flag=True, help="list all effects and leave")
def sim(
    desk: Desk,
    /,
    listen: str | None,
    profile_name: str | None,
    family: str,
    bench_kind: str | None,
    effects: tuple[str, ...],
    faults: tuple[str, ...],
    seed: int | None,
    speed: float,
    instrument: str | None,
    lines: str,
    line_specs: tuple[str, ...],
    list_faults: bool,
    list_effects: bool,
) -> None:
    """A simulated machine for any serial program; the first line is the address to attach to.

    Runs until Ctrl-C. --speed is the speed factor of the simulated clock: 1 = real time, 0 = no
    waiting. With --instrument a second line is the address of a caliper: each line typed here
    presses its button, a number or the name of a feature (strip-s1) closes it to that first.

    \b
    Example: plumbelt sim --listen tcp:0 --seed 3
    """
    from agent.rehearsal import INVENTED, behind_a_terminal, bench_of, plain_profile
    from agent.store.profiles import find_profile

    if list_faults or list_effects:
        show_lists(desk, faults=list_faults, effects=list_effects)
        return
    kind = bench_kind or ("none" if seed is None else DEFAULT_BENCH)
    path: Path = find_profile(profile_name or INVENTED)
    bench = behind_a_terminal(
        plain_profile(path),
        seed=seed,
        family=family,
        faults=faults,
        listen=listen,
        speed=speed,
        bench=bench_of(kind, effects, seed),
    )
    try:
        document = {"address": bench.address}
        if instrument is not None:
            document["instrument"] = bench.serve_instrument(instrument, lines, line_specs)
        desk.screen.answer(document, lambda: click.echo("\n".join(document.values())))
        if instrument is not None:
            attend(bench)
        assert bench.server is not None
        bench.server.wait()
    finally:
        bench.close()


def attend(bench: Rehearsal) -> None:
    """Press the button of the bench's instrument for each line typed, in a thread of its own."""
    import sys
    import threading

    features = {f.name.replace(" ", "-"): f for f in all_features()}

    def press() -> None:
        for line in sys.stdin:
            word = line.strip().replace(" ", "-")
            try:
                shown = number_from(word) if word and word not in features else None
                if word in features:
                    shown = bench.measure(features[word], word.partition("-")[0], 1)[0]
                bench.pocket_press(shown)
            except (Refused, ValueError) as refusal:
                click.echo(f"{refusal}. Expected nothing, a number, or a feature (strip-s1)")

    threading.Thread(target=press, name="plumbelt-button", daemon=True).start()


def all_features() -> list[Feature]:
    """Features of every piece in its usual sizes."""
    from agent.pieces import PIECES
    from agent.rehearsal import INVENTED
    from agent.store.profiles import find_profile, load_profile

    profile = load_profile(find_profile(INVENTED))
    return [feature for build in PIECES.values() for feature in build(profile).features]


def show_lists(desk: Desk, *, faults: bool, effects: bool) -> None:
    """The pages of all faults and of all effects of a bench."""
    from agent.rehearsal import describe_effects, describe_faults

    pages = {"faults": describe_faults()} if faults else {}
    if effects:
        pages["effects"] = describe_effects()
    document = {name: page.splitlines() for name, page in pages.items()}
    desk.screen.answer(document, "\n\n".join(pages.values()))
