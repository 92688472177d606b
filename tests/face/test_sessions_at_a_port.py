"""Sessions at a machine that the tool takes for a real one, with a record on the disk."""

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


#: Name of a session: what its stage is made with, and its script.
SESSIONS: dict[str, tuple[dict[str, Any], str]] = {
    "one verb a process": (
        {"seed": 3},
        """
$ ports
$ attach
$ attach memory://heron
$ next
$ --port memory://heron attach
$ --profile heron profile save heron --port memory://heron
$ profile save heron --port memory://heron --over --like heron
$ --port memory://heron readback
$ --port memory://heron readback --stored --json
$ --port memory://heron gauge travel-across 160.5
  understood
  yes
  0,05
$ --port memory://heron gauge travel-across --mm 140 --u 0.05
  understood
  yes
  -
  140.6
$ --port memory://heron gauge travel-belt 265.7 265.72 --u 0.05 --json
$ --port memory://heron gauge travel-belt 199.28 --mm 204.99 --u 0.05
$ --port memory://heron gauge gap
  understood
  yes
  -
  0.62
  -
$ status
$ next
$ solve
$ log list
$ --port memory://heron preview
$ --port memory://heron write --approve 12345678
$ --port memory://heron write
  {digest}
$ status --json
$ log show 00000001 --json
$ log show 00000005
$ --port memory://heron store --json
$ --port memory://heron prove power
! off and on
$ --port memory://heron prove power
$ --port memory://heron undo --list
$ --port memory://heron gauge travel-across 159.9 --u 0.05
$ --port memory://heron next
$ --port memory://heron status
$ log list --kind outcome --kind proof
$ log list --kind nonsense
$ log list --kind journal --most 5
$ log list --text travel --since 2026-03-02T08:10 --until 2026-03-03
$ log list --machine nobody
$ log list --most 1 --kind attached --json
$ log trend steps_per_mm.z --machine heron
$ log trend steps_per_mm.z --machine heron --most 2
$ log trend estimate.z_scale --machine heron
$ log trend estimate.z_scale --machine heron --json
$ log trend nothing --machine heron
$ log trend steps_per_mm.z
$ log show ffffffff
$ log readings --out read.yaml
$ log readings --out read.yaml
$ log readings --out other.yaml --machine nobody
$ log export heron.jsonl --machine heron
$ log export heron.jsonl
$ log merge heron.jsonl
$ log merge nowhere.jsonl
$ profile compare heron --port memory://heron
$ profile restore heron --port memory://heron --preview
$ profile restore heron --port memory://heron --approve 00000000
$ profile restore heron --store
$ --port memory://heron profile list
$ --port memory://heron detach
$ --port memory://heron demo
$ begin
$ status
$ --port memory://heron profile save twin --like egret
$ profile check twin --port memory://heron
$ --port memory://heron gauge travel-across 159.9 --u 0.05
$ --port memory://heron next
$ --port memory://heron readback
""",
    ),
    "the shell at a real machine": (
        {"seed": 9},
        """
next
attach memory://heron
next
profile save heron
gauge travel --enough
  0.05
  understood
  yes
  -
  161.3
  -
  141.2
  -
  -
  -
  140.1
  -
  273.1
  -
  -
  -
  -
  -
status
gauge travel-across
  yes
  -
  160.4
  0,1
gauge travel-gantry 160 160.1
  yes
  -
marks --every 50 --count 4 --u 0.1
  yes
  -
  50.1
  -
  150.2
  200
  99.8
marks --axis across --both --every 20 --count 3
  yes
  -
  -
  20
  -
  -
  -
  -
  -
  -
  -
  -
gauge strip
  no
gauge strip
  yes
  21
  5
  20.1 20.12 20.11
  60.2
  stop
gauge strip --enough
  stop
gauge stem --enough
  no
lay stem --size height=40
  no
lay stem --size height=40
  yes
! laid stem
gauge stem
  21.5
  5
  ?
  -1.1 -1.12
  -
  stop
gauge stem --enough
  stop
gauge check 50 50.01 50.00 50.01
gauge check 50 50.21 50.22 50.21
gauge check 50 49
gauge check 50 50.01 50.00 50.01 --json
feed free --repeats 2
  yes
  49
  x
  49.2
advance 20
  yes
solve
preview
next
status
detach
next
""",
    ),
    "broken off while writing": (
        {"seed": 3},
        """
$ --profile heron profile save heron --port memory://heron
attach memory://heron
gauge travel-across 162.5 --u 0.05
  understood
  yes
gauge travel-across 142.2 --mm 140 --u 0.05
gauge travel-belt 265.7 --u 0.05
gauge travel-belt 199.28 --mm 204.99 --u 0.05
solve
write
  no
! interrupt M92 Z
write
  {digest}
status
next
resume
resume --json
store
readback
resume undo
  no
resume undo
  {digest}
status
solve
! pull M92 Z
write
  {digest}
status
next
resume
attach --again
next
resume
resume leave
next
status
undo
  {digest}
solve
write
  {digest}
! off and on
readback
attach --again
status
next
resume
resume finish --approve 00000000
resume finish
  {digest}
resume
store
  {digest}
! set steps_per_mm.x 81
! set max_speed.x 200
attach --again
status
store
  nope
store --others plan
  {digest}
store --others all
  {digest}
undo --list
undo --to 00000001
undo --to 0000
log list --kind settled --kind outcome --most 9
! hot
send M105
status
next
cool
detach
""",
    ),
    "a board that loses what it stores": (
        {"seed": 3, "faults": ["storage:does=lies"]},
        """
attach memory://heron
gauge travel-belt 265.7 --u 0.05
  understood
  yes
gauge travel-belt 199.28 --mm 204.99 --u 0.05
solve
write
  {digest}
store
  {digest}
status
next
prove power
  -
status
next
undo
  {digest}
""",
    ),
    "a board that cannot store": (
        {"seed": 3, "faults": ["storage:does=fails"]},
        """
attach memory://heron
gauge travel-belt 265.7 --u 0.05
gauge travel-belt 199.28 --mm 204.99 --u 0.05
solve
write
store
next
""",
    ),
    "flashed, and brought back": (
        {"seed": 3, "faults": ["layout"]},
        """
attach memory://heron --profile heron
next
gauge travel
lay strip
mechanics
profile restore heron --preview
profile restore heron
  {digest}
status
store
  {digest}
profile restore heron --preview --json
profile compare heron
profile check heron
next
""",
    ),
    "a machine whose settings are numbered": (
        {"seed": 3, "profile": "egret", "family": "numbered"},
        """
attach memory://heron
next
profile save egret
readback
gauge travel-belt 251.2 --u 0.05
  understood
  yes
gauge travel-belt 244.8 --mm 240 --u 0.05
solve
preview
write
  {digest}
store
next
prove power
  -
lay stem --size height=40
  yes
  yes
  no
lay stem --size height=40
  yes
  yes
  hot
cool
send ?
send $X
  yes
send $$
send $H
send $1=2
status
detach
""",
    ),
    "a machine that keeps its settings in a file": (
        {"seed": 3, "profile": "avocet", "family": "script"},
        """
attach memory://heron
profile save avocet
readback --all
gauge travel-belt 302.8 --u 0.05
  understood
  yes
gauge travel-belt 244.8 --mm 240 --u 0.05
solve
preview
write
  {digest}
store
next
status
handover start.txt
handover start.txt
handover start.txt --out start.txt
handover nowhere.txt
prove power
  no
prove power
  yes
  -
next
profile restore avocet --file start.txt
""",
    ),
    "a machine with an override file": (
        {"seed": 3, "profile": "stilt", "family": "override"},
        """
attach memory://heron
readback
gauge travel-belt 326.4 --u 0.05
  understood
  yes
gauge travel-belt 153 --mm 150 --u 0.05
solve
write
  {digest}
store
  {digest}
prove power
  -
! off and on
attach --again
halt
send M999
  yes
attach --again
next
""",
    ),
    "a laying that is paused, ended and lost": (
        {"seed": 3},
        """
$ --profile heron profile save heron --port memory://heron
attach memory://heron
! stop 3
lay stem --size height=40
  understood
  yes
  what
  on
! stop 300
lay stem --size height=40
  yes
  now
  later
  perhaps
status
next
send G28 X
  yes
send G28 X Y
  yes
next
! stop 400
lay stem --size height=40
  yes
  on
! stop 300
lay strip --size plate-along=60
  yes
  stop
  yes
status
! stop 400
lay stem --size height=40
  yes
  stop
  no
! stop 2
lay stem --size height=40
  yes
  stop
! pull M105
lay stem --size height=40
  yes
status
next
attach --again
status
gauge travel-across 160.2
  no
next
log list --kind laying --kind stopped --kind place --kind heat --kind piece
! hot
prove power
lay stem --json
  yes
""",
    ),
    "a machine with a table": (
        {"seed": 3, "profile": "curlew", "family": "table"},
        """
attach memory://heron
readback --json
gauge travel-belt 317.9 --u 0.05
  understood
  yes
gauge travel-belt 153 --mm 150 --u 0.05
solve
write
  {digest}
store
  {digest}
prove power
  -
feed free --repeats 2
  yes
  49.9
  50.1
next
""",
    ),
}

#: Files that lie in the folder of a session.
FILES = {
    "start.txt": (
        '; start of the bench\nM550 P"avocet"\nM92 X80.00 Y400.00 Z101.00 E410\nM203 X9000 Y1800\n'
    ),
}


@pytest.mark.parametrize("name", SESSIONS)
def test_a_session_at_a_port_is_told_as_it_was_read(
    name: str, stage: Staged, pinned: Pinned
) -> None:
    how, script = SESSIONS[name]
    for file, text in FILES.items():
        Path(file).write_text(text)
    at = stage(at="port", **how)
    pinned(f"sessions/{name.replace(',', '').replace(' ', '-')}", at.play(script))
