"""Help pages, one a topic: what it is, the formula, the picture, what to do.

Each page fits a screen of 80 columns and 24 rows.  Formulas are those of `agent.model.geometry`.
"""

from __future__ import annotations

from typing import Final

from agent.face.troubles import TROUBLES

TOPICS: Final[dict[str, tuple[str, str]]] = {
    "frame": (
        "x, s and h: the directions everything is measured in",
        """\
          h  off the belt
          |      / gantry axis
          |     /
          |    /    theta: set angle of the gantry
          |   /
          |  /          s counts positive the way the nozzle travels
          | /           over the belt when the gantry axis rises
          |/_ _ _ _ _ _ _ _ s  along the belt
         x across the belt (towards you)

A point (x, s, h) is reached with
    across = x      gantry = h / sin(theta)      belt = s - h cot(theta)
so a height needs two motors at once. Measure pieces before they leave the
belt, or mark x and s on them: turned by a quarter they mislead everything.""",
    ),
    "lean": (
        "uprights that lean along the belt: three causes, one symptom",
        """\
    lean per mm of height = (ey - ez) cot(theta) - delta

        /|          ey     gantry travels too far (relative)
       / |          ez     belt travels too far (relative)
      /  |          delta  true gantry angle minus set angle
     /   |
    /____|__ s      height error = ey + delta cot(theta)

Height, lean and length along the belt together tell the three apart; the
lean alone never does. Correcting the height with the gantry steps while the
angle is off multiplies the lean by 1 / sin(theta)^2: twice at 45°,
three times at 35°. Trimming the belt until faces look upright makes every
length along the belt wrong.
Correct ey and ez by a motor setting, delta by the slicing angle or a shim.""",
    ),
    "height": (
        "heights that are wrong",
        """\
    height error = ey + delta cot(theta)

A height is made by the gantry and by its angle. A gantry that stands too
steep makes parts tall as well as leaning. So read the lean and a length along
the belt too ('help lean'), and let the solution share the error out.
The first layers are pressed into the belt: the size offset h takes that up,
and that is why the height is read at two levels of the post.""",
    ),
    "offset": (
        "size offset: what does not grow with the part",
        """\
    outside reading = (1 - shrink) length + b
    inside  reading = (1 - shrink) length - b
    pitch   reading = (1 - shrink) length        edge to edge of the same side

           measured
             |        . *        slope: travel of the axis, less the shrink
             |    . *            start: b, the bead wider than planned
           b |. *
             +---------- length

A single short part cannot tell slope from start: 0.3 mm of bead on 20 mm looks
like 1.5 % of travel. 'new = old x nominal / measured' from one part writes the
bead into the motor setting. Measure long features and pitches.""",
    ),
    "shrink": (
        "shrink of the plastic: not a matter for the motors",
        """\
Plastic shrinks alike in every direction while it cools (0.2 to 1 %, by kind).
Equal negative errors in x, s and h are the plastic's, and belong in the
slicer as a material factor 1 / (1 - shrink).
A 'travel' reading has no plastic in it: the machine moves, and a rule or gauge
tells how far. It is what separates shrink from travel.
Let pieces cool first: a piece 20 °C too warm reads 0.1 to 0.2 % too long.""",
    ),
    "yaw": (
        "yaw, rail and roll: what needs mechanical adjustment",
        """\
    plan (from above)            front view
      s                            h
      |    /rail                   |      ___--- rail
      |   /                        | ---
      |  / 90 deg + psi            |________ x
      +--------- x                   rho: roll of the gantry about s
       psi: yaw of the gantry

yaw shows as plan out of square and uprights that sway across; the rail's own
turn as plan out of square and a gap that grows across; roll as sway and gap.
No setting can correct them. A controller's skew correction assumes a
box-shaped machine: on an endless belt it lifts the nozzle away, or drives it
into the belt, as the job goes on. 'solve' gives the amounts in mm over a span.""",
    ),
    "angle": (
        "the gantry angle: set the slicing angle, or shim the gantry",
        """\
delta is the true angle of the gantry minus the set one. Slicing with the true
angle is an exact correction: nothing is written to the
controller. Or bring the gantry to the set angle with a shim: over a lever L
    height of the shim = L tan(delta)
'shim' works out screws. After either, lay and read the post again.""",
    ),
    "travel": (
        "a reading without plastic",
        """\
    gauge travel            all three axes, one after the other
    gauge travel-belt       one axis; or -across, -gantry
    gauge travel --enough   what is worth moving, over two lengths and more

The axis moves by a known amount, after a short take-up move the same way, and
you say how far it went by your rule or gauge. What will move, how far, and
how far it could go if the stored setting were wrong is shown first. An axis
whose setting lies outside what its drive train can give is not moved at all.""",
    ),
    "confirm": (
        "what is asked before anything is written",
        """\
'preview' shows the table of changes, then the exact lines, then a digest: a
short fingerprint of lines, machine and read-back. 'write' shows them again and
asks for the first characters of the digest. Anything else sends nothing.
Just before sending, the settings are read again: if a value the plan rests on
has moved, the plan is refused. What is previewed is what is sent, byte for
byte. 'write' changes what is live. 'store' makes it permanent, asks again, and
is a step of its own: it stores everything that is live, not just the plan.
'undo' brings back what was read before the first write.""",
    ),
    "scan": (
        "a flat piece read from a flatbed scan instead of with a caliper",
        """\
      _________________________   glass, seen from above
     |  ___________________    |
     | |===================| | |  = piece, smooth side (it lay on the belt)
     | |==     ==          | | |    down, marks up, along the rim
     | |==     ====        | |r|  r steel rule along it, millimetre side
     | |===================| |_|    down, its marks towards the piece
     |  r r r r r r r r r r    |    and one across it
     |_________________________|

Nothing touches anything else; the rules reach as far as the piece does. A
dark sheet behind light plastic, the white lid behind dark. 300 or 600 dpi,
all improvements off, PNG, TIFF or JPEG. An A4 glass takes a strip with a
shorter plate: 'lay strip --size plate-along=60'.
    plumbelt> gauge strip --scan FILE --picture WHERE.png
The rules take out the scanner's own scale, skew and bow. Look at the picture:
the edges taken and the jaw positions are in it. A scan that cannot be relied
on is refused, with the reason.""",
    ),
    "proof": (
        "when a setting counts as stored",
        """\
An 'ok' is no proof: it is sent for lines that were refused, too. Stages:
    read back               the live value, as printed, is what was written
    reloaded from storage   loaded again from storage, it still agrees
    after a power cycle     'prove power': switched off and on, it still agrees
    after homing            'prove homing': homing did not put it back
    after a job's start     'prove job': the job's start lines did not either
Only the stages that were passed are recorded.""",
    ),
    "doubt": (
        "when the link fell silent",
        """\
After silence, a restart or a pulled cable the effect of the last line is not
known: it may have been carried out or not. Nothing is sent then until
'readback' has read what is live. Interrupted writes are told apart one by one:
took, did not, not known; 'undo' goes back to the read-back before the write.
After a pulled cable or a halt, 'attach PORT --again' comes first: all that was
read and found stays. Then home across and gantry before the next move.""",
    ),
    "caliper": (
        "how to read a piece",
        """\
Read each feature three times, better five, and take the jaws off in between.
Not on the first layers, not on a corner, not on the seam. Light pressure.
Let the piece cool for ten minutes. Readings take a point or a comma.
The uncertainty follows from the spread of the readings, the step of the
display and the stated limit of error of the caliper; that limit is shared by
all its readings, so more repeats do not make it smaller.""",
    ),
    "restore": (
        "after a flash of the firmware: a triage, not a replay",
        """\
A flash often leaves factory values live, and a belt axis may then travel ten
or forty times too far. Nothing moves before the settings are plausible again.
    profile restore NAME --preview     what would come back, what would not
    profile restore NAME               the same, then by its digest
Each saved setting is kept (steps, limits: written after the check against
the mechanics), to be measured again (probe height, mesh, heater loops), or
never replayed (motor currents, microsteps, settings of the old motion model,
lines that are only kept as text), each with its reason. Then 'store' and
'prove power'.
To try it first: plumbelt rehearse --profile NAME --fault layout""",
    ),
    "marks": (
        "running the belt over marks: scale, run-out, lost motion and slip",
        """\
    error of position x = offset + slope x + e sin(2 pi x / turn + phase)

      |            .o.         slope: scale of the belt
      |     .o.   .   o.       e: how far the roller runs out of true
      |    .   o.o             turn: pi (D + 2 k), k the belt's neutral line
      +---------------- x

'marks' runs the belt over about a dozen marks in four roller turns and asks
where it stands. A length of whole turns does not see the roller's run-out; any
other may be off by 0.2 mm. With --both each mark is reached from both sides,
which shows lost motion, of any axis: 'marks --axis across --both', '--axis
gantry'. A loaded run against an empty one shows slip. Run-out, lost motion and
slip are for the mechanic; only the slope is for a setting.""",
    ),
    "ports": (
        "rights, names that stay, and what gets in the way",
        """\
    rights    On Linux a port belongs to a group (dialout, uucp): 'ports' gives
              the command that adds you. It counts after a new log-in.
    names     ttyUSB0 is only the first that came. The name under
              /dev/serial/by-id stays, and 'attach' takes it. Boards without a
              serial number differ by their socket alone; a rule of udev:
              SUBSYSTEM=="tty", KERNELS=="1-2.3", SYMLINK+="belt-left"
    grabbed   Services for modems and braille displays (modemmanager, brltty)
              open what looks like theirs: busy for a moment after plugging in,
              or taken for good. Remove them, or except the device by a rule.
    restarts  Opening raises the lines DTR and RTS, which restarts many boards.
              '--keep-lines' leaves them up at the end: no restart next time.
              '--reset' lets them rise; some boards are silent without.
    hubs      A laptop that suspends, or a hub without a supply of its own,
              drops the port. Plug into the computer; no suspend while laying.
    Windows   COM3, COM12 as the device manager has them; no pseudo-terminals:
              'sim --listen tcp:0'. macOS: /dev/cu.*, not /dev/tty.*""",
    ),
    "family": (
        "the five families of controllers that are understood",
        """\
{families}
The family is found by what a controller answers, never by writing. One that is
of none of them can be read, and is not written to.""",
    ),
    "screen": (
        "how to read the tables",
        """\
    found      the error, positive where the machine goes too far
    ± (95 %)   half the interval that holds the true value, 95 % probable
    --o-+--    the same as a picture: o the value, : (or +) no error;
    >  <       at its rim: the value lies beyond the picture
The verdict:
    set steps/mm        significant, and beyond the tolerance: a motor setting
    set slicing angle   the same, but it is set in the slicer
    within uncertainty  cannot be told from zero: nothing is changed
    in tolerance        an error, but small enough to be left as it is
    not determined      these readings do not show it; the last line names one
                        that would
    by hand             mechanical adjustment is needed
    slicer setting      of the plastic: set in the slicer, never in the steps
    see notes           significant, but something else speaks against a change
Readings after a change against what was expected of them:
    expected     what this reading should be after the change
    offset       how much the size offset has changed since, in that direction
    difference   measured minus expected minus offset
    allowed      how large the difference may be; of a whole list of good
                 readings all keep within it 99 times in 100""",
    ),
    **TROUBLES,
}
