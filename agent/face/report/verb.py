"""`report`: the tune of this session, of a readings file, or of the record, as a page to sign."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.errors import AgentError, BadInput, Refused
from agent.face.desk import Desk, at_desk
from agent.face.options import Count, Verb, as_json
from agent.store.names import safe_name

if TYPE_CHECKING:
    from agent.face.report.tune import Series, Tune


@click.command(cls=Verb)
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option(
    "--out", type=click.Path(path_type=Path), help="the file; report-MACHINE-DATE.html or .pdf"
)
@click.option("--session", "number", type=Count(1), help="of the record; 1 is the newest")
@click.option("--machine", help="of which machine, with --session")
@click.option("--date", "day", metavar="YYYY-MM-DD", help="date of the report; today")
@click.option("--pdf", is_flag=True, help="a PDF for print instead of an HTML page")
@click.option("--force", is_flag=True, help="write over a file that is there")
@as_json
@at_desk
def report(
    desk: Desk,
    /,
    file: Path | None,
    out: Path | None,
    number: int | None,
    machine: str | None,
    day: str | None,
    pdf: bool,
    force: bool,
) -> None:
    """A report of the tune as one file to print and sign: a certificate of one page, and its annex.

    Of a readings FILE; else of the tune on the bench, whichever process did it; with --session of
    an earlier one in the record.

    \b
    Example: plumbelt report readings.yaml --out report.html
    """
    made = date_from(day)
    if file is not None and (number is not None or machine is not None):
        raise BadInput("a readings file and the record are two things", remedy="Name one of them")
    if file is not None:
        from agent.face.report.tune import tune_of_file

        tune = tune_of_file(file)
    elif number is None and machine is None:
        tune = tune_at(desk)
    else:
        tune = tune_recorded(desk, number or 1, machine)
    ending = ".pdf" if pdf or (out is not None and out.suffix.lower() == ".pdf") else ".html"
    path = out or Path(f"report-{safe_name(tune.machine)}-{made.isoformat()}{ending}")
    shared = save(tune, made, path, pdf=ending == ".pdf", force=force)
    from agent.face.report.changes import state

    kept = "\nA version of it goes to the workshop with the next sync." if shared else ""
    desk.screen.answer(
        {"file": str(path), "machine": tune.machine, "state": state(tune), "shared": shared},
        lambda: desk.screen.say(f"{state(tune)}\nReport written to {path}{kept}"),
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


def save(tune: Tune, made: date, path: Path, *, pdf: bool = False, force: bool = False) -> bool:
    """Write the report, whole or not at all; True if the workshop gets a version of it.

    Raises Refused if a file is there already (unless `force`), or cannot be written.
    """
    from agent.face.report.page import page, printed
    from agent.store.atomic import ABSENT, stamp, write_file

    if not force and stamp(path) != ABSENT:  # told before the work of drawing, not after it
        raise Refused(
            f"{path} is there already",
            remedy="Give another name with --out, or --force to write over it. Nothing was written",
        )
    written = printed(tune, made) if pdf else page(tune, made)
    write_file(path, written, expect=None if force else ABSENT)
    return not tune.simulated and _share(tune, made, path.stem, written)


def _share(tune: Tune, made: date, name: str, written: str | bytes) -> bool:
    """Keep a version of the page for the workshop that this bench has joined; True if it is kept.

    Of a PDF the page that it is made from.  Never in the way: the file is written, and is the
    report.
    """
    from agent.face.report.changes import state
    from agent.face.report.page import page
    from agent.store.checks import MOST_BODY
    from agent.store.record import Record
    from agent.workshop.settings import joined

    try:
        if joined() is None:
            return False
        text = written if isinstance(written, str) else page(tune, made)
        if len(text) > MOST_BODY:
            return False
        from agent.workshop.sides import Bench
        from agent.workshop.sync import share_document

        with Record() as record:
            facts = {"date": made.isoformat(), "state": state(tune)}
            share_document(Bench(record), "report", name, tune.machine, text, facts)
    except AgentError:
        return False
    return True


def tune_at(desk: Desk) -> Tune:
    """The tune of the session at hand.  Raises Refused without readings."""
    from agent.face.report.tune import tune_of_bench

    session, simulated = desk.session, desk.rehearsal is not None
    history: tuple[Series, ...] = ()
    if not simulated:  # an invented machine has no past
        from agent.face.report.recorded import history_of
        from agent.store.record import Record

        try:
            with Record() as record:
                history = history_of(record, session.profile.name, session.profile)
        except AgentError as error:  # the tune itself does not hang on the record
            desk.screen.say(f"No drift is shown: {error}")
    return tune_of_bench(session.bench, source="this session", history=history, simulated=simulated)


def tune_recorded(desk: Desk, number: int, machine: str | None) -> Tune:
    """The tune of a session in the record.  Raises Refused if there is none of that number."""
    from agent.face.report.recorded import chosen_session, profile_of, tune_of_record
    from agent.store.record import Record

    with Record() as record:
        row = chosen_session(record, number, machine)
        return tune_of_record(record, row, profile_of(row.machine))
