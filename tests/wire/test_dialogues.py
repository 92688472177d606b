"""Whole talks with the engine, step by step: what is said, what is waited for, what goes out."""

from __future__ import annotations

import hashlib
from collections import Counter

import pytest

from agent.wire.exchange import Exchange, Window
from tests.pinned import Pinned
from tests.wire.told import Dice, dialogue

Step = tuple[str, object, float]

TALKS: dict[str, tuple[Window, list[Step]]] = {
    "room for lines and bytes": (
        Window(3, 24),
        [
            ("send", "G1 X100", 0.0),
            ("send", "G1 X1234567890", 0.1),  # 8 + 15 bytes
            ("send", "G", 0.2),  # 8 + 15 + 2: too much
            ("hear", b"ok\n", 0.3),
            ("send", "G1 X100", 0.4),
            ("send", "G", 0.5),
            ("send", "G", 0.6),  # three lines
            ("hear", b"ok\nok\nok\n", 0.7),
            ("send", "G1 X123456789012345678901234567890", 0.8),  # alone any length has room
        ],
    ),
    "numbers before they are agreed, and twice": (
        Window(),
        [
            ("send", "M503", 0.0),
            ("from", 7, 0.1),
            ("from", 7, 0.2),
            ("send", "M503", 0.3),
            ("hear", b"ok\n", 0.4),
            ("send", "M503", 0.5),
            ("hear", b"ok N8\n", 0.6),
            ("hear", b"ALARM:1\n", 0.7),
            ("from", 0, 0.8),
            ("revive", None, 0.9),
            ("from", 0, 1.0),
        ],
    ),
    "silence, doubt, and the way out of it": (
        Window(),
        [
            ("send", "M92 X80", 0.0),
            ("resync", None, 0.5),
            ("tick", None, 9.99),
            ("tick", None, 10.0),
            ("send", "M92 X80", 10.1),
            ("send", "M998", 10.1),
            ("read", "M503", 10.2),
            ("hear", b"echo: M92 X80\nok\n", 10.3),
            ("resync", None, 10.4),
            ("send", "M92 X80", 10.5),
            ("abandon", None, 10.6),
            ("abandon", None, 10.7),
        ],
    ),
    "nothing to abandon is no doubt": (Window(), [("abandon", None, 0.0)]),
    "halted: what may be sent": (
        Window(9),
        [
            ("hear", b"Error:too hot\nEntering alarm\n", 0.0),
            ("send", "M92 X80", 0.1),
            ("read", "M503", 0.2),
            ("send", "M999", 0.3),
            ("send", "$X", 0.4),
            ("send", "$H", 0.5),
            ("send", "\x18", 0.6),
            ("hear", b"ok\nok\nok\nok\nok\n", 0.7),
            ("revive", None, 0.8),
            ("send", "M999", 0.9),
            ("hear", b"ok\n", 0.95),
            ("resync", None, 1.0),
            ("hear", b"Error:too hot\nstart\nEntering alarm\n", 1.1),  # a boot forgets the remark
        ],
    ),
    "an asked line comes again, thrice, and then no more": (
        Window(2),
        [
            ("from", 9, 0.0),
            ("hear", b"ok\n", 0.1),
            ("send", "G1 X1", 0.2),
            ("send", "G1 X2", 0.2),
            ("hear", b"Resend: 10\nok\n", 0.3),
            ("tick", None, 1.29),
            ("tick", None, 1.3),
            ("hear", b"Resend: 10\nok\nResend: 10\nok\n", 1.4),
            ("hear", b"Resend: 10\nok\nResend: 10\nok\n", 1.5),
            ("hear", b"Resend: 10\nok\nResend: 10\nok\n", 1.6),
            ("read", "M503", 1.7),
        ],
    ),
    "lines before the one asked for are taken after five seconds": (
        Window(3),
        [
            ("from", 9, 0.0),
            ("hear", b"ok\n", 0.1),
            ("send", "G1 X1", 0.2),
            ("send", "G1 X2", 0.2),
            ("send", "G1 X3", 0.2),
            ("hear", b"rs 12\n", 0.3),
            ("tick", None, 5.29),
            ("hear", b"busy: hm\n", 5.29),
            ("tick", None, 10.28),
            ("tick", None, 10.29),
            ("hear", b"ok N12\n", 10.3),
        ],
    ),
    "an answer lost: probed once, then in doubt": (
        Window(2),
        [
            ("from", 9, 0.0),
            ("hear", b"ok\n", 0.1),
            ("send", "M500", 0.2),
            ("send", "G4 P1", 0.3),
            ("tick", None, 10.2),
            ("hear", b"Resend: 11\n", 10.3),
            ("tick", None, 11.3),
            ("tick", None, 21.3),
            ("tick", None, 31.3),
        ],
    ),
    "an answer lost: the controller had both": (
        Window(2),
        [
            ("from", 9, 0.0),
            ("hear", b"ok\n", 0.1),
            ("send", "M500", 0.2),
            ("send", "G4 P1", 0.3),
            ("tick", None, 10.2),
            ("hear", b"Resend: 12\nok\n", 10.3),
            ("send", "M503", 10.4),
            ("hear", b"ok\n", 10.5),
        ],
    ),
    "a doubled line is asked about, and all goes on": (
        Window(3),
        [
            ("from", 9, 0.0),
            ("hear", b"ok\n", 0.1),
            ("send", "G1 X1", 0.2),
            ("hear", b"ok\n", 0.3),
            ("send", "G1 X2", 0.4),
            ("send", "G1 X3", 0.4),
            ("hear", b"Resend: 11\nok\nok\nok\n", 0.5),
            ("hear", b"ok N11\n", 0.6),
            ("tick", None, 2.0),
        ],
    ),
    "one long known is asked for": (
        Window(),
        [
            ("from", 0, 0.0),
            ("hear", b"ok\n", 0.0),
            *(
                step
                for n in range(18)
                for step in (("send", f"G1 X{n}", 1.0 + n), ("hear", b"ok\n", 1.5 + n))
            ),
            ("send", "M503", 30.0),
            ("hear", b"Resend: 2\nok\n", 30.1),  # beyond what is remembered: the oldest that waits
            ("hear", b"Resend: 4\nok\n", 30.2),
            ("tick", None, 31.3),
            ("hear", b"ok\nok\nok\n", 31.4),
        ],
    ),
    "a suspect answer counts after two seconds, if nothing else comes": (
        Window(2),
        [
            ("send", "G28", 0.0),
            ("send", "G1 X1", 0.0),
            ("hear", b"T:20.0 /0.0ok\n", 1.0),
            ("tick", None, 2.99),
            ("tick", None, 3.0),
            ("hear", b"T:20.0 /0.0ok\n", 4.0),
            ("hear", b"ok\n", 5.0),
            ("tick", None, 6.0),
            ("hear", b"T:20.0 /0.0ok\n", 7.0),  # nothing waits
            ("tick", None, 9.0),
        ],
    ),
    "a boot in the middle, twice told": (
        Window(),
        [
            ("send", "M92 X80", 0.0),
            ("hear", b"start\necho: External Reset\nstart\n", 0.5),
            ("read", "M503", 1.0),
            ("hear", b"echo: External Reset\n", 1.1),
        ],
    ),
    "what is no line": (
        Window(),
        [
            ("send", "M92 X80*", 0.0),
            ("send", "M92\nM500", 0.0),
            ("send", "M117 \x18", 0.0),
            ("send", "\x18", 0.0),
            ("send", "M117 é", 0.1),
            ("abandon", None, 0.2),
            ("read", "G" * 96, 0.3),
            ("abandon", None, 0.4),
            ("read", "G" * 97, 0.5),
        ],
    ),
    "an answer of a line further back is late": (
        Window(2),
        [
            ("from", 9, 0.0),
            ("hear", b"ok\n", 0.0),
            ("send", "G1 X1", 0.1),
            ("send", "G1 X2", 0.1),
            ("hear", b"ok N9\n", 0.2),
            ("hear", b"ok N12\n", 0.3),
            ("hear", b"ok N10\n", 0.4),
            ("hear", b"ok N11\n", 0.5),
        ],
    ),
    "refused while others wait": (
        Window(3),
        [
            ("from", 9, 0.0),
            ("hear", b"ok\n", 0.0),
            ("send", "G1 X1", 0.1),
            ("send", "G1 X2", 0.1),
            ("hear", b"error:2\n", 0.2),
            ("hear", b"error:2\nerror:2\n", 0.3),
        ],
    ),
}


@pytest.mark.parametrize("name", TALKS)
def test_a_talk_goes_as_it_should(name: str, pinned: Pinned) -> None:
    window, steps = TALKS[name]
    exchange = Exchange(window, numbered=name.startswith("numbers before"))
    place = name.replace(" ", "-").replace(",", "").replace(":", "")
    pinned(f"wire/talk-{place}", "\n".join(dialogue(exchange, steps)))


ANSWERS = [
    *(b"ok\n", b"ok\n", b"ok\n", b"ok N%d P3 B4\n", b"okT:20 /0\n", b"ok - no\n", b"ok"),
    *(b"Resend: %d\n", b"Resend: %d\nok\n", b"rs %d\n", b"Resend: -4\nok\n", b"error:8\n", b"!!\n"),
    *(
        b"ALARM:1\n",
        b"start\n",
        b"echo: External Reset\n",
        b"busy: hm\n",
        b"wait\n",
        b"echo: M92\n",
    ),
    *(b" T:20.1 /0.0 @:0ok\n", b"@:65 @N%dok N%d P0 B3\n", b"\xff\xfe\n", b"line 1\n", b"\n"),
]


def by_chance(seed: int, count: int) -> list[Step]:
    """A talk that nobody would lead; numbers are those that may be in flight."""
    dice = Dice(seed)
    steps: list[Step] = []
    now, sent = 0.0, 0
    if seed % 2:
        steps += [("from", 0, 0.0), ("hear", b"ok\n", 0.0)]
    for _ in range(count):
        now += (0.0, 0.25, 0.5, 2.0, 12.0)[dice.below(5)]
        chance = dice.below(20)
        if chance < 7:
            sent += 1
            steps.append(("send" if dice.below(4) else "read", f"line {sent}", now))
        elif chance < 15:
            data = ANSWERS[dice.below(len(ANSWERS))]
            number = max(0, sent - dice.below(4) + 1)
            steps.append(("hear", data.replace(b"%d", b"%d" % number), now))
        elif chance < 18:
            steps.append(("tick", None, now))
        else:
            steps.append(((("resync", "revive", "abandon")[dice.below(3)]), None, now))
            steps.append(("resync", None, now))
    return steps


def test_four_hundred_talks_by_chance_go_as_they_went(pinned: Pinned) -> None:
    said = []
    for block in range(10):
        digest = hashlib.sha256()
        counts: Counter[str] = Counter()
        for seed in range(40 * block, 40 * block + 40):
            window = Window(1 + seed % 4, 60 if seed % 3 == 0 else None)
            for line in dialogue(Exchange(window), by_chance(seed, 30)):
                digest.update(line.encode())
                word = line.split()[0] if line.startswith("    ") else "step"
                counts[word] += 1
        said.append(f"{digest.hexdigest()[:16]} {dict(sorted(counts.items()))}")
    pinned("wire/talks-by-chance", "\n".join(said))
