"""`workshop`: one record for many machines and many benches, and what it tells of them all."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.errors import BadInput
from agent.face.columns import headed
from agent.face.desk import Desk
from agent.face.history import summary as told_of
from agent.face.history import when
from agent.face.options import FILE, Count, Verb
from agent.face.parts import Table
from agent.face.shop import sheets
from agent.face.shop.afterwards import last_failure, under_way
from agent.face.words import shown
from agent.store.atomic import ABSENT, write_file
from agent.work.signals import Ended

if TYPE_CHECKING:
    from agent.workshop.asking import Asked
    from agent.workshop.fleet import Machine
    from agent.workshop.series import Charted
    from agent.workshop.sync import Synced


@click.group()
def workshop() -> None:
    """One record for many machines and many benches: shared, compared, followed over time."""


_SHARED = click.option(
    "--shared", is_flag=True, help="ask the shared record itself, not what was exchanged with it"
)
_CSV = click.option("--csv", "table", type=FILE, metavar="FILE", help="also as CSV in FILE")


@contextmanager
def asked(shared: bool) -> Iterator[Asked]:
    """This bench's own record, or the shared one."""
    if shared:
        from agent.workshop.server import Shared
        from agent.workshop.settings import must_be_joined

        with Shared(must_be_joined().url) as server:
            yield server
        return
    from agent.store.record import Record
    from agent.workshop.asking import OwnRecord

    with Record() as record:
        yield OwnRecord(record)


def today() -> date:
    return datetime.now(UTC).date()


def due_days() -> int:
    from agent.workshop.settings import Joined, joined

    return (joined() or Joined("")).due_days


def _answer(
    desk: Desk,
    document: dict[str, Any],
    sheet: Table,
    table: Path | None,
    empty: str,
    after: str,
    *,
    csv: Callable[[], str] | None = None,
) -> None:
    """One document, or a table and what is to be said below it; and a CSV file if it was asked.

    csv: what that file holds where it is more than the table.
    """
    if table is not None:
        write_file(table, sheets.csv_of(sheet) if csv is None else csv(), expect=ABSENT)

    def show() -> None:
        if sheet.rows:
            desk.screen.show(sheet)
        else:
            desk.screen.say(empty)
        if after:
            desk.screen.say(after)
        if table is not None:
            desk.screen.say(f"Written to {table}")

    desk.screen.answer(document, show)


# --- joining -------------------------------------------------------------------------------------


@workshop.command("init", cls=Verb)
@click.argument("url")
@click.option("--technician", "technicians", multiple=True, metavar="USER", help="adds and reads")
@click.option("--reader", "readers", multiple=True, metavar="USER", help="reads")
def workshop_init(
    desk: Desk, /, url: str, technicians: tuple[str, ...], readers: tuple[str, ...]
) -> None:
    """Make the PostgreSQL database at URL a workshop: tables, roles, and users of them.

    The database must be there, and you its owner with the right to make roles. Users are made
    without a password. The address holds no password either: the usual places do (PGPASSWORD,
    password file, service file). TLS is as the address says (sslmode=verify-full, sslrootcert).

    \b
    Example: plumbelt workshop init postgresql://chief@shop/db --technician anna
    """
    from agent.workshop.server import make_workshop, shown_address

    done = make_workshop(url, technicians=technicians, readers=readers)
    what = shown_address(url)
    told = [f"- {line}" for line in done or ("it was one already; nothing was changed",)]
    told.append(f"{what} is a workshop. Each bench joins with 'workshop join URL'.")
    desk.screen.answer({"workshop": what, "done": list(done)}, "\n".join(told))


@workshop.command("join", cls=Verb)
@click.argument("url")
@click.option("--auto/--asked", "auto", default=False, help="sync after each command that changes")
@click.option("--due-days", type=Count(1), default=180, show_default=True, help="between tunes")
def workshop_join(desk: Desk, /, url: str, auto: bool, due_days: int) -> None:
    """Name the workshop of this bench: the shared database at URL, without a password in it.

    \b
    Example: plumbelt workshop join postgresql://anna@shop/db --auto
    """
    from agent.workshop.server import Shared
    from agent.workshop.settings import Joined, join

    with Shared(url) as shared:
        what, identity = shared.shown, shared.identity
    place = join(Joined(url, "auto" if auto else "asked", due_days))
    how = "after each command that changes something" if auto else "when 'workshop sync' is given"
    desk.screen.answer(
        {"workshop": what, "identity": identity, "sync": "auto" if auto else "asked"},
        f"Joined {what}; it is kept in {place}. It syncs {how}.",
    )


@workshop.command("sync", cls=Verb)
@click.option("--patience", type=Count(0), default=0, help="seconds to wait for another sync")
def workshop_sync(desk: Desk, /, patience: int) -> None:
    """Exchange with the workshop what either side lacks; may be cut short and given again.

    \b
    Example: plumbelt workshop sync
    """
    from agent.store.record import Record
    from agent.workshop.settings import must_be_joined
    from agent.workshop.sync import sync

    settings = must_be_joined()
    with Record() as record:
        done = sync(
            record,
            settings.url,
            _telling(desk),
            patience=patience,
            waits=lambda: desk.screen.say("Another sync of this bench is under way: waiting ..."),
        )
        apart = record.apart()
    desk.screen.answer({**done.to_plain(), "apart": apart}, "\n".join(_told(done, apart)))
    if not done.exchanged.complete:
        click.get_current_context().exit(1)


def _telling(desk: Desk) -> Callable[[str, int], None]:
    """Progress for long exchanges: a line each 100,000 rows."""
    last = {"sent": 0, "received": 0}

    def told(way: str, rows: int) -> None:
        if rows - last[way] >= 100_000:
            last[way] = rows
            desk.screen.say(f"{rows:,} rows {way} ...")

    return told


def _told(done: Synced, apart: dict[str, int]) -> Iterator[str]:
    found = done.exchanged
    yield f"{found.sent.new} rows sent, {found.received.new} received."
    if found.reads_only:
        yield (
            "! Your user may only read in this workshop: what this bench noted was not sent. Its"
            " owner grants more ('workshop init URL --technician USER')."
        )
    if found.renewed:
        yield (
            "! This record is not the one that synced last under its name: it was restored from a"
            " backup or copied. It goes on as a bench of its own; everything was compared, and"
            " nothing is lost or doubled."
        )
    if found.received.anew:
        yield "! The workshop was restored from a backup: everything was compared anew."
    if done.came_in:
        yield f"{done.came_in} rows that were kept apart before are known by now and came in."
    for why, count in apart.items():
        yield f"! {count} foreign rows are kept apart, as they fit no record: {why}"
    if done.clock_is_off:
        way = "ahead of" if done.ahead > 0 else "behind"
        yield (
            f"! The clock of this computer is {_span(abs(done.ahead))} {way} the workshop's. Set it"
            " right; what was noted by it is shown by the workshop's clock."
        )
    if done.namesakes:
        yield (
            f"! {len(done.namesakes)} other bench(es) of the workshop have this computer's name;"
            " they are told apart by their identities."
        )


def _span(seconds: float) -> str:
    for size, unit in ((86400, "days"), (3600, "hours"), (60, "minutes")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} seconds"


# --- noting --------------------------------------------------------------------------------------


@workshop.command("note", cls=Verb)
@click.argument("machine")
@click.argument("text", required=False, default="")
@click.option("--belt", metavar="BATCH", help="a new belt, of this batch")
@click.option("--roller", metavar="BATCH", help="a new roller, of this batch")
@click.option("--flash", metavar="WHAT", help="new firmware, in your words")
@click.option("--place", metavar="WHERE", help="where the machine stands from now on")
@click.option("--due-days", type=Count(1), help="days from one tune to the next")
def workshop_note(
    desk: Desk,
    /,
    machine: str,
    text: str,
    belt: str | None,
    roller: str | None,
    flash: str | None,
    place: str | None,
    due_days: int | None,
) -> None:
    """Note what was changed on a MACHINE, where it stands, or anything else, in TEXT.

    A new belt, roller or firmware begins new charts in 'workshop drift'.

    \b
    Example: plumbelt workshop note heron --belt B-0417 "after 1,100 hours"
    """
    from agent.store.record import Record
    from agent.workshop.notes import note

    said = {"text": text or None, "belt": belt, "roller": roller, "flash": flash}
    body = {k: v for k, v in said.items() if v is not None}
    facts: dict[str, Any] = {"place": place, "due_days": due_days}
    facts = {k: v for k, v in facts.items() if v is not None}
    if not body and not facts:
        raise BadInput("nothing to note", remedy="Give a text, or what was changed")
    with Record() as record:
        entry = note(record, machine, body, facts)
    desk.screen.answer(
        {"machine": machine, "entry": entry, **body, **facts}, f"Noted of {machine}."
    )


# --- questions -----------------------------------------------------------------------------------


@workshop.command("list", cls=Verb)
@_SHARED
@_CSV
@click.option("--html", type=FILE, metavar="FILE", help="the whole as one page in FILE")
def workshop_list(desk: Desk, /, shared: bool, table: Path | None, html: Path | None) -> None:
    """All machines: where, tuned when, how far off as left, what is open, when due.

    \b
    Example: plumbelt workshop list --html workshop.html
    """
    from agent.face.shop.page import summary
    from agent.workshop.fleet import machines

    day, days = today(), due_days()
    with asked(shared) as record:
        found = machines(record, due_days=days)
        if html is not None:
            _save_page(record, found, day, html, shared)
    document: dict[str, Any] = {"machines": [m.to_plain() for m in found]}
    after = [summary(found, day)] if found else []
    if html is not None:
        document["html"] = str(html)
        after.append(f"Page written to {html}")
    if failed := last_failure():
        document["last_sync_failed"] = failed
        after.append(f"! The last sync by itself failed: {failed}")
    if since := under_way():
        document["sync_under_way_since"] = since
        after.append(f"A sync by itself is under way since {when(since)}.")
    sheet = sheets.machines(found, day)
    _answer(
        *(desk, document, sheet, table, "The record has no machine.", "\n".join(after)),
        csv=lambda: sheets.machines_csv(found, day),
    )


def _save_page(
    record: Asked, found: tuple[Machine, ...], day: date, place: Path, shared: bool
) -> None:
    from agent.face.shop.page import page
    from agent.workshop.questions import capabilities, compared
    from agent.workshop.series import charts, lately, lives

    drifts, late = sheets.Drifts(), []
    for life in lives(record):
        for one in charts(life):
            drifts.see(one)
        late.append(lately(life, "belt"))
    text = page(
        found,
        drifts,
        compared(late)[1],
        capabilities(found),
        made=day,
        source="from the shared record" if shared else "from the record of this bench",
    )
    write_file(place, text)


@workshop.command("due", cls=Verb)
@_SHARED
@_CSV
def workshop_due(desk: Desk, /, shared: bool, table: Path | None) -> None:
    """Machines that are due for a tune, the longest overdue first.

    The interval is your own ('workshop join --due-days', or of one machine 'workshop note'): no
    standard sets one.

    \b
    Example: plumbelt workshop due
    """
    from agent.workshop.fleet import due, machines

    day, days = today(), due_days()
    with asked(shared) as record:
        found = due(machines(record, due_days=days), day)
    document = {"due": [{**m.to_plain(), "days_over": m.days_over(day)} for m in found]}
    _answer(
        *(desk, document, sheets.machines(found, day), table, "None is due.", ""),
        csv=lambda: sheets.machines_csv(found, day),
    )


@workshop.command("drift", cls=Verb)
@click.argument("machine", required=False)
@_SHARED
@_CSV
def workshop_drift(desk: Desk, /, machine: str | None, shared: bool, table: Path | None) -> None:
    """Control charts of each error of each MACHINE: which rule fired, and what usually causes it.

    Individuals with moving range (ISO 7870-2) and EWMA (ISO 7870-6), on the setting that would be
    right, which a correction does not move. A new belt, roller or firmware begins a new chart.
    Every point of a chart is told of one MACHINE, and of all of them in the CSV file.

    \b
    Example: plumbelt workshop drift heron
    """
    from agent.face.shop.page import NO_SIGNAL, false_alarms
    from agent.workshop.questions import drift

    drifts, found, plain = sheets.Drifts(), [], []

    def gone_through(record: Asked) -> Iterator[Charted]:
        for one in drift(record, machine):
            drifts.see(one)
            plain.append(one.to_plain(whole=machine is not None))
            if machine is not None:
                found.append(one)
            yield one

    with asked(shared) as record:
        rows = (row for one in gone_through(record) for row in sheets.points(one))
        if table is not None:
            write_file(table, sheets.csv_text(sheets.POINTS, rows), expect=ABSENT)
        else:
            deque(gone_through(record), maxlen=0)
    after = false_alarms(drifts) if drifts.charts else ""
    if table is not None:
        after = f"{after}\nEvery point is in {table}".strip()
    empty = NO_SIGNAL if drifts.charts else "The record holds no estimate of that."
    sheet = drifts.sheet if machine is None else _drift_sheet(found)
    _answer(desk, {"charts": plain}, sheet, None, empty, after)


def _drift_sheet(found: Sequence[Charted]) -> Table:
    """Of one machine each of its charts."""
    rows = []
    for c in found:
        k = c.chart
        limits = f"{k.lower:+z.3f} to {k.upper:+z.3f} {c.unit}" if k.enough else "too few values"
        rows.append(
            (
                shown(c.error).words,
                "" if c.since is None else f"{c.since.part} {c.since.what}".strip(),
                str(len(k.values)),
                f"{k.values[-1]:+z.3f} ± {2 * c.u[-1]:.3f} {c.unit}",
                limits,
                "; ".join(_fired(c)) or "none",
            )
        )
    heads = headed("error", "since", ">values", "newest", "limits", "rules that fired")
    return Table(heads, tuple(rows))


def _fired(c: Charted) -> Iterator[str]:
    """Each rule that fired in a chart, and when."""
    found: dict[str, list[str]] = {}
    for signal in c.chart.signals:
        found.setdefault(signal.what, []).append(sheets.day(c.points[signal.place].at))
    for what, days in found.items():
        yield f"{what} ({sheets.often(days)})"


@workshop.command("compare", cls=Verb)
@click.option("--by", type=click.Choice(("belt", "roller")), default="belt", show_default=True)
@_SHARED
@_CSV
def workshop_compare(desk: Desk, /, by: str, shared: bool, table: Path | None) -> None:
    """Machines of the same parts side by side: which machine or which batch stands out.

    A mixed model of each error: batches of belts or rollers, machines within them, tunes of each
    machine. All tests of the page are held together (Holm), so that with nothing wrong it names
    anything in at most one page of twenty.

    \b
    Example: plumbelt workshop compare --by roller
    """
    from agent.face.shop.page import NOTHING_STANDS_OUT
    from agent.workshop.questions import compared
    from agent.workshop.series import lately, lives

    with asked(shared) as record:
        fits, found = compared([lately(life, by) for life in lives(record)])
    document = {
        "by": by,
        "standing_out": [v.to_plain() for v in found],
        "errors": {
            name: {
                "batches": dict(f.batches),
                "variance_within": f.within,
                "variance_between": f.between,
                "f": f.f,
                "dof": list(f.f_dof),
                "p": f.p,
            }
            for name, f in fits.items()
        },
    }
    empty = NOTHING_STANDS_OUT if fits else "Too few values of machines of the same parts."
    _answer(desk, document, sheets.verdicts(found), table, empty, "")


@workshop.command("show", cls=Verb)
@click.argument("machine")
@click.option("--most", type=Count(1), default=60, show_default=True, help="how many, the newest")
@_SHARED
@_CSV
def workshop_show(desk: Desk, /, machine: str, most: int, shared: bool, table: Path | None) -> None:
    """The life of one MACHINE: tunes, changes, belts, rollers, flashes, drifts, and its documents.

    \b
    Example: plumbelt workshop show heron
    """
    from agent.workshop.fleet import machines
    from agent.workshop.life import events, versions
    from agent.workshop.questions import drift

    drifts = sheets.Drifts()
    with asked(shared) as record:
        newest = events(record, machine, most)
        stands = next((m for m in machines(record, due_days=due_days(), only=machine)), None)
        kept = versions(record, machine)
        for one in drift(record, machine):
            drifts.see(one)
    rows = tuple(
        (
            when(e.at) + (" (clock put right)" if e.ahead else ""),
            e.bench,
            e.what,
            e.text if e.entry is None else told_of(e.entry),
        )
        for e in newest
    )
    sheet = Table(headed("when", "bench", "what", ""), rows)
    document = {
        "machine": None if stands is None else stands.to_plain(),
        "events": [
            {
                "at": e.at,
                "what": e.what,
                "bench": e.bench,
                "entry": None if e.entry is None else e.entry.id,
                "text": e.text if e.entry is None else told_of(e.entry),
                "clock_ahead_s": e.ahead,
            }
            for e in newest
        ],
        "signals": [
            dict(zip(("machine", "error", "on", "value", "rule", "usually"), row, strict=True))
            for row in drifts.rows
        ],
        "documents": [
            {"at": v.at, "kind": v.kind, "name": v.name, "id": v.id, "bench": v.bench} for v in kept
        ],
    }
    after = [] if stands is None else [f"As it stands: {stands.standing}, {_open(stands)}."]
    after += [f"Drift: {row[1]} on {row[2]}, {row[3]}: {row[4]}." for row in drifts.rows[-5:]]
    if len(drifts.rows) > 5:
        after.append(f"{len(drifts.rows)} such in all: 'workshop drift {machine}'")
    after += [f"{v.kind} {v.name} of {when(v.at)}: 'workshop fetch {v.short}'" for v in kept[:10]]
    _answer(desk, document, sheet, table, "Nothing is noted of it.", "\n".join(after))


def _open(machine: Machine) -> str:
    due = "never tuned" if machine.due is None else f"due {machine.due.isoformat()}"
    return ", ".join((due, *machine.open))


@workshop.command("fetch", cls=Verb)
@click.argument("document")
@click.option("--out", type=FILE, required=True, help="file to write")
@_SHARED
def workshop_fetch(desk: Desk, /, document: str, out: Path, shared: bool) -> None:
    """Write one version of a profile or report, by the end of its identity, to a file.

    \b
    Example: plumbelt workshop fetch 1a2b3c4d --out heron.yaml
    """
    from agent.workshop.life import document_text

    with asked(shared) as record:
        version, text = document_text(record, document)
    write_file(out, text, expect=ABSENT)
    desk.screen.answer(
        {"file": str(out), "kind": version.kind, "name": version.name, "id": version.id},
        f"{version.kind} {version.name} of {version.at[:10]} is in {out}.",
    )


@workshop.command("tune", cls=Verb)
@click.option(
    "--machines",
    type=FILE,
    required=True,
    metavar="FILE",
    help="the row: names, ports, profiles",
)
@click.option("--out", type=FILE, default=Path(), help="folder for certificates")
def workshop_tune(desk: Desk, /, machines: Path, out: Path) -> None:
    """Tune a row of attached machines in one sitting: one prompt, each with its own bench.

    FILE names the machines: 'format: plumbelt-row/1', then 'machines: [{name, port, profile}, ..]'.
    The prompt stands at the machine that is furthest behind; Enter does its next step,
    'NAME: COMMAND ..' goes to another, 'row' shows all, 'done' ends. Then there is a certificate
    for each machine and a cover sheet with yield, Cp and Cpk (ISO 22514-2).

    \b
    Example: plumbelt workshop tune --machines row.yaml --out certificates
    """
    from agent.face.shop import row as rows

    if desk.in_shell:
        raise BadInput("this is a shell already", remedy="Give it outside of the shell")
    day = today()
    places = rows.read_row(machines)
    rows.refuse_existing(out, day)
    row = rows.Row.set_up(places, desk.screen)
    wanted_json = desk.screen.json
    try:
        code = rows.sit(row, desk.screen, rows.lines_of(desk.screen))
        found = rows.results(row, day, out)
    except Ended:
        row.end_safely()
        raise
    finally:
        row.close()
    place = rows.save_cover(found, day, out)
    sheet, capable, made = rows.cover(found)
    desk.screen.json = wanted_json
    desk.screen.answered = False

    def show() -> None:
        desk.screen.show(sheet)
        if capable.rows:
            desk.screen.show(capable)
        desk.screen.say(rows.yield_words(found))
        desk.screen.say(f"Cover sheet: {place}")

    desk.screen.answer(
        {
            "machines": [r.to_plain() for r in found],
            "capability": {name: c.to_plain() for name, c in made.items()},
            "cover": str(place),
        },
        show,
    )
    if code or any(r.standing != "within" for r in found):
        click.get_current_context().exit(1)
