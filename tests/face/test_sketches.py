"""The way a remedy points, against the matrix of the motion; and that each has its drawing."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from agent.estimate.advice.angles import gantry_angle, squareness
from agent.face.desk import Desk
from agent.face.main import run
from agent.face.sketches import bed_ends, bed_screws, sketch
from agent.model.geometry import affine
from agent.model.profile import BedScrews, Mechanics, Tolerance

THETA = math.radians(45)

#: Place of each angle among the errors: ex, ey, ez, delta, psi (yaw), rho (roll), eps (rail).
PLACE = {"yaw_deg": 4, "roll_deg": 5, "rail_deg": 6}

#: Along what the +x end of the across axis is seen to go.
WAY = {
    "yaw_deg": (0.0, 1.0, 0.0),
    "roll_deg": (0.0, 0.0, 1.0),
    "rail_deg": (0.0, math.cos(THETA), math.sin(THETA)),
}


def findings(**degrees: float) -> SimpleNamespace:
    """What the rules look at: these angles found, all else as it should be."""
    names = ("yaw_deg", "rail_deg", "roll_deg", "gantry_angle_deg")
    parameters = {
        name: SimpleNamespace(
            value=degrees.get(name, 0.0),
            determined=True,
            significant=name in degrees,
            expanded95=0.05,
        )
        for name in names
    }
    mechanics = Mechanics(gantry_angle_deg=45.0, screws=BedScrews(320, 0.7), yaw_span_mm=300)
    survey = SimpleNamespace(mechanics=mechanics, tolerance=Tolerance(0.1, 0.1))
    angle = degrees.get("gantry_angle_deg")
    remedies = SimpleNamespace(angle_deg=None if angle is None else 45 + angle)
    return SimpleNamespace(survey=survey, parameters=parameters, derived={}, remedies=remedies)


@pytest.mark.parametrize("name", list(PLACE))
@pytest.mark.parametrize("degrees", [0.4, -0.4])
def test_the_end_goes_back_the_way_it_has_gone(name: str, degrees: float) -> None:
    errors = np.zeros(7)
    errors[PLACE[name]] = math.radians(degrees)
    off = 300 * float(np.dot(affine(THETA, errors) @ (1.0, 0.0, 0.0), WAY[name]))
    told = next(a for a in squareness(findings(**{name: degrees})) if a.turn is not None)
    assert told.turn is not None
    assert told.turn.mm == pytest.approx(-off, abs=0.01)
    drawn = sketch(told)
    assert f"{abs(off):.1f} mm over 300 mm" in drawn
    way = {"forward": 1, "back": -1, "down the": -1, "up the": 1, "down": -1, "up": 1}
    seen = drawn.partition("the +x end goes ")[2]
    assert next(sign for word, sign in way.items() if seen.startswith(word)) * told.turn.mm > 0


@pytest.mark.parametrize("degrees", [0.5, -0.5])
def test_gantry_and_bed_are_turned_so_that_the_angle_between_them_is_the_set_one(
    degrees: float,
) -> None:
    angle, bed, _ = gantry_angle(findings(gantry_angle_deg=degrees))
    assert angle.turn is not None
    steeper = angle.turn.mm > 0
    assert steeper == (degrees < 0)
    assert ("goes back" in sketch(angle)) == steeper
    # the bed's +s end up by this angle leaves so much less between it and the gantry
    up = 1 if "raise its +s end" in bed.text else -1
    assert up * abs(degrees) == pytest.approx(degrees)
    assert f"{320 * math.tan(math.radians(0.5)) / 0.7:.1f} turns" in bed.text


def test_drawings_fit_a_small_terminal() -> None:
    for name in PLACE:
        for degrees in (0.4, -0.4):
            (told, *_) = squareness(findings(**{name: degrees}))
            assert max(map(len, sketch(told).splitlines())) < 60
    assert "front ^ raise by 0.70 mm" in bed_ends("front", 0.7)


@pytest.mark.parametrize(
    ("answer", "flag", "raised"),
    [
        ("", [], "back"),
        ("heights", [], "back"),
        ("gaps", [], "front"),
        (None, ["--gaps"], "front"),
        (None, ["--heights"], "back"),
    ],
)
def test_whether_numbers_are_heights_or_gaps_is_asked(
    answer: str | None, flag: list[str], raised: str, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = Desk(in_shell=True)
    asked: list[str] = []

    def reply(question: str) -> str:
        asked.append(question)
        return answer or ""

    desk.screen.ask_with(reply)
    line = ["shim", "--span", "320", "--front", "0.9", "--back", "0.2", "--screw", "M4"]
    assert run([*line, *flag], desk) == 0
    assert bool(asked) == (answer is not None)
    assert f"raise the {raised} by 1.00 turns" in capsys.readouterr().out


def test_four_screws_stand_where_they_are_seen_from_above_and_others_are_not_drawn() -> None:
    places = {"d": (0.0, 0.0), "a": (240.0, 220.0), "b": (0.0, 220.0), "c": (240.0, 0.0)}
    told = {name: f"raise 0.1{n} turns" for n, name in enumerate("abcd")}
    rows = bed_screws(places, told).splitlines()
    assert rows[0].split() == ["b", "a"]
    assert rows[1].index(told["b"]) < rows[1].index("o-") < rows[1].index(told["a"])
    assert rows[-2].index(told["d"]) < rows[-2].index("o-") < rows[-2].index(told["c"])
    assert rows[-1].split() == ["d", "c"]
    places.pop("a")
    assert bed_screws(places, told) == ""
