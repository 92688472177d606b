"""Events: what happened to a machine, each kind with a plain body that the record can hold.

    attached   port, family, identity, serial: a controller answered; heaters are unknown again
    detached   the port was let go
    profile    name, text: how the machine is built, as a profile file tells it
    readback   the settings as read twice
    heat       state, nozzle, bed: what is known of the heaters
    laying     a piece was begun        piece  name, piece, size, number: it is there
    stopped    the laying was ended before its time
    reading    one feature's readings, all of them as they stand now
    run        a belt run     conditions  of reading      feed  feeds of filament
    axis_run   a run over marks of another axis, which a reader of belt runs must not take for one
    estimate   what was solved, with the survey as a readings file
    plan       a plan that waits for its approval: purpose, the angle that goes with it
    journal    one step of a change, before and after each line of it
    angle      the slicing angle from now on
    begin      a new tune: what was read so far is set aside
    settled    a change that broke off was dealt with
    place      whether the axes' places are known         tried  an axis moved as it should
    halted     the emergency word was sent                lost   the port has gone
    refused    a step that `next` offered was refused
    check      the instrument was read on a known length
    lines      the lines of a machine's own file were put there

Bodies are checked when they are folded: what is no event of its kind is passed over and named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

from agent.change.outcome import Fate, Outcome
from agent.change.plan import Change, Plan
from agent.model import settings as model
from agent.model.feature import KINDS, Reading
from agent.model.heat import Heat, Heats
from agent.model.roles import ROLES
from agent.model.settings import Readback, Setting
from agent.model.survey import BeltRun, Conditions
from agent.plain import all_plain
from agent.store.checks import SHAPES
from agent.store.rows import EntryRow

#: One thing that happened: the row of the record that holds it.
Event = EntryRow


def wrong(event: Event) -> str:
    """Why `event` cannot be one of its kind; empty if it can."""
    shape = SHAPES.get(event.kind)
    if shape is None:
        return f"nothing is known of events of the kind {event.kind!r}"
    told = shape(event.body)
    return f"the {event.kind} of {event.at} is none of its kind: {told}" if told else ""


def number_of(event: Event) -> int:
    """Place of an event in its machine's history: higher than all that its writer knew of."""
    number = event.body.get("n", 0)
    return number if isinstance(number, int) else 0


def in_order(events: Sequence[Event]) -> list[Event]:
    """Events as they came: by number, then by time.  A clock that was set back changes nothing."""
    return sorted(events, key=lambda event: (number_of(event), event.at, event.id))


# --- bodies --------------------------------------------------------------------------------------


def readback_plain(readback: Readback) -> dict[str, Any]:
    """A reading whole, so that lines can be made from it by a later process."""
    plain = readback.to_plain()
    for key, setting in readback.settings.items():
        if setting.raw:
            plain["settings"][key]["raw"] = setting.raw
        if setting.tolerance is not None:
            plain["settings"][key]["tolerance"] = setting.tolerance
    return plain


def _events_of(plain: Mapping[str, Any]) -> tuple[model.Event, ...]:
    return tuple(
        model.Event(str(e["kind"]), {k: v for k, v in e.items() if k != "kind"})
        for e in plain.get("events", ())
    )


def readback_of(plain: Mapping[str, Any]) -> Readback:
    """The reading that `readback_plain` described."""
    notes = tuple(map(str, plain.get("notes", ())))
    damaged = bool(plain.get("damaged"))
    return Readback(
        str(plain.get("family", "")),
        {
            str(key): Setting(
                float(s["value"]),
                str(s["unit"]),
                int(s["digits"]),
                str(s.get("raw", "")),
                s.get("tolerance"),
            )
            for key, s in plain.get("settings", {}).items()
        },
        other=tuple(plain.get("other", ())),
        identity=str(plain.get("identity", "")),
        events=_events_of(plain),
        damage=notes if damaged else (),
        notes=() if damaged else notes,
    )


def heats_plain(heats: Heats) -> dict[str, Any]:
    """What was reported of the heaters, as the body of a `heat` event."""
    parts = {"nozzle": heats.nozzle, "bed": heats.bed}
    found = {name: [h.now, h.target] for name, h in parts.items() if h is not None}
    return {"state": heats.state, **found}


def heats_of(plain: Mapping[str, Any]) -> Heats:
    def heat(name: str) -> Heat | None:
        pair = plain.get(name)
        return None if pair is None else Heat(float(pair[0]), float(pair[1]))

    return Heats(heat("nozzle"), heat("bed"))


def reading_plain(reading: Reading, piece: str) -> dict[str, Any]:
    """A reading as the record and `gauge --json` give it."""
    plain = all_plain(reading)
    kind = plain.pop("kind")
    return {"piece": piece, "name": plain.pop("name"), "feature": kind, **plain}


def reading_of(plain: Mapping[str, Any]) -> Reading:
    x, s, h = map(float, plain["along"])
    u_mm = plain.get("u_mm")
    known = {f.name: plain[f.name] for f in fields(Reading) if f.name in plain}
    found = Reading(
        **{
            **known,
            "kind": plain["feature"],
            "along": (x, s, h),
            "mm": tuple(map(float, plain["mm"])),
            "u_mm": None if u_mm is None else float(u_mm),
            "name": str(plain.get("name", "")),
        }
    )
    if found.kind not in KINDS:
        raise ValueError(f"there is no reading of the kind {found.kind!r}")
    return found


def run_of(plain: Mapping[str, Any]) -> BeltRun:
    """Raises ValueError for an axis that there is none of, and as `BeltRun` does."""
    axis = plain.get("axis", "belt")
    if axis not in ROLES:
        raise ValueError(f"there is no axis {axis!r}")
    return BeltRun(
        tuple(map(float, plain["commanded"])),
        tuple(map(float, plain["measured"])),
        str(plain.get("approach", "forward")),
        str(plain.get("load", "empty")),
        plain.get("u_mm"),
        axis,
    )


def conditions_of(plain: Mapping[str, Any]) -> Conditions:
    return Conditions(**{f.name: plain.get(f.name) for f in fields(Conditions)})


def outcome_of(plan: Plan, plain: Mapping[str, Any]) -> Outcome:
    """The outcome of `plan` that `Outcome.to_plain` described."""
    return Outcome(
        plan,
        tuple(Fate(**fate) for fate in plain["changes"]),
        moved=tuple(Change(**change) for change in plain["moved"]),
        stages=tuple(plain["stages"]),
        events=_events_of(plain),
        notes=tuple(plain["notes"]),
        hand_over=tuple(plain["hand_over"]),
    )
