"""What can go wrong, as short texts that can be combined.

    unplug:after=1200        drop:p=0.001,way=received      restart:before=M500

A text is a name, a colon and `key=value` pairs with commas between; `+` joins several.  `FAULTS`
lists all names with their keys, for a help page and for the check of what is asked for.
"""

from __future__ import annotations

import difflib
import math
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from agent.errors import BadInput, Problem
from sim.controller import Controller, Trouble, Watcher, Way, Wire

_Kind = Literal["count", "share", "seconds", "text", "word"]


@dataclass(frozen=True, slots=True)
class Key:
    """One key of a fault's text."""

    kind: _Kind
    default: Any  #: None: must be given
    help: str
    words: tuple[str, ...] = ()  #: for kind `word`

    def read(self, text: str) -> Any:
        """The value in `text`.  Raises ValueError with what was expected."""
        match self.kind:
            case "count":
                if not text.isdigit():
                    raise ValueError(f"expected a whole number, found {text!r}")
                return int(text)
            case "share" | "seconds":
                most = 1.0 if self.kind == "share" else 1e6
                try:
                    value = float(text)
                except ValueError:
                    value = -1.0
                if not 0 <= value <= most:
                    raise ValueError(f"expected a number from 0 to {most:g}, found {text!r}")
                return value
            case "word":
                if text not in self.words:
                    raise ValueError(f"expected one of {', '.join(self.words)}, found {text!r}")
                return text
            case "text":
                if not text:
                    raise ValueError("expected the beginning of a command, found nothing")
                return text


@dataclass(frozen=True, slots=True)
class Sort:
    """One name that a fault may have."""

    help: str
    keys: Mapping[str, Key]


_WAYS = ("sent", "received", "both")
_WAY = Key("word", "both", "sent (to the controller), received (from it), or both", _WAYS)
_BEFORE = Key("text", "", "just before a command that begins so; it is not done")
_AFTER = Key("text", "", "just after a command that begins so; its answer is lost")


def _share(what: str) -> Key:
    return Key("share", None, f"share of {what} it happens to, 0 to 1")


FAULTS: Mapping[str, Sort] = {
    "unplug": Sort(
        "the cable comes out, once",
        {
            "after": Key("count", None, "after so many bytes"),
            "way": Key("word", "sent", "which bytes are counted: sent, received or both", _WAYS),
        },
    ),
    "restart": Sort(
        "the board resets itself, once",
        {
            "before": _BEFORE,
            "after": _AFTER,
            "count": Key("count", 1, "at the n-th such command"),
        },
    ),
    "halt": Sort(
        "the board stops and is silent until it is reset",
        {"before": Key("text", None, "instead of doing a command that begins so")},
    ),
    "drop": Sort("single bytes get lost", {"p": _share("bytes"), "way": _WAY}),
    "corrupt": Sort("single bits are turned over", {"p": _share("bytes"), "way": _WAY}),
    "duplicate": Sort("a line comes twice", {"p": _share("lines"), "way": _WAY}),
    "merge": Sort(
        "a line end gets lost, so that two lines run together",
        {
            "p": _share("line ends"),
            "way": _WAY,
        },
    ),
    "delay": Sort(
        "answers come late",
        {
            "seconds": Key("seconds", None, "by how much at most"),
            "p": Key("share", 1.0, "share of answers it happens to"),
        },
    ),
    "stall": Sort(
        "the board says nothing for a while, once",
        {"before": _BEFORE, "seconds": Key("seconds", 60.0, "for how long")},
    ),
    "lost-ok": Sort("an acknowledgement is not sent", {"p": _share("acknowledgements")}),
    "full": Sort(
        "the board has little room for what it is sent; what finds none is lost",
        {
            "ring": Key("count", 32, "bytes it can keep"),
            "slots": Key("count", 1, "lines it can keep besides"),
        },
    ),
    "storage": Sort(
        "storing does not do what it says",
        {
            "does": Key(
                "word",
                "lies",
                "lies (says stored, is not), fails (says so), none (there is no storage)",
                ("lies", "fails", "none"),
            )
        },
    ),
    "layout": Sort("new firmware does not understand what was kept: defaults are live", {}),
    "speed": Sort(
        "the board talks at another speed than the client expects",
        {"baud": Key("count", 250000, "its real speed")},
    ),
    "reset-on-open": Sort("opening the port restarts the board", {}),
    "chatter": Sort(
        "somebody else talks to the board too; its answers come to us",
        {"p": _share("answers")},
    ),
    "echo": Sort("the board sends our own lines back", {}),
    "no-resend-ok": Sort("a request to send again is not followed by an acknowledgement", {}),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault that was asked for."""

    name: str
    values: Mapping[str, Any]


def describe_faults() -> str:
    """All faults with their keys and defaults, as lines of a help page."""
    lines = [
        "Given as NAME or NAME:key=value,key=value; several with + or with --fault again.",
        "Example: --fault unplug:after=3000",
    ]
    for name, sort in FAULTS.items():
        lines.append(f"{name}: {sort.help}")
        for key, about in sort.keys.items():
            usual = about.kind.upper() if about.default in (None, "") else about.default
            lines.append(f"    {key}={usual}  {about.help}")
    return "\n".join(lines)


def parse_faults(specs: Iterable[str]) -> tuple[Fault, ...]:
    """Faults from their texts.  Raises BadInput that names all mistakes of all texts."""
    faults: list[Fault] = []
    problems: list[Problem] = []
    for spec in specs:
        for text in spec.split("+"):
            fault, found = _parse(text.strip())
            problems += found
            faults += [fault] if fault else []
    if problems:
        raise BadInput(
            f"{len(problems)} mistake{'s' if len(problems) > 1 else ''} in the faults asked for",
            problems=problems,
            remedy="`plumbelt sim --faults` lists all faults.",
        )
    return tuple(faults)


def _parse(text: str) -> tuple[Fault | None, list[Problem]]:
    name, _, rest = text.partition(":")
    sort = FAULTS.get(name)
    if sort is None:
        return None, [_problem(text, name, f"no such fault{_nearest(name, FAULTS)}")]
    given: dict[str, Any] = {}
    problems: list[Problem] = []
    for pair in rest.split(",") if rest else ():
        key, equals, value = pair.partition("=")
        if key not in sort.keys:
            problems.append(_problem(text, key, f"no such key{_nearest(key, sort.keys)}"))
        elif key in given:
            problems.append(_problem(text, key, "given twice"))
        elif not equals:
            problems.append(_problem(text, key, "expected key=value"))
        else:
            try:
                given[key] = sort.keys[key].read(value)
            except ValueError as error:
                problems.append(_problem(text, key, str(error)))
                given[key] = None
    for key, about in sort.keys.items():
        if key not in given and about.default is None:
            problems.append(_problem(text, key, f"missing: {about.help}"))
    values = {key: given.get(key, about.default) for key, about in sort.keys.items()}
    if not problems and "before" in values and not (values["before"] or values.get("after")):
        either = " or ".join(key for key in ("before", "after") if key in values)
        problems.append(_problem(text, either, "missing: at which command"))
    return Fault(name, values), problems


def _problem(text: str, key: str, what: str) -> Problem:
    return Problem(f"fault {text!r}", None, key, what)


def _nearest(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word, list(known), n=1)
    return f"; did you mean {close[0]!r}?" if close else f"; known are {', '.join(known)}"


# ---------------------------------------------------------------------- on the cable


class _ByChance(Trouble):
    """Happens to a share of what is sent one way or both."""

    def __init__(self, rng: random.Random, p: float, way: str = "received") -> None:
        self.rng, self.p, self.way = rng, p, way

    def strikes(self) -> bool:
        return self.rng.random() < self.p


class _PerByte(_ByChance):
    """Happens to single bytes."""

    def carry(self, data: bytes, way: Way, cable: Wire) -> bytes:
        if self.way not in (way, "both"):
            return data
        out = bytearray()
        for byte in data:
            out += self.hit(byte) if self.strikes() else bytes([byte])
        return bytes(out)

    def hit(self, byte: int) -> bytes:
        raise NotImplementedError


class Drop(_PerByte):
    def hit(self, byte: int) -> bytes:
        return b""


class Corrupt(_PerByte):
    def hit(self, byte: int) -> bytes:
        return bytes([byte ^ 1 << self.rng.randrange(8)])


class Merge(_PerByte):
    """Loses line ends only."""

    def hit(self, byte: int) -> bytes:
        return b"" if byte in b"\r\n" else bytes([byte])


class PerLine(_ByChance):
    """Happens to whole lines; bytes without a line end wait for it."""

    def __init__(self, rng: random.Random, p: float, way: str = "received") -> None:
        super().__init__(rng, p, way)
        self._begun: dict[Way, bytes] = {"sent": b"", "received": b""}

    def carry(self, data: bytes, way: Way, cable: Wire) -> bytes:
        if self.way not in (way, "both"):
            return data
        *lines, rest = (self._begun[way] + data).split(b"\n")
        self._begun[way] = rest
        return b"".join(self.line(line + b"\n") for line in lines)

    def line(self, line: bytes) -> bytes:
        raise NotImplementedError


class Duplicate(PerLine):
    def line(self, line: bytes) -> bytes:
        return line * 2 if self.strikes() else line


class LostOk(PerLine):
    def line(self, line: bytes) -> bytes:
        return b"" if line.startswith(b"ok") and self.strikes() else line


class Delay(_ByChance):
    """Answers come late, never out of order."""

    def __init__(self, rng: random.Random, seconds: float, p: float) -> None:
        super().__init__(rng, p)
        self.seconds = seconds

    def delay(self) -> float:
        return self.rng.uniform(0, self.seconds) if self.strikes() else 0.0


class Unplug(Trouble):
    """Counts bytes and pulls the cable after the last one that still goes through."""

    def __init__(self, after: int, way: str) -> None:
        self.left, self.way = after, way
        self.done = False

    def carry(self, data: bytes, way: Way, cable: Wire) -> bytes:
        if self.done or self.way not in (way, "both"):
            return data
        data, lost = data[: self.left], data[self.left :]
        self.left -= len(data)
        if lost or not self.left:
            self.done = True
            cable.unplug()
        return data


class WrongSpeed(Trouble):
    """Bits are sampled at the wrong places: what arrives is junk, the same for the same bytes."""

    def __init__(self, baud: int) -> None:
        self.baud = baud

    def carry(self, data: bytes, way: Way, cable: Wire) -> bytes:
        client = cable.client_baud
        if client is not None and abs(client - self.baud) <= 0.03 * self.baud:
            return data
        sender, receiver = self.baud, client or 115200
        if way == "sent":
            sender, receiver = receiver, sender
        return missampled(data, sender / receiver)


def missampled(data: bytes, ratio: float) -> bytes:
    """Bytes that a receiver makes of `data` if the sender's speed is `ratio` times its own.

    Eight data bits, a start bit 0 and a stop bit 1, back to back, sampled mid-bit by a receiver
    that starts at each falling edge; a stop bit that reads 0 is a framing error and its byte is
    given all the same.
    """
    bits: list[int] = []
    for byte in data:
        bits += [0, *((byte >> i) & 1 for i in range(8)), 1]
    bits += [1] * 20
    out = bytearray()
    place = 0.0
    while (start := _falling_edge(bits, place)) is not None:
        byte = 0
        for i in range(8):
            at = int(start + (1.5 + i) * ratio)
            byte |= (bits[at] if at < len(bits) else 1) << i
        out.append(byte)
        place = start + 9.5 * ratio
    return bytes(out)


def _falling_edge(bits: Sequence[int], place: float) -> int | None:
    """The first falling edge not before `place`: each one found lies behind the one before."""
    for i in range(max(0, math.ceil(place)), len(bits)):
        if bits[i] == 0 and (i == 0 or bits[i - 1] == 1):
            return i
    return None


class ResetOnOpen(Trouble):
    def opened(self, controller: Controller) -> None:
        controller.restart()


class Chatter(PerLine):
    """Answers to somebody else's questions, in between ours."""

    _HEARD = (b"echo:no SD card\n", b"X:0.00 Y:0.00 Z:0.00 E:0.00 Count X:0 Y:0 Z:0\n", b"wait\n")

    def line(self, line: bytes) -> bytes:
        return self.rng.choice(self._HEARD) + line if self.strikes() else line


# ---------------------------------------------------------------------- in the controller


class AtCommand(Watcher):
    """Something happens at a certain command, once."""

    def __init__(
        self,
        strike: Callable[[Controller, str], None],
        before: str,
        after: str = "",
        count: int = 1,
    ) -> None:
        self.strike, self.first, self.then, self.left = strike, before, after, count

    def before(self, controller: Controller, text: str) -> bool:
        return self._strikes(self.first, controller, text)

    def after(self, controller: Controller, text: str) -> bool:
        return self._strikes(self.then, controller, text)

    def _strikes(self, start: str, controller: Controller, text: str) -> bool:
        if not start or self.left <= 0 or not text.startswith(start):
            return False
        self.left -= 1
        if self.left:
            return False
        self.strike(controller, text)
        return True


def _storage(controller: Controller, does: Literal["lies", "fails", "none"]) -> None:
    controller.storage_fault = does


def _layout(controller: Controller) -> None:
    controller.reflash()
    controller.load()
    controller.changes.clear()


#: What each fault does to a controller or to any cable plugged into it, by the values of its keys.
_EFFECTS: Mapping[str, Callable[[Controller, random.Random, Mapping[str, Any]], object]] = {
    "unplug": lambda c, rng, v: c.troubles.append(Unplug(**v)),
    "drop": lambda c, rng, v: c.troubles.append(Drop(rng, **v)),
    "corrupt": lambda c, rng, v: c.troubles.append(Corrupt(rng, **v)),
    "merge": lambda c, rng, v: c.troubles.append(Merge(rng, **v)),
    "duplicate": lambda c, rng, v: c.troubles.append(Duplicate(rng, **v)),
    "lost-ok": lambda c, rng, v: c.troubles.append(LostOk(rng, **v)),
    "chatter": lambda c, rng, v: c.troubles.append(Chatter(rng, **v)),
    "delay": lambda c, rng, v: c.troubles.append(Delay(rng, **v)),
    "speed": lambda c, rng, v: c.troubles.append(WrongSpeed(**v)),
    "reset-on-open": lambda c, rng, v: c.troubles.append(ResetOnOpen()),
    "restart": lambda c, rng, v: c.watchers.append(AtCommand(lambda c, _: c.restart(), **v)),
    "halt": lambda c, rng, v: c.watchers.append(
        AtCommand(lambda c, _: c.halt("heater 0 does not follow"), **v)
    ),
    "stall": lambda c, rng, v: c.watchers.append(
        AtCommand(lambda c, text: c.stall(v["seconds"], text), v["before"])
    ),
    "full": lambda c, rng, v: c.set_options(ring_bytes=v["ring"], slots=v["slots"]),
    "storage": lambda c, rng, v: _storage(c, **v),
    "layout": lambda c, rng, v: _layout(c),
    "echo": lambda c, rng, v: c.set_options(echo=True),
    "no-resend-ok": lambda c, rng, v: c.set_options(resend_ok=False),
}


def apply_faults(controller: Controller, faults: Sequence[Fault], seed: int) -> None:
    """Build the faults into a controller; the same `seed` gives the same ones at the same bytes."""
    for number, fault in enumerate(faults):
        rng = random.Random(f"{seed} {number} {fault.name}")
        _EFFECTS[fault.name](controller, rng, fault.values)
