"""`report`: the tune of this session, of a readings file, or of the record, as a page to sign."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.errors import AgentError, BadInput, Refused
from agent.face.desk import Desk
from agent.face.options import FILE, Count, Verb
from agent.store.names import safe_name

if TYPE_CHECKING:
    from agent.face.parts import Page
    from agent.face.report.tune import Job, Series, Tune


@click.command(cls=Verb)
@click.argument("files", type=FILE, nargs=-1, metavar="[FILE]...")
@click.option("--out", type=FILE, help="the file; report-MACHINE-DATE.html or .pdf")
@click.option("--session", "number", type=Count(1), help="of the record; 1 is the newest")
@click.option("--machine", help="of which machine, with --session")
@click.option("--date", "day", metavar="YYYY-MM-DD", help="date of the report; today")
@click.option("--pdf", is_flag=True, help="a PDF for print instead of an HTML page")
@click.option("--force", is_flag=True, help="write over a file that is there")
def report(
    desk: Desk,
    /,
    files: tuple[Path, ...],
    out: Path | None,
    number: int | None,
    machine: str | None,
    day: str | None,
    pdf: bool,
    force: bool,
) -> None:
    """A report of the tune as one file to print and sign: a certificate of one page, and its annex.

    Of a readings FILE, or of several (a fleet of machines, one to a file); else of the tune on the
    bench, whichever process did it, or of a restore or another change where nothing was tuned;
    with --session of an earlier tune in the record.

    \b
    Example: plumbelt report readings.yaml --out report.html
    """
    made = date_from(day)
    if files and (number is not None or machine is not None):
        raise BadInput("a readings file and the record are two things", remedy="Name one of them")
    unread, of_bench = 0, not files and number is None and machine is None
    if len(files) > 1:
        of, simulated, (content, unread) = "fleet", False, fleet_content(files, made)
    else:
        if files:
            from agent.face.report.tune import tune_of_file

            job: Job = tune_of_file(files[0])
        elif of_bench:
            job = job_at(desk)
        else:
            job = tune_recorded(desk, number or 1, machine)
        of, simulated, content = job.machine, job.simulated, content_of(job, made)
    ending = ".pdf" if pdf or (out is not None and out.suffix.lower() == ".pdf") else ".html"
    path = out or Path(f"report-{safe_name(of)}-{made.isoformat()}{ending}")
    text = save(content, path, pdf=ending == ".pdf", force=force)
    if of_bench:
        desk.reported = str(path), desk.session.bench
    shared = len(files) < 2 and not simulated and _share(content, text, of, made, path.stem)
    kept = "\nA version of it goes to the workshop with the next sync." if shared else ""
    desk.screen.answer(
        {"file": str(path), "machine": of, "state": content.state, "shared": shared},
        f"{content.state}\nReport written to {path}{kept}",
    )
    if unread:
        raise BadInput(
            f"{unread} of {len(files)} files could not be solved",
            remedy="The report names them with the reason",
        )


def content_of(job: Job, made: date) -> Page:
    """The content of the report of a tune, or of another change."""
    from agent.face.report.tune import Tune

    if isinstance(job, Tune):
        from agent.face.report.content import page_of

        return page_of(job, made)
    from agent.face.report.service import Service, service_page

    assert isinstance(job, Service)
    return service_page(job, made)


def fleet_content(files: Sequence[Path], made: date) -> tuple[Page, int]:
    """The content of the report of several readings files, and how many could not be solved.

    Raises BadInput if none could be.
    """
    from agent.face.report.fleet import fleet_page
    from agent.face.report.tune import tune_of_file

    tunes, unread = [], []
    for path in files:
        try:
            tunes.append(tune_of_file(path))
        except AgentError as error:
            problems = error.problems if isinstance(error, BadInput) else ()
            unread.append((path, "; ".join(map(str, problems)) or error.what))
    if not tunes:
        raise BadInput(
            "none of these files could be solved",
            remedy="'solve FILE' says why. Nothing was written",
        )
    return fleet_page(tunes, unread, made), len(unread)


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


def written(job: Job, made: date, path: Path) -> None:
    """Write the report of `job` as a page, and keep a version of it for the workshop.

    Raises as `save`.
    """
    content = content_of(job, made)
    text = save(content, path)
    if not job.simulated:
        _share(content, text, job.machine, made, path.stem)


def save(content: Page, path: Path, *, pdf: bool = False, force: bool = False) -> str:
    """Write the report, whole or not at all; the page's text, or "" where a PDF was written.

    Raises Refused if a file is there already (unless `force`), or cannot be written.
    """
    from agent.store.atomic import ABSENT, stamp, write_file

    if not force and stamp(path) != ABSENT:  # told before the work of drawing, not after it
        raise Refused(
            f"{path} is there already",
            remedy="Give another name with --out, or --force to write over it. Nothing was written",
        )
    if pdf:
        from agent.face.report.pdf import pdf as printed

        write_file(path, printed(content), expect=None if force else ABSENT)
        return ""
    from agent.face.report.page import html

    text = html(content)
    write_file(path, text, expect=None if force else ABSENT)
    return text


def _share(content: Page, text: str, machine: str, made: date, name: str) -> bool:
    """Keep a version of the page for the workshop that this bench has joined; True if it is kept.

    text: the page as it was written; of a PDF ("") the page that it is made from is drawn.  Never
    in the way: the file is written, and is the report.
    """
    from agent.face.report.page import html
    from agent.store.checks import MOST_BODY
    from agent.store.record import Record
    from agent.workshop.settings import joined

    try:
        if joined() is None:
            return False
        text = text or html(content)
        if len(text) > MOST_BODY:
            return False
        from agent.workshop.sides import Bench
        from agent.workshop.sync import share_document

        with Record() as record:
            facts = {"date": made.isoformat(), "state": content.state}
            share_document(Bench(record), "report", name, machine, text, facts)
    except AgentError:
        return False
    return True


def job_at(desk: Desk) -> Job:
    """The tune at hand, or the change that was made without one.  Raises Refused without both."""
    from agent.face.report.service import is_service, service_of
    from agent.face.report.tune import tune_of_bench

    session, simulated = desk.session, desk.rehearsal is not None
    if is_service(session.bench):
        return service_of(session.bench, source="this session", simulated=simulated)
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
    from agent.face.report.recorded import chosen_session, known_profile, tune_of_record
    from agent.store.record import Record

    with Record() as record:
        row = chosen_session(record, number, machine)
        return tune_of_record(record, row, known_profile(row.machine))
