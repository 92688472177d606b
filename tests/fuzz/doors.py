"""The doors by which something foreign comes in, each with its own kind of spoiled input."""

from __future__ import annotations

import contextlib
import io
import json
import random
import sqlite3
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from agent.errors import AgentError, Refused
from tests.fuzz import dumps
from tests.fuzz.door import TRAPS, Door, house, plumbelt, raw, spoil

ROOT = Path(__file__).parents[2]

#: Exit codes that are told in the handbook.
CODES = (0, 1, 2, 3, 130)


def dump(rng: random.Random) -> tuple[bool, str]:
    """A settings list over a wire that spoils bytes."""
    found = dumps.run(rng.randrange(2**32))
    return found.accepted, f"{found.family}: {', '.join(found.wrong)}" if found.wrong else ""


# --- lines ---------------------------------------------------------------------------------------


def line(rng: random.Random) -> tuple[bool, str]:
    """A line typed at `send`, against the simulated controller of some family."""
    from agent.families import FAMILIES
    from agent.families.gate import Gate, normal
    from tests.families import test_gate as gate

    name = rng.choice(sorted(FAMILIES))
    family = FAMILIES[name]
    parts = []
    for _ in range(rng.choice((1, 1, 2, 3))):
        code = rng.choice(gate.CODES)
        if code[0] in "GM" and rng.random() < 0.3:
            code = code[0] + "0" * rng.randrange(1, 3) + code[1:]
        parts += [code, *rng.sample(gate.WORDS, rng.choice((0, 0, 1, 2)))]
    text = rng.choice((" ", " ", " ", "", "\t")).join(parts)
    text = rng.choice(("", "", "", "N7 ", "/")) + text + rng.choice(("", "", ";M500", "*33"))
    text = rng.choice((text, text, rng.choice(sorted(family.reads)), spoil(rng, text)))
    text = normal(text) if rng.random() < 0.5 else text
    try:
        Gate(family)(text)
    except Refused:
        return False, ""
    machine = gate.machine_of(name)
    before = gate.state(machine)
    gate.tell(machine, text)
    return True, "" if gate.state(machine) == before else f"{name}: {text!r} changed something"


# --- files ---------------------------------------------------------------------------------------


def profile(rng: random.Random) -> tuple[bool, str]:
    """A profile, read and written again."""
    from agent.store.profiles import profile_text, read_profile

    path = rng.choice(sorted((ROOT / "profiles").glob("*.yaml")))
    try:
        found = read_profile(raw(spoil(rng, path.read_text())), "spoiled")
    except AgentError:
        return False, ""
    again = read_profile(profile_text(found).encode(), "written again")
    return True, "" if again == found else "a profile does not read back as it was written"


READINGS = """\
format: plumbelt-readings/1
mechanics: {gantry_angle_deg: 45}
settings: {steps_per_mm: {x: 80, y: 80, z: 105.25}}
instrument: {resolution_mm: 0.01, mpe_mm: 0.03}
material: {shrink_percent: 0.3, shrink_u_percent: 0.1}
tolerance: {scale_percent: 0.1, angle_deg: 0.1}
readings:
  - {feature: outside, along: [0, 20, 0],  mm: [20.31, 20.30, 20.33]}
  - {feature: outside, along: [0, 80, 0],  mm: [80.91, 80.93]}
  - {feature: outside, along: [80, 80, 0], mm: [113.30], between: points}
  - {feature: lean,    along: [0, 0, 40],  mm: [0.62]}
  - {feature: travel,  along: [0, 200, 0], mm: [201.4], u_mm: 0.1}
"""


def readings(rng: random.Random) -> tuple[bool, str]:
    """A readings file, solved; the answer must be a document that every program can read."""
    with house() as place:
        (place / "r.yaml").write_bytes(raw(spoil(rng, READINGS)))
        code, out = plumbelt(["solve", "r.yaml", "--json"])
    return code == 0, _unfit(code, out)


def _unfit(code: int, out: str) -> str:
    """What is wrong with the answer of a command that was given `--json`."""
    if code not in CODES:
        return f"exit {code}"
    try:
        json.loads(out, parse_constant=_no_number)
    except ValueError as error:
        return "" if code and not out.strip() else f"no JSON ({error}): {out[:80]!r}"
    return ""


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no number of JSON")


# --- the command ---------------------------------------------------------------------------------

VERBS = """
drive --full-steps 200 --microsteps 16 --ratio 3 --roller 30 --belt 1.6
drive --full-steps 200 --microsteps 16 --teeth 20 --pitch 2
shim --span 300 --front 0.4 --back 0.1 --screw M4
piece strip --json
piece post
solve r.yaml
log list
log list --kind plan
log show abc
log trend steps_per_mm.z
profile list
profile show heron
profile compare heron r.yaml
mechanics
help lean
send M114
preview
next
report
gauge travel
readback --from r.yaml
prove power
""".strip().splitlines()


def _argument_line(rng: random.Random) -> list[str]:
    words = rng.choice(VERBS).split()
    for _ in range(rng.choice((0, 1, 1, 2, 3))):
        at = rng.randrange(1, len(words) + 1)
        match rng.randrange(4):
            case 0:
                words.insert(at, rng.choice(TRAPS))
            case 1:
                words[at - 1 : at] = [spoil(rng, words[at - 1])]
            case 2:
                words.insert(at, rng.choice(("--json", "--help", "--within", "--force", "-1")))
            case _:
                del words[at:]
    if not words or words[0] not in {verb.split()[0] for verb in VERBS}:
        words.insert(0, rng.choice(VERBS).split()[0])
    return [word.replace("\0", "") for word in words]  # no system hands a NUL over


def arguments(rng: random.Random) -> tuple[bool, str]:
    """A command line."""
    words = _argument_line(rng)
    with house() as place:
        (place / "r.yaml").write_text(READINGS)
        code, out = plumbelt(words)
    helps = "--help" in words or "-h" in words
    if "--json" in words and not helps:
        return code == 0, (wrong := _unfit(code, out)) and f"{words}: {wrong}"
    return code == 0, "" if code in CODES else f"{words}: exit {code}"


LINES = """
attach
readback
send M114
send M105 M104 S280
send M92 X80.2
send G28
mechanics
next
solve
preview
write
store
undo
gauge travel
marks
feed
lay strip
resume finish
profile restore heron
write --approve 12345678
store --approve 12345678
""".strip().splitlines()


def script(rng: random.Random) -> tuple[bool, str]:
    """A file of verbs, carried out at a simulated machine; nothing in it is confirmed."""
    lines = [
        " ".join(_argument_line(rng)) if rng.random() < 0.5 else rng.choice(LINES + VERBS)
        for _ in range(rng.randrange(1, 4))
    ]
    text = "\n".join(lines) + "\n"
    if rng.random() < 0.4:
        text = spoil(rng, text)
    return _at_a_machine(["run s.txt"], "", text)


def shell(rng: random.Random) -> tuple[bool, str]:
    """Lines typed in the shell at a simulated machine by somebody who confirms nothing."""
    typed = [
        spoil(rng, text) if rng.random() < 0.4 else text
        for text in rng.choices(LINES, k=rng.randrange(1, 5))
    ]
    answer = rng.choice(("", "y", "no", "\ud800", "1e999"))
    return _at_a_machine([text for text in typed if "\n" not in text], answer)


def _at_a_machine(typed: list[str], answer: str, script_text: str = "") -> tuple[bool, str]:
    """Carry lines out in memory, every question answered alike; nothing may have been set."""
    from tests.face.bench import Technician, carry_out, desk_at

    with (
        house() as place,
        contextlib.redirect_stdout(_terminal()),
        contextlib.redirect_stderr(_terminal()),
    ):
        (place / "r.yaml").write_text(READINGS)
        (place / "s.txt").write_bytes(raw(script_text))
        desk = desk_at(seed=3)
        desk.screen.ask_with(Technician({"": answer}))
        carry_out(desk, ["attach"])
        assert desk.rehearsal is not None
        controller = desk.rehearsal.machine.controller
        before = len(controller.changes)
        codes = carry_out(desk, typed)
    told = script_text or typed
    changed = [c for c in controller.changes[before:] if c.kind in ("set", "store", "defaults")]
    if changed:
        return True, f"{told!r} changed {changed[0]}"
    strange = [code for code in codes if code not in CODES]
    return 0 in codes, f"{told!r}: exit {strange[0]}" if strange else ""


def _terminal() -> Any:
    return io.TextIOWrapper(io.BytesIO(), encoding="utf-8")


# --- the record ----------------------------------------------------------------------------------


@cache
def kept() -> tuple[str, bytes]:
    """The record of a small job: as JSON lines, and as the file of the database."""
    from agent.families import FAMILIES, adopt, read_back
    from agent.store.record import Record
    from agent.wire.link import Link
    from tests.families.test_reading import bench
    from tests.memory import MemoryTransport

    machine, _ = bench("replay")
    link = Link(MemoryTransport(machine.controller))
    link.settle()
    adopt(link, FAMILIES["replay"])
    readback = read_back(link, FAMILIES["replay"])
    with house() as place:
        record = Record()
        session = record.begin("heron", port="memory://", family="replay", identity="bench")
        session.traffic(0.0, ">", "M503")
        session.traffic(0.1, "<", "ok")
        session.note("readback", readback.to_plain())
        session.note("plan", {"changes": [], "lines": ["M92 X80.1"], "digest": "12345678"})
        session.note("note", {"text": "belt changed"})
        session.flush()
        record.close()
        code, _ = plumbelt(["log", "export", "all.jsonl"])
        assert code == 0
        database = next(place.rglob("*.sqlite*"), None) or next(place.rglob("*.db"))
        with contextlib.closing(sqlite3.connect(database)) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return (place / "all.jsonl").read_text(), database.read_bytes()


def merge(rng: random.Random) -> tuple[bool, str]:
    """A colleague's record, merged, listed and reported."""
    text, _ = kept()
    with house() as place:
        foreign = _spoilt_json(rng, text) if rng.random() < 0.6 else spoil(rng, text)
        (place / "foreign.jsonl").write_bytes(raw(foreign))
        code, out = plumbelt(["log", "merge", "foreign.jsonl", "--json"])
        wrong = _unfit(code, out) or _looked_at()
    return code == 0, wrong


def _looked_at() -> str:
    """What goes wrong when the record is looked at."""
    for words in (["log", "list"], ["log", "trend", "steps_per_mm.z"], ["report", "--force"]):
        code, out = plumbelt([*words, "--json"])
        if wrong := _unfit(code, out):
            return f"{' '.join(words)}: {wrong}"
    return ""


def _spoilt_json(rng: random.Random, text: str) -> str:
    """Lines of JSON that stay JSON, with a value somewhere that is of another kind."""
    lines = [json.loads(line) for line in text.splitlines()]
    values = (None, True, -1, 1e308, "", "x" * 300, [], {}, [[]], {"a": {"b": 1}}, "\ud800", "\0")
    for _ in range(rng.choice((1, 1, 2, 4))):
        at: Any = rng.choice(lines)
        while isinstance(at, (dict, list)) and at:
            key = rng.choice(list(at) if isinstance(at, Mapping) else range(len(at)))
            if rng.random() < 0.4 or not (isinstance(at[key], (dict, list)) and at[key]):
                if isinstance(at, dict) and rng.random() < 0.25:
                    del at[key]
                else:
                    at[key] = rng.choice(values)
                break
            at = at[key]
    return "".join(json.dumps(line) + "\n" for line in lines)


def database(rng: random.Random) -> tuple[bool, str]:
    """The record's own file, damaged."""
    _, data = kept()
    with house() as place:
        code, _ = plumbelt(["log", "list", "--json"])  # makes the file where it belongs
        path = next(place.rglob("*.sqlite*"), None) or next(place.rglob("*.db"), None)
        if path is None:
            from agent.store.record import Record

            record = Record()
            path = Path(record.path)
            record.close()
        for beside in path.parent.glob(path.name + "-*"):
            beside.unlink()
        path.write_bytes(data)
        if rng.random() < 0.5:
            _spoil_rows(rng, path)
        else:
            spoilt = bytearray(data)
            for _ in range(rng.choice((1, 3, 30))):
                spoilt[rng.randrange(len(spoilt))] = rng.randrange(256)
            if rng.random() < 0.2:
                del spoilt[rng.randrange(len(spoilt)) :]
            path.write_bytes(bytes(spoilt))
        code, out = plumbelt(["log", "list", "--json"])
        wrong = _unfit(code, out) or _looked_at()
    return code == 0, wrong


def _spoil_rows(rng: random.Random, path: Path) -> None:
    """Values in the tables that are no values of theirs."""
    values = (b"\xff\xfe", "{", "null", "[1]", "\0", "\x1b[2J", 1e308, "", '{"settings": 3}', -1)
    db = sqlite3.connect(path)
    db.execute("PRAGMA foreign_keys = OFF")
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type='table'")]
    for _ in range(rng.choice((1, 2, 4))):
        table = rng.choice([name for name in tables if not name.startswith("sqlite")])
        columns = [row[1] for row in db.execute(f'PRAGMA table_info("{table}")')]
        try:
            db.execute(
                f'UPDATE "{table}" SET "{rng.choice(columns)}" = ? WHERE rowid % 2 = ?',
                (rng.choice(values), rng.randrange(2)),
            )
        except sqlite3.Error:
            continue
    db.commit()
    db.close()


DOORS: dict[str, Door] = {
    "dumps": dump,
    "lines": line,
    "profiles": profile,
    "readings": readings,
    "scripts": script,
    "arguments": arguments,
    "shell": shell,
    "merge": merge,
    "database": database,
}
