"""What was sent and what was answered, told from the entries of the journals."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

Entry = Mapping[str, Any]

#: Entries that begin a part of the story.
_TITLES: Final = {
    "begun": "Written",
    "looking": "Looked at what is stored",
    "storing": "Stored",
}


#: An answer longer than this many lines (a list of all settings) is shown by its beginning.
_LONG: Final = 4
_SHOWN: Final = 2


@dataclass(frozen=True, slots=True)
class Sent:
    """One line and its answer."""

    line: str
    answer: str
    ok: bool


@dataclass
class Told:
    """One transaction: what was done, its lines, and how it ended."""

    title: str
    at: str = ""
    digest: str = ""
    sent: list[Sent] = field(default_factory=list)
    end: str = "broke off; nothing more is in the journal"
    again_at: list[str] = field(default_factory=list)  #: when the very same happened once more

    def repeats(self, earlier: Told) -> bool:
        """True if nothing but the time tells it from `earlier`."""
        mine = (self.title, self.digest, self.sent, self.end)
        return mine == (earlier.title, earlier.digest, earlier.sent, earlier.end)


def transactions_of(journal: Iterable[Entry]) -> list[Told]:
    """The transactions in a run of journal entries, in their order.

    One that repeats the one before it (looked once more, nothing stored) is folded into it.
    An entry of a kind that is not known is passed over: a newer agent may have written it.
    """
    parts: list[Told] = []
    for entry in journal:
        step = str(entry.get("step", ""))
        if step in _TITLES:
            plan = entry.get("plan", {})
            parts.append(Told(_TITLES[step], str(entry.get("at", "")), str(plan.get("digest", ""))))
        elif step == "proved":
            outcome = entry.get("outcome", {})
            part = Told(f"Read back {entry.get('stage', '')}", str(entry.get("at", "")))
            part.digest, part.end = str(outcome.get("digest", "")), _ended(outcome)
            parts.append(part)
        elif parts:
            _add(parts[-1], step, entry)
    told: list[Told] = []
    for part in parts:
        if told and part.repeats(told[-1]):
            told[-1].again_at.append(part.at)
        else:
            told.append(part)
    return told


def _add(part: Told, step: str, entry: Entry) -> None:
    if step == "sending":
        part.sent.append(Sent(str(entry.get("line", "")), "no answer is in the journal", False))
    elif step == "answered" and part.sent:
        part.sent[-1] = _answered(part.sent[-1].line, entry)
    elif step == "broken":
        part.end = f"broke: {entry.get('why', '')}"
    elif step in ("read back", "stored"):
        part.end = _ended(entry.get("outcome", {}))
    elif step == "closed" and "look" in entry:
        others = len(entry["look"].get("others", ()))
        part.end = (
            "nothing but the plan differed between live and stored"
            if not others
            else f"{others} settings beyond the plan differed between live and stored"
        )


def _answered(line: str, entry: Entry) -> Sent:
    ok = bool(entry.get("ok"))
    words = [str(text) for text in entry.get("reply", ())]
    if len(words) > _LONG:
        words = [*words[:_SHOWN], f"and {len(words) - _SHOWN} more lines"]
    if entry.get("error"):
        words.append(f"complaint: {entry['error']}")
    answer = "acknowledged" if ok else "NOT acknowledged"
    return Sent(line, f"{answer}: {' | '.join(words)}" if words else answer, ok)


def _ended(outcome: Mapping[str, Any]) -> str:
    changes = outcome.get("changes", ())
    took = sum(1 for change in changes if change.get("state") == "took")
    proof = ", ".join(outcome.get("stages", ())) or "nothing"
    moved = len(outcome.get("moved", ()))
    strange = f"; {moved} settings moved that no line named" if moved else ""
    return f"{took} of {len(changes)} values hold{strange}; proved: {proof}"
