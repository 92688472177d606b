"""Laying: the lines sent are those of the file, a pause can be undone, an end is safe."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from agent.errors import LinkFailed, Refused
from agent.face.desk import Desk
from agent.face.laying import lay_to_the_end, progress_text
from agent.face.main import run
from agent.face.screen import Screen
from agent.model.heat import Heat, Heats, heating_left
from agent.model.roles import Axes
from agent.rehearsal import behind_a_terminal, plain_profile
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile
from agent.work.asking import PROBE
from agent.work.laying import Laying, Progress
from agent.work.session import Session
from tests.face.bench import WILLING, Technician, carry_out, desk_at, lay
from tests.memory import in_memory


def attached(seed: int = 3, answers: dict[str, str | Callable[[str], str]] | None = None) -> Desk:
    desk = desk_at(seed, answers)
    assert carry_out(desk, ["attach"]) == [0]
    return desk


def received(desk: Desk) -> list[str]:
    assert desk.rehearsal is not None
    return list(desk.rehearsal.received)


def heater_targets(desk: Desk) -> tuple[float, float]:
    """What the simulated heaters are set to."""
    assert desk.rehearsal is not None
    controller = desk.rehearsal.machine.controller
    return controller.hotend.target, controller.bed.target


def stop_after(desk: Desk, lines: int) -> Callable[[], bool]:
    """Asks to stop once the machine has received so many more lines."""
    before = len(received(desk))
    return lambda: len(received(desk)) - before >= lines


def test_lay_sends_the_lines_of_the_gcode_file(tmp_path: Path) -> None:
    file = tmp_path / "strip.gcode"
    assert run(["piece", "strip", "--gcode", str(file), "--json"]) == 0
    desk = attached()
    before = len(received(desk))
    assert carry_out(desk, ["lay strip"]) == [0]
    sent = [line for line in received(desk)[before:] if line != PROBE]
    written = [line.partition(" ;")[0] for line in file.read_text().splitlines()]
    assert sent[: len(written)] == written
    assert sent[len(written) :] == ["M400"]
    assert heater_targets(desk) == (0, 0)


def test_a_stop_in_the_middle_leaves_the_heaters_off_and_the_nozzle_clear() -> None:
    desk = attached()
    session = desk.session
    with pytest.raises(Refused, match=r"stopped after \d+ of \d+ lines.*heaters are off") as stop:
        lay(session, session.pieces.draw("strip"), stop=stop_after(desk, 200))
    assert heater_targets(desk) == (0, 0)
    assert "the nozzle was raised off the piece" in str(stop.value)
    assert not session.bench.hot
    assert session.now.laid == ()
    tail = received(desk)[-9:]
    assert tail[:3] == ["M104 S0", "M140 S0", PROBE]
    assert "G1 Y5 F600" in tail


def test_a_stop_before_anything_is_hot_moves_nothing_more() -> None:
    desk = attached()
    with pytest.raises(Refused, match=r"stopped after \d+ of"):
        lay(desk.session, desk.session.pieces.draw("strip"), stop=stop_after(desk, 3))
    assert not any(line.startswith("G1") for line in received(desk))


def test_pause_and_going_on_lays_the_same_piece_as_without() -> None:
    whole, paused = attached(), attached()
    lay(whole.session, whole.session.pieces.draw("strip"))
    session = paused.session
    drawn = session.pieces.draw("strip")
    laying = session.pieces.begin(drawn)
    assert not session.pieces.lay_on(laying, stop=stop_after(paused, 300))
    assert session.bench.hot
    assert laying.hold()
    assert session.pieces.lay_on(laying)
    session.pieces.laid_whole(drawn)
    assert whole.rehearsal is not None
    assert paused.rehearsal is not None
    rows = [d.rehearsal.machine.bed.laid_jobs[-1].rows for d in (whole, paused) if d.rehearsal]
    assert len(rows[0]) == len(rows[1])
    for one, other in zip(*rows, strict=True):
        assert one[0] == pytest.approx(other[0])
        assert one[3] == pytest.approx(other[3], abs=0.02)
        assert one[4] == pytest.approx(other[4], rel=0.02)


@pytest.mark.parametrize(
    ("answers", "code", "words"),
    [
        ({"Type 'on'": "on"}, 0, ""),
        ({"Type 'on'": "stop", "Feed the belt": "yes"}, 1, "The belt was fed forward by"),
        ({"Type 'on'": "stop", "Feed the belt": "no"}, 1, "The belt was not fed"),
        ({"Type 'on'": "perhaps"}, 1, "heaters are off"),
    ],
)
def test_what_is_answered_in_a_pause(
    monkeypatch: pytest.MonkeyPatch, answers: dict[str, str], code: int, words: str
) -> None:
    desk = attached(answers=dict(answers))
    session = desk.session
    drawn = session.pieces.draw("strip")
    laying = session.pieces.begin(drawn)
    first = stop_after(desk, 150)
    lay_on = session.pieces.lay_on
    monkeypatch.setattr(
        session.pieces, "lay_on", lambda laying, *, stop: lay_on(laying, stop=first)
    )
    if code:
        with pytest.raises(Refused, match=words):
            lay_to_the_end(desk, drawn, laying)
        fed = [line for line in received(desk) if line.startswith("G1 Z-") and "F1200" in line]
        assert bool(fed) == ("fed forward" in words)
    else:
        monkeypatch.setattr(
            session.pieces,
            "lay_on",
            lambda laying, *, stop: lay_on(laying, stop=first if laying.done == 0 else None),
        )
        assert lay_to_the_end(desk, drawn, laying).name == "strip"
    assert heater_targets(desk) == (0, 0)


def test_a_lost_link_says_what_still_heats() -> None:
    desk = attached()
    session = desk.session
    laying = session.pieces.begin(session.pieces.draw("strip"))
    assert not session.pieces.lay_on(laying, stop=stop_after(desk, 200))
    assert session.contact.link is not None

    def gone(data: bytes) -> None:
        raise LinkFailed("the port is gone")

    session.contact.link.transport.write = gone  # type: ignore[method-assign]
    with pytest.raises(LinkFailed, match=r"after \d+ of \d+ lines") as failure:
        session.pieces.lay_on(laying)
    for words in ("nozzle 215 °C, bed 60 °C", "power switch", "support the gantry"):
        assert words in failure.value.remedy
    assert session.bench.hot


def test_an_implausible_setting_blocks_laying(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at()
    assert desk.rehearsal is not None
    desk.rehearsal.machine.controller.live["steps_per_mm.z"] = 1053.7
    before = len(desk.rehearsal.received)
    assert carry_out(desk, ["attach", "lay strip"]) == [0, 1]
    assert "must not move: belt" in capsys.readouterr().err
    harm = ("G0", "G1 ", "G28", "M104", "M109", "M140", "M190")
    assert not any(line.startswith(harm) for line in received(desk)[before:])


def test_before_laying_worst_travel_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    desk = attached(answers={"clear": "no"})
    assert carry_out(desk, ["lay post"]) == [1]
    shown = capsys.readouterr().out
    assert "worst case, mm" in shown
    assert "Heats: nozzle 215 °C and bed 60 °C" in shown


def test_json_of_lay_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    desk = attached()
    capsys.readouterr()
    assert carry_out(desk, ["lay strip --size wide=120 --json"]) == [0]
    document = json.loads(capsys.readouterr().out)
    assert (document["laid"], document["heaters_off"]) == ("strip", True)
    assert desk.rehearsal is not None
    assert desk.rehearsal.machine.bed.laid_jobs[-1].label == "strip", "it is measured by that name"
    assert desk.session.now.laid[0].piece.size["wide"] == 120


def test_progress_fits_a_small_screen() -> None:
    progress = Progress(4321, 12345, 4000, "G1 " + "X" * 300, Heats(Heat(214.6, 215), Heat(60, 60)))
    for columns in (60, 80, 120):
        lines = progress_text("strip", progress, None, columns).splitlines()
        assert max(map(len, lines)) < columns
        assert "4321 of 12345 lines" in lines[0]
        assert "66:40" in lines[0]


@pytest.mark.parametrize(
    ("first", "now", "seconds", "left"),
    [
        (Heats(Heat(20, 215), Heat(20, 60)), Heats(Heat(118, 215), Heat(40, 60)), 60, 60),
        (Heats(Heat(20, 215), Heat(20, 60)), Heats(Heat(215, 215), Heat(40, 60)), 60, 60),
        (Heats(Heat(20, 215), None), Heats(Heat(20.5, 215), None), 2, None),  # hardly begun
        (Heats(Heat(20, 0), None), Heats(Heat(60, 215), None), 9, None),  # told in between
        (Heats(Heat(20, 215), None), Heats(Heat(214, 215), None), 90, 0),
        (Heats(), Heats(), 90, 0),
    ],
)
def test_the_time_left_for_heating_goes_by_the_time_so_far(
    first: Heats, now: Heats, seconds: float, left: float | None
) -> None:
    found = heating_left(first, now, seconds)
    assert found == (left if left is None else pytest.approx(left, rel=0.02))


def test_heating_shows_the_time_left() -> None:
    progress = Progress(3, 12345, 4000, "M109 S215", Heats(Heat(100, 215), Heat(60, 60)))
    assert "heating, about 2:05 left" in progress_text("strip", progress, 125.0, 80)


def test_temperatures_are_heard_from_any_report() -> None:
    heats = Heats().seen(" T:214.87 /215.00 B:59.90 /60.00 @:0 B@:0 W:?")
    assert heats == Heats(Heat(214.87, 215), Heat(59.9, 60))
    assert heats.seen("ok T0:30.1 /0.0") == Heats(Heat(30.1, 0), Heat(59.9, 60))
    assert heats.seen("FIRMWARE_NAME:x MACHINE_TYPE:y") is heats
    assert not heats.off


def test_probes_stand_between_lines_and_are_not_counted() -> None:
    desk = attached()
    link, _ = desk.session.contact.joined()
    laying = Laying(link, [("G21", 0.0), ("G90", 6.0), ("M83", 6.0)], Axes())
    seen: list[Progress] = []
    assert laying.go_on(on_progress=seen.append)
    assert [(p.done, p.seconds_left) for p in seen if p.done][-1] == (3, 0.0)
    assert received(desk)[-7:] == ["G21", "G90", PROBE, "M83", PROBE, "M400", PROBE]


@pytest.mark.parametrize("name", ["strip", "rail", "post", "block", "stem"])
def test_a_piece_laid_over_a_terminal_is_the_one_laid_in_memory(name: str) -> None:
    """What comes over a real pseudo-terminal lies on the belt bead for bead as without one."""
    measured = []
    for bench in (in_memory(seed=3), behind_a_terminal(seed=3)):
        session = Session(load_profile("heron"))
        try:
            session.contact.attach(bench.open())
            piece = session.pieces.draw(name)
            bench.laid(lay(session, piece).name)
            sizes = [
                bench.machine.true_size(
                    {
                        "kind": feature.kind,
                        "along": feature.along,
                        "between": feature.between,
                        "jaws": feature.jaws,
                    },
                    name,
                )
                for feature in piece.features
            ]
            measured.append(sizes)
            assert bench.machine.controller.hotend.target == 0
        finally:
            session.contact.detach()
            bench.close()
    assert measured[0] == pytest.approx(measured[1], abs=1e-9)


# --- a controller that knows of no heaters -------------------------------------------------------

BY_HAND = {"Does the paper drag": "yes", "Do both stand": "hot"}


def at_egret(answers: dict[str, str | Callable[[str], str]]) -> Desk:
    """A desk at a machine whose controller drives axes and nothing else."""
    rehearsal = in_memory(plain_profile(ready_profiles() / "egret.yaml"), family="numbered")
    desk = Desk(Screen(Technician(WILLING | answers)), rehearsal, in_shell=True)
    desk.session = Session(load_profile("egret"))
    assert carry_out(desk, ["attach"]) == [0]
    return desk


def test_without_heaters_all_is_seated_by_hand_and_nothing_is_said_to_be_off(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = at_egret(BY_HAND)
    assert carry_out(desk, ["lay strip"]) == [0]
    said = " ".join(capsys.readouterr().out.split())
    assert said.index("must be COLD now") < said.index("Now set the controllers that keep the heat")
    assert "switch them off by hand NOW" in said
    assert "heaters off" not in said
    sent = received(desk)
    seat = next(i for i, line in enumerate(sent) if line.startswith("G92"))
    assert not [line for line in sent if line.startswith(("M104", "M109", "M140", "M190", "G28"))]
    assert sent[seat + 2] == "G4 P0"  # raised and standing before anything is asked to get hot
    assert desk.session.bench.heater_state == "not reported"


@pytest.mark.parametrize(
    ("answer", "words"),
    [({"Do both stand": "hot"}, "Nothing was heated"), ({"Does the paper": "yes"}, "by hand")],
)
def test_without_heaters_a_refusal_lays_nothing(
    answer: dict[str, str | Callable[[str], str]], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = at_egret(answer)
    assert carry_out(desk, ["lay strip"]) == [1]
    assert words in " ".join(capsys.readouterr().err.split())
    assert not desk.session.now.laid


def test_without_heaters_a_pause_is_undone_and_a_stop_says_what_stays_hot() -> None:
    whole, paused = at_egret({}), at_egret({})
    for desk in (whole, paused):
        desk.session.moves.seat()
    lay(whole.session, whole.session.pieces.draw("strip"))
    session = paused.session
    laying = session.pieces.begin(session.pieces.draw("strip"))
    assert not session.pieces.lay_on(laying, stop=stop_after(desk, 200))
    assert laying.hold()
    assert session.pieces.lay_on(laying)
    rows = [d.rehearsal.machine.bed.laid_jobs[-1].rows for d in (whole, paused) if d.rehearsal]
    assert len(rows[0]) == len(rows[1])
    for one, other in zip(*rows, strict=True):
        assert one[0] == pytest.approx(other[0])
        assert one[4] == pytest.approx(other[4], rel=0.02)
    stopped = session.pieces.begin(session.pieces.draw("strip"))
    session.pieces.lay_on(stopped, stop=stop_after(desk, 200))
    left = session.pieces.stop(stopped)
    assert left.heaters == "by hand"
    assert "STILL HEATED" in str(left)
