"""`log`: what the record holds of each machine, exported and merged as JSON lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from agent.errors import BadInput, Refused
from agent.face.desk import Desk
from agent.face.options import Count, Verb

if TYPE_CHECKING:
    from agent.store.record import Record
    from agent.store.rows import EntryRow, Point

#: What is listed unless something else is asked for: the steps of each change would bury it.
MAIN_KINDS: Final = (
    "readback",
    "readings",
    "estimate",
    "plan",
    "outcome",
    "look",
    "proof",
    "note",
    "check",
    "attached",
    "reading",
    "piece",
    "angle",
    "begin",
    "settled",
)

_MACHINE = click.option("--machine", help="only this machine")


@click.group()
def log() -> None:
    """What was read, measured, estimated, planned, sent, answered and proved, and when."""


def _record(desk: Desk) -> Record:
    """The record; what is wrong with it is said, and what can be read of it is used."""
    from agent.store.record import open_record

    record, told = open_record()
    if told:
        desk.screen.complain(f"! {told}")
    return record


@log.command("list", cls=Verb)
@_MACHINE
@click.option("--kind", "kinds", multiple=True, help="of this kind; may be repeated")
@click.option("--since", default="", metavar="DATE", help="from this day on (2026-03-01)")
@click.option("--until", default="9999", metavar="DATE", help="before this day")
@click.option("--text", default="", help="only entries that hold this text")
@click.option("--most", type=Count(1), default=40, show_default=True, help="how many")
def log_list(
    desk: Desk,
    /,
    machine: str | None,
    kinds: tuple[str, ...],
    since: str,
    until: str,
    text: str,
    most: int,
) -> None:
    """Entries of the record, newest first.

    Kinds: readback, reading, piece, estimate, plan, angle, attached and more; journal (each step
    of each change) and heat are only listed if they are asked for.

    \b
    Example: plumbelt log list --machine heron --kind outcome
    """
    from agent.store.checks import SHAPES

    if unknown := [kind for kind in kinds if kind not in SHAPES]:
        raise BadInput(
            f"unknown kind {unknown[0]!r}", remedy=f"There are {', '.join(sorted(SHAPES))}"
        )
    with _record(desk) as record:
        found = record.entries(
            machine, kinds=kinds or MAIN_KINDS, since=since, until=until, text=text, limit=most
        )
        left_out = record.unreadable
    document = {"entries": [_plain(entry) for entry in found], "left_out": left_out}

    def show() -> None:
        for identity, why in left_out.items():
            desk.screen.say(f"! Left out, as it is no entry of its kind: {identity}: {why}")
        if not found:
            desk.screen.say("No matching entries.")
            return
        rows = [(e.short, when(e.at), e.machine, e.kind, summary(e)) for e in found]
        desk.screen.table(["entry", "when", "machine", "kind", "summary"], rows)

    desk.screen.answer(document, show)


def _plain(entry: EntryRow) -> dict[str, Any]:
    return {**asdict(entry), "body": dict(entry.body), "short": entry.short}


def when(at: str) -> str:
    """Date and time to the minute; the record keeps UTC."""
    try:
        return datetime.fromisoformat(at).strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return at


def summary(entry: EntryRow) -> str:
    """An entry in a few words."""
    body = entry.body
    match entry.kind:
        case "readback":
            damaged = ", DAMAGED" if body.get("damaged") else ""
            return f"{len(body.get('settings', {}))} settings, {body.get('family', '')}{damaged}"
        case "estimate":
            changes = [c.get("setting", "") for c in body.get("corrections", ())]
            angle = body.get("slicing_angle_deg")
            wanted = [*changes, *([f"slice at {angle:g}°"] if angle is not None else [])]
            return ", ".join(wanted) or "no change warranted"
        case "plan":
            return f"{body.get('digest', '')}: {'; '.join(body.get('lines', ()))}"
        case "outcome" | "proof":
            stages = ", ".join(body.get("stages", ())) or "nothing"
            changed = ", ".join(f"{c['key']} {c['wanted']:g}" for c in body.get("changes", ()))
            return f"{changed or 'no setting'}: verified {stages} ({body.get('digest', '')})"
        case "attached":
            told = (body.get("family", ""), body.get("port", ""), body.get("serial", ""))
            return ", ".join(part for part in told if part)
        case "reading":
            values = " ".join(f"{mm:g}" for mm in body.get("mm", ()))
            return f"{body.get('name') or body.get('feature', '')}: {values} mm"
        case "journal":
            return " ".join(str(body[k]) for k in ("step", "line", "why") if k in body)
        case _:
            items = [f"{k} {v}" for k, v in body.items() if isinstance(v, str | int | float)]
            return ", ".join(items[:4])


@log.command("show", cls=Verb)
@click.argument("entry")
@click.option("--wire", is_flag=True, help="also every line of its session")
def log_show(desk: Desk, /, entry: str, wire: bool) -> None:
    """One ENTRY whole, by the end of its identity as 'log list' shows it.

    \b
    Example: plumbelt log show 1a2b3c4d --wire
    """
    import json

    with _record(desk) as record:
        found = record.entry(entry)
        lines = record.lines(found.session) if wire else ()
    document = {**_plain(found), "lines": [asdict(line) for line in lines]}

    def show() -> None:
        desk.screen.say(f"{found.machine}, {when(found.at)}: {found.kind}")
        text = json.dumps(found.body, indent=2, ensure_ascii=False)
        desk.screen.quote(text)
        for line in lines:
            desk.screen.say(f"  {line.at:10.3f} {line.way} {line.text}")

    desk.screen.answer(document, show)


@log.command("trend", cls=Verb)
@click.argument("key")
@click.option("--machine", required=True, help="of which machine")
@click.option("--most", type=Count(1), default=100, show_default=True, help="how many are shown")
def log_trend(desk: Desk, /, key: str, machine: str, most: int) -> None:
    """A figure over time: a setting (steps_per_mm.z) or an estimate (estimate.z_scale).

    The change per year of a scale is that of the machine: errors before and after a correction
    are put on one scale by the steps that stood there. All results count for it, however few of the
    newest are shown.

    \b
    Example: plumbelt log trend estimate.z_scale --machine heron
    """
    from agent.bench.past import dated_results, on_one_scale
    from agent.estimate.drift import Dated, drift
    from agent.face.report.recorded import known_profile

    name = key.removeprefix("estimate.")
    scale = name != key and name.endswith("_scale")
    with _record(desk) as record:
        points = record.trend(machine, key)
        # Results without an uncertainty (settings as read) have no drift to speak of.
        dated: Sequence[Dated] = [Dated(_day(p), p.value, p.u) for p in points if p.u]
        if scale:
            known = dated_results(record, machine, known_profile(machine))
            dated = on_one_scale(known.get(name, []))
    found = drift(dated)
    document: dict[str, Any] = {
        "points": [{"at": p.at, "value": p.value, "u": p.u} for p in points],
        "drift_per_year": None
        if found is None
        else {
            "value": found.per_year,
            "u": found.u,
            "expanded95": found.expanded95,
            "significant": found.significant,
        },
    }

    def show() -> None:
        if not points:
            desk.screen.say(f"The record holds no {key} of {machine}.")
            return
        rows = [
            (when(p.at), f"{p.value:.6g}", "" if p.u is None else f"± {2 * p.u:.2g}")
            for p in points[-most:]
        ]
        desk.screen.table(["when", f">{key}", ">95 %"], rows)
        if len(points) > most:
            desk.screen.say(
                f"{len(points) - most} older not shown: '--most {len(points)}', '--json'."
            )
        if found is not None:
            verdict = "it drifts" if found.significant else "no drift beyond the noise"
            desk.screen.say(
                f"Change per year: {found.per_year:+z.3g} ± {found.expanded95:.2g}: {verdict}."
            )

    desk.screen.answer(document, show)


def _day(point: Point) -> float:
    return datetime.fromisoformat(point.at).timestamp() / 86400


@log.command("export", cls=Verb)
@click.argument("file", type=click.Path(path_type=Path))
@_MACHINE
def log_export(desk: Desk, /, file: Path, machine: str | None) -> None:
    """Write the record (of one machine) to FILE as JSON lines, for another computer.

    \b
    Example: plumbelt log export heron.jsonl --machine heron
    """
    from agent.store.atomic import ABSENT, write_file

    with _record(desk) as record:
        lines = list(record.export(machine))
    write_file(file, "\n".join(lines) + "\n", expect=ABSENT)
    desk.screen.answer(
        {"file": str(file), "rows": len(lines) - 1},
        lambda: desk.screen.say(f"{len(lines) - 1} rows are in {file}."),
    )


@log.command("readings", cls=Verb)
@click.option("--out", "file", type=click.Path(path_type=Path), required=True, help="a new file")
@click.option("--machine", help="of this machine; else of the one that was on the bench last")
def log_readings(desk: Desk, /, file: Path, machine: str | None) -> None:
    """Write the readings of the present state as a readings file; never over one that is there.

    \b
    Example: plumbelt log readings --out readings.yaml
    """
    from agent.bench.book import RecordBook
    from agent.bench.sheet import readings_file
    from agent.store.atomic import ABSENT
    from agent.store.readings import dump_readings

    bench = desk.session.bench
    if machine is not None and machine != bench.machine:
        book = RecordBook()
        book.look_at(machine)
        bench = book.bench
        book.close()
    count = len(bench.now.taken)
    if not (count or bench.now.runs):
        raise Refused(f"there are no readings of {bench.profile.name}", remedy="'gauge' takes some")
    dump_readings(file, readings_file(bench), expect=ABSENT)
    desk.screen.answer(
        {"file": str(file), "readings": count, "machine": bench.machine},
        lambda: desk.screen.say(f"{count} readings of {bench.machine} are in {file}."),
    )


@log.command("merge", cls=Verb)
@click.argument("file", type=click.Path(path_type=Path))
def log_merge(desk: Desk, /, file: Path) -> None:
    """Add what 'log export' wrote elsewhere; merging twice changes nothing.

    \b
    Example: plumbelt log merge heron.jsonl
    """
    from agent.store.nodes import read_file

    text = read_file(file).decode("utf-8", errors="replace")
    with _record(desk) as record:
        before = record.apart()
        new = record.merge(text.splitlines(), source=str(file))
        now = record.apart().items()
    apart = {why: n - before.get(why, 0) for why, n in now if n != before.get(why, 0)}

    def show() -> None:
        desk.screen.say(f"{new} rows were new.")
        for why, count in apart.items():
            desk.screen.say(f"! {count} kept apart, as they fit no record: {why}")

    desk.screen.answer({"new": new, "apart": apart}, show)
