"""What a row of a record must be like: each column, and the body of an entry by its kind.

One place for every way in: a merged file, a workshop's database, and what is read back from a
file that something else may have written to.  A row that does not fit is kept apart by the caller.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping
from typing import Any, Final

#: What is wrong with a value, in words; empty if nothing is.
Check = Callable[[Any], str]

#: Longest body of an entry, what one read brings over the wire (with every byte spelled as an
#: escape) and other text, characters.
MOST_BODY: Final = 16_000_000
MOST_LINE: Final = 60_000
MOST_TEXT: Final = 10_000
#: Deepest nesting of a body.
MOST_DEPTH: Final = 40
#: Largest count of anything; PostgreSQL's `integer` ends there.
MOST_COUNT: Final = 2**31 - 1

#: Identities of entries that were made from a journal begin with the number of their step.
_UUID: Final = re.compile(r"(?:[0-9a-f]{8}-)?[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
#: ISO 8601 as the record writes it; the journals of 0.1.0 may have left it empty.
_INSTANT: Final = re.compile(
    r"(?:\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?(?:Z|[+-]\d\d:\d\d)?)?"
)


# --- shapes of plain data ------------------------------------------------------------------------


def anything(value: Any) -> str:
    """Whatever is finite, not too deep, and can be written as text."""
    return _unfit(value, MOST_DEPTH)


def _unfit(value: Any, depth: int) -> str:
    if type(value) is str:
        return _not_text(value)
    if value is None or type(value) in (bool, int):
        return ""
    if type(value) is float:
        return "" if math.isfinite(value) else "expected a finite number"
    if depth == 0:
        return f"is nested more than {MOST_DEPTH} levels deep"
    if isinstance(value, dict):
        for key, part in value.items():
            if wrong := _not_text(key) or _unfit(part, depth - 1):
                return wrong
    elif isinstance(value, list):
        for part in value:
            if wrong := _unfit(part, depth - 1):
                return wrong
    return ""


def _not_text(value: str) -> str:
    if value.isascii():
        return ""
    try:
        value.encode()
    except UnicodeEncodeError:
        return "holds half a character (a lone surrogate)"
    return ""


def number(value: Any) -> str:
    if type(value) in (float, int):
        try:
            if math.isfinite(value):
                return ""
        except OverflowError:  # an integer too long for a float is no measured value either
            pass
    return "expected a finite number"


def text(value: Any) -> str:
    return "" if isinstance(value, str) else "expected a text"


def flag(value: Any) -> str:
    return "" if isinstance(value, bool) else "expected true or false"


def digits(value: Any) -> str:
    return "" if type(value) is int and 0 <= value <= 20 else "expected a count of digits"


def maybe(check: Check) -> Check:
    return lambda value: "" if value is None else check(value)


def each(check: Check) -> Check:
    """A list of such."""

    def checked(value: Any) -> str:
        if not isinstance(value, list):
            return "expected a list"
        return next((f"item {n}: {w}" for n, v in enumerate(value, 1) if (w := check(v))), "")

    return checked


def by_name(check: Check) -> Check:
    """A table of such under any names."""

    def checked(value: Any) -> str:
        if not isinstance(value, dict):
            return "expected a table"
        return next((f"{name:.40}: {w}" for name, v in value.items() if (w := check(v))), "")

    return checked


def table(needed: Mapping[str, Check], others: Mapping[str, Check] | None = None) -> Check:
    """A table with these keys; further ones are let be."""
    known = {**(others or {}), **needed}

    def checked(value: Any) -> str:
        if not isinstance(value, dict):
            return "expected a table"
        for name in needed:
            if name not in value:
                return f"{name} is missing"
        for name, check in known.items():
            if name in value and (wrong := check(value[name])):
                return f"{name}: {wrong}"
        return ""

    return checked


# --- bodies of entries ---------------------------------------------------------------------------

_TEXTS = each(text)
_VALUE = table({"value": number, "u": number})
_CHANGE = table(
    {"key": text, "old": number, "new": number, "unit": text, "digits": digits}, {"why": text}
)
_FATE = table({"key": text, "old": number, "wanted": number, "found": maybe(number), "state": text})
_OUTCOME = table(
    {
        "digest": text,
        "verified": flag,
        "changes": each(_FATE),
        "moved": each(_CHANGE),
        "stages": _TEXTS,
        "notes": _TEXTS,
        "hand_over": _TEXTS,
    },
    {"stored": flag},
)
_PLAN = table({"digest": text}, {"lines": _TEXTS, "changes": each(_CHANGE)})
_PLAN_WHOLE = table(
    {
        "machine": text,
        "family": text,
        "identity": text,
        "changes": each(_CHANGE),
        "lines": _TEXTS,
        "warnings": _TEXTS,
        "asks": _TEXTS,
        "retype": _TEXTS,
        "unchanged": _TEXTS,
        "rests_on": by_name(number),
        "snapshot": text,
    }
)
_READING = table({"feature": text, "along": each(number), "mm": each(number)}, {"name": text})
_PARAMETER = table(
    {"value": number, "u": number},
    {"prior_u": number, "expanded95": number, "determined": flag, "significant": flag},
)
_CORRECTION = table(
    {"setting": text, "old": number, "new": number, "u": number},
    {"line": maybe(text), "why": text, "effects": each(number)},
)
_RESIDUAL = table(
    {"predicted": number, "measured": number, "residual": number, "u": number, "outlier": flag}
)

_CONDITIONS: Final = ("room_c", "piece_c", "minutes_since_print")

#: Body of an entry by its kind.  What the report and the lists rest on is asked for; the rest of a
#: body is let be, so that a newer plumbelt may say more in it.
SHAPES: Final[dict[str, Check]] = {
    "readback": table(
        {"settings": by_name(table({"value": number, "unit": text, "digits": digits}))},
        {
            "family": text,
            "identity": text,
            "other": _TEXTS,
            "events": each(table({"kind": text})),
            "damaged": flag,
            "notes": _TEXTS,
        },
    ),
    "readings": table({}, {"readings": each(_READING), "survey": text}),
    "estimate": table(
        {"parameters": by_name(_PARAMETER)},
        {
            "corrections": each(_CORRECTION),
            "slicing_angle_deg": maybe(number),
            "derived": by_name(_VALUE),
            "residuals": each(_RESIDUAL),
            "expected_next": each(number),
            "advice": each(table({"code": text, "text": text})),
            "next": maybe(
                table(
                    {"feature": text, "along": each(number), "parameter": text},
                    {"u_now": number, "u_then": number},
                )
            ),
        },
    ),
    "plan": _PLAN,
    "outcome": _OUTCOME,
    "proof": _OUTCOME,
    "attached": table({"port": text, "family": text, "identity": text}, {"serial": text}),
    "detached": table({}),
    "lost": table({"port": text}),
    "profile": table({"name": text, "text": text}),
    "heat": table({"state": text}, {"nozzle": each(number), "bed": each(number)}),
    "laying": table({"piece": text}),
    "stopped": table({}, {"place_lost": flag}),
    "piece": table({"name": text, "piece": text, "size": by_name(number), "number": digits}),
    "reading": table(
        {"piece": text, "name": text, "feature": text, "along": each(number), "mm": each(number)},
        {"u_mm": maybe(number), "goes_on": flag},
    ),
    "run": table({"commanded": each(number), "measured": each(number)}, {"u_mm": maybe(number)}),
    "axis_run": table(
        {"commanded": each(number), "measured": each(number), "axis": text},
        {"u_mm": maybe(number)},
    ),
    "conditions": table({}, dict.fromkeys(_CONDITIONS, maybe(number))),
    "feed": table({"feed": text, "commanded_mm": number, "mm": each(number)}),
    "angle": table({"deg": number}, {"as_solved": flag, "to": text}),
    "begin": table({}),
    "settled": table({"way": text}),
    "place": table({"lost": flag}, {"why": text}),
    "tried": table({"role": text}),
    "halted": table({"word": text}),
    "refused": table({"line": text, "why": text}),
    "lines": table({"lines": _TEXTS}),
    "look": table({}, {"own": each(_CHANGE), "others": each(_CHANGE), "notes": _TEXTS}),
    "journal": table(
        {"step": text}, {"plan": _PLAN_WHOLE, "outcome": _OUTCOME, "line": text, "index": number}
    ),
    "check": table(
        {"text": text, "known_mm": number, "mm": each(number)},
        {"deviation_mm": number, "u_mm": number, "mpe_mm": number, "verdict": text},
    ),
    "note": table(
        {},
        dict.fromkeys(("text", "belt", "roller", "flash", "place"), text) | {"due_days": number},
    ),
}


class Misfit(ValueError):
    """A body is none of an entry of its kind; says why."""


def body_of(kind: str, body: Any) -> dict[str, Any]:
    """The plain data of a body, JSON text, checked against its kind; a kind not known: any shape.

    Raises Misfit.
    """
    if not isinstance(body, str):
        raise Misfit("expected an object as JSON text")
    if len(body) > MOST_BODY:
        raise Misfit(f"is longer than {MOST_BODY} characters")
    try:
        plain = _READER.decode(body)
    except (ValueError, RecursionError):
        plain = None
    if not isinstance(plain, dict):
        raise Misfit("expected an object as JSON text")
    wrong = SHAPES.get(kind, anything)(plain)
    if not wrong:
        # Nearly every body is long and harmless: its text says whether each value must be seen.
        if _suspect(body):
            wrong = anything(plain)
        elif body.count("{") + body.count("[") > MOST_DEPTH:
            wrong = _too_deep(plain, MOST_DEPTH)
    if wrong:
        raise Misfit(wrong)
    return plain


#: A number of so many digits may be no finite one.
_LONG: Final = b"0" * 200

#: Every digit is a nought to them, and every letter small.
_ALIKE: Final = bytes.maketrans(b"123456789ED", b"000000000ed")


def _suspect(body: str) -> bool:
    """Whether a JSON text may hold half a character, or a number that is not finite.

    Many times faster than one regular expression, and every body that is read is asked.
    """
    try:
        alike = body.encode().translate(_ALIKE)
    except UnicodeEncodeError:  # half a character as it is, not as an escape
        return True
    return rb"\ud" in alike or b"0e000" in alike or b"0e+000" in alike or _LONG in alike


def _too_deep(value: Any, depth: int) -> str:
    if depth == 0:
        return f"is nested more than {MOST_DEPTH} levels deep"
    for part in value.values() if isinstance(value, dict) else value:
        if type(part) in (dict, list) and (wrong := _too_deep(part, depth - 1)):
            return wrong
    return ""


def body_misfit(kind: str, body: Any) -> str:
    """Why `body` is none of an entry of this kind; empty if it is one.  A kind must be known."""
    try:
        body_of(kind, body)
    except Misfit as wrong:
        return str(wrong)
    return "" if kind in SHAPES else f"the kind {kind!r:.40} is not known here"


def _refuse_constant(_: str) -> float:
    raise ValueError("no finite number")


#: Made once: making one takes as long as reading a short body.
_READER: Final = json.JSONDecoder(parse_constant=_refuse_constant)


# --- columns -------------------------------------------------------------------------------------


def identity(value: Any) -> str:
    """A UUID, in small letters; those from a journal begin with the number of the step."""
    if isinstance(value, str) and _UUID.fullmatch(value):
        return ""
    return f"expected an identity, found {value!r:.60}"


def _text_of(most: int, unfit: Callable[[str], str]) -> Check:
    """A text that is not too long, and of which `unfit` finds nothing wrong."""
    return lambda value: (
        unfit(value) if isinstance(value, str) and len(value) <= most else "expected a text"
    )


#: What came over the wire may hold anything that is a text.
_line_text = _text_of(MOST_LINE, _not_text)

#: A text that stands in a list.
_word = _text_of(MOST_TEXT, lambda text: "" if text.isprintable() else "holds control characters")

_sheet_text = _text_of(
    MOST_BODY, lambda text: "holds control characters" if "\x00" in text else _not_text(text)
)


def _instant(value: Any) -> str:
    if not isinstance(value, str):
        return "expected a text"
    if not _INSTANT.fullmatch(value):
        return f"expected a time like 2026-03-01T12:00:00.000+00:00, found {value!r:.60}"
    return ""


def _count(value: Any) -> str:
    return "" if type(value) is int and 0 < value <= MOST_COUNT else "expected a count"


def _way(value: Any) -> str:
    return "" if value in (">", "<") else "expected > or <"


_COLUMNS: Final[dict[str, dict[str, Check]]] = {
    "session": {
        "id": identity,
        "at": _instant,
        "machine": _word,
        "port": _word,
        "family": _word,
        "identity": _line_text,  # may hold what a page cannot print: it is shown cleaned
        "agent": _word,
    },
    "entry": {"id": identity, "session": identity, "at": _instant, "kind": _word, "body": text},
    "figure": {"entry": identity, "key": _word, "value": number, "u": maybe(number)},
    "line": {"session": identity, "n": _count, "at": number, "way": _way, "text": _line_text},
    "bench": {"id": identity, "name": _word, "at": _instant},
    "origin": {"session": identity, "bench": identity},
    "clock": {"id": identity, "bench": identity, "at": _instant, "ahead": number},
    "document": {
        "id": identity,
        "at": _instant,
        "bench": identity,
        "kind": _word,
        "name": _word,
        "machine": _word,
        "facts": _sheet_text,
        "text": _sheet_text,
    },
}


def column_misfit(table_name: str, row: Mapping[str, Any]) -> str:
    """Which column of a row is wrong and how: `column: what`; the body of an entry is let be."""
    for column, check in _COLUMNS[table_name].items():
        if wrong := check(row[column]):
            return f"{column}: {wrong}"
    return ""


def misfit(table_name: str, row: Mapping[str, Any]) -> str:
    """Why a row (column -> value) fits no record: `column: what`; empty if it does.

    Raises KeyError for a table or column that the record does not have.
    """
    wrong = column_misfit(table_name, row)
    if not wrong and table_name == "entry" and (why := body_misfit(row["kind"], row["body"])):
        wrong = f"body: {why}"
    return wrong
