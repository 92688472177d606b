"""Help pages on words, files and exit codes, and on the troubles that people come with.

Each page fits a screen of 80 columns and 24 rows.
"""

from __future__ import annotations

from typing import Final

TROUBLES: Final[dict[str, tuple[str, str]]] = {
    "words": (
        "words that plumbelt uses in a sense of its own",
        """\
reading      what you read of a piece or a move with an instrument
read-back    what the controller answers when it is asked for its settings
scale        how much farther than commanded an axis goes, in percent
size offset  how far a size is off, the same for a short and a long part
shrink       how much the plastic shortens on cooling; never a motor setting
lean, sway   how far an upright's top is off its foot: along the belt, across
travel, gap  a move measured without plastic; nozzle to belt along a move
rail skew    the across rail turned inside the plane of the gantry
verdict      what follows from an error: a setting, an adjustment, or nothing
live         what the controller works with now; lost when it restarts
stored       what it will work with after a restart
verified     read back, and found to be what was sent; an 'ok' is no proof
plan         the lines to send, shown before, with the digest that names them
digest       eight signs that stand for exactly these lines: you type them
round        one state of the machine: pieces laid, readings, solution
tolerance    how large an error may be and be left alone
± (95 %)     half the interval that holds the true value, 95 % probable

'help terms' has the words of machine, pieces and drives.""",
    ),
    "terms": (
        "words of the machine, its pieces and its drives",
        """across         the axis across the belt: the nozzle's carrier on its rail
gantry         the axis up the leaning plane; it lifts the nozzle off the belt
belt           the axis along the belt; it only ever feeds forward
gantry angle   of that plane to the belt; slicing angle: what the slicer uses
yaw, roll      the gantry turned, as seen from above, and from behind
strip, rail    flat pieces of one layer; post, stem, block: upright ones
bead           the line of plastic that is laid; its width is in every size
outside        jaws over two faces; inside: in a gap; pitch: edge to like edge
marks          a run of an axis over marks that are read one by one
lost motion    what a drive turns before its axis follows, where it turns back
run-out        a roller that is not round or not centred: a wave along the belt
slip           the belt moves less than its roller does
play           a loose fit in a drive or bearing: the cause of lost motion
worst case     how far a move may go if the stored setting is wrong
family         the words that a kind of controller understands
profile        the file of one machine: parts, settings, instrument, tolerance
record         all that was read, written and proved, of every machine
bench          one machine with its instruments, and all that is known of them
workshop       a shared record of several benches
command        what you type to plumbelt; a line is what goes to the controller""",
    ),
    "exit": (
        "exit codes, for scripts",
        """\
  0   all that was asked was done and proved
  1   it ran, and the answer is no: refused, not proved, contradicted, out of
      tolerance
  2   wrong use, or a file that cannot be read; nothing was done
  3   the link failed; 'status' says what is known of the machine
130   interrupted by Ctrl-C or a signal

With --json standard output is one JSON document, and messages go to standard
error. Where the answer is no, the document says why under 'error'.""",
    ),
    "files": (
        "the files that you write and keep",
        """\
profile     YAML, 'format: plumbelt-profile/1': how a machine is built, what it
            prints and measures with, its settings when it was good.
            'profile list' shows where they are; edit them with any editor.
readings    YAML, 'format: plumbelt-readings/1': readings taken by hand.
            'solve FILE' computes from them; 'gauge --file FILE' takes them up;
            'log readings --out FILE' writes the ones you took here.
script      commands, one a line; '#' begins a comment: 'run FILE'.
            A write or store in it names the digest it approves.
record      one database in the data folder, only ever added to:
            'log list', 'log export', 'log merge'.

Decimal commas are understood and shown as understood. Unknown or doubled
keys are refused, all of a file at once, and nothing is half taken.
PLUMBELT_HOME names another data folder.""",
    ),
    "troubles": (
        "what goes wrong, and where to begin",
        """\
'the cube is right and long parts are not'   help short-part
'walls lean, and it comes back'              help lean-returns
'the first layer does not stick'             help first-layer
'a straight line comes out wavy'             help belt-wave
'it differs with the side it comes from'     help lost-motion
'sizes change from day to day'               help drifting
'the read-back is damaged'                   help damaged
'it forgets the settings'                    help forgets
'after a reflash everything is wrong'        help restore
'parts are out of square'                    help yaw
'holes small, outsides large'                help offset

'next' names the one step that helps most now; 'status' shows how it stands.""",
    ),
    "short-part": (
        "short parts read right and long ones wrong, or the reverse",
        """\
Every face lies a little too far out, because the bead is wider than planned;
that is the same for a short and a long part. A scale error grows with length.
On 20 mm a bead of 0.1 mm looks like 0.5 % of scale: one short part cannot tell
them apart, and 'new = old x nominal / measured' writes the bead into the motor
setting.

Measure at least two lengths of a direction that differ much (gauge strip), or
a plain move (gauge travel). Scale and size offset then come apart: the first
is a motor setting, the second belongs to the slicer.""",
    ),
    "lean-returns": (
        "walls lean again after every correction",
        """\
Three causes show as the same lean: the scale of the gantry, the scale of the
belt, and the angle of the gantry. Correcting the wrong one makes the part
right in one place and wrong in another, so that it never ends:
- gantry steps set from a height while the angle is off: the lean doubles at
  45° and triples at 35°;
- belt steps set until faces look upright: every length along the belt is off.

Read the height, the lean and a length along the belt, and let 'solve' share
the error out. Then set the slicing angle, not the steps. If the lean still
comes back, look for play: 'gauge gap', loose screws of the gantry's foot.""",
    ),
    "first-layer": (
        "the first layer does not stick, or is pressed flat on one side",
        """\
Not a matter of steps. In this order, with the machine cold and still:
1. clean the belt; check its tension and that it runs true;
2. compare the gap of nozzle and belt at both ends of the across axis:
   'gauge gap'. More than a tenth of a millimetre of difference: the gantry
   rolls against the belt, or the bed is tilted;
3. take the tilt out by the bed's screws: 'shim' says which, and which way;
4. set the gap again with a feeler gauge, then the temperatures.

Hot parts burn and the belt pulls in fingers: see 'cautions'. A squashed first
layer makes the foot low and wide: the size offset h takes that up.""",
    ),
    "belt-wave": (
        "errors that repeat along the belt",
        """\
A roller that is out of round, or sits off its axis, makes a wave of one roller
turn; a belt of uneven thickness, or its joint, one of the belt loop. Whether a
reading is right then depends on where along the belt it was taken.

Run the belt over marks: 'marks'. 'solve' separates scale, wave, lost motion
and slip. A wave is a fault of the roller: clean, true or replace it. Take test
lengths of whole roller turns; the wave drops out of them.""",
    ),
    "lost-motion": (
        "a size or a place differs with the side an axis comes from",
        """\
Where a drive turns round, its play is run through first: a slack belt, a loose
pulley, a worn nut or gear. No setting removes that, and a scale does not
suffer from it: every measured move begins with a take-up move the same way.

'marks --axis across --both' (gantry, belt likewise) reaches each mark from
both sides; 'solve' tells the lost motion of each axis, with its uncertainty,
and whether it is the same everywhere (play) or not (a loose or tilted part).
Three marks are enough for it: '--every 25 --count 3'. Then tighten the belt,
the screw of the pulley, or the nut, and run it again.""",
    ),
    "drifting": (
        "sizes change from day to day",
        """\
Look first at what changes: another spool, the room, a part read warm (20 °C
too warm reads 0.1 to 0.2 % long), a belt that was tightened.
'log trend estimate.z_scale' draws one error over time with its uncertainty,
and says whether the drift is told from zero.

A friction roller wears and a belt stretches: months, not days. Changes from
hour to hour with the frame growing warm are normal to about 0.01 %. Slip shows
as scatter between an empty and a loaded belt: 'marks --load part'.""",
    ),
    "damaged": (
        "the read-back is damaged",
        """\
A reply has no checksum: plumbelt reads twice, and takes the settings only when
both agree, every expected key is there once, and no value is impossible. Else
it shows what it got and writes nothing.

1. 'readback' again: a single disturbance is gone then.
2. Another cable, without a hub; the board fed by its own supply.
3. A lower speed, if the controller can: 'attach PORT --baud N'.
4. A key that is always missing or 'nan': the stored block may be unreadable
   after a reflash. Save a copy ('profile save') before you initialise it.""",
    ),
    "forgets": (
        "settings are gone after switching off",
        """\
What is written is live, and lost with the power until it is stored: 'store'
shows first what else would become permanent. A controller that answers 'saved'
has not proved it: plumbelt reloads and compares, and once more after a power
cycle ('prove power').

If storage gives other values back, its memory may be worn or of another
layout: the boot lines say so. Controllers that keep their settings in a file
need the line edited there: plumbelt hands it to you.""",
    ),
}
