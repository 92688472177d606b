"""Whole sessions at simulated machines, held to the screens that were read and found right."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.face.stage import Staged, staged
from tests.pinned import Pinned


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Staged]:
    with staged(tmp_path) as make:
        yield make


def test_a_tune_by_the_guide_alone(stage: Staged, pinned: Pinned) -> None:
    """Enter on an empty line does what is offered, up to the report."""
    pinned("sessions/tune", stage(seed=3).play("-\n" * 20))


#: Files that lie in the folder of a session.
FILES = {
    "points.txt": "# X S H\n0 0 0.10\n240; 0; 0,12\n\n0 300 0.08  # rear left\n240 300 0.30\n",
    "wrong.txt": "0 0 0\n1 2\n3 4 five\n",
    "tower.yaml": """\
format: plumbelt-readings/1
mechanics: {gantry_angle_deg: 45}
settings: {steps_per_mm: {x: 80, y: 80, z: 154}}
instrument: {resolution_mm: 0.01, mpe_mm: 0.03}
material: {shrink_percent: 0, shrink_u_percent: 0.02}
readings:
  - {feature: outside, along: [0, 25, 0], mm: [24.91, 24.90, 24.92], between: edges}
  - {feature: outside, along: [0, 200, 0], mm: [198.42, 198.41, 198.43], between: edges}
  - {feature: travel, along: [0, 300, 0], mm: [297.45], u_mm: 0.1}
  - {feature: pitch, along: [0, 0, 60], mm: [59.79, 59.80, 59.78]}
  - {feature: lean, along: [0, 0, 60], mm: [1.46, 1.44, 1.47]}
""",
    "askew.yaml": """\
format: plumbelt-readings/1
family: numbered
mechanics: {gantry_angle_deg: 60}
settings: {steps_per_mm: {x: 100, y: 100, z: 130}}
readings:
  - {feature: outside, along: [100, 80, 0], mm: [127.35, 127.36], between: points}
  - {feature: outside, along: [100, -80, 0], mm: [128.75, 128.74], between: points}
  - {feature: sway, along: [0, 0, 80], mm: [0.9, 0.92]}
  - {feature: gap, along: [160, 0, 0], mm: [0.5], u_mm: 0.03}
  - {feature: lean, along: [0, 0, 80], mm: [-0.2, -0.21]}
""",
    "apart.yaml": """\
format: plumbelt-readings/1
mechanics: {gantry_angle_deg: 45}
readings:
  - {feature: travel, along: [200, 0, 0], mm: [200.1], u_mm: 0.05}
  - {feature: travel, along: [150, 0, 0], mm: [153.1], u_mm: 0.05}
""",
    "wrong.yaml": "format: plumbelt-readings/1\nreadings:\n  - {feature: hole, mm: [2]}\n",
    "dump.txt": "ok\necho: M92 X80.00 Y80.00 Z105.37 E412.00\necho:  M203 X180.00 Y160.00\nok\n",
    "evening.txt": """\
# what is done every evening
status   # first of all
gauge travel-belt 265.7 --u 0.05

gauge travel-belt 199.28 --mm 204.99 --u 0.05
solve
""",
    "broken.txt": "status\nlay cube\nnext\nstatus\n",
    "mistakes.txt": "status\nfly away\nrun evening.txt\nsolve 'open\n\nattach\n",
    "bed.yaml": "screw: M4\nat: {a: [0, 0], b: [200, 0], c: [0, 300], d: [200, 300]}\n",
}

#: Name of a session: what its stage is made with, and its script.
SESSIONS: dict[str, tuple[dict[str, Any], str]] = {
    "wrong lines": (
        {},
        """
frobnicate
atach
level
'open quote
status --wrong
status too much
gauge strip
solve
preview
write
store
undo
undo --list
undo --to 1234
resume
prove power
feed flow
feed cold
feed free
next
lay
lay cube
lay strip
marks
advance
advance -3
advance 10
marks --turns -1 --every abc --count 2
send
send M114
halt
cool
readback
detach
mechanics
log list
log readings --out readings.yaml
plumbelt
help nothing-like-it
help gaug
handover file.txt
gauge
gauge bed
gauge check
report
begin
next --json
status --json
""",
    ),
    "words at the caliper": (
        {"seed": 5},
        """
attach
lay strip
gauge nothing
gauge strip 20.1
gauge strip-s1 20.1 20.2 abc 1x
gauge strip-s1 20.31 20,30 0.8in
gauge strip-s1 21.5
  -
gauge strip-s1 20.3 20.3 21.1
gauge strip --u 0.02
  warm
  200
  21,5 C
  30
  ?
  19.99
  20.9
  back
  20,01
  fix 1 20.03
  fix 9 20
  fix
  20.02
  59.9 60.1
  again
  6.01
  no
  -
  60.0
  0.6
  stop
gauge strip --repeats 2
  60.02
  93.0
  93.02
  -
  -
  all
gauge strip-x1 --repeats 1
  -3
  twelve
  59.9
  no
  20.07
gauge strip-h
gauge strip-s1 --repeats 4
  20.1
  20.1
  20.1
  20.6
  keep
gauge strip
gauge strip-s4 --json
  185 185.01 185.02
gauge block
gauge strip --profile heron
gauge strip --scan nowhere.png
gauge strip --file nowhere.yaml
log readings --out readings.yaml
gauge --file readings.yaml
solve --readings --budget
solve --json
""",
    ),
    "moves without plastic": (
        {"seed": 4},
        """
attach
gauge travel-belt
  yes
gauge travel-belt
  understood
  no
gauge travel-belt
  yes
  not a number
  -2
  26,57 cm
gauge travel
  yes
  -
  165.1 165.2 165.0
  -
gauge travel 100
gauge travel-across 99.7 99.8 --mm 100 --u 0.05
gauge travel-across --mm 900
gauge travel-gantry --mm 50
gauge travel-belt --mm 0
gauge travel-up
gauge gap
  yes
  0.12
gauge gap -0.05 --u 0.03
advance 25
  yes
marks
  yes
  44.1
  44,2
  x
  all
marks --axis across --both --every 25 --count 3
  yes
  all
marks --axis gantry --every 500
marks --axis gantry --turns 2
marks --load part --turns 2 --per-turn 2 --u 0.05
  yes
  -
  -
  -
  -
marks --every 50 --count 3 --json
  yes
  all
gauge travel --enough
  yes
  -
solve
solve --readings
status
next
""",
    ),
    "a change declined, approved, stored, undone": (
        {"seed": 6},
        """
attach
gauge travel
  understood
  yes
gauge travel-belt --mm 150
  yes
solve
preview
status
write
  abc
write
  {digest}
detach
attach
solve
preview
write --approve 00000000
write --json
  {digest}
status
next
store
  nope
undo --list
store --approve 00000000
store
  {digest}
prove homing
  no
prove homing
  yes
prove job
  yes
prove power
gauge travel
  yes
  yes
  yes
  yes
solve
status
undo
  no
undo
  {digest}
store
  {digest}
undo --list
undo
  {digest}
undo --list --json
store --others all
  {digest}
store
prove power
gauge travel-belt 320
  yes
  yes
gauge travel-belt 320
  yes
next
begin
next
outlook
outlook --scale 0.2 --angle 0.2
outlook --u 0.5 --sizes
status
""",
    ),
    "laying declined and done": (
        {"seed": 2},
        """
attach
lay strip --size plate-along=60 --size nonsense=3
lay strip --size plate-along=60 --size plate-along=70
lay strip --size plate-along=-3
lay strip --size plate-along
lay strip
  yes
lay strip
  understood
  no
lay post --size height=30
  yes
lay strip --json
  yes
gauge strip
  -
  -
  all
gauge post
  all
lay post
  yes
gauge post
  no
gauge post-2
  all
lay block
  yes
gauge block
  -
  -
  stop
gauge block
  all
lay rail --size length=500
lay rail
  yes
gauge rail
  all
lay stem --size height=40
  yes
gauge stem --enough
solve --readings --budget
preview
next
feed free
write
  74
write
  74.68252
  {digest}
feed flow
""",
    ),
    "filament": (
        {"seed": 8},
        """
attach
feed hot --length 30 --repeats 1
feed free --speed 0
feed free --length 40 --repeats 3
  understood
  no
feed free --length 40 --repeats 3 --speed 2
  yes
  39.1
  abc
  -
feed free
  yes
  all
feed hot --repeats 2
  yes
  -
  45.5
preview
write
  {digest}
feed flow
lay strip
  yes
gauge strip
  -
  -
  all
solve
feed flow
feed hot --json
store
  {digest}
status
""",
    ),
    "the bed and its screws": (
        {"seed": 7, "profile": "egret", "family": "numbered"},
        """
attach
gauge bed
  0.1
  0,12
  x
  5
  no
  0.25
  0.2
gauge bed 0.1 0.2
gauge bed 0.1 0.2 0.3 --u 0.03
shim
shim --span 320 --front 0.4 --back 0.1 --screw M4
  heights
shim --span 320 --front 0.4 --back 0.1 --pitch 0.7 --gaps
shim --span 320 --front 0.1 --back 0.1 --pitch 0.7 --heights
shim --span 320 --front 0.1 --back 0.4 --pitch 0.7 --heights --json
shim --span 320 --front 0.4
shim --span 320 --front 0.4 --back 0.1 --pitch 0.7 --screw M4
shim --span 320 --front 0.4 --back 0.1 --screw M99
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1
  sideways
  gaps
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --at 240 300 0.6 --heights --screws profile
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --heights --screws egret --pitch 0.5 --u 0.01
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --heights --screws egret --fixed left --screw M3
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --heights --screws egret --fixed nowhere
shim --at 0 0 0 --at 240 0 0.3 --heights --screws egret
shim --at 0 0 0 --at 240 0 0.01 --at 0 300 0 --heights --screws profile
shim --at 0 0 0 --at 1 0 0 --at 2 0 0 --heights
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --heights --pitch 0.7
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --heights --span 3
shim --points nowhere.txt --heights
shim --points points.txt --gaps --screws profile
shim --points wrong.txt --gaps
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --gaps --screws profile --json
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --heights --screws heron
shim --at 0 0 0 --at 240 0 0.3 --at 0 300 0.1 --heights --screws bed.yaml
solve
""",
    ),
    "parts and calculations": (
        {"seed": 1},
        """
mechanics
attach
mechanics
mechanics --json
mechanics --profile curlew
mechanics --profile nowhere
drive --teeth 20 --pitch 2
drive --teeth 20 --pitch 2 --microsteps 32 --full-steps 400 --ratio 2 --json
drive --lead 8
drive --roller 28 --belt 1
drive --roller 28 --belt 1 --neutral 0.4 --u-roller 0.01 --u-belt 0.05
drive --ratio 5 --roller 31.5 --belt 0.9 --measured-steps 176.02 --was-roller 28
drive --ratio 5 --roller 31.5 --belt 0.9 --measured-steps 176.02 --was-ratio 4 --was-belt 1.1
drive --teeth 20 --pitch 2 --measured-steps 80.1 --was-teeth 16
drive --teeth 20 --pitch 3 --measured-steps 80.1 --was-pitch 2 --was-microsteps 32
drive --lead 8 --measured-steps 400 --was-lead 4
drive --teeth 20
drive --pitch 2
drive
drive --teeth 20 --pitch 2 --lead 8
drive --teeth 20 --pitch 2 --was-teeth 16
drive --lead 0 --teeth 1.5 --ratio abc
drive across
  gizmo
drive across
  pulley
  21
  2
drive gantry --json
  driver
  32
drive belt
  roller
  x
drive belt --roller 29
drive across --teeth 21 --measured-steps 80.2
drive up
profile list
profile show heron
profile show heron --json
profile show nowhere
profile use curlew
profile use heron
profile compare heron
profile compare heron curlew
profile compare heron egret --json
profile check heron
profile check stilt
profile save heron
profile save heron
profile save heron --over
profile list --json
profile set mechanics.belt_loop_mm 1220
profile set mechanics.belt_loop_mm lots
profile set mechanics.nonsense 3
profile set instrument.mpe_mm 0,02
profile check heron
drive belt --roller 29 --keep
profile compare heron
profile restore heron --preview
profile restore heron
profile restore heron --store
profile restore nowhere
profile edit heron
""",
    ),
    "pieces before they are laid": (
        {"seed": 1},
        """
piece strip --where
piece rail
piece post --size height=30
piece block --within 0.2
piece stem --within 0.05
piece strip --within 0.00001
piece stem --profile egret --where --json
piece post --profile stilt
piece cube
piece post --size height
piece post --size height=900
piece post --size depth=9
piece post --within 0.1 --size height=30
piece post --within 0
piece post --gcode post.gcode --stl post.stl --svg post.svg
piece post --gcode post.gcode --svg post.svg
piece post --gcode post.gcode --force
piece post --tilted
piece post --stl tilted.stl --tilted
""",
    ),
    "at the wire": (
        {"seed": 3},
        """
send M114
attach
send M114
send m503
send M105
send G28 X
  understood
  yes
send G28 X Y
  no
send G28 Z
send G1 X10
send M92 X80
send M104 S0
send M999
  yes
send "M114 ; look"
send M114 and a line that is much longer than what a controller can take in one go, by far, really
readback
readback --all
readback --stored
readback --json
readback --port memory://
readback --from nowhere.txt --stored
readback --from nowhere.txt --port memory://
readback --from nowhere.txt
attach --profile curlew
attach --profile heron
attach somewhere
attach --again
cool
cool --json
halt
status
send M114
next
attach --again
next
halt --json
attach --again --json
detach
detach --json
status
""",
    ),
    "a script and its mistakes": (
        {"seed": 3},
        """
run nowhere.txt
completion bash
completion tcsh
completion zsh --json
cautions
cautions --json
sim --faults
sim --effects --json
rehearse --faults --effects
run
""",
    ),
    "files of readings": (
        {"seed": 3},
        """
solve tower.yaml
solve tower.yaml --readings --budget
solve askew.yaml
solve apart.yaml
solve wrong.yaml
solve nowhere.yaml
solve tower.yaml apart.yaml wrong.yaml
solve apart.yaml tower.yaml --budget --readings
solve tower.yaml wrong.yaml --json
gauge --file tower.yaml
gauge travel --file tower.yaml
attach
gauge --file apart.yaml
gauge --file apart.yaml --json
solve
next
gauge travel-across
  halt
status
attach --again
readback --from dump.txt
readback --from dump.txt --all --json
readback --from wrong.yaml
""",
    ),
    "scripts": (
        {"seed": 3},
        """
run mistakes.txt
run evening.txt
attach
run evening.txt
  understood
  yes
  yes
run evening.txt --json
run broken.txt
run broken.txt --json
run evening.txt --port memory://
""",
    ),
    "pieces on the scanner": (
        {"seed": 3},
        """
gauge --scan strip.png
gauge cube --scan strip.png
gauge strip --scan strip.png
attach
lay strip --size plate-along=60
  understood
  yes
gauge strip --scan strip.png --dpi 0
gauge strip --scan strip.png --picture points.txt
gauge strip --scan tower.yaml
gauge --scan tower.yaml
gauge --scan tower.yaml --size plate-along=60
""",
    ),
    "a profile asked for": (
        {"seed": 3},
        """
profile new heron
profile new mine
  ?
  x y
  x y -z
  back
  x y -z
  450
  35
  teeth 20 pitch 2
  stop
profile new mine
  lead 8
  roller 24 belt 0.8
  200 220
  200 220 4000
  unknown
  M3 260
  PETG
  240 75
  1.75 0.4
  0.5 0.25
  0.01 0.03 150
  0.05
  0.1 0.1
profile check mine
profile show mine
profile new mine
attach
profile new other
  -
  45
  7
  1
  2
  unknown
  ratio 3 roller 28 belt 1
  ?
  no
  220 200 5000
  1460
  stop
profile new other --json
  -
  yes
  understood
  yes
  again
  left
  up
  forward
  PETG
  240 75
  -
  -
  -
  0.05
  -
profile list
mechanics
profile new third --answers nowhere.txt
""",
    ),
}


@pytest.mark.parametrize("name", SESSIONS)
def test_a_session_is_told_as_it_was_read(name: str, stage: Staged, pinned: Pinned) -> None:
    how, script = SESSIONS[name]
    for file, text in FILES.items():
        Path(file).write_text(text)
    pinned(f"sessions/{name.replace(',', '').replace(' ', '-')}", stage(**how).play(script))
