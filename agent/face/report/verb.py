"""`report`: the tune of this session, of a readings file, or of the record, as a page to sign."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.errors import BadInput, Refused
from agent.face.desk import Desk, at_desk
from agent.face.options import Verb, as_json

if TYPE_CHECKING:
    from agent.face.report.tune import Tune


@click.command(cls=Verb)
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--out", type=click.Path(path_type=Path), help="the page; report-MACHINE-DATE.html")
@click.option("--date", "day", metavar="YYYY-MM-DD", help="date of the report; today")
@click.option("--force", is_flag=True, help="write over a file that is there")
@as_json
@at_desk
def report(
    desk: Desk, /, file: Path | None, out: Path | None, day: str | None, force: bool
) -> None:
    """The tune as one page that prints and can be signed: of this session, or of a readings FILE.

    The page is one HTML file that needs nothing else and no network.

    \b
    Example: plumbelt report readings.yaml --out report.html
    """
    made = date_from(day)
    if file is not None:
        from agent.face.report.tune import tune_of_file

        tune = tune_of_file(file)
    else:
        tune = tune_at(desk)
    path = out or Path(f"report-{_safe(tune.machine)}-{made.isoformat()}.html")
    save(tune, made, path, force=force)
    from agent.face.report.changes import state

    desk.screen.answer(
        {"file": str(path), "machine": tune.machine, "state": state(tune)},
        lambda: desk.screen.say(f"{state(tune)}\nReport written to {path}"),
    )


def date_from(text: str | None) -> date:
    """The date that `text` says, today for None.  Raises BadInput for anything else."""
    if text is None:
        return date.today()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadInput(
            f"--date: expected a date such as 2026-03-01, found {text!r}",
            remedy="Nothing was written",
        ) from None


def _safe(name: str) -> str:
    """`name` as part of a file name."""
    return "".join(c if c.isalnum() or c in "-_" else "_" for c in name)[:60] or "unnamed"


def save(tune: Tune, made: date, path: Path, *, force: bool = False) -> None:
    """Write the page, whole or not at all.

    Raises Refused if a file is there already (unless `force`), or cannot be written.
    """
    from agent.face.report.page import page
    from agent.store.atomic import ABSENT, stamp, write_file

    if not force and stamp(path) != ABSENT:  # told before the work of drawing, not after it
        raise Refused(
            f"{path} is there already",
            remedy="Give another name with --out, or --force to write over it. Nothing was written",
        )
    write_file(path, page(tune, made), expect=None if force else ABSENT)


def tune_at(desk: Desk) -> Tune:
    """The tune of the session at hand.  Raises Refused without a session or readings."""
    from agent.face.report.tune import tune_of_session

    if not desk.in_shell and desk.rehearsal is None:
        raise Refused(
            "there is no session to report on",
            remedy="Give a readings file, or use 'report' in the shell after 'solve'",
        )
    return tune_of_session(desk.session, simulated=desk.rehearsal is not None)
